"""The record as the API gives it. Loaded when first asked for, as the plan's part is."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from backstay.adapters.event_models import Event
from backstay.adapters.log_words import EXAMPLES
from backstay.adapters.record_entries import entry_of
from backstay.app.event_words import LIMITED_BY, event_words
from backstay.app.loading import LoadedCase
from backstay.app.record import KEPT_WHOLE
from backstay.app.record_desk import Said
from backstay.core.record.entries import Entry, standing
from backstay.core.record.state import HANDLING
from backstay.identifiers import EventKind, LimitedBy
from backstay.report.limits import hazard_words
from backstay.web.desks import Desks
from backstay.web.models import Choice, EventItem, RecordView, SaidView

ENDS: tuple[tuple[str, str, str], ...] = (
    ("r", "reached its place", "reached"),
    ("g", LIMITED_BY[LimitedBy.GUIDE_OUT], "stopped guide backed out"),
    ("p", LIMITED_BY[LimitedBy.PROLAPSE], "stopped prolapsed"),
    ("e", LIMITED_BY[LimitedBy.EDGE_LOCK], "stopped caught"),
    ("n", LIMITED_BY[LimitedBy.PUSH_LOST], "stopped no push"),
    ("k", LIMITED_BY[LimitedBy.SHAFT_KINK], "stopped kinked"),
    ("w", LIMITED_BY[LimitedBy.WIRE_DRAGGED], "stopped wire came forward"),
    ("t", LIMITED_BY[LimitedBy.WIRE_WRAP], "stopped wrapped"),
    ("c", LIMITED_BY[LimitedBy.COLLAR_CATCH], "stopped collar"),
    ("f", LIMITED_BY[LimitedBy.NO_PASSAGE], "stopped too tight"),
    ("i", LIMITED_BY[LimitedBy.NOT_TOLERATED], "stopped not tolerated"),
)
"""How an attempt ends: the second of its two keys, in words, and the rest of the line it stands for."""


def record_view(desks: Desks, case: str) -> RecordView:
    """Return what stands of a record, the latest first."""
    loaded, entries = desks.desk(case).case, desks.entries(case)
    names = _names(loaded)
    stands = standing(entries)
    device = _in_hand(loaded, stands)
    return RecordView(
        title=loaded.title,
        invented=loaded.invented,
        begun=bool(entries),
        signed=any(entry.kind is EventKind.SIGNED for entry in entries),
        events=[_item(entry, names, desks.clock()) for entry in reversed(stands)],
        written=_written(entries, stands),
        attempt_with=names[device],
        attempt=[Choice(words=f"{key} {text}", value=f"{device} {line}") for key, text, line in ENDS],
        examples=list(EXAMPLES),
        room=desks.room(case),
    )


def _in_hand(case: LoadedCase, stands: Sequence[Entry]) -> str:
    """Return the device that an attempt is most likely of: one that was stopped and is still in, else the plan's."""
    last = next((entry for entry in reversed(stands) if entry.kind in HANDLING), None)
    tried = "" if last is None or last.text("outcome") != "stopped" else last.text("device") or ""
    return tried if tried in case.shelf.devices else case.device.id


def said_view(desks: Desks, case: str, said: Said) -> SaidView:
    """Return what became of a line, and tell the pages that follow."""
    if said.event is not None:
        desks.learn(case)
        desks.show_room(case)
    names, now = _names(desks.desk(case).case), desks.clock()
    echo = "" if said.event is None else _echo(said.event, names, now)
    if said.instead_of is not None:
        echo = f"{echo}, instead of: {_echo(said.instead_of, names, now)}"
    if said.taken_back is not None:
        again = f"; stands again: {echo}" if said.event is not None and said.event.restores else ""
        echo = f"taken back: {_echo(said.taken_back, names, now)}{again}"
    hazards = [said.trouble] if said.trouble else []
    if said.event is not None and said.taken_back is None and _is_other_day(said.event.at, now):
        hazards.append(f"written for {_clock(said.event.at, now)}: take it back if today was meant")
    hazards += [hazard_words(row) for row in said.hazards]
    if said.hazards and said.waiting:
        hazards.append(f"{said.waiting} more under Limits")
    return SaidView(
        written=said.event is not None,
        echo=echo,
        question=said.question,
        choices=[Choice(words=words, value=line) for words, line in said.choices],
        hazards=hazards,
        again=said.again,
        stands=said.event is not None and (said.taken_back is None or said.event.restores is not None),
    )


def _written(entries: Sequence[Entry], stands: Sequence[Entry]) -> list[str]:
    can = {entry.id for entry in stands if entry.kind not in KEPT_WHOLE}
    return [entry.id for entry in reversed(entries) if entry.id in can]


def _names(case: LoadedCase) -> dict[str, str]:
    return {device.id: device.name for device in case.shelf.devices.values()}


def _echo(event: Event, names: dict[str, str], now: datetime) -> str:
    return f"{_clock(event.at, now)}  {event_words(entry_of(event), names)}"


def _clock(at: datetime, now: datetime) -> str:
    """Return the time of day, with the day where it is not today's."""
    at = at.astimezone(now.tzinfo)
    return f"{at:%d %b %H:%M}" if _is_other_day(at, now) else f"{at:%H:%M}"


def _is_other_day(at: datetime, now: datetime) -> bool:
    return at.astimezone(now.tzinfo).date() != now.date()


def _item(entry: Entry, names: dict[str, str], now: datetime) -> EventItem:
    at = datetime.fromtimestamp(entry.at_s, now.tzinfo)
    return EventItem(
        id=entry.id,
        kind=entry.kind,
        clock=_clock(at, now),
        words=event_words(entry, names),
        role=entry.author_role,
    )
