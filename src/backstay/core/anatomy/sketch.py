"""A vessel from what a person can say of it: segments with length, lumen, bend and disease."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation

FloatArray = NDArray[np.float64]

RADIUS_SD_RATIO = 0.15
"""Error of a lumen radius given by eye, one standard deviation over the radius (judgement, no source)."""

SKETCH_DRAWS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "curvature_factor": (1.0, 0.35),
        "lesion_factor": (1.0, 0.70),
        "ledge_factor": (1.0, 0.60),
    }
)
"""Median and spread of the uncertain inputs that a vessel given by eye makes wider (judgement, no source)."""

ROLL_DEG = 120.0
LENGTH_MM = (1.0, 200.0)
WHOLE_LENGTH_MM = (10.0, 400.0)
DIAMETER_MM = (0.5, 8.0)
TIGHT_MM = (0.2, 8.0)
BEND_DEG = (1.0, 180.0)
MOST_SEGMENTS = 40
_TRANSITION_MM = 2.0
_DIRECTIONS_DEG = {"up": 0.0, "right": 90.0, "down": 180.0, "left": 270.0}


@dataclass(frozen=True, kw_only=True)
class Segment:
    """One stretch of a sketched vessel.

    Attributes
    ----------
    length_mm : float
        Length.
    diameter_mm : float
        Lumen at its start (and end, unless it tapers), lesion aside.
    end_diameter_mm : float or None
        Lumen at its end where it tapers.
    bend_deg : float
        How far it turns; 0 for straight.
    bend_radius_mm : float or None
        Radius of the bend; where missing, the bend takes the whole segment.
    towards : str or None
        "up", "right", "down" or "left", seen along the vessel; where missing, 120 degrees round from the last
        bend.
    calcium : Calcium or None
        Angiographic calcium of a lesion.
    tight_mm : float or None
        Smallest lumen diameter of a lesion.
    lesion_mm : float or None
        Length of the lesion, in the middle of the segment; where missing, the whole segment.
    prepared : tuple of Preparation
        What has been done to the lesion.
    dissected : bool
        A dissection is known.

    Notes
    -----
    A bend with a radius takes an arc of radius times angle in the middle of the segment; the rest is
    straight. An arc longer than the segment, or a bend sharper than the lumen's own radius, is refused.
    """

    length_mm: float
    diameter_mm: float
    end_diameter_mm: float | None = None
    bend_deg: float = 0.0
    bend_radius_mm: float | None = None
    towards: str | None = None
    calcium: Calcium | None = None
    tight_mm: float | None = None
    lesion_mm: float | None = None
    prepared: tuple[Preparation, ...] = ()
    dissected: bool = False

    def __post_init__(self) -> None:
        _within("length_mm", self.length_mm, LENGTH_MM, "mm")
        _within("diameter_mm", self.diameter_mm, DIAMETER_MM, "mm")
        _within("end_diameter_mm", self.last_diameter_mm, DIAMETER_MM, "mm")
        self._check_bend()
        self._check_lesion()

    def _check_bend(self) -> None:
        if self.bend_deg == 0.0:
            if self.bend_radius_mm is not None or self.towards is not None:
                raise InputError(
                    "a bend needs its angle", field="bend_deg", value=0, allowed=_span(BEND_DEG, "degrees")
                )
            return
        _within("bend_deg", self.bend_deg, BEND_DEG, "degrees")
        if self.towards is not None and self.towards not in _DIRECTIONS_DEG:
            raise InputError(
                "no such direction", field="towards", value=self.towards, allowed=", ".join(_DIRECTIONS_DEG)
            )
        lumen = 0.5 * max(self.diameter_mm, self.last_diameter_mm)
        largest = self.length_mm / math.radians(self.bend_deg)
        if self.bend_radius_mm is None and largest < lumen:
            raise InputError(
                f"a bend of {self.bend_deg:g} degrees in this length is sharper than the lumen is wide",
                field="length_mm",
                value=self.length_mm,
                allowed=f"{lumen * math.radians(self.bend_deg):.1f} mm or more for this bend",
            )
        if self.bend_radius_mm is not None and not lumen <= self.bend_radius_mm <= largest * (1.0 + 1e-9):
            takes = self.bend_radius_mm * math.radians(self.bend_deg)
            raise InputError(
                f"bend angle, bend radius and length disagree: it takes {takes:.1f} of {self.length_mm:g} mm",
                field="bend_radius_mm",
                value=self.bend_radius_mm,
                allowed=f"{lumen:g} (the lumen's own radius) to {largest:.1f} mm",
            )

    def _check_lesion(self) -> None:
        if self.tight_mm is not None:
            _within("tight_mm", self.tight_mm, TIGHT_MM, "mm")
            if self.tight_mm >= min(self.diameter_mm, self.last_diameter_mm):
                raise InputError(
                    "a narrowing is narrower than the vessel",
                    field="tight_mm",
                    value=self.tight_mm,
                    allowed=f"below {min(self.diameter_mm, self.last_diameter_mm):g} mm",
                )
        if self.lesion_mm is not None:
            if not self.has_lesion:
                raise InputError(
                    "a lesion's length needs a lesion",
                    field="lesion_mm",
                    value=self.lesion_mm,
                    allowed="with a narrowing, calcium, a dissection or a preparation",
                )
            _within("lesion_mm", self.lesion_mm, (LENGTH_MM[0], self.length_mm), "mm")

    @property
    def last_diameter_mm(self) -> float:
        """Return the lumen diameter at the segment's end [mm]."""
        return self.diameter_mm if self.end_diameter_mm is None else self.end_diameter_mm

    @property
    def has_lesion(self) -> bool:
        """Return whether anything said of the segment makes it a lesion."""
        return self.calcium is not None or self.tight_mm is not None or self.dissected or bool(self.prepared)

    @property
    def arc_mm(self) -> float:
        """Return the length the bend takes [mm]."""
        if self.bend_deg == 0.0:
            return 0.0
        if self.bend_radius_mm is None:
            return self.length_mm
        return min(self.bend_radius_mm * math.radians(self.bend_deg), self.length_mm)


@dataclass(frozen=True)
class Sketched:
    """A sketched vessel.

    Attributes
    ----------
    path : LumenPath
        Its path.
    lesions : tuple of Lesion
        Its lesions, from the ostium.
    left_over_mm : float
        Length dropped at the far end, less than one spacing.
    """

    path: LumenPath
    lesions: tuple[Lesion, ...]
    left_over_mm: float


def sketch_path(segments: tuple[Segment, ...], spacing_mm: float = 1.0) -> Sketched:
    """Return path and lesions of a vessel given as segments in order from the ostium.

    Parameters
    ----------
    segments : tuple of Segment
        Up to forty, 10 to 400 mm in all.
    spacing_mm : float
        Spacing of the path's nodes [mm].

    Returns
    -------
    Sketched
        Path and lesions.

    Raises
    ------
    InputError
        No segment, too many, or a whole length out of range.

    Notes
    -----
    Bends are arcs; each node turns by what lies within half a spacing of it, so the bends keep their
    angles. A bend without a direction is rolled 120 degrees round the vessel from the last one: three bends
    in a row lie in three planes, and none undoes or continues the one before it. The first is "up". The
    lumen changes between segments over 2 mm on either side (a quarter of a shorter segment at most),
    without overshoot. A narrowing is at its tightest over the middle third of its length; smooth shoulders
    of a third lead in and out. The error of the radius is 15 %.
    """
    if not 1 <= len(segments) <= MOST_SEGMENTS:
        raise InputError(
            "a sketch needs segments", field="segments", value=len(segments), allowed=f"1 to {MOST_SEGMENTS}"
        )
    ends = np.cumsum([segment.length_mm for segment in segments])
    whole = float(ends[-1])
    if not WHOLE_LENGTH_MM[0] <= whole <= WHOLE_LENGTH_MM[1]:
        raise InputError(
            "the sketched vessel has an unlikely length",
            field="length_mm",
            value=whole,
            allowed=f"{_span(WHOLE_LENGTH_MM, 'mm')} in all",
        )
    starts = ends - [segment.length_mm for segment in segments]
    count = int(whole / spacing_mm + 1e-9)
    s = np.arange(count + 1, dtype=np.float64) * spacing_mm
    lesions = tuple(_lesion(x, start) for x, start in zip(segments, starts, strict=True) if x.has_lesion)
    radius = _radius_mm(segments, starts, s)
    path = LumenPath.from_curvature(
        _curvature_per_mm(segments, starts, s, spacing_mm),
        radius,
        radius_sd_mm=RADIUS_SD_RATIO * radius,
        spacing_mm=spacing_mm,
    )
    return Sketched(path, lesions, max(whole - path.length_mm, 0.0))


def _curvature_per_mm(
    segments: tuple[Segment, ...], starts: FloatArray, s_mm: FloatArray, spacing_mm: float
) -> FloatArray:
    """Return the mean curvature within half a spacing of each node, shape (n, 2)."""
    # The turn so far is piecewise linear: interpolate it at the cells' edges.
    corners_mm, turned_rad = [0.0], [np.zeros(2)]
    roll_deg: float | None = None
    for segment, start in zip(segments, starts, strict=True):
        if segment.bend_deg == 0.0:
            continue
        if segment.towards is not None:
            roll_deg = _DIRECTIONS_DEG[segment.towards]
        else:
            roll_deg = 0.0 if roll_deg is None else roll_deg + ROLL_DEG
        roll = math.radians(roll_deg)
        first = start + 0.5 * (segment.length_mm - segment.arc_mm)
        turn = math.radians(segment.bend_deg) * np.array([math.cos(roll), math.sin(roll)])
        corners_mm += [first, first + segment.arc_mm]
        turned_rad += [turned_rad[-1], turned_rad[-1] + turn]
    edges = np.clip(np.append(s_mm - 0.5 * spacing_mm, s_mm[-1] + 0.5 * spacing_mm), 0.0, s_mm[-1])
    turned = np.stack([np.interp(edges, corners_mm, part) for part in np.array(turned_rad).T], axis=1)
    return np.asarray(np.diff(turned, axis=0) / np.diff(edges)[:, None])


def _radius_mm(segments: tuple[Segment, ...], starts: FloatArray, s_mm: FloatArray) -> FloatArray:
    """Return the lumen radius at the nodes, narrowings included."""
    radius = np.empty_like(s_mm)
    for segment, start in zip(segments, starts, strict=True):
        inside = s_mm >= start - 1e-9
        share = np.clip((s_mm[inside] - start) / segment.length_mm, 0.0, 1.0)
        radius[inside] = 0.5 * (
            segment.diameter_mm + share * (segment.last_diameter_mm - segment.diameter_mm)
        )
    for before, after, at in zip(segments[:-1], segments[1:], starts[1:], strict=True):
        half = min(_TRANSITION_MM, 0.25 * before.length_mm, 0.25 * after.length_mm)
        near = np.abs(s_mm - at) < half
        left = 0.5 * _diameter_at_mm(before, before.length_mm - half)
        right = 0.5 * _diameter_at_mm(after, half)
        x = (s_mm[near] - at + half) / (2.0 * half)
        radius[near] = left + (right - left) * x**2 * (3.0 - 2.0 * x)
    for segment, start in zip(segments, starts, strict=True):
        if segment.tight_mm is not None:
            lesion = _lesion(segment, start)
            depth = _depth(lesion, s_mm)
            radius = radius + depth * np.minimum(0.5 * segment.tight_mm - radius, 0.0)
    return radius


def _diameter_at_mm(segment: Segment, at_mm: float) -> float:
    return segment.diameter_mm + at_mm / segment.length_mm * (segment.last_diameter_mm - segment.diameter_mm)


def _depth(lesion: Lesion, s_mm: FloatArray) -> FloatArray:
    """Return how much of a narrowing there is at places, 0 outside it and 1 in its middle."""
    shoulder = lesion.length_mm / 3.0
    inside = np.minimum(s_mm - lesion.from_mm, lesion.to_mm - s_mm)
    depth = 0.5 - 0.5 * np.cos(np.pi * np.clip(inside / shoulder, 0.0, 1.0))
    # A lesion shorter than two spacings could fall between nodes.
    depth[np.argmin(np.abs(s_mm - 0.5 * (lesion.from_mm + lesion.to_mm)))] = 1.0
    return np.asarray(depth)


def _lesion(segment: Segment, start_mm: float) -> Lesion:
    length = segment.length_mm if segment.lesion_mm is None else segment.lesion_mm
    first = float(start_mm) + 0.5 * (segment.length_mm - length)
    calcium = Calcium.NONE if segment.calcium is None else segment.calcium
    return Lesion(first, first + length, calcium, segment.prepared, segment.dissected)


def _within(field: str, value: float, limits: tuple[float, float], unit: str) -> None:
    if not limits[0] <= value <= limits[1]:
        raise InputError("out of range", field=field, value=value, allowed=_span(limits, unit))


def _span(limits: tuple[float, float], unit: str) -> str:
    return f"{limits[0]:g} to {limits[1]:g} {unit}"
