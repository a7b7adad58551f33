"""Where a record shows that a decision was taken: at the first push, and after each that did not go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from backstay.core.record.entries import Entry
from backstay.identifiers import EventKind


@dataclass(frozen=True)
class Decision:
    """One decision, by places in the record.

    Attributes
    ----------
    after : int
        How many entries stood when it was taken.
    tried : int or None
        Place of the entry that shows what was done: the next try. None where no other try followed.
    """

    after: int
    tried: int | None


def is_try(entry: Entry) -> bool:
    """Return whether an entry shows a device tried, or a lesion that did not open.

    Parameters
    ----------
    entry : Entry
        One that stands.

    Returns
    -------
    bool
        An attempt, a stent opened, or a balloon that prepared the lesion and was looked at.
    """
    if entry.kind is EventKind.INFLATION:
        return entry.text("purpose") == "preparation" and entry.values.get("opened_fully") is False
    return entry.kind in (EventKind.ATTEMPT, EventKind.STENT)


def went(entry: Entry) -> bool:
    """Return whether a try reached what it was for.

    Parameters
    ----------
    entry : Entry
        A try.

    Returns
    -------
    bool
    """
    return entry.kind is EventKind.STENT or entry.text("outcome") == "reached"


def decisions(entries: Sequence[Entry]) -> tuple[Decision, ...]:
    """Return the decisions of a record.

    Parameters
    ----------
    entries : sequence of Entry
        What stands, by time.

    Returns
    -------
    tuple of Decision
        The first is taken before anything was tried; one more follows each try that did not go. A stent
        opened where its own attempt had reached is no try of its own.

    Examples
    --------
    >>> stop = Entry("a", EventKind.ATTEMPT, 0.0, "nurse", values={"device": "s", "outcome": "stopped"})
    >>> went = Entry("b", EventKind.ATTEMPT, 60.0, "nurse", values={"device": "s", "outcome": "reached"})
    >>> decisions([stop, went])
    (Decision(after=0, tried=0), Decision(after=1, tried=1))
    """
    tries = [k for k, entry in enumerate(entries) if is_try(entry) and not _follows_its_attempt(entries, k)]
    if not tries:
        return ()
    found = [Decision(_before_first(entries, tries[0]), tries[0])]
    for this, following in zip(tries, [*tries[1:], None], strict=True):
        if not went(entries[this]):
            found.append(Decision(this + 1, following))
    return tuple(found)


def _follows_its_attempt(entries: Sequence[Entry], k: int) -> bool:
    if entries[k].kind is not EventKind.STENT:
        return False
    device = entries[k].text("device")
    before = [
        e
        for e in entries[:k]
        if e.kind in (EventKind.ATTEMPT, EventKind.STENT) and e.text("device") == device
    ]
    return bool(before) and before[-1].kind is EventKind.ATTEMPT and went(before[-1])


_SETTING_UP = frozenset(
    {EventKind.OPENED, EventKind.ACCESS, EventKind.GUIDE_IN, EventKind.HEPARIN, EventKind.ACT, EventKind.VIEW,
     EventKind.DRUG, EventKind.PRESSURE, EventKind.FLUSH, EventKind.CONTRAST, EventKind.DOSE}
)  # fmt: skip


def _before_first(entries: Sequence[Entry], first: int) -> int:
    """Return how many entries only set the stage: up to guide and rail, before any choice about the lesion."""
    k = 0
    while k < first and (
        entries[k].kind in _SETTING_UP
        or (entries[k].kind is EventKind.WIRE_IN and entries[k].text("role") == "rail")
        or (entries[k].kind is EventKind.NOTE)
    ):
        k += 1
    return k
