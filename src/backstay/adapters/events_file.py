"""The record beside a case, `CASE.events.jsonl`: one event to a line, in the order written, only added to.

An event that was wrong is not changed: a later one names it in `supersedes`, either the same kind with the
right values or a correction that takes it back.
"""

from __future__ import annotations

import fcntl
import json
import os
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from backstay.adapters.event_models import EVENT_TYPES, AnyEvent, Event, event_schema
from backstay.adapters.toml_text import read_text, validated
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import EventKind

__all__ = [
    "EVENT_TYPES",
    "Event",
    "EventsFile",
    "append_event",
    "event_schema",
    "events_path",
    "line_of",
    "read_events",
]

MAX_BYTES = 50_000_000
_ONE: TypeAdapter[AnyEvent] = TypeAdapter(AnyEvent)


def events_path(case_file: Path) -> Path:
    """Return where the record of a case lies: `case.toml` has `case.events.jsonl` beside it."""
    return case_file.with_name(f"{case_file.stem}.events.jsonl")


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
    EventsFile(file).append(event)


def line_of(event: Event) -> str:
    """Return an event as its line of a record's file."""
    return json.dumps(event.model_dump(mode="json", by_alias=True, exclude_none=True))


class EventsFile:
    """A record's file that is added to again and again: it is read anew only where somebody else wrote to it meanwhile."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._size, self._order = -1, _Order(str(file))

    def append(self, *events: Event, but_there: bool = False) -> None:
        """Add events, all of them or none, `but_there` only those not there yet; raises as `append_event`."""
        if not events:
            return
        is_new = not self.file.exists()
        handle = os.open(self.file, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX)
            if os.fstat(handle).st_size != self._size:
                self._order = _Order(str(self.file))
                for event in read_events(self.file):
                    self._order.take(event)
            self._size = -1  # until the events are whole on the disk
            new = [event for event in events if not (but_there and event.id in self._order.above)]
            for event in new:
                self._order.take(event)
            if new:
                _write_whole(handle, "\n".join(line_of(event) for event in new).encode())
            if is_new:
                _sync_folder(self.file.parent)
            self._size = os.fstat(handle).st_size
        finally:
            os.close(handle)

    def cut_short(self) -> tuple[list[Event], str]:
        """Return a last line that is cut short, as a power failure leaves it, and the events above it; none where it is whole."""
        if not self.file.exists() or not self.file.stat().st_size:
            return [], ""
        above, _, last = read_text(self.file, max_bytes=MAX_BYTES).rpartition("\n")
        try:
            json.loads(last or "{}")
        except ValueError:
            return _parse(f"{above}\n", where=str(self.file)) if above else [], last
        return [], ""

    def drop(self, cut: str) -> None:
        """Take a last line that is cut short off the file; nothing where the file does not end with it any more."""
        with self.file.open("r+b") as stream:
            fcntl.flock(stream, fcntl.LOCK_EX)
            whole, last = stream.read(), cut.encode()
            left = whole.removesuffix(last)
            # Another program may have put it right meanwhile: what it wrote is not to be cut.
            if len(left) < len(whole) and left[-1:] in (b"", b"\n"):
                stream.truncate(len(left))
                os.fsync(stream.fileno())


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
    events: list[Event] = []
    for number, line in enumerate(lines, 1):
        is_cut = number == len(lines) and not ends_whole
        if not line.strip():
            continue
        try:
            events.append(_ONE.validate_json(line))
        except ValidationError:
            # Read once more, slowly, for an error that names line, key, value and what is allowed.
            events.append(_parse_line(line, where=f"{where}:{number}", is_cut=is_cut))
    order = _Order(where)
    for event in events:
        order.take(event)
    return events


def _parse_line(line: str, *, where: str, is_cut: bool) -> Event:
    try:
        data = json.loads(line, parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        if is_cut:
            raise FileFormatError(
                "the last line is cut short, as when the power fails; open the record once with `backstay log CASE`: it brings the "
                "line back where the store has that event. Only where it cannot: remove the line, and log the event again",
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


class _Order:
    """Refuses an identifier used twice, and superseding what is not above or was superseded before."""

    def __init__(self, where: str) -> None:
        self.where = where
        self.above: set[str] = set()
        self._replaced: set[str] = set()

    def take(self, event: Event) -> None:
        target = event.supersedes
        if event.id in self.above:
            raise InputError(
                "identifier used twice", field="id", value=event.id, allowed="each once", where=self.where
            )
        if target is not None and target not in self.above:
            raise NotFound(
                "no such event above this one",
                field="supersedes",
                value=target,
                allowed="the id of an earlier event",
                where=self.where,
            )
        if target is not None and target in self._replaced:
            raise InputError(
                "that event was already superseded",
                field="supersedes",
                value=target,
                allowed="an event that still stands",
                where=self.where,
            )
        self.above.add(event.id)
        self._replaced |= {target} if target is not None else set()
