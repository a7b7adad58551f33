"""What the parts of the path strip share: the plan, the rig, the axis along the vessel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.identifiers import Verdict
from backstay.report.axes import Scale

BEFORE_MM = 9.0
"""Of the guide, drawn before its tip."""
NARROW = 620.0
_EXAGGERATIONS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20)
_TALLEST = 112.0


@dataclass(frozen=True)
class Frame:
    """One strip's plan, rig and horizontal axis.

    Attributes
    ----------
    plan, rig : PlanDocument, RigResult
        What is drawn.
    width : float
        Of the whole picture, px.
    along : Scale
        Place on the path, mm, to px.
    tip_mm : float or None
        Where the device's tip is drawn; None draws it where the median draw stops.
    """

    plan: PlanDocument
    rig: RigResult
    width: float
    along: Scale
    tip_mm: float | None = None

    @property
    def narrow(self) -> bool:
        """Return whether this is the form for a phone."""
        return self.width < NARROW

    @property
    def small(self) -> float:
        """Return the size of the smallest text, px."""
        return 11.5 if self.narrow else 13.0

    @property
    def vessel_end_mm(self) -> float:
        """Return where the drawn vessel ends."""
        return min(self.plan.path.length_mm, self.along.high)

    @property
    def exaggeration(self) -> int:
        """Return how many times wider than long everything in the vessel is drawn."""
        s = np.asarray(self.plan.path.s_mm)
        radius = np.asarray(self.plan.path.radius_mm)[s <= self.vessel_end_mm]
        natural = 2.0 * float(radius.max()) * self.along.per_unit
        fitting = [e for e in _EXAGGERATIONS if e * natural <= _TALLEST]
        return fitting[-1] if fitting else 1

    @property
    def across(self) -> float:
        """Return px per mm across the vessel."""
        return self.exaggeration * self.along.per_unit

    @property
    def stop_mm(self) -> float | None:
        """Return where the median draw stops; None when it arrives or never starts because nothing fits."""
        return None if self.rig.fits.verdict is Verdict.NO else self.rig.stops_at_mm

    @property
    def landing_mm(self) -> float:
        """Return the tip's place when the device has landed."""
        return self.rig.curve.tip_mm[-1]

    @property
    def short_mm(self) -> float:
        """Return how far before its landing place the device is drawn: the plan gives it as landed."""
        tip = self.stop_mm if self.tip_mm is None else self.tip_mm
        return 0.0 if tip is None else self.landing_mm - tip

    def radius_mm(self, at_mm: float) -> float:
        """Return the lumen radius at a place."""
        return float(np.interp(at_mm, self.plan.path.s_mm, self.plan.path.radius_mm))


def frame(plan: PlanDocument, rig: RigResult, width: float) -> Frame:
    """Return the frame: the vessel to a little past the landing place, where push and backup are labelled."""
    narrow = width < NARROW
    furthest = max([plan.target.tip_mm, *(lesion.to_mm for lesion in plan.lesions), *rig.curve.tip_mm])
    beyond = (furthest + BEFORE_MM) * (0.50 if narrow else 0.34)
    left, right = (34.0, 6.0) if narrow else (58.0, 16.0)
    return Frame(plan, rig, width, Scale(-BEFORE_MM, furthest + beyond, left, width - right))
