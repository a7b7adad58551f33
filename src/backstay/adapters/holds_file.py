"""A lab's readings of what its guides and extensions hold (TOML), as docs/bench-protocol.md says to take them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from backstay.adapters.atomic import write_atomic
from backstay.adapters.case_file import DeviceId, Route, Text
from backstay.adapters.toml_edit import edited
from backstay.adapters.toml_text import FileModel, read_text, read_toml, validated
from backstay.errors import InputError

Grams = Annotated[float, Field(gt=0, le=5000, description="what the scale showed, gram-force")]


class ReadingTable(FileModel):
    """One guide on the board, pushed back several times."""

    guide: DeviceId = Field(description="id on the shelf")
    access: Route
    extension: DeviceId | None = Field(None, description="id on the shelf")
    depth_mm: float = Field(0.0, ge=0, le=90, description="extension's tip beyond the ostium, mm")
    grams: list[Grams] = Field(min_length=1, max_length=50, description="highest reading of every push")
    error_grams: float = Field(
        3.0, gt=0, le=500, description="what one reading may be off by, one standard deviation"
    )
    note: Text | None = None

    @model_validator(mode="after")
    def _extension_has_depth(self) -> Self:
        if (self.extension is None) != (self.depth_mm == 0.0):
            raise InputError(
                "an extension and its depth go together",
                field="depth_mm",
                value=self.depth_mm,
                allowed="above 0 with an extension, 0 without",
            )
        return self


class HoldsDocument(FileModel):
    """A file of readings."""

    model_config = ConfigDict(title="Backstay readings of hold")

    schema_: Literal[1] = Field(1, alias="schema")
    shelf: Text = Field("shelf.toml", description="shelf file, from this file's folder")
    reading: list[ReadingTable] = Field(default_factory=list, max_length=500)


def read_holds(file: Path) -> HoldsDocument:
    """Return a file of readings, checked by itself."""
    return validated(HoldsDocument, read_toml(file), where=str(file))


def write_holds(file: Path, holds: HoldsDocument) -> None:
    """Write a file of readings whole or not at all, keeping the comments of an existing one."""
    text = read_text(file) if file.exists() else ""
    write_atomic(file, edited(text, holds, where=str(file)))


def holds_schema() -> dict[str, Any]:
    """Return the JSON Schema of a file of readings."""
    return HoldsDocument.model_json_schema(by_alias=True)
