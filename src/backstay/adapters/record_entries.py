"""Events of a record as the core sees them."""

from __future__ import annotations

from collections.abc import Iterable

from backstay.adapters.event_models import Event
from backstay.core.record.entries import Entry
from backstay.identifiers import EventKind

_COMMON = frozenset(Event.model_fields) | {"kind"}


def entry_of(event: Event) -> Entry:
    """Return one event as an entry; values that were not said are left out."""
    said = {name: getattr(event, name) for name in type(event).model_fields if name not in _COMMON}
    return Entry(
        id=event.id,
        kind=EventKind(event.kind),  # type: ignore[attr-defined]  # every kind of event has one, the base none
        at_s=event.at.timestamp(),
        author_role=event.author_role,
        supersedes=event.supersedes,
        values={name: value for name, value in said.items() if value is not None},
    )


def entries_of(events: Iterable[Event]) -> tuple[Entry, ...]:
    """Return a whole record as entries."""
    return tuple(entry_of(event) for event in events)
