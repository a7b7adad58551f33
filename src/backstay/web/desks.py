"""Cases at work: each with its plan and its record in memory, one thread that solves, and pages told of it all.

What solves and draws is imported where it is used: the first page must not wait for the solver's libraries.
"""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING

from backstay.adapters.atomic import write_atomic
from backstay.adapters.events_file import events_path
from backstay.app.library import Library, without_folders
from backstay.app.progress import FIRST_RUNG
from backstay.core.record.entries import standing
from backstay.errors import error_shape
from backstay.identifiers import EventKind
from backstay.web.hub import Hub

if TYPE_CHECKING:
    from backstay.adapters.case_file import RigTable, TargetTable
    from backstay.app.loading import LoadedCase
    from backstay.app.plan_desk import PlanDesk
    from backstay.app.record_desk import RecordDesk
    from backstay.core.record.entries import Entry
    from backstay.core.rigging.moves import Alternative

QUIET_S = 1.5
"""How long the solver's thread leaves the machine to the first page, unless there is something to solve."""
WANTED_S = 30.0
"""How long a plan that was asked for is worked on with no page open on the case."""
MOST_OPEN = 8
PLAN_FILE = "plan.json"
"""Beside a case: the last whole plan the workbench made of it."""
ASKED_FIRST, IN_PLACE_NEXT, OTHERS_LAST = 0, 1, 2
Job = Callable[[], None]
Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Extra:
    """Something long made of a case beside its plan.

    Attributes
    ----------
    key : object
        What it was made from: with another, it is made anew.
    made : object
        The outcome; None while it is being made, or where it could not be.
    problem : str
        Why it could not be made.
    """

    key: object
    made: object = None
    problem: str = ""


def local_clock() -> datetime:
    """Return the time now, with this place's offset from UTC."""
    return datetime.now().astimezone()


@dataclass
class Desk:
    """One case at work.

    Attributes
    ----------
    name : str
        Of the case in the library.
    case : LoadedCase
        As its files were when it was laid out.
    stamp : tuple
        What tells whether they have changed since.
    doing : str
        What is being worked out.
    share : float
        How much of it is done.
    failed : dict of str to str
        Rigs that could not be worked out, and why.
    wanted_at_s : float
        When somebody last asked for its plan [s, monotonic].
    queued : bool
        Its rigs are in the queue, or done.
    weighing_by : tuple of str or None
        Events that its rigs are being weighed by; None while they are not.
    first_rung : str
        The first rung so far, while the rest of the ladder is worked out.
    """

    name: str
    case: LoadedCase
    stamp: tuple[tuple[int, int], ...]
    draws: int
    doing: str = ""
    share: float = 0.0
    failed: dict[str, str] = field(default_factory=dict)
    record: RecordDesk | None = None
    plan: PlanDesk | None = None
    room_shown: str = ""
    wanted_at_s: float = 0.0
    queued: bool = False
    weighing_by: tuple[str, ...] | None = None
    first_rung: str = ""
    extras: dict[str, Extra] = field(default_factory=dict)

    def laid_out(self) -> PlanDesk:
        """Return the plan, begun now if it was not."""
        if self.plan is None:
            from backstay.app.plan_desk import PlanDesk

            self.plan = PlanDesk(self.case, draws=self.draws)
        return self.plan


class Desks:
    """The cases at work.

    Parameters
    ----------
    library : Library
        Where cases lie.
    hub : Hub
        Who is told.
    store_url : str or None
        Where records are kept.
    draws : int
        Draws of a plan.
    clock : callable
        Gives the time.
    """

    def __init__(
        self,
        library: Library,
        hub: Hub,
        *,
        store_url: str | None = None,
        draws: int = 1024,
        clock: Callable[[], datetime] = local_clock,
    ) -> None:
        self.library, self.hub, self.store_url = library, hub, store_url
        self.clock, self.draws = clock, draws
        self._desks: dict[str, Desk] = {}
        self._lock = threading.RLock()
        self._jobs: queue.PriorityQueue[tuple[int, int, Desk | None, Job]] = queue.PriorityQueue()
        self._count = itertools.count()
        self._wanted = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to solve; the compiled loops are made ready first."""
        self._thread = threading.Thread(target=self._work, name="solver", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop after the job in hand, and let go of every record."""
        self._jobs.put((-1, next(self._count), None, lambda: None))
        self._wanted.set()
        with self._lock:
            for desk in self._desks.values():
                if desk.record is not None:
                    desk.record.close()
            self._desks.clear()

    def desk(self, name: str) -> Desk:
        """Return a case at work, laid out anew where its files have changed."""
        with self._lock:
            desk = self._desks.get(name)
            if desk is not None and desk.stamp == _stamp(desk.case):
                return desk
            case = self.library.load(name)
            if desk is not None and desk.record is not None:
                desk.record.close()
            desk = Desk(name, case, _stamp(case), self.draws)
            self._desks.pop(name, None)
            self._desks[name] = desk
            self._close_the_oldest()
            return desk

    def _close_the_oldest(self) -> None:
        idle = [name for name in self._desks if name not in self.hub.followed]
        for name in idle[: max(len(self._desks) - MOST_OPEN, 0)]:
            desk = self._desks.pop(name)
            if desk.record is not None:
                desk.record.close()

    # The plan

    def plan(self, name: str) -> Desk:
        """Return a case at work whose rigs are being solved, the rig in place first."""
        desk = self.desk(name)
        desk.wanted_at_s = time.monotonic()
        with self._lock:
            plan, was_queued = desk.laid_out(), desk.queued
            desk.queued = True
        if not was_queued:
            desk.doing = "making the solver ready (the first time after installing, a minute or two)"
            for k, group in enumerate(plan.groups()):
                if any(option in plan.waiting for option in group):
                    self._put(OTHERS_LAST if k else IN_PLACE_NEXT, desk, partial(self._solve, desk, group))
            self._put(OTHERS_LAST, desk, partial(self._settle, desk))
        return desk

    def _solve(self, desk: Desk, group: tuple[Alternative, ...]) -> None:
        for rig in desk.laid_out().solve(group, partial(self._told, desk)):
            self.hub.tell(desk.name, "rig", {"id": rig})

    def _settle(self, desk: Desk) -> None:
        plan, entries = desk.laid_out(), self.entries(desk.name)
        try:
            if not plan.waiting:
                for _ in plan.settle(entries, partial(self._told, desk)):
                    desk.weighing_by = None
                    self.hub.tell(desk.name, "rested", {})
                    self.show_room(desk.name)
                self._keep(desk, entries)
        finally:
            desk.weighing_by = None
        self._rested(desk)
        self.learn(desk.name)  # by what came into the record meanwhile

    def _keep(self, desk: Desk, entries: Sequence[Entry]) -> None:
        """Keep a whole plan beside its case until its report is signed: the report holds the attempts against it."""
        plan = desk.laid_out().plan
        if plan is not None and not _is_signed(entries):
            content = plan.model_dump_json(by_alias=True, indent=1) + "\n"
            write_atomic(desk.case.file.with_name(PLAN_FILE), content)

    def learn(self, name: str) -> None:
        """Weigh the rigs of a case anew where its record holds what they were not weighed by yet."""
        desk = self.desk(name)
        if desk.plan is None or desk.plan.waiting:
            return
        by = desk.plan.weighs(self.entries(name))
        with self._lock:
            if by in (desk.plan.weighed_by, desk.weighing_by):
                return
            desk.weighing_by = by
        desk.doing, desk.first_rung = "weighing the rigs by the record", ""
        self.hub.tell(name, "progress", {"doing": desk.doing, "share": 0.0, "rig": ""})
        self._put(ASKED_FIRST, desk, partial(self._settle, desk))

    def ask(self, name: str, rig: RigTable, target: TargetTable) -> tuple[str, str]:
        """Begin to work out a rig of the user's own, before all that waits; returns its id and what it changes."""
        desk = self.plan(name)
        plan = desk.laid_out()
        case, option = plan.ask(rig, target)

        def job() -> None:
            plan.solve_asked(case, option, lambda what, share: self._told(desk, what, share, option.id))
            self.hub.tell(name, "rig", {"id": option.id})
            if not plan.waiting:
                self._rested(desk)

        self._put(ASKED_FIRST, desk, job, option.id)
        return option.id, option.change

    def extra(
        self, name: str, what: str, key: object, make: Callable[[LoadedCase, Progress], object]
    ) -> Extra:
        """Return something long made of a case, begun now where it was not, or where its key is another."""
        desk = self.desk(name)
        with self._lock:
            there = desk.extras.get(what)
            if there is not None and there.key == key:
                return there
            desk.extras[what] = waiting = Extra(key)

        def job() -> None:
            try:
                done = Extra(key, made=make(desk.case, partial(self._told, desk)))
            except Exception as error:  # whatever it is, who asked for it is told
                shape = error_shape(without_folders(error, self.library.folder))
                done = Extra(key, problem=f"{shape['message']} {shape['allowed']}".strip())
            desk.extras[what] = done
            desk.doing = ""
            self.hub.tell(name, "made", {"what": what})

        self._put(ASKED_FIRST, desk, job, what)
        return waiting

    def _told(self, desk: Desk, what: str, share: float, rig: str = "") -> None:
        desk.doing, desk.share = what, share
        if what.startswith(FIRST_RUNG) and what != desk.first_rung:
            desk.first_rung = what
            self.show_room(desk.name)
        self.hub.tell(desk.name, "progress", {"doing": what, "share": round(share, 3), "rig": rig})

    def _rested(self, desk: Desk) -> None:
        desk.doing, desk.share = "", 1.0
        self.hub.tell(desk.name, "rested", {})
        self.show_room(desk.name)

    def _put(self, rank: int, desk: Desk, job: Job, rig: str = "") -> None:
        def guarded() -> None:
            try:
                job()
            except Exception as error:  # whatever it is, the next rig must still be worked out
                shape = error_shape(without_folders(error, self.library.folder))
                desk.failed[rig or "rigs"] = str(shape["message"])
                self.hub.tell(desk.name, "failed", {"rig": rig, "error": shape})

        self._jobs.put((rank, next(self._count), desk, guarded))
        self._wanted.set()

    def _work(self) -> None:
        self._wanted.wait(QUIET_S)
        from backstay.app.plan_desk import warm
        from backstay.web import record_views  # noqa: F401  # the first line must not wait for it either

        warm()
        while True:
            rank, _, desk, job = self._jobs.get()
            if desk is None:
                return
            if self._desks.get(desk.name) is not desk:
                continue  # its files have changed, or it was closed
            if rank == OTHERS_LAST and not self._is_wanted(desk):
                desk.queued = False  # nobody looks; who comes back finds it taken up again
                continue
            job()

    def _is_wanted(self, desk: Desk) -> bool:
        return desk.name in self.hub.followed or time.monotonic() - desk.wanted_at_s < WANTED_S

    # The record

    def record(self, name: str) -> RecordDesk:
        """Return the record of a case, begun now if there was none."""
        desk = self.desk(name)
        with self._lock:
            if desk.record is None:
                from backstay.app.record_desk import RecordDesk

                desk.record = RecordDesk(
                    desk.case.file,
                    store_url=self.store_url,
                    clock=self.clock,
                    told=lambda event: self.hub.tell(name, "record", {"last": event.id}),
                )
            return desk.record

    def entries(self, name: str) -> tuple[Entry, ...]:
        """Return the record of a case, empty where none was begun: looking at it begins none."""
        desk = self.desk(name)
        file = events_path(desk.case.file)
        if desk.record is None and not (file.exists() and file.stat().st_size):
            return ()
        return self.record(name).entries

    def is_signed(self, name: str) -> bool:
        """Return whether a case's report is signed: nothing of it can change any more."""
        return _is_signed(self.entries(name))

    def room(self, name: str) -> str:
        """Return the room's display of a case; advice that was weighed by an older record is shown as old."""
        from backstay.app.room import room_of
        from backstay.report.room import room_html

        desk = self.desk(name)
        at = self.clock()
        entries = self.entries(name)
        room = room_of(desk.case, entries, at=at)
        # A next move is named once every rig was weighed, not before.
        plan = None if desk.plan is None else desk.plan.plan
        whole = plan if plan is not None and plan.ladder is not None else None
        so_far = desk.first_rung.removeprefix(FIRST_RUNG)
        old = desk.plan is not None and desk.plan.weighs(entries) != desk.plan.weighed_by
        return room_html(room, whole, weighing=old, first_rung=so_far)

    def tick(self, name: str) -> None:
        """Take in what other programs wrote, and show the room what has changed, if only its clocks.

        Where the case's files have changed, its plan is begun anew: somebody follows it.
        """
        desk = self.desk(name)
        if desk.plan is None and not self.is_signed(name):
            self.plan(name)
        if desk.record is not None and desk.record.refresh():
            self.hub.tell(name, "record", {"last": ""})
            self.learn(name)
        self.show_room(name)

    def show_room(self, name: str) -> None:
        """Send the room's display where it differs from what was sent last."""
        desk = self.desk(name)
        shown = self.room(name)
        if shown != desk.room_shown:
            desk.room_shown = shown
            self.hub.tell(name, "room", {"html": shown})


def _is_signed(entries: Sequence[Entry]) -> bool:
    return any(entry.kind is EventKind.SIGNED for entry in standing(entries))


def _stamp(case: LoadedCase) -> tuple[tuple[int, int], ...]:
    found = []
    for file in case.inputs:
        try:
            stat = file.stat()
            found.append((stat.st_mtime_ns, stat.st_size))
        except OSError:
            found.append((0, 0))
    return tuple(found)
