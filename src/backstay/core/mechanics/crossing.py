"""Tight places: the drag of a device in a lumen narrower than itself, and leading edges that catch.

Lesion stiffness and ledge slopes are judgements by class of calcium: no measurement of either was found. They are marked unvalidated
wherever their results are shown.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.lesion import Lesion
from backstay.core.rigging.devices import Profile
from backstay.identifiers import Calcium, Preparation

FloatArray = NDArray[np.float64]

IN, BACK = 1, -1
"""Which way a device goes: pushed in, or drawn back."""
TAPER_STEP_MM = 0.25
"""A taper is read over this distance to either side."""

RADIAL_STIFFNESS_MPa: dict[Calcium, float] = {
    Calcium.NONE: 0.3,
    Calcium.MILD: 0.7,
    Calcium.MODERATE: 1.5,
    Calcium.SEVERE: 4.0,
}
"""Radial stiffness of a lesion per length, by calcium: judgement, no source."""

LEDGE_SLOPE: dict[Calcium, float] = {
    Calcium.NONE: 0.0,
    Calcium.MILD: 0.05,
    Calcium.MODERATE: 0.15,
    Calcium.SEVERE: 0.30,
}
"""Slope [rad] of the ledges an edge meets, by calcium: judgement, no source."""

DISSECTION_SLOPE = 0.15
"""Added where a flap is known: judgement, no source."""

SOFTENING: dict[Preparation, float] = {
    Preparation.SMALL_BALLOON: 0.95,
    Preparation.SEMI_COMPLIANT: 0.85,
    Preparation.NON_COMPLIANT: 0.65,
    Preparation.SCORING: 0.6,
    Preparation.LITHOTRIPSY: 0.45,
    Preparation.ATHERECTOMY: 0.5,
}
"""Factor on a lesion's radial stiffness for each kind of preparation: judgement, no source."""

SOFTEST = 0.2


def softening(prepared: Sequence[Preparation]) -> float:
    """Return the factor on radial stiffness after these preparations, each counted once.

    Parameters
    ----------
    prepared : sequence of Preparation
        What has been done.

    Returns
    -------
    float
        Between 0.2 and 1.

    Examples
    --------
    >>> softening([])
    1.0
    >>> softening([Preparation.NON_COMPLIANT, Preparation.NON_COMPLIANT])
    0.65
    """
    factor = 1.0
    for kind in dict.fromkeys(prepared):
        factor *= SOFTENING[kind]
    return max(factor, SOFTEST)


def lesion_fields(s_mm: FloatArray, lesions: Sequence[Lesion]) -> tuple[FloatArray, FloatArray]:
    """Return radial stiffness and ledge slope along the path.

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Places on the path [mm].
    lesions : sequence of Lesion
        Lesions; where two overlap the harder and steeper counts.

    Returns
    -------
    stiffness_MPa, slope_rad : ndarray, shape (n,)
        Outside lesions the stiffness of a vessel without calcium and no ledge.

    Examples
    --------
    >>> hard = Lesion(from_mm=10.0, to_mm=20.0, calcium=Calcium.SEVERE, prepared=(Preparation.SCORING,), dissected=True)
    >>> stiffness_MPa, slope_rad = lesion_fields(np.array([5.0, 15.0]), [hard])
    >>> stiffness_MPa.round(6).tolist(), slope_rad.round(6).tolist()
    ([0.3, 2.4], [0.0, 0.45])
    """
    stiffness = np.full(s_mm.shape, RADIAL_STIFFNESS_MPa[Calcium.NONE])
    slope = np.zeros(s_mm.shape)
    for lesion in lesions:
        inside = (s_mm >= lesion.from_mm) & (s_mm <= lesion.to_mm)
        hard = RADIAL_STIFFNESS_MPa[lesion.calcium] * softening(lesion.prepared)
        steep = LEDGE_SLOPE[lesion.calcium] + (DISSECTION_SLOPE if lesion.dissected else 0.0)
        stiffness = np.where(inside, np.maximum(stiffness, hard), stiffness)
        slope = np.where(inside, np.maximum(slope, steep), slope)
    return stiffness, slope


def drag_density_N_per_mm(
    *,
    behind_tip_mm: FloatArray,
    lumen_mm: FloatArray,
    stiffness_MPa: FloatArray,
    profile: Profile,
    beside_mm: FloatArray | float,
    friction: FloatArray | float,
    going: int = IN,
) -> FloatArray:
    """Return the drag per length of a device forced through a narrower lumen, pushed in or drawn back.

    Interference delta = r - R gives a line load k delta; a taper that has to widen the lumen resists with friction plus its tangent, a
    body with friction alone. Going in that is a taper that rises towards the operator, drawn back one that falls towards the operator
    (the shoulder behind a balloon or a stent). A taper the other way is credited with no push and no pull.

    Parameters
    ----------
    behind_tip_mm : ndarray, shape (..., n)
        Distance of each place behind the device's tip [mm]; negative ahead of it.
    lumen_mm, stiffness_MPa : ndarray, broadcastable to (..., n)
        Lumen radius [mm] and radial stiffness [MPa] there.
    profile : Profile
        The device.
    beside_mm : float or ndarray, broadcastable to (..., n)
        Added to the device's radius for wires lying beside it [mm].
    friction : float or ndarray, broadcastable to (..., n)
        Coefficient of friction.
    going : int
        `IN` (1) or `BACK` (-1).

    Returns
    -------
    ndarray, shape (..., n)
        Drag per path length [N/mm], whichever way it points.

    Examples
    --------
    A body 0.1 mm too thick where it lies in a lesion of 4 MPa, and where it has not come yet:

    >>> body = Profile(np.array([0.0, 10.0]), np.array([0.6, 0.6]), np.array([50.0, 50.0]))
    >>> drag = drag_density_N_per_mm(
    ...     behind_tip_mm=np.array([5.0, -5.0]),
    ...     lumen_mm=np.full(2, 0.5),
    ...     stiffness_MPa=np.full(2, 4.0),
    ...     profile=body,
    ...     beside_mm=0.0,
    ...     friction=0.2,
    ... )
    >>> drag.round(6).tolist()
    [0.08, 0.0]

    A shoulder that falls by 0.2 mm over 1 mm, 0.1 mm too thick: going in it drags by friction alone, drawn back by its tangent too.

    >>> body = Profile(np.array([0.0, 10.0, 11.0]), np.array([0.6, 0.6, 0.4]), np.full(3, 50.0))
    >>> for going in (IN, BACK):
    ...     drag = drag_density_N_per_mm(
    ...         behind_tip_mm=np.array([10.5]),
    ...         lumen_mm=np.array([0.4]),
    ...         stiffness_MPa=np.array([4.0]),
    ...         profile=body,
    ...         beside_mm=0.0,
    ...         friction=0.2,
    ...         going=going,
    ...     )
    ...     print(drag.round(6).tolist())
    [0.08]
    [0.16]
    """
    radius = profile.radius_at_mm(behind_tip_mm)
    interference = np.where(behind_tip_mm >= 0.0, np.maximum(radius + beside_mm - lumen_mm, 0.0), 0.0)
    rises = (
        profile.radius_at_mm(behind_tip_mm + TAPER_STEP_MM)
        - profile.radius_at_mm(np.maximum(behind_tip_mm - TAPER_STEP_MM, 0.0))
    ) / (2.0 * TAPER_STEP_MM)
    return stiffness_MPa * interference * (friction + np.maximum(going * rises, 0.0))


def edge_load_N(
    *,
    normal_N: FloatArray,
    attack_rad: FloatArray,
    slope_rad: FloatArray | float,
    friction: FloatArray | float,
) -> FloatArray:
    """Return what an edge pressed on a ledge adds to the push, beyond its friction on a smooth wall.

    Parameters
    ----------
    normal_N : ndarray
        Load with which the edge lies on the wall [N].
    attack_rad : ndarray
        Angle between the assembly and the wall there [rad].
    slope_rad : float or ndarray
        Slope of the ledge against the wall [rad]; 0 where there is none.
    friction : float or ndarray
        Coefficient of friction.

    Returns
    -------
    ndarray
        N [tan(attack + slope + atan mu) - tan(atan mu)] where there is a ledge, infinite where the angle reaches a right angle.

    Examples
    --------
    >>> float(edge_load_N(normal_N=np.array(1.0), attack_rad=np.array(0.2), slope_rad=0.0, friction=0.1))
    0.0

    Without friction it is the load times the tangent of the whole angle; at a right angle it locks.

    >>> attack = np.array([0.2, 1.5])
    >>> added = edge_load_N(normal_N=np.ones(2), attack_rad=attack, slope_rad=0.1, friction=0.0)
    >>> added.round(4).tolist()
    [0.3093, inf]
    """
    angle = attack_rad + slope_rad + np.arctan(friction)
    locked = angle >= 0.5 * np.pi - 1e-3
    value = normal_N * (np.tan(np.where(locked, 0.0, angle)) - friction)
    value = np.where(locked, np.where(normal_N > 0.0, np.inf, 0.0), value)
    return np.where(np.asarray(slope_rad) > 0.0, np.maximum(value, 0.0), 0.0)
