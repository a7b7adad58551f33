"""What lies along a path: lesions and branches."""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation


@dataclass(frozen=True)
class Lesion:
    """A diseased stretch of the path.

    Attributes
    ----------
    from_mm, to_mm : float
        The stretch, distance from the path's first point.
    calcium : Calcium
        Angiographic calcium.
    prepared : tuple of Preparation
        What has been done to it, in order.
    dissected : bool
        A dissection is known.
    """

    from_mm: float
    to_mm: float
    calcium: Calcium
    prepared: tuple[Preparation, ...] = ()
    dissected: bool = False

    def __post_init__(self) -> None:
        if not (math.isfinite(self.from_mm) and self.from_mm >= 0.0):
            raise InputError(
                "a lesion starts on the path", field="from_mm", value=self.from_mm, allowed="0 mm or more"
            )
        if not (math.isfinite(self.to_mm) and self.to_mm > self.from_mm):
            raise InputError(
                "a lesion ends beyond its start",
                field="to_mm",
                value=self.to_mm,
                allowed=f"above {self.from_mm:g} mm",
            )

    @property
    def length_mm(self) -> float:
        """Return the length of the stretch [mm]."""
        return self.to_mm - self.from_mm


@dataclass(frozen=True)
class Branch:
    """A side branch.

    Attributes
    ----------
    name : str
        As the user calls it.
    at_mm : float
        Where it leaves the path.
    diameter_mm : float
        Its lumen.
    angle_rad : float
        Angle between the path's direction and the branch's, 0 straight on, pi straight back.
    """

    name: str
    at_mm: float
    diameter_mm: float
    angle_rad: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.at_mm) and self.at_mm >= 0.0):
            raise InputError(
                "a branch leaves the path", field="at_mm", value=self.at_mm, allowed="0 mm or more"
            )
        if not 0.0 < self.diameter_mm < math.inf:
            raise InputError(
                "a branch has a lumen", field="diameter_mm", value=self.diameter_mm, allowed="above 0 mm"
            )
        if not 0.0 <= self.angle_rad <= math.pi:
            raise InputError(
                "a branch angle lies between straight on and straight back",
                field="angle_rad",
                value=self.angle_rad,
                allowed="0 to pi",
            )
