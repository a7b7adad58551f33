"""TOML files changed in place: comments, order and spelling of what did not change stay as they were."""

from __future__ import annotations

from collections.abc import MutableMapping
from typing import Any

import tomlkit
from pydantic import BaseModel
from tomlkit.exceptions import ParseError
from tomlkit.items import AoT, Table

from backstay.errors import FileFormatError


def edited(text: str, model: BaseModel, *, where: str = "") -> str:
    """Return the text of a TOML file changed to say what a model says.

    Parameters
    ----------
    text : str
        The file as it is; empty for a new one.
    model : BaseModel
        What it is to say. Keys the model never set are not written.
    where : str
        The file, for the message.

    Raises
    ------
    FileFormatError
        The text is not TOML.
    """
    try:
        document = tomlkit.parse(text)
    except ParseError as error:
        raise FileFormatError(f"TOML syntax error: {error}", where=where, allowed="TOML") from None
    _merge(document, model.model_dump(mode="json", by_alias=True, exclude_unset=True, exclude_none=True))
    return tomlkit.dumps(document)


def _merge(table: MutableMapping[str, Any], wanted: dict[str, Any]) -> None:
    for key in [key for key in table if key not in wanted]:
        del table[key]
    for key, value in wanted.items():
        present = table.get(key)
        if isinstance(value, dict) and isinstance(present, MutableMapping):
            _merge(present, value)
        elif isinstance(present, AoT) and _is_list_of_tables(value):
            _merge_list(present, value)
        elif key not in table or not _same(present, value):
            table[key] = _item(value)


def _merge_list(present: AoT, wanted: list[dict[str, Any]]) -> None:
    del present[len(wanted) :]
    for k, value in enumerate(wanted):
        if k < len(present):
            _merge(present[k], value)
        else:
            present.append(_table(value))


def _is_list_of_tables(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)


def _same(present: Any, value: Any) -> bool:
    plain = present.unwrap() if hasattr(present, "unwrap") else present
    return bool(plain == value) and isinstance(plain, bool) == isinstance(value, bool)


def _item(value: Any) -> Any:
    """Return a value as TOML: a list of tables in the [[...]] form, a table in the [...] form."""
    if isinstance(value, dict):
        return _table(value)
    if _is_list_of_tables(value):
        array = tomlkit.aot()
        for entry in value:
            array.append(_table(entry))
        return array
    return tomlkit.item(value)


def _table(value: dict[str, Any]) -> Table:
    table = tomlkit.table()
    for key, entry in value.items():
        table.append(key, _item(entry))
    return table
