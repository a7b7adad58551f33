"""The report of a procedure as it leaves the program: one document that paper, page, text and exports are made from.

Numbers are rounded here once, when the report is made; whatever sets them in words writes them as they stand.
What the record does not say is an empty list or null, and is set as "not recorded".
"""

from __future__ import annotations

import hashlib
import json
from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from backstay.adapters.limits_file import SkinPart
from backstay.errors import FileFormatError
from backstay.identifiers import (
    BodyItem,
    BudgetState,
    Calcium,
    Complication,
    EventKind,
    MoveId,
)


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Fact(_Model):
    """Something known: a number with its unit, or words."""

    what: str
    value: float | None = None
    unit: str = ""
    text: str = ""
    source: str = Field("", description="key of a published source, or whose number it is")
    confirmed: bool = Field(True, description="false where no source could be read")


class Said(_Model):
    """Words of the record, when they were written, and by whom."""

    at: str = Field(description="ISO 8601 with the offset from UTC")
    author_role: str
    text: str


class Measured(_Model):
    """A number and the interval that holds it in 95 of 100 draws of the measurement's error."""

    value: float
    low: float
    high: float


class FoundLesion(_Model):
    """A lesion before treatment."""

    number: int
    from_mm: float
    to_mm: float
    length_mm: Measured
    least_mm: Measured
    reference_mm: Measured
    diameter_percent: Measured
    narrowest_at_mm: float
    bend_deg: float
    calcium: Calcium | None
    kind: str | None = Field(description="type of the 1988 and 1990 classification")
    reasons: list[str]
    imaging: list[str]


class FoundBranch(_Model):
    """A branch of the vessel."""

    name: str
    at_mm: float
    diameter_mm: float
    stenosis_percent: float | None


class VesselPicture(_Model):
    """The vessel as drawn, before treatment."""

    s_mm: list[float]
    lumen_mm: list[float]
    reference_mm: list[float]


class Findings(_Model):
    """What was found before treatment."""

    measured_from: str
    length_mm: float
    bend_deg: float
    lesions: list[FoundLesion]
    branches: list[FoundBranch]
    notes: list[Said]
    picture: VesselPicture


class Step(_Model):
    """One thing that was done."""

    at: str
    minute: int = Field(description="from the first thing done")
    kind: EventKind
    author_role: str
    words: str


class ChartPiece(_Model):
    """A stretch of a stent and its diameter by chart."""

    from_mm: float
    to_mm: float
    diameter_mm: float


class LeftIn(_Model):
    """Something left in the body."""

    device: str
    name: str
    item: BodyItem
    from_mm: float | None
    to_mm: float | None
    branch: str
    label_mm: float | None = Field(description="size on its label")
    length_mm: float | None
    pressure_atm: float | None = Field(description="at which it was opened")
    by_chart: list[ChartPiece] = Field(
        description="diameter by the shelf's charts at the pressures recorded, along it; not measured; empty where a chart is missing"
    )
    since: str
    unplanned: bool


class Used(_Model):
    """A device that was used."""

    device: str
    name: str
    kind: str
    times: int = Field(description="events of the record that name it")


class Spread(_Model):
    """10th, 50th and 90th percentile of the draws; null where that share never gets there."""

    p10: float | None
    p50: float | None
    p90: float | None


class Beforehand(_Model):
    """What the plan said of a rig."""

    rig: str
    change: str = Field(description="against the rig the plan began with")
    chance: float
    chance_low: float
    chance_high: float
    chance_words: str
    need_N: Spread
    backup_N: Spread
    stops_at_mm: float | None
    limited_by: str
    note: str = Field(description="how the rig of the plan differs from the one tried")


class Attempt(_Model):
    """A device tried, how it ended, and what the plan said of it."""

    at: str
    device: str
    name: str
    moves: list[MoveId]
    words: str
    reached: bool
    stopped_at_mm: float | None
    beforehand: Beforehand | None
    beforehand_missing: str = Field(description="why the plan says nothing; empty where it does")


class Criterion(_Model):
    """Something to be reached, said beforehand, against what was recorded."""

    what: str
    asked: str
    found: str
    verdict: Literal["met", "not met", "not recorded", "for the operator"]
    source: str
    confirmed: bool


class Outcome(_Model):
    """The result."""

    stated: str = Field(description="least acceptable result, in the team's words")
    stated_beforehand: bool | None = Field(description="null: not known whether before the case")
    measured: list[Said]
    criteria: list[Criterion]
    notes: list[Said]


class Ceiling(_Model):
    """A volume against what the kidney can do."""

    what: str
    ratio: float
    says: str
    source: str
    confirmed: bool


class ContrastUsed(_Model):
    """Contrast."""

    used_mL: float | None
    limit_mL: float | None
    limit_is: str
    state: BudgetState
    ratios: list[Ceiling]


class ActValue(_Model):
    """An activated clotting time."""

    at: str
    act_s: float
    sampled_from: str | None


class Clotting(_Model):
    """Heparin, clotting times and other drugs."""

    heparin_U: float | None
    heparin_U_per_kg: float | None
    acts: list[ActValue]
    target: str = Field(
        description="for the clotting time, and what it rests on; empty where it guides nothing"
    )
    drugs: list[Said]


class DoseLevel(_Model):
    """One of the machine's totals against its levels."""

    what: str
    value: float | None
    unit: str
    substantial: float
    past_substantial: bool
    source: str
    confirmed: bool


class Radiation(_Model):
    """Radiation."""

    levels: list[DoseLevel]
    limit_mGy: float | None
    state: BudgetState
    skin: SkinPart | None


class Trouble(_Model):
    """A complication."""

    at: str
    code: Complication | None
    text: str
    at_mm: float | None


class CitedSource(_Model):
    """A source of a number in the report."""

    key: str
    citation: str
    read_as: str


class Corrected(_Model):
    """An event of the record that was put right or taken back."""

    at: str = Field(description="when it was said to have happened")
    first: str = Field(description="as it was written first")
    instead: str = Field(description="what stands instead, or that and why it was taken back")
    author_role: str = Field(description="who put it right")


class ReportContent(_Model):
    """Everything a signature covers."""

    title: str
    invented: bool
    vessel: str
    record: str
    began: str | None
    ended: str | None
    minutes: int | None
    summary: list[Fact]
    patient: list[Fact]
    indication: list[Said]
    access: list[Said]
    findings: Findings
    steps: list[Step]
    left_in: list[LeftIn]
    not_out: list[str] = Field(description="went in and is not recorded as out")
    counted: bool | None = Field(description="the count at the end was agreed; null: no end recorded")
    used: list[Used]
    attempts: list[Attempt]
    plan_note: str = Field(description="which plan the attempts are held against")
    outcome: Outcome
    contrast: ContrastUsed
    clotting: Clotting
    radiation: Radiation
    complications: list[Trouble]
    follow_up: list[Said]
    information: list[str] = Field(description="for the follow-up, from published sources")
    other_notes: list[Said]
    corrections: list[Corrected] = Field(
        default_factory=list,
        description="in the order written; reports signed before this was told have none",
    )
    not_recorded: list[str]
    unconfirmed: list[str] = Field(description="numbers above whose source could not be read")
    cautions: list[str]
    disclaimer: str
    versions: dict[str, str]
    inputs: dict[str, str] = Field(description="SHA-256 of what it was made from, by file name")
    changed_inputs: list[str] = Field(description="files that differ from when the record was opened")
    sources: list[CitedSource]


class Signature(_Model):
    """Who signed, when, and what."""

    by: str
    at: str
    report_sha256: str
    head: str


class Addendum(_Model):
    """What was added after signing."""

    by: str
    at: str
    text: str


class ReportDocument(_Model):
    """A report: a draft, or signed."""

    model_config = ConfigDict(extra="forbid", frozen=True, title="Backstay procedure report")

    schema_: Literal[1] = Field(1, alias="schema")
    status: Literal["draft", "signed"]
    content: ReportContent
    content_sha256: str
    head: str = Field(description="head of the chain of the events it was made from")
    events: int = Field(description="how many events that is")
    head_checked: bool = Field(
        description="false where this store took a signed record in from its file, whose chain is another"
    )
    signature: Signature | None
    addenda: list[Addendum]

    @property
    def is_draft(self) -> bool:
        """Return whether nobody has signed."""
        return self.signature is None


def content_text(content: ReportContent) -> str:
    """Return the content as the one text that is hashed and kept."""
    data = content.model_dump(mode="json", by_alias=True)
    return json.dumps(data, sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def content_digest(content: ReportContent) -> str:
    """Return the SHA-256 of the content."""
    return hashlib.sha256(content_text(content).encode()).hexdigest()


def read_content(text: str, *, where: str) -> ReportContent:
    """Return the content of a signed report as kept.

    Raises
    ------
    FileFormatError
        It is none of this version.
    """
    try:
        return ReportContent.model_validate_json(text)
    except ValidationError as error:
        field = ".".join(str(part) for part in error.errors()[0]["loc"])
        raise FileFormatError(
            "not a report of this version", field=field, where=where, allowed="as it was signed"
        ) from None


def report_schema() -> dict[str, Any]:
    """Return the JSON Schema of a report."""
    return ReportDocument.model_json_schema(by_alias=True, mode="serialization")


def kept_name(sha256: str) -> str:
    """Return the name under which a signed report's content is kept with its record."""
    return f"signed-report-{sha256[:16]}.json"
