"""Turns too tight for the lumen they lie in, spread along the path."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from backstay.core.anatomy.frames import rebuilt
from backstay.core.anatomy.path import LumenPath

SWEEPS = 200
"""Times the excess of a tight turn is handed to its neighbours; a few millimetres need a few dozen."""


def eased(path: LumenPath, tightest: float) -> LumenPath:
    """Return a path with no turn tighter than a share of the lumen allows; what is too much is spread to both sides.

    Parameters
    ----------
    path : LumenPath
        The path.
    tightest : float
        Largest curvature times lumen radius, above zero; at one the inner wall of a turn is a point.

    Returns
    -------
    LumenPath
        The eased path, its turning kept in whole; the same path where no turn is so tight.
    """
    curvature = path.curvature_per_mm.copy()
    for sweep in range(SWEEPS):
        size = np.hypot(curvature[:, 0], curvature[:, 1])
        over = np.maximum(size - tightest / path.radius_mm, 0.0)
        over[[0, -1]] = 0.0
        if not over.any():
            if sweep == 0:
                return path
            break
        excess = curvature * np.divide(over, size, out=np.zeros_like(size), where=over > 0.0)[:, None]
        curvature -= excess
        curvature[1:] += 0.5 * excess[:-1]
        curvature[:-1] += 0.5 * excess[1:]
    turn_rad = curvature * path.spacing_mm
    half = 0.25 * (turn_rad[1:] + turn_rad[:-1])
    chords_mm = path.spacing_mm * np.sinc(np.hypot(half[:, 0], half[:, 1]) / np.pi)
    start = np.stack([path.tangents[0], path.normals1[0], path.normals2[0]], axis=1)
    points, frames = rebuilt(start, turn_rad, chords_mm=chords_mm)
    return replace(
        path,
        points_mm=path.points_mm[0] + points,
        tangents=frames[..., 0],
        normals1=frames[..., 1],
        normals2=frames[..., 2],
        curvature_per_mm=curvature,
    )
