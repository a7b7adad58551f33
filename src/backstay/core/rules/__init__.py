"""Rules as data: when a rule applies in terms of facts, what to say, how strongly, and on whose word.

Hazards and the conditions of moves are rules of this one kind. A condition is true, false, or, where a fact it
rests on is unknown, undecided. A rule fires when its condition is true; `unless_sure` makes a rule that also
fires while what would satisfy it is unknown.

>>> rule = Rule(
...     id="trap_without_buddy",
...     when=all_of(includes("moves", "trapped_wire"), is_false("buddy_in_place")),
...     say="only a wire that already lies beside the rail can be trapped",
...     level=Level.BLOCK,
...     source=COMMON_PRACTICE,
... )
>>> trapping = {"moves": frozenset({"trapped_wire"})}
>>> found = evaluate([rule], {**trapping, "buddy_in_place": False})
>>> found.fired[0].text, sorted(found.fired[0].facts)
('only a wire that already lies beside the rail can be trapped', ['buddy_in_place', 'moves'])
>>> evaluate([rule], trapping).undecided[0].missing
('buddy_in_place',)
>>> evaluate([rule], {**trapping, "buddy_in_place": True})
Findings(fired=(), undecided=())
"""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from backstay.core.rules.conditions import (
    Condition,
    above,
    all_of,
    any_of,
    below,
    checked_name,
    includes,
    is_false,
    is_one_of,
    is_true,
    known,
    not_,
    unless_sure,
)
from backstay.core.rules.facts import FACTS, Facts, Value
from backstay.identifiers import Evidence, Level

__all__ = [
    "COMMON_PRACTICE",
    "FACTS",
    "Condition",
    "Facts",
    "Findings",
    "Fired",
    "Level",
    "Rule",
    "Undecided",
    "Value",
    "above",
    "all_of",
    "any_of",
    "below",
    "evaluate",
    "firing",
    "includes",
    "is_false",
    "is_one_of",
    "is_true",
    "known",
    "not_",
    "possible",
    "strongest_first",
    "unless_sure",
]

COMMON_PRACTICE = Evidence.COMMON_PRACTICE.value


class _Words(string.Formatter):
    """Fills facts into a text; an unknown one reads "unknown", a set is listed, a word stands without underscores."""

    def get_value(self, key: int | str, args: Any, kwargs: Mapping[str, Any]) -> Any:
        return kwargs.get(str(key))

    def format_field(self, value: Any, format_spec: str) -> str:
        if value is None:
            return "unknown"
        if isinstance(value, frozenset):
            return ", ".join(sorted(value))
        return value.replace("_", " ") if isinstance(value, str) else format(value, format_spec)


@dataclass(frozen=True, kw_only=True)
class Rule:
    """One rule.

    Attributes
    ----------
    id : str
        Unique among all rules.
    when : Condition
        When it applies.
    say : str
        What to say, one sentence without its full stop; facts stand in braces, e.g. "{seat_mm:.0f} mm".
    level : Level
        Block, pause or note.
    source : str
        Key in sources.toml, or "common practice, no source".
    edge : str
        Name of the fact that is the level it goes by, where another than `source` may have set it; or empty.
    ask : str
        What to say, as a pause, where an unknown fact leaves it undecided; nothing where empty.
    """

    id: str
    when: Condition
    say: str
    level: Level
    source: str
    edge: str = ""
    ask: str = ""

    def __post_init__(self) -> None:
        if self.edge:
            checked_name(self.edge)
        for _, name, _, _ in string.Formatter().parse(self.say + self.ask):
            if name is not None:
                checked_name(name)


@dataclass(frozen=True)
class Fired:
    """A rule that applies, and why.

    Attributes
    ----------
    rule : Rule
        The rule.
    facts : dict of str to value
        The facts that made it fire; None where it fired because one is unknown.
    text : str
        What it says, with the facts filled in.
    """

    rule: Rule
    facts: dict[str, Value | None]
    text: str


@dataclass(frozen=True)
class Undecided:
    """A rule that may apply.

    Attributes
    ----------
    rule : Rule
        The rule.
    missing : tuple of str
        The facts that would decide it.
    """

    rule: Rule
    missing: tuple[str, ...]


@dataclass(frozen=True)
class Findings:
    """What a set of rules says of some facts.

    Attributes
    ----------
    fired : tuple of Fired
        The rules that apply: what blocks first, then what pauses, then notes; else in the rules' order.
    undecided : tuple of Undecided
        The rules that an unknown fact leaves open, in the rules' order.
    """

    fired: tuple[Fired, ...]
    undecided: tuple[Undecided, ...]

    def at(self, level: Level) -> tuple[Fired, ...]:
        """Return the rules that fired at one level."""
        return tuple(fired for fired in self.fired if fired.rule.level == level)


def evaluate(rules: Iterable[Rule], facts: Facts) -> Findings:
    """Return which rules apply to some facts, and why.

    Parameters
    ----------
    rules : iterable of Rule
        The rules.
    facts : mapping of str to value
        What is known; a name left out, or None, is unknown.

    Returns
    -------
    Findings
        Those that fire and those left undecided.
    """
    told = [(rule, rule.when.holds(facts)) for rule in rules]
    return Findings(
        strongest_first([_fired(rule, facts) for rule, truth in told if truth]),
        tuple(Undecided(rule, rule.when.grounds(facts)) for rule, truth in told if truth is None),
    )


def firing(rules: Iterable[Rule], facts: Facts) -> tuple[Fired, ...]:
    """Return only the rules that fire, and those undecided that ask; the strongest first.

    Parameters
    ----------
    rules : iterable of Rule
        The rules.
    facts : mapping of str to value
        As in `evaluate`.

    Returns
    -------
    tuple of Fired
        As `evaluate` has them.
    """
    found = []
    for rule in rules:
        truth = rule.when.holds(facts)
        if truth:
            found.append(_fired(rule, facts))
        elif truth is None and rule.ask:
            found.append(_fired(replace(rule, say=rule.ask, level=Level.PAUSE), facts))
    return strongest_first(found)


def possible(rules: Iterable[Rule], facts: Facts) -> tuple[Rule, ...]:
    """Return the rules that some facts alone do not rule out.

    Parameters
    ----------
    rules : iterable of Rule
        The rules.
    facts : mapping of str to value
        What is known already.

    Returns
    -------
    tuple of Rule
        Those that can still fire, whatever else becomes known.
    """
    return tuple(rule for rule in rules if rule.when.holds(facts) is not False)


_ORDER = {level: k for k, level in enumerate(Level)}


def strongest_first(fired: Iterable[Fired]) -> tuple[Fired, ...]:
    """Return hazards with what blocks first, then what pauses, then notes; else in their order.

    Parameters
    ----------
    fired : iterable of Fired
        In any order.

    Returns
    -------
    tuple of Fired
    """
    return tuple(sorted(fired, key=lambda one: _ORDER[one.rule.level]))


def _fired(rule: Rule, facts: Facts) -> Fired:
    return Fired(
        rule,
        {name: facts.get(name) for name in rule.when.grounds(facts)},
        _Words().vformat(rule.say, (), facts),
    )
