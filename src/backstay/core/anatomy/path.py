"""The path: a vessel's centreline and lumen along the distance s from the ostium.

The path is a discrete curve. Everything that turns, turns at the nodes: the turn at a node is the angle
between the chords before and after it, half of it belongs to the stretch on either side, and the node's
tangent bisects it. The frame is carried from tangent to chord to tangent by the smallest rotation each time.
So curvature, total bend, frame and points always agree, and a path can be rebuilt from its turns alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from backstay.core.anatomy.frames import (
    first_normal,
    mirrored,
    node_turns_rad,
    rebuilt,
    transported_normals,
    unit_vectors,
)
from backstay.errors import InputError

FloatArray = NDArray[np.float64]

SMALLEST_RADIUS_MM = 0.1
_STRAIGHT_PER_MM = 1e-6
_ON_NODE = 1e-6


@dataclass(frozen=True, eq=False)
class LumenPath:
    """Centreline, lumen radius and frame on evenly spaced nodes.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Distance from the path's first point; steps of one spacing, from 0.
    points_mm : ndarray, shape (n, 3)
        Nodes.
    radius_mm, radius_sd_mm : ndarray, shape (n,)
        Lumen radius and its measurement error (one standard deviation).
    tangents, normals1, normals2 : ndarray, shape (n, 3)
        Right-handed frame, tangents x normals1 = normals2, with no twist along the path.
    curvature_per_mm : ndarray, shape (n, 2)
        Curvature vector in (normals1, normals2): the angle between the chords beside the node over the
        spacing, pointing where the path turns to. At the ends the turn from tangent to chord counts double.
    spacing_mm : float
        Distance between nodes along the curve.

    Notes
    -----
    The frame is the discrete parallel transport along tangent, chord, tangent. It needs no more than the
    chords, is undone exactly by walking back, and agrees with double reflection [@wang2008] to second order
    in the spacing; unlike that, it lets a path be rebuilt from scaled turns with no twist left over.
    """

    s_mm: FloatArray
    points_mm: FloatArray
    radius_mm: FloatArray
    radius_sd_mm: FloatArray
    tangents: FloatArray
    normals1: FloatArray
    normals2: FloatArray
    curvature_per_mm: FloatArray
    spacing_mm: float

    @classmethod
    def through(
        cls,
        points_mm: FloatArray,
        radius_mm: ArrayLike,
        *,
        radius_sd_mm: ArrayLike,
        spacing_mm: float,
        start_tangent: FloatArray | None = None,
        start_normal: FloatArray | None = None,
        end_tangent: FloatArray | None = None,
    ) -> LumenPath:
        """Return the path through nodes already evenly spaced along a smooth curve.

        Parameters
        ----------
        points_mm : ndarray, shape (n, 3)
            Nodes, one spacing apart along the curve; at least three.
        radius_mm, radius_sd_mm : array_like, shape (n,) or scalar
            Lumen radius [mm] and one standard deviation of its error [mm].
        spacing_mm : float
            Distance between nodes along the curve [mm].
        start_tangent, end_tangent : ndarray, shape (3,), optional
            Directions at the ends; where missing, the turn at the neighbouring node is continued.
        start_normal : ndarray, shape (3,), optional
            First normal at the start; where missing, it points at the node farthest from the line of the
            first tangent.

        Returns
        -------
        LumenPath
            The path.

        Raises
        ------
        InputError
            Fewer than three nodes, a value that is not finite, or a radius that is not positive.
        """
        points, radius, radius_sd = _checked(points_mm, radius_mm, radius_sd_mm, spacing_mm)
        chords = unit_vectors(np.diff(points, axis=0))
        tangents = np.empty_like(points)
        tangents[1:-1] = unit_vectors(chords[1:] + chords[:-1])
        tangents[0] = mirrored(tangents[1], chords[0]) if start_tangent is None else start_tangent
        tangents[-1] = mirrored(tangents[-2], chords[-1]) if end_tangent is None else end_tangent
        first = first_normal(points, tangents[0]) if start_normal is None else start_normal
        normals1 = transported_normals(first, tangents, chords)
        normals2 = np.cross(tangents, normals1)
        curvature = node_turns_rad(chords, tangents, normals1, normals2) / spacing_mm
        s = np.arange(len(points), dtype=np.float64) * spacing_mm
        return cls(s, points, radius, radius_sd, tangents, normals1, normals2, curvature, spacing_mm)

    @classmethod
    def from_curvature(
        cls,
        curvature_per_mm: FloatArray,
        radius_mm: ArrayLike,
        *,
        radius_sd_mm: ArrayLike,
        spacing_mm: float,
    ) -> LumenPath:
        """Return the path that turns as told, from the origin along x with the first normal along z.

        Parameters
        ----------
        curvature_per_mm : ndarray, shape (n, 2)
            Curvature vector in (normals1, normals2) at the nodes [rad/mm].
        radius_mm, radius_sd_mm : array_like, shape (n,) or scalar
            Lumen radius [mm] and one standard deviation of its error [mm].
        spacing_mm : float
            Distance between nodes along the curve [mm].

        Returns
        -------
        LumenPath
            The path; on stretches of constant curvature its nodes lie on the arc.

        Raises
        ------
        InputError
            Fewer than three nodes, a turn of half a circle at one node, or a radius that is not positive.
        """
        curvature = np.asarray(curvature_per_mm, dtype=np.float64)
        turn_rad = curvature * spacing_mm
        if not np.max(np.hypot(turn_rad[:, 0], turn_rad[:, 1])) < np.pi:
            raise InputError(
                "a node cannot turn half a circle",
                field="curvature_per_mm",
                allowed=f"below {np.pi / spacing_mm:g}",
            )
        mean = 0.25 * (turn_rad[1:] + turn_rad[:-1])
        chords_mm = spacing_mm * np.sinc(np.hypot(mean[:, 0], mean[:, 1]) / np.pi)
        start = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
        points, frames = rebuilt(start, turn_rad, chords_mm=chords_mm)
        points, radius, radius_sd = _checked(points, radius_mm, radius_sd_mm, spacing_mm)
        s = np.arange(len(points), dtype=np.float64) * spacing_mm
        t, n1, n2 = frames[..., 0], frames[..., 1], frames[..., 2]
        return cls(s, points, radius, radius_sd, t, n1, n2, curvature, spacing_mm)

    @property
    def length_mm(self) -> float:
        """Return the length along the path [mm]."""
        return float(self.s_mm[-1])

    @property
    def total_bend_rad(self) -> float:
        """Return the whole turning from end to end [rad]."""
        return float(self._bend_from_start_rad()[-1])

    @property
    def torsion_per_mm(self) -> FloatArray:
        """Return how fast the bending plane turns [rad/mm], shape (n,); NaN where the path is straight."""
        k1, k2 = self.curvature_per_mm.T
        squared = k1**2 + k2**2
        turning = k1 * np.gradient(k2, self.spacing_mm) - k2 * np.gradient(k1, self.spacing_mm)
        straight = squared < _STRAIGHT_PER_MM**2
        return np.where(straight, np.nan, turning / np.where(straight, 1.0, squared))

    def _bend_from_start_rad(self) -> FloatArray:
        k = np.hypot(self.curvature_per_mm[:, 0], self.curvature_per_mm[:, 1])
        return np.concatenate([[0.0], np.cumsum(0.5 * (k[1:] + k[:-1]) * self.spacing_mm)])

    def bend_rad(self, from_mm: float, to_mm: float) -> float:
        """Return the turning between two places.

        Parameters
        ----------
        from_mm, to_mm : float
            Places on the path [mm], `from_mm` not beyond `to_mm`.

        Returns
        -------
        float
            Integral of the curvature's size [rad]; curvature is linear between nodes.

        Raises
        ------
        InputError
            A place off the path, or the two out of order.
        """
        self._check_on_path(from_mm, "from_mm")
        self._check_on_path(to_mm, "to_mm")
        if from_mm > to_mm:
            raise InputError(
                "a stretch runs away from the ostium",
                field="to_mm",
                value=to_mm,
                allowed=f"from {from_mm:g} mm",
            )
        k = np.hypot(self.curvature_per_mm[:, 0], self.curvature_per_mm[:, 1])
        total = self._bend_from_start_rad()
        h = self.spacing_mm

        def upto_rad(at_mm: float) -> float:
            i = min(max(int(at_mm / h), 0), len(k) - 2)
            x = min(max(at_mm - i * h, 0.0), h)
            return float(total[i] + x * (k[i] + 0.5 * x * (k[i + 1] - k[i]) / h))

        return upto_rad(to_mm) - upto_rad(from_mm)

    def radius_at_mm(self, s_mm: ArrayLike) -> FloatArray:
        """Return the lumen radius [mm] at places on the path [mm], any shape; NaN off the path."""
        at = np.asarray(s_mm, dtype=np.float64)
        return np.asarray(np.interp(at, self.s_mm, self.radius_mm, left=np.nan, right=np.nan))

    def with_errors(self, *, curvature_factor: float = 1.0, radius_shift_sd: float = 0.0) -> LumenPath:
        """Return the path as it would be if the measurement were off.

        Parameters
        ----------
        curvature_factor : float
            Every turn is multiplied by it, zero or more; the start, its direction and the length stay.
        radius_shift_sd : float
            The lumen radius is moved by so many of its standard deviations, not below 0.1 mm.

        Returns
        -------
        LumenPath
            The changed path; itself for a factor of one and no shift.

        Raises
        ------
        InputError
            A factor that is negative or not finite, or that turns a node right round.
        """
        radius = np.maximum(self.radius_mm + radius_shift_sd * self.radius_sd_mm, SMALLEST_RADIUS_MM)
        turn_rad = self.curvature_per_mm * self.spacing_mm
        largest = float(np.max(np.hypot(turn_rad[:, 0], turn_rad[:, 1])))
        if not 0.0 <= curvature_factor * largest < np.pi or not np.isfinite(curvature_factor):
            raise InputError(
                "the turns cannot be scaled so",
                field="curvature_factor",
                value=curvature_factor,
                allowed=f"0 to {np.pi / max(largest, 1e-12):.3g}",
            )
        start = np.stack([self.tangents[0], self.normals1[0], self.normals2[0]], axis=1)
        points, frames = rebuilt(
            start, curvature_factor * turn_rad, chords_mm=self._chord_lengths_mm(curvature_factor)
        )
        return LumenPath(
            self.s_mm,
            self.points_mm[0] + points,
            radius,
            self.radius_sd_mm,
            frames[..., 0],
            frames[..., 1],
            frames[..., 2],
            self.curvature_per_mm * curvature_factor,
            self.spacing_mm,
        )

    def _chord_lengths_mm(self, curvature_factor: float) -> FloatArray:
        """Return chord lengths [mm] for scaled turns: the spacing along the curve stays, chords shorten."""
        length = np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1)
        mean = 0.5 * (self.curvature_per_mm[1:] + self.curvature_per_mm[:-1])
        half = 0.5 * self.spacing_mm * np.hypot(mean[:, 0], mean[:, 1])
        shortening = np.sinc(curvature_factor * half / np.pi) / np.sinc(half / np.pi)
        return np.asarray(length * shortening)

    def starting_at(self, seat_mm: float) -> LumenPath:
        """Return the path from `seat_mm` on, with s = 0 there.

        Parameters
        ----------
        seat_mm : float
            Where the path is to start [mm]; at least two spacings must be left.

        Returns
        -------
        LumenPath
            The rest of the path. Between nodes the curve is the cubic through nodes and tangents, and what is
            left over at the far end (less than one spacing) is dropped.

        Raises
        ------
        InputError
            The seat is off the path or leaves too little of it.
        """
        h = self.spacing_mm
        if not 0.0 <= seat_mm <= self.length_mm - 2.0 * h:
            raise InputError(
                "too little of the path is left beyond the seat",
                field="seat_mm",
                value=seat_mm,
                allowed=f"0 to {self.length_mm - 2.0 * h:g} mm",
            )
        node = round(seat_mm / h)
        if abs(seat_mm - node * h) <= _ON_NODE * h:
            return self._slice(node, len(self.s_mm))
        s = seat_mm + h * np.arange(int((self.length_mm - seat_mm) / h + _ON_NODE) + 1)
        i = np.minimum((s / h).astype(int), len(self.s_mm) - 2)
        points = _between_nodes(self, i, s / h - i)
        return LumenPath.through(
            points,
            np.interp(s, self.s_mm, self.radius_mm),
            radius_sd_mm=np.interp(s, self.s_mm, self.radius_sd_mm),
            spacing_mm=h,
        )

    def split(self, at_mm: float) -> tuple[LumenPath, LumenPath]:
        """Return the path before and after a place.

        Parameters
        ----------
        at_mm : float
            Where to split [mm]; the nearest node is taken and belongs to both parts.

        Returns
        -------
        tuple of LumenPath
            The two parts; `joined` makes the same path of them.

        Raises
        ------
        InputError
            A part would have fewer than three nodes.
        """
        node = round(at_mm / self.spacing_mm) if np.isfinite(at_mm) else -1
        if not 2 <= node <= len(self.s_mm) - 3:
            raise InputError(
                "each part of a split path needs two spacings",
                field="at_mm",
                value=at_mm,
                allowed=f"{2 * self.spacing_mm:g} to {self.length_mm - 2 * self.spacing_mm:g} mm",
            )
        return self._slice(0, node + 1), self._slice(node, len(self.s_mm))

    def _slice(self, start: int, stop: int) -> LumenPath:
        part = slice(start, stop)
        return LumenPath(
            np.arange(stop - start, dtype=np.float64) * self.spacing_mm,
            self.points_mm[part],
            self.radius_mm[part],
            self.radius_sd_mm[part],
            self.tangents[part],
            self.normals1[part],
            self.normals2[part],
            self.curvature_per_mm[part],
            self.spacing_mm,
        )

    def _check_on_path(self, at_mm: float, field: str) -> None:
        if not -1e-9 <= at_mm <= self.length_mm + 1e-9:
            raise InputError(
                "the place is not on the path",
                field=field,
                value=at_mm,
                allowed=f"0 to {self.length_mm:g} mm",
            )


def joined(a: LumenPath, b: LumenPath) -> LumenPath:
    """Return one path of two, the second moved so that its start frame lies on the first one's end frame.

    Parameters
    ----------
    a, b : LumenPath
        The paths, of the same spacing.

    Returns
    -------
    LumenPath
        The joined path; the radius at the joint is the mean of the two.

    Raises
    ------
    InputError
        The spacings differ.
    """
    if abs(a.spacing_mm - b.spacing_mm) > 1e-12:
        raise InputError(
            "paths to be joined need one spacing",
            field="spacing_mm",
            value=b.spacing_mm,
            allowed=f"{a.spacing_mm:g} mm",
        )
    end = np.stack([a.tangents[-1], a.normals1[-1], a.normals2[-1]], axis=1)
    start = np.stack([b.tangents[0], b.normals1[0], b.normals2[0]], axis=1)
    rotation = end @ start.T
    moved = a.points_mm[-1] + (b.points_mm[1:] - b.points_mm[0]) @ rotation.T
    joint, joint_sd = 0.5 * (a.radius_mm[-1] + b.radius_mm[0]), 0.5 * (a.radius_sd_mm[-1] + b.radius_sd_mm[0])
    return LumenPath.through(
        np.concatenate([a.points_mm, moved]),
        np.concatenate([a.radius_mm[:-1], [joint], b.radius_mm[1:]]),
        radius_sd_mm=np.concatenate([a.radius_sd_mm[:-1], [joint_sd], b.radius_sd_mm[1:]]),
        spacing_mm=a.spacing_mm,
        start_tangent=a.tangents[0],
        start_normal=a.normals1[0],
        end_tangent=rotation @ b.tangents[-1],
    )


def _checked(
    points_mm: ArrayLike, radius_mm: ArrayLike, radius_sd_mm: ArrayLike, spacing_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 3:
        raise InputError(
            "a path needs nodes in space",
            field="points_mm",
            value=points.shape,
            allowed="shape (3 or more, 3)",
        )
    radius = np.array(np.broadcast_to(np.asarray(radius_mm, dtype=np.float64), points.shape[:1]))
    radius_sd = np.array(np.broadcast_to(np.asarray(radius_sd_mm, dtype=np.float64), points.shape[:1]))
    if not (np.isfinite(points).all() and np.isfinite(spacing_mm) and spacing_mm > 0.0):
        raise InputError(
            "a path needs finite nodes and a positive spacing", field="points_mm", allowed="finite"
        )
    if not (np.isfinite(radius).all() and (radius > 0.0).all()):
        raise InputError(
            "the lumen radius must be positive", field="radius_mm", value=radius.min(), allowed="above 0 mm"
        )
    if not (np.isfinite(radius_sd).all() and (radius_sd >= 0.0).all()):
        raise InputError(
            "an error cannot be negative", field="radius_sd_mm", value=radius_sd.min(), allowed="0 mm or more"
        )
    return points, radius, radius_sd


def _between_nodes(path: LumenPath, node: NDArray[np.intp], share: FloatArray) -> FloatArray:
    """Return points a share of a spacing beyond nodes, on the cubic through nodes and tangents."""
    x = share[:, None]
    p, q = path.points_mm[node], path.points_mm[node + 1]
    u, v = path.spacing_mm * path.tangents[node], path.spacing_mm * path.tangents[node + 1]
    return np.asarray(
        (1.0 + 2.0 * x) * (1.0 - x) ** 2 * p
        + x * (1.0 - x) ** 2 * u
        + x**2 * (3.0 - 2.0 * x) * q
        + x**2 * (x - 1.0) * v
    )
