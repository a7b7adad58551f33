"""A lab's priors: what `backstay pool` learnt from many cases, in place of the table's own medians and spreads."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from backstay.adapters.atomic import write_atomic
from backstay.adapters.case_file import Text
from backstay.adapters.toml_edit import edited
from backstay.adapters.toml_text import FileModel, read_toml, validated
from backstay.identifiers import Calcium


class PriorEntry(FileModel):
    """One input for the next case of this lab."""

    median: float = Field(ge=-1e6, le=1e6)
    spread: float = Field(gt=0, le=3, description="one SD on the input's own scale, lab and case together")
    narrowed: float = Field(
        ge=0, le=1, description="part of the doubt about the lab's own value that is gone"
    )


class NotKnown(FileModel):
    """An input the cases say too little of: the table's prior stays."""

    input: Text
    narrowed: float = Field(ge=-1, le=1)
    cases: int = Field(ge=0)


class PriorsDocument(FileModel):
    """A priors file."""

    model_config = ConfigDict(title="Backstay priors of a lab")

    schema_: Literal[1] = Field(alias="schema")
    title: Text
    cases: int = Field(ge=1, description="cases with an attempt that counts")
    attempts: int = Field(ge=1)
    seed: int = Field(ge=0)
    draws: dict[Text, PriorEntry] = Field(default_factory=dict, max_length=60)
    lesion_factor: dict[Annotated[Calcium, Field(strict=False)], PriorEntry] = Field(
        default_factory=dict, description="by the class of calcium of the hardest lesion on the way"
    )
    not_known: list[NotKnown] = Field(default_factory=list, max_length=60)
    notes: list[Text] = Field(default_factory=list, max_length=60)

    def overrides(self, calcium: Calcium) -> dict[str, tuple[float, float]]:
        """Return median and spread by input, for a case whose hardest lesion on the way is of this class."""
        found = {name: (entry.median, entry.spread) for name, entry in self.draws.items()}
        entry = self.lesion_factor.get(calcium)
        return found if entry is None else found | {"lesion_factor": (entry.median, entry.spread)}


def read_priors(file: Path) -> PriorsDocument:
    """Return a priors file.

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming file, key, value and what is allowed.
    """
    return validated(PriorsDocument, read_toml(file), where=str(file))


def write_priors(file: Path, document: PriorsDocument) -> None:
    """Write a priors file whole or not at all, in place of one that is there."""
    write_atomic(file, edited("", document))


def priors_schema() -> dict[str, Any]:
    """Return the JSON Schema of a priors file."""
    return PriorsDocument.model_json_schema(by_alias=True)
