"""Lines about what is used: balloons, stents, burrs; inflated, tried, taken out."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

from backstay.adapters.log_devices import TO_END, Unclear, take_device
from backstay.adapters.log_place import Reading, branch_of, only_wire, place_of, span_of
from backstay.adapters.log_words import (
    COUNTS,
    DRAWN_INTO,
    FILLERS,
    LIMITS,
    NOT_OPEN,
    NOT_WHOLE,
    NUMBER,
    OPEN,
    OTHER_DEVICES,
    PREPARED,
    PURPOSES,
    PUSHES,
    REACHED,
    STOPPED,
    Line,
)
from backstay.core.record.state import moves_in_place
from backstay.core.rigging.devices import Balloon, Device
from backstay.errors import InputError
from backstay.identifiers import BodyItem, DeviceKind, EventKind, Preparation
from backstay.units import bar_to_atm


def device_used(line: Line, reading: Reading, kind: DeviceKind) -> tuple[EventKind, dict[str, Any]]:
    stopped = line.take(STOPPED) is not None
    reached = not stopped and line.take(REACHED) is not None
    limited = line.take_one(dict(LIMITS)) if stopped else None
    push = line.take_one(dict(PUSHES)) if stopped or reached else None
    # Only now: "guide backed out" has an "out" that is not the device's.
    out, deflated = line.take("out|removed|withdrawn"), line.take("deflated?|down")
    traps = _trapped(line, reading) if kind is DeviceKind.STENT else []
    rest = _inflation_words(line, reading)
    came_out = _came_out(line) if out else {}
    opens_stent = kind is DeviceKind.STENT and "purpose" not in rest
    branch = branch_of(line, reading) if "pressure_atm" in rest and not opens_stent else None
    stop = line.take(rf"(?:at |@ ?)({NUMBER})(?: ?mm)?") if stopped else None
    saved = line.text
    place_of(line, reading, 0.0)
    device = _of_no_shelf(line, reading) if out else None
    if device is None:
        inside = reading.inside(*_ON_A_WIRE)
        device = take_device(line, kind, reading.scene.shelf, said=reading.said, inside=inside)
    if out:
        return EventKind.DEVICE_OUT, {"device": device, **came_out}
    if deflated:
        return EventKind.DEFLATION, {"device": device}
    if stopped or reached:
        values: dict[str, Any] = {"device": device, "outcome": "reached" if reached else "stopped"}
        values["moves"] = [move.value for move in moves_in_place(reading.scene.state.now)]
        values |= {"stopped_at_mm": float(stop.group(1))} if stop else {}
        values |= {"limited_by": limited} if limited else {}
        return EventKind.ATTEMPT, values | ({"push": push} if push else {})
    if "pressure_atm" not in rest:
        raise _what_about_it(reading, kind)
    # The place is read again, now that the device's length is known.
    again = Line(saved)
    values = {"device": device, "pressure_atm": rest["pressure_atm"], **span_of(again, reading, device)}
    if opens_stent:
        values |= {"duration_s": rest["duration_s"]} if "duration_s" in rest else {}
        return EventKind.STENT, values | ({"traps": traps} if traps else {})
    return EventKind.INFLATION, values | ({"branch": branch} if branch else {}) | _inflated(rest, reading)


_ON_A_WIRE = (
    BodyItem.BALLOON,
    BodyItem.ANCHOR_BALLOON,
    BodyItem.STENT_ON_BALLOON,
    BodyItem.STENT_BALLOON,
    BodyItem.BURR,
    BodyItem.MICROCATHETER,
)


def _came_out(line: Line) -> dict[str, Any]:
    """Take what a line says of how a device came out: into what it was drawn first, and not whole."""
    into = line.take_one(dict(DRAWN_INTO))
    broken = line.take(NOT_WHOLE) is not None
    return ({"drawn_into": into} if into else {}) | ({"whole": False} if broken else {})


def _of_no_shelf(line: Line, reading: Reading) -> str | None:
    """Return the thing in the body that no shelf has and the line names, such as a burr logged without its size."""
    inside = (one for one in reading.inside(*_ON_A_WIRE) if one not in reading.scene.shelf.devices)
    return next((one for one in inside if line.take(re.escape(one))), None)


def other_device(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    """Something that no shelf has goes in or comes out."""
    what = str(line.take_one(dict(OTHER_DEVICES)))
    device = {"device": what.replace("_", " ")}
    if line.take("out|removed|withdrawn"):
        return EventKind.DEVICE_OUT, device | _came_out(line)
    line.take("in|down")
    return EventKind.DEVICE_IN, device | {"what": what}


def _trapped(line: Line, reading: Reading) -> list[str]:
    """Return the wires that a stent traps on purpose, as "traps buddy" or "traps wire-jacketed" says."""
    buddies = [one.device for one in reading.scene.state.now.wires("buddy")]
    named = "|".join(re.escape(one) for one in buddies)
    found = line.take(rf"(?:traps?|trapping) (?:the )?(?:buddy(?: wire)?|wire{'|' if named else ''}{named})")
    if found is None:
        return []
    meant = [one for one in buddies if found.group(0).endswith(one.lower())] or buddies
    return [only_wire(meant, reading)]


def _what_about_it(reading: Reading, kind: DeviceKind) -> Unclear:
    said = reading.said
    opened = "opened" if kind is DeviceKind.STENT else "inflated"
    return Unclear(
        f"what about the {kind.value}?",
        [
            ("it reached its place", f"{said} reached"),
            ("it stopped: where, and what gave", f"{said} stopped {TO_END}"),
            (f"it was {opened}: to how many atm", f"{said} {TO_END}"),
            ("it came out", f"{said} out"),
        ],
    )


def _inflation_words(line: Line, reading: Reading) -> dict[str, Any]:
    """Take what only an inflation says: pressure, time, views, how it opened, what it was for."""
    found: dict[str, Any] = {}
    if pressure := line.take(rf"({NUMBER}) ?(?:atm|atmospheres)"):
        found["pressure_atm"] = float(pressure.group(1))
    elif line.has(rf"{NUMBER} ?bars?"):
        raise _in_bar(reading)
    if both := line.take(
        r"(?:for )?(\d+)(?: ?min(?:utes?|s)? (?:and )?(\d+) ?(?:s(?:ecs?|econds?)?)?|:(\d\d)(?: ?min)?)"
    ):
        found["duration_s"] = 60.0 * float(both.group(1)) + float(both.group(2) or both.group(3))
    elif seconds := line.take(rf"(?:for )?({NUMBER}) ?(?:s|sec|secs|seconds?)"):
        found["duration_s"] = float(seconds.group(1))
    elif minutes := line.take(rf"(?:for )?({NUMBER}) ?(?:min|mins|minutes?)"):
        found["duration_s"] = 60.0 * float(minutes.group(1))
    if views := line.take(r"(?:in )?(\d|one|two|three|four) views?"):
        found["views"] = COUNTS.get(views.group(1)) or int(views.group(1))
    if line.take(NOT_OPEN):
        found["opened_fully"] = False
    elif line.take(OPEN):
        found["opened_fully"] = True
    purpose = line.take_one(dict(PURPOSES))
    return found | ({"purpose": purpose} if purpose else {})


def _in_bar(reading: Reading) -> Unclear:
    """Ask what a pressure in bar is: the record holds atm, and many say bar of a gauge in atm."""
    found = re.search(rf"({NUMBER}) ?bars?\b", Line(reading.said).text)
    said = float(found.group(1)) if found else 0.0
    choices = [
        (f"{words}: {atm:g} atm", re.sub(r"(?i)[\d.,]+ ?bars?\b", f"{atm:g} atm", reading.said, count=1))
        for words, atm in (("bar, converted", round(bar_to_atm(said), 1)), ("the gauge reads atm", said))
    ]
    return Unclear("bar or atm? the record holds atm", choices, field="pressure_atm")


def _inflated(rest: dict[str, Any], reading: Reading) -> dict[str, Any]:
    """Return an inflation's values; without a purpose it prepares until a stent is in, then follows it."""
    has_stent = reading.scene.state.last(EventKind.STENT) is not None
    values = {"purpose": "after_stent" if has_stent else "preparation", **rest}
    if values.get("opened_fully") and "views" not in values:
        said = reading.said
        raise Unclear(
            "opened fully in how many views?",
            [(f"{n} views", f"{said} {n} views") for n in (1, 2, 3)],
            field="views",
        )
    return values


def again(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    """The last inflation once more, with what is new."""
    line.take("again")
    last = reading.scene.state.last(EventKind.INFLATION)
    if last is None:
        raise InputError("no inflation to repeat yet", field="again", allowed="after the first")
    kept = {
        k: last.values[k]
        for k in ("device", "from_mm", "to_mm", "pressure_atm", "branch")
        if k in last.values
    }
    stent = reading.scene.state.last(EventKind.STENT)
    # What is inflated again after a stent follows that one, whatever it was for before.
    if "purpose" in last.values and (stent is None or stent.at_s <= last.at_s):
        kept["purpose"] = last.values["purpose"]
    found = _inflation_words(line, reading)
    values = {**kept, **_inflated({**kept, **found}, reading)}
    place = place_of(line, reading, values["to_mm"] - values["from_mm"])
    return EventKind.INFLATION, values | ({"from_mm": place[0], "to_mm": place[1]} if place else {})


def prepared(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    what = line.take_one(dict(PREPARED))
    passes = line.take(r"(\d+) ?(?:pulses?|passes|pass|runs?)")
    longest = line.take(rf"(?:longest |of )?({NUMBER}) ?(?:s|sec|secs|seconds?)(?: runs?)?")
    place = place_of(line, reading, 0.0)
    if place is None or place[1] <= place[0]:
        lesions = reading.scene.lesions
        choices = [(f"{a:g} to {b:g} mm", f"{reading.said} {a:g}-{b:g}") for a, b in lesions]
        if place is None or len(lesions) != 1:
            raise Unclear(
                "where?",
                choices or [("a stretch, in mm from the ostium, as 34-62", f"{reading.said} {TO_END}")],
                field="place",
            )
        place = lesions[0]
    values = {"what": what, "from_mm": place[0], "to_mm": place[1]}
    values |= _prepared_with(line, reading, what)
    values |= {"longest_run_s": float(longest.group(1))} if longest else {}
    return EventKind.PREPARED, values | ({"passes": int(passes.group(1))} if passes else {})


def _prepared_with(line: Line, reading: Reading, what: object) -> dict[str, str]:
    """Return the burr or balloon that a preparation names; nothing where it names none."""
    if not [word for word in line.words if word not in FILLERS]:
        return {}
    kind = DeviceKind.BURR if what is Preparation.ATHERECTOMY else DeviceKind.BALLOON
    shelf, inside = reading.scene.shelf, reading.inside(*_ON_A_WIRE)
    if what is Preparation.LITHOTRIPSY:
        made_for: dict[str, Device] = {
            name: one
            for name, one in shelf.devices.items()
            if isinstance(one, Balloon) and one.balloon_type == "lithotripsy"
        }
        shelf = replace(shelf, devices=made_for)
    return {"device": take_device(line, kind, shelf, said=reading.said, inside=inside)}
