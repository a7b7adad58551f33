"""Tables of the store and the ordered steps that bring an older store up to date.

A step that has been released is never changed; what comes later is a new step. Events and signed reports are
only added to, and the database itself refuses anything else.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import (
    Boolean,
    Column,
    Connection,
    Engine,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    inspect,
    select,
    text,
)

from backstay.errors import StoreError

METADATA = MetaData()

STEPS_TAKEN = Table(
    "step_taken",
    METADATA,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("what", String(200), nullable=False),
    Column("taken_at", String(40), nullable=False),
)
RECORD = Table(
    "record",
    METADATA,
    Column("id", String(64), primary_key=True),
    Column("title", String(200), nullable=False),
    Column("vessel", String(200), nullable=False),
    Column("invented", Boolean, nullable=False),
    Column("search", Text, nullable=False),
    Column("opened_at", String(40), nullable=False),
    Column("last_at", String(40), nullable=False),
    Column("length", Integer, nullable=False),
    Column("head", String(64), nullable=False),
)
EVENT = Table(
    "event",
    METADATA,
    Column("record_id", String(64), ForeignKey("record.id"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("event_id", String(64), nullable=False),
    Column("supersedes", String(64)),
    Column("written_at", String(40), nullable=False),
    Column("content", Text, nullable=False),
    Column("link", String(64), nullable=False),
    UniqueConstraint("record_id", "event_id", name="each_event_once"),
    UniqueConstraint("record_id", "supersedes", name="superseded_once"),
)
KEPT_FILE = Table(
    "kept_file",
    METADATA,
    Column("record_id", String(64), ForeignKey("record.id"), primary_key=True),
    Column("name", String(500), primary_key=True),
    Column("sha256", String(64), primary_key=True),
    Column("place", Integer, nullable=False),
    Column("content", Text, nullable=False),
)

TAKEN_IN = Table(
    "taken_in",
    METADATA,
    Column("record_id", String(64), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    ForeignKeyConstraint(["record_id", "position"], ["event.record_id", "event.position"]),
)
"""Events that were not written here first but came from a file: another store may have chained them otherwise."""


def _tables(connection: Connection) -> None:
    first = MetaData()
    for table in (RECORD, EVENT, KEPT_FILE):
        table.to_metadata(first)
    first.tables["record"].append_column(Column("is_signed", Boolean, nullable=False))
    first.create_all(connection)


def _append_only(connection: Connection) -> None:
    """Let the database refuse to change or drop what was written."""
    if connection.dialect.name == "postgresql":
        connection.execute(
            text(
                "CREATE OR REPLACE FUNCTION only_added_to() RETURNS trigger LANGUAGE plpgsql AS "
                "$$ BEGIN RAISE EXCEPTION 'only added to, never changed'; END $$"
            )
        )
    _only_added_to(connection, "event", "kept_file", "step_taken")


def _only_added_to(connection: Connection, *names: str) -> None:
    if connection.dialect.name == "postgresql":
        for name in names:
            connection.execute(
                text(
                    f"CREATE TRIGGER {name}_only_added BEFORE UPDATE OR DELETE OR TRUNCATE ON {name} "
                    "FOR EACH STATEMENT EXECUTE FUNCTION only_added_to()"
                )
            )
        return
    for name in names:
        for action in ("UPDATE", "DELETE"):
            connection.execute(
                text(
                    f"CREATE TRIGGER {name}_no_{action.lower()} BEFORE {action} ON {name} "
                    "BEGIN SELECT RAISE(ABORT, 'only added to, never changed'); END"
                )
            )


def _by_time(connection: Connection) -> None:
    connection.execute(text("CREATE INDEX record_by_time ON record (last_at, id)"))


def _signed_by_events(connection: Connection) -> None:
    """Drop the mark of a signature: whether a record is signed follows from its events."""
    connection.execute(text("ALTER TABLE record DROP COLUMN is_signed"))


def _taken_in(connection: Connection) -> None:
    """Mark what comes from a file; of what is there already nobody knows where it was written first."""
    TAKEN_IN.create(connection)
    everything = select(EVENT.c.record_id, EVENT.c.position)
    connection.execute(TAKEN_IN.insert().from_select(["record_id", "position"], everything))
    _only_added_to(connection, TAKEN_IN.name)


STEPS: tuple[tuple[int, str, Callable[[Connection], None]], ...] = (
    (1, "records, their events and files", _tables),
    (2, "events and files are only added to", _append_only),
    (3, "records listed by time", _by_time),
    (4, "signed is what has a signature among its events", _signed_by_events),
    (5, "events taken in from files are marked", _taken_in),
)


def bring_up_to_date(engine: Engine, *, upto: int | None = None) -> None:
    """Take the steps a store has not had yet, each in the same transaction as its entry.

    Parameters
    ----------
    engine : Engine
        The store.
    upto : int or None
        Stop after this step (for tests of older stores); all when None.

    Raises
    ------
    StoreError
        The store was written by a later version.
    """
    with engine.begin() as connection:
        if connection.dialect.name == "postgresql":
            # Two programs that open a new store at once take their turns.
            connection.execute(text("SELECT pg_advisory_xact_lock(726173)"))
        if not inspect(connection).has_table(STEPS_TAKEN.name):
            STEPS_TAKEN.create(connection)
        taken = set(connection.execute(select(STEPS_TAKEN.c.number)).scalars())
        newest = STEPS[-1][0]
        if taken and max(taken) > newest:
            raise StoreError(
                f"the store was written by a later version of the program (step {max(taken)}, this one knows {newest}); "
                "use that version"
            )
        for number, what, step in STEPS:
            if number not in taken and (upto is None or number <= upto):
                step(connection)
                now = datetime.now(UTC).isoformat(timespec="seconds")
                connection.execute(STEPS_TAKEN.insert().values(number=number, what=what, taken_at=now))
