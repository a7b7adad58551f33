"""The shelf's guides compared for one root and one artery, as it leaves the program."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from backstay.identifiers import Access, Coronary, RestsOn

Points = list[tuple[float, float]]


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class RestLine(_Model):
    """One region that carries load."""

    where: RestsOn
    at_rest_N: float
    at_loss_N: float
    at_mm: tuple[float, float] = Field(description="middle of the load at loss, mm, as in the picture")
    angle_deg: float = Field(description="direction of the guide there against the vertical")


class ContactLine(_Model):
    """One stretch that lies on the wall when the guide gives way."""

    at_mm: tuple[float, float]
    load_N: float


class GuideRow(_Model):
    """One guide of the shelf."""

    id: str
    name: str
    in_place: bool
    curve_size_mm: float = Field(description="curve that suits the root; guides come in steps of 5 mm")
    suits: bool = Field(description="a shape for this artery")
    seated: bool
    why_not: str = ""
    backup_N: float | None = None
    retreat_mm: float | None = None
    stiffness_N_per_mm: float | None = None
    work_Nmm: float | None = Field(None, description="work until it is lost: seat stability")
    rests: list[RestLine] = []
    cautions: list[str] = []
    curve: list[tuple[float, float]] = Field([], description="retreat [mm] and push [N]")
    lying_mm: Points = Field([], description="seated, from the base to the tip")
    lost_mm: Points = Field([], description="at the highest push")
    contacts: list[ContactLine] = Field([], description="at the highest push")


class VariantRow(_Model):
    """The guide in place with one thing more."""

    what: str
    backup_N: float | None
    ratio: float | None = Field(description="against the guide in place alone")
    retreat_mm: float | None
    work_Nmm: float | None = Field(description="work until it is lost")


class GuidesDocument(_Model):
    """Every guide of the shelf in this root."""

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    vessel: str
    coronary: Coronary
    access: Access
    root_diameter_mm: float
    arch_type: int
    take_off_deg: float
    guides: list[GuideRow]
    variants: list[VariantRow]
    outline_mm: list[Points] = Field(description="walls of aorta, way in and vessel, for the picture")
    unvalidated: list[str]
    sources: list[str]
    disclaimer: str
