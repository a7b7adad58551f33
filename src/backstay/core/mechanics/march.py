"""The load march for one depth: from no load to the highest load the vessel holds, read off on the way.

Where no stable state is found (`equilibrium`) the load step is halved; at the smallest step the shape descends at that load (a snap to
another side of the lumen is found that way, and the march goes on from there); where that finds nothing either, it is prolapse.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.banded import solve
from backstay.core.mechanics.compiled import compiled
from backstay.core.mechanics.coupled import assemble
from backstay.core.mechanics.elastic import (
    Load,
    Tube,
    Work,
    curvature_squared,
    lay_assembly,
    lay_edges,
    off_centre,
    push_terms,
    table,
)
from backstay.core.mechanics.equilibrium import LONGEST, begin, follow, settle, tangent

FloatArray = NDArray[np.float64]

SMALLEST_LOAD_STEP_N = 0.01
MOST_OF_WHAT_IS_LEFT = 0.7
"""Largest step as a share of the load left until the branch of states seems to end."""
SHIFTS = 3
"""Most times the assembly is laid along the moved shape for a sensitivity: the matrix holds it in its place on the path."""
SETTLED = 0.02
"""Change of a sensitivity from one laying to the next, as a share of it, after which another would change about a tenth of that."""
SHORT = 14
"""Most Newton iterations where a shorter load step can still be tried."""
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
def readings(
    tube: Tube,
    load: Load,
    w: FloatArray,
    q: FloatArray,
    m: int,
    lesion_N: float,
    work: Work,
    wire_Nmm2: FloatArray,
    nose_mm: float,
    out: FloatArray,
) -> None:
    """Read off the converged state: push at the guide and its parts, loads between members, loads on leading edges.

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
        With the assembly of the last Newton iteration; the edges are laid again.
    wire_Nmm2 : ndarray, shape (n,)
        Bending stiffness of the wire the device runs on, by node [N mm2].
    nose_mm : float
        Distance behind the tip of the working section's front edge [mm].
    out : ndarray, shape (READINGS,)
        Receives forces [N], turns and slopes [rad], in the order of the names above.

    Notes
    -----
    The pull round bends is the wall load that the push itself makes, Q kappa, times friction, at most the whole wall friction. A leading
    edge (0.5 mm behind the tip; the working section's front edge) gathers the wall loads within 2 mm of it, weighted by a hat; the angle
    there is that whose sine is the load-weighted mean of the sine between rod and wall, where the rod heads outwards.
    """
    lay_edges(tube, w, m, work)
    h = tube.spacing_mm
    out[:] = 0.0
    out[PUSH] = q[0]
    bend = np.zeros((m + 1, 2))
    for i in range(m):
        la = work.length_mm[i - 1] if i > 0 else 0.0
        for k in range(3):
            d = (
                2.0
                * (work.edge[i, k] - (work.edge[i - 1, k] if i > 0 else tube.entry[k]))
                / (work.length_mm[i] + la)
            )
            bend[i, 0] += d * tube.normal1[i, k]
            bend[i, 1] += d * tube.normal2[i, k]
    half = max(round(0.5 * (SMOOTHING_MM / h - 1.0)), 0)
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
        pull = min(
            friction,
            load.friction * work.sliding[i] * max(q[i], 0.0) * np.sqrt(curvature_squared(tube, i, work)) * h,
        )
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
                stiff = table(load.moving_Nmm2, 1.0 / load.step_mm, b)
                out[SLEEVE_LOAD] += moving * stiff * _second(np.ones(m + 1), smooth, i, h)
        rho = off_centre(w, i)
        pen = max(rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0), 0.0)
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
    """Compute how the push at the guide changes from one problem to others nearby, by the implicit function theorem.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    nearby : tuple of (Tube, Load)
        The problem with one uncertain input moved a little, for each input.
    w : ndarray, shape (n, 2)
        Offsets [mm] that solve the problem.
    q : ndarray, shape (n,)
        Pushes [N] that solve it.
    m : int
        Last node.
    lesion_N : float
        Load at the lesion [N].
    work : Work
        With the factors that `newton` left; the assembly laid is replaced.
    slopes : ndarray, shape (inputs,)
        Receives the change of the push at the guide [N], to first order, for each nearby problem.
    """
    size = 3 * (m + 1)
    lay_edges(tube, w, m, work)
    lay_assembly(tube, load, m, work)
    assemble(tube, load, w, q, m, lesion_N, work, False)
    base = work.residual[:size].copy()
    shape = w.copy()
    for k in range(len(nearby)):
        other, moved = nearby[k]
        before = 0.0
        for shift in range(SHIFTS):
            lay_edges(other, w if shift == 0 else shape, m, work)
            lay_assembly(other, moved, m, work)
            if shift > 0:
                lay_edges(other, w, m, work)
            assemble(other, moved, w, q, m, lesion_N, work, False)
            for i in range(size):
                work.residual[i] -= base[i]
            solve(work.matrix, work.pivots, work.residual, size)
            slopes[k] = -work.residual[2]
            if shift > 0 and abs(slopes[k] - before) <= SETTLED * abs(slopes[k]):
                break
            before = slopes[k]
            for i in range(m + 1):
                shape[i, 0] = w[i, 0] - work.residual[3 * i]
                shape[i, 1] = w[i, 1] - work.residual[3 * i + 1]


@compiled
def _second(stiffness_Nmm2: FloatArray, bend: FloatArray, i: int, h: float) -> float:
    """Return |(B k)''| times h at node i: the load two members exchange over one cell because they share a bend [N]."""
    total = 0.0
    for x in range(2):
        d = (
            stiffness_Nmm2[i + 1] * bend[i + 1, x]
            - 2.0 * stiffness_Nmm2[i] * bend[i, x]
            + stiffness_Nmm2[i - 1] * bend[i - 1, x]
        )
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
    negative = begin(tube, load, w, q, m, work)
    if negative < 0:
        return 0.0
    readings(tube, load, w, q, m, 0.0, work, wire_Nmm2, nose_mm, out[0])
    sensitivities(tube, load, nearby, w, q, m, 0.0, work, slopes[0])
    held, k, fresh, step = 0.0, 1, True, largest_step_N
    left, rate_before, held_before = np.inf, 0.0, 0.0
    kept_w, kept_q = w.copy(), q.copy()
    while held < search_to_N:
        goal = levels_N[k] if k < levels_N.shape[0] else search_to_N
        kept_w[:] = w
        kept_q[:] = q
        if fresh:
            rate = tangent(tube, load, m, work)
            rising = held > held_before and rate > rate_before
            left = (held - held_before) * rate_before / (rate - rate_before) if rising else np.inf
            rate_before, held_before = rate, held
        step = max(min(step, MOST_OF_WHAT_IS_LEFT * left), 0.25 * step, SMALLEST_LOAD_STEP_N)
        snap = step <= 2.0 * SMALLEST_LOAD_STEP_N
        trial = goal if goal - held <= (1.0 if snap else 1.3) * step else held + step
        if fresh:
            follow(w, q, m, trial - held, work)
        found = settle(tube, load, w, q, m, trial, work, negative + 1, LONGEST if snap else SHORT, snap)
        if found >= 0:
            negative, held, fresh = found, trial, True
            step = min(2.0 * step, largest_step_N)
            if k < levels_N.shape[0] and held >= levels_N[k]:
                readings(tube, load, w, q, m, held, work, wire_Nmm2, nose_mm, out[k])
                sensitivities(tube, load, nearby, w, q, m, held, work, slopes[k])
                k += 1
            continue
        w[:] = kept_w
        q[:] = kept_q
        if snap:
            return held
        fresh, left = False, np.inf
        step = max(0.5 * min(step, trial - held), SMALLEST_LOAD_STEP_N)
    return np.inf
