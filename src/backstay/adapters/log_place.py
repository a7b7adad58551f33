"""What the words of a line may refer to, and the numbers and places in it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from backstay.adapters.log_devices import TO_END, Unclear
from backstay.adapters.log_words import NUMBER, Line
from backstay.core.record.entries import Entry
from backstay.core.record.state import RecordState, state_of
from backstay.core.rigging.devices import OverWireDevice, Shelf
from backstay.errors import InputError
from backstay.identifiers import BodyItem, EventKind

_SAME_LENGTH_MM = 1.0
_PLACE = "a place, in mm from the ostium: its middle, or from-to, as 36-48"


@dataclass(frozen=True)
class Scene:
    """What the words of a line may refer to.

    Attributes
    ----------
    shelf : Shelf
        The devices there are.
    lesions : tuple of (float, float)
        Where they lie, mm.
    target_mm : (float, float)
        Where the device is to land.
    target_device : str
        Which device.
    length_mm : float
        Of the vessel.
    branches : tuple of str
        Their names.
    state : RecordState
        What happened so far.
    in_place : frozenset of str or None
        Devices that were in before the record began; None where nobody asks whether what comes out was in.
    """

    shelf: Shelf
    lesions: tuple[tuple[float, float], ...]
    target_mm: tuple[float, float]
    target_device: str
    length_mm: float
    branches: tuple[str, ...]
    state: RecordState
    in_place: frozenset[str] | None = None

    def as_of(self, at_s: float) -> Scene:
        """Return the scene as it was at a time: a line about then is read in it."""
        return self._of(entry for entry in self.state.written if entry.at_s <= at_s)

    def without(self, wrong: str) -> Scene:
        """Return the scene as it is without one event: what stands instead of it is read in that one."""
        return self._of(entry for entry in self.state.written if entry.id != wrong)

    def _of(self, entries: Iterable[Entry]) -> Scene:
        kinds = {device.id: device.kind for device in self.shelf.devices.values()}
        # Those that stand, whatever they replaced.
        return replace(self, state=state_of((replace(entry, supersedes=None) for entry in entries), kinds))


@dataclass(frozen=True)
class Reading:
    """What a line is read in; `ahead` where it is read only for what kind of event it tells of."""

    scene: Scene
    said: str
    ahead: bool = False

    def inside(self, *items: BodyItem) -> list[str]:
        return [one.device for one in self.scene.state.now.of(*items)]


Reader = Callable[[Line, Reading], tuple[EventKind, dict[str, Any]]]


def number_of(line: Line, name: str, unit: str, *, bare: bool = True) -> float:
    """Return the one number with this unit, or a bare one."""
    found = line.take(rf"({NUMBER}) ?(?:{unit})") or (line.take(f"({NUMBER})") if bare else None)
    if found is None:
        raise InputError(
            f"how much? a number is missing ({name})", field=name, allowed=f"a number, {unit.split('|')[0]}"
        )
    return float(found.group(1))


def place_of(line: Line, reading: Reading, length_mm: float) -> tuple[float, float] | None:
    """Return the stretch a line names; a single place is the middle of a device of this length."""
    scene = reading.scene
    if found := line.take(rf"(?:from |at )?({NUMBER})(?:mm)?(?:-| to )({NUMBER})(?: ?mm)?"):
        return float(found.group(1)), float(found.group(2))
    if found := line.take(r"(?:at |in |on )?(?:the )?lesion(?: (\d))?"):
        return about(sum(_lesion(scene, found.group(1), reading.said)) / 2.0, length_mm, scene)
    if line.take("(?:at |on )?(?:the )?target"):
        return about(sum(scene.target_mm) / 2.0, length_mm, scene)
    if line.take("same(?: place)?"):
        last = scene.state.last(EventKind.INFLATION, EventKind.STENT)
        if last is not None:
            middle_mm = 0.5 * ((last.number("from_mm") or 0.0) + (last.number("to_mm") or 0.0))
            return about(middle_mm, length_mm, scene)
    if found := line.take(rf"(?:at |@ ?)({NUMBER})(?: ?mm)?"):
        return about(float(found.group(1)), length_mm, scene)
    return None


def about(middle_mm: float, length_mm: float, scene: Scene) -> tuple[float, float]:
    start = max(round(middle_mm - 0.5 * length_mm, 1), 0.0)
    return start, round(start + length_mm, 1)


def _lesion(scene: Scene, number: str | None, said: str) -> tuple[float, float]:
    lesions = scene.lesions
    if number is not None and 1 <= int(number) <= len(lesions):
        return lesions[int(number) - 1]
    if len(lesions) == 1 and number is None:
        return lesions[0]
    base = re.sub(r"lesion( \d)?", "lesion {}", said, count=1)
    choices = [(f"lesion {k}, {a:g} to {b:g} mm", base.format(k)) for k, (a, b) in enumerate(lesions, 1)]
    raise Unclear(
        "which lesion?", choices or [(_PLACE, f"{_without_place(said)} at {TO_END}")], field="lesion"
    )


def _without_place(said: str) -> str:
    return re.sub(r" *(?:(?:at|in|on) )?(?:the )?lesion(?: \d)?", "", said, count=1)


def span_of(line: Line, reading: Reading, device_id: str) -> dict[str, float]:
    """Return from_mm and to_mm of a device's working section; refuse to guess."""
    scene = reading.scene
    device = scene.shelf.devices[device_id]
    length_mm = device.working_mm if isinstance(device, OverWireDevice) else 10.0
    place = place_of(line, reading, length_mm)
    if place is None:
        choices = [
            (f"at lesion {k} ({a:g} to {b:g} mm)", f"{reading.said} at lesion {k}")
            for k, (a, b) in enumerate(scene.lesions, 1)
        ]
        if device_id == scene.target_device:
            a, b = scene.target_mm
            choices.insert(0, (f"at the target ({a:g} to {b:g} mm)", f"{reading.said} at target"))
        if scene.state.last(EventKind.INFLATION, EventKind.STENT) is not None:
            choices.append(("the same place as the last", f"{reading.said} same place"))
        raise Unclear("where?", [*choices, (_PLACE, f"{reading.said} at {TO_END}")], field="place")
    from_mm, to_mm = place
    if abs((to_mm - from_mm) - length_mm) > _SAME_LENGTH_MM:
        raise InputError(
            f"the stretch is {to_mm - from_mm:g} mm, the device {length_mm:g} mm",
            field="place",
            value=f"{from_mm:g}-{to_mm:g}",
            allowed=f"{from_mm:g}-{from_mm + length_mm:g}, or at its middle",
        )
    if to_mm > scene.length_mm:
        raise InputError(
            "beyond the end of the vessel",
            field="place",
            value=to_mm,
            allowed=f"0 to {scene.length_mm:.1f} mm",
        )
    return {"from_mm": from_mm, "to_mm": to_mm}


def branch_of(line: Line, reading: Reading) -> str | None:
    """Return the branch that a line names, None where it names none."""
    names = (
        b for b in reading.scene.branches if line.take(rf"(?:in(?:to)? )?(?:the )?{re.escape(b.lower())}")
    )
    return next(names, None)


def only_wire(inside: list[str], reading: Reading) -> str:
    if len(inside) == 1:
        return inside[0]
    if len(set(inside)) == 1:
        roles = [
            *reading.scene.state.now.wires("rail", "buddy", "branch"),
            *reading.scene.state.now.of(BodyItem.TRAPPED_WIRE),
        ]
        words = [
            "trapped" if one.item is BodyItem.TRAPPED_WIRE else one.role
            for one in roles
            if one.device == inside[0]
        ]
        raise Unclear(
            "which wire?", [(f"the {word}", f"{reading.said} {word}") for word in words], field="wire"
        )
    devices = reading.scene.shelf.devices
    raise Unclear(
        "which wire?",
        [(devices[d].name if d in devices else d, f"{reading.said} {d}") for d in inside],
        field="wire",
    )


_OUT = {
    EventKind.DEVICE_OUT: "{} out",
    EventKind.DEFLATION: "{} deflated",
    EventKind.WIRE_OUT: "wire out {}",
    EventKind.EXTENSION: "extension {} out",
    EventKind.GUIDE_OUT: "guide out",
}


def check_in_body(kind: EventKind, values: Mapping[str, Any], line: Line, reading: Reading) -> None:
    """Ask where what comes out, or is let down, is not in the body by the record; "anyway" answers it.

    Raises
    ------
    Unclear
        The record does not say that it went in, or says that it came out.
    """
    scene, device = reading.scene, values.get("device")
    is_sure = line.take("anyway") is not None
    goes_in = kind not in _OUT or (kind is EventKind.EXTENSION and "depth_mm" in values)
    if is_sure or goes_in or scene.in_place is None:
        return
    inside = [one for one in scene.state.now.inside if device is None or one.device == device]
    if kind is EventKind.GUIDE_OUT:
        inside = [one for one in inside if one.item is BodyItem.GUIDE]
    out_before = any(e.kind is kind and e.text("device") == device for e in scene.state.timeline)
    if inside or ((device is None or device in scene.in_place) and not out_before):
        return
    shelf = scene.shelf.devices
    mine = None if device is None or device not in shelf else shelf[device].kind
    others = {
        one.device for one in scene.state.now.inside if one.device in shelf and shelf[one.device].kind is mine
    }
    choices = [(f"it was the {shelf[one].name}", _OUT[kind].format(one)) for one in sorted(others)]
    raise Unclear(
        "by the record it is not in the body",
        [*choices, ("it was, though no line says so", f"{reading.said} anyway")],
        field="device",
    )
