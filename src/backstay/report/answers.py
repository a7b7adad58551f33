"""The three answers every screen gives: will it go, if not what next, what must not be done."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.adapters.ladder_file import LadderPart
from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.identifiers import MoveId, Verdict
from backstay.report.ladder import chance_words, rival_words
from backstay.report.limits import hazard_words
from backstay.report.words import best_other, general_cautions, own_conditions, shared_conditions, tenths


@dataclass(frozen=True)
class Next:
    """What to try next.

    Attributes
    ----------
    rig : RigResult or None
        The best other rig, when it is better than the rig in place.
    headline, runner_up : str
        In words; no runner-up is "".
    conditions : tuple of str
        What must be true first.
    """

    rig: RigResult | None
    headline: str
    runner_up: str
    conditions: tuple[str, ...] = ()


def next_step(plan: PlanDocument) -> Next:
    """Return the ladder's first rung beyond a push as it is; without a ladder the best other rig that fits."""
    if plan.ladder is not None:
        return _first_rung(plan, plan.ladder)
    if all(rig.in_place for rig in plan.rigs):
        return Next(None, "Only the rig in place was asked about.", "")
    best = best_other(plan)
    if best is None or best.chance.value <= plan.in_place.chance.value:
        return Next(None, "Nothing on this shelf raises the chance.", "")
    others = [r for r in plan.rigs if r.fits.verdict is not Verdict.NO and not r.in_place and r.id != best.id]
    second = max(others, key=lambda r: r.chance.value, default=None)
    runner_up = "" if second is None else f"Runner-up: {second.change}, {second.chance.words}."
    return Next(best, best.change[:1].upper() + best.change[1:], runner_up, tuple(own_conditions(plan, best)))


def _first_rung(plan: PlanDocument, ladder: LadderPart) -> Next:
    rung = next((one for one in ladder.rungs if one.id != MoveId.AS_IT_IS), None)
    if rung is None:
        return Next(None, f"{ladder.ends[:1].upper()}{ladder.ends[1:]}.", "")
    rig = next((one for one in plan.rigs if one.id == rung.id), None)
    here = f"By the ladder it {chance_words(rung)}, and by its end {tenths(ladder.chance)} in 10 have landed."
    second = f" Runner-up: {rival_words(rung)}." if rung.runner_up is not None else ""
    # What every rig asks is said once, under what must not be done.
    asked = set(shared_conditions(plan))
    conditions = tuple(text for text in rung.check_first if text not in asked)
    return Next(rig, rung.change[:1].upper() + rung.change[1:], f"{here}{second}", conditions)


@dataclass(frozen=True)
class NotToDo:
    """What must not be done.

    Attributes
    ----------
    now : tuple of str
        With the rig in place.
    then : tuple of str
        With what comes next.
    left : int
        How many cautions of other rigs stand elsewhere.
    """

    now: tuple[str, ...]
    then: tuple[str, ...]
    left: int


def not_to_do(plan: PlanDocument, step: Next) -> NotToDo:
    """Return the hazards and cautions of the case and the rig in place, those of the next rig, and how many are left."""
    before = [f"Make sure first: {condition}" for condition in plan.in_place.conditions]
    hazards, of_next = _hazards(plan, step)
    now = list(dict.fromkeys([*hazards, *before, *general_cautions(plan), *plan.in_place.cautions]))
    then = [text for text in [*of_next, *(step.rig.cautions if step.rig else [])] if text not in now]
    every = {*plan.cautions, *(caution for rig in plan.rigs for caution in rig.cautions)}
    return NotToDo(tuple(now), tuple(then), len(every - {*now, *then}))


def _hazards(plan: PlanDocument, step: Next) -> tuple[list[str], list[str]]:
    """Return the hazards of the plan, at most two, and what would block or stop the next rig."""
    if plan.limits is None:
        return [], []
    shared = {row.id for row in plan.limits.every_move}
    moves = [move for move in plan.limits.moves if step.rig is not None and move.id == step.rig.id]
    own = [row for move in moves for row in move.hazards if row.level != "note" and row.id not in shared]
    return [hazard_words(row) for row in plan.limits.hazards], [hazard_words(row) for row in own[:2]]
