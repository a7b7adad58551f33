"""Guide shapes: curves at rest, described by their bends from the tip back.

A bend counts positive when it turns the tip the way the aortic arch turns (descending, over the arch, down the ascending aorta). For the
right coronary the same guide is turned by half a turn about its shaft, so every bend changes sign.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.identifiers import GuideShape

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Bend:
    """One bend of a guide at rest.

    Attributes
    ----------
    angle_deg : float
        How far it turns; sign as in the module.
    radius_mm : float
        Radius of its centreline.
    straight_mm : float
        Straight length between this bend and the next one back.
    """

    angle_deg: float
    radius_mm: float
    straight_mm: float


@dataclass(frozen=True)
class Curve:
    """A guide's curve at rest.

    Attributes
    ----------
    tip_mm : float
        Straight length from the tip to the first bend.
    bends : tuple of Bend
        From the tip back.
    """

    tip_mm: float
    bends: tuple[Bend, ...]

    def curvature_per_mm(self, behind_tip_mm: FloatArray) -> FloatArray:
        """Return the rest curvature at distances behind the tip [1/mm], shape as given."""
        found = np.zeros_like(behind_tip_mm)
        at = self.tip_mm
        for bend in self.bends:
            length = bend.radius_mm * math.radians(abs(bend.angle_deg))
            inside = (behind_tip_mm >= at) & (behind_tip_mm < at + length)
            found[inside] = math.copysign(1.0 / bend.radius_mm, bend.angle_deg)
            at += length + bend.straight_mm
        return found

    def mean_curvature_per_mm(self, behind_tip_mm: FloatArray, width_mm: FloatArray) -> FloatArray:
        """Return the rest curvature averaged over a width about each place [1/mm], shape (n,)."""
        edges = [self.tip_mm]
        turned = [0.0]
        for bend in self.bends:
            length = bend.radius_mm * math.radians(abs(bend.angle_deg))
            edges += [edges[-1] + length, edges[-1] + length + bend.straight_mm + 1e-9]
            turned += [turned[-1] + math.radians(bend.angle_deg)] * 2
        ends = np.interp(behind_tip_mm + 0.5 * width_mm, edges, turned)
        starts = np.interp(behind_tip_mm - 0.5 * width_mm, edges, turned)
        return np.asarray((ends - starts) / width_mm)


def curve(shape: GuideShape, *, size_mm: float) -> Curve:
    """Return the curve of a shape family.

    Parameters
    ----------
    shape : GuideShape
        Family.
    size_mm : float
        Its size: the arm between the two bends for the standard and extra-backup shapes, the diameter of the large curve for the Amplatz
        types (30 to 60 mm).

    Returns
    -------
    Curve
        Bends and straight lengths: common practice for what turns which way; radii and angles are judgement, no source.
    """
    if shape is GuideShape.STANDARD_LEFT:
        return Curve(7.0, (Bend(90.0, 5.0, size_mm - 18.0), Bend(170.0, 12.0, 1.0)))
    if shape is GuideShape.EXTRA_BACKUP_LEFT:
        return Curve(6.0, (Bend(15.0, 10.0, size_mm - 20.0), Bend(130.0, 14.0, 1.0)))
    if shape is GuideShape.AMPLATZ_LEFT:
        return Curve(6.0, (Bend(-75.0, 6.0, 0.0), Bend(200.0, 0.5 * size_mm, 1.0)))
    if shape is GuideShape.AMPLATZ_RIGHT:
        return Curve(6.0, (Bend(-65.0, 6.0, 0.0), Bend(170.0, 0.5 * size_mm, 1.0)))
    return Curve(8.0, (Bend(85.0, 6.0, size_mm - 15.0), Bend(30.0, 30.0, 1.0)))


def suited_size_mm(shape: GuideShape, *, root_diameter_mm: float) -> float:
    """Return the curve size that suits a root.

    Parameters
    ----------
    shape : GuideShape
        Family.
    root_diameter_mm : float
        Widest diameter of the root.

    Returns
    -------
    float
        Size [mm], as `curve` takes it: for a root of 34 mm 40 for the standard shapes, 35 for the extra-backup shape, 36 and 30 for the
        Amplatz types, and with every millimetre of root a millimetre more. Common practice for 34 mm, judgement for the slope; guides come
        in steps of 5 mm.
    """
    return root_diameter_mm + _SIZE_OVER_ROOT_MM[shape]


_SIZE_OVER_ROOT_MM = {
    GuideShape.STANDARD_LEFT: 6.0,
    GuideShape.EXTRA_BACKUP_LEFT: 1.0,
    GuideShape.AMPLATZ_LEFT: 2.0,
    GuideShape.STANDARD_RIGHT: 6.0,
    GuideShape.AMPLATZ_RIGHT: -4.0,
}
