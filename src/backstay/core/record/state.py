"""Where a procedure stands, as a function of its events and of nothing else."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from backstay.core.record.entries import Entry, standing
from backstay.core.safety.now import Now, after, now_after
from backstay.identifiers import BodyItem, DeviceKind, EventKind, MoveId

_AFTERWARDS = frozenset({EventKind.SIGNED, EventKind.ADDENDUM})
NOT_DONE_IN_THE_ROOM = _AFTERWARDS | {EventKind.OPENED, EventKind.NOTE}
"""Kinds of entry that tell of no step in the room."""
HANDLING = frozenset(
    {
        EventKind.ATTEMPT,
        EventKind.DEVICE_IN,
        EventKind.DEVICE_OUT,
        EventKind.INFLATION,
        EventKind.PREPARED,
        EventKind.STENT,
    }
)
"""Kinds of entry that tell of a device moved or used on a wire."""


@dataclass(frozen=True)
class RecordState:
    """A record as it stands.

    Attributes
    ----------
    timeline : tuple of Entry
        What stands, by time.
    now : Now
        What is in the body, what was used, what is known.
    written : tuple of Entry
        What stands, as written.
    """

    timeline: tuple[Entry, ...]
    now: Now
    written: tuple[Entry, ...] = ()

    def of(self, *kinds: EventKind) -> tuple[Entry, ...]:
        """Return what stands of these kinds, by time."""
        return tuple(entry for entry in self.timeline if entry.kind in kinds)

    def last(self, *kinds: EventKind) -> Entry | None:
        """Return the last that stands of these kinds."""
        found = self.of(*kinds)
        return found[-1] if found else None

    @property
    def duration_min(self) -> float:
        """Return the time from the first to the last thing done in the room, min."""
        times = [entry.at_s for entry in self.timeline if entry.kind not in NOT_DONE_IN_THE_ROOM]
        return (times[-1] - times[0]) / 60.0 if times else 0.0


def state_of(entries: Iterable[Entry], kinds: Mapping[str, DeviceKind] | None = None) -> RecordState:
    """Return where a procedure stands.

    Parameters
    ----------
    entries : iterable of Entry
        The whole record, in the order written.
    kinds : mapping of str to DeviceKind, optional
        What each device of the shelf is, by id.

    Returns
    -------
    RecordState

    Examples
    --------
    >>> record = [Entry("a", EventKind.CONTRAST, 60.0, "nurse", values={"volume_mL": 8.0})]
    >>> state_of(record).now.contrast_mL
    8.0
    """
    record = tuple(entries)
    timeline = standing(record)
    stands = {entry.id for entry in timeline}
    written = tuple(entry for entry in record if entry.id in stands)
    return RecordState(timeline, now_after(timeline, kinds or {}), written)


def one_more(state: RecordState, entry: Entry, kinds: Mapping[str, DeviceKind]) -> RecordState | None:
    """Return where a procedure stands after one more entry, where that one only adds to the end.

    Parameters
    ----------
    state : RecordState
        Where it stood.
    entry : Entry
        Written next.
    kinds : mapping of str to DeviceKind
        What each device of the shelf is, by id.

    Returns
    -------
    RecordState or None
        None where the entry replaces another or tells of an earlier time: then the whole record is to be gone through.
    """
    late = bool(state.timeline) and entry.at_s < state.timeline[-1].at_s
    if late or entry.supersedes is not None:
        return None
    return RecordState((*state.timeline, entry), after(state.now, entry, kinds), (*state.written, entry))


def moves_in_place(now: Now) -> tuple[MoveId, ...]:
    """Return the moves whose help is in place, as an attempt made now would have it.

    Parameters
    ----------
    now : Now
        Where the case stands.

    Returns
    -------
    tuple of MoveId
        Extension, buddy wires, an anchor balloon, a trapped wire; empty where none is in.
    """
    found = [MoveId.EXTENSION] if now.of(BodyItem.EXTENSION) else []
    found += [MoveId.BUDDY_WIRE, MoveId.SECOND_BUDDY_WIRE][: len(now.wires("buddy"))]
    found += [MoveId.SIDE_BRANCH_ANCHOR] if now.of(BodyItem.ANCHOR_BALLOON) else []
    found += [MoveId.TRAPPED_WIRE] if now.of(BodyItem.TRAPPED_WIRE) else []
    return tuple(found)
