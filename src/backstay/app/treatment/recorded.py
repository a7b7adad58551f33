"""A case's lesions as its record leaves them: what has torn, and what has been tried, since the case file was written."""

from __future__ import annotations

from dataclasses import replace

from backstay.adapters.record_entries import entries_of
from backstay.app.loading import LoadedCase
from backstay.app.mending import recorded
from backstay.core.anatomy.lesion import Lesion
from backstay.core.record.entries import Entry, standing
from backstay.core.record.lesions import lesions_after, meets, preparation_by, tears


def as_recorded(case: LoadedCase) -> LoadedCase:
    """Return the case with its lesions as the record beside it leaves them; as it is where there is none.

    That a lesion has opened fully is for the case file to say; a balloon of the record that kept a waist takes it away.

    Raises
    ------
    FileFormatError
        The record cannot be read.
    """
    entries = _standing(case)
    tables = case.vessel.lesion
    filed = [Lesion(t.from_mm, t.to_mm, t.calcium, tuple(t.prepared), t.torn) for t in tables]
    lesions = lesions_after(entries, filed, case.shelf.devices)
    stands = [
        table.model_copy(
            update={
                "prepared": list(then.prepared),
                "dissected": then.dissected,
                "opened_fully": table.opened_fully
                and not any(_kept_a_waist(entry, then, case) for entry in entries),
            }
        )
        for table, then in zip(tables, lesions, strict=True)
    ]
    return replace(case, lesions=lesions, vessel=case.vessel.model_copy(update={"lesion": stands}))


def torn_by_record(case: LoadedCase) -> bool:
    """Return whether the record beside a case tells of a dissection anywhere: a burr on its way to a lesion runs through it."""
    return any(tears(entry) for entry in _standing(case))


def _standing(case: LoadedCase) -> list[Entry]:
    return list(standing(entries_of(recorded(case.file))))


def _kept_a_waist(entry: Entry, lesion: Lesion, case: LoadedCase) -> bool:
    opened = entry.values.get("opened_fully")
    said = opened is not None and preparation_by(entry, case.shelf.devices) is not None
    return said and meets(entry, lesion) and not (opened and (entry.number("views") or 0.0) >= 2.0)
