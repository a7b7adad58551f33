"""The limits of a case as they leave the program: what was used, what is left, what they rest on."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.identifiers import BodyItem, BudgetState


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Quantity(_Model):
    """One number, its unit, and whose it is."""

    what: str
    value: float | None
    unit: str
    source: str
    confirmed: bool = Field(True, description="false where no source could be read")


class CeilingRow(_Model):
    """One ceiling for contrast."""

    what: str
    volume_mL: float
    source: str
    binds: bool
    confirmed: bool


class RatioRow(_Model):
    """A volume against what the kidney can do, and what was seen beyond the edge it has reached."""

    what: str
    used: float
    at_limit: float | None
    reached: str = Field(description="empty below the first edge")
    source: str
    confirmed: bool


class ScoreRow(_Model):
    """The 2004 nephropathy score at a volume."""

    volume_mL: float
    points: int
    parts: list[str]
    unknown: list[str]
    nephropathy_percent: float
    dialysis_percent: float
    disputed: str


class InsideRow(_Model):
    """One thing in the body."""

    device: str
    name: str
    item: BodyItem
    where: str
    minutes: float
    stays: bool
    presumed_out: bool
    unplanned: bool


class HazardRow(_Model):
    """One hazard."""

    id: str
    level: Literal["block", "pause", "note"]
    text: str
    source: str
    confirmed: bool = Field(description="false where its source is from memory")
    because: dict[str, str]


class MomentRow(_Model):
    """What the hazards said at one step of a record."""

    step: str
    minute: float
    shown: list[HazardRow]
    kept_back: list[HazardRow]


class MoveCost(_Model):
    """What a next move would take, and what to beware of."""

    id: str
    move: str
    contrast_mL: float
    contrast_left_mL: float | None
    contrast_state: BudgetState
    air_kerma_mGy: float
    kerma_state: BudgetState
    source: str
    hazards: list[HazardRow]


class ContrastPart(_Model):
    """Contrast."""

    used_mL: float
    limit_mL: float | None
    limit_is: str
    left_mL: float | None
    over_mL: float
    state: BudgetState
    ceilings: list[CeilingRow]
    ratios: list[RatioRow]
    score: ScoreRow | None


class ActPart(_Model):
    """The last activated clotting time."""

    act_s: float
    age_min: float
    verdict: Literal["below", "within", "above"]
    sampled_from: str | None
    sheath_s: tuple[float, float, float] | None = Field(
        description="what the sheath would read: -1 SD, mean, +1 SD"
    )
    site_doubt: bool
    before_heparin: bool = Field(description="heparin was given after it, so it says nothing of that dose")
    due_in_min: float
    overdue: bool


class AnticoagulationPart(_Model):
    """Heparin or bivalirudin."""

    agent: Literal["heparin", "bivalirudin"]
    glycoprotein_inhibitor: bool
    first_dose: tuple[float, float] | None
    first_dose_unit: Literal["U", "mg"]
    per_kg: str | None = Field(None, description="first dose by weight, where the weight is not known")
    infusion_mg_h: float | None
    infusion_note: str = Field(description="what makes the infusion what it is; empty for the usual one")
    target_s: tuple[float, float] | None
    target_note: str = Field(description="what it rests on where the instrument is not said")
    instrument: str
    interval_source: str = Field(description="whose interval between two values it is")
    given_U: float
    given_U_per_kg: float | None
    act: ActPart | None
    suggestions: list[str]


class LevelRow(_Model):
    """One quantity of radiation against its levels."""

    what: str
    value: float | None
    unit: str
    notices: int
    next_notice: float
    substantial: float
    past_substantial: bool
    source: str = Field(description="whose the substantial level is")
    confirmed: bool
    notice_source: str = Field(description="whose the notices are")
    notice_confirmed: bool


class OtherViewRow(_Model):
    """What turning the gantry would spare."""

    primary_deg: float
    secondary_deg: float
    turned_deg: float
    at_peak: float = Field(
        description="dose to the most exposed patch, as a share of what the view in use gives it"
    )
    peak_Gy: float


class SkinPart(_Model):
    """Dose to the skin."""

    peak_Gy: float
    low_Gy: float
    high_Gy: float
    where: str
    placed_events: int
    unplaced_Gy: float = Field(
        description="kerma of events that could not be placed; all of it may be in one field"
    )
    worst_case_Gy: float = Field(
        description="upper end of the band with the unplaced kerma in the same field"
    )
    kerma_unknown: bool = Field(
        description="some kerma is told by nothing in the reports: every dose is a least"
    )
    substantial_Gy: float
    substantial_source: str
    past_substantial: bool = Field(description="the estimated peak is at or past the substantial level")
    may_be_past_substantial: bool = Field(description="the worst case is")
    area_above_2Gy_cm2: float
    area_above_3Gy_cm2: float
    area_above_5Gy_cm2: float
    anchor_low_Gy: float = Field(description="lowest peak with the body moved by 5 cm in any direction")
    anchor_high_Gy: float
    grade: str
    effect: str
    advice: str
    advice_source: str
    other_views: list[OtherViewRow]
    around_mm: list[float]
    height_mm: list[float]
    dose_mGy: list[list[float]] = Field(description="rows round the body, columns along it")
    notes: list[str]


class BleedingPart(_Model):
    """Bleeding risk and two antiplatelet drugs."""

    high: bool | None
    major: list[str]
    minor: list[str]
    unknown: list[str]
    durations: list[str]


class LimitsDocument(_Model):
    """The limits of a case."""

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    disclaimer: str
    protocol: str
    minutes: float | None
    minutes_limit: float | None
    kidney: list[Quantity]
    contrast: ContrastPart
    anticoagulation: AnticoagulationPart
    radiation: list[LevelRow]
    kerma_limit_mGy: float | None
    kerma_state: BudgetState
    skin: SkinPart | None
    bleeding: BleedingPart
    moves: list[MoveCost]
    every_move: list[HazardRow] = Field(description="hazards that every move that ends in a push shares")
    inside: list[InsideRow]
    hazards: list[HazardRow] = Field(
        description="of the plan, or of the last step of the record; at most two"
    )
    hazards_waiting: list[HazardRow] = Field(description="apply as well, or were said not long ago")
    not_known: list[str] = Field(description="what would decide the hazards left open")
    notes: list[str]
    sources: list[str]


def limits_schema() -> dict[str, object]:
    """Return the JSON Schema of exported limits."""
    return LimitsDocument.model_json_schema(by_alias=True, mode="serialization")
