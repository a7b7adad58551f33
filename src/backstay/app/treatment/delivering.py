"""From what is chosen to its delivery: the chance that one or two stents arrive, and the target of the case."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.case_file import TargetTable, read_case, write_case
from backstay.adapters.treatment_file import PlannedStent, StentRow, Stretch, TreatmentDocument
from backstay.app.holds import case_specs
from backstay.app.loading import LoadedCase
from backstay.app.plan import DEFAULT_DRAW_COUNT
from backstay.app.progress import Progress
from backstay.app.solving import solve_rigs
from backstay.app.treatment.recorded import as_recorded
from backstay.core.inference.draws import DrawSet, sample
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.devices import Stent
from backstay.errors import InputError

Arrives = dict[tuple[str, float], NDArray[np.bool_]]


def with_chances(
    case: LoadedCase,
    doc: TreatmentDocument,
    *,
    seed: int,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> TreatmentDocument:
    """Return the treatment with the chance that every stent of a choice arrives with the rig in place.

    One and two stents are asked for each stretch. The same draws serve all stents, so that what fails together
    counts as failing together; each is judged in the vessel as it is now.
    """
    case, sampled = as_recorded(case), sample(case_specs(case), count=draws, seed=seed)
    arrives: Arrives = {}
    stretches = [_stretch(case, stretch, sampled, arrives, progress) for stretch in doc.stretches]
    return doc.model_copy(update={"stretches": stretches})


def _stretch(
    case: LoadedCase, stretch: Stretch, draws: DrawSet, arrives: Arrives, progress: Progress | None
) -> Stretch:
    def asked(row: StentRow) -> StentRow:
        if len(row.stents) > 2:
            return row
        all_arrive = np.ones(draws.count, dtype=bool)
        for stent in row.stents:
            key = stent.device, stent.to_mm
            if key not in arrives:
                arrives[key] = _arrives(case, stent, draws, progress)
            all_arrive &= arrives[key]
        chance = float(all_arrive.mean())
        cost = row.score + (1.0 - chance) * case.weights.stopping
        return row.model_copy(update={"chance": round(chance, 4), "expected_cost": round(cost, 2)})

    best = None if stretch.best is None else asked(stretch.best)
    return stretch.model_copy(update={"best": best, "other": [asked(row) for row in stretch.other]})


def _arrives(
    case: LoadedCase, stent: PlannedStent, draws: DrawSet, progress: Progress | None
) -> NDArray[np.bool_]:
    device = case.shelf.devices[stent.device]
    assert isinstance(device, Stent)
    asked = replace(case, device=device, target_from_mm=stent.from_mm, target_to_mm=stent.to_mm)
    as_it_is = alternatives(
        case.rig,
        device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=stent.from_mm,
        target_to_mm=stent.to_mm,
        most=1,
    )[:1]
    (solved,) = solve_rigs(asked, as_it_is, draws, progress)
    outcome = solved.answer(draws).outcome
    return np.asarray(outcome.stopped == len(outcome.tips_mm))


def keep_target(case: LoadedCase, doc: TreatmentDocument) -> str:
    """Write the stent to deliver first (the most distal one chosen) into the case file; return what was written.

    Raises
    ------
    InputError
        Nothing on the shelf suits, so there is nothing to write.
    """
    chosen = [s.best.stents[-1] for s in doc.stretches if s.best is not None]
    if not chosen:
        raise InputError(
            "no stent was chosen, the target stays as it is",
            field="target.device",
            value=case.device.id,
            allowed="a shelf with a stent that suits; `backstay size` says what is missing",
            where=str(case.file),
        )
    stent = max(chosen, key=lambda s: s.to_mm)
    target = TargetTable(device=stent.device, from_mm=stent.from_mm, to_mm=stent.to_mm)
    write_case(case.file, read_case(case.file).model_copy(update={"target": target}))
    return f"Target of {case.file}: {stent.name}, from {stent.from_mm:g} to {stent.to_mm:g} mm"
