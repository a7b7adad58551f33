"""The teaching case as it leaves the program, and the author's own file: what to say, and what to look for."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.adapters.case_file import Text
from backstay.adapters.event_models import LongText
from backstay.adapters.plan_file import LesionPicture, PlanDocument
from backstay.adapters.toml_text import FileModel, read_toml, validated


class IdentifiersTable(FileModel):
    """What to look for in everything that is written; none of it is ever written itself."""

    names: list[Text] = Field(
        default_factory=list, max_length=200, description="patient, relatives, staff, hospital, places"
    )
    numbers: list[Text] = Field(default_factory=list, max_length=200, description="of patient, study, record")
    reviewed: list[Text] = Field(
        default_factory=list, max_length=200, description="texts that look like identifiers and are none"
    )


class AuthorFile(FileModel):
    """What the author of a teaching case says."""

    model_config = ConfigDict(title="Backstay teaching author")

    schema_: Literal[1] = Field(alias="schema")
    title: Text | None = Field(None, description="in place of the case's own")
    points: list[LongText] = Field(default_factory=list, max_length=20, description="take-home points")
    identifiers: IdentifiersTable | None = None


def author_path(case_file: Path) -> Path:
    """Return where the author's file of a case lies: `case.toml` has `case.teach.toml` beside it."""
    return case_file.with_name(f"{case_file.stem}.teach.toml")


def read_author(file: Path) -> AuthorFile:
    """Return the author's file.

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming file, key, value and what is allowed.
    """
    return validated(AuthorFile, read_toml(file), where=str(file))


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Said(_Model):
    """Something that happened, in words."""

    minute: float
    words: str


class OpenMove(_Model):
    """One answer the reader may choose."""

    id: str
    words: str
    rig: str | None = Field(description="id among the plan's rigs; null for stopping")
    done: bool = False


class TeachingStep(_Model):
    """One decision: what had happened, what stood open, what was done and how it went."""

    number: int
    minute: float
    before: list[Said]
    in_place: str
    device: str
    question: str
    moves: list[OpenMove]
    done: str = Field(description="what was done, in words")
    since: list[Said] = Field(description="how it was done, step by step")
    outcome: Literal["reached", "stopped", "did_not_open", "ended"]
    outcome_words: str
    left_out: list[str] = Field(description="in the record, not in the model")
    lesions_done: list[LesionPicture] = Field(description="as they were after what was done")
    plan: PlanDocument


class TeachingDocument(_Model):
    """A teaching case: nothing in it identifies anyone."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Backstay teaching case")

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    vessel: str
    patient: str = Field(description="age by decade, sex, conditions; empty where not said")
    aim: str
    steps: list[TeachingStep]
    result: list[str]
    points: list[str] = Field(description="take-home points of the author; empty when none were written")
    removed: int = Field(description="how many identifiers were taken out of its texts")
    disclaimer: str
