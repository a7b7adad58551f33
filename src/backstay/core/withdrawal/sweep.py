"""The delivery solver in tension: the same elastic curve, drawn back.

What is drawn back rubs forwards on the wall, and the load at a tight place acts forwards too. The solver takes both as they come: a
negative coefficient of friction, and a negative share of the load. Everything else (bending, wall, the work of bringing a stiffer piece
out of a bend, shape and push solved together) is the delivery's own, so tension lays the assembly on the inner side of bends without a
word here. Q at the guide's tip comes out negative: its size is the pull.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.assembly import (
    NUDGES,
    SHAPE_INPUTS,
    Passage,
    ShapeFactors,
    Vessel,
    nudged,
    prepare,
)
from backstay.core.mechanics.compiled import compiled
from backstay.core.mechanics.crossing import BACK
from backstay.core.mechanics.delivery import Transfer
from backstay.core.mechanics.elastic import Load, Tube, Work, off_centre, table, workspace
from backstay.core.mechanics.equilibrium import LONGEST, begin, follow, settle, tangent
from backstay.core.mechanics.march import (
    EDGE_LOAD,
    EDGE_SLOPE,
    READINGS,
    TIP_LOAD,
    TIP_SLOPE,
    readings,
    sensitivities,
)

FloatArray = NDArray[np.float64]

MOUTH_LOAD, MOUTH_TILT = TIP_LOAD, TIP_SLOPE
REAR_LOAD, REAR_ATTACK = EDGE_LOAD, EDGE_SLOPE
"""Where a leading edge is read on the way in, the mouth and the rear edge are read on the way out."""
LARGEST_STEP_N = 0.5
SMALLEST_STEP_N = 0.01
SHORT = 14
EDGE_REACH_MM = 2.0
"""An edge gathers the wall's load within this distance, weighted by a hat; the tilt at a mouth is read this far beyond it."""


def load_back(vessel: Vessel, tip_mm: float, rear_mm: float) -> Load:
    """Return the assembly with the device's tip at a place, drawn back.

    Parameters
    ----------
    vessel : Vessel
        A passage with its uncertain inputs applied.
    tip_mm : float
        Place of the device's tip [mm].
    rear_mm : float
        Distance behind the tip of the edge that leads on the way out [mm]; a load meets it there where nothing drags.

    Returns
    -------
    Load
        The delivery's, with friction and load turned round.
    """
    going_in = vessel.load(tip_mm)
    share = vessel.load_share(tip_mm, going=BACK, front_mm=rear_mm)
    return going_in._replace(friction=-going_in.friction, share=-share)


@compiled
def edges_back(
    tube: Tube,
    load: Load,
    w: FloatArray,
    q: FloatArray,
    m: int,
    rear_mm: float,
    mouth: int,
    work: Work,
    out: FloatArray,
) -> None:
    """Read off what an edge meets on the way out: the wall's load at the rear edge, and the rim of the mouth it returns into.

    Parameters
    ----------
    tube, load : Tube, Load
        The vessel and what lies in it.
    w : ndarray, shape (n, 2)
        Offsets [mm].
    q : ndarray, shape (n,)
        Pushes [N], negative in tension.
    m : int
        Last node.
    rear_mm : float
        Distance of the rear edge behind the tip [mm].
    mouth : int
        Node of the mouth: 0 for the guide's, else where the extension ends.
    work : Work
        With edges and assembly laid.
    out : ndarray, shape (READINGS,)
        Receives MOUTH_LOAD, REAR_LOAD [N], MOUTH_TILT, REAR_ATTACK [rad].

    Notes
    -----
    The rear edge's attack is the angle whose sine is the load-weighted mean of the sine between rod and wall where the rod, followed
    towards the operator, heads outwards. At the mouth the rod leaves along the mouth's axis; the rim carries the part of its tension
    across that axis and the change of the shaft's own bending moment, T sin + |d(B kappa)/ds|; the tilt is the rod's turn over the first
    2 mm beyond.
    """
    h = tube.spacing_mm
    rear, slope_sum = 0.0, 0.0
    for i in range(1, m):
        rho = off_centre(w, i)
        pen = max(rho - max(tube.lumen_mm[i] - work.radius_mm[i], 0.0), 0.0)
        near = max(0.0, 1.0 - abs(work.behind[i] - rear_mm) / EDGE_REACH_MM)
        if pen <= 0.0 or rho <= 0.0 or near <= 0.0:
            continue
        force = near * tube.wall_MPa[i] * pen * h
        slope = 0.0
        for k in range(3):
            slope -= work.edge[i - 1, k] * (w[i, 0] * tube.normal1[i, k] + w[i, 1] * tube.normal2[i, k]) / rho
        rear += force
        slope_sum += force * max(slope, 0.0)
    out[REAR_LOAD] = rear
    out[REAR_ATTACK] = np.arcsin(min(slope_sum / rear, 1.0)) if rear > 0.0 else 0.0
    beyond = min(mouth + max(round(EDGE_REACH_MM / h), 1), m - 2)
    cosine, across = 0.0, 0.0
    for k in range(3):
        axis = work.edge[mouth - 1, k] if mouth > 0 else tube.entry[k]
        cosine += axis * work.edge[beyond, k]
    turn = np.arccos(min(max(cosine, -1.0), 1.0))
    shear = 0.0
    for k in range(3):
        axis = work.edge[mouth - 1, k] if mouth > 0 else tube.entry[k]
        first = work.edge[mouth, k] - axis
        then = work.edge[beyond + 1, k] - work.edge[beyond, k]
        shaft = table(load.moving_Nmm2, 1.0 / load.step_mm, work.behind[mouth])
        shear += (shaft * (then - first) / (h * (beyond + 1 - mouth) * h)) ** 2
    across = max(-q[mouth], 0.0) * np.sin(min(turn, 0.5 * np.pi))
    out[MOUTH_LOAD] = across + np.sqrt(shear)
    out[MOUTH_TILT] = turn


@compiled
def march_back(
    tube: Tube,
    load: Load,
    wire_Nmm2: FloatArray,
    rear_mm: float,
    mouth: int,
    levels_N: FloatArray,
    m: int,
    w: FloatArray,
    q: FloatArray,
    work: Work,
    out: FloatArray,
    nearby: tuple[tuple[Tube, Load], ...],
    slopes: FloatArray,
) -> None:
    """March the resisting load through `levels_N` and read each state off; what is not found stays NaN.

    Parameters
    ----------
    tube, load : Tube, Load
        The problem, friction and share of the load turned round.
    wire_Nmm2 : ndarray, shape (n,)
        Stiffness of the wire the device runs on, by node.
    rear_mm, mouth : float, int
        As in `edges_back`.
    levels_N : ndarray, shape (k,)
        Loads, increasing from 0.
    m : int
        Last node used.
    w, q : ndarray, shapes (n, 2) and (n,)
        Starting guess; overwritten with the last state.
    work : Work
        Work arrays.
    out : ndarray, shape (k, READINGS)
        Receives the readings.
    nearby : tuple of (Tube, Load)
        The problem with one uncertain input moved a little, for each input.
    slopes : ndarray, shape (k, inputs)
        Receives the change of Q at the guide [N] for each of them.
    """
    out[:] = np.nan
    slopes[:] = np.nan
    negative = begin(tube, load, w, q, m, work)
    if negative < 0:
        return
    held, k, step, fresh = 0.0, 0, LARGEST_STEP_N, True
    kept_w, kept_q = w.copy(), q.copy()
    while True:
        if fresh and held >= levels_N[k]:
            readings(tube, load, w, q, m, held, work, wire_Nmm2, 0.0, out[k])
            edges_back(tube, load, w, q, m, rear_mm, mouth, work, out[k])
            sensitivities(tube, load, nearby, w, q, m, held, work, slopes[k])
            k += 1
        if k == levels_N.shape[0]:
            return
        kept_w[:] = w
        kept_q[:] = q
        trial = min(held + step, levels_N[k])
        snap = trial - held <= 2.0 * SMALLEST_STEP_N
        if fresh:
            tangent(tube, load, m, work)
            follow(w, q, m, trial - held, work)
        found = settle(tube, load, w, q, m, trial, work, negative + 1, LONGEST if snap else SHORT, snap)
        fresh = found >= 0
        if fresh:
            negative, held, step = found, trial, min(2.0 * step, LARGEST_STEP_N)
            continue
        w[:] = kept_w
        q[:] = kept_q
        if snap:
            return
        step = max(0.5 * (trial - held), SMALLEST_STEP_N)


def transfer_back(
    passage: Passage,
    factors: ShapeFactors,
    *,
    tips_mm: FloatArray,
    levels_N: FloatArray,
    rear_mm: float,
    with_slopes: bool = True,
) -> Transfer:
    """Solve every place of the device's tip, drawn back, at every load level.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and what is drawn back.
    factors : ShapeFactors
        The uncertain inputs that change the shape.
    tips_mm : ndarray, shape (d,)
        Places of its tip [mm].
    levels_N : ndarray, shape (k,) or (d, k)
        Loads that resist [N], increasing from 0.
    rear_mm : float
        Distance of the edge that leads on the way out behind the tip [mm].
    with_slopes : bool
        Compute the sensitivities too.

    Returns
    -------
    Transfer
        Curves of Q at the guide's tip (negative: a pull), no prolapse; NaN where no state was found.
    """
    vessel = prepare(passage, factors)
    others = [prepare(passage, nudged(factors, name)) for name in SHAPE_INPUTS] if with_slopes else [vessel]
    names = SHAPE_INPUTS if with_slopes else SHAPE_INPUTS[:1]
    count, nodes = len(tips_mm), len(passage.path.s_mm)
    levels_N = np.array(np.broadcast_to(levels_N, (count, np.shape(levels_N)[-1])))
    found = np.full((*levels_N.shape, READINGS), np.nan)
    slopes = np.full((*levels_N.shape, len(names)), np.nan)
    work = workspace(nodes)
    w, q = np.zeros((nodes, 2)), np.zeros(nodes)
    depth = passage.rig.extension_depth_mm if passage.rig.extension is not None else 0.0
    mouth = round(depth / passage.path.spacing_mm)
    for i, tip in enumerate(tips_mm):
        w[:] = 0.0
        q[:] = 0.0
        load = load_back(vessel, float(tip), rear_mm)
        nearby = tuple(
            (other.tube, other.load(float(tip), load.share)._replace(friction=-other.factors.friction_wall))
            for other in others
        )
        m = passage.last_node(float(tip))
        march_back(
            vessel.tube,
            load,
            vessel.wire_Nmm2,
            rear_mm,
            min(mouth, m - 4),
            levels_N[i],
            m,
            w,
            q,
            work,
            found[i],
            nearby,
            slopes[i],
        )
    slopes /= np.array([NUDGES[name] for name in names])
    return Transfer(tips_mm, levels_N, found, slopes, np.full(count, np.inf))
