"""Rig and lesions as they stood at a moment of a record, for the model to answer for."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.record.entries import Entry
from backstay.core.record.lesions import lesions_after
from backstay.core.rigging.devices import Balloon, Extension, Guide, Shelf, Wire
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.core.safety.body import Now
from backstay.identifiers import BodyItem, EventKind


@dataclass(frozen=True)
class Setup:
    """What stood in place at a moment.

    Attributes
    ----------
    rig : Rig
        Guide, wires, extension, anchor, trapped wire.
    lesions : tuple of Lesion
        With what had been done to them.
    left_out : tuple of str
        What the record has and the model does not: devices not on the shelf, an anchor in no branch.
    """

    rig: Rig
    lesions: tuple[Lesion, ...]
    left_out: tuple[str, ...] = ()


def setup_at(
    now: Now,
    entries: Iterable[Entry],
    *,
    rig: Rig,
    lesions: Sequence[Lesion],
    branches: Sequence[Branch],
    shelf: Shelf,
) -> Setup:
    """Return rig and lesions at a moment.

    Parameters
    ----------
    now : Now
        What was in the body.
    entries : iterable of Entry
        What stands of the record up to then, by time.
    rig : Rig
        What the case begins with; it stands for what the record does not name.
    lesions, branches : sequence of Lesion, sequence of Branch
        What lies along the path, as the case begins.
    shelf : Shelf
        What the lab has.

    Returns
    -------
    Setup
    """
    said = tuple(entries)
    left_out: list[str] = []

    def device(name: str, kind: type) -> object | None:
        found = shelf.devices.get(name)
        if isinstance(found, kind):
            return found
        left_out.append(f"{name} (not on the shelf)")
        return None

    guides = [device(one.device, Guide) for one in now.of(BodyItem.GUIDE)]
    rails = [device(one.device, Wire) for one in now.wires("rail")]
    buddies = [device(one.device, Wire) for one in now.wires("buddy")]
    extensions = [device(one.device, Extension) for one in now.of(BodyItem.EXTENSION)]
    extension = next((x for x in extensions if isinstance(x, Extension)), None)
    then = replace(
        rig,
        guide=next((x for x in guides if isinstance(x, Guide)), rig.guide),
        rail=next((x for x in reversed(rails) if isinstance(x, Wire)), rig.rail),
        seat_mm=now.seat_mm,
        extension=extension,
        extension_depth_mm=(now.extension_depth_mm or 0.0) if extension is not None else 0.0,
        buddies=tuple(x for x in buddies if isinstance(x, Wire)),
        anchor=_anchor(now, said, branches, shelf, left_out),
        trapped=_trapped(now, shelf, left_out),
    )
    return Setup(then, lesions_after(said, lesions, shelf.devices), tuple(dict.fromkeys(left_out)))


def _anchor(
    now: Now, said: Sequence[Entry], branches: Sequence[Branch], shelf: Shelf, left_out: list[str]
) -> Anchor | None:
    for one in now.of(BodyItem.ANCHOR_BALLOON):
        balloon = shelf.devices.get(one.device)
        branch = next((b for b in branches if b.name == one.branch), None)
        if not isinstance(balloon, Balloon) or branch is None:
            left_out.append(f"anchor balloon {one.device} ({one.branch or 'in no branch of the case'})")
            continue
        pressures = [
            e.number("pressure_atm")
            for e in said
            if e.kind is EventKind.INFLATION
            and e.text("purpose") == "anchor"
            and e.text("device") == one.device
        ]
        pressure_atm = pressures[-1] if pressures else None
        if pressure_atm is None:
            left_out.append(f"anchor balloon {one.device} (its pressure is not recorded)")
            continue
        return Anchor(balloon, branch.name, branch.at_mm, branch.diameter_mm, pressure_atm)
    return None


def _trapped(now: Now, shelf: Shelf, left_out: list[str]) -> TrappedWire | None:
    for one in now.of(BodyItem.TRAPPED_WIRE):
        wire = shelf.devices.get(one.device)
        if isinstance(wire, Wire) and one.from_mm is not None and one.to_mm is not None:
            return TrappedWire(wire, one.from_mm, one.to_mm)
        left_out.append(f"trapped wire {one.device}")
    return None
