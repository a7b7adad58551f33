"""The way back out as it leaves the program: part of the plan."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field

from backstay.adapters.quantiles import Quantiles
from backstay.identifiers import BodyItem, Catch, TrappedEnd


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class CatchRow(_Model):
    """One thing an edge can catch on."""

    what: Catch
    at_mm: float = Field(description="place on the path, from the ostium")
    chance: float = Field(
        ge=0.0, le=1.0, description="share of draws in which the edge adds `catches_N` or locks"
    )


class JumpRow(_Model):
    """What jumps when the highest resistance on the way yields."""

    rest_mm: Quantiles = Field(description="way to where the relaxed springs no longer beat the resistance")
    at_most_mm: Quantiles = Field(description="way where nothing else takes the energy up")
    moving_mJ: Quantiles = Field(description="energy that is motion at most")


class TrappedRow(_Model):
    """A wire trapped behind a stent."""

    length_mm: float
    ends: dict[TrappedEnd, float] = Field(description="share of draws by what gives first")
    at_stent_N: Quantiles = Field(description="pull at the stent at which it gives")


class BackItem(_Model):
    """One thing on its way back out."""

    name: str
    kind: BodyItem
    from_mm: Quantiles = Field(description="place of its tip from where it is drawn back, from the ostium")
    pull_N: Quantiles = Field(description="highest pull at the guide's tip; null where an edge locks")
    push_N: Quantiles | None = Field(
        description="highest push on its way in, as far as it got; null where not solved"
    )
    guide_in_mm: Quantiles = Field(description="how far the guide is drawn in with its hub held")
    guide_in_deep: float = Field(
        ge=0.0, le=1.0, description="share of draws in which that is more than `deep_mm`"
    )
    catches: list[CatchRow]
    stripped: float | None = Field(
        description="share of draws in which an edge could strip a stent off its balloon; null where there is none"
    )
    jump: JumpRow
    trapped: TrappedRow | None = None
    warnings: list[str]


class WayBackDocument(_Model):
    """The way back out with the rig in place."""

    items: list[BackItem] = Field(description="in the order in which they come out: device, wires, extension")
    jump_in: JumpRow = Field(description="the device on its way in, when the highest resistance yields")
    deep_mm: float
    catches_N: float
    unvalidated: list[str]
    cautions: list[str]


class CarriedRow(_Model):
    """Whether what a move places gets to its own place with the rig as it is."""

    name: str
    aim: str = Field(description="what it is to do, in words")
    tip_mm: float = Field(description="where its tip is to stand, from the ostium")
    fits: bool
    chance: float = Field(ge=0.0, le=1.0)
    words: str = Field(description="for people")
    push_N: Quantiles = Field(description="highest push on its way in; null where it prolapses or catches")
    reach_mm: Quantiles
    pull_N: Quantiles = Field(description="highest pull on its way back")
