"""The plan of one stretch: what prepares it, and which stents cover it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from backstay.adapters.treatment_file import (
    PlannedStent,
    PreparationStep,
    SizeWanted,
    StentRow,
    StentWeights,
    Stretch,
)
from backstay.app.treatment.afterwards import balloons_after, branches
from backstay.app.treatment.measuring import CaseLesion, hardness
from backstay.app.treatment.results import drug_option, expected
from backstay.app.treatment.work import Work, seen_at, weights_of
from backstay.core.rigging.devices import Balloon, Burr, Stent
from backstay.core.treatment.overriding import REACH_MM
from backstay.core.treatment.preparation import (
    GATE,
    IN_ORDER,
    NO_ATHERECTOMY,
    NOTHING_LEFT,
    Step,
    order_of,
    steps_for,
)
from backstay.core.treatment.sizing import SizeRule, misses_across
from backstay.core.treatment.stents import Choice, Chosen, Placed, choose_stents
from backstay.identifiers import Preparation

COVERED_SHARE = 0.5
"""A lesion that lies inside its stents in fewer draws than this is rather missed than covered: judgement, no source."""


def planned(work: Work) -> Stretch:
    """Return the plan of one stretch."""
    stents = work.of(Stent)
    weights = weights_of(work.case).fair_to(stents)
    chosen = choose_stents(work.wanted, stents, weights)
    after = balloons_after(work, chosen.best)
    return Stretch(
        lesions=[number for number, _ in work.lesions],
        from_mm=round(work.wanted.from_mm, 1),
        to_mm=round(work.wanted.to_mm, 1),
        size=_size_wanted(work.wanted.distal),
        imaged_at_mm=sorted(round(x.at_mm, 1) for x in seen_at([lesion for _, lesion in work.lesions])),
        reach_mm=REACH_MM,
        preparation=preparation(work),
        gate=_gate(work),
        weights=StentWeights(**asdict(weights)),
        best=None if chosen.best is None else _row(work, chosen.best),
        other=[_row(work, c) for c in _others(chosen)],
        missing=list(chosen.missing),
        missed=[] if chosen.best is None else missed(work, chosen.best),
        after=after,
        branches=branches(work, chosen.best),
        expected=expected(work, chosen.best, after),
        drug=drug_option(work),
    )


def _others(chosen: Chosen) -> list[Choice]:
    return [c for c in chosen.by_count.values() if c is not chosen.best]


def _size_wanted(rule: SizeRule) -> SizeWanted:
    values = {k: round(v, 2) if isinstance(v, float) else v for k, v in asdict(rule).items()}
    return SizeWanted(**values)


def shut_in(work: Work) -> list[int]:
    """Return the lesions that did not open by anything they ask for: no stent goes in there."""
    return [number for number, x in work.lesions if not _opened(x) and not order_of(hardness(x))]


def _gate(work: Work) -> str:
    """Return what keeps a stent out, and that nothing is left to try where it is so."""
    closed = any(not _opened(x) for _, x in work.lesions)
    said = "".join(f"; lesion {number}: {NOTHING_LEFT}" for number in shut_in(work))
    return f"{GATE}{said}" if closed else ""


def _opened(lesion: CaseLesion) -> bool:
    return lesion.table is not None and lesion.table.opened_fully


# Preparation


def preparation(work: Work) -> list[PreparationStep]:
    """Return the ways to prepare: of every lesion of the stretch, each way and size once, in the trade's order."""
    balloons, burrs = work.of(Balloon), work.of(Burr)
    found: dict[Preparation, dict[str, dict[int, Step]]] = {}
    for number, lesion in work.lesions:
        size_mm, longest_mm = _prepared_by(work, lesion)
        for step in steps_for(hardness(lesion), balloons, burrs, distal_mm=size_mm, longest_mm=longest_mm):
            same = found.setdefault(step.kind, {}).setdefault(f"{step.sized} {step.burr} {step.missing}", {})
            same[number] = step
    return [
        _prepared(steps, len(work.lesions))
        for kind in IN_ORDER
        if kind in found
        for steps in found[kind].values()
    ]


def _prepared_by(work: Work, lesion: CaseLesion) -> tuple[float, float]:
    """Return the size [mm] and the greatest length [mm] of what prepares a lesion.

    By the distal reference of the whole stretch, which suits all its lesions, unless that would miss this one
    across or is wider than its own: then by its own distal reference, between its own landing zones.
    """
    near_mm, far_mm = lesion.landing_mm
    shared_mm, own_mm = (work.wanted.reference_at_mm(x) for x in (work.wanted.to_mm, far_mm))
    if shared_mm <= own_mm and not misses_across(balloon_mm=shared_mm, artery_mm=own_mm):
        return shared_mm, work.length_mm
    return own_mm, far_mm - near_mm


def _prepared(steps: dict[int, Step], of: int) -> PreparationStep:
    """Return one way to prepare, by the lesions of `of` in the stretch that ask for it in one size."""
    step = next(iter(steps.values()))
    device = step.sized.balloon if step.sized else step.burr
    inflation = step.sized.inflation if step.sized else None
    size_mm = step.burr.nominal_diameter_mm if step.burr else None
    return PreparationStep(
        kind=step.kind,
        device=None if device is None else device.id,
        name="none on the shelf" if device is None else device.name,
        pressure_atm=inflation.pressure_atm if inflation else None,
        diameter_mm=inflation.diameter_mm if inflation else size_mm,
        why=_reasons({number: one.why for number, one in steps.items()}, of),
        missing=step.missing,
        cautions=_cautions({number: one.cautions for number, one in steps.items()}),
    )


def _cautions(by_lesion: dict[int, tuple[str, ...]]) -> list[str]:
    """Return what to mind, each with its lesions where it is not for all that ask for this way."""
    found = []
    for words in dict.fromkeys(c for cautions in by_lesion.values() for c in cautions):
        numbers = [number for number, cautions in by_lesion.items() if words in cautions]
        found.append(words if len(numbers) == len(by_lesion) else f"{_lesions(numbers)}: {words}")
    return found


def _lesions(numbers: Sequence[int]) -> str:
    return f"lesion{'s' if len(numbers) > 1 else ''} {' and '.join(str(x) for x in numbers)}"


def _reasons(why: dict[int, str], of: int) -> str:
    """Return the reasons of a way to prepare, each with its lesions where it is not that of all."""
    by_words: dict[str, list[int]] = {}
    for number, words in why.items():
        by_words.setdefault(words, []).append(number)
    if len(by_words) == 1 and len(why) == of:
        return next(iter(by_words))
    return "; ".join(f"{_lesions(numbers)}: {words}" for words, numbers in by_words.items())


# Stents


def _row(work: Work, choice: Choice) -> StentRow:
    first, last = choice.placed[0].from_mm, choice.placed[-1].to_mm
    inside = [lesion.measured.share_covered(first, last) for _, lesion in work.lesions]
    return StentRow(
        stents=[_planned_stent(p) for p in choice.placed],
        score=round(choice.score, 2),
        beyond_mm=round(choice.beyond_mm, 1),
        overlap_mm=round(choice.overlap_mm, 1),
        price=choice.price,
        covers=round(min(inside), 3),
    )


def missed(work: Work, choice: Choice) -> list[str]:
    """Return which lesions the stents rather do not cover: in fewer than half of the draws."""
    first, last = choice.placed[0].from_mm, choice.placed[-1].to_mm
    found = []
    for number, lesion in work.lesions:
        m = lesion.measured
        share = m.share_covered(first, last)
        if share < COVERED_SHARE:
            found.append(
                f"geographic miss along: stents from {first:.0f} to {last:.0f} mm cover lesion {number}, {m.from_mm.value:.0f} to "
                f"{m.to_mm.value:.0f} mm by the path, from end to end in {100 * share:.0f} % of draws"
                + (": look at the landing zones that imaging was given" if lesion.imaging else "")
            )
    return found


def _planned_stent(p: Placed) -> PlannedStent:
    return PlannedStent(
        device=p.stent.id,
        name=p.stent.name,
        label_mm=p.stent.nominal_diameter_mm,
        length_mm=p.stent.working_mm,
        from_mm=round(p.from_mm, 1),
        to_mm=round(p.to_mm, 1),
        pressure_atm=None if p.inflation is None else p.inflation.pressure_atm,
        opened_mm=None if p.inflation is None else p.inflation.diameter_mm,
        expansion_limit_mm=p.stent.expansion_limit_mm,
        opens_to_mm=round(p.opens_to_mm, 2),
    )


def cautions_of(work: Work) -> list[str]:
    """Return what must not be done in this stretch, whatever lesion of the case a dissection is known of."""
    return [NO_ATHERECTOMY] if any(hardness(x).torn for _, x in work.lesions) else []
