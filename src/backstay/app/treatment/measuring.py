"""Lesions of a case: the path's rows as they were measured, what the case file says, and what imaging overrides."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from backstay.adapters.case_file import ImagingTable, LandingTable, LesionTable
from backstay.adapters.path_file import read_path
from backstay.adapters.treatment_file import Conflict, MeasuredLesion, Spread
from backstay.app.loading import LoadedCase
from backstay.app.treatment.entries import on_one_narrowing, one_table
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
from backstay.core.treatment.lesions import END_RATIO, Estimate, Measured, measure_lesions
from backstay.core.treatment.overriding import Seen
from backstay.core.treatment.preparation import Hardness, is_hard, order_of, seen_by_angiography
from backstay.core.treatment.reference import FEWEST_ROWS, Lumen, Mouth, ReferenceFit, Span, lumen_from_rows
from backstay.core.treatment.sizing import diameter_of_area_mm
from backstay.errors import InputError
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
        By the case file; None for one found on the path alone. Of several entries on one narrowing, the harder.
    entries : tuple of int
        Its entries in the case file, from 1.
    seen_ratio : float
        Imaging's reference over angiography's at the narrowest place, where the pullback that measured the least lumen
        measured the landing zones too; else 1.
    torn : bool
        A dissection anywhere in the vessel is known: what runs to one lesion may run through the other.
    uncrossed : bool
        An imaging catheter did not cross it, by any of its entries.
    """

    measured: Measured
    table: LesionTable | None
    entries: tuple[int, ...] = ()
    torn: bool = False
    uncrossed: bool = False
    seen_ratio: float = 1.0

    @property
    def imaging(self) -> ImagingTable | None:
        """Return what imaging measured, where its catheter crossed."""
        found = None if self.table is None else self.table.imaging
        return found if found is not None and found.crossed else None

    @property
    def planned(self) -> bool:
        """Return whether it is treated: named, and narrowed by a tenth or more, or with another reason to treat it."""
        table = self.table
        if table is None:
            return False
        percent = tightness(self)[1].value
        treated = bool(table.prepared) or table.dissected or table.opened_fully
        other = table.in_stent or table.thrombus or table.occluded_months is not None
        return percent >= 100.0 * END_RATIO or treated or other

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
    def reference_mm(self) -> Estimate:
        """Return the reference at the narrowest place, by what measured the least lumen."""
        ref, ratio = self.measured.reference_mm, self.seen_ratio
        return Estimate(ratio * ref.value, ratio * ref.low, ratio * ref.high)

    def seen(self, pullback: int = 0) -> list[Seen]:
        """Return the lumens that imaging measured at the landing zones, under a number of its pullback."""
        image = self.imaging
        zones = () if image is None else (image.proximal, image.distal)
        return [
            Seen(at_mm, zone.lumen_mm, pullback)
            for at_mm, zone in zip(self.landing_mm, zones, strict=False)
            if zone is not None
        ]

    @property
    def least_seen_mm(self) -> float | None:
        """Return the least lumen by imaging, as the diameter of its area."""
        image = self.imaging
        area_mm2 = None if image is None else image.lumen_area_mm2
        return None if area_mm2 is None else diameter_of_area_mm(area_mm2)

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
        return lumen_from_rows(path.s_mm, 2.0 * path.radius_mm, sd_mm=2.0 * path.radius_sd_mm)
    _, nearest = cKDTree(path.points_mm).query(raw.points_mm)
    step = np.einsum("ij,ij->i", raw.points_mm - path.points_mm[nearest], path.tangents[nearest])
    s = np.clip(path.s_mm[nearest] + step, 0.0, path.length_mm)
    # A path that passes itself closely must not send a row to the other limb: rows keep their order.
    s = np.maximum.accumulate(np.minimum(s, np.minimum.accumulate(s[::-1] + 5.0)[::-1]))
    return lumen_from_rows(s, 2.0 * raw.radius_mm, sd_mm=2.0 * raw.radius_sd_mm)


def measure(
    case: LoadedCase, rng: np.random.Generator, *, torn: bool = False
) -> tuple[ReferenceFit, list[CaseLesion]]:
    """Return the reference along the path and every lesion, named or found; the vessel may be torn outside them too."""
    mouths = [Mouth(branch.at_mm, branch.diameter_mm) for branch in case.branches]
    lumen, tables = lumen_of(case), [one_table(case, (k,)) for k in range(len(case.vessel.lesion))]
    entries: list[tuple[int, ...]] = [(k,) for k in range(len(tables))]
    while True:
        spans = [Span(table.from_mm, table.to_mm) for table in tables]
        fit, measured = measure_lesions(lumen, mouths, spans, rng=rng)
        joined = on_one_narrowing(measured, entries)
        if joined == entries:
            break
        entries, tables = joined, [one_table(case, group) for group in joined]
    filed = case.vessel.lesion
    torn = torn or any(table.torn for table in filed)
    lesions = []
    for m in measured:
        mine = () if m.named is None else entries[m.named]
        table = None if m.named is None else tables[m.named]
        uncrossed = any((image := filed[k].imaging) is not None and not image.crossed for k in mine)
        lesions.append(CaseLesion(m, table, tuple(k + 1 for k in mine), torn, uncrossed))
    for lesion in lesions:
        _check_zones(case, lesion)
    return fit, [replace(lesion, seen_ratio=_seen_ratio(fit, lesion)) for lesion in lesions]


def _seen_ratio(fit: ReferenceFit, lesion: CaseLesion) -> float:
    """Return imaging's reference over angiography's at the narrowest place: 1 where it measured no least lumen or no zone.

    The pullback that measured the least lumen is held against its own zones however far they lie, in a line between
    two, as at the one else: angiography's reference would mix two instruments in one stenosis.
    """
    seen = sorted(lesion.seen(), key=lambda x: x.at_mm)
    if lesion.least_seen_mm is None or not seen:
        return 1.0
    at_mm = [x.at_mm for x in seen]
    ratios = [x.lumen_mm for x in seen] / np.interp(at_mm, fit.s_mm, fit.reference_mm)
    return float(np.interp(lesion.measured.narrowest_at_mm, at_mm, ratios))


def _check_zones(case: LoadedCase, lesion: CaseLesion) -> None:
    """Refuse a landing zone of imaging that lies on the wrong side of the other one, which the path gave."""
    near, far = lesion.landing_mm
    image = lesion.imaging
    if near < far or image is None:
        return
    number = next(k for k in lesion.entries if case.vessel.lesion[k - 1].imaging is not None)
    is_near = image.proximal is not None and image.proximal.at_mm is not None
    side, value, allowed = (
        ("proximal", near, f"less than {far:.1f} mm")
        if is_near
        else ("distal", far, f"more than {near:.1f} mm")
    )
    raise InputError(
        "by the path this landing zone lies on the other side of the lesion",
        field=f"vessel.lesion#{number}.imaging.{side}.at_mm",
        value=value,
        allowed=allowed,
        where=str(case.file),
    )


def spread(estimate: Estimate, digits: int = 2) -> Spread:
    """Return an estimate as it leaves the program."""
    return Spread(
        value=round(estimate.value, digits),
        low=round(estimate.low, digits),
        high=round(estimate.high, digits),
    )


def tightness(lesion: CaseLesion) -> tuple[Estimate, Estimate, Estimate]:
    """Return least lumen and stenosis by diameter and area, the least lumen by imaging where it was measured.

    Imaging's own error is not known here: the least lumen then has no interval, the stenoses have the reference's. The
    reference is imaging's too where the same pullback measured it. One wider than the reference counts as no narrowing,
    and the document warns of it.
    """
    m, seen_mm = lesion.measured, lesion.least_seen_mm
    if seen_mm is None:
        return m.least_mm, m.diameter_percent, m.area_percent
    ref = lesion.reference_mm
    by_diameter, by_area = (
        Estimate(
            *(
                max(100.0 * (1.0 - (seen_mm / at_mm) ** power), 0.0)
                for at_mm in (ref.value, ref.low, ref.high)
            )
        )
        for power in (1, 2)
    )
    return Estimate(seen_mm, seen_mm, seen_mm), by_diameter, by_area


def described(case: LoadedCase, lesions: list[CaseLesion]) -> list[MeasuredLesion]:
    """Return every lesion with its class, its conflicts and its notes."""
    return [_described(case, lesions, k) for k in range(len(lesions))]


def _described(case: LoadedCase, lesions: list[CaseLesion], k: int) -> MeasuredLesion:
    lesion = lesions[k]
    m, table = lesion.measured, lesion.table
    features = features_of(case, lesion)
    near, far = lesion.landing_mm
    least, by_diameter, by_area = tightness(lesion)
    reasons = reasons_for_c(features) or reasons_for_b(features)
    return MeasuredLesion(
        number=k + 1,
        named=table is not None,
        entries=list(lesion.entries),
        from_mm=spread(m.from_mm, 1),
        to_mm=spread(m.to_mm, 1),
        length_mm=spread(m.length_mm, 1),
        narrowest_at_mm=round(m.narrowest_at_mm, 1),
        least_mm=spread(least),
        reference_mm=spread(lesion.reference_mm),
        diameter_percent=spread(by_diameter, 0),
        area_percent=spread(by_area, 0),
        landing_from_mm=round(near, 1),
        landing_to_mm=round(far, 1),
        proximal_mm=_zone(m.proximal_mm, None if lesion.imaging is None else lesion.imaging.proximal),
        distal_mm=_zone(m.distal_mm, None if lesion.imaging is None else lesion.imaging.distal),
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


def _zone(angio: Estimate, seen: LandingTable | None) -> Spread:
    """Return the reference at a landing zone: imaging's, whose error is not known, where it measured it."""
    return spread(angio if seen is None else Estimate(seen.lumen_mm, seen.lumen_mm, seen.lumen_mm))


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
    """Return where imaging and angiography disagree: by a step of label or more, or about what prepares the lesion."""
    image, m = lesion.imaging, lesion.measured
    if image is None:
        return []
    seen = [
        ("lumen at the proximal landing zone", image.proximal, m.proximal_mm),
        ("lumen at the distal landing zone", image.distal, m.distal_mm),
    ]
    found = [_lumens(what, table.lumen_mm, angio) for what, table, angio in seen if table is not None]
    if lesion.least_seen_mm is not None:
        found.append(_lumens("least lumen", lesion.least_seen_mm, m.least_mm))
    return [one for one in (*found, _calcium(lesion)) if one is not None]


def _lumens(what: str, seen_mm: float, angio: Estimate) -> Conflict | None:
    if abs(seen_mm - angio.value) < DIFFERS_MM:
        return None
    by_angiography = f"{angio.value:.2f} mm ({angio.low:.2f} to {angio.high:.2f})"
    return Conflict(what=what, angiography=by_angiography, imaging=f"{seen_mm:.2f} mm")


def _calcium(lesion: CaseLesion) -> Conflict | None:
    """Return the conflict about calcium: where imaging changes what prepares the lesion."""
    facts = hardness(lesion)
    without = seen_by_angiography(facts)
    ways, plain = ([kind for kind, _ in order_of(x)] for x in (facts, without))
    hard, was = is_hard(facts), is_hard(without)
    if ways == plain and hard == was:
        return None
    added = [kind.value.replace("_", " ") for kind in ways if kind not in plain]
    dropped = [kind.value.replace("_", " ") for kind in plain if kind not in ways]
    parts = [
        f"adds {', '.join(added)}" if added else "",
        f"leaves out {', '.join(dropped)}" if dropped else "",
    ]
    return Conflict(
        what="calcium",
        angiography=f"{lesion_calcium(lesion)} ({'hard' if was else 'not hard'})",
        imaging=f"{_calcium_seen(lesion)} ({'hard' if hard else 'not hard'})",
        so=" and ".join(part for part in parts if part),
    )


def _calcium_seen(lesion: CaseLesion) -> str:
    """Return what imaging showed of the calcium."""
    image, score = lesion.imaging, lesion.oct_score
    assert image is not None
    parts = [] if score is None else [f"score {score} of 4"]
    if image.calcium_arc_deg is not None:
        parts.append(f"arc {image.calcium_arc_deg:.0f}° by {image.method.upper()}")
    if image.nodule:
        parts.append("a nodule")
    return ", ".join(parts)


def hardness(lesion: CaseLesion) -> Hardness:
    """Return what is known of a lesion's resistance."""
    table = lesion.table
    image = lesion.imaging
    return Hardness(
        calcium=lesion_calcium(lesion),
        arc_deg=None if image is None else image.calcium_arc_deg,
        oct_score=lesion.oct_score,
        nodule=image is not None and image.nodule,
        uncrossed=lesion.uncrossed,
        dissected=table is not None and table.torn,
        torn_elsewhere=lesion.torn,
        opened_fully=table is not None and table.opened_fully,
        tried=() if table is None else tuple(table.prepared),
    )


def _notes(lesions: list[CaseLesion], k: int) -> list[str]:
    m, table = lesions[k].measured, lesions[k].table
    found = []
    for other, where in ((k - 1, "before"), (k + 1, "beyond")):
        if 0 <= other < len(lesions):
            a, b = sorted((lesions[k].measured, lesions[other].measured), key=lambda x: x.from_mm.value)
            gap = b.from_mm.value - a.to_mm.value
            if gap <= TANDEM_GAP_MM:
                found.append(f"tandem: {max(gap, 0.0):.0f} mm {where} it lies lesion {other + 1}")
    if lesions[k].least_seen_mm is not None:
        zones = len(lesions[k].seen())
        where = "the landing zones" if zones > 1 else "its landing zone"
        by = f"that it measured at {where}" if zones else "by angiography, which is another instrument"
        found.append(
            f"least lumen and stenosis are imaging's, against the reference {by}; imaging's own error is not in their ranges"
        )
    if m.ostial:
        found.append("begins at or near the path's first point: no reference was seen before it")
    if m.reaches_end:
        found.append("runs to the end of the path: no reference was seen beyond it")
    if table is None:
        found.append("the case file does not name it: it is measured, not planned")
    elif not lesions[k].planned:
        found.append("not narrowed by a tenth: it is measured, and no stent is planned")
    elif lesions[k].uncrossed:
        by = ": sized by angiography alone, and" if lesions[k].imaging is None else "; it is"
        found.append(f"the imaging catheter did not cross{by} taken as hard to cross")
    return found
