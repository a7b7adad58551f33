"""Whole cases moved from one place to another."""

from __future__ import annotations

import os
from pathlib import Path

from backstay.adapters.case_file import CaseDocument
from backstay.adapters.events_file import EventsFile, events_path
from backstay.adapters.record_file import read_packed, unpack
from backstay.adapters.store import Listed, Store
from backstay.adapters.toml_text import read_toml, validated
from backstay.app.record import default_store
from backstay.errors import FileFormatError, InputError


def unpack_case(file: Path, into: Path, *, store_url: str | None = None) -> tuple[Listed, Path]:
    """Put a packed case into the store and its files into a new folder; returns the record and the case file.

    Raises
    ------
    NotFound, FileFormatError, InputError, StoreError
        It cannot be read, was changed, is there already, or the folder exists.
    """
    if os.path.lexists(into):
        raise InputError("this exists already", field="--into", value=str(into), allowed="a new folder")
    if not into.resolve().parent.is_dir():
        raise InputError(
            "no such folder", field="--into", value=str(into), allowed="a new one in one that exists"
        )
    for kept in read_packed(file).files:
        # A name out of a file that came from elsewhere must not lead out of the folder.
        if Path(kept.name).name != kept.name or kept.name in {".", ".."}:
            raise FileFormatError(
                "not a file's name", field="files", value=kept.name, allowed="a plain name", where=str(file)
            )
    store = Store(store_url or default_store())
    try:
        listed = unpack(file, store)
        into.mkdir()
        for name, content in store.files(listed.id).items():
            (into / name).write_text(content, encoding="utf-8")
        case_file = case_file_in(into)
        EventsFile(events_path(case_file)).append(*store.events(listed.id))
    finally:
        store.close()
    return listed, case_file


def case_file_in(folder: Path) -> Path:
    """Return which of the files is the case."""
    for file in sorted(folder.glob("*.toml")):
        data = read_toml(file)
        if "vessel" in data and "rig" in data:
            validated(CaseDocument, data, where=str(file))
            return file
    raise FileFormatError("no case among the files", where=str(folder), allowed="a packed case")
