"""A first case from a few typed words: a folder with case, path and shelf, ready to plan and to edit."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from collections.abc import Sequence
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from backstay.adapters.atomic import new_permissions
from backstay.adapters.case_file import CaseDocument
from backstay.adapters.path_file import write_path
from backstay.adapters.shelf_file import read_shelf
from backstay.adapters.sketch_text import format_sketch, parse_sketch
from backstay.adapters.toml_edit import edited
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.anatomy.sketch import SKETCH_DRAWS, Segment, Sketched, sketch_path
from backstay.core.rigging.devices import Guide, Shelf, Stent, Wire
from backstay.errors import InputError, NotFound
from backstay.identifiers import GuideShape

USUAL_GUIDE_FR = 6.0
MARGIN_MM = 2.0
"""Healthy vessel a stent covers at either end of a lesion; common practice, no source."""
REFERENCE_BEYOND_MM = 4.0
_NOTE = """\
# Sketched by eye, so the uncertain inputs under [draws] are wide. Rig and target are a first choice: change
# them to what is in place, and the numbers of shelf.toml to your own devices. Then: backstay plan case.toml
"""


def demo_folder() -> Path:
    """Return the folder of the demo case: inside an installed package, or beside the sources."""
    inside = Path(str(resources.files("backstay"))) / "_examples" / "demo"
    beside = Path(__file__).resolve().parents[3] / "examples" / "demo"
    return inside if inside.is_dir() else beside


def sketch_case(
    segments: str | Sequence[Segment], into: Path, *, vessel: str, shelf_file: Path | None = None
) -> Path:
    """Make a case folder from a sketch; returns its case file.

    Parameters
    ----------
    segments : str or sequence of Segment
        The vessel in words, or read already.
    into : Path
        The folder to make; it must not exist yet.
    vessel : str
        Name of the vessel; one with "right" in it gets a right guide.
    shelf_file : Path or None
        Shelf to copy; the demo's when None.

    Raises
    ------
    InputError
        The sketch is not understood, has no lesion, or the folder exists.
    NotFound
        The shelf lacks a guide, wire or stent for it.
    """
    if os.path.lexists(into):
        raise InputError("this exists already", field="--into", value=str(into), allowed="a new folder")
    if not into.resolve().parent.is_dir():
        raise InputError(
            "no such folder", field="--into", value=str(into), allowed="a new folder in one that exists"
        )
    read = parse_sketch(segments) if isinstance(segments, str) else tuple(segments)
    shelf_file = shelf_file or demo_folder() / "shelf.toml"
    sketched, shelf = sketch_path(read), read_shelf(shelf_file)
    case = CaseDocument.model_validate(_case(sketched, shelf, vessel))
    building = Path(tempfile.mkdtemp(prefix=f".{into.name[:40]}.", dir=into.resolve().parent))
    try:
        (building / "case.toml").write_text(_NOTE + edited("", case), encoding="utf-8")
        (building / "sketch.txt").write_text(format_sketch(read) + "\n", encoding="utf-8")
        write_path(building / "path.csv", sketched.path)
        shutil.copyfile(shelf_file, building / "shelf.toml")
        building.chmod(new_permissions(0o777))
        building.rename(into)
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise
    return into / "case.toml"


def _case(sketched: Sketched, shelf: Shelf, vessel: str) -> dict[str, Any]:
    """Return the case file's values."""
    path, lesion = sketched.path, worst(sketched)
    stent, to_mm = _stent(shelf, path, lesion)
    return {
        "schema": 1,
        "title": f"Sketch of a {vessel}",
        "shelf": "shelf.toml",
        "access": {"route": "right radial", "sheath_fr": USUAL_GUIDE_FR},
        "vessel": {
            "name": vessel,
            "path": "path.csv",
            "lesion": [lesion_values(x) for x in sketched.lesions],
        },
        "rig": {"guide": _guide(shelf, vessel).id, "wires": [_workhorse(shelf).id]},
        "target": {"device": stent.id, "from_mm": round(to_mm - stent.working_mm, 1), "to_mm": to_mm},
        "draws": {name: {"median": m, "spread": s} for name, (m, s) in SKETCH_DRAWS.items()},
    }


def lesion_values(lesion: Lesion) -> dict[str, Any]:
    """Return a lesion as a case file has it."""
    values: dict[str, Any] = {
        "from_mm": round(lesion.from_mm, 2),
        "to_mm": round(lesion.to_mm, 2),
        "calcium": lesion.calcium,
        "prepared": list(lesion.prepared),
    }
    return values | ({"dissected": True} if lesion.dissected else {})


def worst(sketched: Sketched) -> Lesion:
    """Return the lesion with the smallest lumen: the one to treat."""
    if not sketched.lesions:
        raise InputError(
            "the sketch has no lesion to treat",
            field="segments",
            allowed='a segment with "tight 1.2", "severe" or the like',
            where="sketch",
        )
    return min(sketched.lesions, key=lambda x: float(_radii(sketched.path, x.from_mm, x.to_mm).min()))


def _radii(path: LumenPath, from_mm: float, to_mm: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    return path.radius_at_mm(np.linspace(max(from_mm, 0.0), min(to_mm, path.length_mm), 41))


def _stent(shelf: Shelf, path: LumenPath, lesion: Lesion) -> tuple[Stent, float]:
    """Return the stent to try and where its front edge goes: sized to the vessel beyond the lesion."""
    beyond_mm = lesion.to_mm + REFERENCE_BEYOND_MM
    reference_mm = 2.0 * float(np.median(_radii(path, lesion.to_mm, beyond_mm)))
    stents = [d for d in shelf.devices.values() if isinstance(d, Stent)]
    if not stents:
        raise NotFound("no stent on the shelf", field="stent", allowed="a shelf with at least one stent")
    wanted_mm = lesion.length_mm + 2.0 * MARGIN_MM

    def unlike(stent: Stent) -> tuple[float, float, float]:
        short_mm = max(wanted_mm - stent.working_mm, 0.0)
        return short_mm, abs(stent.nominal_diameter_mm - reference_mm), stent.working_mm

    stent = min(stents, key=unlike)
    middle_mm = 0.5 * (lesion.from_mm + lesion.to_mm)
    last_mm = math.floor(10.0 * (path.length_mm - stent.nose_mm)) / 10.0
    to_mm = round(min(max(middle_mm + 0.5 * stent.working_mm, stent.working_mm), last_mm), 1)
    if last_mm < max(lesion.to_mm, stent.working_mm):
        raise InputError(
            f"no room for {stent.name}: the sketch ends too soon beyond the lesion",
            field="length_mm",
            value=path.length_mm,
            allowed=f"{lesion.to_mm + stent.nose_mm + MARGIN_MM:.0f} mm or more; add a segment",
            where="sketch",
        )
    return stent, to_mm


def _guide(shelf: Shelf, vessel: str) -> Guide:
    is_right = "right" in vessel.lower()
    shape = GuideShape.STANDARD_RIGHT if is_right else GuideShape.EXTRA_BACKUP_LEFT
    guides = [d for d in shelf.devices.values() if isinstance(d, Guide)]
    fitting = [g for g in guides if g.shape == shape and g.size_fr <= USUAL_GUIDE_FR]
    if not fitting:
        raise NotFound(
            "no such guide on the shelf",
            field="guide",
            value=f"{USUAL_GUIDE_FR:g} Fr or less, {shape.value}",
            allowed=", ".join(f"{g.id} ({g.size_fr:g} Fr, {g.shape.value})" for g in guides) or "none",
        )
    return max(fitting, key=lambda g: g.size_fr)


def _workhorse(shelf: Shelf) -> Wire:
    """Return the wire called workhorse, else the softest."""
    wires = [d for d in shelf.devices.values() if isinstance(d, Wire)]
    if not wires:
        raise NotFound("no wire on the shelf", field="wire", allowed="a shelf with at least one wire")
    return min(wires, key=lambda w: ("workhorse" not in f"{w.id} {w.name}".lower(), w.core_stiffness_Nmm2))
