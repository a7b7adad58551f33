"""What the API takes and gives. The pages' types are generated from these."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.adapters.case_file import RigTable, TargetTable
from backstay.identifiers import Calcium, EventKind, Preparation, UserRole

CaseName = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,79}$")]
Key = Annotated[
    str,
    Field(pattern=r"^[A-Za-z0-9_-]{8,64}$", description="chosen by the page; the same key is written once"),
]
ShortText = Annotated[str, Field(min_length=1, max_length=200)]


class Model(BaseModel):
    """Base of what goes in and out: no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ErrorShape(Model):
    """Any error, in the one shape of every interface."""

    error: str
    message: str
    field: str
    value: str | None
    allowed: str
    where: str


class Choice(Model):
    """Something that may be chosen: what it says, and what stands for it."""

    words: str
    value: str


class Row(Model):
    """One line of a table of facts."""

    name: str
    words: str


# Who is in


class EnterBody(Model):
    """How one comes in: a token, or a name with its password."""

    token: str = Field("", max_length=200)
    name: str = Field("", max_length=80)
    password: str = Field("", max_length=200)


class Door(Model):
    """How this workbench lets people in."""

    by_name: bool = Field(description="by name and password; by a link from its terminal otherwise")


class Me(Model):
    """Who the page speaks for, and what it must say."""

    name: str
    role: UserRole
    ends_at: datetime
    now: datetime = Field(description="by the workbench's clock: lines are timed by it")
    may_record: bool
    may_change: bool
    with_users: bool
    disclaimer: str
    version: str


# Cases


class CaseItem(Model):
    """A case in the list."""

    id: str
    title: str
    vessel: str
    invented: bool
    changed_at: datetime
    changed_words: str
    events: int
    signed: bool
    put_away: bool
    problem: str


class CaseList(Model):
    """The cases found."""

    cases: list[CaseItem]
    vessels: list[str] = Field(description="names offered for a new case")
    example: str = Field(description="a sketch to begin from")


class Made(Model):
    """The case that was made."""

    id: str


class SketchBody(Model):
    """A new case from a vessel typed as segments."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]
    vessel: ShortText
    title: str = Field("", max_length=200)


class FileText(Model):
    """One file."""

    name: str = Field(max_length=80)
    text: str = Field(max_length=20_000_000)


class ImportBody(Model):
    """A case from its files, or from one file that holds it all."""

    files: list[FileText] = Field(min_length=1, max_length=20)


class AwayBody(Model):
    """Whether a case is put away."""

    away: bool


# The plan


class Rung(Model):
    """One rig in the list of choices."""

    id: str
    change: str
    chance: str
    detail: str
    pips: str = Field(description="its chance as a picture")
    in_place: bool
    own: bool
    ready: bool
    problem: str = ""


class RigForm(Model):
    """What a rig can be made of, and what is in place."""

    guides: list[Choice]
    extensions: list[Choice]
    wires: list[Choice]
    devices: list[Choice]
    guide: str
    seat_mm: float
    extension: str
    depth_mm: float
    wires_in: list[str]
    device: str
    from_mm: float
    to_mm: float
    length_mm: float
    has_anchor_or_trap: bool


class PlanView(Model):
    """The plan as far as it is worked out."""

    case: str
    title: str
    vessel: str
    invented: bool
    aim: str
    ready: bool
    doing: str
    share: float
    rungs: list[Rung]
    note: str
    whole: bool = Field(description="the ladder stands, weighed by the whole record: it may be printed")
    old: str = Field(description="why its chances are old; empty where they count the whole record")
    form: RigForm
    problems: list[str]


class PlaceView(Model):
    """One rig with its device's tip at one place."""

    step: int
    steps: int
    strip: str
    from_share: float = Field(description="where on the strip's width the first place stands")
    to_share: float = Field(description="where the last stands")
    words: str
    rows: list[Row]


class RigView(Model):
    """One rig in full, as parts of a page."""

    id: str
    change: str
    in_place: bool
    own: bool
    answers: str
    beneath: str
    place: PlaceView


class PlanParts(Model):
    """What of a plan holds for every rig, as parts of a page by name."""

    parts: dict[str, str]


class MadeView(Model):
    """Something long made of a case: while it is not ready, the stream tells its progress, and `made` in the end."""

    ready: bool
    problem: str
    html: str


class LessonView(Model):
    """A teaching case, and what must be read before it is handed out."""

    ready: bool
    problem: str
    decisions: int
    removed: int = Field(description="identifiers taken out")
    to_read: list[str] = Field(description="texts that were kept: read them before it is handed out")


class RigBody(Model):
    """A rig and target of the user's own."""

    rig: RigTable
    target: TargetTable


class Asked(Model):
    """A rig that is being worked out."""

    id: str
    change: str


# The vessel


class LesionEdit(Model):
    """A lesion as the table has it; `row` is its place in the case file, null for a new one."""

    row: int | None = Field(None, ge=0, le=30)
    from_mm: float = Field(ge=0, le=400)
    to_mm: float = Field(ge=0, le=400)
    calcium: Calcium
    prepared: list[Preparation] = Field(default_factory=list, max_length=20)
    dissected: bool = False
    opened_fully: bool = False


class BranchEdit(Model):
    """A branch as the table has it; `row` as for a lesion."""

    row: int | None = Field(None, ge=0, le=60)
    name: ShortText
    at_mm: float = Field(ge=0, le=400)
    diameter_mm: float = Field(ge=0.3, le=6)
    angle_deg: float = Field(ge=5, le=175)


class VesselBody(Model):
    """The lesions and branches of a case, and what was read before they were changed."""

    read: str = Field(max_length=64)
    lesions: list[LesionEdit] = Field(max_length=30)
    branches: list[BranchEdit] = Field(max_length=60)


class VesselView(Model):
    """The vessel as understood, with what may be edited."""

    title: str
    invented: bool
    rows: list[Row]
    warnings: list[str]
    length_mm: float
    read: str = Field(
        description="of what is read here: sent back with what is kept, so that nothing newer is lost"
    )
    lesions: list[LesionEdit]
    branches: list[BranchEdit]
    calcium: list[Choice]
    preparations: list[Choice]
    picture: str = Field(description="the lesions and their measures along the vessel")


class PathBody(Model):
    """Another path for a case: the text of a path file."""

    text: Annotated[str, Field(min_length=1, max_length=2_000_000)]


class VesselSketchBody(Model):
    """Another vessel for a case, typed as segments."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]


class LoadedView(Model):
    """A case's vessel after another was loaded, and what to check of it."""

    vessel: VesselView
    notes: list[str]


# The record


class LineBody(Model):
    """A line for the record."""

    key: Key
    line: Annotated[str, Field(min_length=1, max_length=500)]
    said_at: datetime | None = Field(None, description="when it was typed; for lines that had to wait")


class EventItem(Model):
    """One event in the timeline."""

    id: str
    kind: EventKind
    clock: str
    words: str
    role: str


class SaidView(Model):
    """What became of a line: written, or unclear with its choices."""

    written: bool
    echo: str
    question: str
    choices: list[Choice]
    hazards: list[str]
    again: bool = Field(description="it had been written before")
    stands: bool = Field(description="what was written now stands, and can be taken back")


class RecordView(Model):
    """The record of a case."""

    title: str
    invented: bool
    begun: bool
    signed: bool
    events: list[EventItem] = Field(description="what stands, the latest first")
    written: list[str] = Field(description="ids of what can be taken back, the last written first")
    attempt_with: str = Field(description="the device whose attempt the two keys tell of")
    attempt: list[Choice] = Field(description="how an attempt may end, each by one key")
    examples: list[str]
    room: str


class CorrectBody(Model):
    """What is wrong, and the line that stands instead; without one it is taken back."""

    key: Key
    event: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
    line: str = Field("", max_length=500)
    reason: str = Field("", max_length=200)


class SignBody(Model):
    """Who signs what was read."""

    by: ShortText
    digest: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]


class AddendumBody(Model):
    """What is added to a signed report."""

    by: ShortText
    text: Annotated[str, Field(min_length=1, max_length=4000)]


class ReportView(Model):
    """The report as it stands."""

    title: str
    invented: bool
    signed: bool
    digest: str
    html: str


class Part(Model):
    """A part of a page."""

    html: str


Section = Literal["angiogram", "vessel", "plan", "procedure", "wrap-up", "room"]
