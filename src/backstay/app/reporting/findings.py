"""What was found before treatment, as the path gives it and the case file describes it."""

from __future__ import annotations

import numpy as np

from backstay.adapters.case_file import ImagingTable
from backstay.adapters.report_file import Findings, FoundBranch, FoundLesion, Measured, VesselPicture
from backstay.adapters.treatment_file import MeasuredLesion, Spread
from backstay.app.reporting.told import Told

IMAGING = {"ivus": "intravascular ultrasound", "oct": "optical coherence tomography"}


def findings(told: Told) -> Findings:
    """Return the findings."""
    case, treatment = told.case, told.treatment
    tables = case.vessel.lesion
    bend = np.degrees(case.path.total_bend_rad)
    return Findings(
        measured_from=_measured_from(told),
        length_mm=round(case.path.length_mm, 1),
        bend_deg=round(float(bend)),
        lesions=[
            _lesion(x, next((image for k in x.entries if (image := tables[k - 1].imaging) is not None), None))
            for x in sorted(treatment.lesions, key=lambda one: not one.named)
        ],
        branches=[
            FoundBranch(
                name=b.name,
                at_mm=b.at_mm,
                diameter_mm=b.diameter_mm,
                stenosis_percent=b.stenosis_percent,
            )
            for b in case.vessel.branch
        ],
        notes=told.noted("finding"),
        picture=VesselPicture(**treatment.picture.model_dump()),
    )


def _measured_from(told: Told) -> str:
    vessel = told.case.vessel
    if vessel.measurement is not None:
        return f"two angiographic views, measurement record {vessel.measurement}"
    return f"path file {vessel.path}"


def _measured(spread: Spread, digits: int) -> Measured:
    return Measured(
        value=round(spread.value, digits), low=round(spread.low, digits), high=round(spread.high, digits)
    )


def _lesion(x: MeasuredLesion, imaging: ImagingTable | None) -> FoundLesion:
    return FoundLesion(
        number=x.number,
        from_mm=round(x.from_mm.value, 1),
        to_mm=round(x.to_mm.value, 1),
        length_mm=_measured(x.length_mm, 1),
        least_mm=_measured(x.least_mm, 2),
        reference_mm=_measured(x.reference_mm, 2),
        diameter_percent=_measured(x.diameter_percent, 0),
        narrowest_at_mm=round(x.narrowest_at_mm, 1),
        bend_deg=round(x.bend_deg),
        calcium=x.calcium,
        kind=None if x.kind is None else x.kind.value,
        reasons=list(x.reasons),
        imaging=[] if imaging is None else _imaging(imaging),
    )


def _imaging(table: ImagingTable) -> list[str]:
    """Return what intravascular imaging gave, in words."""
    if not table.crossed:
        return [f"{IMAGING[table.method]}: the catheter did not cross"]
    said: list[tuple[str, float | None, str]] = [
        ("least lumen area", table.lumen_area_mm2, "mm2"),
        ("calcium arc", table.calcium_arc_deg, "deg"),
        ("calcium thickness", table.calcium_thickness_mm, "mm"),
        ("calcium length", table.calcium_length_mm, "mm"),
    ]
    for name, landing in (("proximal", table.proximal), ("distal", table.distal)):
        if landing is not None:
            said.append((f"{name} landing zone, lumen", landing.lumen_mm, "mm"))
            said.append((f"{name} landing zone, outer wall", landing.outer_wall_mm, "mm"))
    words = [f"{what} {value:g} {unit}" for what, value, unit in said if value is not None]
    nodule = ["calcified nodule"] if table.nodule else []
    return [f"{IMAGING[table.method]}: {', '.join([*words, *nodule]) or 'no value given'}"]
