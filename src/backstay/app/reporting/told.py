"""What a report is made from: the case, its record up to the signature, and what was handed over with it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

from backstay.adapters.event_models import Event
from backstay.adapters.limits_file import LimitsDocument
from backstay.adapters.plan_file import PlanDocument
from backstay.adapters.record_entries import entries_of
from backstay.adapters.report_file import Said
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.event_words import event_words
from backstay.app.loading import LoadedCase
from backstay.app.safety import CaseSafety, case_safety, limits_of
from backstay.app.treatment import size_case
from backstay.core.record.entries import Entry, standing
from backstay.core.safety.dose import DoseReport
from backstay.core.safety.now import Now, now_after
from backstay.identifiers import EventKind


@dataclass(frozen=True)
class Told:
    """What a report is made from.

    Attributes
    ----------
    case : LoadedCase
        The case, as its file says now.
    events : tuple of Event
        The record up to the signature, in the order written.
    plan : PlanDocument or None
        What the model said beforehand.
    reports : tuple of DoseReport
        Dose reports that were handed over.
    inputs : mapping of str to str
        SHA-256 of every file the report is made from, by name.
    """

    case: LoadedCase
    events: tuple[Event, ...]
    plan: PlanDocument | None
    reports: tuple[DoseReport, ...]
    inputs: Mapping[str, str]

    @cached_property
    def entries(self) -> tuple[Entry, ...]:
        """Return what stands of the record, by time."""
        return standing(entries_of(self.events))

    @cached_property
    def safety(self) -> CaseSafety:
        """Return the case with its limits."""
        return case_safety(self.case, entries_of(self.events), reports=self.reports)

    @cached_property
    def limits(self) -> LimitsDocument:
        """Return what was used, against its limits."""
        return limits_of(self.safety, options=())

    @cached_property
    def treatment(self) -> TreatmentDocument:
        """Return the vessel as measured before, and what was to be asked of the result."""
        return size_case(self.case)

    @cached_property
    def now(self) -> Now:
        """Return where the record alone leads: nothing counts as in the body that it does not say went in."""
        return self.now_before(None)

    def now_before(self, entry: Entry | None) -> Now:
        """Return where the record stood before one of its entries."""
        at = len(self.entries) if entry is None else self.entries.index(entry)
        setting = self.safety.setting
        return now_after(self.entries[:at], setting.kinds, branch_at_mm=setting.branch_at_mm)

    @cached_property
    def names(self) -> dict[str, str]:
        """Return the devices' names by id."""
        return {device.id: device.name for device in self.case.shelf.devices.values()}

    def name(self, device: str) -> str:
        """Return a device's name; one that is not on the shelf is called as the record calls it."""
        return self.names.get(device, device)

    def of(self, *kinds: EventKind) -> tuple[Entry, ...]:
        """Return what stands of these kinds, by time."""
        return tuple(entry for entry in self.entries if entry.kind in kinds)

    def at(self, at_s: float) -> str:
        """Return a time as the first event of the record tells the time."""
        zone = self.events[0].at.tzinfo
        return datetime.fromtimestamp(at_s, zone).isoformat(timespec="minutes")

    def words(self, entry: Entry) -> str:
        """Return an entry in words."""
        return event_words(entry, self.names)

    def said(self, entries: Sequence[Entry]) -> list[Said]:
        """Return entries in words, with when and by whom."""
        return [Said(at=self.at(e.at_s), author_role=e.author_role, text=self.words(e)) for e in entries]

    def noted(self, topic: str | None) -> list[Said]:
        """Return the notes of one topic, word for word; None: those without a topic."""
        return [
            Said(at=self.at(e.at_s), author_role=e.author_role, text=e.text("text") or "")
            for e in self.of(EventKind.NOTE)
            if e.text("topic") == topic
        ]
