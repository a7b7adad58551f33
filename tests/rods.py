"""Rods in tubes for the tests of the solver: paths with closed forms, and one call from a problem to a converged state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.banded import ldl
from backstay.core.mechanics.coupled import assemble
from backstay.core.mechanics.elastic import Load, Tube, Work, lay_assembly, lay_edges, tube, workspace
from backstay.core.mechanics.equilibrium import newton
from backstay.core.mechanics.march import READINGS, march

Array = NDArray[np.float64]
GRID_MM = 0.25


def planar(turns_rad: Array, spacing_mm: float) -> tuple[Array, Array, Array]:
    """Return points and frame of a plane polygon whose edges have one length and turn by `turns_rad` at its inner nodes."""
    angle = np.concatenate([[0.0], np.cumsum(turns_rad)])
    steps = spacing_mm * np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
    points = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    at = np.concatenate([[0.0], 0.5 * (angle[1:] + angle[:-1]), angle[-1:]])
    normal1 = np.stack([-np.sin(at), np.cos(at), 0.0 * at], axis=1)
    return points, normal1, np.tile([0.0, 0.0, 1.0], (len(at), 1))


def straight(length_mm: float, spacing_mm: float) -> tuple[Array, Array, Array]:
    """Return a straight path along x."""
    return planar(np.zeros(round(length_mm / spacing_mm) - 1), spacing_mm)


def arc(
    radius_mm: float, angle_rad: float, *, lead_mm: float, tail_mm: float, spacing_mm: float
) -> tuple[Array, Array, Array]:
    """Return straight, arc, straight; the polygon turns by `angle_rad` exactly."""
    inside = round(radius_mm * angle_rad / spacing_mm)
    turns = np.zeros(round((lead_mm + tail_mm) / spacing_mm) + inside - 1)
    first = round(lead_mm / spacing_mm) - 1
    turns[first : first + inside + 1] = angle_rad / inside
    turns[[first, first + inside]] *= 0.5
    return planar(turns, spacing_mm)


@dataclass(frozen=True)
class Problem:
    """A tube, what lies in it and the work arrays for it."""

    tube: Tube
    load: Load
    work: Work

    @property
    def last(self) -> int:
        """Return the last node."""
        return len(self.tube.points) - 1

    def start(self) -> tuple[Array, Array]:
        """Return a guess on the centreline."""
        return np.zeros((self.last + 1, 2)), np.zeros(self.last + 1)

    def assemble(self, w: Array, q: Array, load_N: float, *, full: bool = True) -> Work:
        """Return the work arrays with residual and matrix filled."""
        lay_edges(self.tube, w, self.last, self.work)
        lay_assembly(self.tube, self.load, self.last, self.work)
        assemble(self.tube, self.load, w, q, self.last, load_N, self.work, full)
        return self.work

    def negative_directions(self, w: Array, q: Array) -> int:
        """Return in how many directions the shape is unstable at these pushes."""
        work = self.assemble(w, q, 0.0)
        return int(ldl(work.hessian, work.diagonal, 2 * (self.last + 1), 0.0))

    def solve(self, w: Array, q: Array, load_N: float, *, polish: int = 0) -> int:
        """Run Newton from (w, q), then `polish` times again to reach round-off."""
        count = newton(self.tube, self.load, w, q, self.last, load_N, self.work, 40)
        for _ in range(polish):
            newton(self.tube, self.load, w, q, self.last, load_N, self.work, 5)
        return int(count)

    def come_to_rest(self, w: Array, q: Array, load_N: float, *, within_N: float = 1e-9) -> None:
        """Run Newton from (w, q), as often as it takes while contact moves along the rod, to a stable state at round-off."""
        for _ in range(40):
            newton(self.tube, self.load, w, q, self.last, load_N, self.work, 40)
            left = np.abs(self.assemble(w, q, load_N, full=False).residual[: 3 * (self.last + 1)]).max()
            if left < within_N:
                break
        assert left < within_N, f"residual {left}"
        assert self.negative_directions(w, q) == 0

    def march(
        self,
        levels_N: Array,
        *,
        search_to_N: float,
        guess: tuple[Array, Array] | None = None,
        step_N: float = 0.1,
        wire_Nmm2: Array | None = None,
    ) -> tuple[float, Array, Array, Array]:
        """Return the prolapse load, the readings, and the last shape and pushes."""
        w, q = self.start() if guess is None else (guess[0].copy(), guess[1].copy())
        out, slopes = np.zeros((len(levels_N), READINGS)), np.zeros((len(levels_N), 1))
        wire = self.load.static_Nmm2 if wire_Nmm2 is None else wire_Nmm2
        nearby = ((self.tube, self.load),)
        prolapse = march(
            self.tube, self.load, wire, 3.0, np.asarray(levels_N, dtype=float), step_N, search_to_N, self.last, w, q,
            self.work, out, nearby, slopes,
        )  # fmt: skip
        return float(prolapse), out, w, q


def problem(
    path: tuple[Array, Array, Array],
    spacing_mm: float,
    *,
    lumen_mm: Array | float,
    wall_MPa: Array | float,
    tip_mm: float,
    wire_Nmm2: float,
    device: tuple[list[float], list[float], list[float]] | None = None,
    wire_radius_mm: float = 0.0,
    friction: float = 0.0,
    mouth_MPa: float | None = None,
) -> Problem:
    """Return a problem; `device` is (behind the tip, stiffness, radius), None for a bare wire that slides as a whole."""
    points, normal1, normal2 = path
    count = len(points)
    lumen = np.broadcast_to(np.asarray(lumen_mm, dtype=float), (count,)).copy()
    wall = np.broadcast_to(np.asarray(wall_MPa, dtype=float), (count,)).copy()
    if mouth_MPa is not None:
        lumen[0], wall[0] = 0.0, mouth_MPa
    grid = GRID_MM * np.arange(-1, int(1.3 * count * spacing_mm / GRID_MM) + 8)
    if device is None:
        stiffness, radius = np.zeros(grid.shape), np.full(grid.shape, wire_radius_mm)
    else:
        ahead = grid < 0.0
        stiffness = np.where(ahead, 0.0, np.interp(grid, device[0], device[1]))
        radius = np.where(ahead, wire_radius_mm, np.interp(grid, device[0], device[2]))
    share = np.zeros(count)
    node = int(tip_mm / spacing_mm + 1e-9)
    part = tip_mm / spacing_mm - node
    share[node] = 1.0 - part
    if part > 1e-9:
        share[node + 1] = part
    load = Load(
        stiffness,
        radius,
        GRID_MM,
        np.full(count, float(wire_Nmm2)),
        np.zeros(count),
        share,
        float(friction),
        float(tip_mm),
    )
    entry = (points[1] - points[0]) / np.linalg.norm(points[1] - points[0])
    vessel = tube(points, normal1, normal2, lumen_mm=lumen, wall_MPa=wall, entry=entry, spacing_mm=spacing_mm)
    return Problem(vessel, load, workspace(count))
