"""One equilibrium at one load: Newton, stability, relaxation, and the tangent to the next load.

A state is accepted where Newton converges to a stable shape: the shape's Hessian at the converged push is positive definite. Notation
as in `elastic`.
"""

from __future__ import annotations

import numpy as np

from backstay.core.mechanics.banded import BAND, factor, ldl, sign, solve
from backstay.core.mechanics.compiled import compiled, inlined
from backstay.core.mechanics.coupled import assemble, rod_direction
from backstay.core.mechanics.elastic import FloatArray, Load, Tube, Work, lay_assembly, lay_edges, pushes

STEP_TOLERANCE_MM = 1e-4
STRAYING_MM = 0.05
"""Newton gives up early only while it strays this far: contact that moves along the wire node by node takes many small steps."""
NEUTRAL_N_PER_MM = 1e-8
"""Stiffness below which a direction counts as neutral, not unstable: a buckled rod turns freely in a straight round tube."""
LARGEST_STEP_MM = 0.4
OUTSIDE_MM = 4.0
"""A shape that lies this far into or beyond the wall has left the vessel."""
ASIDE_MM = 1e-3
RELAXATIONS = 150
LONGEST = 60
"""Most Newton iterations where no shorter step is left to try."""


@inlined
def _hold(matrix: FloatArray, m: int, stiffness_N_per_mm: float) -> None:
    """Hold every node in its place by a spring."""
    for i in range(m + 1):
        matrix[3 * i, BAND] += stiffness_N_per_mm
        matrix[3 * i + 1, BAND] += stiffness_N_per_mm


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
        _hold(work.matrix, m, NEUTRAL_N_PER_MM)
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
def negatives(tube: Tube, w: FloatArray, m: int, work: Work, most: int) -> int:
    """Return how many negative directions the Hessian left by `newton` has where the state counts as stable, else -1.

    Friction and load turn with the rod, so the energy's Hessian alone does not decide. The coupled matrix does: its determinant is that
    of the shape's true tangent (the push's block is unit triangular), positive until one direction gives way. Two that give way at once
    leave its sign alone; they show as a jump of the Hessian's count, which may therefore grow only by little at a time.

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
    most : int
        Largest count accepted.

    Returns
    -------
    int
        The count; -1 also where the shape lies `OUTSIDE_MM` or more beyond the wall, or is not a number.
    """
    for i in range(m + 1):
        rho = np.hypot(w[i, 0], w[i, 1])
        if not (rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0) < OUTSIDE_MM):
            return -1
    if sign(work.matrix, work.pivots, 3 * (m + 1)) < 0:
        return -1
    count = ldl(work.hessian, work.diagonal, 2 * (m + 1), NEUTRAL_N_PER_MM)
    return count if count <= most else -1


@compiled
def relax(
    tube: Tube,
    load: Load,
    w: FloatArray,
    q: FloatArray,
    m: int,
    lesion_N: float,
    work: Work,
    most: int,
    limit: int,
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
    most : int
        As in `negatives`.
    limit : int
        Most steps.

    Returns
    -------
    bool
        True when it comes to rest inside the vessel, or wanders too little to leave it: Newton then has the last word.
    """
    size = 3 * (m + 1)
    damping, largest = 0.0, 0.0
    for i in range(m + 1):  # leave a symmetric shape that has become unstable
        w[i, 0] += ASIDE_MM * np.sin(0.7 * i)
        w[i, 1] += ASIDE_MM * np.sin(0.9 * i)
    for iteration in range(limit):
        lay_edges(tube, w, m, work)
        lay_assembly(tube, load, m, work)
        pushes(tube, load, w, q, m, lesion_N, work)
        assemble(tube, load, w, q, m, lesion_N, work, True)
        shift = _downhill(m, work, most, damping)
        if shift < 0.0:
            return False
        damping = 0.1 * shift if shift > 1e-5 else 0.0
        x = work.residual
        solve(work.matrix, work.pivots, x, size)
        largest = 0.0
        for i in range(m + 1):
            largest = max(largest, abs(x[3 * i]), abs(x[3 * i + 1]))
        if not np.isfinite(largest):
            return False
        pace = 0.5 ** (3 * iteration // limit)  # contact that moves to and fro is met by shorter steps
        scale = pace * min(1.0, 0.5 * LARGEST_STEP_MM / max(largest, 1e-30))
        for i in range(m + 1):
            w[i, 0] -= scale * x[3 * i]
            w[i, 1] -= scale * x[3 * i + 1]
            if np.hypot(w[i, 0], w[i, 1]) > tube.lumen_mm[i] + OUTSIDE_MM:
                return False
        if largest < 1e-2 and shift == 0.0:
            return True
    return largest < 0.5 * LARGEST_STEP_MM


@inlined
def _downhill(m: int, work: Work, most: int, shift: float) -> float:
    """Factor the coupled matrix with the least spring tried on every node, from `shift` up, that makes it stable; -1 if none does."""
    size = 3 * (m + 1)
    matrix, hessian = work.matrix[:size].copy(), work.hessian[: 2 * (m + 1)].copy()
    while shift <= 1e4:
        _hold(work.matrix, m, shift + NEUTRAL_N_PER_MM)
        if ldl(work.hessian, work.diagonal, 2 * (m + 1), shift + NEUTRAL_N_PER_MM) <= most:
            if factor(work.matrix, work.pivots, size) and sign(work.matrix, work.pivots, size) > 0:
                return shift
        shift = max(3.0 * shift, 1e-6)
        work.matrix[:size] = matrix
        work.hessian[: 2 * (m + 1)] = hessian
    return -1.0


@compiled
def settle(
    tube: Tube,
    load: Load,
    w: FloatArray,
    q: FloatArray,
    m: int,
    lesion_N: float,
    work: Work,
    most: int,
    limit: int,
    snap: bool,
) -> int:
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
    most : int
        As in `negatives`.
    limit : int
        Most Newton iterations from the guess.
    snap : bool
        Allow relaxation, which may snap to another side of the lumen.

    Returns
    -------
    int
        As `negatives`: -1 where no stable equilibrium inside the vessel was found.
    """
    kept_w, kept_q = w.copy(), q.copy()
    found = -1
    if newton(tube, load, w, q, m, lesion_N, work, limit) > 0:
        found = negatives(tube, w, m, work, most)
    if found < 0 and snap:
        w[:] = kept_w
        q[:] = kept_q
        if relax(tube, load, w, q, m, lesion_N, work, most, RELAXATIONS):
            if newton(tube, load, w, q, m, lesion_N, work, LONGEST) > 0:
                found = negatives(tube, w, m, work, most)
    if found < 0:
        w[:] = kept_w
        q[:] = kept_q
    return found


@compiled
def begin(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, work: Work) -> int:
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
    int
        As `negatives`: -1 where the unloaded assembly does not lie stably in the vessel.
    """
    newton(tube, load, w, q, m, 0.0, work, 40)
    held = settle(tube, load, w, q, m, 0.0, work, 1, LONGEST, False)
    if held >= 0:
        return held
    w[:] = 0.0
    q[:] = 0.0
    held = settle(tube, load, w, q, m, 0.0, work, 1, LONGEST, True)
    if held >= 0:
        return held
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
        held = settle(harder, load, w, q, m, 0.0, work, 1, LONGEST, True)
    return held


@compiled
def tangent(tube: Tube, load: Load, m: int, work: Work) -> float:
    """Leave in `work.residual` how shape and push follow the load, with the factors that `newton` left.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    m : int
        Last node.
    work : Work
        As `newton` left it.

    Returns
    -------
    float
        Squared length of the shape's part [mm2/N2]; its inverse falls in a straight line to zero where the branch of states ends.
    """
    size = 3 * (m + 1)
    x = work.residual
    for i in range(size):
        x[i] = 0.0
    for i in range(1, m):
        share = load.share[i]
        if share == 0.0:
            continue
        tx, ty, tz, _ = rod_direction(work, i)
        n1, n2 = tube.normal1[i], tube.normal2[i]
        x[3 * i - 1] = share
        x[3 * i] = -share * (tx * n1[0] + ty * n1[1] + tz * n1[2])
        x[3 * i + 1] = -share * (tx * n2[0] + ty * n2[1] + tz * n2[2])
    solve(work.matrix, work.pivots, x, size)
    total = 0.0
    for i in range(m + 1):
        total += x[3 * i] ** 2 + x[3 * i + 1] ** 2
    return float(total)


@compiled
def follow(w: FloatArray, q: FloatArray, m: int, step_N: float, work: Work) -> None:
    """Move (w, q) along the tangent left by `tangent`, at most `LARGEST_STEP_MM`.

    Parameters
    ----------
    w, q : ndarray, shapes (n, 2) and (n,)
        Offsets [mm] and pushes [N]; moved in place, left as they were where the tangent is not finite.
    m : int
        Last node.
    step_N : float
        Change of the load at the lesion [N].
    work : Work
        As `tangent` left it.
    """
    x = work.residual
    largest = 0.0
    for i in range(m + 1):
        largest = max(largest, abs(x[3 * i]), abs(x[3 * i + 1]))
    if not np.isfinite(largest):
        return
    scale = min(step_N, LARGEST_STEP_MM / max(largest, 1e-30))
    for i in range(m + 1):
        w[i, 0] += scale * x[3 * i]
        w[i, 1] += scale * x[3 * i + 1]
        if i < m:
            q[i] += scale * x[3 * i + 2]
