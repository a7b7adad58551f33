"""Where a guide rests and how hard: the wall's load by region, and what is high enough to say so."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.guide.pushback import PushBack
from backstay.core.guide.seating import Seated
from backstay.identifiers import RestsOn

FloatArray = NDArray[np.float64]

OSTIUM_WITHIN_MM = 8.0
LEAST_CONTACT_N = 0.01
CAUTION_N = 0.85
"""Half of the smallest mean tip force that went through a heart's wall on the bench, 1.69 N [@shah2011]: judgement what to warn of."""


@dataclass(frozen=True)
class Rest:
    """One region of the wall that carries load.

    Attributes
    ----------
    where : RestsOn
        Region.
    load_N : float
        Sum of the wall's loads on the guide there.
    place_mm : ndarray, shape (3,)
        Middle of that load.
    angle_deg : float
        Direction of the guide there, between it and the vertical: 0 runs along the ascending aorta.
    """

    where: RestsOn
    load_N: float
    place_mm: FloatArray
    angle_deg: float


def rests(seated: Seated, x_mm: FloatArray, normal_N: FloatArray) -> tuple[Rest, ...]:
    """Return where a guide rests.

    Parameters
    ----------
    seated : Seated
        The guide and its space.
    x_mm : ndarray, shape (n + 1, 3)
        Nodes.
    normal_N : ndarray, shape (n + 1,)
        Load of the wall on each.

    Returns
    -------
    tuple of Rest
        By region, those that carry load.
    """
    where = seated.place
    from_ostium = x_mm - where.ostium
    in_vessel = from_ostium @ where.axis > 0.0
    near = in_vessel | (np.linalg.norm(from_ostium, axis=1) < OSTIUM_WITHIN_MM)
    deep = from_ostium @ where.axis > OSTIUM_WITHIN_MM
    high = x_mm[:, 1] > where.aorta.top_mm
    last = _below_arch(x_mm, high)
    far = ~near & last & (x_mm @ where.outward < 0.0)
    near_side = ~near & last & ~far
    arch = ~near & ~far & ~near_side
    regions = {
        RestsOn.OPPOSITE_WALL: far,
        RestsOn.NEAR_WALL: near_side,
        RestsOn.ARCH: arch,
        RestsOn.OSTIUM: near & ~deep,
        RestsOn.VESSEL: deep & near,
    }
    found = []
    for name, mask in regions.items():
        load = float(normal_N[mask].sum())
        if load > 1e-3:
            weight = normal_N[mask] / load
            ends = np.clip(np.flatnonzero(mask), 1, len(x_mm) - 2)
            along = x_mm[ends + 1] - x_mm[ends - 1]
            angle = np.degrees(np.arctan2(np.hypot(along[:, 0], along[:, 2]), -along[:, 1]))
            found.append(Rest(name, load, weight @ x_mm[mask], float(weight @ angle)))
    return tuple(found)


def _below_arch(x_mm: FloatArray, high: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which nodes come after the last one in the arch, on the way to the tip."""
    last = int(np.max(np.flatnonzero(high))) if high.any() else -1
    return np.arange(len(x_mm)) > last


def load_on_N(parts: tuple[Rest, ...], where: RestsOn) -> float:
    """Return the load on one region, 0 where the guide does not touch it.

    Parameters
    ----------
    parts : tuple of Rest
        As `rests` returns them.
    where : RestsOn
        Region.

    Returns
    -------
    float
        Load [N].
    """
    return sum(part.load_N for part in parts if part.where is where)


def rests_at_rest(pushed: PushBack) -> tuple[Rest, ...]:
    """Return where the guide rests before the push.

    Parameters
    ----------
    pushed : PushBack
        One push-back.

    Returns
    -------
    tuple of Rest
        By region.
    """
    return rests(pushed.seated, pushed.shapes_mm[0], pushed.normals_N[0])


def rests_at_loss(pushed: PushBack) -> tuple[Rest, ...]:
    """Return where the guide rests at its highest push.

    Parameters
    ----------
    pushed : PushBack
        One push-back.

    Returns
    -------
    tuple of Rest
        By region.
    """
    at = int(np.argmax(pushed.push_N))
    return rests(pushed.seated, pushed.shapes_mm[at], pushed.normals_N[at])


def contacts(x_mm: FloatArray, normal_N: FloatArray) -> list[tuple[FloatArray, float]]:
    """Return every stretch of a guide that lies on the wall.

    Parameters
    ----------
    x_mm : ndarray, shape (n + 1, 3)
        Nodes.
    normal_N : ndarray, shape (n + 1,)
        Load of the wall on each.

    Returns
    -------
    list of (ndarray, float)
        Middle of the load [mm] and its sum [N], from the base to the tip; loads below 0.01 N are left out.
    """
    touches = np.concatenate([[False], normal_N > 0.0, [False]])
    edges = np.flatnonzero(np.diff(touches.astype(np.int8)))
    found = []
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        load_N = float(normal_N[start:end].sum())
        if load_N >= LEAST_CONTACT_N:
            found.append((normal_N[start:end] @ x_mm[start:end] / load_N, load_N))
    return found
