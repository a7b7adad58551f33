"""The measurement record `measurement.toml`: all that a measurement stands on, and what came out.

The same file, without results, is what a person writes to say where to measure; so a record repeats by itself.
Rows, columns and frames: pixel positions are (row, column), from 0 at the middle of the first pixel; frames count
from 1.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from backstay.adapters.atomic import write_atomic
from backstay.adapters.toml_edit import edited
from backstay.adapters.toml_text import FileModel, read_toml, validated
from backstay.errors import InputError

Name = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]
FileName = Annotated[str, Field(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]
Pixel = Annotated[float, Field(ge=-1.0, le=4096.0)]
Place = Annotated[
    list[Pixel],
    Field(min_length=2, max_length=2, description="row, column; 0, 0 is the middle of the first pixel"),
]


class EdgeTable(FileModel):
    """Edges of the lumen at one place, corrected by hand."""

    left: Place
    right: Place


class BranchTable(FileModel):
    """A branch point as seen in this run."""

    name: Name
    at: Place


class CatheterTable(FileModel):
    """The guide catheter as seen in this run, to calibrate by."""

    size_fr: float = Field(ge=4, le=8, description="outer size, French")
    clicks: list[Place] = Field(min_length=2, max_length=50, description="along its shaft")


class RunTable(FileModel):
    """One run: which frame, what was marked on it, and what was set against its tags."""

    file: FileName = Field(description="DICOM file, from this file's folder")
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    frame: int = Field(ge=1, le=5000)
    clicks: list[Place] = Field(min_length=2, max_length=200, description="along the vessel from its start")
    drawn: list[Place] | None = Field(
        None, min_length=5, max_length=5000, description="path drawn by hand in place of the trace"
    )
    edge: list[EdgeTable] = Field(default_factory=list, max_length=200)
    branch: list[BranchTable] = Field(default_factory=list, max_length=20)
    catheter: CatheterTable | None = None
    spine: Literal["left", "right"] | None = Field(None, description="side of the image the spine is seen on")
    primary_deg: float | None = Field(None, ge=-180, le=180, description="in place of the tag; LAO positive")
    secondary_deg: float | None = Field(
        None, ge=-90, le=90, description="in place of the tag; cranial positive"
    )
    sid_mm: float | None = Field(None, ge=500, le=1800, description="source to receptor, in place of the tag")
    isocentre_mm: float | None = Field(
        None, ge=400, le=1300, description="source to isocentre, in place of the tag"
    )
    pixel_mm: float | None = Field(
        None, ge=0.05, le=1, description="pixel spacing at the receptor, in place of the tag"
    )


class ErrorsTable(FileModel):
    """How far the tags may be off, one standard deviation each."""

    shift_mm: float = Field(
        8.0, gt=0, le=100, description="movement of table and patient between the runs, per axis"
    )
    angle_deg: float = Field(0.5, gt=0, le=10)
    distance_share: float = Field(0.005, ge=0, le=0.2, description="of the source-to-isocentre distance")


class UsedTable(FileModel):
    """What one run was taken to be."""

    primary_deg: float
    secondary_deg: float
    sid_mm: float
    isocentre_mm: float
    pixel_mm: float
    calibration: Name
    mm_per_px: float
    scale_sd_percent: float
    intensity: Name
    blur_px: float
    primary_correction_deg: float = 0.0
    secondary_correction_deg: float = 0.0
    remark: list[str] = Field(default_factory=list)


class StenosisTable(FileModel):
    """One narrowing found."""

    from_mm: float
    to_mm: float
    at_mm: float
    least_diameter_mm: float
    least_diameter_sd_mm: float
    reference_mm: float
    stenosis_percent: float
    stenosis_sd_percent: float


class BranchAtTable(FileModel):
    """Where a branch leaves the path."""

    name: Name
    at_mm: float


class RemarkTable(FileModel):
    """A reason to doubt."""

    doubt: Name
    stops: bool
    text: str


class ResultTable(FileModel):
    """What came out."""

    path: FileName
    views: int
    length_mm: float
    length_sd_mm: float
    longest_mm: float
    bend_deg: float | None = None
    curvature_sd_percent: float | None = None
    residual_px: float | None = None
    shift_mm: list[float] | None = None
    convention: str
    set_by_hand: list[str] = Field(default_factory=list)
    used: list[UsedTable]
    stenosis: list[StenosisTable] = Field(default_factory=list)
    branch: list[BranchAtTable] = Field(default_factory=list)
    remark: list[RemarkTable] = Field(default_factory=list)
    versions: dict[str, str]


class MeasurementDocument(FileModel):
    """A measurement record."""

    model_config = ConfigDict(title="Backstay measurement")

    schema_: Literal[1] = Field(alias="schema")
    vessel: Name | None = None
    invented: bool = False
    accept: list[Name] = Field(
        default_factory=list, max_length=12, description="doubts accepted though they would stop"
    )
    run: list[RunTable] = Field(min_length=1, max_length=2)
    errors: ErrorsTable = Field(default_factory=ErrorsTable)
    result: ResultTable | None = None

    @model_validator(mode="after")
    def _names_match(self) -> Self:
        names = [[branch.name for branch in run.branch] for run in self.run]
        if len(names) == 2 and sorted(names[0]) != sorted(names[1]):
            raise InputError(
                "a branch point must be marked in both runs",
                field="run.branch",
                value=", ".join(sorted({*names[0]} ^ {*names[1]})),
                allowed="the same names in both",
            )
        if len(names[0]) != len(set(names[0])):
            raise InputError(
                "a branch is marked twice", field="run.branch", value=names[0], allowed="each once"
            )
        return self


def read_measurement(file: Path) -> MeasurementDocument:
    """Return a measurement file, checked by itself.

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming file, key, value and what is allowed.
    """
    return validated(MeasurementDocument, read_toml(file), where=str(file))


def write_measurement(file: Path, document: MeasurementDocument) -> None:
    """Write a measurement record, whole or not at all.

    Raises
    ------
    OSError
        It cannot be written; the old content is untouched.
    """
    write_atomic(file, edited("", document, where=str(file)))


def measurement_schema() -> dict[str, Any]:
    """Return the JSON Schema of a measurement record."""
    return MeasurementDocument.model_json_schema(by_alias=True)
