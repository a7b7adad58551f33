"""Conditions over facts: true, false, or undecided where a fact they rest on is unknown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

from backstay.core.rules.facts import FACTS, Facts, Value
from backstay.errors import InputError


class Condition(Protocol):
    """When a rule applies."""

    def holds(self, facts: Facts) -> bool | None:
        """Return whether it is true, or None where an unknown fact leaves it undecided."""

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        """Return the names of the facts that make it what it is; of an undecided one, those missing."""

    def names(self) -> tuple[str, ...]:
        """Return every fact it speaks of."""


def checked_name(name: str) -> str:
    """Return a fact's name.

    Parameters
    ----------
    name : str
        The name.

    Returns
    -------
    str
        The same.

    Raises
    ------
    InputError
        There is no such fact.
    """
    if name not in FACTS:
        raise InputError("no such fact", field="fact", value=name, allowed="a name in core/rules/facts.py")
    return name


def _limit(limit: float | str) -> float | str:
    return checked_name(limit) if isinstance(limit, str) else limit


@dataclass(frozen=True)
class _OneOf:
    name: str
    values: frozenset[Value]

    def holds(self, facts: Facts) -> bool | None:
        value = facts.get(self.name)
        return None if value is None else value in self.values

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        return (self.name,)

    def names(self) -> tuple[str, ...]:
        return (self.name,)


@dataclass(frozen=True)
class _Includes:
    name: str
    members: frozenset[str]

    def holds(self, facts: Facts) -> bool | None:
        value = facts.get(self.name)
        return None if value is None else not self.members.isdisjoint(value)  # type: ignore[arg-type]

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        return (self.name,)

    def names(self) -> tuple[str, ...]:
        return (self.name,)


@dataclass(frozen=True)
class _Beyond:
    """A number above (sign 1) or below (sign -1) a limit, which is a number or another fact."""

    name: str
    limit: float | str
    times: float
    sign: int

    def holds(self, facts: Facts) -> bool | None:
        value = facts.get(self.name)
        limit = facts.get(self.limit) if isinstance(self.limit, str) else self.limit
        if value is None or limit is None:
            return None
        return self.sign * value > self.sign * self.times * limit  # type: ignore[operator]

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        if self.holds(facts) is None:
            return tuple(name for name in self.names() if facts.get(name) is None)
        return self.names()

    def names(self) -> tuple[str, ...]:
        return (self.name, self.limit) if isinstance(self.limit, str) else (self.name,)


@dataclass(frozen=True)
class _Known:
    name: str

    def holds(self, facts: Facts) -> bool:
        return facts.get(self.name) is not None

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        return (self.name,)

    def names(self) -> tuple[str, ...]:
        return (self.name,)


@dataclass(frozen=True)
class _Not:
    part: Condition

    def holds(self, facts: Facts) -> bool | None:
        found = self.part.holds(facts)
        return None if found is None else not found

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        return self.part.grounds(facts)

    def names(self) -> tuple[str, ...]:
        return self.part.names()


@dataclass(frozen=True)
class _UnlessSure:
    part: Condition

    def holds(self, facts: Facts) -> bool:
        return self.part.holds(facts) is not True

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        return self.part.grounds(facts)

    def names(self) -> tuple[str, ...]:
        return self.part.names()


@dataclass(frozen=True)
class _Joined:
    """Several conditions; one that is `decisive` settles all of them: False in all_of, True in any_of."""

    parts: tuple[Condition, ...]
    decisive: bool

    def holds(self, facts: Facts) -> bool | None:
        found: bool | None = not self.decisive
        for part in self.parts:
            truth = part.holds(facts)
            if truth is self.decisive:
                return truth
            if truth is None:
                found = None
        return found

    def grounds(self, facts: Facts) -> tuple[str, ...]:
        found = self.holds(facts)
        return _once(name for p in self.parts if p.holds(facts) is found for name in p.grounds(facts))

    def names(self) -> tuple[str, ...]:
        return _once(name for part in self.parts for name in part.names())


def _once(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))


def is_true(name: str) -> Condition:
    """Return the condition that a fact is true.

    Parameters
    ----------
    name : str
        The fact.

    Returns
    -------
    Condition
    """
    return _OneOf(checked_name(name), frozenset({True}))


def is_false(name: str) -> Condition:
    """Return the condition that a fact is known to be false.

    Parameters
    ----------
    name : str
        The fact.

    Returns
    -------
    Condition
    """
    return _OneOf(checked_name(name), frozenset({False}))


def is_one_of(name: str, *values: str) -> Condition:
    """Return the condition that a fact is one of some words.

    Parameters
    ----------
    name : str
        The fact.
    *values : str
        The words.

    Returns
    -------
    Condition
    """
    return _OneOf(checked_name(name), frozenset(values))


def includes(name: str, *members: str) -> Condition:
    """Return the condition that a fact, a set, holds at least one of some words.

    Parameters
    ----------
    name : str
        The fact.
    *members : str
        The words.

    Returns
    -------
    Condition
    """
    return _Includes(checked_name(name), frozenset(members))


def above(name: str, limit: float | str, *, times: float = 1.0) -> Condition:
    """Return the condition that a fact is more than a number or than another fact.

    Parameters
    ----------
    name : str
        The fact.
    limit : float or str
        The number, or the other fact's name.
    times : float
        What the limit is multiplied by.

    Returns
    -------
    Condition
        "at most" is `not_(above(...))`.
    """
    return _Beyond(checked_name(name), _limit(limit), times, 1)


def below(name: str, limit: float | str, *, times: float = 1.0) -> Condition:
    """Return the condition that a fact is less than a number or than another fact.

    Parameters
    ----------
    name : str
        The fact.
    limit : float or str
        The number, or the other fact's name.
    times : float
        What the limit is multiplied by.

    Returns
    -------
    Condition
        "at least" is `not_(below(...))`.
    """
    return _Beyond(checked_name(name), _limit(limit), times, -1)


def known(name: str) -> Condition:
    """Return the condition that a fact is known, whatever it is; never undecided.

    Parameters
    ----------
    name : str
        The fact.

    Returns
    -------
    Condition
    """
    return _Known(checked_name(name))


def not_(part: Condition) -> Condition:
    """Return the condition that another is known to be false.

    Parameters
    ----------
    part : Condition
        The other one.

    Returns
    -------
    Condition
        Undecided where the other is.
    """
    return _Not(part)


def unless_sure(part: Condition) -> Condition:
    """Return the condition that another is not known to be true: false or undecided.

    Parameters
    ----------
    part : Condition
        The other one.

    Returns
    -------
    Condition
        Never undecided.
    """
    return _UnlessSure(part)


def all_of(*parts: Condition) -> Condition:
    """Return the condition that every one holds; put first what most often fails.

    Parameters
    ----------
    *parts : Condition
        The conditions.

    Returns
    -------
    Condition
        False as soon as one is false, else undecided where one is.
    """
    return _Joined(parts, decisive=False)


def any_of(*parts: Condition) -> Condition:
    """Return the condition that at least one holds.

    Parameters
    ----------
    *parts : Condition
        The conditions.

    Returns
    -------
    Condition
        True as soon as one is true, else undecided where one is.
    """
    return _Joined(parts, decisive=True)
