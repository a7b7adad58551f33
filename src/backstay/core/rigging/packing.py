"""The smallest round lumen that holds several round things side by side.

Exact for one, two and three circles; for four to eight an arrangement found by search beside a proven bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from backstay.core.rigging.packing_bound import EXCLUDED, OUT_OF_BUDGET, exclude, smallest_at_wall
from backstay.errors import InputError

FloatArray = NDArray[np.float64]

MOST_CIRCLES = 8
DIRECTIONS = 1440
"""Directions in which a belt's reach is averaged: within 1e-5 of its length."""
SEARCHES = 40
"""Searches for a better arrangement before a wider gap is accepted."""

GAPS_mm = (0.001, 0.01, 0.03, 0.1, 0.3, 1.0)
"""Gaps between arrangement and bound that are tried, smallest first."""

BUDGET = 60_000
"""Boxes spent on one proof."""


@dataclass(frozen=True)
class Packing:
    """Circles in the smallest circle round them.

    Attributes
    ----------
    radius_mm : float
        Radius of a circle that holds them: they go in.
    lower_bound_mm : float
        Below this they do not go in, proven but for rounding; equal to `radius_mm` where the answer is exact.
    centres_mm : tuple of (float, float)
        Centres in the order given, measured from the middle.
    """

    radius_mm: float
    lower_bound_mm: float
    centres_mm: tuple[tuple[float, float], ...]

    @property
    def gap_mm(self) -> float:
        """Return what is left unproven [mm of radius]."""
        return self.radius_mm - self.lower_bound_mm


def enclosing_radius_mm(radii_mm: tuple[float, ...] | list[float]) -> Packing:
    """Find the smallest circle round circles that may not overlap.

    Parameters
    ----------
    radii_mm : sequence of float
        One to eight radii [mm], each above 0. Taken to 1e-9 mm.

    Returns
    -------
    Packing
        Radius, proven lower bound and centres.

    Raises
    ------
    InputError
        No circles, more than eight, or a radius that is not a positive number.

    Notes
    -----
    Three circles: either the smallest goes in beside the two larger ones on their common diameter, or all
    three touch one another and the circle round them, whose curvature follows from Descartes' theorem. Four
    or more: all at the wall is solved by bisection; then a proof (`packing_bound`) that nothing 0.001 mm
    smaller holds them either succeeds or leaves positions from which a local search finds a better
    arrangement, and so on. Equal circles agree with the closed forms of two to seven [@graham1968].

    Examples
    --------
    >>> round(enclosing_radius_mm((1.0, 1.0, 1.0)).radius_mm, 4)
    2.1547
    >>> round(2 * enclosing_radius_mm((0.41, 0.178, 0.178)).radius_mm, 3)
    1.188
    """
    radii = [round(float(r), 9) for r in radii_mm]
    if not 1 <= len(radii) <= MOST_CIRCLES:
        raise InputError(
            "wrong number of circles", field="radii_mm", value=len(radii), allowed=f"1 to {MOST_CIRCLES}"
        )
    for radius in radii:
        if not (math.isfinite(radius) and radius > 0.0):
            raise InputError("not a radius", field="radii_mm", value=radius, allowed="above 0 mm")
    order = sorted(range(len(radii)), key=lambda i: -radii[i])
    packed = _packed(tuple(radii[i] for i in order))
    centres = [(0.0, 0.0)] * len(radii)
    for place, i in enumerate(order):
        centres[i] = packed.centres_mm[place]
    return Packing(packed.radius_mm, packed.lower_bound_mm, tuple(centres))


def belt_radius_mm(radii_mm: tuple[float, ...] | list[float]) -> float:
    """Return the radius of the circle as long round as a belt laid tightly round the circles of `enclosing_radius_mm`.

    A lumen whose wall bends freely but does not stretch gives way to the belt's shape; one that stays round needs the circle round all.
    A real wall lies between.

    Parameters
    ----------
    radii_mm : sequence of float
        One to eight radii [mm].

    Returns
    -------
    float
        Belt's length over 2 pi [mm]: never below the largest radius, never above the circle's round all.

    Raises
    ------
    InputError
        As `enclosing_radius_mm`.

    Notes
    -----
    The length round a convex figure is the mean of its support function times 2 pi (Cauchy), here over `DIRECTIONS` directions.

    Examples
    --------
    Two equal circles: two half circles and two straight pieces, 2 pi r + 4 r.

    >>> round(belt_radius_mm((1.0, 1.0)), 4), round(1.0 + 2.0 / np.pi, 4)
    (1.6366, 1.6366)
    """
    packing = enclosing_radius_mm(radii_mm)
    angle = np.linspace(0.0, 2.0 * np.pi, DIRECTIONS, endpoint=False)
    towards = np.stack([np.cos(angle), np.sin(angle)])
    support = np.array(packing.centres_mm) @ towards + np.array(radii_mm, dtype=float)[:, None]
    return float(support.max(axis=0).mean())


@lru_cache(maxsize=4096)
def _packed(radii: tuple[float, ...]) -> Packing:
    """Pack radii that fall."""
    if len(radii) == 1:
        return Packing(radii[0], radii[0], ((0.0, 0.0),))
    if len(radii) == 2:
        return Packing(sum(radii), sum(radii), ((-radii[1], 0.0), (radii[0], 0.0)))
    if len(radii) == 3:
        return _three(radii)
    return _several(radii)


def _three_radius_mm(a: float, b: float, c: float) -> float:
    """Return the radius round three circles, a >= b >= c."""
    if c <= a * b * (a + b) / ((a + b) ** 2 - a * b):
        return a + b
    bend = 2.0 * math.sqrt(1 / (a * b) + 1 / (b * c) + 1 / (c * a)) - (1 / a + 1 / b + 1 / c)
    return 1.0 / bend


def _three(radii: tuple[float, ...]) -> Packing:
    a, b, c = radii
    radius = _three_radius_mm(a, b, c)
    if radius == a + b:
        # The third at the wall, touching the largest: always clear of the second when it goes in at all.
        first, third = radius - a, radius - c
        turn = _angle_rad(first, third, a + c)
        centres = [(-first, 0.0), (radius - b, 0.0), (-third * math.cos(turn), third * math.sin(turn))]
        return Packing(radius, radius, tuple(centres))
    wall = [radius - r for r in radii]
    second = _angle_rad(wall[0], wall[1], a + b)
    third = -_angle_rad(wall[0], wall[2], a + c)
    turns = (0.0, second, third)
    return Packing(
        radius, radius, tuple((w * math.cos(t), w * math.sin(t)) for w, t in zip(wall, turns, strict=True))
    )


def _angle_rad(a: float, b: float, apart: float) -> float:
    """Return the angle at the middle between points at distances a and b that lie `apart` from each other."""
    return math.acos(max(-1.0, min(1.0, (a * a + b * b - apart * apart) / (2.0 * a * b))))


def _simple_bound_mm(radii: tuple[float, ...]) -> float:
    """Return the best of what three of the circles need, and what their area needs."""
    triples = max(_three_radius_mm(*three) for three in combinations(radii, 3))
    return max(triples, math.sqrt(sum(r * r for r in radii)))


def _several(radii: tuple[float, ...]) -> Packing:
    """Alternate proof and search: what the proof cannot exclude is where the search starts next."""
    sizes = np.array(radii)
    bound = _simple_bound_mm(radii)
    best, centres = _at_wall(sizes, bound)
    for gap in GAPS_mm:
        for _ in range(SEARCHES):
            if bound >= best - gap:
                return Packing(best, bound, _as_pairs(centres))
            status, start = _excluded(sizes, best - gap)
            if status == EXCLUDED:
                return Packing(best, best - gap, _as_pairs(centres))
            if status == OUT_OF_BUDGET:
                break
            radius, found = _searched(sizes, start)
            if radius > best - 1e-9:
                break
            best, centres = radius, found
    return Packing(best, bound, _as_pairs(centres))


def _excluded(sizes: FloatArray, radius_mm: float) -> tuple[int, FloatArray]:
    """Try to prove that the circles do not go in, the largest few first: what a few need, all need.

    Returns the outcome and, when not excluded, positions at which they all but go in.
    """
    result, left_over = OUT_OF_BUDGET, np.zeros((len(sizes), 2))
    for count in range(4, len(sizes) + 1):
        result = exclude(sizes[:count], radius_mm, BUDGET, left_over[:count])
        if result == EXCLUDED:
            break
    distance, turn = left_over.T
    return result, np.column_stack([distance * np.cos(turn), distance * np.sin(turn)])


def _at_wall(sizes: FloatArray, bound: float) -> tuple[float, FloatArray]:
    """Return the best arrangement with every circle at the wall."""
    theta = np.zeros(len(sizes))
    high = float(2.0 * sizes.sum())
    radius = smallest_at_wall(sizes, bound * (1.0 - 1e-12), high, theta)
    out = radius - sizes
    return _tightened(sizes, np.column_stack([out * np.cos(theta), out * np.sin(theta)]))


def _searched(sizes: FloatArray, start: FloatArray) -> tuple[float, FloatArray]:
    """Shrink the circle round an arrangement from `start`, then make it exactly feasible."""
    n = len(sizes)
    first, second = np.triu_indices(n, 1)
    apart = sizes[first] + sizes[second]
    rows = np.arange(len(first))

    def inside(z: FloatArray) -> FloatArray:
        p = z[:-1].reshape(n, 2)
        between = p[first] - p[second]
        return np.concatenate([(z[-1] - sizes) ** 2 - (p**2).sum(1), (between**2).sum(1) - apart**2])

    def slopes(z: FloatArray) -> FloatArray:
        p = z[:-1].reshape(n, 2)
        between = 2.0 * (p[first] - p[second])
        wall, pairs = np.zeros((n, n, 2)), np.zeros((len(first), n, 2))
        wall[np.arange(n), np.arange(n)] = -2.0 * p
        pairs[rows, first], pairs[rows, second] = between, -between
        last = np.concatenate([2.0 * (z[-1] - sizes), np.zeros(len(first))])
        return np.column_stack([np.concatenate([wall, pairs]).reshape(-1, 2 * n), last])

    direction = np.append(np.zeros(2 * n), 1.0)

    def radius_mm(z: FloatArray, /) -> float:
        return float(z[-1])

    def towards(z: FloatArray, /) -> FloatArray:
        return direction

    constraint: Any = {"type": "ineq", "fun": inside, "jac": slopes}
    result = minimize(
        radius_mm,
        np.append(start.ravel(), 1.2 * np.hypot(*start.T).max() + sizes.max()),
        jac=towards,
        bounds=[*[(None, None)] * (2 * n), (float(sizes.max()), None)],
        constraints=constraint,
        method="SLSQP",
        options={"maxiter": 200, "ftol": 1e-14},
    )
    return _tightened(sizes, result.x[:-1].reshape(n, 2))


def _tightened(sizes: FloatArray, centres: FloatArray) -> tuple[float, FloatArray]:
    """Spread an arrangement just enough that nothing overlaps, and return the circle round it."""
    first, second = np.triu_indices(len(sizes), 1)
    between = np.hypot(*(centres[first] - centres[second]).T)
    if between.min() < 1e-9 * sizes.min():
        return math.inf, centres
    spread = max(1.0, float(np.max((sizes[first] + sizes[second]) / between)))
    centres = spread * centres
    return float(np.max(np.hypot(*centres.T) + sizes)), centres


def _as_pairs(centres: FloatArray) -> tuple[tuple[float, float], ...]:
    return tuple((float(x), float(y)) for x, y in centres)
