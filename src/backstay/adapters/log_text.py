"""Lines of the log: a few words as the team says them, read as one event.

The first word says what happened, the rest may stand in any order. A word that is not understood is refused, and
so is a line that could mean two things: the error carries the choices as whole lines. The grammar is written down
in docs/log-lines.md.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass, field
from typing import Any

from backstay.adapters import log_said as said_of
from backstay.adapters.log_devices import Unclear
from backstay.adapters.log_place import Reader, Reading, Scene, check_in_body
from backstay.adapters.log_used import again, device_used, other_device, prepared
from backstay.adapters.log_words import (
    BALLOON_WORDS,
    COMPLICATIONS,
    DRUGS,
    EXAMPLES,
    FILLERS,
    NUMBER,
    OTHER_DEVICES,
    PREPARED,
    TOPICS,
    Line,
)
from backstay.core.record.entries import Entry
from backstay.core.record.state import RecordState
from backstay.core.rigging.devices import Shelf
from backstay.errors import InputError
from backstay.identifiers import DeviceKind, EventKind


@dataclass(frozen=True)
class Typed:
    """What a line says: the kind of event, its values, and when.

    Attributes
    ----------
    kind : EventKind
        What happened.
    values : dict
        By the names of the event's schema.
    minutes_ago : float
        How long ago, by the line.
    clock : tuple of (int, int) or None
        Hour and minute, where the line gives them.
    supersedes : Entry or None
        What it stands instead of.
    """

    kind: EventKind
    values: dict[str, Any] = field(default_factory=dict)
    minutes_ago: float = 0.0
    clock: tuple[int, int] | None = None
    supersedes: Entry | None = None


def parse_line(text: str, scene: Scene) -> Typed:
    """Return what one line says.

    Raises
    ------
    Unclear
        It could mean several things; the error names them.
    InputError
        A word is not understood, or something is missing.
    """
    said = text.strip()
    free = re.match(r"(?i)(?:(\d{1,2}:\d{2})\s+)?(fix\s+)?(\w+)[:\s]\s*(.+)", said, re.DOTALL)
    if free and free.group(3).lower() in TOPICS:
        return _free_text(free, scene)
    _check_thousands(said, scene)
    return _parsed(said, scene)


def _parsed(said: str, scene: Scene) -> Typed:
    line = Line(said)
    clock, ago = _time(line)
    fixes = line.take("fix|correct") is not None
    words, supersedes = " ".join(Line(said).words), None
    if fixes:
        supersedes = _last_like(scene.state, *_read(copy(line), Reading(scene, words, ahead=True)))
        scene = scene.without(supersedes.id)
    kind, values = _read(line, Reading(scene, words))
    check_in_body(kind, values, line, Reading(scene, words))
    _nothing_left(line)
    return Typed(kind, values, ago, clock, supersedes)


def _free_text(found: re.Match[str], scene: Scene) -> Typed:
    clock = _clock(found.group(1)) if found.group(1) else None
    topic = TOPICS[found.group(3).lower()]
    values = {"text": found.group(4).strip()} | ({"topic": topic} if topic else {})
    supersedes = _last_like(scene.state, EventKind.NOTE, values) if found.group(2) else None
    return Typed(EventKind.NOTE, values, clock=clock, supersedes=supersedes)


def _clock(text: str) -> tuple[int, int]:
    hour, minute = (int(part) for part in text.split(":"))
    if hour > 23 or minute > 59:
        raise InputError("not a time of day", field="time", value=text, allowed="00:00 to 23:59")
    return hour, minute


def _check_thousands(said: str, scene: Scene) -> None:
    """Refuse a number that is a thousand times another where the point is read in another way."""
    found = re.search(r"(?<![\w.,])(\d{1,3})[.,](\d{3})(?![\w.,]*\d)", said)
    if found is None:
        return
    whole, part = found.groups()
    if not int(whole):
        return
    choices = []
    for number in (f"{whole}{part}", f"{whole}.{part}".rstrip("0").rstrip(".")):
        line = f"{said[: found.start()]}{number}{said[found.end() :]}"
        try:
            _parsed(line, scene)
        except Unclear:
            choices.append((number, line))
        except InputError:
            continue
        else:
            choices.append((number, line))
    raise Unclear(f"what does {found.group(0)} mean?", choices, field="number")


def _time(line: Line) -> tuple[tuple[int, int] | None, float]:
    # Only where a time of day stands: in the middle of a line 1:30 may be minutes and seconds.
    at = line.take(r"(?:(?<=^ )|at )\d{1,2}:\d{2}")
    ago = line.take(rf"({NUMBER}) ?min(?:utes?)? ago")
    return (_clock(at.group(0).removeprefix("at ")) if at else None), (float(ago.group(1)) if ago else 0.0)


_SAME = {EventKind.NOTE: "topic", EventKind.COMPLICATION: "code", EventKind.DRUG: "name"}
"""What two events of a kind must share for one to be put right by the other."""


def _last_like(state: RecordState, kind: EventKind, values: Mapping[str, Any]) -> Entry:
    """Return the event that was written last of those that a line can put right."""
    name = _SAME.get(kind)
    like = [
        entry
        for entry in state.written
        if entry.kind is kind and (name is None or entry.values.get(name) == values.get(name))
    ]
    if kind is EventKind.STENT and len(like) > 1:
        like = [entry for entry in like if entry.values.get("device") == values.get("device")]
        name = "device"
    if not like:
        value = kind.value if name is None else f"{kind.value}: {values.get(name) or 'other'}"
        raise InputError(
            "none of this kind stands that could be fixed",
            field="fix",
            value=value,
            allowed="one that was logged",
        )
    return like[-1]


def _nothing_left(line: Line) -> None:
    left = [word for word in line.words if word not in FILLERS]
    if left:
        raise InputError(
            "not understood",
            field="word",
            value=" ".join(left),
            allowed="see docs/log-lines.md, or type help",
        )


def _read(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    for pattern, reader in _READERS:
        if re.match(rf"\s*(?:{pattern})(?=\s)", line.text):
            return reader(line, reading)
    kind = _device_kind(line, reading.scene.shelf)
    if kind is not None:
        return device_used(line, reading, kind)
    word = (line.words or [""])[0]
    near = difflib.get_close_matches(word, _FIRST_WORDS, n=1, cutoff=0.7)
    raise InputError(
        "not understood" + (f", did you mean {near[0]}?" if near else ""),
        field="line",
        value=word,
        allowed="such as: " + " | ".join(EXAMPLES[:8]),
    )


def _device_kind(line: Line, shelf: Shelf) -> DeviceKind | None:
    """Return what kind of device a line speaks of that begins with a device."""
    for place, word in enumerate(line.words):
        device = shelf.devices.get(word)
        # A wire after the first word is one that a stent traps.
        if device is not None and (place == 0 or device.kind is not DeviceKind.WIRE):
            return device.kind
    if line.has("stent|des"):
        return DeviceKind.STENT
    if line.has("balloon|bal") or any(re.search(rf"\s{re.escape(w)}\s", line.text) for w in BALLOON_WORDS):
        return DeviceKind.BALLOON
    if line.has("burr"):
        return DeviceKind.BURR
    return DeviceKind.MICROCATHETER if line.has("microcatheter|micro|mc") else None


def _any(phrases: dict[str, Any]) -> str:
    return "|".join(phrases)


_READERS: tuple[tuple[str, Reader], ...] = (
    ("again", again),
    ("(?:guide )?extension|ext", said_of.extension),
    ("guide", said_of.guide),
    (_any(dict(OTHER_DEVICES)), other_device),
    (_any(dict(COMPLICATIONS)) + "|complication", said_of.complication),
    ("(?:(?:buddy |branch )?wire |buddy )?tip", said_of.seen),
    ("wire|buddy|rail", said_of.wire),
    ("access|sheath", said_of.access),
    ("act", said_of.act),
    ("contrast", said_of.contrast),
    ("heparin|ufh", said_of.heparin),
    ("dose|air kerma|kerma|display", said_of.dose),
    ("view|lao|rao|ap|pa|cran?|caud?|cranial|caudal", said_of.view),
    ("final|result|timi|flow(?= [0-3])|residual|stenosis|msa|ffr|ivus|oct", said_of.result),
    (_any(dict(DRUGS)), said_of.drug),
    ("pressure|damped", said_of.pressure),
    ("flush(?:ed)?|bled", said_of.flush),
    ("end|finished|closed", said_of.end),
    (rf"(?:{_any(dict(PREPARED))})(?! \d+(?:\.\d+)?x)", prepared),
)
_FIRST_WORDS = tuple(
    word
    for word in dict.fromkeys(re.findall(r"[a-z]{3,}", " ".join(pattern for pattern, _ in _READERS)))
    if len(word) > 5 or any(re.fullmatch(pattern, word) for pattern, _ in _READERS)
)
"""Words a line may begin with, and stems of long ones; a misspelt one is answered with the nearest."""
