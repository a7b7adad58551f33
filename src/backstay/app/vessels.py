"""Another vessel for a case that there is: from a path file, or from a sketch. Earlier files stay in its folder."""

from __future__ import annotations

import secrets
from collections.abc import Sequence

from backstay.adapters.case_file import CaseDocument, DrawOverride, LesionTable, TargetTable, VesselTable
from backstay.adapters.path_file import write_path
from backstay.adapters.shelf_file import read_shelf
from backstay.adapters.sketch_text import parse_sketch
from backstay.app.library import Library
from backstay.app.sketching import lesion_values, worst
from backstay.core.anatomy.sketch import SKETCH_DRAWS, Sketched, sketch_path
from backstay.core.rigging.devices import Device, OverWireDevice

CHECK = "lesions, branches and target stand where they stood: check them against the new path"
BRANCHES = "the branches stand where they stood: check them against the new path"


def vessel_from_path(library: Library, case: str, text: str) -> tuple[str, ...]:
    """Make a path file a case's vessel; returns what to check.

    Raises
    ------
    FileFormatError, InputError
        It is no path, or the case does not fit it; nothing has changed.
    """
    document = library.document(case)
    file = library.file(case).with_name(f"path-{secrets.token_hex(3)}.csv")
    file.write_text(text, encoding="utf-8")
    try:
        library.change(case, document.model_copy(update={"vessel": _on(document.vessel, file.name)}))
    except BaseException:
        file.unlink(missing_ok=True)
        raise
    return (CHECK,)


def vessel_from_sketch(library: Library, case: str, text: str) -> tuple[str, ...]:
    """Make a sketch a case's vessel: its lesions are the case's, the device lies over the tightest; returns what to check.

    The inputs that a vessel given by eye makes uncertain are as wide as in a case sketched from the beginning.

    Raises
    ------
    InputError
        The sketch is not understood, or the case does not fit it; nothing has changed.
    """
    sketched, document = sketch_path(parse_sketch(text)), library.document(case)
    folder = library.file(case).parent
    tightest = worst(sketched)
    device = read_shelf(folder / document.shelf).devices.get(document.target.device)
    target = _over(document, device, sketched, 0.5 * (tightest.from_mm + tightest.to_mm))
    lesions = [LesionTable.model_validate(lesion_values(one)) for one in sketched.lesions]
    wide = {name: DrawOverride(median=m, spread=s) for name, (m, s) in SKETCH_DRAWS.items()}
    file = folder / f"path-{secrets.token_hex(3)}.csv"
    changed = document.model_copy(
        update={
            "vessel": _on(document.vessel, file.name, lesions),
            "target": target,
            "draws": {**document.draws, **wide},
        }
    )
    write_path(file, sketched.path)
    try:
        library.change(case, changed)
    except BaseException:
        file.unlink(missing_ok=True)
        raise
    moved = f"the device now lies from {target.from_mm:g} to {target.to_mm:g} mm, over the tightest place"
    return (moved, *([BRANCHES] if document.vessel.branch else []))


def _on(vessel: VesselTable, path: str, lesions: Sequence[LesionTable] | None = None) -> VesselTable:
    values = dict(vessel) | {"path": path, "axes": None, "measurement": None}
    return VesselTable.model_validate(values | ({} if lesions is None else {"lesion": list(lesions)}))


def _over(document: CaseDocument, device: Device | None, sketched: Sketched, middle_mm: float) -> TargetTable:
    """Return the target laid over a place, as far as the path has room."""
    if not isinstance(device, OverWireDevice):
        return document.target
    least = document.rig.seat_mm + device.working_mm
    most = sketched.path.length_mm - device.nose_mm - 0.5
    to_mm = round(min(max(middle_mm + 0.5 * device.working_mm, least), most), 1)
    ends = {"from_mm": round(to_mm - device.working_mm, 1), "to_mm": to_mm}
    return document.target.model_copy(update=ends)
