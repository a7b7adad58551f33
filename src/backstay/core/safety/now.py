"""Where a case stands after each entry of its record: what is in the body, what was used, what is known.

What is in the body is what the record says went in and not out. A device on the rail counts as presumed out once
another went down the same wire, or the wire or the guide came out; only a count at the end settles it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from backstay.core.record.entries import Entry
from backstay.core.safety.body import Inside, Now
from backstay.core.safety.changes import CHANGES, Known, flows_again, with_changes
from backstay.identifiers import DeviceKind, EventKind

__all__ = ["Inside", "Now", "after", "now_after"]

_PAPERWORK = frozenset({EventKind.OPENED, EventKind.SIGNED, EventKind.ADDENDUM})
"""Nothing happens to the patient: the case's time does not go on by it."""


def after(
    now: Now,
    entry: Entry,
    kinds: Mapping[str, DeviceKind],
    *,
    branch_at_mm: Mapping[str, float] | None = None,
) -> Now:
    """Return where a case stands after one more entry.

    Parameters
    ----------
    now : Now
        Where it stood.
    entry : Entry
        What happened.
    kinds : mapping of str to DeviceKind
        What each device of the shelf is, by id.
    branch_at_mm : mapping of str to float, optional
        Where each branch leaves the path, by name [mm]: a stent over it traps the wire in it.

    Returns
    -------
    Now
        Unchanged but for the time by kinds that change nothing here.
    """
    started = entry.at_s if now.started_s is None else now.started_s
    change = CHANGES.get(entry.kind)
    changed = now if change is None else change(now, entry, Known(kinds, branch_at_mm or {}))
    still = entry.kind in _PAPERWORK and now.last_s is not None
    return with_changes(flows_again(changed), started_s=started, last_s=now.last_s if still else entry.at_s)


def now_after(
    entries: Iterable[Entry],
    kinds: Mapping[str, DeviceKind],
    *,
    start: Now | None = None,
    branch_at_mm: Mapping[str, float] | None = None,
) -> Now:
    """Return where a case stands after the entries that stand.

    Parameters
    ----------
    entries : iterable of Entry
        By time.
    kinds : mapping of str to DeviceKind
        What each device of the shelf is, by id.
    start : Now or None
        What was in place before the record began.
    branch_at_mm : mapping of str to float, optional
        As for `after`.

    Returns
    -------
    Now
    """
    now = start or Now()
    for entry in entries:
        now = after(now, entry, kinds, branch_at_mm=branch_at_mm)
    return now
