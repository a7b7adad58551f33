"""Rods without a wall for the tests of the guide's elements: any loads, any held unknowns, Newton's method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgbsv

from backstay.core.guide.elements import BAND, DOFS, elastic
from backstay.core.guide.rod import advance
from backstay.core.guide.seating import frames_along

Array = NDArray[np.float64]
UP = np.array([0.0, 0.0, 1.0])


@dataclass
class Bare:
    """A rod in the open: nodes and frames change as it is solved."""

    x: Array
    q: Array
    base_frame: Array
    length: Array
    rest: Array
    bending: Array
    stretch: Array
    energy: float = 0.0
    reaction: Array | None = None
    pull: float = 0.0

    @property
    def edges(self) -> int:
        return len(self.length)

    def free(self) -> NDArray[np.bool_]:
        """Return all unknowns free but the base's place."""
        free = np.ones(DOFS * self.edges + 3, dtype=bool)
        free[:3] = False
        return free

    def solve(
        self,
        load: Array,
        free: NDArray[np.bool_],
        *,
        most: int = 60,
        spring: tuple[int, int, float, float] | None = None,
    ) -> bool:
        """Bring the rod to rest under dead loads by unknown, and a spring (node, axis, stiffness, place) on one node."""
        for _ in range(most):
            slope, band = np.zeros(len(load)), np.zeros((3 * BAND + 1, len(load)))
            self.energy = elastic(
                self.x, self.q, self.base_frame, self.length, self.rest, self.bending, self.stretch,
                free, slope, band,
            )  # fmt: skip
            self.reaction = slope.copy()
            off = np.where(free, load - slope, 0.0)
            if spring is not None:
                node, axis, stiffness, place = spring
                self.pull = stiffness * (place - self.x[node, axis])
                off[DOFS * node + axis] += self.pull
                band[2 * BAND, DOFS * node + axis] += stiffness
            band[2 * BAND, ~free] = 1.0
            _, _, step, info = dgbsv(BAND, BAND, band, off)
            if info != 0 or not np.all(np.isfinite(step)):
                return False
            turns = np.abs(step[:-3].reshape(-1, DOFS)[:, 3:]).max()
            advance(self.x, self.q, step, min(1.0, 0.5 / max(turns, 1e-12)))
            if np.max(np.abs(step)) < 1e-9 * self.length.sum():
                return True
        return False


def bare(
    points: Array, *, bending: float, twist: float, stretch: float, shear: float | None = None, up: Array = UP
) -> Bare:
    """Return a rod whose rest shape runs through points, clamped at the first along the first edge's direction there."""
    edges = np.diff(points, axis=0)
    length = np.linalg.norm(edges, axis=1)
    q = frames_along(edges, up)
    n = len(length)
    rest = np.zeros((n, 3))
    for j in range(1, n):
        joined = 0.5 * (length[j - 1] + length[j])
        rest[j] = 2.0 * gibbs(q[j - 1], q[j]) / joined
    bend = np.tile([bending, bending, twist], (n, 1))
    cross = stretch if shear is None else shear
    return Bare(points.copy(), q, q[0].copy(), length, rest, bend, np.tile([cross, cross, stretch], (n, 1)))


def gibbs(a: Array, b: Array) -> Array:
    """Return the Gibbs vector of the turn from one frame to another, in the first frame's axes."""
    w = a @ b
    v = a[0] * b[1:] - b[0] * a[1:] - np.cross(a[1:], b[1:])
    return v / w


def straight(edges: int, length_mm: float = 1.0) -> Array:
    """Return points along x."""
    points = np.zeros((edges + 1, 3))
    points[:, 0] = np.linspace(0.0, length_mm, edges + 1)
    return points


def arc(edges: int, radius_mm: float, angle_rad: float, start_rad: float = 0.0) -> Array:
    """Return points on an arc from the origin, turning left (a negative angle: right); `start_rad` is its direction there.

    The polygon's edges have the arc's length, so that its corners stand a little outside the circle.
    """
    turn = angle_rad / edges
    along = start_rad + turn * (np.arange(edges) + 0.5)
    step = radius_mm * abs(turn) * np.stack([np.cos(along), np.sin(along), 0.0 * along], axis=1)
    return np.vstack([np.zeros(3), np.cumsum(step, axis=0)])


def clamped(rod: Bare, direction_rad: float) -> Bare:
    """Clamp the base along a direction in the plane, at rest as it is."""
    rod.base_frame = frames_along(np.array([[np.cos(direction_rad), np.sin(direction_rad), 0.0]]), UP)[0]
    rod.rest[0] = 2.0 * gibbs(rod.base_frame, rod.q[0]) / (0.5 * rod.length[0])
    return rod
