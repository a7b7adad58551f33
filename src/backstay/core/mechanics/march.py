"""Newton, relaxation and the load march for one depth: from no load to the highest load the vessel holds.

A state is accepted where Newton converges to a stable shape (the shape's Hessian at the converged push is positive definite). Where it
does not, the load step is halved; at the smallest step the shape is relaxed at that load (a snap to another side of the lumen is found
that way, and the march goes on from there); where that finds nothing either, it is prolapse.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.banded import factor, ldl, ldl_solve, solve
from backstay.core.mechanics.compiled import compiled
from backstay.core.mechanics.elastic import (
    Load,
    Tube,
    Work,
    assemble,
    curvature_squared,
    lay_assembly,
    lay_edges,
    push_terms,
    pushes,
    table,
)

FloatArray = NDArray[np.float64]

STEP_TOLERANCE_MM = 1e-5
LARGEST_STEP_MM = 0.4
OUTSIDE_MM = 4.0
"""A shape that lies this far into or beyond the wall has left the vessel."""
ASIDE_MM = 1e-3
SMALLEST_LOAD_STEP_N = 0.01
SMOOTHING_MM = 3.0
"""Length over which the curvature is averaged before the load between members is taken from it."""

(
    PUSH,
    BENDING,
    FRICTION,
    PULL,
    WIRE_LOAD,
    WIRE_TURN,
    SLEEVE_TURN,
    SLEEVE_LOAD,
    TIP_LOAD,
    TIP_SLOPE,
    EDGE_LOAD,
    EDGE_SLOPE,
) = range(12)
READINGS = 12
"""What is read off a converged state, in this order (see docs/model.md, Readings)."""


@compiled
def newton(
    tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, limit: int
) -> int:
    """Solve shape and push together from (w, q) in place; return iterations, or -1 when it does not settle.

    On return `work` holds the factors of the coupled matrix and the shape's Hessian at the last iterate, within the tolerance of the
    state: stability and the tangent of the load march are read from them without assembling again.
    """
    size = 3 * (m + 1)
    before = np.inf
    for iteration in range(limit):
        lay_edges(tube, w, m, work)
        if iteration < 4:
            lay_assembly(tube, load, m, work)
        assemble(tube, load, w, q, m, lesion_N, work, True)
        if not factor(work.matrix, work.pivots, size):
            return -1
        x = work.residual
        solve(work.matrix, work.pivots, x, size)
        largest = 0.0
        for i in range(m + 1):
            largest = max(largest, abs(x[3 * i]), abs(x[3 * i + 1]))
        if not np.isfinite(largest):
            return -1
        scale = 1.0 if largest <= LARGEST_STEP_MM else LARGEST_STEP_MM / largest
        for i in range(m + 1):
            w[i, 0] -= scale * x[3 * i]
            w[i, 1] -= scale * x[3 * i + 1]
            if i < m:
                q[i] -= scale * x[3 * i + 2]
        if largest < STEP_TOLERANCE_MM and iteration > 0:
            return iteration + 1
        if iteration >= 6 and largest > 0.5 * before:
            return -1
        before = largest
    return -1


@compiled
def is_stable(tube: Tube, w: FloatArray, m: int, work: Work) -> bool:
    """Return whether the Hessian left by `newton` is positive definite and the shape lies in the vessel."""
    for i in range(m + 1):
        rho = np.hypot(w[i, 0], w[i, 1])
        if not (rho - max(tube.lumen_mm[i] - work.radius[i], 0.0) < OUTSIDE_MM):
            return False
    return ldl(work.hessian, work.diagonal, 2 * (m + 1), 0.0) == 0


@compiled
def relax(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, limit: int) -> bool:
    """Move downhill at this load, the push following the shape; True when it comes to rest inside the vessel."""
    size = 2 * (m + 1)
    move = np.empty(size)
    damping = 0.0
    for i in range(m + 1):  # leave a symmetric shape that has become unstable
        w[i, 0] += ASIDE_MM * np.sin(0.7 * i)
        w[i, 1] += ASIDE_MM * np.sin(0.9 * i)
    for _ in range(limit):
        lay_edges(tube, w, m, work)
        lay_assembly(tube, load, m, work)
        pushes(tube, load, w, q, m, lesion_N, work)
        assemble(tube, load, w, q, m, lesion_N, work, True)
        keep = work.hessian[:size].copy()
        shift = damping
        while ldl(work.hessian, work.diagonal, size, shift) > 0:
            shift = max(3.0 * shift, 1e-6)
            work.hessian[:size] = keep
            if shift > 1e4:
                return False
        damping = 0.1 * shift if shift > 1e-5 else 0.0
        for i in range(m + 1):
            move[2 * i] = -work.residual[3 * i]
            move[2 * i + 1] = -work.residual[3 * i + 1]
        ldl_solve(work.hessian, work.diagonal, move, size)
        largest = 0.0
        for i in range(size):
            largest = max(largest, abs(move[i]))
        if not np.isfinite(largest):
            return False
        scale = 1.0 if largest <= 0.2 else 0.2 / largest
        for i in range(m + 1):
            w[i, 0] += scale * move[2 * i]
            w[i, 1] += scale * move[2 * i + 1]
            if np.hypot(w[i, 0], w[i, 1]) > tube.lumen_mm[i] + OUTSIDE_MM:
                return False
        if largest < 1e-2 and shift == 0.0:
            return True
    return False


@compiled
def settle(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, snap: bool) -> bool:
    """Bring (w, q) to a stable equilibrium at this load: Newton, and where that fails relaxation if a `snap` is allowed."""
    kept_w, kept_q = w.copy(), q.copy()
    if newton(tube, load, w, q, m, lesion_N, work, 12) > 0 and is_stable(tube, w, m, work):
        return True
    w[:] = kept_w
    q[:] = kept_q
    if snap and relax(tube, load, w, q, m, lesion_N, work, 150):
        if newton(tube, load, w, q, m, lesion_N, work, 15) > 0 and is_stable(tube, w, m, work):
            return True
    w[:] = kept_w
    q[:] = kept_q
    return False


@compiled
def begin(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, work: Work) -> bool:
    """Find the unloaded state: from the guess, from the centreline, then down from a stiffer wall."""
    newton(tube, load, w, q, m, 0.0, work, 40)
    if settle(tube, load, w, q, m, 0.0, work, False):
        return True
    w[:] = 0.0
    q[:] = 0.0
    if settle(tube, load, w, q, m, 0.0, work, True):
        return True
    w[:] = 0.0
    q[:] = 0.0
    for stiffer in (32.0, 16.0, 8.0, 4.0, 2.0, 1.4, 1.0):
        wall = tube.wall_MPa * stiffer
        harder = Tube(
            tube.points, tube.normal1, tube.normal2, tube.frames, tube.lumen_mm, wall, tube.entry, tube.spacing_mm
        )
        held = settle(harder, load, w, q, m, 0.0, work, True)
    return held


@compiled
def predict(load: Load, w: FloatArray, q: FloatArray, m: int, step_N: float, work: Work) -> None:
    """Move (w, q) along the tangent by a load step, with the factors that `newton` left."""
    size = 3 * (m + 1)
    x = work.residual
    for i in range(size):
        x[i] = 0.0
    for i in range(m - 1):
        x[3 * i + 2] = step_N * load.share[i + 1]
    solve(work.matrix, work.pivots, x, size)
    largest = 0.0
    for i in range(m + 1):
        largest = max(largest, abs(x[3 * i]), abs(x[3 * i + 1]))
    if not np.isfinite(largest):
        return
    scale = 1.0 if largest <= LARGEST_STEP_MM else LARGEST_STEP_MM / largest
    for i in range(m + 1):
        w[i, 0] += scale * x[3 * i]
        w[i, 1] += scale * x[3 * i + 1]
        if i < m:
            q[i] += scale * x[3 * i + 2]


@compiled
def readings(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, wire_Nmm2: FloatArray, nose_mm: float, out: FloatArray) -> None:
    """Read off the converged state: push at the guide and its parts, loads between members, loads on leading edges."""
    lay_edges(tube, w, m, work)
    h = tube.spacing_mm
    out[:] = 0.0
    out[PUSH] = q[0]
    bend = np.zeros((m + 1, 2))
    for i in range(m):
        la = work.length[i - 1] if i > 0 else h
        for k in range(3):
            d = 2.0 * (work.edge[i, k] - (work.edge[i - 1, k] if i > 0 else tube.entry[k])) / (work.length[i] + la)
            bend[i, 0] += d * tube.normal1[i, k]
            bend[i, 1] += d * tube.normal2[i, k]
    half = max(int(round(0.5 * (SMOOTHING_MM / h - 1.0))), 0)
    smooth = np.zeros((m + 1, 2))
    for i in range(m + 1):
        count = 0
        for j in range(max(i - half, 0), min(i + half, m) + 1):
            smooth[i, 0] += bend[j, 0]
            smooth[i, 1] += bend[j, 1]
            count += 1
        smooth[i] /= count
    for i in range(1, m):
        friction, material, step, _ = push_terms(tube, load, w, i, m, lesion_N, work)
        pull = min(friction, load.friction * work.sliding[i] * max(q[i], 0.0) * np.sqrt(curvature_squared(tube, i, work)) * h)
        out[BENDING] += material + step
        out[PULL] += pull
        out[FRICTION] += friction - pull
        b = work.behind[i]
        moving = min(max(b / h + 0.5, 0.0), 1.0)
        turn = np.hypot(smooth[i, 0], smooth[i, 1])
        if moving > 0.0:
            out[WIRE_LOAD] += moving * _second(wire_Nmm2, smooth, i, h)
            out[WIRE_TURN] += moving * turn * h
            if load.sleeve_mm[i] > 0.0:
                out[SLEEVE_TURN] += moving * turn * h
                stiff = table(load.moving_Nmm2, load.step_mm, b)
                out[SLEEVE_LOAD] += moving * stiff * _second(np.ones(m + 1), smooth, i, h)
        rho = np.hypot(w[i, 0], w[i, 1])
        pen = max(rho - max(tube.lumen_mm[i] - work.radius[i], 0.0), 0.0)
        if pen > 0.0 and rho > 0.0:
            force = tube.wall_MPa[i] * pen * h
            slope = 0.0
            for k in range(3):
                slope += work.edge[i, k] * (w[i, 0] * tube.normal1[i, k] + w[i, 1] * tube.normal2[i, k]) / rho
            near_tip = max(0.0, 1.0 - abs(b - 0.5) / 2.0)
            near_edge = max(0.0, 1.0 - abs(b - nose_mm) / 2.0)
            out[TIP_LOAD] += near_tip * force
            out[TIP_SLOPE] += near_tip * force * max(slope, 0.0)
            out[EDGE_LOAD] += near_edge * force
            out[EDGE_SLOPE] += near_edge * force * max(slope, 0.0)
    for load_at in (TIP_LOAD, EDGE_LOAD):
        if out[load_at] > 0.0:
            out[load_at + 1] = np.arcsin(min(out[load_at + 1] / out[load_at], 1.0))


@compiled
def sensitivities(
    tube: Tube,
    load: Load,
    nearby: tuple[tuple[Tube, Load], ...],
    w: FloatArray,
    q: FloatArray,
    m: int,
    lesion_N: float,
    work: Work,
    slopes: FloatArray,
) -> None:
    """Change of the push at the guide for each problem in `nearby`, from the factors that `newton` left (implicit function theorem)."""
    size = 3 * (m + 1)
    lay_edges(tube, w, m, work)
    lay_assembly(tube, load, m, work)
    assemble(tube, load, w, q, m, lesion_N, work, False)
    base = work.residual[:size].copy()
    for k in range(len(nearby)):
        other, moved = nearby[k]
        lay_edges(other, w, m, work)
        lay_assembly(other, moved, m, work)
        assemble(other, moved, w, q, m, lesion_N, work, False)
        for i in range(size):
            work.residual[i] -= base[i]
        solve(work.matrix, work.pivots, work.residual, size)
        slopes[k] = -work.residual[2]


@compiled
def _second(stiffness: FloatArray, bend: FloatArray, i: int, h: float) -> float:
    """Return |(B k)''| times h at node i: the load two members exchange over one cell because they share a bend [N]."""
    total = 0.0
    for x in range(2):
        d = stiffness[i + 1] * bend[i + 1, x] - 2.0 * stiffness[i] * bend[i, x] + stiffness[i - 1] * bend[i - 1, x]
        total += d * d
    return float(np.sqrt(total) / h)


@compiled
def march(
    tube: Tube,
    load: Load,
    wire_Nmm2: FloatArray,
    nose_mm: float,
    levels_N: FloatArray,
    largest_step_N: float,
    search_to_N: float,
    m: int,
    w: FloatArray,
    q: FloatArray,
    work: Work,
    out: FloatArray,
    nearby: tuple[tuple[Tube, Load], ...],
    slopes: FloatArray,
) -> float:
    """March the load through `levels_N` and on to `search_to_N`; return the prolapse load.

    Parameters
    ----------
    tube, load : Tube, Load
        The problem.
    wire_Nmm2 : ndarray, shape (n,)
        Stiffness of the wire the device runs on, by node.
    nose_mm : float
        Distance behind the tip of the working section's front edge.
    levels_N : ndarray, shape (k,)
        Increasing loads at the lesion, from 0, at which the state is read.
    largest_step_N, search_to_N : float
        Largest load step; load beyond which prolapse is of no interest.
    m : int
        Last node used.
    w, q : ndarray, shapes (n, 2) and (n,)
        Starting guess; overwritten with the last stable state.
    work : Work
        Work arrays.
    out : ndarray, shape (k, READINGS)
        Receives the readings; NaN at loads that are not held.
    nearby : tuple of (Tube, Load)
        The problem with one uncertain input moved a little, for each input.
    slopes : ndarray, shape (k, inputs)
        Receives the change of the push at the guide [N] for each of them.

    Returns
    -------
    float
        Highest load held [N] when that is prolapse (0 when not even the unloaded device lies stably); infinity when `search_to_N`
        was reached.
    """
    out[:] = np.nan
    slopes[:] = np.nan
    if not begin(tube, load, w, q, m, work):
        return 0.0
    readings(tube, load, w, q, m, 0.0, work, wire_Nmm2, nose_mm, out[0])
    sensitivities(tube, load, nearby, w, q, m, 0.0, work, slopes[0])
    held, k, fresh = 0.0, 1, True
    step = largest_step_N
    kept_w, kept_q = w.copy(), q.copy()
    while held < search_to_N:
        goal = levels_N[k] if k < levels_N.shape[0] else search_to_N
        trial = min(held + step, goal)
        kept_w[:] = w
        kept_q[:] = q
        snap = step <= 2.0 * SMALLEST_LOAD_STEP_N
        if fresh:
            predict(load, w, q, m, trial - held, work)
        if settle(tube, load, w, q, m, trial, work, snap):
            held, fresh = trial, True
            step = min(2.0 * step, largest_step_N)
            if k < levels_N.shape[0] and held >= levels_N[k]:
                readings(tube, load, w, q, m, held, work, wire_Nmm2, nose_mm, out[k])
                sensitivities(tube, load, nearby, w, q, m, held, work, slopes[k])
                k += 1
        else:
            w[:] = kept_w
            q[:] = kept_q
            fresh = False
            step = 0.5 * min(step, trial - held)
            if snap:
                return held
            step = max(step, SMALLEST_LOAD_STEP_N)
    return np.inf
