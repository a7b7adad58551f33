"""One equilibrium at one load: Newton, stability, descent, and the tangent to the next load.

A state is accepted where Newton converges to a stable shape: the shape's Hessian at the converged push is positive definite. Notation
as in `elastic`.
"""

from __future__ import annotations

import numpy as np

from backstay.core.mechanics.banded import BAND, factor, ldl, sign, solve
from backstay.core.mechanics.compiled import compiled, inlined
from backstay.core.mechanics.coupled import assemble, rod_direction
from backstay.core.mechanics.elastic import FloatArray, Load, Tube, Work, lay_assembly, lay_edges, off_centre

STEP_TOLERANCE_MM = 1e-4
STRAYING_MM = 0.05
"""Newton gives up early only while it strays this far: contact that moves along the wire node by node takes many small steps."""
NEUTRAL_N_PER_MM = 1e-8
"""Stiffness below which a direction counts as neutral, not unstable: a buckled rod turns freely in a straight round tube."""
LARGEST_STEP_MM = 0.4
OUTSIDE_MM = 4.0
"""A shape that lies this far into or beyond the wall has left the vessel."""
ASIDE_MM = 1e-3
FIRST_SPRING_N_PER_MM = 0.1
WEAKEST_SPRING_N_PER_MM = 1e-5
ASTRAY_MM = 2.0
"""A descent's step this long means a spring too weak; it is cut to `LONGEST_DESCENT_MM`, and below `NEARLY_MM` needs no spring."""
LONGEST_DESCENT_MM = 1.0
NEARLY_MM = 0.02
LARGEST_TURN_RAD = 0.15
DESCENTS = 100
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
        rho = off_centre(w, i)
        if not (rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0) < OUTSIDE_MM):
            return -1
    if sign(work.matrix, work.pivots, 3 * (m + 1)) < 0:
        return -1
    count = ldl(work.hessian, work.diagonal, 2 * (m + 1), NEUTRAL_N_PER_MM)
    return count if count <= most else -1


@compiled
def descend(
    tube: Tube,
    load: Load,
    w: FloatArray,
    q: FloatArray,
    m: int,
    lesion_N: float,
    work: Work,
    most: int,
    spring_N_per_mm: float,
) -> int:
    """Come to rest at a fixed load from far away, every node held where it is by a spring that gives way.

    Newton's step from a straight start is many times the lumen: nothing touches the wall yet. The spring [@levenberg1944] keeps the step
    inside it, and grows again where a step would still go astray or the shape is not stable: the way is downhill.

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
        Work arrays; left as `negatives` leaves them.
    most : int
        As in `negatives`.
    spring_N_per_mm : float
        Spring to begin with: 0 where the shape is near rest or about to give way, `FIRST_SPRING_N_PER_MM` far from rest.

    Returns
    -------
    int
        As `negatives`: -1 where it leaves the vessel or finds no rest.
    """
    size = 3 * (m + 1)
    spring, before, pace = spring_N_per_mm, np.inf, 1.0
    for _ in range(DESCENTS):
        lay_edges(tube, w, m, work)
        lay_assembly(tube, load, m, work)
        assemble(tube, load, w, q, m, lesion_N, work, True)
        _hold(work.matrix, m, spring + NEUTRAL_N_PER_MM)
        if not factor(work.matrix, work.pivots, size):
            return -1
        x = work.residual
        solve(work.matrix, work.pivots, x, size)
        largest = 0.0
        for i in range(m + 1):
            largest = max(largest, abs(x[3 * i]), abs(x[3 * i + 1]))
        count = ldl(work.hessian, work.diagonal, 2 * (m + 1), spring + NEUTRAL_N_PER_MM)
        if not (largest < ASTRAY_MM and count <= most and sign(work.matrix, work.pivots, size) > 0):
            spring = max(spring, WEAKEST_SPRING_N_PER_MM) * min(max(largest / ASTRAY_MM, 4.0), 100.0)
            continue
        if spring == 0.0:  # contact that switches on and off in turn is met by shorter steps
            pace = max(0.5 * pace, 0.02) if largest > 0.7 * before else min(2.0 * pace, 1.0)
            before = largest
        turn = 1e-30
        for i in range(m):  # an edge that turns far in one step may fold
            turn = max(
                turn, np.hypot(x[3 * i + 3] - x[3 * i], x[3 * i + 4] - x[3 * i + 1]) / work.length_mm[i]
            )
        scale = pace * min(1.0, LONGEST_DESCENT_MM / max(largest, 1e-30), LARGEST_TURN_RAD / turn)
        for i in range(m + 1):
            w[i, 0] -= scale * x[3 * i]
            w[i, 1] -= scale * x[3 * i + 1]
            if i < m:
                q[i] -= scale * x[3 * i + 2]
            if not off_centre(w, i) < tube.lumen_mm[i] + OUTSIDE_MM:
                return -1
        if largest < STEP_TOLERANCE_MM and spring == 0.0:
            return count
        spring *= min(max(largest / ASTRAY_MM, 0.1), 0.5)
        if spring < WEAKEST_SPRING_N_PER_MM or largest < NEARLY_MM:
            spring = 0.0
    if newton(tube, load, w, q, m, lesion_N, work, LONGEST) > 0:
        return negatives(tube, w, m, work, most)
    return -1


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
    """Bring (w, q) to a stable equilibrium at a fixed load: by Newton, and where that fails by descent.

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
        Allow the descent, which may snap to another side of the lumen.

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
        for i in range(m + 1):  # leave a symmetric shape that has become unstable
            w[i, 0] += ASIDE_MM * np.sin(0.7 * i)
            w[i, 1] += ASIDE_MM * np.sin(0.9 * i)
        found = descend(tube, load, w, q, m, lesion_N, work, most, 0.0)
    if found < 0:
        w[:] = kept_w
        q[:] = kept_q
    return found


@compiled
def begin(tube: Tube, load: Load, w: FloatArray, q: FloatArray, m: int, work: Work) -> int:
    """Find the unloaded state: from the guess, else from the centreline down from a stiffer wall.

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
    held = descend(tube, load, w, q, m, 0.0, work, 1, FIRST_SPRING_N_PER_MM)
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
