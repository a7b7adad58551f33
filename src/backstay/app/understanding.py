"""What was understood of a case, in a few lines, for a person to compare with the angiogram."""

from __future__ import annotations

from typing import Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field

from backstay.app.loading import LoadedCase
from backstay.core.anatomy.lesion import Lesion
from backstay.units import rad_to_deg

_PREPARATION_SEPARATOR = ", then "


class Understood(BaseModel):
    """What a case says, measured."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    schema_: Literal[1] = Field(1, alias="schema")
    title: str
    invented: bool
    vessel: str
    length_mm: float
    bend_raw_deg: float
    bend_deg: float
    largest_shift_mm: float
    kept_turns: list[str]
    ostium_diameter_mm: float
    end_diameter_mm: float
    narrowest_diameter_mm: float
    narrowest_at_mm: float
    lesions: list[str]
    branches: list[str]
    rig: str
    target: str
    warnings: list[str]

    def rows(self) -> list[tuple[str, str]]:
        """Return it as rows for a terminal: what, and what is known of it."""
        return [
            ("case", self.title + (" (invented)" if self.invented else "")),
            ("vessel", f"{self.vessel}, {self.length_mm:.0f} mm"),
            (
                "bends",
                f"{self.bend_deg:.0f} deg in all; {self.bend_raw_deg:.0f} deg as measured, "
                f"before smoothing by at most {self.largest_shift_mm:.2f} mm",
            ),
            *(("turn", text) for text in self.kept_turns),
            (
                "lumen",
                f"{self.ostium_diameter_mm:.1f} mm at the ostium, {self.end_diameter_mm:.1f} mm at the end, "
                f"narrowest {self.narrowest_diameter_mm:.1f} mm at {self.narrowest_at_mm:.0f} mm",
            ),
            *(("lesion", text) for text in self.lesions),
            *(("branch", text) for text in self.branches),
            ("rig", self.rig),
            ("target", self.target),
            *(("look at", text) for text in self.warnings),
        ]


def understood(case: LoadedCase) -> Understood:
    """Return what a case says, with what was measured on its path."""
    path, report = case.path, case.smoothed.report
    narrowest = int(np.argmin(path.radius_mm))
    return Understood(
        schema=1,
        title=case.title,
        invented=case.invented,
        vessel=case.vessel_name,
        length_mm=path.length_mm,
        bend_raw_deg=rad_to_deg(report.bend_before_rad),
        bend_deg=rad_to_deg(path.total_bend_rad),
        largest_shift_mm=report.largest_shift_mm,
        kept_turns=[
            f"sharp, {rad_to_deg(t.turn_rad):.0f} deg at {t.at_mm:.0f} mm, kept over {t.over_mm:.1f} mm"
            for t in report.kept_turns
        ],
        ostium_diameter_mm=2.0 * float(path.radius_mm[0]),
        end_diameter_mm=2.0 * float(path.radius_mm[-1]),
        narrowest_diameter_mm=2.0 * float(path.radius_mm[narrowest]),
        narrowest_at_mm=float(path.s_mm[narrowest]),
        lesions=[_lesion_words(lesion) for lesion in case.lesions],
        branches=[f"{b.name} at {b.at_mm:.0f} mm, {b.diameter_mm:.1f} mm" for b in case.branches],
        rig=f"{case.rig.access.route.value.replace('_', ' ')}, {case.rig.describe()}",
        target=f"{case.device.name}, {case.target_from_mm:g} to {case.target_to_mm:g} mm",
        warnings=list(case.warnings),
    )


def _lesion_words(lesion: Lesion) -> str:
    prepared = _PREPARATION_SEPARATOR.join(p.value.replace("_", " ") for p in lesion.prepared)
    parts = [
        f"{lesion.from_mm:g} to {lesion.to_mm:g} mm, calcium {lesion.calcium.value}",
        f"prepared with {prepared}" if prepared else "not prepared",
        "dissected" if lesion.dissected else "",
    ]
    return ", ".join(part for part in parts if part)
