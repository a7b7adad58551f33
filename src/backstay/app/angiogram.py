"""An angiogram at work in a case: runs looked at, a vessel traced while it is clicked, measured, and kept as the case's.

What was read and fitted last is held, so that a mark more does not begin everything anew.
"""

from __future__ import annotations

import secrets
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.case_file import CaseDocument, LesionTable, TargetTable, VesselTable
from backstay.adapters.dicom_xa import Run, read_run
from backstay.adapters.measurement_file import (
    ErrorsTable,
    MeasurementDocument,
    RunTable,
    StenosisTable,
    read_measurement,
)
from backstay.adapters.shelf_file import read_shelf
from backstay.app import measure
from backstay.app.library import Library
from backstay.app.measure import Looked, Measured, measured, refuse_unbelievable, save_measurement, sight_of
from backstay.app.phantom import FILLING, NAMES, make_phantom
from backstay.core.imaging.bundle import TagErrors
from backstay.core.imaging.epiband import bands
from backstay.core.imaging.lumen import Lumen
from backstay.core.imaging.measuring import Vessel, measured_single, seen
from backstay.core.rigging.devices import OverWireDevice
from backstay.errors import InputError
from backstay.identifiers import Calcium
from backstay.units import deg_to_rad

FloatArray = NDArray[np.float64]

PLACES = 24
"""Along the first view's path, for which the second view's bands are given."""
PRACTICE, PRACTICE_SEED = "invented-", 1
Stamp = tuple[str, int, int]


def run_at(file: Path) -> Run:
    """Return a run, held from the last time unless the file has changed."""
    return _run(_stamp(file))


def grey_frame(file: Path, number: int) -> bytes:
    """Return one frame as stored, row by row: a byte a pixel, or two (the lesser first) where the run has more than 8 bits."""
    run = run_at(file)
    grey = run.frame(number)
    return (grey.astype(np.uint8) if run.bits <= 8 else grey.astype("<u2")).tobytes()


@dataclass(frozen=True, eq=False)
class Traced:
    """One view traced.

    Attributes
    ----------
    lumen : Lumen
        Line and edges.
    vessel : Vessel or None
        As this view alone shows it; None while edges are only roughly known.
    look : Looked or None
        What it was measured from.
    """

    lumen: Lumen
    vessel: Vessel | None
    look: Looked | None


def traced(library: Library, case: str, table: RunTable, *, at_once: bool) -> Traced:
    """Return one view traced as it is marked; `at_once` gives rough edges only.

    Raises
    ------
    NotFound, FileFormatError, InputError
        No such run or frame, or marks that cannot be followed.
    """
    if at_once:
        sight, _ = sight_of(run_at(library.run(case, table.file)), table)
        return Traced(seen(sight, at_once=True), None, None)
    look = _look(library, case, table)
    return Traced(look.lumen, measured_single(look.sight, look.lumen), look)


@dataclass(frozen=True, eq=False)
class SecondView:
    """Where in the second view the vessel of the first may lie.

    Attributes
    ----------
    at_mm : tuple of float
        Places along the first view's path [mm at the isocentre].
    first_px : ndarray, shape (n, 2)
        The same places in the first view.
    outlines_px : ndarray, shape (n, k, 2)
        Their bands in the second: outlines, two standard deviations to either side.
    marked : dict of str to ndarray, shape (k, 2)
        The bands of both ends and of the branches marked in the first view, by name.
    """

    at_mm: tuple[float, ...]
    first_px: FloatArray
    outlines_px: FloatArray
    marked: Mapping[str, FloatArray]


def second_view(
    library: Library, case: str, first: RunTable, second: RunTable, errors: ErrorsTable
) -> SecondView:
    """Return the bands of the first view's vessel in the second; ends and branches marked in both narrow them.

    Raises
    ------
    NotFound, FileFormatError, InputError
        No such run or frame, or marks that cannot be followed.
    """
    look = _look(library, case, first)
    other = run_at(library.run(case, second.file))
    views = (look.sight.view, measure.view_of(other, second))
    line, along = look.lumen.line_px, look.lumen.along_px
    ends = {"start": np.array(first.clicks[0]), "end": np.array(first.clicks[-1])}
    named = ends | {branch.name: np.array(branch.at) for branch in first.branch}
    there = {branch.name: np.array(branch.at) for branch in second.branch}
    if second.clicks:
        there["start"] = np.array(second.clicks[0])
    if len(second.clicks) > 1:
        there["end"] = np.array(second.clicks[-1])
    both = [name for name in named if name in there]
    same = tuple(np.array([of[name] for name in both]).reshape(-1, 2) for of in (named, there))
    tags = TagErrors(errors.shift_mm, deg_to_rad(errors.angle_deg), errors.distance_share)
    pick = np.linspace(0, len(line) - 1, PLACES).round().astype(int)
    found = bands(
        views,
        np.concatenate([line[pick], np.array(list(named.values()))]),
        same_px=(same[0], same[1]),
        errors=tags,
    ).outline_px()
    at_mm = along[pick] * look.sight.view.isocentre_mm_per_px
    marked = dict(zip(named, found[len(pick) :], strict=True))
    return SecondView(tuple(float(x) for x in at_mm), line[pick], found[: len(pick)], marked)


def measured_case(library: Library, case: str, document: MeasurementDocument) -> Measured:
    """Return the measurement of runs of a case, with every doubt, believable or not."""
    return measured(document, tuple(_look(library, case, table) for table in document.run))


@dataclass(frozen=True)
class Kept:
    """A measurement kept as the case's vessel.

    Attributes
    ----------
    path, record : str
        Files in the case's folder.
    notes : tuple of str
        What a person must look at now.
    """

    path: str
    record: str
    notes: tuple[str, ...]


def keep(library: Library, case: str, document: MeasurementDocument, *, calcium: Calcium | None) -> Kept:
    """Save path and record into a case and make them its vessel; earlier ones stay in the folder.

    Parameters
    ----------
    library : Library
        Where the case lies.
    case : str
        Its name.
    document : MeasurementDocument
        What to measure; doubts that would stop it must be accepted.
    calcium : Calcium or None
        Of the narrowings found, by the eye: they become the case's lesions, and the device is laid over the
        tightest. None leaves lesions and target as they are.

    Raises
    ------
    OutsideValidity
        It cannot be believed, and was not accepted.
    InputError
        One view makes no path to plan on, or the case does not fit the new path; nothing has changed.
    """
    if len(document.run) < 2:
        raise InputError(
            "one view alone makes no path to plan on: the bends towards and away from the receptor are missing",
            field="run", value=1, allowed="two views",
        )  # fmt: skip
    found = measured_case(library, case, document)
    refuse_unbelievable(found.vessel.remarks, document.accept)
    file, mark = library.file(case), secrets.token_hex(3)
    names = f"measured-{mark}.csv", f"measurement-{mark}.toml"
    try:
        save_measurement(found, file.parent, path=names[0], record=names[1])
        changed, notes = _with_vessel(library.document(case), file.parent, found, names[1], calcium)
        library.change(case, changed)
    except BaseException:
        for name in names:
            (file.parent / name).unlink(missing_ok=True)
        raise
    return Kept(names[0], names[1], notes)


def kept_marks(library: Library, case: str) -> MeasurementDocument | None:
    """Return the marks of the measurement a case stands on, where all of its runs lie in the case."""
    record = library.document(case).vessel.measurement
    if record is None:
        return None
    document = read_measurement(library.file(case).parent / record)
    there = {run.name for run in library.runs(case)}
    return document if all(table.file in there for table in document.run) else None


def add_practice(library: Library, case: str) -> None:
    """Put two invented runs into a case, to practise on, unless they are there."""
    there = {run.name for run in library.runs(case)}
    if {f"{PRACTICE}{name}" for name in NAMES} <= there:
        return
    with tempfile.TemporaryDirectory(prefix=".practice-", dir=library.folder) as holding:
        files = make_phantom(Path(holding) / "runs", seed=PRACTICE_SEED, contrast=FILLING)
        for file in files:
            if file.suffix == ".dcm":
                library.add_run(case, f"{PRACTICE}{file.name}", file)


def _with_vessel(
    case: CaseDocument, folder: Path, found: Measured, record: str, calcium: Calcium | None
) -> tuple[CaseDocument, tuple[str, ...]]:
    result = found.document.result
    assert result is not None
    vessel = VesselTable.model_validate(
        dict(case.vessel) | {"path": None, "axes": None, "measurement": record}
    )
    notes = []
    places = {branch.name: branch.at_mm for branch in result.branch}
    branches = [one.model_copy(update={"at_mm": places.pop(one.name, one.at_mm)}) for one in vessel.branch]
    notes += [
        f"{name} at {at_mm:.1f} mm is not in the table of branches: add it there with its diameter and angle"
        for name, at_mm in places.items()
    ]
    if calcium is None:
        notes.append("lesions and target stand where they stood: check them against the new path")
        return case.model_copy(update={"vessel": vessel.model_copy(update={"branch": branches})}), tuple(
            notes
        )
    lesions = [
        LesionTable(from_mm=round(one.from_mm, 1), to_mm=round(one.to_mm, 1), calcium=calcium)
        for one in result.stenosis
    ]
    target = _over_tightest(case, folder, result.stenosis, result.length_mm)
    if target is not case.target:
        notes.append(
            f"the device now lies from {target.from_mm:.1f} to {target.to_mm:.1f} mm, over the tightest place: check it on Plan"
        )
    return (
        case.model_copy(
            update={
                "vessel": vessel.model_copy(update={"branch": branches, "lesion": lesions}),
                "target": target,
            }
        ),
        tuple(notes),
    )


def _over_tightest(
    case: CaseDocument, folder: Path, stenoses: Sequence[StenosisTable], length_mm: float
) -> TargetTable:
    """Return the target laid over the tightest narrowing, as far as the path has room."""
    device = read_shelf(folder / case.shelf).devices.get(case.target.device)
    if not stenoses or not isinstance(device, OverWireDevice):
        return case.target
    at_mm = min(stenoses, key=lambda one: one.least_diameter_mm).at_mm
    least, most = case.rig.seat_mm + device.working_mm, length_mm - device.nose_mm - 0.5
    to_mm = round(min(max(at_mm + 0.5 * device.working_mm, least), most), 1)
    return case.target.model_copy(update={"from_mm": round(to_mm - device.working_mm, 1), "to_mm": to_mm})


def _look(library: Library, case: str, table: RunTable) -> Looked:
    return _looked(_stamp(library.run(case, table.file)), table.model_dump_json())


def _stamp(file: Path) -> Stamp:
    stat = file.stat()
    return str(file), stat.st_mtime_ns, stat.st_size


@lru_cache(maxsize=8)
def _run(stamp: Stamp) -> Run:
    return read_run(stamp[0])


@lru_cache(maxsize=8)
def _looked(stamp: Stamp, marks: str) -> Looked:
    table = RunTable.model_validate_json(marks)
    run = _run(stamp)
    sight, calibration = sight_of(run, table)
    return Looked(run, sight, calibration, seen(sight))
