"""The rod's elements: bending and twist between neighbouring frames, stretch and shear of an edge.

A rod is a chain of nodes x_0 .. x_n in space and of frames on its edges, kept as unit quaternions (w, x, y, z) whose third axis runs
along the rod. Frames turn by small rotations about their own axes. Between two frames the strain is the Gibbs vector of their relative
rotation, g = n tan(angle / 2), so bending and twist per length are 2 g / l: exact for any rotation below half a turn between neighbours.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]

DOFS = 6
"""Unknowns per node and edge: the node's place (3), the turn of the edge that begins there (3)."""
BAND = 8
"""Sub- and superdiagonals: an edge couples its two nodes and its own turn, a joint the turns of two edges."""
STEP = 1e-6
"""Step of the central differences by which an element's stiffness is found [mm and rad]."""


@compiled
def turned(q: FloatArray, turn: FloatArray, out: FloatArray) -> None:
    """Turn a frame about its own axes.

    Parameters
    ----------
    q : ndarray, shape (4,)
        Frame.
    turn : ndarray, shape (3,)
        Rotation vector in the frame's own axes [rad].
    out : ndarray, shape (4,)
        Receives the turned frame.
    """
    angle = np.sqrt(turn[0] ** 2 + turn[1] ** 2 + turn[2] ** 2)
    share = 0.5 if angle < 1e-8 else np.sin(0.5 * angle) / angle
    w, x, y, z = np.cos(0.5 * angle), share * turn[0], share * turn[1], share * turn[2]
    a, b, c, d = q[0], q[1], q[2], q[3]
    out[0] = a * w - b * x - c * y - d * z
    out[1] = a * x + b * w + c * z - d * y
    out[2] = a * y - b * z + c * w + d * x
    out[3] = a * z + b * y - c * x + d * w


@compiled
def joint(
    qa: FloatArray,
    qb: FloatArray,
    rest: FloatArray,
    stiffness_Nmm2: FloatArray,
    length_mm: float,
    out: FloatArray,
) -> float:
    """Return the energy of bending and twist between two frames, and its slopes.

    Parameters
    ----------
    qa, qb : ndarray, shape (4,)
        Frames of the edge before and the edge after.
    rest : ndarray, shape (3,)
        Curvature and twist at rest, 2 g / l [1/mm].
    stiffness_Nmm2 : ndarray, shape (3,)
        Bending about the two cross axes, and twist [N mm2].
    length_mm : float
        Length that belongs to the joint [mm].
    out : ndarray, shape (6,)
        Receives the slopes by the turns of `qa` and `qb` [N mm].

    Returns
    -------
    float
        Energy [N mm].
    """
    w = qa[0] * qb[0] + qa[1] * qb[1] + qa[2] * qb[2] + qa[3] * qb[3]
    gx = (qa[0] * qb[1] - qa[1] * qb[0] - qa[2] * qb[3] + qa[3] * qb[2]) / w
    gy = (qa[0] * qb[2] + qa[1] * qb[3] - qa[2] * qb[0] - qa[3] * qb[1]) / w
    gz = (qa[0] * qb[3] - qa[1] * qb[2] + qa[2] * qb[1] - qa[3] * qb[0]) / w
    per = 2.0 / length_mm
    sx, sy, sz = per * gx - rest[0], per * gy - rest[1], per * gz - rest[2]
    mx, my, mz = stiffness_Nmm2[0] * sx, stiffness_Nmm2[1] * sy, stiffness_Nmm2[2] * sz
    along = gx * mx + gy * my + gz * mz
    # slope by the second turn: (1 + [g]x + g g')' m; by the first: -(1 - [g]x + g g')' m
    cx, cy, cz = my * gz - mz * gy, mz * gx - mx * gz, mx * gy - my * gx
    out[0], out[1], out[2] = -(mx - cx + along * gx), -(my - cy + along * gy), -(mz - cz + along * gz)
    out[3], out[4], out[5] = mx + cx + along * gx, my + cy + along * gy, mz + cz + along * gz
    return float(0.5 * length_mm * (sx * mx + sy * my + sz * mz))


@compiled
def edge(
    xa: FloatArray, xb: FloatArray, q: FloatArray, stiffness_N: FloatArray, length_mm: float, out: FloatArray
) -> float:
    """Return the energy of stretch and shear of an edge, and its slopes.

    Parameters
    ----------
    xa, xb : ndarray, shape (3,)
        Ends [mm].
    q : ndarray, shape (4,)
        Frame.
    stiffness_N : ndarray, shape (3,)
        Shear along the two cross axes, and stretch [N].
    length_mm : float
        Length at rest [mm].
    out : ndarray, shape (9,)
        Receives the slopes by the first end, the turn, and the second end [N, N mm, N].

    Returns
    -------
    float
        Energy [N mm].
    """
    w, x, y, z = q[0], q[1], q[2], q[3]
    r00, r01, r02 = 1.0 - 2.0 * (y * y + z * z), 2.0 * (x * y - w * z), 2.0 * (x * z + w * y)
    r10, r11, r12 = 2.0 * (x * y + w * z), 1.0 - 2.0 * (x * x + z * z), 2.0 * (y * z - w * x)
    r20, r21, r22 = 2.0 * (x * z - w * y), 2.0 * (y * z + w * x), 1.0 - 2.0 * (x * x + y * y)
    dx, dy, dz = (xb[0] - xa[0]) / length_mm, (xb[1] - xa[1]) / length_mm, (xb[2] - xa[2]) / length_mm
    vx = r00 * dx + r10 * dy + r20 * dz
    vy = r01 * dx + r11 * dy + r21 * dz
    vz = r02 * dx + r12 * dy + r22 * dz
    nx, ny, nz = stiffness_N[0] * vx, stiffness_N[1] * vy, stiffness_N[2] * (vz - 1.0)
    fx, fy, fz = (
        r00 * nx + r01 * ny + r02 * nz,
        r10 * nx + r11 * ny + r12 * nz,
        r20 * nx + r21 * ny + r22 * nz,
    )
    out[0], out[1], out[2] = -fx, -fy, -fz
    out[3] = length_mm * (ny * vz - nz * vy)
    out[4] = length_mm * (nz * vx - nx * vz)
    out[5] = length_mm * (nx * vy - ny * vx)
    out[6], out[7], out[8] = fx, fy, fz
    return float(0.5 * length_mm * (nx * vx + ny * vy + nz * (vz - 1.0)))


@compiled
def put(band: FloatArray, row: int, column: int, value: float, free: NDArray[np.bool_]) -> None:
    """Add to a banded matrix in LAPACK's layout, unless row or column is held.

    Parameters
    ----------
    band : ndarray, shape (3 * BAND + 1, n)
        Matrix.
    row, column : int
        Place.
    value : float
        What to add.
    free : ndarray of bool, shape (n,)
        Which unknowns are free.
    """
    if free[row] and free[column]:
        band[2 * BAND + row - column, column] += value


@compiled
def elastic(
    x: FloatArray,
    q: FloatArray,
    base_frame: FloatArray,
    length_mm: FloatArray,
    rest: FloatArray,
    bending_Nmm2: FloatArray,
    stretch_N: FloatArray,
    free: NDArray[np.bool_],
    slope: FloatArray,
    band: FloatArray,
) -> float:
    """Add the rod's own energy, slopes and stiffness.

    Parameters
    ----------
    x : ndarray, shape (n + 1, 3)
        Nodes [mm].
    q : ndarray, shape (n, 4)
        Frames.
    base_frame : ndarray, shape (4,)
        Fixed frame that the first edge is joined to over half its length.
    length_mm : ndarray, shape (n,)
        Edge lengths at rest.
    rest : ndarray, shape (n, 3)
        Rest curvature and twist of the joint before each edge [1/mm].
    bending_Nmm2, stretch_N : ndarray, shape (n, 3)
        Stiffness of the joint before each edge (zero in row 0: the base is a hinge), and of each edge.
    free : ndarray of bool, shape (6 n + 3,)
        Which unknowns are free.
    slope : ndarray, shape (6 n + 3,)
        Slopes are added here.
    band : ndarray, shape (3 * BAND + 1, 6 n + 3)
        Stiffness is added here.

    Returns
    -------
    float
        Energy [N mm].
    """
    n = q.shape[0]
    total = 0.0
    g, up, down = np.zeros(9), np.zeros(9), np.zeros(9)
    turn, frame, other = np.zeros(3), np.zeros(4), np.zeros(4)
    place = np.zeros((2, 3))
    for j in range(n):
        base = DOFS * j
        total += edge(x[j], x[j + 1], q[j], stretch_N[j], length_mm[j], g)
        for a in range(9):
            slope[base + a] += g[a]
        for b in range(9):
            for side in range(2):
                signed = STEP if side == 0 else -STEP
                into = up if side == 0 else down
                place[0] = x[j]
                place[1] = x[j + 1]
                frame[:] = q[j]
                if b < 3:
                    place[0, b] += signed
                elif b < 6:
                    turn[:] = 0.0
                    turn[b - 3] = signed
                    turned(q[j], turn, frame)
                else:
                    place[1, b - 6] += signed
                edge(place[0], place[1], frame, stretch_N[j], length_mm[j], into)
            for a in range(9):
                put(band, base + a, base + b, (up[a] - down[a]) / (2.0 * STEP), free)
        before = base_frame if j == 0 else q[j - 1]
        joined = 0.5 * length_mm[0] if j == 0 else 0.5 * (length_mm[j - 1] + length_mm[j])
        total += joint(before, q[j], rest[j], bending_Nmm2[j], joined, g)
        first = 3 if j == 0 else 0
        for a in range(first, 6):
            slope[base - 3 + a if a < 3 else base + a] += g[a]
        for b in range(first, 6):
            for side in range(2):
                turn[:] = 0.0
                turn[b % 3] = STEP if side == 0 else -STEP
                frame[:] = before
                other[:] = q[j]
                if b < 3:
                    turned(before, turn, frame)
                else:
                    turned(q[j], turn, other)
                joint(frame, other, rest[j], bending_Nmm2[j], joined, up if side == 0 else down)
            column = base - 3 + b if b < 3 else base + b
            for a in range(first, 6):
                row = base - 3 + a if a < 3 else base + a
                put(band, row, column, (up[a] - down[a]) / (2.0 * STEP), free)
    return total
