"""The case file: one patient, one vessel, what is in place, what is to land where.

Names and units are the ones every part uses. Limits of each value are wide on purpose: they catch a slipped
unit or a slipped digit, not an unusual patient.
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import ConfigDict, Field, model_validator

from backstay.adapters.atomic import write_atomic
from backstay.adapters.toml_edit import edited
from backstay.adapters.toml_text import FileModel, read_text, read_toml, validated
from backstay.errors import InputError
from backstay.identifiers import Access, BleedingRisk, Calcium, Preparation, Ready

# Text that may be shown anywhere: no line breaks, no terminal codes.
Text = Annotated[str, Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]
FileName = Annotated[str, Field(min_length=1, max_length=500, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]
DeviceId = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f-\x9f]+$")]
PlaceMm = Annotated[
    float, Field(ge=0.0, le=400.0, description="distance from the ostium along the vessel, mm")
]
DrawName = Annotated[str, Field(min_length=1, max_length=60)]

Route = Literal["right radial", "left radial", "femoral"]
ROUTES: dict[Route, Access] = {
    "right radial": Access.RIGHT_RADIAL,
    "left radial": Access.LEFT_RADIAL,
    "femoral": Access.FEMORAL,
}


class _Span(FileModel):
    """A stretch of the vessel."""

    from_mm: PlaceMm
    to_mm: PlaceMm

    @model_validator(mode="after")
    def _runs_forward(self) -> Self:
        if self.to_mm <= self.from_mm:
            raise InputError(
                "a stretch of the vessel must end beyond where it begins",
                field="to_mm",
                value=self.to_mm,
                allowed=f"more than from_mm = {self.from_mm:g}",
            )
        return self


class PatientTable(FileModel):
    """Who; only what the planning uses, all of it optional."""

    age_y: float | None = Field(None, ge=18, le=110)
    sex: Literal["female", "male"] | None = None
    weight_kg: float | None = Field(None, ge=25, le=300)
    height_cm: float | None = Field(None, ge=100, le=230)
    creatinine_mg_dL: float | None = Field(None, ge=0.2, le=20, description="mg/dL; 1 mg/dL is 88.4 umol/L")
    hemoglobin_g_dL: float | None = Field(None, ge=3, le=25, description="g/dL, not g/L or mmol/L")
    hematocrit_percent: float | None = Field(None, ge=10, le=70)
    platelets_1e9_L: float | None = Field(None, ge=5, le=2000, description="10^9/L, the same as per nL")
    lvef_percent: float | None = Field(None, ge=5, le=85)
    allergies: list[Text] | None = Field(None, max_length=20, description="an empty list says none known")
    p2y12: Text | None = Field(None, description="which inhibitor, its loading dose and when")
    bleeding_risks: list[Annotated[BleedingRisk, Field(strict=False)]] | None = Field(
        None, max_length=20, description="an empty list says none of them"
    )
    conditions: list[Text] = Field(default_factory=list, max_length=40)


class AccessTable(FileModel):
    """Where the guide comes from."""

    route: Route
    sheath_fr: float = Field(ge=4, le=10)


class LandingTable(FileModel):
    """A landing zone as intravascular imaging saw it."""

    at_mm: PlaceMm | None = None
    lumen_mm: float = Field(ge=0.8, le=8, description="mean lumen diameter")
    outer_wall_mm: float | None = Field(None, ge=0.8, le=10, description="mean diameter of the outer wall")

    @model_validator(mode="after")
    def _wall_lies_outside(self) -> Self:
        if self.outer_wall_mm is not None and self.outer_wall_mm < self.lumen_mm:
            raise InputError(
                "the outer wall lies inside the lumen",
                field="outer_wall_mm",
                value=self.outer_wall_mm,
                allowed=f"at least lumen_mm = {self.lumen_mm:g}",
            )
        return self


class ImagingTable(FileModel):
    """What intravascular imaging gave; where the catheter would not cross, that alone."""

    method: Literal["ivus", "oct"]
    crossed: bool = True
    catheter: DeviceId | None = Field(None, description="as it is called in the record")
    proximal: LandingTable | None = None
    distal: LandingTable | None = None
    lumen_area_mm2: float | None = Field(None, ge=0.3, le=50, description="the least")
    calcium_arc_deg: float | None = Field(None, ge=0, le=360)
    calcium_thickness_mm: float | None = Field(None, ge=0, le=4)
    calcium_length_mm: float | None = Field(None, ge=0, le=200)
    nodule: bool = False
    stent_area_mm2: float | None = Field(None, ge=0.5, le=60, description="the least, after the last balloon")
    malapposition_mm: float | None = Field(None, ge=0, le=4, description="greatest, strut to wall; 0: none")
    malapposition_length_mm: float | None = Field(None, ge=0, le=100)
    edge_dissection_deg: float | None = Field(
        None, ge=0, le=360, description="at an edge of the stent; 0: none"
    )
    edge_dissection_length_mm: float | None = Field(None, ge=0, le=100)

    @model_validator(mode="after")
    def _found_after_a_stent_has_size_and_length(self) -> Self:
        for size, length in (
            ("malapposition_mm", "malapposition_length_mm"),
            ("edge_dissection_deg", "edge_dissection_length_mm"),
        ):
            if (getattr(self, size) is None) != (getattr(self, length) is None):
                given, lacking = (size, length) if getattr(self, length) is None else (length, size)
                raise InputError(
                    f"{given} is judged only together with {lacking}",
                    field=lacking,
                    value=None,
                    allowed="a number, 0 where there is none",
                )
        return self

    @model_validator(mode="after")
    def _nothing_was_seen_from_outside(self) -> Self:
        seen = [k for k, v in self if k not in {"method", "crossed", "catheter"} and v not in (None, False)]
        if not self.crossed and seen:
            raise InputError(
                "a catheter that did not cross has measured nothing",
                field=seen[0],
                allowed="nothing with crossed = false",
            )
        return self

    @model_validator(mode="after")
    def _zones_lie_in_order(self) -> Self:
        near = None if self.proximal is None else self.proximal.at_mm
        far = None if self.distal is None else self.distal.at_mm
        if near is not None and far is not None and far <= near:
            raise InputError(
                "the distal landing zone must lie beyond the proximal one",
                field="distal.at_mm",
                value=far,
                allowed=f"more than proximal.at_mm = {near:g}",
            )
        return self


class LesionTable(_Span):
    """A lesion on the path, as it is now."""

    calcium: Annotated[Calcium, Field(strict=False)]
    prepared: list[Annotated[Preparation, Field(strict=False)]] = Field(default_factory=list, max_length=20)
    dissected: bool = False
    opened_fully: bool = Field(
        False, description="a balloon sized to the distal reference opened fully, seen in two views"
    )
    eccentric: bool = False
    irregular: bool = False
    thrombus: bool = False
    in_stent: bool = Field(False, description="it has come back inside an earlier stent")
    occluded_months: float | None = Field(
        None, ge=0, le=600, description="where it is occluded, for how long"
    )
    bridging_collaterals: bool = False
    imaging: ImagingTable | None = None

    @property
    def torn(self) -> bool:
        """Return whether a dissection is known: said, or seen by imaging at the edge of a stent."""
        image = self.imaging
        return self.dissected or (image is not None and bool(image.edge_dissection_deg))

    @model_validator(mode="after")
    def _zones_lie_on_their_sides(self) -> Self:
        image = self.imaging
        near = None if image is None or image.proximal is None else image.proximal.at_mm
        far = None if image is None or image.distal is None else image.distal.at_mm
        if near is not None and near >= self.to_mm:
            raise InputError(
                "a proximal landing zone lies before the lesion's end",
                field="imaging.proximal.at_mm",
                value=near,
                allowed=f"less than to_mm = {self.to_mm:g}",
            )
        if far is not None and far <= self.from_mm:
            raise InputError(
                "a distal landing zone lies beyond the lesion's beginning",
                field="imaging.distal.at_mm",
                value=far,
                allowed=f"more than from_mm = {self.from_mm:g}",
            )
        return self


class BranchTable(FileModel):
    """A branch and where it leaves."""

    name: Text
    at_mm: PlaceMm
    diameter_mm: float = Field(ge=0.3, le=6)
    angle_deg: float = Field(ge=5, le=175, description="between branch and distal main vessel")
    stenosis_percent: float | None = Field(None, ge=0, le=100, description="at the branch's own mouth")
    disease_mm: float | None = Field(None, ge=0, le=100, description="length of the branch's own disease")
    protectable: bool = Field(True, description="a wire can be put into it")


class VesselTable(FileModel):
    """The vessel: its path file, lesions and branches."""

    name: Text
    path: FileName | None = Field(
        None, description="CSV file of the centreline and radius, from this file's folder"
    )
    measurement: FileName | None = Field(
        None, description="measurement record in place of the path, from this file's folder"
    )
    axes: Literal["patient"] | None = Field(
        None, description="of the path: x to the patient's left, y to the back, z to the head"
    )
    left_main_mm: float | None = Field(
        None, ge=0, le=40, description="length of left main the path begins with"
    )
    vein_graft: bool = False
    lesion: list[LesionTable] = Field(default_factory=list, max_length=30)
    branch: list[BranchTable] = Field(default_factory=list, max_length=60)

    @model_validator(mode="after")
    def _is_consistent(self) -> Self:
        if (self.path is None) == (self.measurement is None):
            raise InputError(
                "a vessel has either a path file or a measurement record",
                field="path",
                value=self.path,
                allowed="one of path and measurement",
            )
        _refuse_repeats([branch.name for branch in self.branch], "branch", "name")
        for k, lesion in enumerate(self.lesion):
            for other in self.lesion[:k]:
                if lesion.from_mm < other.to_mm and other.from_mm < lesion.to_mm:
                    raise InputError(
                        "two lesions overlap; join them or move one",
                        field=f"lesion#{k + 1}",
                        value=f"{lesion.from_mm:g} to {lesion.to_mm:g} mm",
                        allowed=f"clear of {other.from_mm:g} to {other.to_mm:g} mm",
                    )
        return self


class ExtensionEntry(FileModel):
    """A guide extension in place."""

    device: DeviceId
    depth_mm: PlaceMm


class AnchorEntry(FileModel):
    """A balloon held inflated in a branch."""

    device: DeviceId
    branch: Text
    pressure_atm: float = Field(ge=1, le=30)


class TrappedEntry(_Span):
    """A wire held behind a stent already opened, and the stretch that is."""

    device: DeviceId


class RigTable(FileModel):
    """What is in place; the first wire is the one the device runs on, the others lie beside it."""

    guide: DeviceId
    seat_mm: float = Field(0.0, ge=0, le=60)
    extension: ExtensionEntry | None = None
    wires: list[DeviceId] = Field(min_length=1, max_length=4)
    anchor: AnchorEntry | None = None
    trapped: TrappedEntry | None = None


class TargetTable(_Span):
    """What is to land where: the working section's two ends."""

    device: DeviceId


class LimitsTable(FileModel):
    """What the case is to stay within; empty means no limit was set."""

    contrast_mL: float | None = Field(None, gt=0, le=2000)
    air_kerma_mGy: float | None = Field(None, gt=0, le=20000, description="mGy, not Gy")
    minutes: float | None = Field(None, gt=0, le=1000)


class WeightsTable(FileModel):
    """What each thing spent counts for, in minutes; the given numbers are judgement, no source."""

    per_minute: float = Field(1.0, ge=0, le=1000)
    per_mL: float = Field(0.1, ge=0, le=1000)
    per_mGy: float = Field(0.01, ge=0, le=1000)
    stopping: float = Field(120.0, ge=0, le=1e6)
    per_stent_mm: float = Field(
        1.0,
        ge=0,
        le=1000,
        description="each mm of stent beyond what the landing zones need, overlap included",
    )
    per_price: float = Field(
        0.0,
        ge=0,
        le=1000,
        description="each unit of the shelf's own price of a stent; counts where every stent of the shelf has one",
    )


class FlowTable(FileModel):
    """Flow and pressures, all optional: what an estimate of pressure lost, or measured tandem lesions, need."""

    normal_mL_min: float | None = Field(
        None, ge=10, le=800, description="hyperaemic flow the vessel would carry without its lesions"
    )
    aortic_mmHg: float | None = Field(None, ge=30, le=200, description="mean, at hyperaemia")
    between_mmHg: float | None = Field(None, ge=5, le=200, description="measured between two lesions")
    distal_mmHg: float | None = Field(None, ge=5, le=200, description="measured beyond the last lesion")
    wedge_mmHg: float | None = Field(None, ge=0, le=100, description="distal, with the vessel blocked")
    viscosity_mPas: float = Field(3.5, ge=1, le=10)
    density_kg_m3: float = Field(1060.0, ge=950, le=1150)

    @model_validator(mode="after")
    def _pressure_falls_on_the_way(self) -> Self:
        names = ("aortic_mmHg", "between_mmHg", "distal_mmHg", "wedge_mmHg")
        given = [(name, value) for name in names if (value := getattr(self, name)) is not None]
        for (upper, high), (lower, low) in pairwise(given):
            if low >= high:
                raise InputError(
                    "pressure falls along the vessel",
                    field=lower,
                    value=low,
                    allowed=f"below {upper} = {high:g}",
                )
        return self


class AnticoagulationTable(FileModel):
    """What keeps the blood from clotting during the case."""

    agent: Literal["heparin", "bivalirudin"] = "heparin"
    glycoprotein_inhibitor: bool = False


class TimeOutTable(FileModel):
    """What the team settles before the case, for the printed sheet."""

    second_access: Text | None = None
    plan: list[Text] = Field(default_factory=list, max_length=12)
    minimum_result: Text | None = Field(None, description="least acceptable result")
    stop_called_by: Text | None = Field(None, description="the role that calls a stop")
    kit: list[Text] = Field(default_factory=list, max_length=20)
    bail_out_kit: list[Text] = Field(default_factory=list, max_length=20)
    ready: list[Annotated[Ready, Field(strict=False)]] | None = Field(
        None, max_length=10, description="rescue kit in the room; an empty list says none"
    )


class DrawOverride(FileModel):
    """A median and spread in place of the given ones; the spread is one SD on the input's own scale."""

    median: float = Field(ge=-1e6, le=1e6)
    spread: float = Field(gt=0, le=3)


class AortaTable(FileModel):
    """Root and arch as far as they are known; ordinary values otherwise."""

    root_diameter_mm: float = Field(34.0, ge=27, le=42, description="widest diameter of the root, mm")
    arch_type: Literal[1, 2, 3] = 1
    take_off_deg: float = Field(
        0.0, ge=-60, le=60, description="direction of the vessel's beginning; positive runs upwards"
    )


class CaseDocument(FileModel):
    """A case file."""

    model_config = ConfigDict(title="Backstay case")

    schema_: Literal[1] = Field(alias="schema")
    title: Text
    invented: bool = False
    shelf: FileName = Field("shelf.toml", description="shelf file, from this file's folder")
    patient: PatientTable = Field(default_factory=PatientTable)
    access: AccessTable
    vessel: VesselTable
    rig: RigTable
    target: TargetTable
    flow: FlowTable = Field(default_factory=FlowTable)
    limits: LimitsTable = Field(default_factory=LimitsTable)
    anticoagulation: AnticoagulationTable = Field(default_factory=AnticoagulationTable)
    time_out: TimeOutTable = Field(default_factory=TimeOutTable)
    aorta: AortaTable = Field(default_factory=AortaTable)
    holds: FileName | None = Field(None, description="the lab's readings of hold, from this file's folder")
    protocol: FileName | None = Field(None, description="the lab's protocol file, from this file's folder")
    priors: FileName | None = Field(
        None,
        description="a priors file that `backstay pool` wrote, from this file's folder; [draws] comes first",
    )
    weights: WeightsTable = Field(default_factory=WeightsTable)
    draws: dict[DrawName, DrawOverride] = Field(default_factory=dict, max_length=60)


def _refuse_repeats(names: list[str], table: str, key: str) -> None:
    for k, name in enumerate(names):
        if name in names[:k]:
            raise InputError(
                f"two entries have the same {key}",
                field=f"{table}#{k + 1}.{key}",
                value=name,
                allowed="each once",
            )


def read_case(file: Path) -> CaseDocument:
    """Return a case file, checked by itself (not yet against its path and shelf).

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming file, key, value and what is allowed.
    """
    return validated(CaseDocument, read_toml(file), where=str(file))


def write_case(file: Path, case: CaseDocument) -> None:
    """Write a case file whole or not at all; an existing one is edited in place, keeping its comments.

    Raises
    ------
    FileFormatError
        The existing file is not TOML.
    OSError
        It cannot be written; the old content is untouched.
    """
    text = read_text(file) if file.exists() else ""
    write_atomic(file, edited(text, case, where=str(file)))


def case_schema() -> dict[str, Any]:
    """Return the JSON Schema of a case file."""
    return CaseDocument.model_json_schema(by_alias=True)
