"""What the attempts of a case have taught, as it leaves the program."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.adapters.ladder_file import LadderPart
from backstay.identifiers import LimitedBy, Pushed, Question


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class AttemptRow(_Model):
    """One attempt, as it was understood."""

    id: str
    at: str = Field(description="ISO 8601")
    device: str
    rig: str = Field(description="what was in place, in words")
    reached: bool
    stopped_at_mm: float | None
    limited_by: LimitedBy | None
    push: Pushed | None
    left_out: str = Field(description="why nothing was learnt from it; empty where it counts")
    expected: float | None = Field(description="chance, before it, of an end as unlikely as this or more so")
    surprise: bool = Field(description="below what is called a surprise: data and model disagree")
    passes: bool = Field(default=True, description="by the fit, everything of this rig passes")
    lowest_share: float | None = Field(description="lowest effective share of particles while it was let in")


class Spread(_Model):
    """10th, 50th and 90th percentile."""

    p10: float
    p50: float
    p90: float


class UnknownRow(_Model):
    """One unknown, before any attempt and now."""

    name: str
    label: str
    unit: str
    before: Spread
    after: Spread
    moved_sd: float = Field(description="shift of its mean, in standard deviations before")
    narrowed: float = Field(description="part of its standard deviation that is gone; negative: widened")
    bits: float = Field(description="information gained on it")
    doubt_before: float = Field(description="share of the doubt about the next move it carries by itself")
    doubt_after: float
    path_bound: bool


class RungRow(_Model):
    """One rig, before and now."""

    id: str
    change: str
    device: str
    before: float = Field(description="chance before any attempt")
    previous: float = Field(description="chance before the last attempt")
    after: float = Field(description="chance now")
    error: float = Field(description="standard error of the chance now, Monte Carlo alone")
    words: str
    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    tried: int = Field(description="how often it was tried and failed")
    barred: list[str] = Field(description="hard limits it would pass; empty where it may be tried")


class QuestionRow(_Model):
    """A question about the last attempt that is still open."""

    question: Question
    words: str
    bits: float
    share: float = Field(description="of the doubt about the next move")


class Doubt(_Model):
    """Doubt about whether the next move reaches."""

    move: str
    change: str
    before_bits: float
    previous_bits: float
    after_bits: float


class RungChange(_Model):
    """A move on the ladder before or after the last attempt."""

    id: str
    change: str
    place_before: int | None = Field(description="rung it stood on before the last attempt; null: on none")
    place: int | None = Field(description="rung it stands on now; null: on none")
    chance_before: float | None = Field(
        description="chance of that rig by itself before the last attempt; null where it was not asked by itself"
    )
    chance: float | None


class Shift(_Model):
    """What the last attempt alone did to one unknown."""

    name: str
    label: str
    moved_sd: float = Field(description="shift of its mean, in standard deviations before the attempt")
    bits: float


class Reranked(_Model):
    """The ladder after the last attempt, and what that attempt changed in it."""

    ladder: LadderPart
    changes: list[RungChange] = Field(description="every move on either ladder, those of now first")
    shifts: list[Shift] = Field(
        description="why: the unknowns the last attempt moved, the one it told most of first"
    )
    past_limits: list[str] = Field(
        description="moves left out because a limit of contrast, dose or time does not allow them, and by how much"
    )


class LearnedDocument(_Model):
    """What the attempts of a case have taught."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Backstay, learnt from attempts")

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    attempts: list[AttemptRow]
    unknowns: list[UnknownRow] = Field(description="the one most was learnt about first")
    rungs: list[RungRow] = Field(description="what may be tried next first, by chance now")
    next: Doubt | None
    questions: list[QuestionRow]
    anatomies: int = Field(description="how often the vessel was seen")
    particles: int
    distinct: float = Field(description="share of particles that differ")
    seed: int
    warnings: list[str]
    unvalidated: list[str]
    disclaimer: str
    reranked: Reranked | None = Field(
        None, description="null where nothing is left to try, or where the ladder was not asked"
    )


def learned_schema() -> dict[str, Any]:
    """Return the JSON Schema of what was learnt."""
    return LearnedDocument.model_json_schema(by_alias=True)
