"""Keeping the record of a case: lines typed in, events written down, the state that follows from them.

The store holds the record; `CASE.events.jsonl` beside the case holds the same events for people and other
programs. Opening a record brings both to all events either of them has.
"""

from __future__ import annotations

import hashlib
import os
import uuid
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from backstay.adapters.event_models import EVENT_TYPES, Event, OpenedEvent
from backstay.adapters.events_file import EventsFile, events_path, line_of
from backstay.adapters.log_place import Scene
from backstay.adapters.log_text import Typed, parse_line
from backstay.adapters.record_entries import entries_of, entry_of
from backstay.adapters.store import Listed, Store
from backstay.adapters.toml_text import read_text, validated
from backstay.app.loading import LoadedCase, load_case
from backstay.app.mending import read_mended
from backstay.app.safety.setting import rig_now
from backstay.core.record.state import RecordState, one_more, state_of
from backstay.core.safety.now import Now
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import DeviceKind, EventKind

STORE_VARIABLE = "BACKSTAY_STORE"
LATEST_BACK_H = 12.0
UNDONE = "undone"
MOST_ADDED = 8
"""Events added to a state one by one; more of them at once are faster gone through with the whole record."""
KEPT_WHOLE = frozenset({EventKind.OPENED, EventKind.SIGNED, EventKind.ADDENDUM})
Clock = Callable[[], datetime]


def local_clock() -> datetime:
    """Return the time now, with this place's offset from UTC."""
    return datetime.now().astimezone()


def default_store() -> str:
    """Return the URL of the store: as BACKSTAY_STORE says, else a file in the user's data folder.

    The folder is made so that only this user may look into it: records are patients' data.
    """
    said = os.environ.get(STORE_VARIABLE)
    if said:
        return said
    base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    folder = base / "backstay"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    return f"sqlite:///{folder / 'records.sqlite'}"


class Recorder:
    """The record of one case, open.

    Parameters
    ----------
    case_file : Path
        The case.
    store_url : str or None
        Where records are kept; the default store when None.
    author_role : str
        Who writes.
    clock : callable
        Gives the time.

    Raises
    ------
    NotFound, FileFormatError, InputError
        The case or its record cannot be read, or they belong to different cases.
    StoreError
        The store cannot be used.
    """

    def __init__(
        self,
        case_file: Path,
        *,
        store_url: str | None = None,
        author_role: str = "recorder",
        clock: Clock = local_clock,
    ) -> None:
        self.case = load_case(case_file)
        self.file = events_path(case_file)
        self.author_role, self.clock = author_role, clock
        self.kinds: dict[str, DeviceKind] = {d.id: d.kind for d in self.case.shelf.devices.values()}
        self.trouble, self.notice = "", ""
        self._beside, self._waiting = EventsFile(self.file), list[Event]()
        self._folded, self._state = list[Event](), RecordState((), Now())
        self.store = Store(store_url or default_store())
        try:
            beside = read_mended(self.file, self.store)
            self.record_id = self._opened(beside)
            self.events = self._bring_together(beside)
        except BaseException:
            self.store.close()
            raise

    def close(self) -> None:
        """Let go of the store."""
        self.store.close()

    @property
    def listed(self) -> Listed:
        """Return the record as a list shows it."""
        return self.store.record(self.record_id)

    @property
    def state(self) -> RecordState:
        """Return where the case stands; gone through anew only where an event does not just add to the end."""
        new = self.events[len(self._folded) :] if self._folded == self.events[: len(self._folded)] else None
        state: RecordState | None = self._state
        many = new is None or len(new) > MOST_ADDED
        for event in () if many else new or ():
            state = state and one_more(state, entry_of(event), self.kinds)
        if many or state is None:
            state = state_of(entries_of(self.events), self.kinds)
        self._folded, self._state = list(self.events), state
        return state

    @property
    def scene(self) -> Scene:
        """Return what a line may refer to."""
        case = self.case
        return Scene(
            shelf=case.shelf,
            lesions=tuple((lesion.from_mm, lesion.to_mm) for lesion in case.lesions),
            target_mm=(case.target_from_mm, case.target_to_mm),
            target_device=case.device.id,
            length_mm=case.path.length_mm,
            branches=tuple(branch.name for branch in case.branches),
            state=self.state,
            in_place=frozenset(one.device for one in rig_now(case.rig).inside),
        )

    def refresh(self) -> bool:
        """Take in what other writers added since; returns whether there was anything."""
        if self.listed.length == len(self.events):
            return False
        self.events = self.store.events(self.record_id)
        return True

    def written(self, key: str) -> Event | None:
        """Return the event of this id, None where there is none: a line sent again is not written again."""
        return next((event for event in self.events if event.id == key), None)

    def log(self, line: str, *, key: str | None = None, said_at: datetime | None = None) -> Event:
        """Write down what a line says; once this returns it is on the disk.

        Parameters
        ----------
        line : str
            A short line.
        key : str or None
            Id the event is to have; a new one when None.
        said_at : datetime or None
            When the line was typed; now when None.

        Raises
        ------
        Unclear
            The line could mean several things, which the error names; nothing was written.
        InputError
            It is not understood, or a value is out of range; nothing was written.
        """
        now, scene = said_at or self.clock(), self.scene
        typed = parse_line(line, scene)
        at = self.time_of(typed, now)
        if scene.state.timeline and at.timestamp() < scene.state.timeline[-1].at_s:
            wrong_s = typed.supersedes.at_s if typed.supersedes is not None else 0.0
            typed = parse_line(line, scene.as_of(max(at.timestamp(), wrong_s)))
        return self.add(typed.kind, at=at, supersedes=typed.supersedes, key=key, **typed.values)

    def undo(self, *, key: str | None = None) -> Event:
        """Take back the event that was written last of those that stand; `key` as for `log`.

        Raises
        ------
        InputError
            There is none left to take back.
        """
        standing = {entry.id for entry in self.state.timeline if entry.kind not in KEPT_WHOLE}
        last = next((event for event in reversed(self.events) if event.id in standing), None)
        if last is None:
            raise InputError("nothing to undo", field="undo", allowed="after the first event")
        return self.take_back(last, key=key, reason=UNDONE)

    def take_back(self, wrong: Event, *, key: str | None = None, reason: str = "taken back") -> Event:
        """Take an event back; what it had replaced is said anew and stands again. `key` as for `log`."""
        said = wrong
        while said.restores is not None:
            said = self._named(said.restores)
        if said.supersedes is None:
            return self.add(EventKind.CORRECTION, supersedes=wrong, key=key, reason=reason)
        before = self._named(said.supersedes)
        values = before.model_dump(exclude_none=True, exclude=set(Event.model_fields) | {"kind"})
        return self.add(
            entry_of(before).kind, at=before.at, supersedes=wrong, restores=before.id, key=key, **values
        )

    def _named(self, name: str) -> Event:
        return next(event for event in self.events if event.id == name)

    def add(
        self,
        kind: EventKind,
        *,
        at: datetime | None = None,
        supersedes: Any = None,
        after: str | None = None,
        key: str | None = None,
        **values: Any,
    ) -> Event:
        """Write down an event given by its values; `after` is the head it must follow, `key` the id it is to have."""
        data: dict[str, Any] = {"schema": 1, "id": key or uuid.uuid4().hex, "author_role": self.author_role}
        data |= {"at": (at or self.clock()).isoformat(timespec="seconds"), "kind": kind.value, **values}
        data |= {"supersedes": supersedes.id} if supersedes is not None else {}
        event = validated(EVENT_TYPES[kind], data, where="log")
        self.store.append(self.record_id, event, after=after)
        self.events.append(event)
        self._write_beside(event)
        return event

    def _write_beside(self, *events: Event) -> None:
        """Write kept events to the file too, with what could not be written there before; `trouble` says where it cannot."""
        lost = bool(self._folded) and not self.file.exists()  # somebody took it away meanwhile
        self._waiting = list(self.events) if lost else [*self._waiting, *events]
        try:
            self._beside.append(*self._waiting, but_there=True)  # another recorder may have written them
        except (OSError, InputError) as error:
            why = error.strerror if isinstance(error, OSError) else str(error)
            self.trouble = f"kept, but {self.file.name} beside the case does not have it: {why}"
        else:
            self._waiting, self.trouble = [], ""

    def time_of(self, typed: Typed, now: datetime) -> datetime:
        """Return when it happened, by a line typed `now`; a fix happened when what it fixes did."""
        if typed.clock is not None:
            at = now.replace(hour=typed.clock[0], minute=typed.clock[1], second=0, microsecond=0)
            if at > now + timedelta(minutes=1):
                at -= timedelta(days=1)
            if now - at > timedelta(hours=LATEST_BACK_H):
                raise InputError(
                    "that is still to come, or long ago",
                    field="time",
                    value=f"{typed.clock[0]:02d}:{typed.clock[1]:02d}",
                    allowed=f"at most {LATEST_BACK_H:g} hours back",
                )
            return at
        if typed.supersedes is not None and not typed.minutes_ago:
            return datetime.fromtimestamp(typed.supersedes.at_s, now.tzinfo)
        if typed.minutes_ago > 60.0 * LATEST_BACK_H:
            raise InputError(
                "that is long ago",
                field="time",
                value=f"{typed.minutes_ago:g} min ago",
                allowed=f"at most {LATEST_BACK_H:g} hours back",
            )
        return now - timedelta(minutes=typed.minutes_ago)

    def _opened(self, beside: Sequence[Event]) -> str:
        """Return the record's id, beginning one where there is none."""
        found = next((event for event in beside if isinstance(event, OpenedEvent)), None)
        if found is None:
            self.notice = self._same_elsewhere()
        opened = found or self._opening(beside)
        if not self.store.has(opened.record):
            self.store.begin(opened, input_files(self.case), taken_in=found is not None)
        return opened.record

    def _same_elsewhere(self) -> str:
        """Return what to say where a record is begun though the store has one of this title from the last hours."""
        since = (self.clock() - timedelta(hours=LATEST_BACK_H)).astimezone(UTC)
        same = [
            one
            for one in self.store.records(self.case.title, signed=False)
            if one.title == self.case.title and one.last_at >= since.isoformat()
        ]
        if not same:
            return ""
        return (
            f"a new record begins, though the store has one of this title, last written {same[0].last_at} "
            f"({same[0].id}): if {self.file.name} beside the case was lost, stop and bring it back"
        )

    def _opening(self, beside: Sequence[Event]) -> OpenedEvent:
        case = self.case
        at = min([event.at for event in beside], default=self.clock())
        files = input_files(case)
        data = {
            "schema": 1,
            "id": uuid.uuid4().hex,
            "kind": EventKind.OPENED.value,
            "author_role": self.author_role,
            "at": at.isoformat(timespec="seconds"),
            "record": uuid.uuid4().hex,
            "title": case.title,
            "vessel": case.vessel_name,
            "invented": case.invented,
            "inputs": {name: hashlib.sha256(text.encode()).hexdigest() for name, text in files.items()},
        }
        return validated(OpenedEvent, data, where="log")

    def _bring_together(self, beside: Sequence[Event]) -> list[Event]:
        """Give the store what only the file has, and the file what only the store has; returns all of it."""
        stored = self.store.events(self.record_id)
        known, written = {event.id for event in stored}, {event.id: event for event in beside}
        missing = [event for event in beside if event.id not in known]
        for event in missing:
            self.store.append(self.record_id, event, taken_in=True)
        for event in stored:
            if event.id in written and event != written[event.id]:
                raise FileFormatError(
                    "an event is not as it was written; the store has it otherwise",
                    field="id",
                    value=event.id,
                    allowed=line_of(event),
                    where=str(self.file),
                )
        self._write_beside(*(event for event in stored if event.id not in written))
        # Read anew only where something was added: a long record takes a while to read and check.
        return self.store.events(self.record_id) if missing else stored


def input_files(case: LoadedCase) -> dict[str, str]:
    """Return the text of every file a case was read from, by name."""
    return {file.name: read_text(file, max_bytes=20_000_000) for file in case.inputs}
