"""A case's record kept open: lines from any page, each written once however often it is sent."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from backstay.adapters.event_models import Event
from backstay.adapters.limits_file import HazardRow
from backstay.adapters.log_devices import Unclear
from backstay.adapters.log_text import parse_line
from backstay.adapters.record_entries import entries_of, entry_of
from backstay.app.record import KEPT_WHOLE, LATEST_BACK_H, UNDONE, Clock, Recorder, local_clock
from backstay.app.safety.steps import hazards_of_event
from backstay.core.record.entries import Entry
from backstay.errors import InputError, NotFound
from backstay.identifiers import EventKind

AHEAD = timedelta(minutes=1)


@dataclass(frozen=True)
class Said:
    """What became of a line.

    Attributes
    ----------
    event : Event or None
        As written; None when nothing was.
    taken_back : Event or None
        What was taken back.
    again : bool
        It had been written before: the line was sent twice.
    question : str
        What is unclear; empty when nothing is.
    choices : tuple of (str, str)
        What may be meant, in words, and the line that says so.
    hazards : tuple of HazardRow
        What the event makes dangerous, at most two.
    waiting : int
        How many more wait behind them.
    trouble : str
        What is wrong with the file beside the case, though the event is kept; empty where nothing is.
    instead_of : Event or None
        What it replaces.
    """

    event: Event | None
    taken_back: Event | None = None
    again: bool = False
    question: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    hazards: tuple[HazardRow, ...] = ()
    waiting: int = 0
    trouble: str = ""
    instead_of: Event | None = None


class RecordDesk:
    """The record of one case, open for several pages at once.

    Parameters
    ----------
    case_file : Path
        The case.
    store_url : str or None
        Where records are kept.
    clock : callable
        Gives the time.
    told : callable
        Hears of each event as soon as it is on the disk, before what follows from it is worked out.
    """

    def __init__(
        self,
        case_file: Path,
        *,
        store_url: str | None = None,
        clock: Clock = local_clock,
        told: Callable[[Event], None] = lambda _: None,
    ) -> None:
        self.recorder = Recorder(case_file, store_url=store_url, clock=clock)
        self.clock, self._told = clock, told
        self._lock = threading.Lock()

    def close(self) -> None:
        """Let go of the store."""
        self.recorder.close()

    @property
    def events(self) -> list[Event]:
        """Return the whole record, in the order written."""
        return list(self.recorder.events)

    @property
    def entries(self) -> tuple[Entry, ...]:
        """Return the whole record as the core sees it."""
        return entries_of(self.recorder.events)

    @property
    def standing(self) -> tuple[Entry, ...]:
        """Return what stands of it, by time."""
        return self.recorder.state.timeline

    def refresh(self) -> bool:
        """Take in what other programs added; returns whether there was anything."""
        with self._lock:
            return self.recorder.refresh()

    def say(self, line: str, *, key: str, role: str, said_at: datetime | None = None) -> Said:
        """Write down a line; a key that was written before gives what was written then.

        Raises
        ------
        InputError
            It is not understood, a value is out of range, or it was typed too long ago; nothing was written.
        """
        with self._lock:
            self.recorder.refresh()
            before = self.recorder.written(key)
            if before is not None:
                return Said(before, again=True)
            self.recorder.author_role = role
            try:
                event = self.recorder.log(line, key=key, said_at=self._checked(said_at))
            except Unclear as error:
                return Said(None, question=error.message, choices=error.choices)
            self._told(event)
            shown, waiting = hazards_of_event(self.recorder.case, self.recorder.events, event.id)
            wrong = None if event.supersedes is None else self.recorder.written(event.supersedes)
            return Said(
                event, hazards=shown, waiting=waiting, trouble=self.recorder.trouble, instead_of=wrong
            )

    def correct(self, event_id: str, line: str, *, key: str, role: str, reason: str = "") -> Said:
        """Let a line stand instead of an event, at that event's time; without a line the event is taken back.

        Raises
        ------
        NotFound
            There is no such event, or it does not stand any more.
        InputError
            The line is of another kind of event, or not understood; nothing was written.
        """
        with self._lock:
            self.recorder.refresh()
            before = self.recorder.written(key)
            if before is not None:
                return Said(before, taken_back=self._taken_back(before), again=True)
            wrong = self._standing(event_id)
            self.recorder.author_role = role
            if not line.strip():
                why = reason or "taken back"
                if why == UNDONE:
                    event = self.recorder.take_back(wrong, key=key, reason=why)
                else:
                    # Not by the recorder's key but for a reason: what it had replaced does not stand again.
                    event = self.recorder.add(EventKind.CORRECTION, supersedes=wrong, key=key, reason=why)
                self._told(event)
                return Said(event, taken_back=wrong, trouble=self.recorder.trouble)
            try:
                scene = self.recorder.scene.without(wrong.id)
                typed = parse_line(line, scene.as_of(wrong.at.timestamp()))
            except Unclear as error:
                return Said(None, question=error.message, choices=error.choices)
            kind = EventKind(wrong.kind)  # type: ignore[attr-defined]  # every kind of event has one, the base none
            if typed.kind is not kind:
                raise InputError(
                    "another kind of event: take this one back, and write the other",
                    field="line",
                    value=typed.kind.value,
                    allowed=kind.value,
                )
            timed = typed.clock is not None or typed.minutes_ago > 0.0
            at = self.recorder.time_of(typed, self.clock()) if timed else wrong.at
            event = self.recorder.add(kind, at=at, supersedes=wrong, key=key, **typed.values)
            self._told(event)
            return Said(event, trouble=self.recorder.trouble, instead_of=wrong)

    def _taken_back(self, event: Event) -> Event | None:
        is_taken = entry_of(event).kind is EventKind.CORRECTION or event.restores is not None
        return self.recorder.written(str(event.supersedes)) if is_taken else None

    def _standing(self, event_id: str) -> Event:
        stands = {entry.id for entry in self.standing if entry.kind not in KEPT_WHOLE}
        found = self.recorder.written(event_id) if event_id in stands else None
        if found is None:
            raise NotFound(
                "no such event, or it does not stand any more",
                field="event",
                value=event_id,
                allowed="one of the timeline that can be corrected",
            )
        return found

    def _checked(self, said_at: datetime | None) -> datetime | None:
        """Refuse a time that lies ahead or long back; a page that was cut off sends its lines late."""
        now = self.clock()
        if said_at is None:
            return None
        said_at = said_at.astimezone(now.tzinfo)
        if said_at > now + AHEAD or now - said_at > timedelta(hours=LATEST_BACK_H):
            raise InputError(
                "typed ahead of this server's clock, or too long ago",
                field="said_at",
                value=said_at.isoformat(timespec="seconds"),
                allowed=f"up to now, at most {LATEST_BACK_H:g} hours back",
            )
        return min(said_at, now)
