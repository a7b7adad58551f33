"""The coupled system for shape and push: residual, Newton matrix, and the shape's own Hessian.

Unknowns are ordered (u, v, Q) per node, so the matrix has a band of 7. Energy, notation and conventions as in `elastic` and
docs/model.md.
"""

from __future__ import annotations

import numpy as np

from backstay.core.mechanics.banded import BAND, HALF
from backstay.core.mechanics.compiled import compiled, inlined
from backstay.core.mechanics.elastic import FloatArray, Load, Tube, Work, off_centre, push_terms

CENTRING_N_PER_MM = 0.05
"""Weak hold at the guide's mouth, so that an assembly that touches nothing there has one state."""


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
    _bending_gradient(tube, q, m, work)
    if full:
        dofs = work.dofs
        for i in range(m):
            first = i == 0
            before = tube.entry if first else work.edge[i - 1]
            lb = work.length_mm[i]
            la = lb if first else work.length_mm[i - 1]
            total = lb if first else la + lb
            turn = _project(tube, i, before, la, work.edge[i], lb, dofs)
            two = 2.0 * work.stiffness_Nmm2[i]
            _bending_hessian(tube, i, la, lb, total, turn, two, q[i], dofs, work)
            _push_columns(i, total, turn, two * two * work.jump[i], dofs, work.matrix)
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
def _bending_gradient(tube: Tube, q: FloatArray, m: int, work: Work) -> None:
    """Add the gradient of bending and of the pushes: at each node the change of the force carried along the rod, in its own frame."""
    px, py, pz = 0.0, 0.0, 0.0  # what edge i - 1 carries because of the bend at its rear
    bx, by, bz = 0.0, 0.0, 0.0  # all that edge i - 2 carries
    for i in range(m + 1):
        nx, ny, nz = px, py, pz
        if i < m:
            before = tube.entry if i == 0 else work.edge[i - 1]
            after, lb = work.edge[i], work.length_mm[i]
            la = lb if i == 0 else work.length_mm[i - 1]
            total = lb if i == 0 else la + lb  # at the guide's mouth half a cell bends
            c = before[0] * after[0] + before[1] * after[1] + before[2] * after[2]
            turn = 0.0
            for k in range(3):
                turn += 0.5 * (after[k] - before[k]) ** 2
            f1 = 2.0 * work.stiffness_Nmm2[i] / total
            f2 = f1 * turn / total
            if i > 0:
                g, d = f1 / la, f2 - f1 * c / la
                nx += g * after[0] + d * before[0]
                ny += g * after[1] + d * before[1]
                nz += g * after[2] + d * before[2]
            g, d = f1 / lb, f2 + q[i] - f1 * c / lb
            px = g * before[0] + d * after[0]
            py = g * before[1] + d * after[1]
            pz = g * before[2] + d * after[2]
        if i > 0:
            _force(tube, i - 1, nx - bx, ny - by, nz - bz, work.residual)
        bx, by, bz = nx, ny, nz
    _force(tube, m, -bx, -by, -bz, work.residual)


@inlined
def _force(tube: Tube, i: int, x: float, y: float, z: float, residual: FloatArray) -> None:
    """Add a force at a node, in its own frame."""
    residual[3 * i] += x * tube.normal1[i, 0] + y * tube.normal1[i, 1] + z * tube.normal1[i, 2]
    residual[3 * i + 1] += x * tube.normal2[i, 0] + y * tube.normal2[i, 1] + z * tube.normal2[i, 2]


@inlined
def _project(
    tube: Tube, i: int, before: FloatArray, la: float, after: FloatArray, lb: float, dofs: FloatArray
) -> float:
    """Project the edges before and after node i on the offsets they move with; return 1 - cos of the turn between them.

    `dofs` (10, 6) receives in its first five rows, over the offsets of nodes i - 1, i, i + 1: the edge before, its gradient of the
    cosine, the edge after seen by what moves the edge before, the edge after, its gradient of the cosine; each with the sign with which
    the offset moves the edge. What belongs to the edge before is zero at the guide's mouth, where that edge does not move.
    """
    ax, ay, az = before[0], before[1], before[2]
    bx, by, bz = after[0], after[1], after[2]
    c = ax * bx + ay * by + az * bz
    turn = 0.5 * ((bx - ax) ** 2 + (by - ay) ** 2 + (bz - az) ** 2)
    ra, rb = 1.0 / la, 1.0 / lb
    for p in range(3):
        n = i - 1 + p if i > 0 else max(p - 1, 0)
        for x in range(2):
            frame = tube.normal1 if x == 0 else tube.normal2
            fx, fy, fz = frame[n, 0], frame[n, 1], frame[n, 2]
            pa = fx * ax + fy * ay + fz * az
            pb = fx * bx + fy * by + fz * bz
            sa = 0.0 if i == 0 or p == 2 else (-1.0 if p == 0 else 1.0)
            sb = 0.0 if p == 0 else (-1.0 if p == 1 else 1.0)
            d = 2 * p + x
            dofs[0, d] = sa * pa
            dofs[1, d] = sa * (pb - c * pa) * ra
            dofs[2, d] = sa * pb
            dofs[3, d] = sb * pb
            dofs[4, d] = sb * (pa - c * pb) * rb
    return float(turn)


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
    dofs: FloatArray,
    work: Work,
) -> None:
    """Add the second derivatives of bending at node i and of the push on edge i to the Hessian (its lower band).

    They are five dyads, of `_project`'s rows with the combinations of them written here to rows 5..9 of `dofs`, and a multiple of the
    products of the nodes' frames.
    """
    ra, rb, rt = 1.0 / la, 1.0 / lb, 1.0 / total
    c, rt2 = 1.0 - turn, rt * rt
    mix_a, mix_b = two * (ra * rt + rt2), two * (rb * rt + rt2)
    same_a = two * (c * ra * ra * rt - turn * ra * rt2)
    same_b = two * (c * rb * rb * rt - turn * rb * rt2)
    both = two * 2.0 * turn * rt2 * rt
    dyad_a, dyad_b = both - same_a, both - same_b
    same_b -= push_N * rb
    dyad_b += push_N * rb
    cross = two * ra * rb * rt
    later = two * rt2
    for d in range(6):
        a, ga, b_a, b, gb = dofs[0, d], dofs[1, d], dofs[2, d], dofs[3, d], dofs[4, d]
        dofs[5, d] = mix_a * ga + dyad_a * a + mix_a * gb + both * b
        dofs[6, d] = mix_a * a + later * b
        dofs[7, d] = cross * b
        dofs[8, d] = mix_b * gb + dyad_b * b + both * a + later * ga + cross * b_a
        dofs[9, d] = mix_b * b + mix_a * a
    low = 2 if i == 0 else 0
    for r in range(low, 6):
        row = work.hessian[2 * i - 2 + r]
        x1, x2, x3, x4, x5 = dofs[5, r], dofs[6, r], dofs[7, r], dofs[8, r], dofs[9, r]
        for k in range(low, r + 1):
            row[HALF - r + k] += (
                dofs[0, k] * x1 + dofs[1, k] * x2 + dofs[2, k] * x3 + dofs[3, k] * x4 + dofs[4, k] * x5
            )
    _same(tube, work.hessian, i + 1, 0, same_b)
    if i == 0:
        _same(tube, work.hessian, 0, 0, same_b)
        _same(tube, work.hessian, 0, 1, -same_b)
    else:
        _same(tube, work.hessian, i, 0, same_a + same_b + 2.0 * cross)
        _same(tube, work.hessian, i, 1, -same_b - cross)
        _same(tube, work.hessian, i - 1, 0, same_a)
        _same(tube, work.hessian, i - 1, 1, -same_a - cross)
        _same(tube, work.hessian, i - 1, 2, cross)


@inlined
def _same(tube: Tube, hessian: FloatArray, n: int, ahead: int, value: float) -> None:
    """Add a multiple of the products of two nodes' frames to the Hessian: node n's with those of the node so many ahead."""
    for y in range(2):
        for x in range(2 if ahead > 0 else y + 1):
            hessian[2 * (n + ahead) + y, HALF - 2 * ahead + x - y] += value * tube.frames[n, ahead, x, y]


@inlined
def _push_columns(i: int, total: float, turn: float, m2: float, dofs: FloatArray, matrix: FloatArray) -> None:
    """Add how the residual follows the push on edge i, and how edge i - 1's push follows the turn at node i."""
    for x in range(2):
        matrix[3 * i + x, 2 - x + BAND] -= dofs[3, 2 + x]
        matrix[3 * i + 3 + x, -1 - x + BAND] -= dofs[3, 4 + x]
    if i == 0:
        return
    f1, f2 = m2 / (total * total), 2.0 * m2 * turn / total**3
    row = matrix[3 * i - 1]
    for d in range(6):
        row[BAND - 2 + 3 * (d // 2) + d % 2] += f1 * (dofs[1, d] + dofs[4, d]) + f2 * (
            dofs[0, d] + dofs[3, d]
        )


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
        rho = off_centre(w, i)
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
        rho = off_centre(w, i)
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
