"""The space the guide lies in: tubes of straight pieces and arcs, joined with a rounded rim, as a distance from its wall.

A tube is a run of pieces with a radius that varies linearly along each. The lumen is the union of the tubes; where one opens into another
the rim is rounded. The distance is exact in one tube away from rims.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

FIELDS = 13
"""Numbers per piece: start (3), direction (3), inward normal (3), curvature [1/mm], length [mm], radius at both ends [mm]."""


@dataclass(frozen=True)
class Lumen:
    """Tubes joined into one space.

    Attributes
    ----------
    pieces : ndarray, shape (n, FIELDS)
        Pieces of every tube, one tube after another.
    tube : ndarray of int, shape (n,)
        Tube of each piece.
    rim_mm : float
        Radius that the rims between tubes are rounded with.
    """

    pieces: FloatArray
    tube: IntArray
    rim_mm: float


class Course:
    """A tube's centreline, laid piece by piece in space."""

    def __init__(self, start: FloatArray, direction: FloatArray, normal: FloatArray) -> None:
        self.place, self.direction, self.normal = (
            np.array(v, dtype=float) for v in (start, direction, normal)
        )
        self.rows: list[FloatArray] = []

    def straight(self, length_mm: float, radii_mm: tuple[float, float]) -> Course:
        """Add a straight piece; returns the course."""
        self._add(0.0, length_mm, radii_mm)
        self.place = self.place + length_mm * self.direction
        return self

    def bend(self, angle_rad: float, radius_mm: float, radii_mm: tuple[float, float]) -> Course:
        """Add an arc that turns towards the normal (negative: away from it); returns the course."""
        side = 1.0 if angle_rad >= 0.0 else -1.0
        inward, angle = side * self.normal, abs(angle_rad)
        kept, self.normal = self.normal, inward
        self._add(1.0 / radius_mm, radius_mm * angle, radii_mm)
        self.normal = kept
        c, s = np.cos(angle), np.sin(angle)
        t, u = self.direction, inward
        self.place = self.place + radius_mm * (s * t + (1.0 - c) * u)
        self.direction = c * t + s * u
        self.normal = side * (c * u - s * t)
        return self

    def _add(self, curvature_per_mm: float, length_mm: float, radii_mm: tuple[float, float]) -> None:
        self.rows.append(
            np.array([*self.place, *self.direction, *self.normal, curvature_per_mm, length_mm, *radii_mm])
        )

    def points(self, spacing_mm: float = 1.0) -> FloatArray:
        """Return points along the course so far [mm], shape (n, 3)."""
        found = []
        for row in self.rows:
            s = np.linspace(0.0, row[10], max(int(row[10] / spacing_mm) + 1, 2))[:, None]
            p, t, u, k = row[0:3], row[3:6], row[6:9], row[9]
            found.append(p + s * t if k == 0.0 else p + (np.sin(k * s) * t + (1 - np.cos(k * s)) * u) / k)
        return np.vstack(found)


def joined(courses: list[Course], *, rim_mm: float) -> Lumen:
    """Return tubes as one lumen.

    Parameters
    ----------
    courses : list of Course
        Tubes.
    rim_mm : float
        Radius of the rims.

    Returns
    -------
    Lumen
        The space.
    """
    pieces = np.array([row for course in courses for row in course.rows])
    tube = np.array([k for k, course in enumerate(courses) for _ in course.rows], dtype=np.int64)
    return Lumen(pieces, tube, rim_mm)


@compiled
def beyond_piece(piece: FloatArray, x: FloatArray, margin_mm: float, out: FloatArray) -> float:
    """Return how far a point lies beyond the wall of one piece, and the direction outwards.

    Parameters
    ----------
    piece : ndarray, shape (FIELDS,)
        The piece.
    x : ndarray, shape (3,)
        Point [mm].
    margin_mm : float
        Radius of what lies there.
    out : ndarray, shape (3,)
        Receives the slope of the distance.

    Returns
    -------
    float
        Distance [mm], negative inside.
    """
    dx, dy, dz = x[0] - piece[0], x[1] - piece[1], x[2] - piece[2]
    k, length = piece[9], piece[10]
    tx, ty, tz = piece[3], piece[4], piece[5]
    along = dx * tx + dy * ty + dz * tz
    cx, cy, cz = tx, ty, tz
    shrink = 1.0
    if k == 0.0:
        s = min(max(along, 0.0), length)
        px, py, pz = dx - s * tx, dy - s * ty, dz - s * tz
        inside = 0.0 < along < length
    else:
        ux, uy, uz = piece[6], piece[7], piece[8]
        up = 1.0 / k - (dx * ux + dy * uy + dz * uz)
        angle = np.arctan2(along, up)
        inside = 0.0 < angle < k * length
        if not inside:
            middle = 0.5 * k * length
            off = (angle - middle + np.pi) % (2.0 * np.pi) - np.pi
            angle = k * length if off > 0.0 else 0.0
        s = angle / k
        c, sn = np.cos(angle), np.sin(angle)
        px = dx - (sn * tx + (1.0 - c) * ux) / k
        py = dy - (sn * ty + (1.0 - c) * uy) / k
        pz = dz - (sn * tz + (1.0 - c) * uz) / k
        cx, cy, cz = c * tx + sn * ux, c * ty + sn * uy, c * tz + sn * uz
        shrink = max(k * np.sqrt(along * along + up * up), 0.05)
    away = np.sqrt(px * px + py * py + pz * pz)
    grade = (piece[12] - piece[11]) / length
    if away > 1e-9:
        out[0], out[1], out[2] = px / away, py / away, pz / away
    else:
        out[0], out[1], out[2] = 0.0, 0.0, 0.0
    if inside:
        out[0] -= grade / shrink * cx
        out[1] -= grade / shrink * cy
        out[2] -= grade / shrink * cz
    return float(away - (piece[11] + grade * s - margin_mm))


@compiled
def beyond(
    pieces: FloatArray,
    tube: NDArray[np.int64],
    rim_mm: float,
    first: int,
    x: FloatArray,
    margin_mm: float,
    out: FloatArray,
) -> float:
    """Return how far a point lies beyond the wall of the lumen, and the direction outwards.

    Parameters
    ----------
    pieces, tube, rim_mm : ndarray, ndarray of int, float
        The lumen's fields.
    first : int
        First piece to look at: 0 for all.
    x : ndarray, shape (3,)
        Point [mm].
    margin_mm : float
        Radius of what lies there.
    out : ndarray, shape (3,)
        Receives the slope of the distance.

    Returns
    -------
    float
        Distance [mm], negative inside.
    """
    total = 1e9
    round_mm = rim_mm + margin_mm
    step = np.zeros(3)
    best = np.zeros(3)
    k = first
    n = len(tube)
    while k < n:
        number = tube[k]
        d = 1e9
        while k < n and tube[k] == number:
            here = beyond_piece(pieces[k], x, margin_mm, step)
            if here < d:
                d = here
                best[:] = step
            k += 1
        if total > 1e8:
            total = d
            out[:] = best
            continue
        low = min(total, d)
        a, b = max(round_mm - total, 0.0), max(round_mm - d, 0.0)
        if low >= round_mm:
            if d < total:
                out[:] = best
            total = low
        else:
            size = np.sqrt(a * a + b * b)
            for i in range(3):
                out[i] = (a * out[i] + b * best[i]) / size
            total = round_mm - size
    return total


@compiled
def press(
    pieces: FloatArray,
    tube: NDArray[np.int64],
    rim_mm: float,
    first: int,
    x: FloatArray,
    was: FloatArray,
    held_N: FloatArray,
    radius_mm: float,
    stiffness_N_per_mm: float,
    friction: float,
    out: FloatArray,
    rubs: FloatArray,
) -> float:
    """Return the force with which the wall pushes a node back, with friction.

    Parameters
    ----------
    pieces, tube, rim_mm : ndarray, ndarray of int, float
        The lumen's fields.
    first : int
        First piece the node can touch.
    x, was : ndarray, shape (3,)
        Place now and at the last state that was accepted [mm].
    held_N : ndarray, shape (3,)
        Friction at that state.
    radius_mm : float
        Radius of the rod.
    stiffness_N_per_mm : float
        Stiffness of wall and bed for this node.
    friction : float
        Coefficient.
    out, rubs : ndarray, shape (3,)
        Receive the whole force and its friction [N].

    Returns
    -------
    float
        Normal force [N].

    Notes
    -----
    Coulomb friction, made regular: before it slips a contact gives way sideways as it does along its normal. Friction is followed from
    one accepted state to the next, so it depends on the way the guide moved.
    """
    normal = np.zeros(3)
    depth = beyond(pieces, tube, rim_mm, first, x, radius_mm, normal)
    out[:] = 0.0
    rubs[:] = 0.0
    if depth <= 0.0:
        return 0.0
    size = np.sqrt(normal[0] ** 2 + normal[1] ** 2 + normal[2] ** 2)
    force = stiffness_N_per_mm * depth
    for i in range(3):
        out[i] = -force * normal[i]
        normal[i] /= max(size, 1e-9)
    if friction > 0.0:
        for i in range(3):
            rubs[i] = held_N[i] - stiffness_N_per_mm * (x[i] - was[i])
        along = rubs[0] * normal[0] + rubs[1] * normal[1] + rubs[2] * normal[2]
        for i in range(3):
            rubs[i] -= along * normal[i]
        pull = np.sqrt(rubs[0] ** 2 + rubs[1] ** 2 + rubs[2] ** 2)
        limit = friction * force
        if pull > limit:
            for i in range(3):
                rubs[i] *= limit / pull
        for i in range(3):
            out[i] += rubs[i]
    return force


def piece_walls(row: FloatArray, step_mm: float = 2.0) -> list[FloatArray]:
    """Return both walls of one piece where the plane z = 0 cuts it.

    Parameters
    ----------
    row : ndarray
        A row of `Lumen.pieces`.
    step_mm : float
        Spacing along the middle, at most.

    Returns
    -------
    list of ndarray, shape (n, 2)
        The wall to the left of the direction, and to the right [mm].
    """
    s = np.linspace(0.0, row[10], max(int(np.ceil(row[10] / step_mm)) + 1, 2))[:, None]
    p, t, u, k = row[0:3], row[3:6], row[6:9], row[9]
    middle = p + s * t if k == 0.0 else p + (np.sin(k * s) * t + (1.0 - np.cos(k * s)) * u) / k
    along = np.repeat(t[None], len(s), 0) if k == 0.0 else np.cos(k * s) * t + np.sin(k * s) * u
    radius = row[11] + (row[12] - row[11]) * s / row[10]
    across = np.stack([-along[:, 1], along[:, 0]], axis=1)
    return [middle[:, :2] + side * radius * across for side in (1.0, -1.0)]
