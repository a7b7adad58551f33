"""The treatment as it leaves the program: measured lesions, what prepares and covers them, what to expect, what it is worth."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.identifiers import BalloonUse, BranchingLaw, Calcium, LesionType, Preparation, SizedBy


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Spread(_Model):
    """A number and the interval that holds it in 95 of 100 draws."""

    value: float
    low: float
    high: float


class Conflict(_Model):
    """Where intravascular imaging and angiography disagree; imaging counts."""

    what: str
    angiography: str
    imaging: str
    counts: Literal["angiography", "imaging"] = "imaging"
    so: str = Field("", description="what follows from that; empty where it is plain")


class MeasuredLesion(_Model):
    """A lesion as the path shows it."""

    number: int = Field(description="from the ostium, from 1")
    named: bool = Field(description="the case file names it; false: found on the path alone")
    entries: list[int] = Field(
        description="its entries in the case file, from 1; several where they lie on one narrowing"
    )
    from_mm: Spread
    to_mm: Spread
    length_mm: Spread
    narrowest_at_mm: float
    least_mm: Spread
    reference_mm: Spread
    diameter_percent: Spread
    area_percent: Spread
    landing_from_mm: float
    landing_to_mm: float
    proximal_mm: Spread = Field(description="reference at the proximal landing zone")
    distal_mm: Spread = Field(description="reference at the distal landing zone")
    calcium: Calcium | None
    kind: LesionType | None = Field(description="null where the case file does not describe it")
    reasons: list[str]
    extent: str
    ostial: bool
    bend_deg: float
    oct_score: int | None
    conflicts: list[Conflict] = Field(default_factory=list)
    notes: list[str] = Field(default_factory=list)


class SizeWanted(_Model):
    """Which labels are allowed at the distal landing zone."""

    low_mm: float
    high_mm: float
    target_mm: float
    by: SizedBy
    source: str


class PreparationStep(_Model):
    """One way to prepare, in order."""

    kind: Preparation
    device: str | None = Field(description="id on the shelf")
    name: str
    pressure_atm: float | None
    diameter_mm: float | None
    why: str
    missing: str
    cautions: list[str]


class PlannedStent(_Model):
    """A stent where it is to lie."""

    device: str
    name: str
    label_mm: float
    length_mm: float
    from_mm: float
    to_mm: float
    pressure_atm: float | None = Field(description="null: its table begins above the reference")
    opened_mm: float | None
    expansion_limit_mm: float
    opens_to_mm: float = Field(description="largest reference along it, which its platform must reach")


class StentWeights(_Model):
    """What counts in the choice of stents, in minutes' worth; from the case's weights, the rest judgement."""

    per_mm: float = Field(description="each mm of stent beyond the landing zones, overlap included")
    per_joint: float = Field(description="each further stent: the time, contrast and dose it takes")
    per_size_mm: float = Field(description="each mm a label lies below the size wanted")
    per_oversize_mm: float = Field(description="each mm it lies above")
    per_price: float = Field(
        description="each unit of the shelf's price; 0 where a stent of the shelf has none"
    )


class StentRow(_Model):
    """Stents from the ostium on, with what the choice rests on."""

    stents: list[PlannedStent]
    score: float = Field(description="minutes' worth by the weights; less is better")
    beyond_mm: float = Field(description="stent beyond the landing zones, overlap included")
    overlap_mm: float
    price: float | None
    covers: float = Field(description="share of draws in which the lesion lies inside, end to end")
    chance: float | None = Field(None, description="that all of them reach their place; null: not asked")
    expected_cost: float | None = Field(
        None, description="score, and what stopping costs as often as they do not all arrive; null: not asked"
    )


class PlannedBalloon(_Model):
    """A balloon after the stent."""

    use: BalloonUse
    device: str | None
    name: str
    from_mm: float
    to_mm: float
    pressure_atm: float | None
    diameter_mm: float | None
    at_most_mm: float = Field(description="size not to pass there")
    note: str = ""


class KissingPair(_Model):
    """Balloons side by side."""

    main: str
    main_atm: float
    side: str
    side_atm: float
    area_mm: float = Field(description="circle of their joint area")
    hull_mm: float = Field(description="circle as long as a taut band round both; held against the platform")
    width_mm: float = Field(description="both side by side, the longer way across")


class BranchAdvice(_Model):
    """What to do about a branch under the stent."""

    name: str
    at_mm: float
    diameter_mm: float
    medina: tuple[int, int, int] | None
    approach: Literal["provisional", "talk over two stents"]
    reasons: list[str]
    mother_mm: dict[BranchingLaw, float]
    reference_before_mm: float
    kissing: KissingPair | None
    no_kissing: str = Field("", description="why no pair of balloons is offered")
    notes: list[str]


class Expected(_Model):
    """What a good result is, and what series found."""

    reference_areas_mm2: list[float]
    least_area_mm2: float = Field(description="minimum acceptable, to be said beforehand")
    least_diameter_mm: float
    least_note: str = Field("", description="where one reference is imaging's and the other angiography's")
    floor_ivus_mm2: float
    floor_oct_mm2: float
    chart_mm: float = Field(description="size by the charts at the distal end")
    series_least_mm: float = Field(
        description="least lumen a series found after such a chart size; information"
    )
    series_recoil_mm: float
    measured_area_mm2: float | None
    measured_expansion: float | None
    measured_verdict: str
    measured_findings: list[str] = Field(
        default_factory=list, description="malapposition and edge dissection, judged where imaging gave them"
    )
    left_main: list[dict[str, Any]] = Field(
        default_factory=list, description="the sets in use where it lies in the left main; they disagree"
    )


class DrugOption(_Model):
    """A drug-coated balloon in place of a stent."""

    offered: bool
    why: str
    device: str | None = None
    name: str = ""
    pressure_atm: float | None = None
    diameter_mm: float | None = None
    count: int = Field(0, description="how many it takes to cover the stretch, each used once; 0: none suits")
    covers_mm: float = Field(0.0, description="what they cover together, overlap taken off")
    conditions: list[str] = Field(default_factory=list)


class Stretch(_Model):
    """What is treated in one go: one lesion, or several too close to leave a gap between."""

    lesions: list[int]
    from_mm: float
    to_mm: float
    size: SizeWanted
    imaged_at_mm: list[float] = Field(
        default_factory=list, description="where a lumen that imaging measured is the reference"
    )
    reach_mm: float = Field(
        0.0, description="beyond these places, the length over which angiography's reference comes back"
    )
    preparation: list[PreparationStep]
    gate: str
    weights: StentWeights
    best: StentRow | None
    other: list[StentRow] = Field(description="the best of each other number of stents")
    missing: list[str] = Field(description="what the shelf lacks where nothing suits")
    missed: list[str] = Field(
        default_factory=list,
        description="lesions that the best stents rather do not cover from end to end, and what they meet beside the stretch",
    )
    after: list[PlannedBalloon]
    branches: list[BranchAdvice]
    expected: Expected
    drug: DrugOption


class LossRow(_Model):
    """Pressure lost in one lesion, mmHg."""

    lesion: int
    planned: bool = Field(description="false: it is not treated, and stays as it is in what comes after")
    before_mmHg: Spread
    viscous_mmHg: float
    separation_mmHg: float
    least_result_mmHg: float = Field(description="after, at the minimum acceptable result")
    as_sized_mmHg: float = Field(description="after, opened to its reference")


class Worth(_Model):
    """An estimate of what treatment is worth; it never stands in for a measured flow reserve."""

    rows: list[LossRow]
    flow_before_mL_min: float | None
    flow_after_mL_min: float | None
    normal_mL_min: float | None
    tandem_proximal: float | None = Field(None, description="predicted ratio with the proximal lesion alone")
    tandem_distal: float | None = Field(None, description="predicted ratio with the distal lesion alone")
    tandem_note: str = Field("", description="why there is no such ratio, though pressures were measured")
    note: str


class ReferenceTick(_Model):
    """The reference at a place, for the picture."""

    at_mm: float
    diameter_mm: Spread
    what: str


class VesselPicture(_Model):
    """Reference and lumen along the path, mm."""

    s_mm: list[float]
    reference_mm: list[float]
    lumen_mm: list[float]


class BranchMark(_Model):
    """A branch on the path."""

    name: str
    at_mm: float
    diameter_mm: float


class TreatmentDocument(_Model):
    """The treatment."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Backstay treatment")

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    vessel: str
    picture: VesselPicture
    ticks: list[ReferenceTick]
    branches: list[BranchMark]
    noise_mm: float = Field(description="error of a diameter from row to row, found on the path")
    common_mm: float = Field(description="error of a diameter common to all rows")
    lesions: list[MeasuredLesion]
    stretches: list[Stretch]
    worth: Worth | None
    target: list[str] = Field(description="where the case's target differs from what is chosen here")
    alerts: list[str] = Field(
        description="what to settle before the plan is followed: a lesion that nothing opened; where case file and path differ"
    )
    attempts: list[str] = Field(
        description="what counts as an attempt: an imaging catheter that did not cross"
    )
    seed: int
    sources: list[str] = Field(description="keys; see `backstay sources`")
    unvalidated: list[str]
    warnings: list[str]
    cautions: list[str]
    disclaimer: str


def treatment_schema() -> dict[str, Any]:
    """Return the JSON Schema of an exported treatment."""
    return TreatmentDocument.model_json_schema(by_alias=True, mode="serialization")
