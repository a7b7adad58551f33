"""What treatment is worth: pressure lost before and after, and what measured tandem pressures predict."""

from __future__ import annotations

from collections.abc import Sequence

from backstay.adapters.case_file import FlowTable
from backstay.adapters.treatment_file import LossRow, Spread, Worth
from backstay.app.treatment.measuring import CaseLesion
from backstay.core.treatment.flow import (
    Carried,
    Stenosis,
    carried_through,
    tandem_distal_ratio,
    tandem_proximal_ratio,
)
from backstay.core.treatment.result import LEAST_EXPANSION_RATIO

NOTE = (
    "An estimate from shape and an assumed flow, at steady flow and with a bed that does not change. It never stands in for a "
    "measured flow reserve, and no treatment is decided by it."
)


def worth_of(flow: FlowTable, lesions: Sequence[CaseLesion]) -> Worth | None:
    """Return the estimate, where flow or pressures are given."""
    tandem, why_not = _tandem(flow, len(lesions))
    found = Worth(
        rows=[],
        flow_before_mL_min=None,
        flow_after_mL_min=None,
        normal_mL_min=None,
        tandem_proximal=tandem[0],
        tandem_distal=tandem[1],
        tandem_note=why_not,
        note=NOTE,
    )
    if flow.normal_mL_min is None or flow.aortic_mmHg is None or not lesions:
        return None if tandem == (None, None) and not why_not else found
    now = _carried(flow, [_stenosis(x, "value") for x in lesions])
    tight = _carried(flow, [_stenosis(x, "low") for x in lesions])
    wide = _carried(flow, [_stenosis(x, "high") for x in lesions])
    least = _carried(flow, [_after(x, LEAST_EXPANSION_RATIO**0.5) for x in lesions])
    sized = _carried(flow, [_after(x, 1.0) for x in lesions])
    rows = [
        LossRow(
            lesion=k + 1,
            planned=lesion.planned,
            before_mmHg=_spread(
                now.losses[k].total_mmHg, wide.losses[k].total_mmHg, tight.losses[k].total_mmHg
            ),
            viscous_mmHg=round(now.losses[k].viscous_mmHg, 1),
            separation_mmHg=round(now.losses[k].separation_mmHg, 1),
            least_result_mmHg=round(least.losses[k].total_mmHg, 1),
            as_sized_mmHg=round(sized.losses[k].total_mmHg, 1),
        )
        for k, lesion in enumerate(lesions)
    ]
    update = {
        "rows": rows,
        "flow_before_mL_min": round(now.flow_mL_min, 0),
        "flow_after_mL_min": round(least.flow_mL_min, 0),
        "normal_mL_min": flow.normal_mL_min,
    }
    return found.model_copy(update=update)


def _spread(value: float, low: float, high: float) -> Spread:
    return Spread(value=round(value, 1), low=round(min(low, value), 1), high=round(max(high, value), 1))


def _stenosis(lesion: CaseLesion, which: str) -> Stenosis:
    m, seen_mm = lesion.measured, lesion.least_seen_mm
    normal_mm = lesion.reference_mm.value
    least_mm = float(getattr(m.least_mm, which)) if seen_mm is None else seen_mm
    narrowest_mm = min(max(least_mm, 0.1), normal_mm)
    return Stenosis(normal_mm=normal_mm, narrowest_mm=narrowest_mm, length_mm=m.length_mm.value)


def _after(lesion: CaseLesion, ratio: float) -> Stenosis:
    """Return a lesion once it is opened; one that is not planned stays as it is."""
    if not lesion.planned:
        return _stenosis(lesion, "value")
    m = lesion.measured
    normal_mm = lesion.reference_mm.value
    return Stenosis(normal_mm=normal_mm, narrowest_mm=ratio * normal_mm, length_mm=m.length_mm.value)


def _carried(flow: FlowTable, stenoses: Sequence[Stenosis]) -> Carried:
    assert flow.normal_mL_min is not None and flow.aortic_mmHg is not None
    return carried_through(
        stenoses,
        normal_mL_min=flow.normal_mL_min,
        aortic_mmHg=flow.aortic_mmHg,
        viscosity_mPas=flow.viscosity_mPas,
        density_kg_m3=flow.density_kg_m3,
    )


def _tandem(flow: FlowTable, count: int) -> tuple[tuple[float | None, float | None], str]:
    """Return the ratio with each of two lesions alone, or why there is none though pressures were measured."""
    names = ("aortic_mmHg", "between_mmHg", "distal_mmHg", "wedge_mmHg")
    values = {name: getattr(flow, name) for name in names}
    if None in values.values():
        return (None, None), ""
    if count != 2:
        said = "one lesion" if count == 1 else f"{count} lesions" if count else "no lesion"
        return (
            None,
            None,
        ), f"no ratio for each lesion alone: the equations are for two in a row, and the path has {said}"
    return (round(tandem_proximal_ratio(**values), 4), round(tandem_distal_ratio(**values), 4)), ""
