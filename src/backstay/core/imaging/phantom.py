"""An invented vessel with known truth, to be filmed by `phantom_film`: for tests, demonstration and teaching.

The vessel runs along the front of an egg-shaped heart, as the anterior descending artery does, tapers, and has two
narrowings and two side branches. Nothing here was measured on anyone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

STEP_MM = 0.08
"""Spacing of the spheres that make the lumen: scallops of 0.002 mm at a radius of 0.4 mm."""


@dataclass(frozen=True)
class Narrowing:
    """A place where the lumen is narrower: a raised cosine about `at_mm`.

    Attributes
    ----------
    at_mm, length_mm : float
        Middle and whole length along the vessel.
    depth_share : float
        Loss of diameter at the middle, 0 to 1.
    """

    at_mm: float
    length_mm: float
    depth_share: float


@dataclass(frozen=True, eq=False)
class Tube:
    """One vessel of the phantom.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Distance along it.
    points_mm : ndarray, shape (n, 3)
        Centreline.
    radius_mm, healthy_radius_mm : ndarray, shape (n,)
        Lumen with and without narrowings.
    """

    s_mm: FloatArray
    points_mm: FloatArray
    radius_mm: FloatArray
    healthy_radius_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Phantom:
    """A vessel and its branches.

    Attributes
    ----------
    main : Tube
        The vessel to be measured.
    branches : tuple of Tube
        Side branches, each from its carina's middle outwards.
    branch_at_mm : tuple of float
        Where each branch leaves the main vessel.
    narrowings : tuple of Narrowing
        Of the main vessel.
    """

    main: Tube
    branches: tuple[Tube, ...]
    branch_at_mm: tuple[float, ...]
    narrowings: tuple[Narrowing, ...]

    def moved(self, by_mm: FloatArray) -> Phantom:
        """Return the phantom shifted as a whole."""
        tubes = tuple(replace(t, points_mm=t.points_mm + by_mm) for t in (self.main, *self.branches))
        return replace(self, main=tubes[0], branches=tubes[1:])


def tube_through(
    points_mm: FloatArray,
    *,
    first_diameter_mm: float,
    last_diameter_mm: float,
    narrowings: tuple[Narrowing, ...] = (),
    step_mm: float = STEP_MM,
) -> Tube:
    """Return a tapering tube along a densely sampled curve.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        The curve [mm].
    first_diameter_mm, last_diameter_mm : float
        Diameters at its ends [mm].
    narrowings : tuple of Narrowing
        Where it is narrower.
    step_mm : float
        Spacing of the result [mm].

    Returns
    -------
    Tube
        Resampled evenly.
    """
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points_mm, axis=0), axis=1))])
    even = np.linspace(0.0, s[-1], max(int(s[-1] / step_mm), 2) + 1)
    points = np.stack([np.interp(even, s, points_mm[:, k]) for k in range(3)], axis=1)
    healthy = 0.5 * np.linspace(first_diameter_mm, last_diameter_mm, len(even))
    radius = healthy.copy()
    for n in narrowings:
        u = np.clip(np.abs(even - n.at_mm) / (0.5 * n.length_mm), 0.0, 1.0)
        radius *= 1.0 - n.depth_share * 0.5 * (1.0 + np.cos(np.pi * u))
    return Tube(even, points, radius, healthy)


def straight_tube(
    diameters_mm: tuple[float, ...],
    *,
    each_mm: float = 12.0,
    direction: tuple[float, float, float] = (0, 0, -1),
) -> Tube:
    """Return a straight tube about the isocentre, of one diameter after the other.

    Parameters
    ----------
    diameters_mm : tuple of float
        Diameters in order [mm].
    each_mm : float
        Length of each part [mm].
    direction : tuple of float
        Which way it runs, in patient axes.

    Returns
    -------
    Tube
        With abrupt steps between the parts.
    """
    length = each_mm * len(diameters_mm)
    s = np.linspace(0.0, length, int(length / STEP_MM) + 1)
    part = np.minimum((s / each_mm).astype(int), len(diameters_mm) - 1)
    radius = 0.5 * np.asarray(diameters_mm)[part]
    towards = np.asarray(direction, dtype=np.float64)
    towards = towards / np.linalg.norm(towards)
    return Tube(s, (s - 0.5 * length)[:, None] * towards, radius, radius.copy())


def random_phantom(rng: np.random.Generator) -> Phantom:
    """Return an invented anterior descending artery, differing from draw to draw.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Phantom
        77 to 95 mm long, 3.1 to 3.8 mm wide at first, tapering by a third; one narrowing of 50 to 72 % over 8 to
        14 mm, one of 30 to 50 % over 6 to 10 mm; two side branches; up to 8 mm off the isocentre.
    """
    curve = _along_heart(rng)
    length = rng.uniform(77.0, 95.0)
    first = rng.uniform(3.1, 3.8)
    tight = Narrowing(rng.uniform(0.28, 0.42) * length, rng.uniform(8.0, 14.0), rng.uniform(0.50, 0.72))
    milder = Narrowing(rng.uniform(0.62, 0.78) * length, rng.uniform(6.0, 10.0), rng.uniform(0.30, 0.50))
    dense = tube_through(curve, first_diameter_mm=1.0, last_diameter_mm=1.0)
    cut = dense.points_mm[dense.s_mm <= length]
    main = tube_through(
        cut, first_diameter_mm=first, last_diameter_mm=first * 2.0 / 3.0, narrowings=(tight, milder)
    )
    at = (rng.uniform(0.14, 0.20) * length, rng.uniform(0.50, 0.56) * length)
    branches = tuple(_branch(main, place, rng, side) for place, side in zip(at, (1.0, -1.0), strict=True))
    offset = rng.normal(size=3)
    offset *= rng.uniform(0.0, 8.0) / np.linalg.norm(offset)
    return Phantom(main, branches, at, (tight, milder)).moved(offset)


def _along_heart(rng: np.random.Generator) -> FloatArray:
    """Return a curve over the front of an ellipsoid from its base to its apex, with small bends of its own."""
    half_mm = np.array([rng.uniform(34, 40), rng.uniform(34, 40), rng.uniform(46, 54)])
    polar = np.linspace(np.deg2rad(38.0), np.deg2rad(178.0), 1500)
    wave = sum(
        rng.uniform(0.5, 1.0) * amplitude * np.sin(count * polar + rng.uniform(0.0, 2.0 * np.pi))
        for amplitude, count in ((0.16, 3.0), (0.07, 7.0), (0.022, 15.0))
    )
    round_rad = np.deg2rad(rng.uniform(-15.0, 15.0)) + wave
    body = np.stack(
        [np.sin(polar) * np.sin(round_rad), -np.sin(polar) * np.cos(round_rad), np.cos(polar)], axis=1
    )
    # The heart's long axis points left, forward and down.
    axis = np.array([0.62, -0.45, -0.64])
    axis /= np.linalg.norm(axis)
    right = np.cross(axis, [0.0, -1.0, 0.0])
    right /= np.linalg.norm(right)
    front = np.cross(right, axis)
    points = (body * half_mm) @ np.stack([right, -front, -axis])
    return np.asarray(points - points[len(points) // 2 - 250])


def _branch(main: Tube, at_mm: float, rng: np.random.Generator, side: float) -> Tube:
    """Return a gently bent branch leaving the main vessel at 40 to 65 degrees."""
    i = int(np.searchsorted(main.s_mm, at_mm))
    tangent = main.points_mm[i + 20] - main.points_mm[i - 20]
    tangent /= np.linalg.norm(tangent)
    outward = np.cross(tangent, [0.3 * side, -1.0, 0.2])
    outward *= side / np.linalg.norm(outward)
    angle, length = rng.uniform(np.deg2rad(40), np.deg2rad(65)), rng.uniform(22.0, 34.0)
    u = np.linspace(0.0, 1.0, 400)[:, None]
    lean = angle - 0.5 * angle * u
    heading = np.cos(lean) * tangent + np.sin(lean) * outward
    points = main.points_mm[i] + np.cumsum(heading, axis=0) * (length / len(u))
    wide = 2.0 * main.healthy_radius_mm[i]
    return tube_through(points, first_diameter_mm=0.62 * wide, last_diameter_mm=0.42 * wide)
