"""How far the guide is drawn into the vessel by a pull."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.mechanics.backup import hold_parts
from backstay.core.rigging.rig import Rig

FloatArray = NDArray[np.float64]

DEEP_MM = 5.0
"""Drawn in farther than this is called deep: judgement, no source."""


def guide_springs_N_per_mm(rig: Rig, draws: DrawSet) -> tuple[FloatArray, FloatArray]:
    """Return the guide's stiffness against being pushed out and against being drawn in.

    Parameters
    ----------
    rig : Rig
        What is in place; guide, seat and access count.
    draws : DrawSet
        The uncertain inputs, those of the way back among them.

    Returns
    -------
    out_N_per_mm, in_N_per_mm : ndarray, shape (count,)
        The guide's own hold over the retreat at which it is lost, and a share of that.

    Notes
    -----
    The spring of the backup model in reverse. Wires, anchor and trapped wire go slack when the guide moves in and count nothing; nor does
    an extension, which moves in with it. The absolute scale is as unvalidated as that of backup.
    """
    alone = replace(rig, extension=None, extension_depth_mm=0.0, buddies=(), anchor=None, trapped=None)
    parts = hold_parts(alone, draws, path_length_mm=1.0, device_tip_mm=1.0, bend_beyond_rad=0.0)
    out = np.asarray(sum(parts.values(), np.zeros(draws.count))) / draws["retreat_mm"]
    return out, out * draws["guide_in_share"]


def drawn_in_mm(rig: Rig, draws: DrawSet, *, wall_N: FloatArray) -> FloatArray:
    """Return how far the guide is drawn in.

    Parameters
    ----------
    rig : Rig
        What is in place.
    draws : DrawSet
        The uncertain inputs, those of the way back among them.
    wall_N : ndarray, shape (count,)
        Pull that the vessel holds [N].

    Returns
    -------
    ndarray, shape (count,)
        Distance [mm], with the guide's hub held; a spring without end, so a large number only says that it dives.
    """
    return np.asarray(wall_N / guide_springs_N_per_mm(rig, draws)[1])
