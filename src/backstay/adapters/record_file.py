"""A whole case as one file: its record with the chain, and every file kept with it, as JSON."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Literal

from pydantic import ConfigDict, Field

from backstay.adapters.atomic import write_atomic
from backstay.adapters.case_file import FileName
from backstay.adapters.event_models import EventId, OpenedEvent, Sha256
from backstay.adapters.store import Link, Listed, Store, check_chain, parse_links
from backstay.adapters.store_chain import sha256_of
from backstay.adapters.toml_text import FileModel, read_text, validated
from backstay.errors import FileFormatError, StoreError

MAX_BYTES = 200_000_000


class PackedEvent(FileModel):
    """One event: when it was written down, its text as hashed, its link in the chain."""

    written_at: Annotated[str, Field(min_length=10, max_length=40)]
    content: Annotated[str, Field(min_length=2, max_length=20_000)]
    link: Sha256
    taken_in: bool = Field(False, description="it came into the store from a file, written elsewhere first")


class PackedFile(FileModel):
    """A file kept with the record."""

    name: FileName
    sha256: Sha256
    content: str


class PackedCase(FileModel):
    """A record, its chain and its files."""

    model_config = ConfigDict(title="Backstay packed case")

    schema_: Literal[1] = Field(alias="schema")
    what: Literal["packed case"]
    record: EventId
    head: Sha256
    events: list[PackedEvent] = Field(min_length=1, max_length=200_000)
    files: list[PackedFile] = Field(default_factory=list, max_length=500)


def pack(store: Store, record_id: str) -> str:
    """Return a whole record as the text of one file.

    Raises
    ------
    NotFound, StoreError
        No such record, or its chain is broken.
    """
    links = store.links(record_id)
    files = store.files(record_id)
    packed = PackedCase(
        schema=1,
        what="packed case",
        record=record_id,
        head=links[-1].link,
        events=[
            PackedEvent(written_at=x.written_at, content=x.content, link=x.link, taken_in=x.taken_in)
            for x in links
        ],
        files=[PackedFile(name=n, sha256=sha256_of(text), content=text) for n, text in files.items()],
    )
    return packed.model_dump_json(by_alias=True, indent=1) + "\n"


def write_packed(file: Path, store: Store, record_id: str) -> None:
    """Write a whole record as one file, whole or not at all."""
    write_atomic(file, pack(store, record_id))


def unpack(file: Path, store: Store) -> Listed:
    """Put a packed case into a store, with the chain it had, or nothing of it.

    Raises
    ------
    NotFound, FileFormatError
        It cannot be read, its chain is broken, or a file in it was changed.
    InputError
        The store has this record already.
    StoreError
        The store cannot be written to.
    """
    where = str(file)
    packed = read_packed(file)
    links = [
        Link(place, x.written_at, x.content, x.link, x.taken_in) for place, x in enumerate(packed.events, 1)
    ]
    try:
        check_chain(packed.record, links, head=packed.head)
        opened = parse_links(packed.record, links)[0]
    except StoreError as error:
        raise FileFormatError(str(error), where=where, allowed="a file as it was packed") from None
    for kept in packed.files:
        if sha256_of(kept.content) != kept.sha256:
            raise FileFormatError(
                "a file in it was changed", field="files", value=kept.name, allowed="as packed", where=where
            )
    if not isinstance(opened, OpenedEvent) or opened.record != packed.record:
        raise FileFormatError("the record has no beginning", where=where, allowed="a file as it was packed")
    return store.restore(opened, links, {kept.name: kept.content for kept in packed.files})


def read_packed(file: Path) -> PackedCase:
    """Return a packed case as read, its chain not yet checked."""
    try:
        data = json.loads(read_text(file, max_bytes=MAX_BYTES))
    except (ValueError, RecursionError) as error:
        if isinstance(error, FileFormatError):
            raise
        raise FileFormatError("not JSON", where=str(file), allowed="a packed case") from None
    return validated(PackedCase, data, where=str(file))
