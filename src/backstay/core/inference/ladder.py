"""The ladder: which move next, so that the expected cost until the device lands, or one stops, is least.

After each move the device is pushed; it lands or it does not. The same unknowns drive every try, so a try that
failed tells about the next: chances are taken only over the draws in which everything tried so far failed,

    V(H) = min( cost of stopping, min over m of [ cost(m) + P(fails after m | H failed) V(H + m) ] ),

H being the history. Where a lesion must be seen to open before a stent goes, a move that prepares it has two
ends: it opened, and the stent is tried; it did not, and the next thing to prepare it is weighed.

A set of draws is one integer with a bit for each draw: taking away those that landed and counting the rest is
then two machine operations a thousand draws, and whole trees of histories are searched.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from backstay.errors import InputError

S = TypeVar("S", bound=Hashable)

FEWEST_DRAWS = 200
"""Draws that must be left behind a number; with weights, their effective number."""
DEPTH = 4
"""How many moves are looked ahead."""
_LEVELS = 4095  # weights are kept to this part of the largest


def as_mask(flags: NDArray[np.bool_]) -> int:
    """Return a set of draws as an integer, draw 0 its lowest bit.

    Parameters
    ----------
    flags : ndarray of bool, shape (count,)
        Whether each draw belongs to it.

    Returns
    -------
    int
        The set.

    Examples
    --------
    >>> as_mask(np.array([True, False, True]))
    5
    """
    return int.from_bytes(np.packbits(flags, bitorder="little").tobytes(), "little")


@dataclass(frozen=True)
class Weighing:
    """Counts sets of draws, each draw by its weight.

    Attributes
    ----------
    count : int
        Number of draws.
    planes, squares : tuple of (int, float)
        Sets of draws and what each of their members adds: to the weight, and to its square.
    """

    count: int
    planes: tuple[tuple[int, float], ...]
    squares: tuple[tuple[int, float], ...] = ()

    @classmethod
    def of(cls, count: int, weights: NDArray[np.float64] | None = None) -> Weighing:
        """Return the weighing of `count` draws.

        Parameters
        ----------
        count : int
            Number of draws.
        weights : ndarray, shape (count,), optional
            What attempts made of each draw, in any unit; all alike where not given.

        Returns
        -------
        Weighing
            Weights rounded to 1/4095 of the largest, so that sets can be counted bit by bit.

        Raises
        ------
        InputError
            Weights of another number, negative, not finite, or all zero.
        """
        if weights is None:
            return cls(count, (((1 << count) - 1, 1.0),))
        w = np.asarray(weights, dtype=np.float64)
        if w.shape != (count,) or not np.all(np.isfinite(w)) or np.any(w < 0.0) or not np.any(w > 0.0):
            raise InputError(
                "weights of the draws", field="weights", allowed=f"{count} numbers of 0 or more, not all 0"
            )
        levels = np.rint(w / w.max() * _LEVELS).astype(np.int64)
        return cls(count, _bit_planes(levels), _bit_planes(levels**2))

    @cached_property
    def everything(self) -> int:
        """Return the set of all draws."""
        return (1 << self.count) - 1

    def weight(self, draws: int) -> float:
        """Return the weight of a set of draws."""
        if len(self.planes) == 1:
            return self.planes[0][1] * (draws & self.planes[0][0]).bit_count()
        return sum(each * (draws & plane).bit_count() for plane, each in self.planes)

    def effective(self, draws: int) -> float:
        """Return how many equally weighted draws a set is worth.

        Parameters
        ----------
        draws : int
            The set.

        Returns
        -------
        float
            (sum w)^2 / sum w^2; without weights their number.
        """
        if not self.squares:
            return float(draws.bit_count())
        square = sum(each * (draws & plane).bit_count() for plane, each in self.squares)
        return self.weight(draws) ** 2 / square if square else 0.0


def _bit_planes(levels: NDArray[np.int64]) -> tuple[tuple[int, float], ...]:
    bits = range(int(levels.max()).bit_length())
    return tuple((as_mask((levels >> k & 1).astype(bool)), float(1 << k)) for k in bits)


@dataclass(frozen=True)
class Step(Generic[S]):
    """One move that can be made from a state.

    Attributes
    ----------
    name : str
        Which.
    cost : float
        Of setting it up.
    then : state
        Where it leads; the device is pushed there.
    try_cost : float
        Of the push that follows.
    opens : int or None
        Of a move that prepares a lesion not yet seen to open: the draws in which it is then seen to; None where
        the push does not wait for that.
    if_not : state or None
        Where it leads in the other draws; nothing is pushed there.
    """

    name: str
    cost: float
    then: S
    try_cost: float = 0.0
    opens: int | None = None
    if_not: S | None = None


class Climb(Protocol[S]):
    """What is climbed: states, the moves from each, and the draws in which the device lands in it."""

    def steps(self, state: S) -> Sequence[Step[S]]:
        """Return the moves that can be made, in an order that breaks ties."""

    def lands(self, state: S) -> int:
        """Return the draws in which the device, pushed in this state, lands."""


@dataclass(frozen=True)
class Choice(Generic[S]):
    """What is best after one history.

    Attributes
    ----------
    state : state
        Where it is made.
    alive : int
        The draws still possible: those in which all that was tried failed.
    weight, draws : float
        Their weight, and how many they are worth.
    step : Step or None
        The best move; None to stop.
    expected : float
        Expected cost from here on.
    options : tuple of (Step, float)
        Every move with its expected cost, the best first; to stop is not among them.
    lands, opens : float or None
        Chance, from here, that the device lands by this move, and that it opens the lesion; None without a
        move, or where it opens nothing.
    unknown : bool
        Fewer draws are left than a number needs: stopping is shown for want of an answer.
    then, if_not : Choice or None
        After the push failed, and after the lesion did not open.
    """

    state: S
    alive: int
    weight: float
    draws: float
    step: Step[S] | None
    expected: float
    options: tuple[tuple[Step[S], float], ...] = ()
    lands: float | None = None
    opens: float | None = None
    unknown: bool = False
    then: Choice[S] | None = None
    if_not: Choice[S] | None = None

    @property
    def second(self) -> tuple[Step[S] | None, float] | None:
        """Return the runner-up and its expected cost."""
        return self.options[1] if len(self.options) > 1 else None

    @property
    def total(self) -> float:
        """Return the chance, from here, that the device lands in the end."""
        if self.step is None or not self.weight:
            return 0.0
        later = [c for c in (self.then, self.if_not) if c is not None]
        return (self.lands or 0.0) + sum(c.weight / self.weight * c.total for c in later)


@dataclass
class Ladder(Generic[S]):
    """Searches a climb for the policy of least expected cost.

    Attributes
    ----------
    climb : Climb
        What is climbed.
    weighing : Weighing
        The draws.
    stopping : float
        Cost of stopping.
    fewest : float
        Draws that must be left behind a number.
    """

    climb: Climb[S]
    weighing: Weighing
    stopping: float
    fewest: float = FEWEST_DRAWS
    _steps: dict[S, Sequence[Step[S]]] = field(default_factory=dict)

    def best(self, state: S, *, alive: int | None = None, depth: int = DEPTH) -> Choice[S]:
        """Return the best policy from a state.

        Parameters
        ----------
        state : state
            Where one stands.
        alive : int, optional
            The draws still possible; all of them where not given.
        depth : int
            How many moves are looked ahead.

        Returns
        -------
        Choice
            The whole policy: what is best now, and after each way it can fail.

        Notes
        -----
        Every history up to `depth` moves is weighed; a branch is left as soon as its cost so far cannot beat
        the best one known. After the last move only stopping is left. In a history with fewer draws than
        `fewest` nothing is chosen.
        """
        alive = self.weighing.everything if alive is None else alive
        weight = self.weighing.weight(alive)
        draws = self.weighing.effective(alive)
        stop = Choice(state, alive, weight, draws, None, self.stopping, unknown=draws < self.fewest)
        if depth == 0 or stop.unknown:
            return stop
        ranked = [(step, self._cost_of(step, alive, weight, depth, np.inf)) for step in self._of(state)]
        ranked.sort(key=lambda one: one[1])
        if not ranked or ranked[0][1] >= self.stopping:
            return Choice(state, alive, weight, draws, None, self.stopping, tuple(ranked))
        step, expected = ranked[0]
        opened, failed, closed = self._ends(step, alive)
        lands = self.weighing.weight(opened & ~failed) / weight
        return Choice(
            state,
            alive,
            weight,
            draws,
            step,
            expected,
            tuple(ranked),
            lands,
            None if step.opens is None else self.weighing.weight(opened) / weight,
            then=self.best(step.then, alive=failed, depth=depth - 1) if failed else None,
            if_not=self.best(step.if_not, alive=closed, depth=depth - 1)
            if closed and step.if_not is not None
            else None,
        )

    def _of(self, state: S) -> Sequence[Step[S]]:
        if state not in self._steps:
            self._steps[state] = self.climb.steps(state)
        return self._steps[state]

    def _ends(self, step: Step[S], alive: int) -> tuple[int, int, int]:
        """Return the draws in which the device is pushed, fails, and in which the lesion does not open."""
        opened = alive if step.opens is None else alive & step.opens
        return opened, opened & ~self.climb.lands(step.then), alive & ~opened

    def _cost_of(self, step: Step[S], alive: int, weight: float, depth: int, bound: float) -> float:
        """Return the expected cost of a move and the best that follows; at least the bound where it is no better."""
        if step.cost >= bound:
            return step.cost
        opened, failed, closed = self._ends(step, alive)
        measure = self.weighing.weight
        cost = step.cost + step.try_cost * (1.0 if opened == alive else measure(opened) / weight)
        for rest, state in ((failed, step.then), (closed, step.if_not)):
            if rest and state is not None and cost < bound:
                left = measure(rest)
                cost += (
                    left / weight * self._value(state, rest, left, depth - 1, (bound - cost) * weight / left)
                )
        return cost

    def _value(self, state: S, alive: int, weight: float, depth: int, bound: float) -> float:
        """Return V of a history; at least the bound where it is no better than that."""
        best = self.stopping
        if depth == 0 or self.weighing.effective(alive) < self.fewest:
            return best
        for step in self._of(state):
            best = min(best, self._cost_of(step, alive, weight, depth, min(best, bound)))
        return best
