"""The coupled system for shape and push: residual, Newton matrix, and the shape's own Hessian.

Unknowns are ordered (u, v, Q) per node, so the matrix has a band of 7. Energy, notation and conventions as in `elastic` and
docs/model.md.
"""

from __future__ import annotations

import numpy as np

from backstay.core.mechanics.banded import BAND, HALF
from backstay.core.mechanics.compiled import compiled, inlined
from backstay.core.mechanics.elastic import FloatArray, Load, Tube, Work, push_terms

CENTRING_N_PER_MM = 0.05
"""Weak hold at the guide's mouth, so that an assembly that touches nothing there has one state."""


@inlined
def _project(
    tube: Tube, i: int, a: FloatArray, la: float, b: FloatArray, lb: float, proj: FloatArray
) -> float:
    """Project edges a, b and the gradients of their cosine into the frames of nodes i - 1, i, i + 1; return 1 - cos.

    `proj` (4, 3, 2) receives a, b, d cos/da, d cos/db by node and frame direction.
    """
    c = a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
    turn = 0.0
    for k in range(3):
        turn += 0.5 * (b[k] - a[k]) ** 2
    for p in range(3):
        n = max(i - 1 + p, 0)
        for x in range(2):
            frame = tube.normal1[n] if x == 0 else tube.normal2[n]
            pa = frame[0] * a[0] + frame[1] * a[1] + frame[2] * a[2]
            pb = frame[0] * b[0] + frame[1] * b[1] + frame[2] * b[2]
            proj[0, p, x] = pa
            proj[1, p, x] = pb
            proj[2, p, x] = (pb - c * pa) / la
            proj[3, p, x] = (pa - c * pb) / lb
    return turn


@compiled
def assemble(
    tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, full: bool
) -> None:
    """Fill the residual and, when `full`, the coupled matrix and the shape's Hessian at (w, q).

    Rows 3 i and 3 i + 1 are the energy's gradient in node i's offset [N], row 3 i + 2 the balance of the push on edge i [N]; the row of
    the last node, which has no edge ahead, only keeps the matrix square.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w : ndarray, shape (n, 2)
        Offsets [mm].
    q : ndarray, shape (n,)
        Pushes [N].
    m : int
        Last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        With the edges and the assembly laid; receives `residual`, `matrix` and `hessian`.
    full : bool
        Fill the matrices too.
    """
    size = m + 1
    work.residual[: 3 * size] = 0.0
    if full:
        work.matrix[: 3 * size] = 0.0
        work.hessian[: 2 * size] = 0.0
    proj = work.block
    for i in range(m):
        first = i == 0
        a = tube.entry if first else work.edge[i - 1]
        b, lb = work.edge[i], work.length_mm[i]
        la = lb if first else work.length_mm[i - 1]
        total = lb if first else la + lb  # at the guide's mouth half a cell bends
        turn = _project(tube, i, a, la, b, lb, proj)
        _bending_gradient(i, total, turn, 2.0 * work.stiffness_Nmm2[i], q[i], proj, work.residual)
        if full:
            _bending_hessian(tube, i, la, lb, total, turn, 2.0 * work.stiffness_Nmm2[i], q[i], proj, work)
            _push_columns(i, total, turn, 4.0 * work.stiffness_Nmm2[i] ** 2 * work.jump[i], proj, work.matrix)
    _wall(tube, load, w, m, work, full)
    if full:
        _spread(m, work)
    for i in range(m + 1):
        row = 3 * i + 2
        value = 0.0
        if i < m - 1:
            friction, material, step, share = push_terms(tube, load, w, i + 1, m, lesion_N, work)
            value = q[i] - q[i + 1] - friction - material - step - share
            if friction + share != 0.0:
                _lateral(tube, load, w, i + 1, friction + share, work, full)
        elif i == m - 1:
            value = q[i]
        work.residual[row] = value
        if full:
            work.matrix[row, BAND] = 1.0
            if i < m - 1:
                work.matrix[row, BAND + 3] = -1.0


@inlined
def _bending_gradient(
    i: int, total: float, turn: float, two: float, push_N: float, proj: FloatArray, residual: FloatArray
) -> None:
    """Add the gradient of bending at node i and of the push on edge i."""
    f1, f2 = two / total, two * turn / (total * total)
    for x in range(2):
        if i > 0:
            residual[3 * i - 3 + x] += f1 * proj[2, 0, x] + f2 * proj[0, 0, x]
            residual[3 * i + x] -= f1 * proj[2, 1, x] + f2 * proj[0, 1, x]
        residual[3 * i + x] += f1 * proj[3, 1, x] + (f2 + push_N) * proj[1, 1, x]
        residual[3 * i + 3 + x] -= f1 * proj[3, 2, x] + (f2 + push_N) * proj[1, 2, x]


@inlined
def _bending_hessian(
    tube: Tube,
    i: int,
    la: float,
    lb: float,
    total: float,
    turn: float,
    two: float,
    push_N: float,
    proj: FloatArray,
    work: Work,
) -> None:
    """Add the second derivatives of bending at node i and of the push on edge i to the Hessian (its lower band)."""
    d2, d3 = total * total, total**3
    c = 1.0 - turn
    # coefficients of the dyads; "same" is the identity's, "dyad" belongs to a a^T or b b^T, "mix" to g a^T + a g^T
    mix_a, mix_b = two * (1.0 / (la * total) + 1.0 / d2), two * (1.0 / (lb * total) + 1.0 / d2)
    same_a = two * (c / (la * la * total) - turn / (la * d2))
    same_b = two * (c / (lb * lb * total) - turn / (lb * d2))
    dyad_a, dyad_b = two * 2.0 * turn / d3 - same_a, two * 2.0 * turn / d3 - same_b
    same_b -= push_N / lb
    dyad_b += push_N / lb
    cross_same = -two / (la * lb * total)
    cross_bb, cross_ab = -cross_same, two * 2.0 * turn / d3
    cross_ag, cross_gb = two * (1.0 / (la * total) + 1.0 / d2), two / d2
    low = 1 if i == 0 else 0
    for s in range(low, 3):
        sa_s = 0.0 if low == 1 or s == 2 else (-1.0 if s == 0 else 1.0)
        sb_s = 0.0 if s == 0 else (-1.0 if s == 1 else 1.0)
        for y in range(2):
            a, ga, b_a = sa_s * proj[0, s, y], sa_s * proj[2, s, y], sa_s * proj[1, s, y]
            b, gb = sb_s * proj[1, s, y], sb_s * proj[3, s, y]
            x1 = mix_a * ga + dyad_a * a + cross_ag * gb + cross_ab * b
            x2 = mix_a * a + cross_gb * b
            x3 = cross_bb * b
            x4 = mix_b * gb + dyad_b * b + cross_ab * a + cross_gb * ga + cross_bb * b_a
            x5 = mix_b * b + cross_ag * a
            o = i - 1 + s
            for p in range(low, s + 1):
                sa_p = 0.0 if low == 1 or p == 2 else (-1.0 if p == 0 else 1.0)
                sb_p = 0.0 if p == 0 else (-1.0 if p == 1 else 1.0)
                n = i - 1 + p
                same = sa_p * sa_s * same_a + sb_p * sb_s * same_b + (sa_p * sb_s + sb_p * sa_s) * cross_same
                for x in range(2):
                    value = sa_p * (proj[0, p, x] * x1 + proj[2, p, x] * x2 + proj[1, p, x] * x3)
                    value += sb_p * (proj[1, p, x] * x4 + proj[3, p, x] * x5)
                    value += same * tube.frames[n, s - p, x, y]
                    if o > n:
                        work.hessian[2 * o + y, 2 * (n - o) + x - y + HALF] += value
                    elif y <= x:
                        work.hessian[2 * n + x, y - x + HALF] += value


@inlined
def _push_columns(i: int, total: float, turn: float, m2: float, proj: FloatArray, matrix: FloatArray) -> None:
    """Add how the residual follows the push on edge i, and how edge i - 1's push follows the turn at node i."""
    for x in range(2):
        matrix[3 * i + x, 2 - x + BAND] += proj[1, 1, x]
        matrix[3 * i + 3 + x, -1 - x + BAND] -= proj[1, 2, x]
    if i == 0:
        return
    row = 3 * i - 1
    f1, f2 = m2 / (total * total), 2.0 * m2 * turn / total**3
    for x in range(2):
        da0 = -f1 * proj[2, 0, x] - f2 * proj[0, 0, x]
        da1 = -f1 * proj[2, 1, x] - f2 * proj[0, 1, x]
        db1 = -f1 * proj[3, 1, x] - f2 * proj[1, 1, x]
        db2 = -f1 * proj[3, 2, x] - f2 * proj[1, 2, x]
        matrix[row, 3 * i - 3 + x - row + BAND] += da0
        matrix[row, 3 * i + x - row + BAND] -= da1 - db1
        matrix[row, 3 * i + 3 + x - row + BAND] -= db2


@inlined
def _wall(tube: Tube, load: Load, w: FloatArray, m: int, work: Work, full: bool) -> None:
    """Add the wall's push on the rod, its stiffness, and how friction follows it."""
    h = tube.spacing_mm
    work.residual[0] += CENTRING_N_PER_MM * w[0, 0]
    work.residual[1] += CENTRING_N_PER_MM * w[0, 1]
    if full:
        for x in range(2):
            work.hessian[x, HALF] += CENTRING_N_PER_MM
    for i in range(m + 1):
        u, v = w[i, 0], w[i, 1]
        rho = np.hypot(u, v)
        clear = max(tube.lumen_mm[i] - work.radius_mm[i], 0.0)
        pen = rho - clear
        if pen <= 0.0 and not (clear == 0.0):
            continue
        k = tube.wall_MPa[i]
        if rho < 1e-12:
            eu, ev, ratio = 1.0, 0.0, 1.0
        else:
            eu, ev, ratio = u / rho, v / rho, pen / rho
        r = 3 * i
        work.residual[r] += k * pen * h * eu
        work.residual[r + 1] += k * pen * h * ev
        if not full:
            continue
        uu = k * h * (eu * eu + ratio * (1.0 - eu * eu))
        vv = k * h * (ev * ev + ratio * (1.0 - ev * ev))
        uv = k * h * (eu * ev * (1.0 - ratio))
        work.hessian[2 * i, HALF] += uu
        work.hessian[2 * i + 1, HALF] += vv
        work.hessian[2 * i + 1, HALF - 1] += uv
        if i > 0:
            slope = load.friction * work.sliding[i] * k * h + k * work.step[i]
            row_q = 3 * (i - 1) + 2
            work.matrix[row_q, r - row_q + BAND] -= slope * eu
            work.matrix[row_q, r + 1 - row_q + BAND] -= slope * ev


@inlined
def _spread(m: int, work: Work) -> None:
    """Copy the Hessian's lower band into both halves of the coupled matrix."""
    for n in range(m + 1):
        for x in range(2):
            row = 2 * n + x
            work.matrix[3 * n + x, BAND] += work.hessian[row, HALF]
            if x == 1:
                value = work.hessian[row, HALF - 1]
                work.matrix[3 * n + 1, BAND - 1] += value
                work.matrix[3 * n, BAND + 1] += value
            for back in range(1, min(n, 2) + 1):
                for y in range(2):
                    value = work.hessian[row, HALF - 2 * back + y - x]
                    work.matrix[3 * n + x, BAND - 3 * back + y - x] += value
                    work.matrix[3 * (n - back) + y, BAND + 3 * back + x - y] += value


@inlined
def rod_direction(work: Work, i: int) -> tuple[float, float, float, float]:
    """Return the rod's direction at an inner node: that of the chord of its two edges.

    Parameters
    ----------
    work : Work
        With the edges laid.
    i : int
        Node, neither the first nor the last.

    Returns
    -------
    x, y, z, chord_mm : float
        Unit direction, and the chord's length [mm].
    """
    la, lb = work.length_mm[i - 1], work.length_mm[i]
    x = la * work.edge[i - 1, 0] + lb * work.edge[i, 0]
    y = la * work.edge[i - 1, 1] + lb * work.edge[i, 1]
    z = la * work.edge[i - 1, 2] + lb * work.edge[i, 2]
    chord = np.sqrt(x * x + y * y + z * z)
    return x / chord, y / chord, z / chord, chord


@inlined
def _lateral(tube: Tube, load: Load, w: FloatArray, i: int, along_N: float, work: Work, full: bool) -> None:
    """Add the lateral part of friction and load at node i, together `along_N`, which act backwards along the rod."""
    tx, ty, tz, chord = rod_direction(work, i)
    for x in range(2):
        frame = tube.normal1[i] if x == 0 else tube.normal2[i]
        along = tx * frame[0] + ty * frame[1] + tz * frame[2]
        row = 3 * i + x
        work.residual[row] += along_N * along
        if not full:
            continue
        rho = np.hypot(w[i, 0], w[i, 1])
        if rho > 1e-12 and rho > tube.lumen_mm[i] - work.radius_mm[i]:
            slope = load.friction * work.sliding[i] * tube.wall_MPa[i] * tube.spacing_mm * along / rho
            work.matrix[row, BAND - x] += slope * w[i, 0]
            work.matrix[row, BAND + 1 - x] += slope * w[i, 1]
        per_mm = along_N / chord
        for y in range(2):
            for n in (i - 1, i + 1):
                other = tube.normal1[n] if y == 0 else tube.normal2[n]
                dot = frame[0] * other[0] + frame[1] * other[1] + frame[2] * other[2]
                ahead = tx * other[0] + ty * other[1] + tz * other[2]
                value = per_mm * (dot - along * ahead) * (n - i)
                work.matrix[row, 3 * (n - i) + y - x + BAND] += value
