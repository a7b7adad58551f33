"""Which stents: the fewest and shortest that cover landing zone to landing zone, in sizes the vessel and platform allow.

The objective is one number, stated in `Weights`; the choice is its minimum over the whole shelf, found by a
search that drops only what cannot be better.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from backstay.core.rigging.devices import Stent
from backstay.core.treatment.compliance import Inflation, stent_inflation
from backstay.core.treatment.sizing import SizeRule, size_by_angiography

FloatArray = NDArray[np.float64]

OVERLAP_MM = 2.0
"""Two stents overlap by this much: common practice, no source."""
MOST_STENTS = 3
SAME_PLACE_MM = 1e-6


@dataclass(frozen=True)
class Weights:
    """What counts, in minutes' worth: the score is their sum, and less is better. Judgement, no source.

    Attributes
    ----------
    per_mm : float
        Each mm of stent beyond what the landing zones need, overlap included.
    per_joint : float
        Each further stent: the time, contrast and dose it takes.
    per_size_mm : float
        Each mm between a label and the size wanted where the label is smaller.
    per_oversize_mm : float
        The same where it is larger.
    per_price : float
        Each unit of the lab's own price; counts only where every stent to choose from has one.
    """

    per_mm: float = 1.0
    per_joint: float = 10.0
    per_size_mm: float = 20.0
    per_oversize_mm: float = 40.0
    per_price: float = 0.0

    def fair_to(self, stents: Sequence[Stent]) -> Weights:
        """Return the weights for a shelf: without the price where a stent has none, which would else count as free."""
        return self if all(s.price is not None for s in stents) else replace(self, per_price=0.0)


@dataclass(frozen=True, eq=False)
class Wanted:
    """What is to be covered.

    Attributes
    ----------
    from_mm, to_mm : float
        Landing zone to landing zone.
    distal : SizeRule
        Labels allowed at the distal landing zone.
    s_mm, reference_mm : ndarray, shape (m,)
        Reference along the path: a stent that does not begin the row is sized where its own far end lies,
        and its platform must open to the largest reference along it.
    """

    from_mm: float
    to_mm: float
    distal: SizeRule
    s_mm: FloatArray
    reference_mm: FloatArray

    def reference_at_mm(self, at_mm: float) -> float:
        """Return the reference at a place [mm], held at the ends of the path."""
        return float(np.interp(at_mm, self.s_mm, self.reference_mm))

    def widest(self, from_mm: float, to_mm: float) -> tuple[float, float]:
        """Return the largest reference between two places and the first place that has it [mm]."""
        inside = self.s_mm[(self.s_mm > from_mm) & (self.s_mm < to_mm)]
        places = np.array([from_mm, *inside, to_mm])
        reference = np.interp(places, self.s_mm, self.reference_mm)
        k = int(np.argmax(reference))
        return float(reference[k]), float(places[k])

    def rule_at(self, far_mm: float) -> SizeRule:
        """Return the labels allowed for a stent whose far end lies at a place: beyond the landing zone by what is there."""
        if abs(far_mm - self.to_mm) <= SAME_PLACE_MM:
            return self.distal
        return size_by_angiography(distal_mm=self.reference_at_mm(far_mm))


@dataclass(frozen=True)
class Placed:
    """A stent where it is to lie.

    Attributes
    ----------
    stent : Stent
        The device.
    from_mm, to_mm : float
        Its ends.
    rule : SizeRule
        What its label was held against.
    opens_to_mm : float
        Largest reference along it, which it has to be opened to; its platform allows it.
    inflation : Inflation or None
        Pressure that opens it to the reference at its far end, from the nominal one up; None where its table
        begins above the platform's limit.
    """

    stent: Stent
    from_mm: float
    to_mm: float
    rule: SizeRule
    opens_to_mm: float
    inflation: Inflation | None


@dataclass(frozen=True)
class Choice:
    """Stents in order from the ostium, with their score.

    Attributes
    ----------
    placed : tuple of Placed
        From the proximal one to the distal one.
    score : float
        By the weights, in minutes' worth.
    beyond_mm : float
        Stent beyond what the landing zones need, overlap included.
    overlap_mm : float
        Of it, overlap.
    price : float or None
        Sum of the prices; None where one has none.
    """

    placed: tuple[Placed, ...]
    score: float
    beyond_mm: float
    overlap_mm: float
    price: float | None

    @property
    def count(self) -> int:
        """Return how many stents."""
        return len(self.placed)


@dataclass(frozen=True)
class Chosen:
    """The answer.

    Attributes
    ----------
    best : Choice or None
        Least score; None where the shelf has nothing suitable.
    by_count : dict of int to Choice
        The best of each number of stents that can do it.
    missing : tuple of str
        What the shelf lacks, where nothing suits.
    """

    best: Choice | None
    by_count: dict[int, Choice]
    missing: tuple[str, ...]


def choose_stents(wanted: Wanted, stents: Sequence[Stent], weights: Weights | None = None) -> Chosen:
    """Return the stents with the least score over the whole shelf, and the best of each number.

    Parameters
    ----------
    wanted : Wanted
        What is to be covered.
    stents : sequence of Stent
        The shelf's.
    weights : Weights, optional
        The objective.

    Returns
    -------
    Chosen
        Best and alternatives, or what is missing.

    Notes
    -----
    The distal stent ends at the distal landing zone, each further one overlaps the one before by 2 mm, and
    what is left over lies beyond the proximal landing zone. Where that would begin before the ostium, the
    row is moved until it begins there, and is held against the vessel where it ends then. A stent is allowed
    where its label lies in the rule at its far end and its platform opens to the largest reference along it.
    """
    weights = (weights or Weights()).fair_to(stents)
    best: dict[int, Choice] = {}

    def extend(row: tuple[Placed, ...]) -> None:
        far_mm = row[0].from_mm + OVERLAP_MM if row else wanted.to_mm
        for stent in stents:
            placed = place(stent, far_mm, wanted)
            if placed is None:
                continue
            now = (placed, *row)
            if placed.from_mm <= wanted.from_mm + 1e-9:
                choice = scored(now, wanted, weights)
                held = best.get(choice.count)
                if held is None or _order(choice) < _order(held):
                    best[choice.count] = choice
            elif len(now) < MOST_STENTS and _least_score(now, wanted, weights) <= _worst(best, len(now) + 1):
                extend(now)

    extend(())
    if not best:
        return Chosen(None, {}, missing_from(wanted, stents))
    return Chosen(min(best.values(), key=_order), dict(sorted(best.items())), ())


def place(stent: Stent, far_mm: float, wanted: Wanted) -> Placed | None:
    """Return a stent with its far end at a place, or None where it is not allowed there.

    Parameters
    ----------
    stent : Stent
        The device.
    far_mm : float
        Where its far end is to lie [mm].
    wanted : Wanted
        What is to be covered.

    Returns
    -------
    Placed or None
        The stent in place; moved outwards where it would begin before the path's first point.
    """
    near_mm, end_mm = ends_of(stent, far_mm, wanted)
    if end_mm > float(wanted.s_mm[-1]) + 1e-9:
        return None
    rule = wanted.rule_at(end_mm)
    if not rule.allows(stent.nominal_diameter_mm):
        return None
    opens_to_mm, _ = wanted.widest(near_mm, end_mm)
    if stent.expansion_limit_mm < opens_to_mm - 1e-9:
        return None
    inflation = stent_inflation(stent, max(wanted.reference_at_mm(end_mm), rule.target_mm))
    return Placed(stent, near_mm, end_mm, rule, opens_to_mm, inflation)


def ends_of(stent: Stent, far_mm: float, wanted: Wanted) -> tuple[float, float]:
    """Return both ends of a stent that is to end at a place, moved outwards where it would begin before the path.

    Parameters
    ----------
    stent : Stent
        The device.
    far_mm : float
        Where its far end is to lie [mm].
    wanted : Wanted
        What is to be covered.

    Returns
    -------
    tuple of (float, float)
        Places [mm].
    """
    near_mm = max(far_mm - stent.working_mm, float(wanted.s_mm[0]))
    return near_mm, near_mm + stent.working_mm


def scored(row: tuple[Placed, ...], wanted: Wanted, weights: Weights) -> Choice:
    """Return a row of stents with its score.

    Parameters
    ----------
    row : tuple of Placed
        Stents from the ostium on, each overlapping the next.
    wanted : Wanted
        What is to be covered.
    weights : Weights
        The objective.

    Returns
    -------
    Choice
        The row.
    """
    metal_mm = sum(p.stent.working_mm for p in row)
    beyond_mm = metal_mm - (wanted.to_mm - wanted.from_mm)
    overlap_mm = sum(a.to_mm - b.from_mm for a, b in pairwise(row))
    prices = [p.stent.price for p in row]
    price = None if None in prices else float(sum(x for x in prices if x is not None))
    score = (
        weights.per_mm * beyond_mm
        + weights.per_joint * (len(row) - 1)
        + sum(_size_score(p, weights) for p in row)
        + weights.per_price * (price or 0.0)
    )
    return Choice(row, score, beyond_mm, overlap_mm, price)


def _size_score(placed: Placed, weights: Weights) -> float:
    off_mm = placed.stent.nominal_diameter_mm - placed.rule.target_mm
    return weights.per_oversize_mm * off_mm if off_mm > 0.0 else -weights.per_size_mm * off_mm


def _least_score(row: tuple[Placed, ...], wanted: Wanted, weights: Weights) -> float:
    """Return what a row that does not reach yet must score at least when it does."""
    so_far = scored(row, wanted, weights)
    left_mm = row[0].from_mm - wanted.from_mm + OVERLAP_MM
    return so_far.score + weights.per_mm * left_mm + weights.per_joint


def _worst(best: dict[int, Choice], count: int) -> float:
    """Return the score that a row of at least `count` stents must not exceed to matter."""
    held = [best[n].score if n in best else np.inf for n in range(count, MOST_STENTS + 1)]
    return max(held)


def _order(choice: Choice) -> tuple[float, int, tuple[str, ...]]:
    return round(choice.score, 9), choice.count, tuple(p.stent.id for p in choice.placed)


def missing_from(wanted: Wanted, stents: Sequence[Stent]) -> tuple[str, ...]:
    """Return what the shelf lacks to cover a stretch.

    Parameters
    ----------
    wanted : Wanted
        What is to be covered.
    stents : sequence of Stent
        The shelf's.

    Returns
    -------
    tuple of str
        One sentence per lack.
    """
    rule = wanted.distal
    sized = [s for s in stents if rule.allows(s.nominal_diameter_mm)]
    if not sized:
        have = sorted({s.nominal_diameter_mm for s in stents})
        near = ", ".join(f"{d:g}" for d in sorted(have, key=lambda d: abs(d - rule.target_mm))[:3])
        return (
            f"a stent labelled {rule.low_mm:.2f} to {rule.high_mm:.2f} mm for the distal landing zone at "
            f"{wanted.to_mm:.0f} mm; nearest on the shelf: {near or 'none'}",
        )
    length_mm = wanted.to_mm - wanted.from_mm
    needs = {s.id: wanted.widest(*ends_of(s, wanted.to_mm, wanted))[0] for s in sized}
    opens = [s for s in sized if s.expansion_limit_mm >= needs[s.id] - 1e-9]
    if not opens:
        widest = max(s.expansion_limit_mm for s in sized)
        return (
            f"a platform that opens to {min(needs.values()):.2f} mm in a label of "
            f"{rule.low_mm:.2f} to {rule.high_mm:.2f} mm; those on the shelf open to {widest:.2f} mm",
        )
    if not any(place(s, wanted.to_mm, wanted) for s in opens):
        end_mm = min(ends_of(s, wanted.to_mm, wanted)[1] for s in opens)
        at = wanted.rule_at(end_mm)
        return (
            f"a stent short enough to end at {wanted.to_mm:.1f} mm in a label of {rule.low_mm:.2f} to {rule.high_mm:.2f} mm: "
            f"none may begin before the path's first point, and the shortest ends at {end_mm:.1f} mm, where the vessel asks "
            f"for {at.low_mm:.2f} to {at.high_mm:.2f} mm or the path has ended",
        )
    longest = max(opens, key=lambda s: s.working_mm)
    return (
        f"stents that together cover {length_mm:.0f} mm in these sizes: the longest that fits the distal landing "
        f"zone is {longest.working_mm:.0f} mm, and none on the shelf carries on from there in the size and with the "
        f"platform limit needed, with up to {MOST_STENTS} in a row",
    )
