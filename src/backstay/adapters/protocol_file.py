"""The lab's protocol file: what the lab decides where sources disagree or are silent."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from backstay.adapters.case_file import Text
from backstay.adapters.toml_text import FileModel, read_toml, validated
from backstay.core.safety.protocol import (
    ContrastProtocol,
    HazardProtocol,
    HeparinProtocol,
    Protocol,
    RadiationProtocol,
    SkinFactors,
)

_Minutes = Annotated[float, Field(gt=0, le=240)]
_Share = Annotated[float, Field(gt=0, le=1)]
_Kerma = Annotated[float, Field(ge=100, le=20000)]
_Product = Annotated[float, Field(ge=10, le=5000, description="Gy cm2")]


class ContrastTable(FileModel):
    """Contrast."""

    weight_limit_cap: Literal["the smaller", "on the dose", "on the result"] = "the smaller"
    clearance_times: float = Field(3.0, ge=0.5, le=5)
    near_share: _Share = 0.8


class HeparinTable(FileModel):
    """Heparin and the activated clotting time."""

    instrument: Literal["lower reading", "higher reading", "unknown"] = "unknown"
    repeat_after_min: _Minutes = 20.0
    overdue_after_min: _Minutes = 30.0


class RadiationTable(FileModel):
    """Levels of radiation."""

    first_notice_mGy: _Kerma = 3000.0
    next_notice_mGy: _Kerma = 1000.0
    substantial_mGy: _Kerma = 5000.0
    substantial_skin_mGy: _Kerma = 3000.0
    substantial_kap_Gycm2: _Product = 500.0
    substantial_fluoroscopy_min: _Minutes = 60.0
    first_kap_Gycm2: _Product = 300.0
    next_kap_Gycm2: _Product = 100.0
    first_fluoroscopy_min: _Minutes = 30.0
    next_fluoroscopy_min: _Minutes = 15.0


class SkinTable(FileModel):
    """From air kerma at the reference point to the skin, as the room's physicist has it."""

    backscatter_factor: float = Field(1.40, ge=1, le=1.8)
    tissue_factor: float = Field(1.06, ge=1, le=1.15)
    table_factor: float = Field(0.80, ge=0.4, le=1)
    calibration_factor: float = Field(1.0, ge=0.5, le=2)
    half_range: _Share = 0.40


class HazardTable(FileModel):
    """Edges of hazards that no source gives."""

    high_atm: float = Field(16.0, ge=8, le=40)
    anchor_atm: float = Field(8.0, ge=2, le=20)
    small_branch_mm: float = Field(2.0, ge=1, le=3)
    deep_extension_mm: float = Field(30.0, ge=5, le=100)
    oversize_ratio: float = Field(1.1, ge=1, le=1.5)
    burr_ratio: float = Field(0.6, ge=0.3, le=0.9)
    burr_run_s: float = Field(20.0, ge=5, le=60)
    blocked_s: float = Field(120.0, ge=20, le=900)
    bend_deg: float = Field(90.0, ge=30, le=360)
    stiff_wire_Nmm2: float = Field(6.0, ge=1, le=60)


class ProtocolDocument(FileModel):
    """A protocol file."""

    model_config = ConfigDict(title="Backstay protocol")

    schema_: Literal[1] = Field(alias="schema")
    name: Text = Field(description="whose protocol, by its own title")
    contrast: ContrastTable = Field(default_factory=ContrastTable)
    heparin: HeparinTable = Field(default_factory=HeparinTable)
    radiation: RadiationTable = Field(default_factory=RadiationTable)
    skin: SkinTable = Field(default_factory=SkinTable)
    hazards: HazardTable = Field(default_factory=HazardTable)

    def protocol(self) -> Protocol:
        """Return it as the core takes it."""
        return Protocol(
            name=self.name,
            contrast=ContrastProtocol(**self.contrast.model_dump()),
            heparin=HeparinProtocol(**self.heparin.model_dump()),
            radiation=RadiationProtocol(**self.radiation.model_dump()),
            skin=SkinFactors(**self.skin.model_dump()),
            hazards=HazardProtocol(**self.hazards.model_dump()),
            set_by_lab=self._set(),
        )

    def _set(self) -> frozenset[str]:
        """Return what the file itself says, as "part.value"."""
        parts = {name: getattr(self, name) for name in self.model_fields_set}
        tables = {name: part for name, part in parts.items() if isinstance(part, FileModel)}
        return frozenset(
            f"{name}.{value}" for name, part in tables.items() for value in part.model_fields_set
        )


def read_protocol(file: Path) -> Protocol:
    """Return a lab's protocol.

    Raises
    ------
    NotFound, FileFormatError, InputError
        Naming file, key, value and what is allowed.
    """
    return validated(ProtocolDocument, read_toml(file), where=str(file)).protocol()


def protocol_schema() -> dict[str, Any]:
    """Return the JSON Schema of a protocol file."""
    return ProtocolDocument.model_json_schema(by_alias=True)
