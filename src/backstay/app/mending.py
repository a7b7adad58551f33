"""The record beside a case, its last line put right where a power failure cut it short and the store has it whole."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from backstay.adapters.event_models import Event, OpenedEvent
from backstay.adapters.events_file import EventsFile, events_path, line_of, read_events
from backstay.errors import FileFormatError

if TYPE_CHECKING:
    from backstay.adapters.store import Store


def recorded(case_file: Path, *, store_url: str | None = None) -> list[Event]:
    """Return every event of the record beside a case, in the order written; none when there is no record yet.

    Raises
    ------
    FileFormatError, InputError
        As `read_events`; a last line cut short only where the store does not have it whole.
    StoreError
        The store that is to have it cannot be used.
    """
    file = events_path(case_file)
    try:
        return read_events(file)
    except FileFormatError:
        # Only now: a database is not loaded for a file that is whole.
        from backstay.adapters.store import Store
        from backstay.app.record import default_store

        if not EventsFile(file).cut_short()[1]:
            raise
        store = Store(store_url or default_store())
        try:
            return read_mended(file, store)
        finally:
            store.close()


def read_mended(file: Path, store: Store) -> list[Event]:
    """Return every event of a record's file, its last line mended from the store; raises as `recorded`."""
    try:
        return read_events(file)
    except FileFormatError:
        if not _mend(EventsFile(file), store):
            raise
        return read_events(file)


def _mend(beside: EventsFile, store: Store) -> bool:
    """Take a last line that is cut short off the file and write what the store has instead; False where it has not that."""
    above, cut = beside.cut_short()
    if not cut:
        return False
    # A disk may have made room for a line and not written it: what reads as zeros says nothing.
    said = cut.rstrip("\0")
    record = _record_of(above, said, store)
    there = {event.id for event in above}
    stored = [] if record is None else store.events(record)
    missing = [event for event in stored if event.id not in there]
    if said and not any(line_of(event).startswith(said) for event in missing):
        return False
    beside.drop(cut)
    beside.append(*missing, but_there=True)
    return True


def _record_of(above: list[Event], said: str, store: Store) -> str | None:
    """Return which record of the store a file is of: by its first event, which may be the one cut short."""
    if above:
        opened = above[0]
        return opened.record if isinstance(opened, OpenedEvent) and store.has(opened.record) else None
    first = re.search(r'"id": "([A-Za-z0-9_-]{1,64})"', said)
    return None if first is None else store.opened_by(first.group(1))
