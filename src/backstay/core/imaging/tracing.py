"""From a few clicks to a path along a vessel: how vessel-like each pixel is, and the cheapest way between clicks."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import make_smoothing_spline
from scipy.ndimage import gaussian_filter
from skimage.graph import route_through_array

from backstay.errors import InputError

FloatArray = NDArray[np.float64]

SCALES_PX = (2.0, 3.0, 4.5, 6.0, 8.0)
"""Widths looked for: standard deviations of the smoothing [px]."""
_FLOOR = 0.03
_MARGIN_PX = 60


def vesselness(density: FloatArray, *, scales_px: tuple[float, ...] = SCALES_PX) -> FloatArray:
    """Return how much each pixel looks like the middle of a dark tube, 0 to about 1.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density, high in vessels.
    scales_px : tuple of float
        Widths looked for [px].

    Returns
    -------
    ndarray, shape (rows, columns)
        The largest over the scales of (k1 - |k2|) t^2, where k1 is the curvature of the density across, k2 along,
        and t the scale; divided by its 99.5th percentile.

    Notes
    -----
    The classical idea of tube filters, that a tube is curved one way only, in the simplest form that does not fade
    where a vessel is foreshortened.
    """
    best = np.zeros_like(density)
    for t in scales_px:
        smooth = gaussian_filter(density, t, mode="nearest")
        d_row, d_column = np.gradient(smooth)
        rr, rc = np.gradient(d_row)
        cc = np.gradient(d_column, axis=1)
        middle, spread = 0.5 * (rr + cc), np.hypot(0.5 * (rr - cc), rc)
        across, along = -(middle - spread), -(middle + spread)
        best = np.maximum(best, np.where(across > 0.0, across - np.abs(along), 0.0) * t**2)
    top = float(np.percentile(best, 99.5))
    return np.asarray(np.clip(best / top, 0.0, 1.5)) if top > 0.0 else best


def traced(density: FloatArray, clicks_px: FloatArray) -> FloatArray:
    """Return a path along a vessel through clicks, one point per pixel of length.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    clicks_px : ndarray, shape (n, 2)
        Row and column of two clicks or more, in order along the vessel [px].

    Returns
    -------
    ndarray, shape (m, 2)
        Row and column [px], about 1 px apart, from the first click to the last.

    Raises
    ------
    InputError
        Fewer than two clicks, clicks off the image, or clicks on one place.
    """
    clicks = _checked_clicks(clicks_px, density.shape)
    low = np.maximum(np.floor(clicks.min(axis=0)).astype(int) - _MARGIN_PX, 0)
    high = np.minimum(np.ceil(clicks.max(axis=0)).astype(int) + _MARGIN_PX + 1, density.shape)
    part = density[low[0] : high[0], low[1] : high[1]]
    cost = 1.0 / (_FLOOR + vesselness(part))
    places = [np.asarray(clicks[0])[None]]
    for a, b in pairwise(clicks):
        start, stop = (np.round(x - low).astype(int) for x in (a, b))
        steps, _ = route_through_array(cost, tuple(start), tuple(stop), fully_connected=True, geometric=True)
        places += [np.asarray(steps[1:-1], dtype=np.float64).reshape(-1, 2) + low, b[None]]
    return even_px(smoothed(np.concatenate(places), smoothing_px4=30.0))


def _checked_clicks(clicks_px: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    clicks = np.asarray(clicks_px, dtype=np.float64)
    if clicks.ndim != 2 or clicks.shape[1:] != (2,) or len(clicks) < 2:
        raise InputError(
            "a vessel is traced from clicks",
            field="clicks",
            value=clicks.shape,
            allowed="2 or more (row, column)",
        )
    off = ~((clicks >= 0.0) & (clicks <= np.array(shape) - 1.0)).all(axis=1)
    if off.any():
        raise InputError(
            "a click is not on the image",
            field="clicks",
            value=tuple(float(x) for x in clicks[off][0]),
            allowed=f"0 to {shape[0] - 1} rows, 0 to {shape[1] - 1} columns",
        )
    if (np.linalg.norm(np.diff(clicks, axis=0), axis=1) < 3.0).any():
        raise InputError("two clicks fall together", field="clicks", allowed="3 px or more apart")
    return clicks


def lengths_px(line_px: FloatArray) -> FloatArray:
    """Return the distance of each point of a line from its start, along it.

    Parameters
    ----------
    line_px : ndarray, shape (n, 2)
        Row and column [px].

    Returns
    -------
    ndarray, shape (n,)
        Distance [px].
    """
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line_px, axis=0), axis=1))])


def even_px(line_px: FloatArray, *, step_px: float = 1.0) -> FloatArray:
    """Return a line resampled evenly.

    Parameters
    ----------
    line_px : ndarray, shape (n, 2)
        Row and column [px].
    step_px : float
        About how far apart the new points are [px]; the ends stay.

    Returns
    -------
    ndarray, shape (m, 2)
        Row and column [px].
    """
    s = lengths_px(line_px)
    keep = np.concatenate([[True], np.diff(s) > 1e-9])
    s, line = s[keep], line_px[keep]
    at = np.linspace(0.0, s[-1], max(round(s[-1] / step_px), 4) + 1)
    return np.stack([np.interp(at, s, line[:, k]) for k in range(2)], axis=1)


def smoothed(line_px: FloatArray, *, smoothing_px4: float, weights: FloatArray | None = None) -> FloatArray:
    """Return a line smoothed along its length, its ends held.

    Parameters
    ----------
    line_px : ndarray, shape (n, 2)
        Row and column [px].
    smoothing_px4 : float
        Weight of the squared second derivative against the squared distance of the points; bends shorter than about
        its fourth root times 6 px go.
    weights : ndarray, shape (n,), optional
        Trust in each point.

    Returns
    -------
    ndarray, shape (n, 2)
        Row and column [px], at the same distances along the line.
    """
    s = lengths_px(line_px)
    keep = np.concatenate([[True], np.diff(s) > 1e-9])
    if keep.sum() < 5:
        return line_px
    w = np.ones(len(s)) if weights is None else np.maximum(weights, 1e-3)
    w = w[keep].copy()
    w[[0, -1]] = w.max() * 1e3
    fits = [make_smoothing_spline(s[keep], line_px[keep, k], w=w, lam=smoothing_px4) for k in range(2)]
    return np.stack([fit(s) for fit in fits], axis=1)
