"""What follows the stent: post-dilatation, proximal optimisation, and the branches under it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import astuple

import numpy as np

from backstay.adapters.case_file import BranchTable
from backstay.adapters.treatment_file import BranchAdvice, KissingPair, PlannedBalloon
from backstay.app.treatment.measuring import tightness
from backstay.app.treatment.work import Work
from backstay.core.rigging.devices import Balloon
from backstay.core.treatment.balloons import Sized, choose_balloon
from backstay.core.treatment.bifurcation import (
    BranchFacts,
    BranchPlan,
    NoKissing,
    kissing_width_mm,
    plan_branch,
)
from backstay.core.treatment.classify import MEDINA_PERCENT, RELEVANT_BRANCH_MM
from backstay.core.treatment.lesions import Estimate
from backstay.core.treatment.sizing import AXIAL_MISS_RATIOS, misses_across
from backstay.core.treatment.stents import SAME_PLACE_MM, Choice, Placed
from backstay.identifiers import BalloonUse

NOTICEABLE_MM = 0.25
SAME_SIZE_MM = 0.1
"""A balloon this near to the stent's chart size counts as of its size; judgement: charts are printed to a tenth or so."""
LIMB_MM = 10.0
"""So far from a branch the main vessel counts as its limb: judgement, no source."""
SHORT_OF_CARINA_MM = 6.0
"""With less stent before a carina there is no room for a balloon of its own: common practice, no source."""


def balloons_after(work: Work, choice: Choice | None) -> list[PlannedBalloon]:
    """Return post-dilatation of every stent at its far end, then what widens each where the vessel is wider before that."""
    if choice is None:
        return []
    posts = [_post(work, choice, placed) for placed in choice.placed]
    return [*posts, *_optimisations(work, choice, posts)]


def _optimisations(work: Work, choice: Choice, posts: Sequence[PlannedBalloon]) -> Iterator[PlannedBalloon]:
    """Yield proximal optimisation: at the first carina always, elsewhere where the vessel is wider by a step that shows."""
    wall_mm, at_carina = _wall_mm(work, distal=False), False
    for placed, post in zip(choice.placed, posts, strict=True):
        opened_mm = post.diameter_mm or _stent_mm(placed)
        for from_mm, to_mm, carina in _parts(work, placed):
            widest_mm, _ = work.wanted.widest(from_mm, to_mm)
            nearest = placed is choice.placed[0] and from_mm == placed.from_mm
            size_mm = wall_mm if nearest and wall_mm else widest_mm
            wider = size_mm - opened_mm >= NOTICEABLE_MM
            if carina and (wider or not at_carina):
                yield _to_carina(work, choice, placed, (from_mm, to_mm), size_mm)
            elif wider:
                yield _where_widest(work, choice, placed, (from_mm, to_mm), size_mm)
            at_carina |= carina


def _parts(work: Work, placed: Placed) -> list[tuple[float, float, bool]]:
    """Return the parts of a stent that one balloon can suit, from its near end: up to each carina, then to its far end."""
    parts, from_mm = [], placed.from_mm
    for b in sorted(work.case.branches, key=lambda x: x.at_mm):
        room = from_mm + SHORT_OF_CARINA_MM <= b.at_mm < placed.to_mm
        if room and b.diameter_mm > RELEVANT_BRANCH_MM:
            parts.append((from_mm, b.at_mm, True))
            from_mm = b.at_mm + 0.5 * b.diameter_mm
    if not parts or placed.to_mm - from_mm >= SHORT_OF_CARINA_MM:
        parts.append((from_mm, placed.to_mm, False))
    return parts


def _wall_mm(work: Work, *, distal: bool) -> float | None:
    image = (work.far if distal else work.near).imaging
    table = None if image is None else image.distal if distal else image.proximal
    return None if table is None else table.outer_wall_mm


def _limit_mm(choice: Choice, from_mm: float, to_mm: float) -> float:
    """Return the narrowest platform limit of the stents that a balloon touches, overlaps counted."""
    touched = [p for p in choice.placed if p.from_mm <= to_mm and from_mm <= p.to_mm]
    return min(p.stent.expansion_limit_mm for p in touched)


def _post(work: Work, choice: Choice, placed: Placed) -> PlannedBalloon:
    at_end = abs(placed.to_mm - work.wanted.to_mm) <= SAME_PLACE_MM
    wall = _wall_mm(work, distal=True) if at_end else None
    size_mm = wall or max(work.wanted.reference_at_mm(placed.to_mm), placed.rule.target_mm, _stent_mm(placed))
    at_most_mm = min(size_mm, _limit_mm(choice, placed.from_mm, placed.to_mm))
    longest_mm = placed.stent.working_mm - 2.0
    sized = choose_balloon(work.of(Balloon), "non_compliant", at_most_mm=at_most_mm, longest_mm=longest_mm)
    note = "inside the stent, up to its far end; where one inflation is too short, backwards in steps"
    note += across_words(sized, work.wanted.reference_at_mm(placed.to_mm)) + _idle_words(sized, placed)
    from_mm, to_mm = placed.from_mm + 1.0, placed.to_mm - 1.0
    if sized is not None:
        from_mm = max(from_mm, to_mm - sized.balloon.working_mm)
    return _balloon(BalloonUse.AFTER_STENT, sized, from_mm, to_mm, at_most_mm, note)


def _to_carina(
    work: Work, choice: Choice, placed: Placed, part: tuple[float, float], size_mm: float
) -> PlannedBalloon:
    near_mm, carina_mm = part
    at_most_mm = min(size_mm, _limit_mm(choice, near_mm, carina_mm))
    balloons = work.of(Balloon)
    longest_mm = carina_mm - near_mm
    sized = choose_balloon(balloons, "non_compliant", at_most_mm=at_most_mm, longest_mm=longest_mm)
    from_mm = near_mm if sized is None else carina_mm - sized.balloon.working_mm
    note = "far shoulder at the carina"
    return _optimised(work, choice, placed, sized, (from_mm, carina_mm), at_most_mm, note)


def _where_widest(
    work: Work, choice: Choice, stent: Placed, part: tuple[float, float], size_mm: float
) -> PlannedBalloon:
    """Return the balloon for a vessel that is wider along a part of a stent: about its widest place, inside that part."""
    near_mm, far_mm = part
    half_mm = 0.5 * (far_mm - near_mm)
    _, widest_at_mm = work.wanted.widest(near_mm, far_mm)
    balloons = [b for b in work.of(Balloon) if b.balloon_type == "non_compliant"]
    longest_mm = max(half_mm, min((b.working_mm for b in balloons), default=0.0))

    def placed(length_mm: float) -> tuple[float, float]:
        begin_mm = max(min(widest_at_mm - 0.5 * length_mm, far_mm - length_mm), near_mm)
        return begin_mm, begin_mm + length_mm

    at_most_mm = min(size_mm, _limit_mm(choice, *placed(longest_mm)))
    sized = choose_balloon(work.of(Balloon), "non_compliant", at_most_mm=at_most_mm, longest_mm=half_mm)
    ends_mm = placed(half_mm if sized is None else sized.balloon.working_mm)
    return _optimised(work, choice, stent, sized, ends_mm, at_most_mm, "the vessel tapers along the stent")


def _optimised(
    work: Work,
    choice: Choice,
    placed: Placed,
    sized: Sized | None,
    ends_mm: tuple[float, float],
    at_most_mm: float,
    note: str,
) -> PlannedBalloon:
    (from_mm, to_mm), near_mm, far_mm = ends_mm, choice.placed[0].from_mm, choice.placed[-1].to_mm
    artery_mm, _ = work.wanted.widest(max(from_mm, near_mm), min(to_mm, far_mm))
    note += across_words(sized, artery_mm) + _idle_words(sized, placed)
    if sized is not None and (from_mm < near_mm - 1e-6 or to_mm > far_mm + 1e-6):
        note += "; the shortest on the shelf reaches beyond the stent: geographic miss if inflated there"
    return _balloon(BalloonUse.PROXIMAL_OPTIMISATION, sized, from_mm, to_mm, at_most_mm, note)


def _stent_mm(placed: Placed) -> float:
    """Return what a stent has been opened to before anything follows it."""
    return placed.stent.nominal_diameter_mm if placed.inflation is None else placed.inflation.diameter_mm


def _idle_words(sized: Sized | None, placed: Placed) -> str:
    """Return what a balloon is for that is no wider than the stent by its chart, or nothing.

    Stents stay well short of their charts [@aziz2007]. A non-compliant balloon of the stent's own size keeps that size
    at high pressure where a hard lesion holds the stent in, which the stent's own balloon does not: common practice,
    no source. One that is clearly smaller does nothing, and is said to be.
    """
    chart_mm = _stent_mm(placed)
    if sized is None or sized.inflation.diameter_mm > chart_mm + SAME_SIZE_MM:
        return ""
    if sized.inflation.diameter_mm < chart_mm - SAME_SIZE_MM:
        return f"; smaller than the stent by its chart ({chart_mm:.2f} mm) and no use: the shelf has none that fits and is wider"
    return (
        f"; no wider than the stent by its chart ({chart_mm:.2f} mm): for the pressure alone, where a hard lesion holds the stent "
        "short of it (common practice, no source)"
    )


def across_words(sized: Sized | None, artery_mm: float) -> str:
    """Return that a balloon misses its stretch across, or nothing."""
    if sized is None or not misses_across(balloon_mm=sized.inflation.diameter_mm, artery_mm=artery_mm):
        return ""
    return f"; {miss_words(sized.inflation.diameter_mm, artery_mm)}"


def miss_words(opened_mm: float, artery_mm: float) -> str:
    """Return a miss across in words."""
    low, high = AXIAL_MISS_RATIOS
    return (
        f"geographic miss across: {opened_mm:.2f} mm in {artery_mm:.2f} mm, {opened_mm / artery_mm:.2f} of it "
        f"({low:g} to {high:g} wanted, from memory)"
    )


def _balloon(
    use: BalloonUse,
    sized: Sized | None,
    from_mm: float,
    to_mm: float,
    at_most_mm: float,
    note: str,
) -> PlannedBalloon:
    return PlannedBalloon(
        use=use,
        device=None if sized is None else sized.balloon.id,
        name=f"no non-compliant balloon of up to {at_most_mm:.2f} mm on the shelf"
        if sized is None
        else sized.balloon.name,
        from_mm=round(from_mm, 1),
        to_mm=round(to_mm, 1),
        pressure_atm=None if sized is None else sized.inflation.pressure_atm,
        diameter_mm=None if sized is None else sized.inflation.diameter_mm,
        at_most_mm=round(at_most_mm, 2),
        note=note,
    )


# Branches


def branches(work: Work, choice: Choice | None) -> list[BranchAdvice]:
    """Return what to do about every branch under the stents."""
    if choice is None:
        return []
    first, last = choice.placed[0].from_mm, choice.placed[-1].to_mm
    return [
        _advice(work, table.at_mm, _facts(table), _limit_mm(choice, table.at_mm, table.at_mm))
        for table in work.case.vessel.branch
        if first <= table.at_mm <= last
    ]


def _facts(table: BranchTable) -> BranchFacts:
    return BranchFacts(
        name=table.name,
        at_mm=table.at_mm,
        diameter_mm=table.diameter_mm,
        stenosis_percent=table.stenosis_percent,
        disease_mm=table.disease_mm,
        protectable=table.protectable,
    )


def _advice(work: Work, at_mm: float, facts: BranchFacts, limit_mm: float) -> BranchAdvice:
    before = work.wanted.reference_at_mm(at_mm - facts.diameter_mm)
    beyond = work.wanted.reference_at_mm(at_mm + facts.diameter_mm)
    limbs = {
        "proximal": _narrowed_percent(work, at_mm - LIMB_MM, at_mm),
        "distal": _narrowed_percent(work, at_mm, at_mm + LIMB_MM),
    }
    plan = plan_branch(
        facts,
        work.of(Balloon),
        before_mm=before,
        beyond_mm=beyond,
        proximal_percent=limbs["proximal"].value,
        distal_percent=limbs["distal"].value,
        limit_mm=limit_mm,
    )
    return BranchAdvice(
        name=facts.name,
        at_mm=at_mm,
        diameter_mm=facts.diameter_mm,
        medina=plan.medina,
        approach="talk over two stents" if plan.discuss_two else "provisional",
        reasons=list(plan.discuss_two),
        mother_mm={law: round(value, 2) for law, value in plan.mother_mm},
        reference_before_mm=round(before, 2),
        kissing=_kissing(plan),
        no_kissing=plan.kissing.why if isinstance(plan.kissing, NoKissing) and _relevant(plan) else "",
        notes=[*plan.notes, *(_unsure(limbs) if plan.medina else [])],
    )


def _narrowed_percent(work: Work, from_mm: float, to_mm: float) -> Estimate:
    """Return the greatest stenosis [%] between two places.

    By the fitted lumen, scaled along each lesion to the lesion's own stenosis: the least of noisy rows would be too
    tight, and imaging counts where it measured.
    """
    s = work.fit.s_mm
    near = (s >= from_mm) & (s <= to_mm)
    if not near.any():
        return Estimate(0.0, 0.0, 0.0)
    plain = 1.0 - work.fit.lumen_mm / work.fit.reference_mm
    scaled = np.tile(100.0 * plain, (3, 1))
    for _, lesion in work.lesions:
        inside = (s >= lesion.measured.from_mm.value) & (s <= lesion.measured.to_mm.value)
        greatest = float(plain[inside].max(initial=0.0))
        if greatest > 0.0:
            scaled[:, inside] = np.outer(sorted(astuple(tightness(lesion)[1])), plain[inside] / greatest)
    low, value, high = np.clip(scaled[:, near].max(axis=1), 0.0, 100.0).tolist()
    return Estimate(value, low, high)


def _unsure(limbs: dict[str, Estimate]) -> list[str]:
    """Return which limbs of the main vessel may lie on either side of the half that the class asks for."""
    return [
        f"Medina: the {limb} main vessel is narrowed by {x.value:.0f} % ({x.low:.0f}–{x.high:.0f}), on either side of "
        f"{MEDINA_PERCENT:.0f} %"
        for limb, x in limbs.items()
        if x.low <= MEDINA_PERCENT < x.high
    ]


def _relevant(plan: BranchPlan) -> bool:
    return plan.branch.diameter_mm > RELEVANT_BRANCH_MM


def _opened_mm(sized: Sized) -> float:
    return sized.inflation.diameter_mm


def _kissing(plan: BranchPlan) -> KissingPair | None:
    pair = plan.kissing
    if isinstance(pair, NoKissing) or not _relevant(plan):
        return None
    return KissingPair(
        main=pair.main.balloon.name,
        main_atm=pair.main.inflation.pressure_atm,
        side=pair.side.balloon.name,
        side_atm=pair.side.inflation.pressure_atm,
        area_mm=round(pair.area_mm, 2),
        hull_mm=round(pair.hull_mm, 2),
        width_mm=round(kissing_width_mm(first_mm=_opened_mm(pair.main), second_mm=_opened_mm(pair.side)), 2),
    )
