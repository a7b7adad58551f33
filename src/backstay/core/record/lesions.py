"""What a record did to the lesions: what prepared them, and what tore."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from backstay.core.anatomy.lesion import Lesion
from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import SMALL_BALLOON_MM, Balloon, Device
from backstay.identifiers import Complication, EventKind, Preparation

_BY_TYPE = {
    "semi_compliant": Preparation.SEMI_COMPLIANT,
    "non_compliant": Preparation.NON_COMPLIANT,
    "scoring": Preparation.SCORING,
    "lithotripsy": Preparation.LITHOTRIPSY,
}


def preparation_by(entry: Entry, devices: Mapping[str, Device]) -> Preparation | None:
    """Return what an entry did to prepare a lesion.

    Parameters
    ----------
    entry : Entry
        One event.
    devices : mapping of str to Device
        The shelf: it says what kind of balloon an inflation was with.

    Returns
    -------
    Preparation or None
        None where it prepared nothing, and where the balloon is not on the shelf: what is not known to have been
        done does not count.
    """
    if entry.kind is EventKind.PREPARED:
        return Preparation(entry.text("what") or "")
    if entry.kind is not EventKind.INFLATION or entry.text("purpose") != "preparation":
        return None
    balloon = devices.get(entry.text("device") or "")
    if not isinstance(balloon, Balloon):
        return None
    small = balloon.balloon_type == "semi_compliant" and balloon.nominal_diameter_mm <= SMALL_BALLOON_MM
    return Preparation.SMALL_BALLOON if small else _BY_TYPE.get(balloon.balloon_type)


def tears(entry: Entry) -> bool:
    """Return whether an entry tells of a dissection.

    Parameters
    ----------
    entry : Entry
        One event.

    Returns
    -------
    bool
    """
    torn = entry.kind is EventKind.COMPLICATION and entry.text("code") == Complication.DISSECTION
    return torn and entry.values.get("settled") is not True


def meets(entry: Entry, lesion: Lesion) -> bool:
    """Return whether what an entry tells of happened at a lesion.

    Parameters
    ----------
    entry : Entry
        One event.
    lesion : Lesion
        One lesion of the main vessel.

    Returns
    -------
    bool
        By the entry's stretch or place. Without either a dissection may be anywhere and counts for every lesion, and
        nothing else counts for any; what was done in a branch was not done to the vessel.
    """
    if entry.text("branch") is not None:
        return False
    from_mm, to_mm, at_mm = (entry.number(name) for name in ("from_mm", "to_mm", "at_mm"))
    if from_mm is not None and to_mm is not None:
        return from_mm < lesion.to_mm and lesion.from_mm < to_mm
    return tears(entry) if at_mm is None else lesion.from_mm <= at_mm <= lesion.to_mm


def lesions_after(
    entries: Iterable[Entry], lesions: Sequence[Lesion], devices: Mapping[str, Device]
) -> tuple[Lesion, ...]:
    """Return the lesions with what the record did to them.

    Parameters
    ----------
    entries : iterable of Entry
        What stands, by time.
    lesions : sequence of Lesion
        As the case begins.
    devices : mapping of str to Device
        The shelf.

    Returns
    -------
    tuple of Lesion
        In their order; those that nothing met as they were.

    Examples
    --------
    >>> from backstay.identifiers import Calcium
    >>> lesion = Lesion(40.0, 60.0, Calcium.SEVERE)
    >>> burr = {"what": "atherectomy", "from_mm": 38.0, "to_mm": 62.0}
    >>> torn = {"what": "flap", "code": "dissection", "at_mm": 61.0}
    >>> record = [
    ...     Entry("a", EventKind.PREPARED, 60.0, "nurse", values=burr),
    ...     Entry("b", EventKind.COMPLICATION, 90.0, "nurse", values=torn),
    ... ]
    >>> (after,) = lesions_after(record, [lesion], {})
    >>> [what.value for what in after.prepared], after.dissected
    (['atherectomy'], False)
    """
    found = list(lesions)
    for entry in entries:
        done, torn = preparation_by(entry, devices), tears(entry)
        if done is None and not torn:
            continue
        for k, lesion in enumerate(found):
            if not meets(entry, lesion):
                continue
            prepared = lesion.prepared if done is None else (*lesion.prepared, done)
            found[k] = replace(lesion, prepared=prepared, dissected=lesion.dissected or torn)
    return tuple(found)
