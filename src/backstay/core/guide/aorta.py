"""Aortic root, arch and the ways in, from a few numbers.

Seen from the left front, the way the arch lies open: x points to the patient's left, y up, z towards the viewer. The aortic valve lies
about the origin; the ascending aorta runs up the y axis, the arch turns to the left in the plane z = 0, the descending aorta runs down. The
left ostium is on the arch's inner side (+x), the right ostium on its outer side (-x).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.guide.lumen import Course, Lumen, joined
from backstay.errors import InputError
from backstay.identifiers import Access, Coronary

FloatArray = NDArray[np.float64]

UP, LEFT, FRONT = np.array([0.0, 1.0, 0.0]), np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0])
RIM_MM = 1.5
"""Rounding of an ostium's rim; judgement, no source."""
_BRANCH_AT_DEG = {1: 55.0, 2: 35.0, 3: 10.0}
"""Where the innominate artery leaves, in degrees of arch after the ascending aorta, by arch type; judgement."""
_BRANCH_RADIUS_MM = {Access.RIGHT_RADIAL: 6.0, Access.LEFT_RADIAL: 5.0}


@dataclass(frozen=True)
class Aorta:
    """The aorta by a few numbers; ordinary adult values by default (common practice, no source, unless said).

    Attributes
    ----------
    root_diameter_mm : float
        Widest diameter of the root, at the sinuses.
    sinus_height_mm : float
        From the valve to where the sinuses end.
    ascending_diameter_mm : float
        Diameter above the sinuses.
    ascending_length_mm : float
        Length from there to the arch.
    arch_radius_mm : float
        Radius of the arch's centreline.
    arch_type : int
        1 to 3: how far below the arch's top the innominate artery leaves.
    ostium_height_mm : float
        Height of the ostium above the valve.
    take_off_deg : float
        Direction of the vessel's beginning against straight outward; positive runs upwards.
    azimuth_deg : float
        How far the ostium stands out of the arch's plane, towards the viewer; 0 in the planar model.
    ostium_diameter_mm : float
        Lumen of the vessel's beginning.
    """

    root_diameter_mm: float = 34.0
    sinus_height_mm: float = 22.0
    ascending_diameter_mm: float = 31.0
    ascending_length_mm: float = 55.0
    arch_radius_mm: float = 30.0
    arch_type: int = 1
    ostium_height_mm: float = 15.0
    take_off_deg: float = 0.0
    azimuth_deg: float = 0.0
    ostium_diameter_mm: float = 4.5

    def __post_init__(self) -> None:
        for name, low, high in _LIMITS:
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(
                    "outside what the guide model covers",
                    field=f"aorta.{name}",
                    value=value,
                    allowed=f"{low:g} to {high:g}",
                )

    @property
    def top_mm(self) -> float:
        """Return the height at which the arch begins."""
        return self.sinus_height_mm + self.ascending_length_mm


def ordinary_aorta(root_diameter_mm: float, *, arch_type: int = 1, take_off_deg: float = 0.0) -> Aorta:
    """Return an ordinary adult aorta whose root has a given size.

    Parameters
    ----------
    root_diameter_mm : float
        Widest diameter of the root, 26 to 42 mm.
    arch_type : int
        1 to 3.
    take_off_deg : float
        Direction of the vessel's beginning.

    Returns
    -------
    Aorta
        Ascending diameter 0.91, sinus height 0.65 and height of the ostium 0.44 of the root; the arch as by default. Judgement, no source.
    """
    return Aorta(
        root_diameter_mm=root_diameter_mm,
        sinus_height_mm=0.65 * root_diameter_mm,
        ascending_diameter_mm=0.91 * root_diameter_mm,
        ostium_height_mm=0.44 * root_diameter_mm,
        arch_type=arch_type,
        take_off_deg=take_off_deg,
    )


_LIMITS = (
    ("root_diameter_mm", 24.0, 50.0),
    ("sinus_height_mm", 14.0, 35.0),
    ("ascending_diameter_mm", 20.0, 48.0),
    ("ascending_length_mm", 25.0, 100.0),
    ("arch_radius_mm", 18.0, 50.0),
    ("arch_type", 1, 3),
    ("ostium_height_mm", 8.0, 30.0),
    ("take_off_deg", -60.0, 60.0),
    ("azimuth_deg", -90.0, 90.0),
    ("ostium_diameter_mm", 2.5, 8.0),
)


@dataclass(frozen=True)
class Place:
    """An aorta with one way in and one ostium.

    Attributes
    ----------
    lumen : Lumen
        Aorta, branch and vessel as one space.
    ostium : ndarray, shape (3,)
        Middle of the ostium, where the vessel leaves the aorta's wall [mm].
    axis : ndarray, shape (3,)
        Direction of the vessel's beginning.
    outward : ndarray, shape (3,)
        From the aorta's axis towards the ostium, level.
    way_in : ndarray, shape (n, 3)
        Middle of the way in, from where the guide is held to the ascending aorta [mm].
    vessel : ndarray, shape (m, 3)
        Middle of the vessel beyond the ostium, at even steps [mm].
    vessel_piece : int
        First piece of the vessel in the lumen.
    aorta : Aorta
        The numbers it was made from.
    """

    lumen: Lumen
    ostium: FloatArray
    axis: FloatArray
    outward: FloatArray
    way_in: FloatArray
    vessel: FloatArray
    vessel_piece: int
    aorta: Aorta


def place(
    aorta: Aorta,
    *,
    access: Access,
    coronary: Coronary,
    vessel_mm: float = 100.0,
    vessel_bend_deg: float = 60.0,
) -> Place:
    """Return the space for one way in and one coronary artery.

    Parameters
    ----------
    aorta : Aorta
        The numbers.
    access : Access
        Way in.
    coronary : Coronary
        Which ostium.
    vessel_mm : float
        Length of vessel beyond the ostium.
    vessel_bend_deg : float
        How far the vessel bends down over that length, 15 mm past the ostium.

    Returns
    -------
    Place
        Space, ostium, way in.
    """
    root = 0.5 * aorta.root_diameter_mm
    ascending = 0.5 * aorta.ascending_diameter_mm
    floor = 0.75 * root
    sinus_top = max(aorta.sinus_height_mm, floor + 4.0)
    main = Course(np.array([0.0, floor, 0.0]), UP, LEFT)
    belly = max(min(0.6 * aorta.sinus_height_mm, sinus_top - 3.0), floor + 0.5)
    main.straight(belly - floor, (root, root))
    main.straight(sinus_top - belly, (root, ascending))
    main.straight(aorta.top_mm - sinus_top, (ascending, ascending))
    down = 0.85 * ascending
    main.bend(math.pi, aorta.arch_radius_mm, (ascending, down))
    main.straight(180.0, (down, 0.9 * down))
    branch = _branch(aorta, access)
    courses = [main] if branch is None else [main, branch]
    outward = _outward(aorta, coronary)
    radius = _radius_at(aorta.ostium_height_mm, belly, sinus_top, root, ascending)
    ostium = radius * outward + aorta.ostium_height_mm * UP
    lift = math.radians(aorta.take_off_deg)
    axis = math.cos(lift) * outward + math.sin(lift) * UP
    bore = 0.5 * aorta.ostium_diameter_mm
    inside = 5.0
    vessel = Course(ostium - inside * axis, axis, math.cos(lift) * -UP + math.sin(lift) * outward)
    vessel.straight(inside + 15.0, (bore, bore))
    rest = max(vessel_mm - 15.0, 1.0)
    turn = math.radians(vessel_bend_deg)
    if turn > 0.0:
        vessel.bend(turn, rest / turn, (bore, 0.85 * bore))
        vessel.straight(40.0, (0.85 * bore, 0.85 * bore))
    else:
        vessel.straight(rest + 20.0, (bore, bore))
    middle = vessel.points(0.25)
    beyond = (middle - ostium) @ axis > -1e-9
    return Place(
        joined([*courses, vessel], rim_mm=RIM_MM),
        ostium,
        axis,
        outward,
        _way_in(aorta, access, branch),
        middle[int(np.argmax(beyond)) :],
        sum(len(course.rows) for course in courses),
        aorta,
    )


def _radius_at(height_mm: float, belly: float, sinus_top: float, root: float, ascending: float) -> float:
    return float(np.interp(height_mm, [belly, sinus_top], [root, ascending]))


def _outward(aorta: Aorta, coronary: Coronary) -> FloatArray:
    out = math.radians(aorta.azimuth_deg)
    side = 1.0 if coronary is Coronary.LEFT else -1.0
    return side * math.cos(out) * LEFT + math.sin(out) * FRONT


def _branch(aorta: Aorta, access: Access) -> Course | None:
    """Return the artery that a radial guide comes through, from the arch outwards; none by the femoral way."""
    if access is Access.FEMORAL:
        return None
    radius = _BRANCH_RADIUS_MM[access]
    centre = np.array([aorta.arch_radius_mm, aorta.top_mm, 0.0])
    at = math.radians(_BRANCH_AT_DEG[aorta.arch_type] if access is Access.RIGHT_RADIAL else 95.0)
    start = centre + aorta.arch_radius_mm * np.array([-math.cos(at), math.sin(at), 0.0])
    if access is Access.RIGHT_RADIAL:
        lean, turn = math.radians(15.0), math.radians(65.0)
        direction, side = np.array([-math.sin(lean), math.cos(lean), 0.0]), -1.0
    else:
        lean, turn = math.radians(25.0), math.radians(50.0)
        direction, side = np.array([math.sin(lean), math.cos(lean), 0.0]), 1.0
    normal = side * np.array([direction[1], -direction[0], 0.0])
    course = Course(start, direction, normal)
    course.straight(40.0, (radius, radius))
    course.bend(turn, 22.0, (radius, 0.8 * radius))
    course.straight(120.0, (0.8 * radius, 0.8 * radius))
    return course


def _way_in(aorta: Aorta, access: Access, branch: Course | None) -> FloatArray:
    """Return the middle of the way in down to the ascending aorta's upper third."""
    low = aorta.sinus_height_mm + 0.6 * aorta.ascending_length_mm
    ascending = np.array([[0.0, aorta.top_mm, 0.0], [0.0, low, 0.0]])
    if branch is not None:
        inwards = branch.points(2.0)[:-30][::-1]
        if access is Access.RIGHT_RADIAL:
            return np.vstack([inwards[:-4], ascending[1:]])
        return np.vstack([inwards, _arch(aorta, np.radians([90.0, 110.0, 130.0, 155.0])), ascending])
    arch = _arch(aorta, np.linspace(0.0, math.pi, 25))
    base = np.array(
        [[2.0 * aorta.arch_radius_mm, aorta.top_mm - d, 0.0] for d in (90.0, 70.0, 50.0, 30.0, 10.0)]
    )
    return np.vstack([base, arch, ascending])


def _arch(aorta: Aorta, angles_rad: FloatArray) -> FloatArray:
    """Return points on the arch's middle, by angle from the descending aorta."""
    x = aorta.arch_radius_mm * (1.0 + np.cos(angles_rad))
    return np.stack([x, aorta.top_mm + aorta.arch_radius_mm * np.sin(angles_rad), np.zeros_like(x)], axis=1)
