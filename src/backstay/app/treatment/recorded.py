"""A case's lesions as its record leaves them: what has torn, and what has been tried, since the case file was written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from backstay.adapters.case_file import LesionTable
from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.record_entries import entries_of
from backstay.app.loading import LoadedCase
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.devices import Balloon, Device
from backstay.identifiers import Complication, EventKind, Preparation

BALLOONS: dict[str, Preparation] = {
    "semi_compliant": Preparation.SEMI_COMPLIANT,
    "non_compliant": Preparation.NON_COMPLIANT,
    "scoring": Preparation.SCORING,
    "lithotripsy": Preparation.LITHOTRIPSY,
}


def as_recorded(case: LoadedCase) -> LoadedCase:
    """Return the case with its lesions as the record beside it leaves them; as it is where there is none.

    Raises
    ------
    FileFormatError
        The record cannot be read.
    """
    tables: Sequence[LesionTable] = case.vessel.lesion
    for entry in standing(entries_of(read_events(events_path(case.file)))):
        tables = [_after(table, entry, case) for table in tables]
    return replace(case, vessel=case.vessel.model_copy(update={"lesion": list(tables)}))


def _after(table: LesionTable, entry: Entry, case: LoadedCase) -> LesionTable:
    if entry.kind is EventKind.COMPLICATION and entry.text("code") == Complication.DISSECTION:
        place = entry.number("at_mm")
        torn = place is None or table.from_mm <= place <= table.to_mm
        return table.model_copy(update={"dissected": True}) if torn else table
    what = _tried(entry, case.shelf.devices.get(entry.text("device") or ""))
    low, high = entry.number("from_mm"), entry.number("to_mm")
    if what is None or low is None or high is None or not (table.from_mm < high and low < table.to_mm):
        return table
    done = table.model_copy(update={"prepared": [*table.prepared, what]})
    opened = entry.values.get("opened_fully")
    if opened is None:
        return done
    return done.model_copy(update={"opened_fully": bool(opened) and (entry.number("views") or 0.0) >= 2.0})


def _tried(entry: Entry, device: Device | None) -> Preparation | None:
    if entry.kind is EventKind.PREPARED:
        return Preparation(str(entry.text("what")))
    if entry.kind is EventKind.INFLATION and entry.text("purpose") == "preparation":
        return BALLOONS.get(device.balloon_type) if isinstance(device, Balloon) else None
    return None
