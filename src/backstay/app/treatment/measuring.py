"""Lesions of a case: the path's rows as they were measured, what the case file says, and what imaging overrides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from backstay.adapters.case_file import ImagingTable, LesionTable
from backstay.adapters.path_file import read_path
from backstay.adapters.treatment_file import Conflict, MeasuredLesion, Spread
from backstay.app.loading import LoadedCase
from backstay.core.anatomy.path import LumenPath
from backstay.core.treatment.classify import (
    OSTIAL_MM,
    RELEVANT_BRANCH_MM,
    TANDEM_GAP_MM,
    Features,
    extent_words,
    lesion_type,
    oct_calcium_score,
    reasons_for_b,
    reasons_for_c,
)
from backstay.core.treatment.lesions import Estimate, Measured, measure_lesions
from backstay.core.treatment.reference import FEWEST_ROWS, Lumen, Mouth, ReferenceFit, Span, lumen_from_rows
from backstay.identifiers import Calcium

FloatArray = NDArray[np.float64]

BEND_OVER_MM = 10.0
"""A bend before a lesion is the turn over this length: judgement, no source."""
BEND_DEG = 45.0
DIFFERS_MM = 0.25
"""Imaging and angiography disagree from one step of label on."""


@dataclass(frozen=True, eq=False)
class CaseLesion:
    """One lesion: measured, and what the case file says of it.

    Attributes
    ----------
    measured : Measured
        By the path.
    table : LesionTable or None
        By the case file; None for one found on the path alone.
    """

    measured: Measured
    table: LesionTable | None

    @property
    def imaging(self) -> ImagingTable | None:
        """Return what imaging measured, where its catheter crossed."""
        found = None if self.table is None else self.table.imaging
        return found if found is not None and found.crossed else None

    @property
    def landing_mm(self) -> tuple[float, float]:
        """Return both landing zones: where imaging put them, else those of the path."""
        near, far = self.measured.landing_mm
        image = self.imaging
        if image is not None and image.proximal is not None and image.proximal.at_mm is not None:
            near = image.proximal.at_mm
        if image is not None and image.distal is not None and image.distal.at_mm is not None:
            far = image.distal.at_mm
        return near, far

    @property
    def oct_score(self) -> int | None:
        """Return the calcium score, where it was measured."""
        image = self.imaging
        if image is None or image.method != "oct":
            return None
        parts = image.calcium_arc_deg, image.calcium_thickness_mm, image.calcium_length_mm
        if parts[0] is None or parts[1] is None or parts[2] is None:
            return None
        return oct_calcium_score(arc_deg=parts[0], thickness_mm=parts[1], length_mm=parts[2])


def lumen_of(case: LoadedCase) -> Lumen:
    """Return the lumen as it was measured, row by row of the path file, before any smoothing.

    A file with few rows is read at the nodes of the even path instead: no more is known of it either way.
    """
    raw, path = read_path(case.inputs[1]), case.path
    if len(raw.radius_mm) < 2 * FEWEST_ROWS:
        return lumen_from_rows(
            path.s_mm, 2.0 * path.radius_mm, sd_mm=2.0 * float(np.median(path.radius_sd_mm))
        )
    _, nearest = cKDTree(path.points_mm).query(raw.points_mm)
    step = np.einsum("ij,ij->i", raw.points_mm - path.points_mm[nearest], path.tangents[nearest])
    s = np.clip(path.s_mm[nearest] + step, 0.0, path.length_mm)
    # A path that passes itself closely must not send a row to the other limb: rows keep their order.
    s = np.maximum.accumulate(np.minimum(s, np.minimum.accumulate(s[::-1] + 5.0)[::-1]))
    sd_mm = 2.0 * float(np.median(raw.radius_sd_mm))
    return lumen_from_rows(s, 2.0 * raw.radius_mm, sd_mm=sd_mm)


def measure(case: LoadedCase, rng: np.random.Generator) -> tuple[ReferenceFit, list[CaseLesion]]:
    """Return the reference along the path and every lesion, named or found."""
    named = [Span(lesion.from_mm, lesion.to_mm) for lesion in case.lesions]
    mouths = [Mouth(branch.at_mm, branch.diameter_mm) for branch in case.branches]
    fit, measured = measure_lesions(lumen_of(case), mouths, named, rng=rng)
    tables = case.vessel.lesion
    return fit, [CaseLesion(m, None if m.named is None else tables[m.named]) for m in measured]


def spread(estimate: Estimate, digits: int = 2) -> Spread:
    """Return an estimate as it leaves the program."""
    return Spread(
        value=round(estimate.value, digits),
        low=round(estimate.low, digits),
        high=round(estimate.high, digits),
    )


def described(case: LoadedCase, lesions: list[CaseLesion]) -> list[MeasuredLesion]:
    """Return every lesion with its class, its conflicts and its notes."""
    return [_described(case, lesions, k) for k in range(len(lesions))]


def _described(case: LoadedCase, lesions: list[CaseLesion], k: int) -> MeasuredLesion:
    lesion = lesions[k]
    m, table = lesion.measured, lesion.table
    features = features_of(case, lesion)
    near, far = lesion.landing_mm
    reasons = reasons_for_c(features) or reasons_for_b(features)
    return MeasuredLesion(
        number=k + 1,
        named=table is not None,
        from_mm=spread(m.from_mm, 1),
        to_mm=spread(m.to_mm, 1),
        length_mm=spread(m.length_mm, 1),
        narrowest_at_mm=round(m.narrowest_at_mm, 1),
        least_mm=spread(m.least_mm),
        reference_mm=spread(m.reference_mm),
        diameter_percent=spread(m.diameter_percent, 0),
        area_percent=spread(m.area_percent, 0),
        landing_from_mm=round(near, 1),
        landing_to_mm=round(far, 1),
        proximal_mm=spread(m.proximal_mm),
        distal_mm=spread(m.distal_mm),
        calcium=None if table is None else table.calcium,
        kind=None if table is None else lesion_type(features),
        reasons=list(reasons),
        extent=extent_words(m.length_mm.value),
        ostial=features.ostial,
        bend_deg=round(features.bend_deg, 0),
        oct_score=lesion.oct_score,
        conflicts=conflicts_of(lesion),
        notes=_notes(lesions, k),
    )


def features_of(case: LoadedCase, lesion: CaseLesion) -> Features:
    """Return what decides a lesion's type: from the path where the path shows it, from the case file else."""
    m, table = lesion.measured, lesion.table
    ends = m.from_mm.value, m.to_mm.value
    inside = [
        b for b in case.vessel.branch if ends[0] <= b.at_mm <= ends[1] and b.diameter_mm > RELEVANT_BRANCH_MM
    ]
    return Features(
        length_mm=m.length_mm.value,
        bend_deg=float(np.degrees(case.path.bend_rad(*_on_path(ends, case.path)))),
        bends_before=bends_before(case.path, ends[0]),
        calcium=lesion_calcium(lesion),
        ostial=m.from_mm.value <= OSTIAL_MM,
        eccentric=table is not None and table.eccentric,
        irregular=table is not None and table.irregular,
        thrombus=table is not None and table.thrombus,
        occluded_months=None if table is None else table.occluded_months,
        bridging_collaterals=table is not None and table.bridging_collaterals,
        branch_needs_wire=bool(inside),
        branch_unprotectable=any(not b.protectable for b in inside),
        vein_graft=case.vessel.vein_graft,
    )


def lesion_calcium(lesion: CaseLesion) -> Calcium:
    """Return the angiographic calcium; none where nobody described the lesion."""
    return Calcium.NONE if lesion.table is None else lesion.table.calcium


def _on_path(ends: tuple[float, float], path: LumenPath) -> tuple[float, float]:
    first = min(max(ends[0], 0.0), path.length_mm)
    return first, min(max(ends[1], first), path.length_mm)


def bends_before(path: LumenPath, at_mm: float) -> int:
    """Return how many bends of 45 degrees or more lie before a place, each the turn over 10 mm, none counted twice."""
    s = path.s_mm
    starts = s[s <= at_mm - BEND_OVER_MM]
    turns = np.array([path.bend_rad(float(x), float(x) + BEND_OVER_MM) for x in starts])
    taken: list[float] = []
    for k in np.argsort(-turns, kind="stable"):
        if np.degrees(turns[k]) < BEND_DEG:
            break
        if all(abs(starts[k] - x) >= BEND_OVER_MM for x in taken):
            taken.append(float(starts[k]))
    return len(taken)


def conflicts_of(lesion: CaseLesion) -> list[Conflict]:
    """Return where imaging and angiography disagree by a step of label or more, or about the calcium."""
    image, m = lesion.imaging, lesion.measured
    if image is None:
        return []
    found = []
    for what, table, angio in (
        ("proximal landing zone", image.proximal, m.proximal_mm),
        ("distal landing zone", image.distal, m.distal_mm),
    ):
        if table is not None and abs(table.lumen_mm - angio.value) >= DIFFERS_MM:
            found.append(
                Conflict(
                    what=f"lumen at the {what}",
                    angiography=f"{angio.value:.2f} mm ({angio.low:.2f} to {angio.high:.2f})",
                    imaging=f"{table.lumen_mm:.2f} mm",
                )
            )
    score, calcium = lesion.oct_score, lesion_calcium(lesion)
    hard = calcium in {Calcium.MODERATE, Calcium.SEVERE}
    if score is not None and hard != (score >= 3):
        found.append(
            Conflict(
                what="calcium",
                angiography=f"{calcium.value}",
                imaging=f"score {score} of 4 (by arc, thickness, length)",
            )
        )
    return found


def _notes(lesions: list[CaseLesion], k: int) -> list[str]:
    m, table = lesions[k].measured, lesions[k].table
    found = []
    for other, where in ((k - 1, "before"), (k + 1, "beyond")):
        if 0 <= other < len(lesions):
            a, b = sorted((lesions[k].measured, lesions[other].measured), key=lambda x: x.from_mm.value)
            gap = b.from_mm.value - a.to_mm.value
            if gap <= TANDEM_GAP_MM:
                found.append(f"tandem: {max(gap, 0.0):.0f} mm {where} it lies lesion {other + 1}")
    if m.ostial:
        found.append("begins at or near the path's first point: no reference was seen before it")
    if m.reaches_end:
        found.append("runs to the end of the path: no reference was seen beyond it")
    if table is None:
        found.append("the case file does not name it: it is measured, not planned")
    elif table.imaging is not None and not table.imaging.crossed:
        found.append(
            "the imaging catheter did not cross: sized by angiography alone, and taken as hard to cross"
        )
    return found
