"""What the ladder climbs: rigs, lesions and devices that moves lead to, and which moves each of them allows."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from backstay.core.inference.ladder import Step
from backstay.core.rigging.moves import Alternative, Situation
from backstay.identifiers import MoveId

Spent = tuple[float, float, float]
"""Minutes, mL of contrast, mGy."""
RigKey = tuple[object, ...]
Options = Callable[[Situation], Sequence[Alternative]]

TRY: Spent = (2.0, 2.0, 15.0)
"""What one push of the device takes, a look included: judgement, no source."""
AS_IT_IS = MoveId.AS_IT_IS.value


class State(NamedTuple):
    """Where a climb stands; states are the same if nothing that is still to come differs.

    Attributes
    ----------
    at : RigKey
        What is in place, as it is pushed, and how the lesions are.
    shut : bool
        The lesion is not yet seen to open: no stent.
    pushed : bool
        The device was pushed like this.
    spent : Spent
        Used since the start, zero where no limit is known.
    """

    at: RigKey
    shut: bool
    pushed: bool
    spent: Spent


@dataclass(frozen=True)
class Weights:
    """What each thing spent counts for; the unit is a minute's worth unless the user chose otherwise."""

    per_minute: float
    per_mL: float
    per_mGy: float

    def of(self, spent: Spent) -> float:
        """Return the cost of what was spent."""
        return spent[0] * self.per_minute + spent[1] * self.per_mL + spent[2] * self.per_mGy


@dataclass(frozen=True)
class Left:
    """What is left of each limit; None where none is known."""

    minutes: float | None = None
    contrast_mL: float | None = None
    air_kerma_mGy: float | None = None

    def allows(self, spent: Spent) -> bool:
        """Return whether so much may be spent."""
        limits = (self.minutes, self.contrast_mL, self.air_kerma_mGy)
        return all(limit is None or use <= limit for use, limit in zip(spent, limits, strict=True))

    @property
    def any(self) -> bool:
        """Return whether anything is limited."""
        return (self.minutes, self.contrast_mL, self.air_kerma_mGy) != (None, None, None)


def rig_key(s: Situation) -> RigKey:
    """Return what tells one rig, device and state of the lesions from another."""
    rig = s.rig
    return (
        (rig.guide.id, rig.access.route.value, rig.access.sheath_fr, rig.seat_mm),
        None if rig.extension is None else (rig.extension.id, rig.extension_depth_mm),
        (rig.rail.id, tuple(sorted(w.id for w in rig.buddies))),
        None
        if rig.anchor is None
        else (rig.anchor.balloon.id, rig.anchor.branch, rig.anchor.at_mm, rig.anchor.pressure_atm),
        None if rig.trapped is None else (rig.trapped.wire.id, rig.trapped.from_mm, rig.trapped.to_mm),
        s.device.id,
        tuple((tuple(sorted(x.prepared)), x.dissected) for x in s.lesions),
    )


def plus(a: Spent, b: Spent) -> Spent:
    """Return two amounts together."""
    return a[0] + b[0], a[1] + b[1], a[2] + b[2]


def spent_on(option: Alternative) -> Spent:
    """Return what setting a move up takes."""
    return option.minutes, option.contrast_mL, option.air_kerma_mGy


@dataclass
class Moved:
    """How a rig was first met: from which, by which move."""

    situation: Situation
    reached_from: RigKey | None
    by: str


def asked_once(options: Options) -> Options:
    """Return the moves of situations that differ in nothing but their rigs, devices and lesions, each asked for once."""
    kept: dict[RigKey, Sequence[Alternative]] = {}

    def found(s: Situation) -> Sequence[Alternative]:
        key = rig_key(s)
        if key not in kept:
            kept[key] = options(s)
        return kept[key]

    return found


class Tree:
    """The states that can be reached from a situation, found as they are asked for.

    Parameters
    ----------
    start : Situation
        Where the case stands.
    options : callable
        The single moves of a situation.
    opens : callable
        Of a move (its situation before, the move): the draws in which it is seen to open the lesion, or None for
        a move that shows nothing.
    shut : bool
        No stent yet.
    weights, left : Weights, Left
        Costs and limits.
    """

    def __init__(
        self,
        start: Situation,
        options: Options,
        opens: Callable[[Situation, Alternative], int | None],
        *,
        shut: bool,
        weights: Weights,
        left: Left,
    ) -> None:
        self.met: dict[RigKey, Moved] = {}
        self.taken: dict[tuple[RigKey, str], Alternative] = {}
        self.options, self._opens = options, opens
        self._offered: dict[RigKey, list[tuple[Alternative, RigKey]]] = {}
        self._along: dict[tuple[str, ...], RigKey] = {}
        self.weights, self.left = weights, left
        self.start = State(self._meet(start, None, AS_IT_IS), shut, False, (0.0, 0.0, 0.0))

    def _meet(self, s: Situation, reached_from: RigKey | None, by: str) -> RigKey:
        key = rig_key(s)
        self.met.setdefault(key, Moved(s, reached_from, by))
        return key

    def offered(self, at: RigKey) -> list[tuple[Alternative, RigKey]]:
        """Return the moves of a rig, and where each leads."""
        if at not in self._offered:
            s = self.met[at].situation
            self._offered[at] = []
            for option in self.options(s):
                after = replace(s, rig=option.rig, device=option.device, lesions=option.lesions)
                self.taken[at, option.id] = option
                self._offered[at].append((option, self._meet(after, at, option.id)))
        return self._offered[at]

    def way_to(self, at: RigKey) -> tuple[str, ...]:
        """Return the moves by which a rig was first met, from the start."""
        found: list[str] = []
        moved = self.met[at]
        while moved.reached_from is not None:
            found.append(moved.by)
            moved = self.met[moved.reached_from]
        return tuple(reversed(found))

    def along(self, way: Sequence[str]) -> RigKey:
        """Return the rig to which moves lead from the start; one that is not offered where its turn comes is left out."""
        way = tuple(way)
        found = self._along.get(way)
        if found is None and not way:
            found = self.start.at
        elif found is None:
            before = self.along(way[:-1])
            found = next((then for option, then in self.offered(before) if option.id == way[-1]), before)
        self._along[way] = found
        return found

    def steps(self, state: State) -> list[Step[State]]:
        """Return the moves of a state: to push as it is where that was not tried, then what changes something."""
        found: list[Step[State]] = []
        push = self.weights.of(TRY)
        if not state.shut and not state.pushed:
            spent = self._spent(state, TRY)
            if spent is not None:
                then = state._replace(pushed=True, spent=spent)
                found.append(Step(AS_IT_IS, 0.0, then, push))
        for option, at in self.offered(state.at):
            opens = self.opens(state.at, option) if state.shut else None
            if state.shut and opens is None:
                continue
            spent = self._spent(state, plus(spent_on(option), TRY))
            if spent is not None:
                found.append(
                    Step(
                        option.id,
                        self.weights.of(spent_on(option)),
                        State(at, False, True, spent),
                        push,
                        opens,
                        State(at, True, False, spent) if opens is not None else None,
                    )
                )
        return found

    def opens(self, at: RigKey, option: Alternative) -> int | None:
        """Return the draws in which a move made with a rig is seen to open the lesion; None where it prepares nothing."""
        return self._opens(self.met[at].situation, option)

    def _spent(self, state: State, more: Spent) -> Spent | None:
        """Return what is then used, or None where a limit does not allow it."""
        spent = plus(state.spent, more)
        if not self.left.allows(spent):
            return None
        return spent if self.left.any else state.spent
