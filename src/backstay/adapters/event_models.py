"""What each kind of event says: the one schema of the record, wherever it is kept."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BeforeValidator, Field, TypeAdapter, model_validator

from backstay.adapters.case_file import DeviceId, FileName, PlaceMm, Route, Text
from backstay.adapters.toml_text import FileModel
from backstay.errors import InputError
from backstay.identifiers import Complication, Drug, EventKind, LimitedBy, MoveId, Preparation


def _written_time(value: object) -> object:
    if isinstance(value, str | datetime):
        return value
    raise InputError("not a time", value=value, allowed='text such as "2031-04-05T09:30:00+02:00"')


EventId = Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Time = Annotated[AwareDatetime, Field(strict=False), BeforeValidator(_written_time)]
Pressure = Annotated[float, Field(ge=0.5, le=50)]
LongText = Annotated[str, Field(min_length=1, max_length=4000)]
Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
NoteTopic = Literal["indication", "finding", "result", "plan", "teaching"]


class Event(FileModel):
    """What every event says."""

    schema_: Literal[1] = Field(1, alias="schema")
    id: EventId
    at: Time = Field(description="ISO 8601 with the offset from UTC")
    author_role: Literal["operator", "assistant", "nurse", "technologist", "recorder", "import"]
    supersedes: EventId | None = Field(None, description="the event this one stands instead of")
    restores: EventId | None = Field(
        None, description="the earlier event that it says anew: what replaced that one was taken back"
    )


class _EventSpan(Event):
    from_mm: PlaceMm
    to_mm: PlaceMm

    @model_validator(mode="after")
    def _runs_forward(self) -> Self:
        if self.to_mm <= self.from_mm:
            allowed = f"more than from_mm = {self.from_mm:g}"
            raise InputError(
                "a stretch must end beyond where it begins", field="to_mm", value=self.to_mm, allowed=allowed
            )
        return self


class AccessEvent(Event):
    """A sheath was placed."""

    kind: Literal[EventKind.ACCESS]
    route: Route
    sheath_fr: float = Field(ge=4, le=10)


class GuideInEvent(Event):
    """A guide engaged the vessel, or was seated elsewhere."""

    kind: Literal[EventKind.GUIDE_IN]
    device: DeviceId
    seat_mm: float = Field(0.0, ge=0, le=60)
    side_holes: bool | None = None


class GuideOutEvent(Event):
    """The guide left the vessel, wanted or not."""

    kind: Literal[EventKind.GUIDE_OUT]
    wanted: bool


class WireInEvent(Event):
    """A wire was placed."""

    kind: Literal[EventKind.WIRE_IN]
    device: DeviceId
    role: Literal["rail", "buddy", "branch"]
    branch: Text | None = None
    tip_mm: PlaceMm | None = None


class WireOutEvent(Event):
    """A wire was taken out."""

    kind: Literal[EventKind.WIRE_OUT]
    device: DeviceId
    guide: Literal["engaged", "disengaged"] | None = Field(
        None, description="where the guide stood meanwhile"
    )
    role: Literal["rail", "buddy", "branch", "trapped"] | None = Field(
        None, description="which of two wires of one name"
    )


class ExtensionEvent(Event):
    """A guide extension went in or stands elsewhere; without a depth it is out."""

    kind: Literal[EventKind.EXTENSION]
    device: DeviceId
    depth_mm: PlaceMm | None = None


class InflationEvent(_EventSpan):
    """A balloon was inflated; `opened_fully` needs the number of views it was seen in."""

    kind: Literal[EventKind.INFLATION]
    device: DeviceId
    pressure_atm: Pressure
    duration_s: float | None = Field(None, gt=0, le=1800)
    purpose: Literal["preparation", "stent", "after_stent", "anchor", "trapping", "sealing"]
    branch: Text | None = Field(None, description="where it lies, if not in the main vessel")
    opened_fully: bool | None = None
    views: int | None = Field(None, ge=1, le=6)

    @model_validator(mode="after")
    def _says_in_how_many_views(self) -> Self:
        if self.opened_fully and self.views is None:
            raise InputError("opened fully in how many views?", field="views", allowed="1 to 6")
        return self


class StentEvent(_EventSpan):
    """A stent was opened."""

    kind: Literal[EventKind.STENT]
    device: DeviceId
    pressure_atm: Pressure
    duration_s: float | None = Field(None, gt=0, le=1800)
    traps: list[DeviceId] = Field(
        default_factory=list, max_length=2, description="wires held behind it on purpose"
    )


class AttemptEvent(Event):
    """A device was tried, and how it ended."""

    kind: Literal[EventKind.ATTEMPT]
    device: DeviceId
    moves: list[Annotated[MoveId, Field(strict=False)]] = Field(default_factory=list, max_length=12)
    outcome: Literal["reached", "stopped"]
    stopped_at_mm: PlaceMm | None = Field(None, description="place of the device's tip")
    limited_by: Annotated[LimitedBy, Field(strict=False)] | None = None
    push: Literal["gentle", "firm", "all_that_was_safe"] | None = None
    rig: Text | None = Field(None, description="what was in place, as the plan of the case names it")
    path_sha256: Sha256 | None = Field(None, description="the path file the vessel was known by")

    @model_validator(mode="after")
    def _ends_one_way(self) -> Self:
        for name in ("stopped_at_mm", "limited_by"):
            if self.outcome == "reached" and getattr(self, name) is not None:
                value = getattr(self, name)
                raise InputError(
                    "a device that reached its place was not stopped", field=name, value=value, allowed="none"
                )
        return self


class ContrastEvent(Event):
    """Contrast given since the event before."""

    kind: Literal[EventKind.CONTRAST]
    volume_mL: float = Field(gt=0, le=500)


class ActEvent(Event):
    """An activated clotting time."""

    kind: Literal[EventKind.ACT]
    act_s: float = Field(ge=50, le=1500)
    sampled_from: Literal["guide", "sheath", "vein"] | None = None


class HeparinEvent(Event):
    """Unfractionated heparin given."""

    kind: Literal[EventKind.HEPARIN]
    dose_U: float = Field(gt=0, le=30000)


class DoseEvent(Event):
    """The machine's running totals."""

    kind: Literal[EventKind.DOSE]
    air_kerma_mGy: float = Field(ge=0, le=50000)
    kap_Gycm2: float | None = Field(None, ge=0, le=5000)
    fluoroscopy_min: float | None = Field(None, ge=0, le=1000)
    reset: bool | None = Field(
        None, description="the display was set back to zero before it: these totals add to those before"
    )


class ViewEvent(Event):
    """The gantry's angles; positive is left anterior oblique, and cranial."""

    kind: Literal[EventKind.VIEW]
    primary_angle_deg: float = Field(ge=-180, le=180)
    secondary_angle_deg: float = Field(ge=-90, le=90)


class ComplicationEvent(Event):
    """Something went wrong."""

    kind: Literal[EventKind.COMPLICATION]
    what: Text
    code: Annotated[Complication, Field(strict=False)] | None = None
    at_mm: PlaceMm | None = None
    settled: bool | None = Field(
        None, description="it is over: a leak sealed, a tamponade drained, flow back"
    )


class NoteEvent(Event):
    """Free text; a topic says which part of the report it belongs to."""

    kind: Literal[EventKind.NOTE]
    text: LongText
    topic: NoteTopic | None = None


class CorrectionEvent(Event):
    """An earlier event is taken back."""

    kind: Literal[EventKind.CORRECTION]
    supersedes: EventId
    reason: LongText


class OpenedEvent(Event):
    """The record of a case begins: its first event, and what was planned from."""

    kind: Literal[EventKind.OPENED]
    record: EventId = Field(description="names the record wherever it is kept")
    title: Text
    vessel: Text
    invented: bool = False
    inputs: dict[FileName, Sha256] = Field(
        default_factory=dict, max_length=20, description="case, path and shelf as read: SHA-256 by file name"
    )


class PreparedEvent(_EventSpan):
    """The lesion was prepared other than by a plain balloon."""

    kind: Literal[EventKind.PREPARED]
    what: Annotated[Preparation, Field(strict=False)]
    device: DeviceId | None = None
    passes: int | None = Field(None, ge=1, le=200, description="runs of a burr, pulses of lithotripsy")
    longest_run_s: float | None = Field(None, gt=0, le=600, description="of a burr")


class ResultEvent(Event):
    """What was measured at the end, or between steps."""

    kind: Literal[EventKind.RESULT]
    measured_with: Literal[
        "angiography", "intravascular ultrasound", "optical coherence tomography", "pressure wire"
    ]
    residual_stenosis_percent: float | None = Field(None, ge=0, le=100)
    timi_flow: int | None = Field(None, ge=0, le=3)
    minimum_stent_area_mm2: float | None = Field(None, ge=0.5, le=30)
    reference_area_mm2: float | None = Field(None, ge=0.5, le=40, description="mean of both ends")
    ffr: float | None = Field(None, ge=0, le=1)

    @model_validator(mode="after")
    def _says_something(self) -> Self:
        names = ("residual_stenosis_percent", "timi_flow", "minimum_stent_area_mm2", "ffr")
        if all(getattr(self, name) is None for name in names):
            raise InputError("a result without a value", field=names[0], allowed=" or ".join(names))
        return self


class SignedEvent(Event):
    """The report was signed: nothing but addenda follows."""

    kind: Literal[EventKind.SIGNED]
    by: Text
    report_sha256: Sha256
    head: Sha256 = Field(description="head of the chain of events the report was made from")


class AddendumEvent(Event):
    """What is to be added to a signed report."""

    kind: Literal[EventKind.ADDENDUM]
    by: Text
    text: LongText


class DeviceInEvent(Event):
    """Something went in that no other kind of event tells of."""

    kind: Literal[EventKind.DEVICE_IN]
    device: DeviceId
    what: Literal["balloon", "stent", "microcatheter", "burr", "imaging_catheter", "snare", "other"]


class DeviceOutEvent(Event):
    """A device came out, whole or not, and into what it was drawn first."""

    kind: Literal[EventKind.DEVICE_OUT]
    device: DeviceId
    whole: bool = True
    drawn_into: Literal["guide", "extension", "sheath"] | None = None


class DeflationEvent(Event):
    """A balloon held inflated was let down."""

    kind: Literal[EventKind.DEFLATION]
    device: DeviceId


class WireSeenEvent(Event):
    """The wire's tip was looked for."""

    kind: Literal[EventKind.WIRE_SEEN]
    device: DeviceId
    tip: Literal["main_vessel", "large_branch", "small_branch", "looped", "out_of_view"]
    role: Literal["rail", "buddy", "branch"] | None = Field(
        None, description="which of two wires of one name"
    )


class PressureEvent(Event):
    """The pressure at the guide's tip."""

    kind: Literal[EventKind.PRESSURE]
    damped: bool | None = None
    systolic_mmHg: float | None = Field(None, ge=20, le=320)


class DrugEvent(Event):
    """A drug given, other than heparin."""

    kind: Literal[EventKind.DRUG]
    drug: Annotated[Drug, Field(strict=False)]
    name: Text | None = Field(None, description="which one, by its generic name")
    dose: float | None = Field(None, gt=0, le=1e6)
    unit: Literal["mg", "ug", "U", "mL", "mg/h", "ug/min"] | None = None

    @model_validator(mode="after")
    def _dose_has_a_unit(self) -> Self:
        if (self.dose is None) != (self.unit is None):
            raise InputError("a dose needs its unit, and a unit its dose", field="unit", value=self.unit)
        return self


class FlushEvent(Event):
    """Guide and extension were bled back and flushed."""

    kind: Literal[EventKind.FLUSH]


class EndEvent(Event):
    """The case ends."""

    kind: Literal[EventKind.END]
    counted: bool = Field(False, description="what is in the body was counted, and agreed")


AnyEvent = Annotated[
    AccessEvent
    | GuideInEvent
    | GuideOutEvent
    | WireInEvent
    | WireOutEvent
    | ExtensionEvent
    | InflationEvent
    | StentEvent
    | AttemptEvent
    | ContrastEvent
    | ActEvent
    | HeparinEvent
    | DoseEvent
    | ViewEvent
    | ComplicationEvent
    | NoteEvent
    | CorrectionEvent
    | OpenedEvent
    | PreparedEvent
    | ResultEvent
    | SignedEvent
    | AddendumEvent
    | DeviceInEvent
    | DeviceOutEvent
    | DeflationEvent
    | WireSeenEvent
    | PressureEvent
    | DrugEvent
    | FlushEvent
    | EndEvent,
    Field(discriminator="kind"),
]

EVENT_TYPES: dict[EventKind, type[Event]] = {
    EventKind.ACCESS: AccessEvent,
    EventKind.GUIDE_IN: GuideInEvent,
    EventKind.GUIDE_OUT: GuideOutEvent,
    EventKind.WIRE_IN: WireInEvent,
    EventKind.WIRE_OUT: WireOutEvent,
    EventKind.EXTENSION: ExtensionEvent,
    EventKind.INFLATION: InflationEvent,
    EventKind.STENT: StentEvent,
    EventKind.ATTEMPT: AttemptEvent,
    EventKind.CONTRAST: ContrastEvent,
    EventKind.ACT: ActEvent,
    EventKind.HEPARIN: HeparinEvent,
    EventKind.DOSE: DoseEvent,
    EventKind.VIEW: ViewEvent,
    EventKind.COMPLICATION: ComplicationEvent,
    EventKind.NOTE: NoteEvent,
    EventKind.CORRECTION: CorrectionEvent,
    EventKind.OPENED: OpenedEvent,
    EventKind.PREPARED: PreparedEvent,
    EventKind.RESULT: ResultEvent,
    EventKind.SIGNED: SignedEvent,
    EventKind.ADDENDUM: AddendumEvent,
    EventKind.DEVICE_IN: DeviceInEvent,
    EventKind.DEVICE_OUT: DeviceOutEvent,
    EventKind.DEFLATION: DeflationEvent,
    EventKind.WIRE_SEEN: WireSeenEvent,
    EventKind.PRESSURE: PressureEvent,
    EventKind.DRUG: DrugEvent,
    EventKind.FLUSH: FlushEvent,
    EventKind.END: EndEvent,
}


def event_schema() -> dict[str, Any]:
    """Return the JSON Schema of one line of a record."""
    schema: dict[str, Any] = TypeAdapter(AnyEvent).json_schema(by_alias=True)
    return {"title": "Backstay event", **schema}
