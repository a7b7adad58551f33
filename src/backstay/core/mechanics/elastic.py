"""The elastic curve in a lumen, for one depth: geometry, what lies in it, the push along it and the energy stored.

Nodes 0..m of the path carry the offset w = (u, v) of the assembly's axis in the path's rotation-minimising frame; edge i runs from
node i to node i + 1 and carries the push Q_i. The energy, its assumptions and every convention are written out in docs/model.md.

Arguments that return in every loop: `w`, shape (n, 2), offsets [mm]; `q`, shape (n,), pushes on the edges [N]; `m`, the last node
solved for, so that nodes 0..m and edges 0..m - 1 are in use; `work`, the thread's arrays, filled in place.
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
    """Arrays one thread needs, made by `workspace`.

    By edge: `edge` (n, 3) unit directions, `length_mm` (n,). By node, shape (n,): `behind` distance behind the device's tip along the
    rod [mm]; `stiffness_Nmm2` and `radius_mm` of the assembly, averaged over the node's cell; `jump` change of compliance [1/(N mm2)]
    and `step` change of radius [mm] across the cell, front less rear and rear less front, that move with the device; `sliding` share of
    the cell that slides on the wall. `residual` (3 n,), `matrix` (3 n, 3 BAND + 1), `pivots` (3 n, 2): the coupled Newton system in the
    form of `banded.factor`; `hessian` (2 n, HALF + 1), `diagonal` (2 n,): the shape's own, in the form of `banded.ldl`; `dofs`
    (10, 6): scratch for one node's turn.
    """

    edge: FloatArray
    length_mm: FloatArray
    behind: FloatArray
    stiffness_Nmm2: FloatArray
    jump: FloatArray
    radius_mm: FloatArray
    step: FloatArray
    sliding: FloatArray
    residual: FloatArray
    matrix: FloatArray
    hessian: FloatArray
    pivots: IntArray
    diagonal: FloatArray
    dofs: FloatArray


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
    """Return the vessel in the solver's form.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Nodes of the path [mm], one spacing apart.
    normal1, normal2 : ndarray, shape (n, 3)
        Unit normals of the rotation-minimising frame.
    lumen_mm : ndarray, shape (n,)
        Lumen radius [mm].
    wall_MPa : ndarray, shape (n,)
        Lateral stiffness of wall and bed per path length [MPa].
    entry : ndarray, shape (3,)
        Unit direction in which the assembly leaves the guide.
    spacing_mm : float
        Distance between nodes [mm].

    Returns
    -------
    Tube
        The same, contiguous, with the products of neighbouring frames.
    """
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
    """Return work arrays for one thread.

    Parameters
    ----------
    nodes : int
        Largest number of nodes.

    Returns
    -------
    Work
        Arrays of zeros.
    """
    n = nodes
    return Work(
        edge=np.zeros((n, 3)),
        length_mm=np.zeros(n),
        behind=np.zeros(n),
        stiffness_Nmm2=np.zeros(n),
        jump=np.zeros(n),
        radius_mm=np.zeros(n),
        step=np.zeros(n),
        sliding=np.zeros(n),
        residual=np.zeros(3 * n),
        matrix=np.zeros((3 * n, 3 * BAND + 1)),
        hessian=np.zeros((2 * n, HALF + 1)),
        pivots=np.zeros((3 * n, 2), dtype=np.int64),
        diagonal=np.zeros(2 * n),
        dofs=np.zeros((10, 6)),
    )


@inlined
def off_centre(w: FloatArray, i: int) -> float:
    """Return how far a node's offset lies from the centreline.

    Parameters
    ----------
    w : ndarray, shape (n, 2)
        Offsets [mm].
    i : int
        The node.

    Returns
    -------
    float
        Distance [mm].
    """
    return float(np.sqrt(w[i, 0] * w[i, 0] + w[i, 1] * w[i, 1]))


@inlined
def table(values: FloatArray, per_mm: float, behind: float) -> float:
    """Return a profile's value at a distance behind the tip, linear between grid points, constant beyond the ends.

    Parameters
    ----------
    values : ndarray, shape (p,)
        Values on a grid that starts one step ahead of the tip.
    per_mm, behind : float
        Grid points per length [1/mm], and distance behind the tip [mm].

    Returns
    -------
    float
        In the unit of `values`.
    """
    x = behind * per_mm + 1.0
    if x <= 0.0:
        return float(values[0])
    k = int(x)
    if k >= values.shape[0] - 1:
        return float(values[-1])
    f = x - k
    return float(values[k] * (1.0 - f) + values[k + 1] * f)


@compiled
def lay_edges(tube: Tube, w: FloatArray, m: int, work: Work) -> None:
    """Compute the rod's edges from its offsets, into `work.edge` and `work.length_mm`.

    Parameters
    ----------
    tube : Tube
        The vessel.
    w : ndarray, shape (n, 2)
        Offsets [mm].
    m : int
        Last node.
    work : Work
        Receives the edges.
    """
    edge, length = work.edge, work.length_mm
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

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    m : int
        Last node.
    work : Work
        With the edges of `lay_edges`; receives `behind` to `sliding`.
    """
    h, per_mm = tube.spacing_mm, 1.0 / load.step_mm
    at = load.tip_mm / h
    j = min(int(at), m - 1)
    arc = 0.0
    for i in range(j):
        arc += work.length_mm[i]
    arc += (at - j) * work.length_mm[j]
    for i in range(m + 1):
        work.behind[i] = arc
        if i < m:
            arc -= work.length_mm[i]
    for i in range(m + 1):
        front = work.behind[i] - 0.5 * (work.length_mm[i] if i < m else h)
        rear = work.behind[i] + 0.5 * (work.length_mm[i - 1] if i > 0 else h)
        static = load.static_Nmm2[i]
        compliance, radius = 0.0, 0.0
        for q in range(SAMPLES):
            b = front + (rear - front) * (q + 0.5) / SAMPLES
            compliance += 1.0 / (table(load.moving_Nmm2, per_mm, b) + static)
            radius += table(load.outer_mm, per_mm, b)
        work.stiffness_Nmm2[i] = SAMPLES / compliance
        soft = 1.0 / (table(load.moving_Nmm2, per_mm, front) + static)
        stiff = 1.0 / (table(load.moving_Nmm2, per_mm, rear) + static)
        work.jump[i] = soft - stiff
        if load.sleeve_mm[i] > 0.0:
            work.radius_mm[i] = load.sleeve_mm[i]
            work.step[i] = 0.0
            work.sliding[i] = 0.0
        else:
            work.radius_mm[i] = radius / SAMPLES
            work.step[i] = table(load.outer_mm, per_mm, rear) - table(load.outer_mm, per_mm, front)
            work.step[i] *= h / (rear - front)  # the wall's stiffness is per path length
            work.sliding[i] = min(max((rear - max(front, 0.0)) / (rear - front), 0.0), 1.0)


@inlined
def push_terms(
    tube: Tube, load: Load, w: FloatArray, i: int, m: int, lesion_N: float, work: Work
) -> tuple[float, float, float, float]:
    """Return what node i adds to the push.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w : ndarray, shape (n, 2)
        Offsets [mm].
    i, m : int
        The node, and the last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        With the edges and the assembly laid.

    Returns
    -------
    friction, material, step, share : float
        Wall friction; work of the change of stiffness, and of the change of radius, per length moved; share of the load at the lesion [N].
    """
    k = tube.wall_MPa[i]
    rho = off_centre(w, i)
    pen = max(rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0), 0.0)
    friction = load.friction * work.sliding[i] * k * pen * tube.spacing_mm
    material = 0.0
    if i < m:
        curvature2 = curvature_squared(tube, i, work)
        material = 0.5 * work.stiffness_Nmm2[i] ** 2 * curvature2 * work.jump[i]
    return friction, material, k * pen * work.step[i], lesion_N * load.share[i]


@inlined
def curvature_squared(tube: Tube, i: int, work: Work) -> float:
    """Return the rod's squared curvature at a node: the change of direction there over the mean length of its edges.

    Parameters
    ----------
    tube : Tube
        The vessel.
    i : int
        The node, which has an edge ahead of it.
    work : Work
        With the edges laid.

    Returns
    -------
    float
        Squared curvature [1/mm2].
    """
    s = 0.0
    for k in range(3):
        before = work.edge[i - 1, k] if i > 0 else tube.entry[k]
        s += (work.edge[i, k] - before) ** 2
    total = work.length_mm[i] + (work.length_mm[i - 1] if i > 0 else 0.0)
    return float(4.0 * s / (total * total))


@compiled
def stored_energy(tube: Tube, w: FloatArray, m: int, work: Work) -> float:
    """Return the bending and wall energy of the shape last laid with `lay_edges` and `lay_assembly`.

    Parameters
    ----------
    tube : Tube
        The vessel.
    w : ndarray, shape (n, 2)
        Its offsets [mm].
    m : int
        Last node.
    work : Work
        With the edges and the assembly laid.

    Returns
    -------
    float
        Energy [N mm].
    """
    total = 0.0
    for i in range(m + 1):
        if i < m:
            span = 0.5 * (work.length_mm[i] + (work.length_mm[i - 1] if i > 0 else 0.0))
            total += 0.5 * work.stiffness_Nmm2[i] * curvature_squared(tube, i, work) * span
        rho = off_centre(w, i)
        pen = max(rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0), 0.0)
        total += 0.5 * tube.wall_MPa[i] * pen * pen * tube.spacing_mm
    return total
