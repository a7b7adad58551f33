"""A case as the rest of the program sees it: file, path and shelf read, and checked against each other.

Files named in a case file are looked for from its folder. A name may lead anywhere the user may read: whoever
runs the command line can read those files anyhow. A server must not hand a stranger's case to `load_case`.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from backstay.adapters.case_file import (
    ROUTES,
    AnticoagulationTable,
    AortaTable,
    CaseDocument,
    FlowTable,
    LimitsTable,
    PatientTable,
    RigTable,
    TimeOutTable,
    VesselTable,
    WeightsTable,
    read_case,
)
from backstay.adapters.measurement_file import read_measurement
from backstay.adapters.path_file import load_path
from backstay.adapters.priors_file import read_priors
from backstay.adapters.shelf_file import read_shelf
from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.anatomy.smoothing import Smoothed
from backstay.core.inference.draws import DEFAULT_DRAWS, with_overrides
from backstay.core.rigging.devices import (
    AccessRoute,
    Balloon,
    Device,
    Extension,
    Guide,
    OverWireDevice,
    Shelf,
    Stent,
    Wire,
)
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import Calcium

# A span typed to the whole millimetre differs from a device's working length by rounding alone.
ROUNDING_MM = 1.0
# Guides are seldom seated deeper; common practice, no source.
DEEP_SEAT_MM = 25.0

DeviceT = TypeVar("DeviceT", bound=Device)


@dataclass(frozen=True)
class LoadedCase:
    """A case, its path and its shelf, checked against each other.

    Attributes
    ----------
    smoothed : Smoothed
        The path and what smoothing changed.
    path : LumenPath
        The whole vessel, from the ostium.
    device : OverWireDevice
        What is to land with its working section between `target_from_mm` and `target_to_mm`.
    draw_overrides, way_back_overrides : dict of str to (float, float)
        Median and spread of the uncertain inputs the case changes: of the way in, and of those only the way back out has.
    warnings : tuple of str
        What is allowed and yet looks wrong.
    vessel, flow : VesselTable, FlowTable
        What the file says of the vessel, its lesions and branches, and of flow and pressures.
    file : Path
        The case file.
    inputs : tuple of Path
        Every file that was read: case, path, shelf.
    """

    title: str
    invented: bool
    vessel_name: str
    smoothed: Smoothed
    path: LumenPath
    lesions: tuple[Lesion, ...]
    branches: tuple[Branch, ...]
    rig: Rig
    device: OverWireDevice
    target_from_mm: float
    target_to_mm: float
    shelf: Shelf
    limits: LimitsTable
    weights: WeightsTable
    patient: PatientTable
    vessel: VesselTable
    flow: FlowTable
    anticoagulation: AnticoagulationTable
    time_out: TimeOutTable
    aorta: AortaTable
    holds_file: Path | None
    protocol_file: Path | None
    draw_overrides: dict[str, tuple[float, float]]
    way_back_overrides: dict[str, tuple[float, float]]
    warnings: tuple[str, ...]
    file: Path
    inputs: tuple[Path, ...]


def load_case(file: str | Path) -> LoadedCase:
    """Return a case with everything it names.

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming the file, the key, the value and what is allowed.
    """
    file = Path(file)
    case = read_case(file)
    path_file = _path_file(file, case.vessel)
    shelf_file = _beside(file, case.shelf, "shelf")
    smoothed, shelf = load_path(path_file), read_shelf(shelf_file)
    try:
        return joined(case, smoothed, shelf, (file, path_file, shelf_file))
    except InputError as error:
        if error.where:
            raise
        raise type(error)(
            error.message, field=error.field, value=error.value, allowed=error.allowed, where=str(file)
        ) from None


def _path_file(file: Path, vessel: VesselTable) -> Path:
    """Return the path file of a case, by name or by its measurement record."""
    if vessel.path is not None:
        return _beside(file, vessel.path, "vessel.path")
    record_file = _beside(file, str(vessel.measurement), "vessel.measurement")
    result = read_measurement(record_file).result
    if result is None:
        raise FileFormatError(
            "this measurement has not been made yet",
            field="result",
            allowed="a record written by backstay measure",
            where=str(record_file),
        )
    if result.views < 2:
        raise InputError(
            "measured from one view: the bends towards and away from the receptor are missing",
            field="result.views",
            value=result.views,
            allowed="2",
            where=str(record_file),
        )
    return _beside(record_file, result.path, "result.path")


def _beside(file: Path, name: str, field: str) -> Path:
    found = file.parent / name
    if not found.exists():
        raise NotFound(
            "no such file",
            field=field,
            value=name,
            allowed=f"a file, looked for as {found}",
            where=str(file),
        )
    return found


def joined(case: CaseDocument, smoothed: Smoothed, shelf: Shelf, files: tuple[Path, ...]) -> LoadedCase:
    """Return a case file's values with its path and shelf, checked against each other; `files` as `LoadedCase.inputs`."""
    path = smoothed.path
    lesions, branches = _lesions(case, path.length_mm), _branches(case, path.length_mm)
    rig = _rig(case, shelf, branches, path.length_mm)
    device = _pick(shelf, case.target.device, OverWireDevice, "target.device", "balloon, stent, ...")
    _check_target(case, device, path.length_mm)
    overrides, back = _overrides(case)
    holds = None if case.holds is None else _beside(files[0], case.holds, "holds")
    priors_file = None if case.priors is None else _beside(files[0], case.priors, "priors")
    if priors_file is not None:
        hardest = hardest_of(lesions, case.target.to_mm)
        told = read_priors(priors_file).overrides(hardest)
        _refuse_unknown(told, priors_file)
        overrides = told | overrides
    return LoadedCase(
        title=case.title,
        invented=case.invented,
        vessel_name=case.vessel.name,
        smoothed=smoothed,
        path=path,
        lesions=lesions,
        branches=branches,
        rig=rig,
        device=device,
        target_from_mm=case.target.from_mm,
        target_to_mm=case.target.to_mm,
        shelf=shelf,
        limits=case.limits,
        weights=case.weights,
        patient=case.patient,
        vessel=case.vessel,
        flow=case.flow,
        anticoagulation=case.anticoagulation,
        time_out=case.time_out,
        aorta=case.aorta,
        holds_file=holds,
        protocol_file=None if case.protocol is None else _beside(files[0], case.protocol, "protocol"),
        draw_overrides=overrides,
        way_back_overrides=back,
        warnings=(*smoothed.warnings, *_warnings(case, rig, device)),
        file=files[0],
        inputs=(*files, *(one for one in (holds, priors_file) if one is not None and one not in files)),
    )


def _within(value_mm: float, length_mm: float, field: str) -> None:
    if value_mm > length_mm:
        raise InputError(
            "beyond the end of the path", field=field, value=value_mm, allowed=f"0 to {length_mm:.1f} mm"
        )


def _lesions(case: CaseDocument, length_mm: float) -> tuple[Lesion, ...]:
    for k, lesion in enumerate(case.vessel.lesion):
        _within(lesion.to_mm, length_mm, f"vessel.lesion#{k + 1}.to_mm")
        for side in ("proximal", "distal"):
            zone = None if lesion.imaging is None else getattr(lesion.imaging, side)
            if zone is not None and zone.at_mm is not None:
                _within(zone.at_mm, length_mm, f"vessel.lesion#{k + 1}.imaging.{side}.at_mm")
    return tuple(
        Lesion(
            from_mm=lesion.from_mm,
            to_mm=lesion.to_mm,
            calcium=lesion.calcium,
            prepared=tuple(lesion.prepared),
            dissected=lesion.torn,
        )
        for lesion in case.vessel.lesion
    )


def _branches(case: CaseDocument, length_mm: float) -> tuple[Branch, ...]:
    for k, branch in enumerate(case.vessel.branch):
        _within(branch.at_mm, length_mm, f"vessel.branch#{k + 1}.at_mm")
    return tuple(
        Branch(
            name=branch.name,
            at_mm=branch.at_mm,
            diameter_mm=branch.diameter_mm,
            angle_rad=math.radians(branch.angle_deg),
        )
        for branch in case.vessel.branch
    )


def _pick(shelf: Shelf, name: str, kind: type[DeviceT], field: str, words: str) -> DeviceT:
    """Return a device of the shelf by id; refuse an unknown id, and a device of another kind."""
    fitting = [device.id for device in shelf.devices.values() if isinstance(device, kind)]
    device = shelf.devices.get(name)
    if device is None:
        near = difflib.get_close_matches(name, fitting, n=1)
        hint = f", did you mean {near[0]}?" if near else ""
        raise NotFound(
            f"not on the shelf{hint}", field=field, value=name, allowed=", ".join(fitting) or "none"
        )
    if not isinstance(device, kind):
        raise InputError(
            f"this is a {device.kind.value}, not a {words}",
            field=field,
            value=name,
            allowed=", ".join(fitting) or "none",
        )
    return device


def _rig(case: CaseDocument, shelf: Shelf, branches: tuple[Branch, ...], length_mm: float) -> Rig:
    table = case.rig
    guide = _pick(shelf, table.guide, Guide, "rig.guide", "guide")
    if case.access.sheath_fr < guide.size_fr:
        raise InputError(
            f"the sheath is smaller than the guide ({guide.size_fr:g} Fr)",
            field="access.sheath_fr",
            value=case.access.sheath_fr,
            allowed=f"at least {guide.size_fr:g}",
        )
    _within(table.seat_mm, length_mm, "rig.seat_mm")
    wires = [_pick(shelf, name, Wire, f"rig.wires#{k + 1}", "wire") for k, name in enumerate(table.wires)]
    extension, depth_mm = _extension(table, shelf, length_mm)
    return Rig(
        access=AccessRoute(ROUTES[case.access.route], case.access.sheath_fr),
        guide=guide,
        rail=wires[0],
        seat_mm=table.seat_mm,
        extension=extension,
        extension_depth_mm=depth_mm,
        buddies=tuple(wires[1:]),
        anchor=_anchor(table, shelf, branches),
        trapped=_trapped(table, shelf, length_mm),
    )


def _extension(table: RigTable, shelf: Shelf, length_mm: float) -> tuple[Extension | None, float]:
    entry = table.extension
    if entry is None:
        return None, 0.0
    extension = _pick(shelf, entry.device, Extension, "rig.extension.device", "guide extension")
    limit_mm = min(length_mm, table.seat_mm + extension.tube_length_mm)
    if not table.seat_mm <= entry.depth_mm <= limit_mm:
        raise InputError(
            "the extension's tip must stand beyond the guide's tip, its collar still inside the guide",
            field="rig.extension.depth_mm",
            value=entry.depth_mm,
            allowed=f"{table.seat_mm:g} to {limit_mm:g} mm",
        )
    return extension, entry.depth_mm


def _anchor(table: RigTable, shelf: Shelf, branches: tuple[Branch, ...]) -> Anchor | None:
    entry = table.anchor
    if entry is None:
        return None
    balloon = _pick(shelf, entry.device, Balloon, "rig.anchor.device", "balloon")
    branch = next((b for b in branches if b.name == entry.branch), None)
    if branch is None:
        names = ", ".join(b.name for b in branches) or "none: the vessel has no branches"
        raise NotFound("no such branch", field="rig.anchor.branch", value=entry.branch, allowed=names)
    if entry.pressure_atm > balloon.rated_burst_atm:
        raise InputError(
            "above the balloon's rated burst pressure",
            field="rig.anchor.pressure_atm",
            value=entry.pressure_atm,
            allowed=f"at most {balloon.rated_burst_atm:g} atm",
        )
    return Anchor(balloon, branch.name, branch.at_mm, branch.diameter_mm, entry.pressure_atm)


def _trapped(table: RigTable, shelf: Shelf, length_mm: float) -> TrappedWire | None:
    entry = table.trapped
    if entry is None:
        return None
    wire = _pick(shelf, entry.device, Wire, "rig.trapped.device", "wire")
    _within(entry.to_mm, length_mm, "rig.trapped.to_mm")
    return TrappedWire(wire, entry.from_mm, entry.to_mm)


def _check_target(case: CaseDocument, device: OverWireDevice, length_mm: float) -> None:
    target = case.target
    _within(target.to_mm, length_mm, "target.to_mm")
    tip_mm = device.landing_tip_mm(target.to_mm)
    if tip_mm > length_mm:
        raise InputError(
            f"no room for the device's nose ({device.nose_mm:g} mm): the path ends at {length_mm:.1f} mm",
            field="target.to_mm",
            value=target.to_mm,
            allowed=f"at most {length_mm - device.nose_mm:.1f} mm, or a path measured further",
        )
    room_mm = target.to_mm - case.rig.seat_mm
    if device.working_mm > room_mm:
        raise InputError(
            f"the device ({device.working_mm:g} mm) would still be in the guide with its front edge there",
            field="target.to_mm",
            value=target.to_mm,
            allowed=f"at least {case.rig.seat_mm + device.working_mm:g} mm, or a shorter device",
        )


def hardest_of(lesions: Sequence[Lesion], to_mm: float) -> Calcium:
    """Return the class of calcium of the hardest lesion on the way to a place."""
    order = list(Calcium)
    return max((one.calcium for one in lesions if one.from_mm < to_mm), key=order.index, default=Calcium.NONE)


def hardest_on_the_way(case: LoadedCase) -> Calcium:
    """Return the class of calcium of the hardest lesion on the way to the target."""
    return hardest_of(case.lesions, case.target_to_mm)


def _refuse_unknown(told: dict[str, tuple[float, float]], file: Path) -> None:
    try:
        with_overrides(DEFAULT_DRAWS, told)
    except InputError as error:
        raise type(error)(
            error.message, field=error.field, value=error.value, allowed=error.allowed, where=str(file)
        ) from None


def _overrides(case: CaseDocument) -> tuple[dict[str, tuple[float, float]], dict[str, tuple[float, float]]]:
    """Return what the case changes of the uncertain inputs: of the way in, and of the way back."""
    names = [spec.name for spec in (*DEFAULT_DRAWS, *WAY_BACK_DRAWS)]
    for name in case.draws:
        if name not in names:
            near = difflib.get_close_matches(name, names, n=1)
            hint = f", did you mean {near[0]}?" if near else ""
            raise FileFormatError(
                f"no such uncertain input{hint}", field=f"draws.{name}", allowed=", ".join(names)
            )
    overrides = {name: (entry.median, entry.spread) for name, entry in case.draws.items()}
    back = {spec.name: overrides.pop(spec.name) for spec in WAY_BACK_DRAWS if spec.name in overrides}
    with_overrides(DEFAULT_DRAWS, overrides)
    with_overrides(WAY_BACK_DRAWS, back)
    return overrides, back


def _warnings(case: CaseDocument, rig: Rig, device: OverWireDevice) -> list[str]:
    """Return what is allowed and yet looks wrong, in the order of the file."""
    found = []
    if rig.seat_mm > DEEP_SEAT_MM:
        found.append(
            f"The guide is seated {rig.seat_mm:.0f} mm deep; that is further than guides usually go."
        )
    if not case.vessel.lesion:
        found.append("No lesion is described: nothing in the vessel resists crossing.")
    return found + _target_warnings(case, device) + _extension_warnings(case, rig)


def _target_warnings(case: CaseDocument, device: OverWireDevice) -> list[str]:
    target, found = case.target, []
    excess_mm = device.working_mm - (target.to_mm - target.from_mm)
    if excess_mm > ROUNDING_MM:
        found.append(
            f"{device.name} is {excess_mm:.0f} mm longer than the target: with its front edge at "
            f"{target.to_mm:.0f} mm it begins at {target.to_mm - device.working_mm:.0f} mm."
        )
    elif excess_mm < -ROUNDING_MM:
        found.append(f"{device.name} is {-excess_mm:.0f} mm shorter than the target and does not cover it.")
    touched = [x for x in case.vessel.lesion if x.from_mm < target.to_mm and target.from_mm < x.to_mm]
    if case.vessel.lesion and not touched:
        found.append("The target touches no lesion.")
    for lesion in touched:
        if isinstance(device, Stent) and (lesion.from_mm < target.from_mm or lesion.to_mm > target.to_mm):
            found.append(
                f"The target ({target.from_mm:.0f} to {target.to_mm:.0f} mm) does not cover the lesion from "
                f"{lesion.from_mm:.0f} to {lesion.to_mm:.0f} mm."
            )
    return found


def _extension_warnings(case: CaseDocument, rig: Rig) -> list[str]:
    if rig.extension is None:
        return []
    depth_mm, found = rig.extension_depth_mm, []
    if depth_mm > case.target.from_mm:
        found.append(
            f"The extension's tip, at {depth_mm:.0f} mm, stands beyond the target's beginning: draw it back "
            "before the device is opened."
        )
    if any(depth_mm > lesion.to_mm for lesion in case.vessel.lesion):
        found.append("The extension is deeper than a lesion; it must have passed it to stand there.")
    return found
