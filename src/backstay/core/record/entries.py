"""Events as the core sees them, and which of them stand.

Nothing is overwritten: a later entry names in `supersedes` the one it stands instead of. So what happened is
always a function of the whole list.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from backstay.identifiers import EventKind


@dataclass(frozen=True)
class Entry:
    """One event.

    Attributes
    ----------
    id : str
        Unique in its record.
    kind : EventKind
        What kind of event; it decides which values are there.
    at_s : float
        When it happened, s since 1970 (UTC).
    author_role : str
        Who wrote it down, by role.
    supersedes : str or None
        The entry this one stands instead of.
    values : mapping
        What it says, by the names of the event's schema; what was not said is left out.
    """

    id: str
    kind: EventKind
    at_s: float
    author_role: str
    supersedes: str | None = None
    values: Mapping[str, Any] = field(default_factory=dict)

    def number(self, name: str) -> float | None:
        """Return a value that is a number, None where it was not said."""
        value = self.values.get(name)
        return None if value is None else float(value)

    def text(self, name: str) -> str | None:
        """Return a value that is text, None where it was not said."""
        value = self.values.get(name)
        return None if value is None else str(value)


def standing(entries: Iterable[Entry]) -> tuple[Entry, ...]:
    """Return the entries that still stand, in the order things happened.

    Parameters
    ----------
    entries : iterable of Entry
        The whole record, in the order written.

    Returns
    -------
    tuple of Entry
        Without what was superseded and without the corrections that took something back; by time, and as
        written where two share a time.

    Examples
    --------
    >>> first = Entry("a", EventKind.ACT, 0.0, "nurse", values={"act_s": 278.0})
    >>> fixed = Entry("b", EventKind.ACT, 0.0, "nurse", supersedes="a", values={"act_s": 287.0})
    >>> [entry.id for entry in standing([first, fixed])]
    ['b']
    """
    written = tuple(entries)
    replaced = {entry.supersedes for entry in written if entry.supersedes is not None}
    left = [e for e in written if e.id not in replaced and e.kind is not EventKind.CORRECTION]
    return tuple(sorted(left, key=lambda entry: entry.at_s))
