"""The time-out sheet as it leaves the program: what the team settles aloud before the case."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Line(_Model):
    """One thing to settle; empty text is a gap to fill by hand."""

    what: str
    text: str


class TimeOutDocument(_Model):
    """The sheet."""

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    disclaimer: str
    patient: list[Line]
    access: list[Line]
    plan: list[str]
    ladder: list[str] = Field(description="empty until a plan was made")
    ladder_note: str = Field(description="why there is none, or why it ends where it does")
    minimum_result: list[str] = Field(description="as computed from the treatment, then in the team's words")
    stops: list[Line]
    hazards: list[str]
    kit: list[str]
    bail_out_kit: list[str]
    ready: list[Line]
    missing: list[str] = Field(description="what is not said in the case file")


def time_out_schema() -> dict[str, object]:
    """Return the JSON Schema of an exported time-out sheet."""
    return TimeOutDocument.model_json_schema(by_alias=True, mode="serialization")
