"""The delivery sweep: transfer curves (push at the guide against load at the lesion) at every depth, for many inputs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.assembly import NUDGES, SHAPE_INPUTS, Passage, ShapeFactors, nudged, prepare
from backstay.core.mechanics.elastic import workspace
from backstay.core.mechanics.march import READINGS, march

FloatArray = NDArray[np.float64]

LARGEST_LOAD_STEP_N = 0.4


@dataclass(frozen=True)
class Transfer:
    """Transfer curves of one passage for one set of inputs.

    Attributes
    ----------
    tips_mm : ndarray, shape (d,)
        Places of the device's tip.
    levels_N : ndarray, shape (d, k)
        Loads at the lesion, depth by depth.
    readings : ndarray, shape (d, k, READINGS)
        What the solver reads off each state; NaN where the load is not held.
    slopes : ndarray, shape (d, k, 6)
        Derivative of the push at the guide with respect to each shape input (relative; the radius shift per SD) [N]; a last axis of one,
        without meaning, where they were not asked for.
    prolapse_N : ndarray, shape (d,)
        Load at which the assembly prolapses; infinite where it was not reached.
    """

    tips_mm: FloatArray
    levels_N: FloatArray
    readings: FloatArray
    slopes: FloatArray
    prolapse_N: FloatArray


def transfer(
    passage: Passage,
    factors: ShapeFactors,
    *,
    tips_mm: FloatArray,
    levels_N: FloatArray,
    search_to_N: float | FloatArray,
    with_slopes: bool = True,
) -> Transfer:
    """Solve every depth at every load level.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    factors : ShapeFactors
        The uncertain inputs that change the shape.
    tips_mm : ndarray, shape (d,)
        Places of the device's tip [mm].
    levels_N : ndarray, shape (k,) or (d, k)
        Loads [N], increasing from 0: the same at every depth, or each depth's own.
    search_to_N : float or ndarray, shape (d,)
        Load [N] up to which prolapse is looked for.
    with_slopes : bool
        Compute the sensitivities too.

    Returns
    -------
    Transfer
        Curves; rows that prolapse hold NaN beyond their prolapse load.
    """
    vessel = prepare(passage, factors)
    others = [prepare(passage, nudged(factors, name)) for name in SHAPE_INPUTS] if with_slopes else [vessel]
    names = SHAPE_INPUTS if with_slopes else SHAPE_INPUTS[:1]
    count, nodes = len(tips_mm), len(passage.path.s_mm)
    levels_N = np.array(np.broadcast_to(levels_N, (count, np.shape(levels_N)[-1])))
    search = np.broadcast_to(search_to_N, count)
    readings = np.full((*levels_N.shape, READINGS), np.nan)
    slopes = np.full((*levels_N.shape, len(names)), np.nan)
    prolapse = np.zeros(count)
    work = workspace(nodes)
    w, q = np.zeros((nodes, 2)), np.zeros(nodes)
    for i, tip in enumerate(tips_mm):
        w[:] = 0.0
        q[:] = 0.0
        load = vessel.load(float(tip))
        nearby = tuple((other.tube, other.load(float(tip), load.share)) for other in others)
        prolapse[i] = march(
            vessel.tube,
            load,
            vessel.wire_Nmm2,
            passage.device.nose_mm,
            levels_N[i],
            LARGEST_LOAD_STEP_N,
            float(search[i]),
            passage.last_node(float(tip)),
            w,
            q,
            work,
            readings[i],
            nearby,
            slopes[i],
        )
    slopes /= np.array([NUDGES[name] for name in names])
    return Transfer(tips_mm, levels_N, readings, slopes, prolapse)
