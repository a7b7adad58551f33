"""The record beside a case, `CASE.events.jsonl`: one event to a line, in the order written, only added to.

An event that was wrong is not changed: a later one names it in `supersedes`, either the same kind with the
right values or a correction that takes it back.
"""

from __future__ import annotations

import fcntl
import json
import os
from collections.abc import Iterable
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from backstay.adapters.event_models import EVENT_TYPES, AnyEvent, Event, event_schema
from backstay.adapters.toml_text import read_text, validated
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import EventKind

__all__ = ["EVENT_TYPES", "Event", "append_event", "event_schema", "events_path", "read_events"]

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
