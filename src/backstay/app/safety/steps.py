"""A step in the recorder's own short words, as something thought of or as it was logged."""

from __future__ import annotations

from collections.abc import Sequence

from backstay.adapters.event_models import EVENT_TYPES, Event
from backstay.adapters.limits_file import HazardRow, MomentRow
from backstay.adapters.log_place import Scene
from backstay.adapters.log_text import parse_line
from backstay.adapters.record_entries import entries_of
from backstay.adapters.toml_text import validated
from backstay.app.loading import LoadedCase
from backstay.app.safety.hazards import hazard_row, judge_step, moments
from backstay.app.safety.setting import CaseSafety, case_safety
from backstay.core.record.entries import Entry
from backstay.core.record.state import state_of
from backstay.core.rules import Fired, strongest_first
from backstay.core.safety.attention import Moment, along, attended


def thought_of(safety: CaseSafety, line: str) -> Entry:
    """Return a step from a line as one would log it, without logging it.

    Parameters
    ----------
    safety : CaseSafety
        Where the case stands.
    line : str
        In the recorder's words.

    Raises
    ------
    Unclear, InputError
        It means several things, or nothing, or a value is out of range.
    """
    case = safety.case
    scene = Scene(
        shelf=case.shelf,
        lesions=tuple((lesion.from_mm, lesion.to_mm) for lesion in case.lesions),
        target_mm=(case.target_from_mm, case.target_to_mm),
        target_device=case.device.id,
        length_mm=case.path.length_mm,
        branches=tuple(branch.name for branch in case.branches),
        state=state_of(safety.entries),
    )
    typed = parse_line(line, scene)
    common = {"schema": 1, "id": "thought", "at": "2000-01-01T00:00:00+00:00", "author_role": "operator"}
    event = validated(
        EVENT_TYPES[typed.kind], {**common, "kind": typed.kind.value, **typed.values}, where="step"
    )
    entry = entries_of([event])[0]
    return Entry(entry.id, entry.kind, safety.now.last_s or 0.0, entry.author_role, values=entry.values)


def hazards_of_line(safety: CaseSafety, line: str) -> tuple[HazardRow, ...]:
    """Return the hazards of a step given as a line."""
    return judge_step(safety, thought_of(safety, line))


def hazards_of_event(
    case: LoadedCase, events: Sequence[Event], event_id: str
) -> tuple[tuple[HazardRow, ...], int]:
    """Return the hazards to show of an event of a record, at most two, and how many wait behind them.

    One that is written down late has its own hazards, and those that it brings to what was done after it.
    """
    safety = case_safety(case, entries_of(events))
    found = moments(safety)
    at = next((k for k, one in enumerate(found) if one.entry.id == event_id), None)
    if at is None:
        return (), 0
    own = found[at]
    brought = _brought_later(safety, found, at) if at + 1 < len(found) else []
    known = {one.rule.id for one in (*own.shown, *own.suppressed)}
    late = [one for one in brought if one.rule.id not in known]
    shown, more = attended(strongest_first([*own.shown, *late]))
    return tuple(hazard_row(one, safety.setting) for one in shown), len(more) + len(own.suppressed)


def _brought_later(safety: CaseSafety, found: Sequence[Moment], at: int) -> list[Fired]:
    """Return the hazards that the steps after one have only because of it, each once."""
    without = along([*safety.entries[:at], *safety.entries[at + 1 :]], safety.setting, start=safety.start)
    brought = dict[str, Fired]()
    for now, before in zip(found[at + 1 :], without[at:], strict=True):
        had = {one.rule.id for one in (*before.shown, *before.suppressed)}
        for one in (*now.shown, *now.suppressed):
            if one.rule.id not in had:
                brought.setdefault(one.rule.id, one)
    return list(brought.values())


def along_record(safety: CaseSafety) -> list[MomentRow]:
    """Return what the hazards said at each step of a record, where they said anything."""
    names = {device.id: device.name for device in safety.case.shelf.devices.values()}
    return [
        MomentRow(
            step=event_line(one.entry, names),
            minute=round((one.entry.at_s - (safety.now.started_s or 0.0)) / 60.0, 2),
            shown=[hazard_row(f, safety.setting) for f in one.shown],
            kept_back=[hazard_row(f, safety.setting) for f in one.suppressed],
        )
        for one in moments(safety)
        if one.shown or one.suppressed
    ]


def event_line(entry: Entry, names: dict[str, str]) -> str:
    """Return a step as its kind and device."""
    device = entry.text("device")
    return " ".join(
        part for part in (entry.kind.value.replace("_", " "), names.get(device or "", device)) if part
    )
