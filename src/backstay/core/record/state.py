"""Where a procedure stands, as a function of its events and of nothing else."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from backstay.core.record.entries import Entry, standing
from backstay.identifiers import EventKind


@dataclass(frozen=True)
class WireIn:
    """A wire in place.

    Attributes
    ----------
    device : str
        Its id on the shelf.
    role : str
        rail, buddy or branch.
    branch : str or None
        The branch it lies in.
    tip_mm : float or None
        Where its tip stands, mm from the ostium.
    """

    device: str
    role: str
    branch: str | None = None
    tip_mm: float | None = None


@dataclass(frozen=True)
class RigNow:
    """What gives support at this moment.

    Attributes
    ----------
    guide : str or None
        The guide engaged, by id.
    seat_mm : float
        How deep it is seated, mm.
    wires : tuple of WireIn
        In the order they went in.
    extension : str or None
        The guide extension in place.
    extension_depth_mm : float or None
        Where its tip stands, mm.
    """

    guide: str | None = None
    seat_mm: float = 0.0
    wires: tuple[WireIn, ...] = ()
    extension: str | None = None
    extension_depth_mm: float | None = None


@dataclass(frozen=True)
class RecordState:
    """A record as it stands.

    Attributes
    ----------
    timeline : tuple of Entry
        What stands, by time.
    rig : RigNow
        What is in place.
    contrast_mL : float
        Contrast given in all, mL.
    heparin_U : float
        Heparin given in all, U.
    act : Entry or None
        The last activated clotting time.
    dose : Entry or None
        The last reading of the machine's totals.
    report : Entry or None
        The signature, once signed.
    """

    timeline: tuple[Entry, ...]
    rig: RigNow
    contrast_mL: float
    heparin_U: float
    act: Entry | None
    dose: Entry | None
    report: Entry | None

    def of(self, *kinds: EventKind) -> tuple[Entry, ...]:
        """Return what stands of these kinds, by time."""
        return tuple(entry for entry in self.timeline if entry.kind in kinds)

    @property
    def minutes(self) -> float:
        """Return the time from the first to the last thing that happened, min; signing does not count."""
        times = [e.at_s for e in self.timeline if e.kind not in (EventKind.SIGNED, EventKind.ADDENDUM)]
        return (times[-1] - times[0]) / 60.0 if times else 0.0


def state_of(entries: Iterable[Entry]) -> RecordState:
    """Return where a procedure stands.

    Parameters
    ----------
    entries : iterable of Entry
        The whole record, in the order written.

    Returns
    -------
    RecordState

    Examples
    --------
    >>> said = [("a", EventKind.GUIDE_IN, {"device": "g"}), ("b", EventKind.CONTRAST, {"volume_mL": 8.0})]
    >>> record = [Entry(name, kind, 0.0, "nurse", values=values) for name, kind, values in said]
    >>> state = state_of(record)
    >>> state.rig.guide, state.contrast_mL
    ('g', 8.0)
    """
    timeline = standing(entries)
    return RecordState(
        timeline=timeline,
        rig=rig_now(timeline),
        contrast_mL=_total(timeline, EventKind.CONTRAST, "volume_mL"),
        heparin_U=_total(timeline, EventKind.HEPARIN, "dose_U"),
        act=_last(timeline, EventKind.ACT),
        dose=_last(timeline, EventKind.DOSE),
        report=_last(timeline, EventKind.SIGNED),
    )


def rig_now(timeline: Iterable[Entry]) -> RigNow:
    """Return what is in place after what happened.

    Parameters
    ----------
    timeline : iterable of Entry
        What stands, by time.

    Returns
    -------
    RigNow
        A guide that left takes no wire with it: what happened to the wires has an event of its own.
    """
    guide, seat_mm, extension, depth_mm = None, 0.0, None, None
    wires: list[WireIn] = []
    for entry in timeline:
        device = entry.text("device")
        if entry.kind is EventKind.GUIDE_IN:
            guide, seat_mm = device, entry.number("seat_mm") or 0.0
        elif entry.kind is EventKind.GUIDE_OUT:
            guide, seat_mm = None, 0.0
        elif entry.kind is EventKind.EXTENSION:
            depth_mm = entry.number("depth_mm")
            extension = None if depth_mm is None else device
        elif entry.kind is EventKind.WIRE_IN:
            wires.append(_wire(entry))
        elif entry.kind is EventKind.WIRE_OUT:
            out = next((w for w in reversed(wires) if w.device == device), None)
            wires = [w for w in wires if w is not out]
    return RigNow(guide, seat_mm, tuple(wires), extension, depth_mm)


def _wire(entry: Entry) -> WireIn:
    role = entry.text("role") or "rail"
    return WireIn(entry.text("device") or "", role, entry.text("branch"), entry.number("tip_mm"))


def _total(timeline: Iterable[Entry], kind: EventKind, name: str) -> float:
    return sum((entry.number(name) or 0.0 for entry in timeline if entry.kind is kind), 0.0)


def _last(timeline: Iterable[Entry], kind: EventKind) -> Entry | None:
    found = [entry for entry in timeline if entry.kind is kind]
    return found[-1] if found else None
