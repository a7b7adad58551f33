"""From a record to attempts the model understands: what was in place, on which vessel, and why one cannot count."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from backstay.adapters.path_file import load_path
from backstay.app.loading import LoadedCase
from backstay.app.safety.setting import rig_now
from backstay.core.inference.attempts import Attempt, AttemptModel
from backstay.core.record.entries import Entry
from backstay.core.record.lesions import lesions_after, tears
from backstay.core.record.state import moves_in_place
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.devices import Balloon, Extension, Guide, OverWireDevice, Wire
from backstay.core.rigging.moves import Alternative
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.core.safety.now import Now, after
from backstay.errors import InputError
from backstay.identifiers import BodyItem, EventKind, LimitedBy, MoveId, Pushed

MOST_LISTED = 400
"""Enough to find a rig by its name whatever the shelf."""


@dataclass(frozen=True)
class Standing:
    """The vessel and the rig at one moment of a record."""

    case: LoadedCase
    now: Now
    path_sha256: str
    anatomy: int = 0


@dataclass(frozen=True)
class Tried:
    """One attempt of a record.

    Attributes
    ----------
    entry : Entry
        As recorded.
    attempt : Attempt
        As the model takes it; its rig names the problem it is solved as.
    at : Standing
        The vessel and the rig as they then were.
    alternative : Alternative or None
        What was in place and what was pushed.
    left_out : str
        Why nothing can be learnt from it; "" where it counts.
    """

    entry: Entry
    attempt: Attempt
    at: Standing
    alternative: Alternative | None
    left_out: str = ""


def as_it_stands(case: LoadedCase, entries: Sequence[Entry]) -> LoadedCase:
    """Return the case with its lesions as a record leaves them."""
    return replace(case, lesions=tried(case, entries)[1].case.lesions)


def path_sha256(case: LoadedCase) -> str:
    """Return the digest of the path file the case was read with."""
    return _sha256(case.inputs[1])


def _sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def tried(case: LoadedCase, entries: Sequence[Entry]) -> tuple[list[Tried], Standing]:
    """Return the attempts of a record by time, and where the case stands after them.

    Parameters
    ----------
    case : LoadedCase
        The case as its file says.
    entries : sequence of Entry
        What stands of its record, by time.
    """
    begun = Now() if any(e.kind is EventKind.GUIDE_IN for e in entries) else rig_now(case.rig)
    sha = path_sha256(case)
    at = Standing(case, begun, sha)
    kinds = {device.id: device.kind for device in case.shelf.devices.values()}
    places = {branch.name: branch.at_mm for branch in case.branches}
    found: list[Tried] = []
    for entry in entries:
        if entry.kind is EventKind.ATTEMPT:
            at = _on_its_path(at, case, entry, first=not found)
            found.append(_one(at, entry))
            made = found[-1].alternative
            if made is not None and entry.text("rig") is not None:
                at = replace(at, case=replace(at.case, lesions=made.lesions))
        at = _changed(at, entry)
        at = replace(at, now=after(at.now, entry, kinds, branch_at_mm=places))
    if at.path_sha256 != sha:
        at = _onto(at, case, sha)
    return found, at


def _on_its_path(at: Standing, case: LoadedCase, entry: Entry, *, first: bool) -> Standing:
    """Return where the case stood on the path an attempt was made with."""
    sha = entry.text("path_sha256")
    if sha is None or sha == at.path_sha256:
        return at
    if sha == path_sha256(case):
        return _onto(at, case, sha)
    for file in sorted(case.inputs[1].parent.glob("*.csv")):
        if _sha256(file) == sha:
            then = replace(case, path=load_path(file).path)
            return _onto(at, then, sha) if not first else replace(at, case=then, path_sha256=sha)
    # The path is gone: whatever was tried on it stands apart from what comes after.
    return replace(at, path_sha256=sha, anatomy=at.anatomy if first else at.anatomy + 1)


def _onto(at: Standing, case: LoadedCase, sha: str) -> Standing:
    """Return the same moment on another path: the lesions are what was done to them, the vessel is seen anew."""
    done = at.case.lesions if len(at.case.lesions) == len(case.lesions) else case.lesions
    return replace(
        at,
        case=replace(
            case,
            lesions=tuple(
                replace(new, prepared=old.prepared, dissected=old.dissected)
                for new, old in zip(case.lesions, done, strict=True)
            ),
        ),
        path_sha256=sha,
        anatomy=at.anatomy + 1,
    )


def _changed(at: Standing, entry: Entry) -> Standing:
    """Return where the case stands after an event that changes the vessel."""
    lesions = lesions_after([entry], at.case.lesions, at.case.shelf.devices)
    return replace(at, case=replace(at.case, lesions=lesions), anatomy=at.anatomy + tears(entry))


def _one(at: Standing, entry: Entry) -> Tried:
    """Return one attempt, understood or with the reason why not."""
    limited, push = entry.text("limited_by"), entry.text("push")
    attempt = Attempt(
        entry.id,
        "",
        entry.text("outcome") == "reached",
        entry.number("stopped_at_mm"),
        None if limited is None else LimitedBy(limited),
        None if push is None else Pushed(push),
        at.anatomy,
    )
    if _sha_lost(at):
        return Tried(entry, attempt, at, None, "the path file it was made with is gone or has changed")
    try:
        made = _in_place(at, entry)
    except InputError as error:
        return Tried(entry, attempt, at, None, str(error))
    lands_mm, stopped_mm = made.device.landing_tip_mm(at.case.target_to_mm), attempt.stopped_at_mm
    beyond_mm = lands_mm + 1.0 - at.case.path.length_mm
    if beyond_mm > 0.0:
        return Tried(
            entry, attempt, at, None, f"its tip would lie {beyond_mm:.0f} mm beyond the end of the path"
        )
    low_mm, high_mm = stops_mm(made, at.case)
    if stopped_mm is not None and not low_mm <= stopped_mm <= high_mm:
        why = f"it stopped at {stopped_mm:g} mm, and its tip goes from the guide's at {made.rig.seat_mm:g} to {lands_mm:.1f} mm"
        return Tried(entry, attempt, at, None, why)
    return Tried(entry, attempt, at, made)


def stops_mm(made: Alternative, case: LoadedCase) -> tuple[float, float]:
    """Return between which places a device's tip can be said to have stopped [mm from the ostium].

    From the guide's tip to where the device lands, and as far beyond both as places are misread: three times their error.
    """
    off_mm = 3.0 * AttemptModel().place_sd_mm
    return max(made.rig.seat_mm - off_mm, 0.0), made.device.landing_tip_mm(case.target_to_mm) + off_mm


def _sha_lost(at: Standing) -> bool:
    return not any(_sha256(f) == at.path_sha256 for f in at.case.inputs[1].parent.glob("*.csv"))


def options_at(case: LoadedCase, most: int = MOST_LISTED) -> tuple[Alternative, ...]:
    """Return what could be tried from the case's rig on the vessel as it is."""
    return alternatives(
        case.rig,
        case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
        most=most,
    )


def _in_place(at: Standing, entry: Entry) -> Alternative:
    """Return what was in place: by the name the plan gives it, else as the record has it, else by its moves."""
    case, name = at.case, entry.text("rig")
    options = options_at(case)
    if name is not None:
        found = next((one for one in options if one.id == name), None)
        if found is None:
            raise InputError("the plan of this case has no such rig", field="rig", value=name)
        return _with_device(found, case, str(entry.text("device")))
    moves = {MoveId(move) for move in entry.values.get("moves", [])} - {MoveId.AS_IT_IS}
    if moves <= set(moves_in_place(at.now)):
        rig = _rig_from(at.now, case)
        return _with_device(replace(options[0], rig=rig), case, str(entry.text("device")))
    found = next((one for one in options if set(one.moves) == moves), None)
    if found is None:
        raise InputError(
            "the record does not say what was in place", field="moves", value=", ".join(sorted(moves))
        )
    return _with_device(found, case, str(entry.text("device")))


def _with_device(made: Alternative, case: LoadedCase, device: str) -> Alternative:
    if device == made.device.id:
        return made
    pushed = case.shelf.devices.get(device)
    if not isinstance(pushed, OverWireDevice):
        raise InputError("not a device of the shelf that runs over a wire", field="device", value=device)
    return replace(made, device=pushed)


def _rig_from(now: Now, case: LoadedCase) -> Rig:
    """Return the rig that a record has in place; what it does not say is as in the case file."""
    devices, rig = case.shelf.devices, case.rig

    def of(item: BodyItem, kind: type) -> list[tuple[object, object]]:
        return [(devices[x.device], x) for x in now.of(item) if isinstance(devices.get(x.device), kind)]

    guides = [d for d, _ in of(BodyItem.GUIDE, Guide)]
    wires = {
        role: [devices[x.device] for x in now.wires(role) if isinstance(devices.get(x.device), Wire)]
        for role in ("rail", "buddy")
    }
    tubes = [d for d, _ in of(BodyItem.EXTENSION, Extension)]
    guide = guides[0] if guides else rig.guide
    rail = wires["rail"][0] if wires["rail"] else rig.rail
    return Rig(
        access=rig.access,
        guide=guide,  # type: ignore[arg-type]  # filtered by kind
        rail=rail,  # type: ignore[arg-type]
        seat_mm=now.seat_mm,
        extension=tubes[0] if tubes else None,  # type: ignore[arg-type]
        extension_depth_mm=(now.extension_depth_mm or 0.0) if tubes else 0.0,
        buddies=tuple(wires["buddy"]),  # type: ignore[arg-type]
        anchor=_anchor(now, case),
        trapped=_trapped(now, case),
    )


def _anchor(now: Now, case: LoadedCase) -> Anchor | None:
    for one in now.of(BodyItem.ANCHOR_BALLOON):
        balloon = case.shelf.devices.get(one.device)
        branch = next((b for b in case.branches if b.name == one.branch), None)
        if isinstance(balloon, Balloon) and branch is not None:
            return Anchor(balloon, branch.name, branch.at_mm, branch.diameter_mm, balloon.nominal_atm)
    return None


def _trapped(now: Now, case: LoadedCase) -> TrappedWire | None:
    for one in now.of(BodyItem.TRAPPED_WIRE):
        wire = case.shelf.devices.get(one.device)
        if isinstance(wire, Wire) and one.from_mm is not None and one.to_mm is not None:
            return TrappedWire(wire, one.from_mm, one.to_mm)
    return None
