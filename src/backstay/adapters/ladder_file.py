"""The ladder as it leaves the program, part of the plan."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.identifiers import MoveId


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Harm(_Model):
    """What a move may do, apart from its cost and never weighed against it."""

    per_1000: float | None = Field(description="null where no figure was found")
    what: str
    source: str


class Rival(_Model):
    """What comes second at a rung."""

    change: str
    expected_cost: float
    more: float = Field(description="how much more it is expected to cost than the rung")
    approximate: bool = Field(description="its rigs were not all solved")


class LadderRung(_Model):
    """One rung: a move, then a push."""

    mark: str = Field(
        description="1, 2 ... down the ladder; A1, B1 ... where a preparation did not open the lesion"
    )
    id: str
    change: str
    moves: list[MoveId]
    when: Literal["first", "not_landed", "not_opened"] = Field(
        description="what must have happened on the rung before"
    )
    after: str = Field(description="mark of the rung before; empty for the first")
    rig: str
    device: str
    reached: float = Field(description="chance that this rung is come to at all")
    chance: float | None = Field(
        description="that it lands here, once this rung is come to; null where nothing is pushed"
    )
    arrives: float | None = Field(
        description="that what the move places gets to its own place, over all draws; null where it places nothing or nobody asked"
    )
    opens: float | None = Field(description="that the lesion is seen to open; null where that is not asked")
    chance_so_far: float = Field(
        description="that it has landed on one of the rungs down to this one, from the start"
    )
    draws: float = Field(description="draws behind these numbers, or what weighted ones are worth")
    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    cost: float = Field(description="by the case's weights, the push counted in")
    expected_cost: float = Field(description="from here until it lands or one stops")
    give_up_min: float | None = Field(
        description="minutes spent on setting it up after which the runner-up would have been the better choice"
    )
    give_up: str = Field(description="what to see that ends it")
    harm: list[Harm]
    cautions: list[str]
    check_first: list[str]
    judged: str = Field(default="", description="what of its effect is judged rather than modelled")
    runner_up: Rival | None


class LadderRow(_Model):
    """A move that is no rung, and why."""

    move: MoveId
    words: str
    why: list[str]
    source: str = ""


class ClosedBy(StrEnum):
    """What keeps a move from being a rung."""

    NEED = "need"
    SHELF = "shelf"
    GATE = "gate"
    LIMIT = "limit"
    COST = "cost"
    OPENS_NOTHING = "opens_nothing"
    DRAWS = "draws"


class ClosedRow(LadderRow):
    """A move that could be a rung, and what closes it."""

    by: ClosedBy = Field(
        description="need: a precondition is broken; shelf: nothing at hand suits or there is no room; gate: no stent yet; "
        "limit: minutes, contrast or dose left; cost: expected to cost more than stopping; opens_nothing: it cannot show "
        "that the lesion opens; draws: too few are left to tell"
    )


class OrderFact(_Model):
    """Something not known whose answer would change the first rung."""

    fact: str
    then: str
    share: float | None = Field(description="how often it is so; null where nobody knows")


class LadderPart(_Model):
    """What to do first, and what when that fails, at least expected cost."""

    rungs: list[LadderRung] = Field(description="in order, each where the one before did not land")
    not_opened: list[LadderRung] = Field(description="where the first preparation does not open the lesion")
    gate: str = Field(description="why no stent goes yet; empty where one may")
    chance: float = Field(description="that it lands in the end, going by the ladder")
    expected_cost: float
    stopping: float
    ends: str = Field(description="why there is no further rung")
    closed: list[ClosedRow] = Field(
        default_factory=list,
        description="where there is no rung: every move and what closes it, the nearest to being one first; else empty",
    )
    runner_up: Rival | None
    changed_by: list[OrderFact]
    blocked: list[LadderRow]
    unranked: list[LadderRow]
    weights: dict[str, float]
    depth: int
    draw_count: int
    solves: int
    settled: bool
    quick_error: float | None = Field(
        None,
        description="largest difference of a chance from that of the same combinations solved in full, on the cases checked "
        "(docs/validation.md), at rungs that a tenth of all draws or more comes to",
    )
    rare_error: float | None = Field(None, description="the same, at rungs further down")
    notes: list[str]
