"""The record beside a case, `CASE.events.jsonl`: one event to a line, in the order written, only added to.

An event that was wrong is not changed: a later one names it in `supersedes`, either the same kind with the
right values or a correction that takes it back.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BeforeValidator, Field, TypeAdapter, model_validator

from backstay.adapters.case_file import DeviceId, PlaceMm, Route, Text
from backstay.adapters.toml_text import FileModel, read_text, validated
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import EventKind, LimitedBy, MoveId

MAX_BYTES = 50_000_000


def _written_time(value: object) -> object:
    if isinstance(value, str | datetime):
        return value
    raise InputError("not a time", value=value, allowed='text such as "2031-04-05T09:30:00+02:00"')


EventId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Time = Annotated[AwareDatetime, Field(strict=False), BeforeValidator(_written_time)]
Pressure = Annotated[float, Field(ge=0.5, le=50)]
LongText = Annotated[str, Field(min_length=1, max_length=4000)]


class Event(FileModel):
    """What every event says."""

    schema_: Literal[1] = Field(1, alias="schema")
    id: EventId
    at: Time = Field(description="ISO 8601 with the offset from UTC")
    author_role: Literal["operator", "assistant", "nurse", "technologist", "recorder", "import"]
    supersedes: EventId | None = Field(None, description="the event this one stands instead of")


class _EventSpan(Event):
    from_mm: PlaceMm
    to_mm: PlaceMm

    @model_validator(mode="after")
    def _runs_forward(self) -> Self:
        if self.to_mm <= self.from_mm:
            allowed = f"more than from_mm = {self.from_mm:g}"
            raise InputError(
                "a stretch must end beyond where it begins", field="to_mm", value=self.to_mm, allowed=allowed
            )
        return self


class AccessEvent(Event):
    """A sheath was placed."""

    kind: Literal[EventKind.ACCESS]
    route: Route
    sheath_fr: float = Field(ge=4, le=10)


class GuideInEvent(Event):
    """A guide engaged the vessel, or was seated elsewhere."""

    kind: Literal[EventKind.GUIDE_IN]
    device: DeviceId
    seat_mm: float = Field(0.0, ge=0, le=60)


class GuideOutEvent(Event):
    """The guide left the vessel, wanted or not."""

    kind: Literal[EventKind.GUIDE_OUT]
    wanted: bool


class WireInEvent(Event):
    """A wire was placed."""

    kind: Literal[EventKind.WIRE_IN]
    device: DeviceId
    role: Literal["rail", "buddy", "branch"]
    branch: Text | None = None
    tip_mm: PlaceMm | None = None


class WireOutEvent(Event):
    """A wire was taken out."""

    kind: Literal[EventKind.WIRE_OUT]
    device: DeviceId


class ExtensionEvent(Event):
    """A guide extension went in or stands elsewhere; without a depth it is out."""

    kind: Literal[EventKind.EXTENSION]
    device: DeviceId
    depth_mm: PlaceMm | None = None


class InflationEvent(_EventSpan):
    """A balloon was inflated; `opened_fully` needs the number of views it was seen in."""

    kind: Literal[EventKind.INFLATION]
    device: DeviceId
    pressure_atm: Pressure
    duration_s: float | None = Field(None, gt=0, le=1800)
    purpose: Literal["preparation", "stent", "after_stent", "anchor", "trapping"]
    opened_fully: bool | None = None
    views: int | None = Field(None, ge=1, le=6)

    @model_validator(mode="after")
    def _says_in_how_many_views(self) -> Self:
        if self.opened_fully and self.views is None:
            raise InputError("opened fully in how many views?", field="views", allowed="1 to 6")
        return self


class StentEvent(_EventSpan):
    """A stent was opened."""

    kind: Literal[EventKind.STENT]
    device: DeviceId
    pressure_atm: Pressure


class AttemptEvent(Event):
    """A device was tried, and how it ended."""

    kind: Literal[EventKind.ATTEMPT]
    device: DeviceId
    moves: list[Annotated[MoveId, Field(strict=False)]] = Field(default_factory=list, max_length=12)
    outcome: Literal["reached", "stopped"]
    stopped_at_mm: PlaceMm | None = Field(None, description="place of the device's tip")
    limited_by: Annotated[LimitedBy, Field(strict=False)] | None = None
    push: Literal["gentle", "firm", "all_that_was_safe"] | None = None

    @model_validator(mode="after")
    def _ends_one_way(self) -> Self:
        for name in ("stopped_at_mm", "limited_by"):
            if self.outcome == "reached" and getattr(self, name) is not None:
                value = getattr(self, name)
                raise InputError(
                    "a device that reached its place was not stopped", field=name, value=value, allowed="none"
                )
        return self


class ContrastEvent(Event):
    """Contrast given since the event before."""

    kind: Literal[EventKind.CONTRAST]
    volume_mL: float = Field(gt=0, le=500)


class ActEvent(Event):
    """An activated clotting time."""

    kind: Literal[EventKind.ACT]
    act_s: float = Field(ge=50, le=1500)
    sampled_from: Literal["guide", "sheath", "vein"] | None = None


class HeparinEvent(Event):
    """Unfractionated heparin given."""

    kind: Literal[EventKind.HEPARIN]
    dose_U: float = Field(gt=0, le=30000)


class DoseEvent(Event):
    """The machine's running totals."""

    kind: Literal[EventKind.DOSE]
    air_kerma_mGy: float = Field(ge=0, le=50000)
    kap_Gycm2: float | None = Field(None, ge=0, le=5000)
    fluoroscopy_min: float | None = Field(None, ge=0, le=1000)


class ViewEvent(Event):
    """The gantry's angles; positive is left anterior oblique, and cranial."""

    kind: Literal[EventKind.VIEW]
    primary_angle_deg: float = Field(ge=-180, le=180)
    secondary_angle_deg: float = Field(ge=-90, le=90)


class ComplicationEvent(Event):
    """Something went wrong."""

    kind: Literal[EventKind.COMPLICATION]
    what: Text
    at_mm: PlaceMm | None = None


class NoteEvent(Event):
    """Free text."""

    kind: Literal[EventKind.NOTE]
    text: LongText


class CorrectionEvent(Event):
    """An earlier event is taken back."""

    kind: Literal[EventKind.CORRECTION]
    supersedes: EventId
    reason: LongText


AnyEvent = Annotated[
    AccessEvent
    | GuideInEvent
    | GuideOutEvent
    | WireInEvent
    | WireOutEvent
    | ExtensionEvent
    | InflationEvent
    | StentEvent
    | AttemptEvent
    | ContrastEvent
    | ActEvent
    | HeparinEvent
    | DoseEvent
    | ViewEvent
    | ComplicationEvent
    | NoteEvent
    | CorrectionEvent,
    Field(discriminator="kind"),
]

EVENT_TYPES: dict[EventKind, type[Event]] = {
    EventKind.ACCESS: AccessEvent,
    EventKind.GUIDE_IN: GuideInEvent,
    EventKind.GUIDE_OUT: GuideOutEvent,
    EventKind.WIRE_IN: WireInEvent,
    EventKind.WIRE_OUT: WireOutEvent,
    EventKind.EXTENSION: ExtensionEvent,
    EventKind.INFLATION: InflationEvent,
    EventKind.STENT: StentEvent,
    EventKind.ATTEMPT: AttemptEvent,
    EventKind.CONTRAST: ContrastEvent,
    EventKind.ACT: ActEvent,
    EventKind.HEPARIN: HeparinEvent,
    EventKind.DOSE: DoseEvent,
    EventKind.VIEW: ViewEvent,
    EventKind.COMPLICATION: ComplicationEvent,
    EventKind.NOTE: NoteEvent,
    EventKind.CORRECTION: CorrectionEvent,
}


def events_path(case_file: Path) -> Path:
    """Return where the record of a case lies: `case.toml` has `case.events.jsonl` beside it."""
    return case_file.with_name(f"{case_file.stem}.events.jsonl")


def event_schema() -> dict[str, Any]:
    """Return the JSON Schema of one line of a record."""
    schema: dict[str, Any] = TypeAdapter(AnyEvent).json_schema(by_alias=True)
    return {"title": "Backstay event", **schema}


def read_events(file: Path) -> list[Event]:
    """Return every event of a record, in the order written; none when there is no record yet.

    Raises
    ------
    FileFormatError, InputError
        A line is not an event, an identifier is used twice, or one superseded is not above it. A last line
        cut short, as a power failure leaves it, is named as that.
    """
    if not file.exists():
        return []
    return _parse(read_text(file, max_bytes=MAX_BYTES), where=str(file)) if file.stat().st_size else []


def append_event(file: Path, event: Event) -> None:
    """Add an event to a record and see it safely on the disk; on failure the record is as it was.

    Raises
    ------
    FileFormatError, InputError
        The record cannot be read, or the event does not belong on it.
    OSError
        It cannot be written.
    """
    line = json.dumps(event.model_dump(mode="json", by_alias=True, exclude_none=True))
    is_new = not file.exists()
    handle = os.open(file, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        before = read_events(file)
        _check_order([*before, event], where=str(file))
        _write_whole(handle, line.encode())
        if is_new:
            _sync_folder(file.parent)
    finally:
        os.close(handle)


def _write_whole(handle: int, line: bytes) -> None:
    """Write one line at the end of an open file, or leave the file as long as it was."""
    size = os.fstat(handle).st_size
    # An editor may have left the last, complete line without its line break.
    complete = size == 0 or os.pread(handle, 1, size - 1) == b"\n"
    data = (b"" if complete else b"\n") + line + b"\n"
    try:
        while data:
            data = data[os.write(handle, data) :]
        os.fsync(handle)
    except OSError:
        os.ftruncate(handle, size)
        raise


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _parse(text: str, *, where: str) -> list[Event]:
    # Not splitlines(): text inside an event may hold other characters that count as line breaks there.
    lines = text.removesuffix("\n").split("\n")
    ends_whole = text.endswith("\n")
    events = []
    for number, line in enumerate(lines, 1):
        is_cut = number == len(lines) and not ends_whole
        if not line.strip():
            continue
        events.append(_parse_line(line, where=f"{where}:{number}", is_cut=is_cut))
    _check_order(events, where=where)
    return events


def _parse_line(line: str, *, where: str, is_cut: bool) -> Event:
    try:
        data = json.loads(line, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        if is_cut:
            raise FileFormatError(
                "the last line is cut short, as when the power fails; remove it, then log that event again",
                where=where,
                allowed="one whole JSON object to a line",
            ) from None
        raise FileFormatError("not JSON", where=where, allowed="one JSON object to a line") from None
    if not isinstance(data, dict):
        raise FileFormatError("not an event", where=where, allowed="one JSON object to a line")
    kind = data.get("kind")
    if kind not in list(EventKind):
        allowed = ", ".join(EventKind)
        raise FileFormatError("no such kind of event", field="kind", value=kind, allowed=allowed, where=where)
    return validated(EVENT_TYPES[EventKind(kind)], data, where=where)


def _refuse_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number in JSON")


def _check_order(events: Iterable[Event], *, where: str) -> None:
    """Refuse an identifier used twice, and superseding what is not above or was superseded before."""
    above: set[str] = set()
    replaced: set[str] = set()
    for event in events:
        if event.id in above:
            raise InputError(
                "identifier used twice", field="id", value=event.id, allowed="each once", where=where
            )
        target = event.supersedes
        if target is not None and target not in above:
            raise NotFound(
                "no such event above this one",
                field="supersedes",
                value=target,
                allowed="the id of an earlier event",
                where=where,
            )
        if target is not None and target in replaced:
            raise InputError(
                "that event was already superseded",
                field="supersedes",
                value=target,
                allowed="an event that still stands",
                where=where,
            )
        above.add(event.id)
        replaced |= {target} if target is not None else set()
