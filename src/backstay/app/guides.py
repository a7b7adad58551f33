"""The shelf's guides in this root: how each lies and what it holds, and the guide in place with one thing more."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.guides_document import (
    ContactLine,
    GuideRow,
    GuidesDocument,
    Points,
    RestLine,
    VariantRow,
)
from backstay.app.loading import LoadedCase
from backstay.core.guide.aorta import Aorta, ordinary_aorta
from backstay.core.guide.loads import CAUTION_N, contacts, load_on_N, rests_at_loss, rests_at_rest
from backstay.core.guide.lumen import piece_walls
from backstay.core.guide.ordinary import EXTENSION_MPA, EXTENSIONS_MM, SEATS
from backstay.core.guide.pushback import PushBack, Spring, push_back, pushed, with_springs
from backstay.core.guide.seating import Child, Setup, telescoped
from backstay.core.guide.shapes import suited_size_mm
from backstay.core.rigging.devices import Guide
from backstay.errors import NotConverged
from backstay.identifiers import Coronary, DeviceKind, RestsOn

FloatArray = NDArray[np.float64]
Progress = Callable[[str, float], None]

HARDLY_N = 0.05
"""A guide that holds less (5 gram-force) hardly holds."""
DISCLAIMER = (
    "Planning and teaching aid. Not a medical device and not validated for clinical decisions. The devices' instructions for use, local "
    "protocols and the licensed operator come first."
)
UNVALIDATED = (
    "bending stiffness of guides (judgement, no source): every force here goes with it",
    "curves of the shape families, how firmly a guide is fed, friction on the wall (judgement, no source)",
    "the model lies in the arch's plane; a root out of that plane holds differently",
)
_SOURCES = ("ikari2005", "ikari2009", "takeshita2012", "guidetable", "shah2011")


def coronary_of(vessel_name: str) -> Coronary:
    """Return which coronary artery a vessel belongs to, by its name: the right, or else the left."""
    return Coronary.RIGHT if "right" in vessel_name.lower() else Coronary.LEFT


def case_aorta(case: LoadedCase) -> Aorta:
    """Return the aorta of a case: ordinary but for what the case says."""
    return ordinary_aorta(
        case.aorta.root_diameter_mm, arch_type=case.aorta.arch_type, take_off_deg=case.aorta.take_off_deg
    )


def compare_guides(case: LoadedCase, progress: Progress | None = None) -> GuidesDocument:
    """Solve every guide of the shelf in this root, and the guide in place with one thing more."""
    coronary, aorta = coronary_of(case.vessel_name), case_aorta(case)
    guides = [d for d in case.shelf.of(DeviceKind.GUIDE) if isinstance(d, Guide)]
    rows, here, outline = [], None, []
    for k, guide in enumerate(guides):
        row, found = _guide_row(guide, case, coronary, aorta)
        rows.append(row)
        if found is not None:
            outline = _outline(found)
        if row.in_place:
            here = found
        if progress is not None:
            progress("solving guides", (k + 1) / (len(guides) + 1))
    variants = [] if here is None else _variants(case, coronary, aorta, here)
    rows.sort(key=lambda row: (not row.in_place, -1.0 if row.backup_N is None else -row.backup_N))
    return GuidesDocument(
        schema=1,
        title=case.title,
        invented=case.invented,
        vessel=case.vessel_name,
        coronary=coronary,
        access=case.rig.access.route,
        root_diameter_mm=aorta.root_diameter_mm,
        arch_type=aorta.arch_type,
        take_off_deg=aorta.take_off_deg,
        guides=rows,
        variants=variants,
        outline_mm=outline,
        unvalidated=list(UNVALIDATED),
        sources=list(_SOURCES),
        disclaimer=DISCLAIMER,
    )


def _setup(guide: Guide, case: LoadedCase, coronary: Coronary, aorta: Aorta) -> Setup:
    return Setup(
        guide.shape,
        suited_size_mm(guide.shape, root_diameter_mm=aorta.root_diameter_mm),
        guide.size_fr / 3.0,
        guide.inner_diameter_mm,
        case.rig.access.route,
        coronary,
        aorta,
    )


def _guide_row(
    guide: Guide, case: LoadedCase, coronary: Coronary, aorta: Aorta
) -> tuple[GuideRow, PushBack | None]:
    in_place = guide.id == case.rig.guide.id
    size_mm = suited_size_mm(guide.shape, root_diameter_mm=aorta.root_diameter_mm)
    blank = GuideRow(
        id=guide.id,
        name=guide.name,
        in_place=in_place,
        curve_size_mm=round(size_mm, 1),
        suits=(guide.shape, coronary) in SEATS,
        seated=False,
    )
    if not blank.suits:
        return blank.model_copy(update={"why_not": f"not a shape for the {coronary.value} coronary"}), None
    try:
        found = push_back(_setup(guide, case, coronary, aorta))
    except NotConverged as error:
        return blank.model_copy(update={"why_not": f"no seat found: {error}"}), None
    rests = _rest_lines(found)
    best = int(np.argmax(found.push_N))
    row = blank.model_copy(
        update={
            "seated": True,
            "backup_N": round(found.backup_N, 3),
            "retreat_mm": round(found.at_mm, 2),
            "stiffness_N_per_mm": round(found.stiffness_N_per_mm, 3),
            "work_Nmm": round(found.work_Nmm, 2),
            "rests": rests,
            "cautions": _cautions(rests, found),
            "curve": [
                (round(float(r), 2), round(float(p), 3))
                for r, p in zip(found.retreat_mm, found.push_N, strict=True)
            ],
            "lying_mm": _points(found.shapes_mm[0]),
            "lost_mm": _points(found.shapes_mm[best]),
            "contacts": [
                ContactLine(at_mm=_point(place), load_N=round(load_N, 3))
                for place, load_N in contacts(found.shapes_mm[best], found.normals_N[best])
            ],
        }
    )
    return row, found


def _point(x_mm: FloatArray) -> tuple[float, float]:
    return round(float(x_mm[0]), 2), round(float(x_mm[1]), 2)


def _points(x_mm: FloatArray) -> Points:
    return [_point(x) for x in x_mm]


def _rest_lines(found: PushBack) -> list[RestLine]:
    before, after = rests_at_rest(found), rests_at_loss(found)
    lines = []
    for where in RestsOn:
        parts = [part for part in (*after, *before) if part.where is where]
        if parts:
            lines.append(
                RestLine(
                    where=where,
                    at_rest_N=round(load_on_N(before, where), 3),
                    at_loss_N=round(load_on_N(after, where), 3),
                    at_mm=_point(parts[0].place_mm),
                    angle_deg=round(parts[0].angle_deg, 1),
                )
            )
    return lines


def _cautions(rests: list[RestLine], found: PushBack) -> list[str]:
    cautions = [
        f"presses the {RESTS_WORDS[line.where]} with {line.at_loss_N:.1f} N when it gives way: "
        "watch pressure and tip, a guide's tip can dissect"
        for line in rests
        if line.at_loss_N > CAUTION_N and line.where in (RestsOn.OSTIUM, RestsOn.VESSEL)
    ]
    if found.backup_N < HARDLY_N:
        cautions.append("hardly holds by itself in this root: another shape, a deeper seat or an extension")
    if not found.complete:
        cautions.append("the solution broke off before the guide was lost: its hold is a lower bound")
    return cautions


RESTS_WORDS = {
    RestsOn.OPPOSITE_WALL: "opposite wall",
    RestsOn.NEAR_WALL: "wall on the ostium's side",
    RestsOn.ARCH: "arch",
    RestsOn.OSTIUM: "ostium",
    RestsOn.VESSEL: "vessel",
}


def _outline(found: PushBack) -> list[Points]:
    """Return both walls of every tube in the arch's plane."""
    walls = [wall for row in found.seated.place.lumen.pieces for wall in piece_walls(row)]
    return [[(round(float(x), 1), round(float(y), 1)) for x, y in wall] for wall in walls]


def _variants(case: LoadedCase, coronary: Coronary, aorta: Aorta, alone: PushBack) -> list[VariantRow]:
    """Return the guide in place seated deeper, with an extension, and with something that ties it to the vessel."""
    guide = case.rig.guide
    setup = _setup(guide, case, coronary, aorta)
    rows = [_solved("seated 10 mm deep", replace(setup, seat_mm=10.0), alone)]
    tube = EXTENSIONS_MM.get(float(math.floor(guide.size_fr)))
    if tube is not None:
        for depth in (20.0, 40.0, 60.0, 90.0):
            with_tube = replace(setup, child=Child(tube[0], tube[1], depth, EXTENSION_MPA))
            rows.append(_solved(f"with an extension to {depth:.0f} mm", with_tube, alone))
    for what, spring in (
        ("with a wire held in tension of 0.5 N", Spring(0.0, 0.5, 0.5)),
        ("with an anchor or trapped wire that slips at 1 N", Spring(0.5, 0.0, 1.0)),
    ):
        rows.append(_variant(what, with_springs(alone, [spring]), alone))
    return rows


def _solved(what: str, setup: Setup, alone: PushBack) -> VariantRow:
    try:
        found = push_back(setup) if setup.child is None else pushed(setup, telescoped(setup, alone.seated))
    except NotConverged:
        return VariantRow(what=what, backup_N=None, ratio=None, retreat_mm=None, work_Nmm=None)
    return _variant(what, found, alone)


def _variant(what: str, found: PushBack, alone: PushBack) -> VariantRow:
    return VariantRow(
        what=what,
        backup_N=round(found.backup_N, 3),
        ratio=None if alone.backup_N < HARDLY_N else round(found.backup_N / alone.backup_N, 2),
        retreat_mm=round(found.at_mm, 2),
        work_Nmm=round(found.work_Nmm, 2),
    )
