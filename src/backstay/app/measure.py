"""Measures a vessel from one or two runs, as a measurement file says, and makes the record that repeats it."""

from __future__ import annotations

import os
import platform
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.atomic import write_atomic
from backstay.adapters.dicom_xa import Run, read_run
from backstay.adapters.measurement_file import (
    BranchAtTable,
    MeasurementDocument,
    RemarkTable,
    ResultTable,
    RunTable,
    StenosisTable,
    UsedTable,
    write_measurement,
)
from backstay.core.imaging.bundle import TagErrors
from backstay.core.imaging.calibration import (
    Calibration,
    catheter_width_px,
    from_catheter,
    from_geometry,
    scale_remarks,
    scaled_view,
)
from backstay.core.imaging.density import density
from backstay.core.imaging.edges import catheter_rows
from backstay.core.imaging.lumen import Lumen
from backstay.core.imaging.measuring import HandEdge, Sight, Vessel, measured_pair, measured_single, seen
from backstay.core.imaging.pairs import Doubt, Remark, spine_remark
from backstay.core.imaging.projection import CONVENTION, View
from backstay.errors import FileFormatError, InputError, OutsideValidity
from backstay.units import deg_to_rad, rad_to_deg

FloatArray = NDArray[np.float64]

PACKAGES = ("backstay", "numpy", "scipy", "scikit-image", "pydicom")
NO_SPINE = Remark(
    Doubt.SPINE_SIDE,
    False,
    "which side of the image the spine is on was not given (spine = left or right): if every angle's sign were reversed, "
    "nothing else would show it",
)
NOMINAL_SID_MM, NOMINAL_SOD_MM = 1000.0, 750.0
"""Where the file and the user say nothing and the scale comes from the catheter; common practice, no source. They set
only how the scale changes with depth."""


@dataclass(frozen=True, eq=False)
class Measured:
    """A measurement and what it was made from.

    Attributes
    ----------
    document : MeasurementDocument
        The record, results included.
    vessel : Vessel
        What was measured.
    runs : tuple of Run
        As read.
    sights : tuple of Sight
        Images and marks.
    """

    document: MeasurementDocument
    vessel: Vessel
    runs: tuple[Run, ...]
    sights: tuple[Sight, ...]


@dataclass(frozen=True, eq=False)
class Looked:
    """One run with what was marked on it, and the lumen found.

    Attributes
    ----------
    run : Run
        As read.
    sight : Sight
        Image and marks.
    calibration : Calibration
        The image's scale.
    lumen : Lumen
        As measured on this image alone.
    """

    run: Run
    sight: Sight
    calibration: Calibration
    lumen: Lumen


def looked(table: RunTable, folder: Path) -> Looked:
    """Return one run traced and measured as its table says."""
    run = run_of(table, folder)
    sight, calibration = sight_of(run, table)
    return Looked(run, sight, calibration, seen(sight))


def measure(document: MeasurementDocument, folder: Path) -> Measured:
    """Return the measurement a document asks for; files are looked for from `folder`.

    Raises
    ------
    NotFound, FileFormatError, InputError
        What is wrong with a file, a tag or a click.
    OutsideValidity
        The measurement cannot be believed (see `accept`).
    """
    found = measured(document, tuple(looked(table, folder) for table in document.run))
    refuse_unbelievable(found.vessel.remarks, document.accept)
    return found


def measured(document: MeasurementDocument, looks: tuple[Looked, ...]) -> Measured:
    """Return the measurement of runs already looked at, with every doubt, believable or not."""
    runs, sights = tuple(look.run for look in looks), tuple(look.sight for look in looks)
    lumens = tuple(look.lumen for look in looks)
    spine = [
        spine_remark(sight.view, table.spine, Path(table.file).name)
        for sight, table in zip(sights, document.run, strict=True)
        if table.spine is not None
    ]
    if len(sights) == 2:
        e = document.errors
        errors = TagErrors(e.shift_mm, deg_to_rad(e.angle_deg), e.distance_share)
        vessel = measured_pair((sights[0], sights[1]), (lumens[0], lumens[1]), errors=errors)
    else:
        vessel = measured_single(sights[0], lumens[0])
    asked = (NO_SPINE,) if vessel.curve is not None and all(t.spine is None for t in document.run) else ()
    vessel = replace(vessel, remarks=(*(r for r in spine if r is not None), *vessel.remarks, *asked))
    scales = [
        remark
        for look, table in zip(looks, document.run, strict=True)
        for remark in scale_remarks(look.calibration, _tagged_scale(look.run, table), Path(table.file).name)
    ]
    vessel = replace(vessel, remarks=(*vessel.remarks, *scales))
    record = _recorded(document, runs, sights, [look.calibration for look in looks], vessel)
    return Measured(record, vessel, runs, sights)


def path_text(measured: Measured) -> str:
    """Return the path file of a measurement."""
    vessel = measured.vessel
    table = np.column_stack([vessel.points_mm, vessel.radius_mm, vessel.radius_sd_mm])
    views = "two views" if vessel.curve is not None else "one view: flat, lengths from below"
    note = f"# measured from {views}; axes are the patient's: x left, y back, z head; where it lies in the room is known to mm only"
    rows = [",".join(f"{value:.4f}" for value in row) for row in np.round(table, 4) + 0.0]
    return "\n".join([note, "x_mm,y_mm,z_mm,radius_mm,radius_sd_mm", *rows]) + "\n"


def save_measurement(
    measured: Measured, folder: Path, *, path: str = "path.csv", record: str = "measurement.toml"
) -> None:
    """Write path and record into a folder that exists, under these names."""
    document = _from_folder(measured, folder)
    result = None if document.result is None else document.result.model_copy(update={"path": path})
    write_atomic(folder / path, path_text(measured))
    write_measurement(folder / record, document.model_copy(update={"result": result}))


def _from_folder(measured: Measured, folder: Path) -> MeasurementDocument:
    """Return the record with the runs named from the folder it will lie in."""
    tables = []
    for run, table in zip(measured.runs, measured.document.run, strict=True):
        tables.append(table.model_copy(update={"file": _relative(run.file, folder)}))
    return measured.document.model_copy(update={"run": tables})


def _relative(file: Path, folder: Path) -> str:
    try:
        return Path(os.path.relpath(file.resolve(), folder.resolve())).as_posix()
    except ValueError:
        # Another drive.
        return file.resolve().as_posix()


def run_of(table: RunTable, folder: Path) -> Run:
    """Return the run a table names, the same file as when its record was made.

    Raises
    ------
    NotFound, FileFormatError
        There is none, it cannot be read, or it is another.
    """
    run = read_run(folder / table.file)
    if table.sha256 is not None and table.sha256 != run.sha256:
        raise FileFormatError(
            "this is not the run the record was made from", field="run.sha256", value=run.sha256[:12],
            allowed=table.sha256[:12] + "...", where=str(run.file),
        )  # fmt: skip
    return run


def sight_of(run: Run, table: RunTable) -> tuple[Sight, Calibration]:
    """Return image and marks of a run, and the image's scale."""
    dark = density_of(run, table.frame)
    view, missing = _view(run, table)
    calibration = _calibration(run, table, dark, view, missing)
    view = scaled_view(view, calibration)
    return Sight(
        dark, view, np.array(table.clicks),
        np.array([b.at for b in sorted(table.branch, key=lambda b: b.name)]).reshape(-1, 2),
        None if table.drawn is None else np.array(table.drawn),
        tuple(HandEdge(np.array(e.left), np.array(e.right)) for e in table.edge),
        calibration.sd_share, table.spine,
    ), calibration  # fmt: skip


def view_of(run: Run, table: RunTable) -> View:
    """Return the view of a run at its scale, whether or not anything is marked along the vessel yet."""
    view, missing = _view(run, table)
    return scaled_view(view, _calibration(run, table, density_of(run, table.frame), view, missing))


def density_of(run: Run, number: int) -> FloatArray:
    """Return the contrast density of one frame, counted from 1, the shutters' cover left out."""
    frame = run.frame(number)
    dark = density(frame, intensity=run.intensity, most=run.most, inverted=run.inverted)
    if run.shutter is not None:
        top, bottom, left, right = run.shutter
        inside = dark[top : bottom + 1, left : right + 1]
        dark = np.pad(inside, ((top, run.rows - 1 - bottom), (left, run.columns - 1 - right)), mode="edge")
    return dark


def _view(run: Run, table: RunTable) -> tuple[View, list[str]]:
    """Return the view by tags and by what the user set, and what neither says."""
    g, k = run.geometry, table.frame - 1
    values = {
        "primary_deg": table.primary_deg if table.primary_deg is not None else float(g.primary_deg[k]),
        "secondary_deg": table.secondary_deg
        if table.secondary_deg is not None
        else float(g.secondary_deg[k]),
        "sid_mm": table.sid_mm or g.sid_mm,
        "isocentre_mm": table.isocentre_mm or g.sod_mm,
        "row_mm": table.pixel_mm or g.row_mm,
        "column_mm": table.pixel_mm or g.column_mm,
    }
    missing = [name for name, value in values.items() if not np.isfinite(value)]
    nominal = {
        "primary_deg": 0.0, "secondary_deg": 0.0, "sid_mm": NOMINAL_SID_MM, "isocentre_mm": NOMINAL_SOD_MM,
        "row_mm": 0.2, "column_mm": 0.2,
    }  # fmt: skip
    full = {name: nominal[name] if name in missing else value for name, value in values.items()}
    if full["isocentre_mm"] >= full["sid_mm"]:
        raise InputError(
            "the isocentre lies beyond the receptor", field="isocentre_mm", value=full["isocentre_mm"],
            allowed=f"less than sid_mm = {full['sid_mm']:g}", where=str(run.file),
        )  # fmt: skip
    view = View(
        deg_to_rad(full["primary_deg"]), deg_to_rad(full["secondary_deg"]), full["sid_mm"], full["isocentre_mm"],
        full["row_mm"], full["column_mm"], run.rows, run.columns, np.zeros(3), g.quarter_turns, g.mirrored,
    )  # fmt: skip
    return view, missing


def _calibration(run: Run, table: RunTable, dark: FloatArray, view: View, missing: list[str]) -> Calibration:
    if table.catheter is not None:
        fits = catheter_rows(dark, np.array(table.catheter.clicks))
        wide, sd = catheter_width_px(fits)
        return from_catheter(wide, size_fr=table.catheter.size_fr, diameter_sd_px=sd)
    lost = [name for name in ("sid_mm", "isocentre_mm", "row_mm") if name in missing]
    if lost:
        names = ", ".join("pixel_mm" if name == "row_mm" else name for name in lost)
        raise InputError(
            "the file does not give the scale", field=f"run.{names}", where=str(run.file),
            allowed="set it for the run, or mark the guide catheter (catheter = { size_fr, clicks })",
        )  # fmt: skip
    return from_geometry(view, source_is_guess=_scale_is_guess(run, table))


def _tagged_scale(run: Run, table: RunTable) -> Calibration | None:
    """Return the scale by tags and by what the user set; None where they do not give it."""
    view, missing = _view(run, table)
    if {"sid_mm", "isocentre_mm", "row_mm"} & set(missing):
        return None
    return from_geometry(view, source_is_guess=_scale_is_guess(run, table))


def _scale_is_guess(run: Run, table: RunTable) -> bool:
    guess = run.geometry.sod_is_guess and table.isocentre_mm is None
    return guess or (run.geometry.spacing_is_guess and table.pixel_mm is None)


def refuse_unbelievable(remarks: tuple[Remark, ...], accept: list[str]) -> None:
    """Refuse what cannot be believed and was not accepted.

    Raises
    ------
    OutsideValidity
        Naming the first doubt, and how it is accepted.
    """
    for remark in remarks:
        if remark.stops and remark.doubt.value not in accept:
            raise OutsideValidity(
                remark.text, field="accept", value=None,
                allowed=f'a measurement without this doubt; accept = ["{remark.doubt.value}"] takes it all the same',
            )  # fmt: skip


def _recorded(
    document: MeasurementDocument,
    runs: tuple[Run, ...],
    sights: tuple[Sight, ...],
    calibrations: list[Calibration],
    vessel: Vessel,
) -> MeasurementDocument:
    tables = [t.model_copy(update={"sha256": run.sha256}) for t, run in zip(document.run, runs, strict=True)]
    names = sorted(branch.name for branch in document.run[0].branch)
    curve = vessel.curve
    bend = None if curve is None else float(np.trapezoid(vessel.curvature_per_mm, vessel.s_mm))
    result = ResultTable(
        path="path.csv",
        views=len(runs),
        length_mm=_r(vessel.length_mm),
        length_sd_mm=_r(vessel.length_sd_mm),
        longest_mm=_r(vessel.longest_mm),
        bend_deg=None if bend is None else _r(rad_to_deg(bend)),
        curvature_sd_percent=None if curve is None else _r(_curvature_sd_percent(vessel)),
        residual_px=None if curve is None else _r(curve.residual_px),
        shift_mm=None if curve is None else [_r(x) for x in curve.shift_mm],
        convention=CONVENTION,
        set_by_hand=_by_hand(document),
        used=[_used(k, runs[k], sights[k], calibrations[k], vessel) for k in range(len(runs))],
        stenosis=[
            StenosisTable(**{name: _r(getattr(s, name)) for name in StenosisTable.model_fields})
            for s in vessel.stenoses
        ],
        branch=[
            BranchAtTable(name=n, at_mm=_r(a)) for n, a in zip(names, vessel.landmarks_at_mm, strict=True)
        ],
        remark=[RemarkTable(doubt=r.doubt.value, stops=r.stops, text=r.text) for r in vessel.remarks],
        versions={"python": platform.python_version(), **{name: version(name) for name in PACKAGES}},
    )
    return document.model_copy(update={"run": tables, "result": result})


def _curvature_sd_percent(vessel: Vessel) -> float:
    return 100.0 * float(np.mean(vessel.curvature_sd_per_mm) / np.mean(vessel.curvature_per_mm))


def _used(k: int, run: Run, sight: Sight, calibration: Calibration, vessel: Vessel) -> UsedTable:
    view, turns = sight.view, np.zeros(4) if vessel.curve is None else vessel.curve.angles_rad
    return UsedTable(
        primary_deg=_r(rad_to_deg(view.primary_rad)), secondary_deg=_r(rad_to_deg(view.secondary_rad)),
        sid_mm=_r(view.sid_mm), isocentre_mm=_r(view.sod_mm), pixel_mm=_r(view.row_mm, 6),
        calibration=calibration.kind.value, mm_per_px=_r(calibration.mm_per_px, 6),
        scale_sd_percent=_r(100.0 * calibration.sd_share), intensity=run.intensity.value,
        blur_px=_r(vessel.lumens[k].blur_px),
        primary_correction_deg=_r(rad_to_deg(float(turns[2 * k]))),
        secondary_correction_deg=_r(rad_to_deg(float(turns[2 * k + 1]))), remark=list(run.remarks),
    )  # fmt: skip


def _by_hand(document: MeasurementDocument) -> list[str]:
    found = []
    for k, table in enumerate(document.run, 1):
        if table.drawn is not None:
            found.append(f"run {k}: path drawn")
        if table.edge:
            found.append(f"run {k}: edges at {len(table.edge)} places")
        for name in ("primary_deg", "secondary_deg", "sid_mm", "isocentre_mm", "pixel_mm"):
            if getattr(table, name) is not None:
                found.append(f"run {k}: {name} in place of the tag")
    return found


def _r(value: float, digits: int = 4) -> float:
    """Return a number rounded as it is written, so that a record and its repetition read the same."""
    return round(float(value), digits) + 0.0
