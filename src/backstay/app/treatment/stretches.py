"""The plan of one stretch: what prepares it, and which stents cover it."""

from __future__ import annotations

from dataclasses import asdict, replace

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
from backstay.app.treatment.work import Work, weights_of
from backstay.core.rigging.devices import Balloon, Burr, Stent
from backstay.core.treatment.preparation import GATE, NO_ATHERECTOMY, steps_for
from backstay.core.treatment.sizing import SizeRule
from backstay.core.treatment.stents import Choice, Chosen, Placed, choose_stents


def planned(work: Work) -> Stretch:
    """Return the plan of one stretch."""
    chosen = choose_stents(work.wanted, work.of(Stent), weights_of(work.case))
    after = balloons_after(work, chosen.best)
    return Stretch(
        lesions=[number for number, _ in work.lesions],
        from_mm=round(work.wanted.from_mm, 1),
        to_mm=round(work.wanted.to_mm, 1),
        size=_size_wanted(work.wanted.distal),
        preparation=preparation(work),
        gate="" if all(_opened(x) for _, x in work.lesions) else GATE,
        weights=StentWeights(**asdict(weights_of(work.case))),
        best=None if chosen.best is None else _row(work, chosen.best),
        other=[_row(work, c) for c in _others(chosen)],
        missing=list(chosen.missing),
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


def _opened(lesion: CaseLesion) -> bool:
    return lesion.table is not None and lesion.table.opened_fully


# Preparation


def preparation(work: Work) -> list[PreparationStep]:
    """Return the ways to prepare, of the hardest lesion of the stretch; what runs through it runs through every dissection in it."""
    facts = [hardness(lesion) for _, lesion in work.lesions]
    dissected = any(fact.dissected for fact in facts)
    facts = [replace(fact, dissected=dissected) for fact in facts]
    balloons, burrs = work.of(Balloon), work.of(Burr)
    distal_mm = work.wanted.reference_at_mm(work.wanted.to_mm)
    found = [
        steps_for(fact, balloons, burrs, distal_mm=distal_mm, longest_mm=work.length_mm) for fact in facts
    ]
    return [
        PreparationStep(
            kind=step.kind,
            device=_id(step.sized.balloon if step.sized else step.burr),
            name=_name(step.sized.balloon if step.sized else step.burr),
            pressure_atm=step.sized.inflation.pressure_atm if step.sized else None,
            diameter_mm=step.sized.inflation.diameter_mm
            if step.sized
            else step.burr.nominal_diameter_mm
            if step.burr
            else None,
            why=step.why,
            missing=step.missing,
            cautions=list(step.cautions),
        )
        for step in max(found, key=len)
    ]


def _id(device: Balloon | Burr | None) -> str | None:
    return None if device is None else device.id


def _name(device: Balloon | Burr | None) -> str:
    return "none on the shelf" if device is None else device.name


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
    """Return what must not be done in this stretch."""
    return [NO_ATHERECTOMY] if any(hardness(x).dissected for _, x in work.lesions) else []
