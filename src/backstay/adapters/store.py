"""The store of records: SQLite in a file by default, PostgreSQL by URL, the same behaviour on both.

An event that `append` has returned for is on the disk. Writers take turns record by record; none waits for a
reader.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError
from sqlalchemy import (
    Connection,
    Engine,
    Row,
    Select,
    and_,
    create_engine,
    event,
    false,
    func,
    or_,
    select,
    update,
)
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError

from backstay.adapters.event_models import AnyEvent, Event, OpenedEvent
from backstay.adapters.store_chain import canonical, first_link, next_link, sha256_of
from backstay.adapters.store_tables import EVENT, KEPT_FILE, RECORD, TAKEN_IN, bring_up_to_date
from backstay.errors import InputError, NotFound, StoreError
from backstay.identifiers import EventKind

BUSY_MS = 30_000
MOST_LISTED = 200
_EVENTS: TypeAdapter[list[AnyEvent]] = TypeAdapter(list[AnyEvent])
_READ_ONLY = "reads_only"
_SIGNS = (EVENT.c.content.contains(f'"kind":"{kind}"') for kind in (EventKind.SIGNED, EventKind.ADDENDUM))
_IS_SIGNED = func.coalesce(or_(*_SIGNS), false())
"""Of the last event of a record: nothing but addenda follows a signature. (Inside a text the marks would be escaped.)"""


@dataclass(frozen=True)
class Listed:
    """A record in a list: what it is, how long, and its chain's head."""

    id: str
    title: str
    vessel: str
    invented: bool
    opened_at: str
    last_at: str
    length: int
    head: str
    is_signed: bool


@dataclass(frozen=True)
class Link:
    """An event as stored: its text, when it was written, its link in the chain; `taken_in` where it came from a file."""

    position: int
    written_at: str
    content: str
    link: str
    taken_in: bool = False


class Store:
    """A store of records.

    Parameters
    ----------
    url : str
        `sqlite:///path/to/file` or `postgresql://user@host/name`.

    Raises
    ------
    InputError
        It is not such a URL.
    StoreError
        It cannot be opened, or a later version wrote it.
    """

    def __init__(self, url: str) -> None:
        self.url = _read_url(url)
        with _as_store_error(self.url):
            self.engine = _engine(self.url)
            try:
                bring_up_to_date(self.engine)
            except BaseException:
                self.engine.dispose()
                raise

    def close(self) -> None:
        """Let go of the database."""
        self.engine.dispose()

    # Writing

    def begin(
        self, opened: OpenedEvent, files: Mapping[str, str] | None = None, *, taken_in: bool = False
    ) -> Listed:
        """Begin a record with its first event, and keep the files it was opened with; `taken_in` as for `append`.

        Raises
        ------
        InputError
            There is such a record already.
        StoreError
            The store cannot be written to.
        """
        with self._write(opened.record) as connection:
            connection.execute(RECORD.insert().values(**_new_row(opened)))
            self._append(connection, opened.record, opened, _now(), taken_in=taken_in)
            for name, content in (files or {}).items():
                _keep(connection, opened.record, name, content)
        return self.record(opened.record)

    def append(
        self, record_id: str, event: Event, *, after: str | None = None, taken_in: bool = False
    ) -> Link:
        """Add an event to a record; once this returns it is on the disk.

        `after` is the head it must follow: one that rests on all before it is not added to more than that.
        `taken_in` marks one that was written elsewhere first and comes from a file.

        Raises
        ------
        NotFound
            There is no such record, or no such event to supersede.
        InputError
            The identifier is used, the event superseded already, the record signed, or longer than known.
        StoreError
            The store cannot be written to; nothing was added.
        """
        with self._write(record_id) as connection:
            if after is not None and _locked(connection, record_id).head != after:
                raise InputError(
                    "the record has grown meanwhile", field="head", value=after, allowed="its head now"
                )
            return self._append(connection, record_id, event, _now(), taken_in=taken_in)

    def restore(self, opened: OpenedEvent, links: Sequence[Link], files: Mapping[str, str]) -> Listed:
        """Put back a whole record with the links it was exported with, or nothing of it."""
        events = parse_links(opened.record, links)
        with self._write(opened.record) as connection:
            connection.execute(RECORD.insert().values(**_new_row(opened)))
            for link, stored in zip(links, events, strict=True):
                self._append(connection, opened.record, stored, link.written_at, taken_in=link.taken_in)
            for name, content in files.items():
                _keep(connection, opened.record, name, content)
        return self.record(opened.record)

    def keep(self, record_id: str, name: str, content: str) -> str:
        """Keep a text file with a record; returns its SHA-256. The same text again changes nothing."""
        with self._write(record_id) as connection:
            _locked(connection, record_id)
            return _keep(connection, record_id, name, content)

    def _append(
        self, connection: Connection, record_id: str, event: Event, written_at: str, *, taken_in: bool
    ) -> Link:
        row = _locked(connection, record_id)
        kind = EventKind(event.kind)  # type: ignore[attr-defined]  # every kind of event has one, the base none
        _check_place(connection, row, event, kind)
        content = canonical(event)
        chained = next_link(row.head, written_at, content)
        link = Link(row.length + 1, written_at, content, chained, taken_in)
        connection.execute(
            EVENT.insert().values(
                record_id=record_id,
                position=link.position,
                event_id=event.id,
                supersedes=event.supersedes,
                written_at=written_at,
                content=content,
                link=link.link,
            )
        )
        if taken_in:
            connection.execute(TAKEN_IN.insert().values(record_id=record_id, position=link.position))
        at = max(row.last_at, event.at.astimezone(UTC).isoformat())
        connection.execute(
            update(RECORD)
            .where(RECORD.c.id == record_id)
            .values(length=link.position, head=link.link, last_at=at)
        )
        return link

    # Reading

    def record(self, record_id: str) -> Listed:
        """Return what a list shows of one record.

        Raises
        ------
        NotFound
            There is no such record.
        """
        with self._read() as connection:
            row = connection.execute(_listing().where(RECORD.c.id == record_id)).first()
        if row is None:
            raise _no_record(record_id)
        return Listed(*row)

    def has(self, record_id: str) -> bool:
        """Return whether there is such a record."""
        with self._read() as connection:
            return connection.execute(select(RECORD.c.id).where(RECORD.c.id == record_id)).first() is not None

    def opened_by(self, event_id: str) -> str | None:
        """Return which record began with this event; None where none did."""
        query = select(EVENT.c.record_id).where(EVENT.c.event_id == event_id, EVENT.c.position == 1)
        with self._read() as connection:
            return connection.execute(query).scalar()

    def records(
        self, words: str = "", *, limit: int = MOST_LISTED, signed: bool | None = None
    ) -> list[Listed]:
        """Return records that hold every word in title, vessel or id, the latest first."""
        query = _listing().order_by(RECORD.c.last_at.desc(), RECORD.c.id).limit(limit)
        for word in words.lower().split():
            query = query.where(RECORD.c.search.contains(word, autoescape=True))
        if signed is not None:
            query = query.where(_IS_SIGNED if signed else ~_IS_SIGNED)
        with self._read() as connection:
            return [Listed(*row) for row in connection.execute(query)]

    def count(self) -> int:
        """Return how many records there are."""
        with self._read() as connection:
            return int(connection.execute(select(func.count()).select_from(RECORD)).scalar_one())

    def links(self, record_id: str) -> list[Link]:
        """Return the events of a record as stored, the chain checked.

        Raises
        ------
        NotFound
            There is no such record.
        StoreError
            The chain is broken: something was changed, dropped or put in.
        """
        columns = (EVENT.c.position, EVENT.c.written_at, EVENT.c.content, EVENT.c.link)
        query = select(*columns).where(EVENT.c.record_id == record_id).order_by(EVENT.c.position)
        with self._read() as connection:
            # One transaction, so that the head belongs to these events.
            row = connection.execute(select(RECORD).where(RECORD.c.id == record_id)).first()
            if row is None:
                raise _no_record(record_id)
            marks = select(TAKEN_IN.c.position).where(TAKEN_IN.c.record_id == record_id)
            taken_in = set(connection.execute(marks).scalars())
            links = [Link(*found, found.position in taken_in) for found in connection.execute(query)]
        check_chain(record_id, links, head=row.head)
        return links

    def events(self, record_id: str) -> list[Event]:
        """Return the events of a record in the order written, the chain checked."""
        return parse_links(record_id, self.links(record_id))

    def files(self, record_id: str) -> dict[str, str]:
        """Return the files kept with a record by name, each in the version kept last."""
        query = select(KEPT_FILE.c.name, KEPT_FILE.c.content).where(KEPT_FILE.c.record_id == record_id)
        with self._read() as connection:
            return {name: content for name, content in connection.execute(query.order_by(KEPT_FILE.c.place))}

    @contextmanager
    def _write(self, record_id: str) -> Iterator[Connection]:
        with _as_store_error(self.url, record_id), self.engine.begin() as connection:
            yield connection

    @contextmanager
    def _read(self) -> Iterator[Connection]:
        options: dict[str, Any] = {_READ_ONLY: True}
        if self.url.get_backend_name() == "postgresql":
            # Everything read inside is of one moment; SQLite's readers see that anyhow.
            options["isolation_level"] = "REPEATABLE READ"
        with _as_store_error(self.url), self.engine.connect() as connection:
            yield connection.execution_options(**options)


def _new_row(opened: OpenedEvent) -> dict[str, Any]:
    at = opened.at.astimezone(UTC).isoformat()
    return {
        "id": opened.record,
        "title": opened.title,
        "vessel": opened.vessel,
        "invented": opened.invented,
        "search": f"{opened.title} {opened.vessel} {opened.record}".lower(),
        "opened_at": at,
        "last_at": at,
        "length": 0,
        "head": first_link(opened.record),
    }


def _listing() -> Select[Any]:
    """Return the query for what a list shows of records, in the order of `Listed`."""
    columns = [RECORD.c[name] for name in Listed.__dataclass_fields__ if name != "is_signed"]
    # A record whose last event is gone is listed too: opening it says what is wrong.
    last = and_(EVENT.c.record_id == RECORD.c.id, EVENT.c.position == RECORD.c.length)
    return select(*columns, _IS_SIGNED).outerjoin(EVENT, last)


def check_chain(record_id: str, links: Sequence[Link], *, head: str) -> None:
    """Refuse a record whose links do not follow one from the other up to its head."""
    link = first_link(record_id)
    for place, stored in enumerate(links, 1):
        link = next_link(link, stored.written_at, stored.content)
        if stored.position != place or stored.link != link:
            raise StoreError(
                f"record {record_id}: the chain is broken at event {place}; it was changed, or one before it is missing"
            )
    if link != head:
        raise StoreError(
            f"record {record_id}: the chain does not end at its head; events are missing at the end"
        )


def parse_links(record_id: str, links: Sequence[Link]) -> list[Event]:
    """Return stored events as events."""
    try:
        return list(_EVENTS.validate_json("[" + ",".join(link.content for link in links) + "]"))
    except ValidationError as error:
        first = error.errors()[0]
        place = first["loc"][0]
        raise StoreError(
            f"record {record_id}: event {int(place) + 1} is not one this version reads ({first['msg']})"
        ) from None


def _read_url(url: str) -> URL:
    allowed = "sqlite:///FILE or postgresql://USER@HOST/NAME"
    try:
        read = make_url(url)
    except ArgumentError:
        raise InputError("not the address of a store", field="store", value=url, allowed=allowed) from None
    if read.get_backend_name() == "postgresql":
        return read.set(drivername="postgresql+psycopg")
    if read.get_backend_name() != "sqlite" or not read.database or read.database == ":memory:":
        value = read.render_as_string(hide_password=True)
        raise InputError("not the address of a store", field="store", value=value, allowed=allowed)
    return read


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "postgresql":
        return create_engine(url, pool_pre_ping=True)
    # Whoever may read the folder of a default store is decided when the folder is made, not here.
    if not Path(str(url.database)).parent.is_dir():
        folder = str(Path(str(url.database)).parent)
        raise InputError(
            "no such folder", field="store", value=folder, allowed="a file in a folder that exists"
        )
    engine = create_engine(url, connect_args={"timeout": BUSY_MS / 1000.0})
    event.listen(engine, "connect", _set_up_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _set_up_sqlite(connection: Any, _: Any) -> None:
    """Write-ahead log, and every commit on the disk before it counts."""
    # The driver must not begin transactions by itself: _begin_sqlite does.
    connection.isolation_level = None
    cursor = connection.cursor()
    cursor.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    mode = cursor.execute("PRAGMA journal_mode = WAL").fetchone()[0]
    if mode != "wal":
        raise StoreError(
            f"this disk keeps no write-ahead log (journal mode {mode}); put the store on a local disk"
        )
    cursor.execute("PRAGMA synchronous = FULL")
    cursor.execute("PRAGMA fullfsync = ON")
    cursor.execute("PRAGMA foreign_keys = ON")
    cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # A writer takes its turn at once; one that began by reading could not be let in later.
    reads_only = connection.get_execution_options().get(_READ_ONLY, False)
    connection.exec_driver_sql("BEGIN" if reads_only else "BEGIN IMMEDIATE")


def _locked(connection: Connection, record_id: str) -> Row[Any]:
    """Return a record's row, held until this transaction ends (SQLite holds the whole file already)."""
    query = select(RECORD).where(RECORD.c.id == record_id).with_for_update()
    row = connection.execute(query).first()
    if row is None:
        raise _no_record(record_id)
    return row


def _check_place(connection: Connection, row: Row[Any], event: Event, kind: EventKind) -> None:
    """Refuse an event that does not belong at the end of this record."""
    mine = EVENT.c.record_id == row.id
    ends = select(_IS_SIGNED).where(mine, EVENT.c.position == row.length)
    is_signed = bool(connection.execute(ends).scalar())
    if is_signed and kind is not EventKind.ADDENDUM:
        raise InputError(
            "the report is signed", field="kind", value=kind.value, allowed="an addendum", where=row.title
        )
    if kind is EventKind.ADDENDUM and not is_signed:
        raise InputError(
            "nothing to add to: the report is a draft",
            field="kind",
            value=kind.value,
            allowed="sign it first",
        )
    is_first = kind is EventKind.OPENED
    if is_first != (row.length == 0):
        raise InputError("a record has one beginning", field="kind", value=kind.value, allowed="once, first")
    used = select(EVENT.c.position).where(mine, EVENT.c.event_id == event.id)
    if connection.execute(used).first() is not None:
        raise InputError("identifier used twice", field="id", value=event.id, allowed="each once")
    if event.supersedes is None:
        return
    found = select(EVENT.c.position).where(mine, EVENT.c.event_id == event.supersedes)
    if connection.execute(found).first() is None:
        raise NotFound(
            "no such event above this one",
            field="supersedes",
            value=event.supersedes,
            allowed="the id of an earlier event",
        )
    taken = select(EVENT.c.position).where(mine, EVENT.c.supersedes == event.supersedes)
    if connection.execute(taken).first() is not None:
        raise InputError(
            "that event was already superseded",
            field="supersedes",
            value=event.supersedes,
            allowed="an event that still stands",
        )


def _keep(connection: Connection, record_id: str, name: str, content: str) -> str:
    sha256 = sha256_of(content)
    key = {"record_id": record_id, "name": name, "sha256": sha256}
    same = select(KEPT_FILE.c.name).filter_by(**key)
    if connection.execute(same).first() is None:
        before = select(func.count()).select_from(KEPT_FILE).where(KEPT_FILE.c.record_id == record_id)
        place = int(connection.execute(before).scalar_one()) + 1
        connection.execute(KEPT_FILE.insert().values(**key, place=place, content=content))
    return sha256


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def _no_record(record_id: str) -> NotFound:
    return NotFound("no such record", field="record", value=record_id, allowed="one that the store lists")


@contextmanager
def _as_store_error(url: URL, record_id: str = "") -> Iterator[None]:
    try:
        yield
    except IntegrityError as error:
        raise InputError(
            "the record is there already, or another writer added the same event",
            field="record",
            value=record_id,
            allowed=f"each once ({str(error.orig).splitlines()[0]})",
        ) from None
    except DBAPIError as error:
        where = url.render_as_string(hide_password=True)
        raise StoreError(f"{where}: {str(error.orig).splitlines()[0]}") from None
