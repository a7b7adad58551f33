"""TOML files of the user's: read within bounds, and checked against a model."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError

from backstay.adapters.model_errors import as_input_error
from backstay.errors import FileFormatError, NotFound

MAX_BYTES = 2_000_000

ModelT = TypeVar("ModelT", bound=BaseModel)


class FileModel(BaseModel):
    """Base of every model of a user's file: no unknown keys, no guessing between types, no infinities.

    TOML says what is text and what is a number, so text is never taken for a number. Enumerations need
    `Field(strict=False)`, since a file holds their words.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def read_text(file: Path, *, max_bytes: int = MAX_BYTES) -> str:
    """Return the UTF-8 text of a file of bounded size; a leading byte order mark is dropped.

    Raises
    ------
    NotFound
        There is no such file.
    FileFormatError
        It is a folder, too large, empty, or not UTF-8.
    """
    where = str(file)
    if file.is_dir():
        raise FileFormatError("this is a folder, not a file", where=where, allowed="the path of a file")
    try:
        with file.open("rb") as stream:
            content = stream.read(max_bytes + 1)
    except (FileNotFoundError, NotADirectoryError):
        raise NotFound("no such file", where=where, allowed="the path of a file that exists") from None
    if len(content) > max_bytes:
        raise FileFormatError("the file is too large", where=where, allowed=f"at most {max_bytes:,} bytes")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise FileFormatError("not UTF-8 text", where=f"{where}:{line}", allowed="UTF-8 text") from None
    if not text.strip():
        raise FileFormatError("the file is empty", where=where, allowed="at least one line of content")
    return text


def read_toml(file: Path, *, max_bytes: int = MAX_BYTES) -> dict[str, Any]:
    """Return a TOML file as plain Python values.

    Raises
    ------
    NotFound, FileFormatError
        As `read_text`; a syntax error names its line.
    """
    text = read_text(file, max_bytes=max_bytes)
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise FileFormatError("tables or lists nested too deeply", where=str(file), allowed="TOML") from None
    except ValueError as error:
        what, line = _syntax_error(str(error), text)
        raise FileFormatError(f"TOML syntax error: {what}", where=f"{file}:{line}", allowed="TOML") from None


def _syntax_error(message: str, text: str) -> tuple[str, int]:
    """Split the parser's "what (at line 3, column 5)" into what and the line."""
    found = re.search(r"\s*\(at line (\d+), column \d+\)$", message)
    if found:
        what, line = message[: found.start()], int(found.group(1))
    else:
        what = re.sub(r"\s*\(at end of document\)$", " at the end of the file", message)
        line = text.rstrip().count("\n") + 1
    return what[:1].lower() + what[1:], line


def validated(model_type: type[ModelT], data: object, *, where: str) -> ModelT:
    """Return `data` as a model.

    Parameters
    ----------
    model_type : type
        The pydantic model.
    data : object
        Plain values, as read from the file.
    where : str
        The file (and line), for the message.

    Raises
    ------
    FileFormatError
        A key is unknown or missing, or a value is of the wrong type.
    InputError
        A value is of the right type and out of range. One is named, and how many more there are.
    """
    try:
        return model_type.model_validate(data)
    except ValidationError as error:
        raise as_input_error(model_type, error, where=where, data=data) from None
