"""One equilibrium at one load: Newton, stability, relaxation, and the tangent to the next load.

A state is accepted where Newton converges to a stable shape: the shape's Hessian at the converged push is positive definite. Notation
as in `elastic`.
"""

from __future__ import annotations

import numpy as np

from backstay.core.mechanics.banded import factor, ldl, ldl_solve, solve
from backstay.core.mechanics.compiled import compiled
from backstay.core.mechanics.coupled import assemble
from backstay.core.mechanics.elastic import FloatArray, Load, Tube, Work, lay_assembly, lay_edges, pushes

STEP_TOLERANCE_MM = 1e-5
STRAYING_MM = 0.05
"""Newton gives up early only while it strays this far: contact that moves along the wire node by node takes many small steps."""
NEUTRAL_N_PER_MM = 1e-8
"""Stiffness below which a direction counts as neutral, not unstable: a buckled rod turns freely in a straight round tube."""
LARGEST_STEP_MM = 0.4
OUTSIDE_MM = 4.0
"""A shape that lies this far into or beyond the wall has left the vessel."""
ASIDE_MM = 1e-3


@compiled
def newton(
    tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, limit: int
) -> int:
    """Solve shape and push together by Newton's method.

    On return `work` holds the factors of the coupled matrix and the shape's Hessian at the last iterate, within the tolerance of the
    state: stability and the tangent of the load march are read from them without assembling again.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w : ndarray, shape (n, 2)
        Offsets to start from [mm]; replaced by the solution.
    q : ndarray, shape (n,)
        Pushes to start from [N]; replaced by the solution.
    m : int
        Last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        Work arrays.
    limit : int
        Most iterations.

    Returns
    -------
    int
        Iterations used; -1 when it does not settle.
    """
    size = 3 * (m + 1)
    before, damping = np.inf, 1.0
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
        if (
            iteration >= 4 and largest > STRAYING_MM
        ):  # contact that switches on and off in turn is met by shorter steps
            damping = max(0.5 * damping, 0.02) if largest > 0.7 * before else min(2.0 * damping, 1.0)
        else:
            damping = 1.0
        scale = damping * min(1.0, LARGEST_STEP_MM / max(largest, 1e-30))
        for i in range(m + 1):
            w[i, 0] -= scale * x[3 * i]
            w[i, 1] -= scale * x[3 * i + 1]
            if i < m:
                q[i] -= scale * x[3 * i + 2]
        if largest < STEP_TOLERANCE_MM and iteration > 0:
            return iteration + 1
        if iteration >= 14 and largest > STRAYING_MM and largest > 0.9 * before:
            return -1
        before = largest
    return -1


@compiled
def is_stable(tube: Tube, w: FloatArray, m: int, work: Work) -> bool:
    """Return whether the Hessian left by `newton` is positive definite and the shape lies in the vessel.

    Parameters
    ----------
    tube : Tube
        The vessel.
    w : ndarray, shape (n, 2)
        Offsets [mm].
    m : int
        Last node.
    work : Work
        As `newton` left it; the Hessian is replaced by its factors.

    Returns
    -------
    bool
        False also where the shape lies `OUTSIDE_MM` or more beyond the wall, or is not a number.
    """
    for i in range(m + 1):
        rho = np.hypot(w[i, 0], w[i, 1])
        if not (rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0) < OUTSIDE_MM):
            return False
    return ldl(work.hessian, work.diagonal, 2 * (m + 1), NEUTRAL_N_PER_MM) == 0


@compiled
def relax(
    tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, limit: int
) -> bool:
    """Move downhill at a fixed load, the push following the shape.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w, q : ndarray, shapes (n, 2) and (n,)
        Offsets [mm] and pushes [N]; moved in place.
    m : int
        Last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        Work arrays.
    limit : int
        Most steps.

    Returns
    -------
    bool
        True when it comes to rest inside the vessel, at a shape whose Hessian needs no damping.
    """
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
def settle(
    tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, lesion_N: float, work: Work, snap: bool
) -> bool:
    """Bring (w, q) to a stable equilibrium at a fixed load: by Newton, and where that fails by relaxation.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w, q : ndarray, shapes (n, 2) and (n,)
        Offsets [mm] and pushes [N]; replaced by the equilibrium, left as they were where there is none.
    m : int
        Last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        Work arrays.
    snap : bool
        Allow relaxation, which may snap to another side of the lumen.

    Returns
    -------
    bool
        Whether a stable equilibrium inside the vessel was found.
    """
    kept_w, kept_q = w.copy(), q.copy()
    if newton(tube, load, w, q, m, lesion_N, work, 60) > 0 and is_stable(tube, w, m, work):
        return True
    w[:] = kept_w
    q[:] = kept_q
    if snap and relax(tube, load, w, q, m, lesion_N, work, 150):
        if newton(tube, load, w, q, m, lesion_N, work, 60) > 0 and is_stable(tube, w, m, work):
            return True
    w[:] = kept_w
    q[:] = kept_q
    return False


@compiled
def begin(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, work: Work) -> bool:
    """Find the unloaded state: from the guess, from the centreline, then down from a stiffer wall.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w, q : ndarray, shapes (n, 2) and (n,)
        Guess of offsets [mm] and pushes [N]; replaced by the state.
    m : int
        Last node.
    work : Work
        Work arrays.

    Returns
    -------
    bool
        Whether the unloaded assembly lies stably in the vessel.
    """
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
            tube.points,
            tube.normal1,
            tube.normal2,
            tube.frames,
            tube.lumen_mm,
            wall,
            tube.entry,
            tube.spacing_mm,
        )
        held = settle(harder, load, w, q, m, 0.0, work, True)
    return held


@compiled
def predict(load: Load, w: FloatArray, q: FloatArray, m: int, step_N: float, work: Work) -> None:
    """Move (w, q) along the tangent by a load step, with the factors that `newton` left.

    Parameters
    ----------
    load : Load
        What lies in the vessel.
    w, q : ndarray, shapes (n, 2) and (n,)
        Offsets [mm] and pushes [N]; moved in place, left as they were where the tangent is not finite.
    m : int
        Last node.
    step_N : float
        Change of the load at the lesion [N].
    work : Work
        As `newton` left it.
    """
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
