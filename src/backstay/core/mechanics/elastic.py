"""The elastic curve in a lumen: geometry, energy gradient and Hessian, and the axial transfer, for one depth.

Nodes 0..m of the path carry the offset w = (u, v) of the assembly's axis in the path's rotation-minimising frame; edge i runs from
node i to node i + 1 and carries the push Q_i. Unknowns are ordered (u, v, Q) per node, so the coupled Newton matrix has a band of 7.
The energy, its assumptions and every convention are written out in docs/model.md.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.banded import BAND, HALF
from backstay.core.mechanics.compiled import compiled, inlined

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

SAMPLES = 4
"""Places inside a node's cell at which the assembly's compliance and radius are averaged."""


class Tube(NamedTuple):
    """The vessel as the solver sees it: nodes, frame, lumen, wall.

    `points`, `normal1`, `normal2` (n, 3); `frames` (n, 3, 2, 2) products of node i's normals with those of nodes i, i + 1, i + 2;
    `lumen_mm` (n,) radius; `wall_MPa` (n,) lateral stiffness per path length; `entry` (3,) direction in which the assembly leaves the
    guide; `spacing_mm` node spacing. Made by `tube`.
    """

    points: FloatArray
    normal1: FloatArray
    normal2: FloatArray
    frames: FloatArray
    lumen_mm: FloatArray
    wall_MPa: FloatArray
    entry: FloatArray
    spacing_mm: float


class Load(NamedTuple):
    """What lies in it, for one place of the device's tip.

    `moving_Nmm2`, `outer_mm` (p,): stiffness of what moves, and radius of the whole bundle, on a grid `step_mm` behind the tip that
    starts one step ahead of it; `static_Nmm2` (n,): stiffness of what does not move (wires, extension) by node; `sleeve_mm` (n,):
    outer radius of an extension covering the node, 0 where there is none; `share` (n,): how the unit load at the lesion is spread;
    `friction`: coefficient of the moving part on the wall; `tip_mm`: place of the tip on the path.
    """

    moving_Nmm2: FloatArray
    outer_mm: FloatArray
    step_mm: float
    static_Nmm2: FloatArray
    sleeve_mm: FloatArray
    share: FloatArray
    friction: float
    tip_mm: float


class Work(NamedTuple):
    """Arrays one thread needs, made by `workspace`."""

    edge: FloatArray
    length: FloatArray
    behind: FloatArray
    stiffness: FloatArray
    jump: FloatArray
    radius: FloatArray
    step: FloatArray
    sliding: FloatArray
    residual: FloatArray
    matrix: FloatArray
    hessian: FloatArray
    pivots: IntArray
    diagonal: FloatArray
    block: FloatArray


def tube(
    points_mm: FloatArray,
    normal1: FloatArray,
    normal2: FloatArray,
    *,
    lumen_mm: FloatArray,
    wall_MPa: FloatArray,
    entry: FloatArray,
    spacing_mm: float,
) -> Tube:
    """Return the vessel in the solver's form; shapes and units as in `Tube`."""
    normals = np.stack([normal1, normal2], axis=1)
    frames = np.zeros((len(points_mm), 3, 2, 2))
    for ahead in range(3):
        count = len(points_mm) - ahead
        frames[:count, ahead] = np.einsum("nxk,nyk->nxy", normals[:count], normals[ahead:])
    return Tube(
        np.ascontiguousarray(points_mm),
        np.ascontiguousarray(normal1),
        np.ascontiguousarray(normal2),
        frames,
        np.ascontiguousarray(lumen_mm),
        np.ascontiguousarray(wall_MPa),
        np.ascontiguousarray(entry),
        float(spacing_mm),
    )


def workspace(nodes: int) -> Work:
    """Return work arrays for up to `nodes` nodes."""
    n = nodes
    return Work(
        edge=np.zeros((n, 3)),
        length=np.zeros(n),
        behind=np.zeros(n),
        stiffness=np.zeros(n),
        jump=np.zeros(n),
        radius=np.zeros(n),
        step=np.zeros(n),
        sliding=np.zeros(n),
        residual=np.zeros(3 * n),
        matrix=np.zeros((3 * n, 3 * BAND + 1)),
        hessian=np.zeros((2 * n, HALF + 1)),
        pivots=np.zeros(3 * n, dtype=np.int64),
        diagonal=np.zeros(2 * n),
        block=np.zeros((4, 3, 2)),
    )


@inlined
def table(values: FloatArray, step: float, behind: float) -> float:
    """Return a profile's value at a distance behind the tip, linear between grid points, constant beyond the ends."""
    x = behind / step + 1.0
    if x <= 0.0:
        return float(values[0])
    k = int(x)
    if k >= values.shape[0] - 1:
        return float(values[-1])
    f = x - k
    return float(values[k] * (1.0 - f) + values[k + 1] * f)


@compiled
def lay_edges(tube: Tube, w: FloatArray, m: int, work: Work) -> None:
    """Compute the rod's edges (unit vectors and lengths) from the offsets `w` (m + 1, 2)."""
    edge, length = work.edge, work.length
    for i in range(m):
        total = 0.0
        for k in range(3):
            e = (
                tube.points[i + 1, k]
                - tube.points[i, k]
                + w[i + 1, 0] * tube.normal1[i + 1, k]
                + w[i + 1, 1] * tube.normal2[i + 1, k]
                - w[i, 0] * tube.normal1[i, k]
                - w[i, 1] * tube.normal2[i, k]
            )
            edge[i, k] = e
            total += e * e
        total = np.sqrt(total)
        length[i] = total
        for k in range(3):
            edge[i, k] /= total


@compiled
def lay_assembly(tube: Tube, load: Load, m: int, work: Work) -> None:
    """Carry the assembly's profile to the nodes by the rod's own arc length, back from the tip.

    Compliance is averaged over each node's cell (exact for a moment continuous across a step in stiffness), the radius likewise; `jump`
    and `step` are their changes across the cell that move with the device.
    """
    h = tube.spacing_mm
    at = load.tip_mm / h
    j = min(int(at), m - 1)
    arc = 0.0
    for i in range(j):
        arc += work.length[i]
    arc += (at - j) * work.length[j]
    for i in range(m + 1):
        work.behind[i] = arc
        if i < m:
            arc -= work.length[i]
    for i in range(m + 1):
        front = work.behind[i] - 0.5 * (work.length[i] if i < m else h)
        rear = work.behind[i] + 0.5 * (work.length[i - 1] if i > 0 else h)
        static = load.static_Nmm2[i]
        compliance, radius = 0.0, 0.0
        for q in range(SAMPLES):
            b = front + (rear - front) * (q + 0.5) / SAMPLES
            compliance += 1.0 / (table(load.moving_Nmm2, load.step_mm, b) + static)
            radius += table(load.outer_mm, load.step_mm, b)
        work.stiffness[i] = SAMPLES / compliance
        soft = 1.0 / (table(load.moving_Nmm2, load.step_mm, front) + static)
        stiff = 1.0 / (table(load.moving_Nmm2, load.step_mm, rear) + static)
        work.jump[i] = soft - stiff
        if load.sleeve_mm[i] > 0.0:
            work.radius[i] = load.sleeve_mm[i]
            work.step[i] = 0.0
            work.sliding[i] = 0.0
        else:
            work.radius[i] = radius / SAMPLES
            work.step[i] = table(load.outer_mm, load.step_mm, rear) - table(load.outer_mm, load.step_mm, front)
            work.sliding[i] = min(max((rear - max(front, 0.0)) / (rear - front), 0.0), 1.0)


@inlined
def push_terms(tube: Tube, load: Load, w: FloatArray, i: int, m: int, lesion_N: float, work: Work) -> tuple[float, float, float, float]:
    """Return what node i adds to the push: friction, material work, radius work, share of the load [N]."""
    k = tube.wall_MPa[i]
    rho = np.hypot(w[i, 0], w[i, 1])
    pen = max(rho - max(tube.lumen_mm[i] - work.radius[i], 0.0), 0.0)
    friction = load.friction * work.sliding[i] * k * pen * tube.spacing_mm
    material = 0.0
    if i < m:
        curvature2 = curvature_squared(tube, i, work)
        material = 0.5 * work.stiffness[i] ** 2 * curvature2 * work.jump[i]
    return friction, material, k * pen * work.step[i], lesion_N * load.share[i]


@inlined
def curvature_squared(tube: Tube, i: int, work: Work) -> float:
    """Return the rod's squared curvature at node i [1/mm2]."""
    s = 0.0
    for k in range(3):
        before = work.edge[i - 1, k] if i > 0 else tube.entry[k]
        s += (work.edge[i, k] - before) ** 2
    total = work.length[i] + (work.length[i - 1] if i > 0 else tube.spacing_mm)
    return float(4.0 * s / (total * total))


@compiled
def pushes(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work) -> None:
    """Compute the push on every edge from the shape, from the free end back to the guide."""
    q[m - 1] = 0.0
    for i in range(m - 1, 0, -1):
        friction, material, step, share = push_terms(tube, load, w, i, m, lesion_N, work)
        q[i - 1] = q[i] + friction + material + step + share


@inlined
def _project(tube: Tube, i: int, a: FloatArray, la: float, b: FloatArray, lb: float, proj: FloatArray) -> float:
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
    """Fill the residual and, when `full`, the coupled matrix and the shape's Hessian at (w, q)."""
    size = m + 1
    work.residual[: 3 * size] = 0.0
    if full:
        work.matrix[: 3 * size] = 0.0
        work.hessian[: 2 * size] = 0.0
    proj = work.block
    for i in range(m):
        first = i == 0
        a = tube.entry if first else work.edge[i - 1]
        la = tube.spacing_mm if first else work.length[i - 1]
        b, lb = work.edge[i], work.length[i]
        turn = _project(tube, i, a, la, b, lb, proj)
        _bending_gradient(i, la + lb, turn, 2.0 * work.stiffness[i], q[i], proj, work.residual)
        if full:
            _bending_hessian(tube, i, la, lb, turn, 2.0 * work.stiffness[i], q[i], proj, work)
            _push_columns(i, la + lb, turn, 4.0 * work.stiffness[i] ** 2 * work.jump[i], proj, work.matrix)
    _wall(tube, load, w, m, work, full)
    for i in range(m + 1):
        row = 3 * i + 2
        value = 0.0
        if i < m - 1:
            friction, material, step, share = push_terms(tube, load, w, i + 1, m, lesion_N, work)
            value = q[i] - q[i + 1] - friction - material - step - share
        elif i == m - 1:
            value = q[i]
        work.residual[row] = value
        if full:
            work.matrix[row, BAND] = 1.0
            if i < m - 1:
                work.matrix[row, BAND + 3] = -1.0


@inlined
def _bending_gradient(
    i: int, total: float, turn: float, two: float, push: float, proj: FloatArray, residual: FloatArray
) -> None:
    """Add the gradient of bending at node i and of the push on edge i."""
    f1, f2 = two / total, two * turn / (total * total)
    for x in range(2):
        if i > 0:
            residual[3 * i - 3 + x] += f1 * proj[2, 0, x] + f2 * proj[0, 0, x]
            residual[3 * i + x] -= f1 * proj[2, 1, x] + f2 * proj[0, 1, x]
        residual[3 * i + x] += f1 * proj[3, 1, x] + (f2 + push) * proj[1, 1, x]
        residual[3 * i + 3 + x] -= f1 * proj[3, 2, x] + (f2 + push) * proj[1, 2, x]


@inlined
def _bending_hessian(
    tube: Tube, i: int, la: float, lb: float, turn: float, two: float, push: float, proj: FloatArray, work: Work
) -> None:
    """Add the second derivatives of bending at node i and of the push on edge i to matrix and Hessian."""
    total = la + lb
    d2, d3 = total * total, total**3
    c = 1.0 - turn
    # coefficients of the dyads; "same" is the identity's, "dyad" belongs to a a^T or b b^T, "mix" to g a^T + a g^T
    mix_a, mix_b = two * (1.0 / (la * total) + 1.0 / d2), two * (1.0 / (lb * total) + 1.0 / d2)
    same_a = two * (c / (la * la * total) - turn / (la * d2))
    same_b = two * (c / (lb * lb * total) - turn / (lb * d2))
    dyad_a, dyad_b = two * 2.0 * turn / d3 - same_a, two * 2.0 * turn / d3 - same_b
    same_b -= push / lb
    dyad_b += push / lb
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
                    work.matrix[3 * n + x, 3 * (o - n) + y - x + BAND] += value
                    if o > n:
                        work.matrix[3 * o + y, 3 * (n - o) + x - y + BAND] += value
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
    for i in range(m + 1):
        u, v = w[i, 0], w[i, 1]
        rho = np.hypot(u, v)
        clear = max(tube.lumen_mm[i] - work.radius[i], 0.0)
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
        work.matrix[r, BAND] += uu
        work.matrix[r, BAND + 1] += uv
        work.matrix[r + 1, BAND - 1] += uv
        work.matrix[r + 1, BAND] += vv
        work.hessian[2 * i, HALF] += uu
        work.hessian[2 * i + 1, HALF] += vv
        work.hessian[2 * i + 1, HALF - 1] += uv
        if i > 0:
            slope = load.friction * work.sliding[i] * k * h + k * work.step[i]
            row_q = 3 * (i - 1) + 2
            work.matrix[row_q, r - row_q + BAND] -= slope * eu
            work.matrix[row_q, r + 1 - row_q + BAND] -= slope * ev


@compiled
def stored_energy(tube: Tube, w: FloatArray, m: int, work: Work) -> float:
    """Return the bending and wall energy [N mm] of the shape last laid with `lay_edges` and `lay_assembly`."""
    total = 0.0
    for i in range(m + 1):
        if i < m:
            span = 0.5 * (work.length[i] + (work.length[i - 1] if i > 0 else tube.spacing_mm))
            total += 0.5 * work.stiffness[i] * curvature_squared(tube, i, work) * span
        rho = np.hypot(w[i, 0], w[i, 1])
        pen = max(rho - max(tube.lumen_mm[i] - work.radius[i], 0.0), 0.0)
        total += 0.5 * tube.wall_MPa[i] * pen * pen * tube.spacing_mm
    return total
