"""The plan as it leaves the program: one document that every page, picture and export is made from."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from backstay.adapters.ladder_file import LadderPart
from backstay.adapters.learned_file import LearnedDocument
from backstay.adapters.limits_file import LimitsDocument
from backstay.adapters.quantiles import Quantiles
from backstay.adapters.toml_text import read_text
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.adapters.way_back_file import CarriedRow, WayBackDocument
from backstay.errors import FileFormatError
from backstay.identifiers import Calcium, Cause, LimitedBy, MoveId, Verdict


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Chance(_Model):
    """Probability, over the uncertain inputs, that the device reaches its landing point."""

    value: float = Field(ge=0.0, le=1.0)
    low: float = Field(ge=0.0, le=1.0, description="95 % Monte-Carlo bounds and emulator error")
    high: float = Field(ge=0.0, le=1.0)
    words: str = Field(description='for people, e.g. "about 9 in 10"')


class Costs(_Model):
    """What a rig costs to set up."""

    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    source: str


class FitLine(_Model):
    """One check of what passes through what."""

    what: str
    through: str
    verdict: Verdict
    spare_mm: float | None = Field(description="free width left; negative when it does not pass")
    note: str = ""


class Circle(_Model):
    """One member of a cross-section, mm."""

    name: str
    kind: str
    x_mm: float
    y_mm: float
    radius_mm: float


class CrossSection(_Model):
    """What lies in the tightest lumen on the way in, drawn to scale."""

    lumen_name: str
    lumen_radius_mm: float
    at_mm: float | None = Field(
        description="place on the path; null inside guide or extension proximal to the ostium"
    )
    circles: list[Circle]


class Fit(_Model):
    """Does everything pass."""

    verdict: Verdict
    spare_mm: float | None
    where: str
    nearest_fix: str = ""
    lines: list[FitLine]
    section: CrossSection


class DepthCurve(_Model):
    """Push needed and backup along the way in, by place of the device's tip."""

    tip_mm: list[float]
    need_p10_N: list[float | None]
    need_p50_N: list[float | None]
    need_p90_N: list[float | None]
    prolapsed: list[float] = Field(description="share of draws that prolapse at this place")
    backup_p10_N: float
    backup_p50_N: float
    backup_p90_N: float


class Lying(_Model):
    """One thing lying in the vessel, for the picture."""

    name: str
    kind: Literal["guide", "extension", "wire", "buddy", "shaft", "device", "anchor", "trapped"]
    from_mm: float
    to_mm: float
    radius_mm: float


class RigResult(_Model):
    """The answer for one rig and device."""

    id: str
    change: str = Field(description="what is changed against the rig in place, in the trade's words")
    rig: str = Field(description="the whole rig in words")
    device: str
    moves: list[MoveId]
    in_place: bool
    chance: Chance
    need_N: Quantiles
    backup_N: Quantiles
    margin_N: Quantiles
    reach_mm: Quantiles
    stops_at_mm: float | None
    limited_by: dict[LimitedBy, float]
    causes: dict[Cause, float] = Field(
        description="N, at the place of highest need, median case; they sum to its need"
    )
    causes_at_mm: float
    fits: Fit
    costs: Costs
    cautions: list[str]
    conditions: list[str] = Field(default_factory=list, description="what must be true before this is tried")
    carried: list[CarriedRow] = Field(
        default_factory=list, description="what the move places, each with the chance of its own delivery"
    )
    unvalidated: list[str]
    curve: DepthCurve
    lying: list[Lying]


class PathPicture(_Model):
    """The vessel as drawn."""

    s_mm: list[float]
    radius_mm: list[float]
    bend_deg_per_mm: list[float]
    length_mm: float
    total_bend_deg: float


class LesionPicture(_Model):
    """A lesion on the path."""

    from_mm: float
    to_mm: float
    calcium: Calcium
    prepared: list[str]
    dissected: bool


class BranchPicture(_Model):
    """A branch on the path."""

    name: str
    at_mm: float
    diameter_mm: float


class Target(_Model):
    """What is to land where."""

    device: str
    from_mm: float
    to_mm: float
    tip_mm: float = Field(description="place of the device's tip when it lies there")


class DrawRow(_Model):
    """One uncertain input."""

    name: str
    label: str
    unit: str
    median: float
    spread: float
    kind: Literal["lognormal", "normal", "logit"]
    source: str
    evidence: str


class PlanDocument(_Model):
    """The whole plan."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Backstay plan")

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    vessel: str
    path: PathPicture
    lesions: list[LesionPicture]
    branches: list[BranchPicture]
    target: Target
    treatment: TreatmentDocument | None = Field(
        None, description="what would treat it; null where it was not asked"
    )
    limits: LimitsDocument | None = Field(None, description="what is used and left; null where not asked")
    ladder: LadderPart | None = Field(
        None, description="what to do first, and when that fails; null where not asked"
    )
    way_back: WayBackDocument | None = Field(
        None, description="the way back out with the rig in place; null where it was not asked"
    )
    learned: LearnedDocument | None = Field(
        None,
        description="what recorded attempts taught; the chances below are after them. Null where there are none",
    )
    rigs: list[RigResult] = Field(description="the rig in place first, then the others by chance")
    draws: list[DrawRow]
    draw_count: int
    design_points: int
    depths: int
    loads: int
    seed: int
    versions: dict[str, str]
    sources: list[str] = Field(description="keys; see `backstay sources`")
    warnings: list[str] = Field(default_factory=list, description="about the inputs")
    cautions: list[str]
    disclaimer: str

    @property
    def in_place(self) -> RigResult:
        """Return the answer for the rig in place."""
        return next(r for r in self.rigs if r.in_place)

    @property
    def best(self) -> RigResult:
        """Return the rig with the highest chance among those that fit; the rig in place when none is better."""
        return max(self.rigs, key=lambda r: (r.chance.value, r.in_place))


def read_plan(file: Path) -> PlanDocument:
    """Return a plan that was exported as JSON.

    Raises
    ------
    NotFound, FileFormatError
        It cannot be read, or is no plan of this version.
    """
    try:
        return PlanDocument.model_validate(json.loads(read_text(file, max_bytes=50_000_000)))
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise FileFormatError(
            "not a plan of this version",
            field=field,
            where=str(file),
            allowed="what plan CASE --json F writes",
        ) from None
    except (json.JSONDecodeError, RecursionError):
        raise FileFormatError("not JSON", where=str(file), allowed="what plan CASE --json F writes") from None
