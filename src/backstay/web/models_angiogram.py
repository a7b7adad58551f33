"""What the API takes and gives of the angiogram."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from backstay.adapters.measurement_file import BranchTable as MarkedBranch
from backstay.adapters.measurement_file import CatheterTable, ErrorsTable, Name, Place, RunTable
from backstay.identifiers import Calcium
from backstay.web.models import Choice, Model, Row

Places = list[list[float]]


class RunItem(Model):
    """A run of the case, ready to be shown."""

    name: str
    rows: int
    columns: int
    frames: int
    bytes_per_pixel: int
    most: int = Field(description="the largest grey value the bits allow")
    low: int = Field(description="grey values between which the middle frame lies, but for 1 % at either end")
    high: int
    inverted: bool = Field(description="a larger value means less signal")
    frame_ms: float | None
    view: str
    facts: list[Row]
    problem: str = ""


class AngiogramView(Model):
    """The runs of a case, and the marks of the measurement it stands on."""

    title: str
    invented: bool
    vessel: str
    runs: list[RunItem]
    kept: list[RunTable] | None
    branches: list[str] = Field(description="names in the case's table of branches")
    calcium: list[Choice]
    may_rank: bool = Field(
        description="the path's axes are the patient's, so that ways to look at it can be ranked"
    )


class TraceBody(Model):
    """One view to trace."""

    run: RunTable
    at_once: bool = Field(False, description="rough edges now, to show while tracing; never to measure by")


class TraceView(Model):
    """One view traced: places are row, column."""

    at_once: bool
    line: Places
    left: Places
    right: Places
    facts: list[Row] = Field(description="as this view alone shows it; empty at once")
    doubts: list[str]
    strip: str = Field(description="the lumen laid straight; empty at once")


class SecondFrame(Model):
    """The second view, with what is marked on it so far."""

    file: Annotated[str, Field(max_length=80)]
    frame: int = Field(ge=1, le=5000)
    clicks: list[Place] = Field(default_factory=list, max_length=200)
    branch: list[MarkedBranch] = Field(default_factory=list, max_length=20)
    catheter: CatheterTable | None = None
    primary_deg: float | None = Field(None, ge=-180, le=180)
    secondary_deg: float | None = Field(None, ge=-90, le=90)
    sid_mm: float | None = Field(None, ge=500, le=1800)
    isocentre_mm: float | None = Field(None, ge=400, le=1300)
    pixel_mm: float | None = Field(None, ge=0.05, le=1)


class SecondBody(Model):
    """A traced first view, and the second as far as it is marked."""

    first: RunTable
    second: SecondFrame
    errors: ErrorsTable = Field(default_factory=ErrorsTable)


class BandView(Model):
    """Where in the second view a place of the first may lie."""

    name: str = Field(description="of a mark, or its distance along the first view's path")
    is_mark: bool
    first: list[float] = Field(description="row, column in the first view")
    outline: Places = Field(description="corners in the second, two standard deviations to either side")


class SecondView(Model):
    """The bands of the first view's vessel in the second."""

    bands: list[BandView]


class MeasureBody(Model):
    """A vessel to measure from one or two views."""

    run: list[RunTable] = Field(min_length=1, max_length=2)
    accept: list[Name] = Field(default_factory=list, max_length=12)
    errors: ErrorsTable = Field(default_factory=ErrorsTable)


class DoubtView(Model):
    """A reason to doubt."""

    doubt: str
    words: str
    stops: bool = Field(description="it is not kept unless this is accepted")
    accepted: bool


class MeasureView(Model):
    """A vessel measured."""

    facts: list[Row]
    doubts: list[DoubtView]
    views: list[TraceView] = Field(description="lines and edges as fitted together, by view")
    strip: str
    may_be_kept: bool


class KeepBody(MeasureBody):
    """A measurement to keep as the case's vessel."""

    calcium: Calcium | None = Field(
        None, description="of the narrowings found, which become the lesions; null leaves lesions and target"
    )


class KeptView(Model):
    """What was kept, and what to look at now."""

    path: str
    record: str
    notes: list[str]


class WorkingViewItem(Model):
    """One way to look at a stretch."""

    name: str
    lost_mm: float
    lost_percent: float
    covered_mm: float


class WorkingViews(Model):
    """Ways to look at a stretch, the best first."""

    what: str
    views: list[WorkingViewItem]
    notes: list[str]
