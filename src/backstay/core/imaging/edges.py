"""Edges where the density changes fastest: a cross-check on the fitted widths that knows nothing of round lumens."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from backstay.core.imaging.lumen import catheter_strip, cheapest_way
from backstay.core.imaging.rowfit import RowFits, averaged_along
from backstay.core.imaging.straighten import Ribbon
from backstay.core.imaging.tracing import traced

FloatArray = NDArray[np.float64]

FIRST_SHARE = 0.6
"""Of the first derivative against the second; between where it is too narrow and too wide on straight tubes."""
DISAGREE_MM = 0.4


def derivative_edges_px(strip: Ribbon, about_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where the left and right edges of a vessel lie across its line.

    Parameters
    ----------
    strip : Ribbon
        Density across the vessel.
    about_px : ndarray, shape (n,)
        A rough diameter of each row: edges are looked for within 0.15 to 1.1 of it from the middle [px].

    Returns
    -------
    left_px, right_px : ndarray, shape (n,)
        Across the line, left negative [px].

    Notes
    -----
    For each side the smoothest way along the vessel over the largest mix of first derivative and second derivative;
    then to a fraction of a sample by a parabola. Below about 0.7 mm the blur alone makes a width.
    """
    rows = averaged_along(strip.density)
    filled = np.where(np.isfinite(rows), rows, np.nanmedian(rows))
    slope = gaussian_filter1d(filled, 1.6, axis=1, order=1)
    bend = gaussian_filter1d(filled, 1.6, axis=1, order=2)
    found = []
    for side in (-1.0, 1.0):
        rise = -side * slope
        strength = FIRST_SHARE * rise + (1.0 - FIRST_SHARE) * np.maximum(bend, 0.0) * 1.6
        away = side * strip.across_px[None, :] / np.maximum(about_px[:, None], 1.0)
        allowed = (away > 0.15) & (away < 1.1)
        top = np.maximum(np.where(allowed, strength, 0.0).max(axis=1, keepdims=True), 1e-12)
        cost = np.where(allowed, -strength / top, 3.0)
        way = cheapest_way(cost, most_step=1, step_cost=0.15)
        found.append(_peak(strip.across_px, strength, way))
    return found[0], found[1]


def catheter_rows(density: FloatArray, clicks_px: FloatArray) -> RowFits:
    """Return the widths along a catheter's shaft, by its edges.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    clicks_px : ndarray, shape (n, 2)
        Row and column of two clicks or more along the shaft [px].

    Returns
    -------
    RowFits
        Diameters are the distances of the derivative edges.
    """
    strip, fits = catheter_strip(density, traced(density, clicks_px))
    about = np.full(len(fits.diameter_px), max(6.0, 1.3 * float(np.median(fits.diameter_px))))
    left, right = derivative_edges_px(strip, about)
    return replace(fits, diameter_px=right - left)


def _peak(across_px: FloatArray, strength: FloatArray, way: NDArray[np.intp]) -> FloatArray:
    """Return the places of the peaks next to `way` by parabolas."""
    rows = np.arange(len(way))
    middle = np.clip(way, 1, len(across_px) - 2)
    a, b, c = (strength[rows, middle + k] for k in (-1, 0, 1))
    curve = a - 2.0 * b + c
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(curve < 0.0, 0.5 * (a - c) / curve, 0.0)
    return np.asarray(across_px[middle] + np.clip(share, -0.5, 0.5) * (across_px[1] - across_px[0]))
