"""Shelf files: TOML tables of a lab's devices, to and from `Shelf`."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from pydantic import Field, model_validator

from backstay.adapters.toml_text import FileModel, read_toml, validated
from backstay.core.rigging import devices
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import DeviceKind, Evidence, GuideShape
from backstay.sources import all_sources

Diameter = Annotated[float, Field(ge=0.1, le=5.0)]
Length = Annotated[float, Field(gt=0.0, le=2000.0)]
Shaft = Annotated[float, Field(ge=30.0, le=400.0)]
Stiffness = Annotated[float, Field(gt=0.0, le=2000.0)]
French = Annotated[float, Field(ge=4.0, le=10.0)]
Pressure = Annotated[float, Field(gt=0.0, le=40.0)]
Line = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^\x00-\x1f\x7f]+$")]
Id = Annotated[
    str, Field(min_length=1, max_length=40, pattern=r"^[a-z0-9][a-z0-9-]*$", description="short, kebab-case")
]

DeviceT = TypeVar("DeviceT", bound=devices.Device)

_UNSOURCED = frozenset({Evidence.ILLUSTRATIVE, Evidence.JUDGEMENT, Evidence.COMMON_PRACTICE})
_NOT_DATA = frozenset({"id", "name", "sources", "price"})


class DeviceEntry(FileModel):
    """What every device has."""

    id: Id
    name: Line = Field(description="generic, as shown")
    sources: dict[str, str] = Field(
        default_factory=dict,
        description="source key or evidence word by field; a number not named here counts as illustrative",
    )

    @model_validator(mode="after")
    def _sources_resolve(self) -> DeviceEntry:
        fields = type(self).model_fields.keys() - _NOT_DATA
        words = [word.value for word in Evidence]
        for field, named in self.sources.items():
            if field not in fields:
                raise FileFormatError(
                    "no such field of this device",
                    field=f"sources.{field}",
                    value=named,
                    allowed=", ".join(sorted(fields)),
                )
            if named not in all_sources() and named not in words:
                raise InputError(
                    "neither a source nor a word for evidence",
                    field=f"sources.{field}",
                    value=named,
                    allowed="a key of `backstay sources`, or one of " + ", ".join(words),
                )
        return self

    def unvalidated(self) -> tuple[str, ...]:
        """Return the numbers that no published source stands behind."""
        numbers = [k for k, v in self if k not in _NOT_DATA and isinstance(v, float | int)]
        return tuple(k for k in numbers if self.sources.get(k, Evidence.ILLUSTRATIVE) in _UNSOURCED)

    def to_device(self, kind: type[DeviceT]) -> DeviceT:
        """Return the device of the core."""
        return kind(**dict(self), unvalidated=self.unvalidated())


def _ordered(lower: str, upper: str, entry: DeviceEntry) -> None:
    """Refuse a value above another it cannot exceed."""
    low, high = getattr(entry, lower), getattr(entry, upper)
    if low > high:
        raise InputError(
            f"{lower} is above {upper}", field=lower, value=low, allowed=f"at most {upper}, {high:g}"
        )


class GuideEntry(DeviceEntry):
    """A guide catheter."""

    size_fr: French
    inner_diameter_mm: Diameter
    length_cm: Shaft
    shape: GuideShape = Field(strict=False)

    @model_validator(mode="after")
    def _bore_inside_wall(self) -> GuideEntry:
        outer_mm = self.size_fr / 3.0
        if self.inner_diameter_mm >= outer_mm:
            raise InputError(
                "the bore is wider than the guide",
                field="inner_diameter_mm",
                value=self.inner_diameter_mm,
                allowed=f"less than {outer_mm:.2f} mm for {self.size_fr:g} Fr",
            )
        return self


class ExtensionEntry(DeviceEntry):
    """A guide extension."""

    for_guide_fr: French
    inner_diameter_mm: Diameter
    outer_diameter_mm: Diameter
    tube_length_mm: Length
    collar_inner_diameter_mm: Diameter
    push_rod_diameter_mm: Diameter
    length_cm: Shaft
    stiffness_Nmm2: Stiffness

    @model_validator(mode="after")
    def _tube_has_a_wall(self) -> ExtensionEntry:
        _ordered("inner_diameter_mm", "outer_diameter_mm", self)
        _ordered("push_rod_diameter_mm", "outer_diameter_mm", self)
        return self


class WireEntry(DeviceEntry):
    """A coronary guidewire."""

    diameter_mm: Diameter
    length_cm: Shaft
    core_stiffness_Nmm2: Stiffness
    tip_stiffness_Nmm2: Stiffness
    floppy_mm: Length
    tip_load_N: Annotated[float, Field(gt=0.0, le=1.0)]
    coating: Literal["polymer_jacket", "hydrophilic", "hydrophobic"]

    @model_validator(mode="after")
    def _tip_is_softer(self) -> WireEntry:
        _ordered("tip_stiffness_Nmm2", "core_stiffness_Nmm2", self)
        return self


class OverWireEntry(DeviceEntry):
    """A device that runs over the wire."""

    tip_diameter_mm: Diameter
    nose_mm: Length
    working_mm: Length
    crossing_diameter_mm: Diameter
    working_stiffness_Nmm2: Stiffness
    nose_stiffness_Nmm2: Stiffness
    shaft_stiffness_Nmm2: Stiffness
    shaft_diameter_mm: Diameter
    wire_lumen_mm: Diameter
    rapid_exchange_mm: Length
    proximal_shaft_diameter_mm: Diameter
    length_cm: Shaft
    nominal_diameter_mm: Annotated[float, Field(ge=0.3, le=8.0)]
    smallest_guide_bore_mm: Diameter | None = None

    @model_validator(mode="after")
    def _parts_agree(self) -> OverWireEntry:
        _ordered("tip_diameter_mm", "crossing_diameter_mm", self)
        _ordered("wire_lumen_mm", "shaft_diameter_mm", self)
        length_mm = 10.0 * self.length_cm
        front_mm = self.nose_mm + self.working_mm
        if not front_mm <= self.rapid_exchange_mm <= length_mm:
            raise InputError(
                "the wire lumen ends inside the working section or beyond the shaft",
                field="rapid_exchange_mm",
                value=self.rapid_exchange_mm,
                allowed=f"{front_mm:g} to {length_mm:g}",
            )
        return self


Opened = Annotated[float, Field(ge=0.3, le=10.0)]
Row = Annotated[tuple[Pressure, Opened], Field(strict=False)]
# A table printed to a tenth of a millimetre may miss the labelled size by half of that.
_TABLE_ROUNDING_MM = 0.051


class _Inflated(OverWireEntry):
    nominal_atm: Pressure
    rated_burst_atm: Pressure
    compliance: tuple[Row, ...] = Field(
        default=(), strict=False, max_length=40, description="[atm, mm] rows of the compliance table"
    )
    price: Annotated[float, Field(ge=0.0, le=1e6)] | None = Field(
        None, description="what the lab pays, in its own currency"
    )

    @model_validator(mode="after")
    def _bursts_above_nominal(self) -> _Inflated:
        _ordered("nominal_atm", "rated_burst_atm", self)
        return self

    @model_validator(mode="after")
    def _table_rises_and_holds_the_label(self) -> _Inflated:
        rows = self.compliance
        for below, above in pairwise(rows):
            if above[0] <= below[0] or above[1] < below[1]:
                raise InputError(
                    "a compliance table rises row by row",
                    field="compliance",
                    value=list(above),
                    allowed=f"above {below[0]:g} atm and at least {below[1]:g} mm",
                )
        if rows and not rows[0][0] <= self.nominal_atm <= rows[-1][0]:
            raise InputError(
                "the compliance table does not reach the nominal pressure",
                field="compliance",
                value=[rows[0][0], rows[-1][0]],
                allowed=f"rows on both sides of {self.nominal_atm:g} atm",
            )
        if rows:
            found_mm = float(np.interp(self.nominal_atm, [r[0] for r in rows], [r[1] for r in rows]))
            if abs(found_mm - self.nominal_diameter_mm) > _TABLE_ROUNDING_MM:
                raise InputError(
                    "the compliance table does not give the labelled size at the nominal pressure",
                    field="compliance",
                    value=round(found_mm, 3),
                    allowed=f"{self.nominal_diameter_mm:g} mm at {self.nominal_atm:g} atm",
                )
        return self


class BalloonEntry(_Inflated):
    """A balloon catheter."""

    balloon_type: Literal["semi_compliant", "non_compliant", "scoring", "lithotripsy", "drug_coated"]


class StentEntry(_Inflated):
    """A drug-eluting stent on its balloon."""

    expansion_limit_mm: Annotated[float, Field(ge=1.0, le=10.0)]

    @model_validator(mode="after")
    def _opens_to_its_size(self) -> StentEntry:
        _ordered("nominal_diameter_mm", "expansion_limit_mm", self)
        return self


class MicrocatheterEntry(OverWireEntry):
    """A microcatheter."""


class BurrEntry(OverWireEntry):
    """A rotational atherectomy burr on its drive shaft."""


class ShelfDocument(FileModel):
    """A shelf file."""

    schema_: Literal[1] = Field(alias="schema")
    title: Line
    guide: tuple[GuideEntry, ...] = Field(default=(), strict=False)
    extension: tuple[ExtensionEntry, ...] = Field(default=(), strict=False)
    wire: tuple[WireEntry, ...] = Field(default=(), strict=False)
    microcatheter: tuple[MicrocatheterEntry, ...] = Field(default=(), strict=False)
    balloon: tuple[BalloonEntry, ...] = Field(default=(), strict=False)
    stent: tuple[StentEntry, ...] = Field(default=(), strict=False)
    burr: tuple[BurrEntry, ...] = Field(default=(), strict=False)

    @model_validator(mode="after")
    def _ids_are_unique(self) -> ShelfDocument:
        seen: dict[str, str] = {}
        for place, entry in _entries(self):
            if entry.id in seen:
                raise InputError(
                    f"this id is taken by {seen[entry.id]}",
                    field=f"{place}.id",
                    value=entry.id,
                    allowed="an id used once on the shelf",
                )
            seen[entry.id] = place
        if not seen:
            raise FileFormatError("the shelf is empty", allowed="at least one device")
        return self


_CORE: dict[DeviceKind, type[devices.Device]] = {
    DeviceKind.GUIDE: devices.Guide,
    DeviceKind.EXTENSION: devices.Extension,
    DeviceKind.WIRE: devices.Wire,
    DeviceKind.MICROCATHETER: devices.Microcatheter,
    DeviceKind.BALLOON: devices.Balloon,
    DeviceKind.STENT: devices.Stent,
    DeviceKind.BURR: devices.Burr,
}


def _entries(document: ShelfDocument) -> Iterator[tuple[str, DeviceEntry]]:
    """Yield every entry with its place as users count it."""
    for kind in DeviceKind:
        entries: tuple[DeviceEntry, ...] = getattr(document, kind.value)
        for number, entry in enumerate(entries, 1):
            yield f"{kind.value}#{number}", entry


def shelf_from(document: ShelfDocument) -> devices.Shelf:
    """Return the shelf of a document."""
    found = (entry.to_device(_CORE[DeviceKind(place.split("#")[0])]) for place, entry in _entries(document))
    return devices.Shelf(document.title, {device.id: device for device in found})


def read_shelf(file: Path) -> devices.Shelf:
    """Return the shelf in a TOML file.

    Raises
    ------
    NotFound
        There is no such file.
    FileFormatError
        It is not TOML, a key is unknown or missing, or a value is of the wrong type.
    InputError
        A value is out of range, contradicts another, or names no source.
    """
    return shelf_from(validated(ShelfDocument, read_toml(file), where=str(file)))


def shelf_schema() -> dict[str, Any]:
    """Return the JSON Schema of a shelf file."""
    return ShelfDocument.model_json_schema(by_alias=True)
