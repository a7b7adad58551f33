"""Fits the profile of a round lumen to every row of a ribbon at once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from backstay.core.imaging.profile import ProfileTable
from backstay.core.imaging.straighten import Ribbon

FloatArray = NDArray[np.float64]

ALONG_SMOOTHING_PX = 4.85
"""Width of the averaging of neighbouring rows: standard deviation of its Gaussian. Its second and fourth moments are
nil (a kernel of sixth order), so that a narrowing keeps its depth; it takes the noise down by 2.7."""
ALONG_BLUR_PX = 1.0
"""Blur of the picture along the vessel that the averaging undoes; nominal."""
_START_PX = (3.0, 6.0, 10.0, 15.0, 21.0, 28.0)
_STEPS = 14
_LOWEST_PX, _HIGHEST_PX = 0.8, 43.0
_TUNING = 3.0
_FARTHEST_PX = 9.0


@dataclass(frozen=True, eq=False)
class RowFits:
    """One fitted profile per row.

    Attributes
    ----------
    offset_px, diameter_px, amplitude : ndarray, shape (n,)
        Middle of the lumen beside the line, its diameter, and the density per pixel of lumen.
    offset_sd_px, diameter_sd_px, amplitude_sd : ndarray, shape (n,)
        Their errors from the noise of the row (one standard deviation).
    explained : ndarray, shape (n,)
        Share of the row's variation about its background that the profile explains: the row's quality.
    noise : ndarray, shape (n,)
        Standard deviation of what is left, per sample.
    """

    offset_px: FloatArray
    diameter_px: FloatArray
    amplitude: FloatArray
    offset_sd_px: FloatArray
    diameter_sd_px: FloatArray
    amplitude_sd: FloatArray
    explained: FloatArray
    noise: FloatArray


def averaged_along(density: FloatArray, *, sd_px: float = ALONG_SMOOTHING_PX) -> FloatArray:
    """Return a ribbon's density averaged over neighbouring rows, leaving out what lies off the image.

    Parameters
    ----------
    density : ndarray, shape (n, m)
        NaN outside the image.
    sd_px : float
        Standard deviation of the weights' Gaussian [px].

    Returns
    -------
    ndarray, shape (n, m)
        NaN where it was.
    """
    known = np.isfinite(density)
    total = _averaged(np.where(known, density, 0.0), sd_px)
    if not known.all():
        # Beside what is missing the weights do not balance; half their sum is the least that may be divided by.
        total = total / np.maximum(_averaged(known.astype(np.float64), sd_px), 0.5)
    return np.asarray(np.where(known, total, np.nan))


def _averaged(values: FloatArray, sd_px: float) -> FloatArray:
    half = 0.5 * (sd_px**2 + ALONG_BLUR_PX**2)
    plain, bend, fourth = (
        gaussian_filter1d(values, sd_px, axis=0, mode="nearest", order=order) for order in (0, 2, 4)
    )
    return np.asarray(plain - half * bend + 0.5 * half**2 * fourth)


@cache
def _gain(sd_px: float) -> float:
    """Return how far the averaging takes the variance of noise down."""
    one = np.zeros((2 * int(np.ceil(8.0 * sd_px)) + 1, 1))
    one[len(one) // 2] = 1.0
    return float(1.0 / np.sum(_averaged(one, sd_px) ** 2))


def fitted_rows(
    strip: Ribbon,
    table: ProfileTable,
    *,
    amplitude: FloatArray | None = None,
    start: RowFits | None = None,
    background_px: float = 8.0,
) -> RowFits:
    """Return the profile of every row.

    Parameters
    ----------
    strip : Ribbon
        Density across the vessel.
    table : ProfileTable
        Profiles for the image's blur.
    amplitude : ndarray, shape (n,), optional
        Density per pixel of lumen, where it is known; otherwise it is fitted with the rest.
    start : RowFits, optional
        Where to start from; otherwise several diameters are tried.
    background_px : float
        How far beyond the lumen the background is looked at [px].

    Returns
    -------
    RowFits
        One fit per row.

    Notes
    -----
    Damped least squares in middle, diameter, amplitude and a quadratic background, all rows side by side, with
    weights that let go of what does not fit (a neighbouring vessel, a rib).
    """
    raw = strip.density
    values = averaged_along(raw)
    known = np.isfinite(values)
    values = np.where(known, values, 0.0)
    problem = _Problem(strip.across_px, values, known, table, amplitude, background_px)
    unknown = _first_guess(problem) if start is None else _from(start, problem)
    damping = np.full(len(values), 1e-2)
    weight = problem.window(unknown[:, 1])
    left, slopes = problem.slopes(unknown)
    for step in range(_STEPS):
        if step in (4, 8):
            weight = problem.robust(unknown)
        new = problem.held(unknown + problem.step(left, slopes, weight, damping))
        new_left, new_slopes = problem.slopes(new)
        better = (weight * new_left**2).sum(axis=1) <= (weight * left**2).sum(axis=1)
        unknown[better], left[better], slopes[better] = new[better], new_left[better], new_slopes[better]
        damping = np.clip(np.where(better, damping * 0.2, damping * 8.0), 1e-6, 1e4)
    return _result(problem, unknown, raw, values)


class _Problem:
    """The sums behind the fit. Unknowns: middle, diameter, amplitude, background (constant, slope, bend)."""

    def __init__(
        self,
        across_px: FloatArray,
        values: FloatArray,
        known: NDArray[np.bool_],
        table: ProfileTable,
        amplitude: FloatArray | None,
        background_px: float,
    ) -> None:
        self.x, self.values, self.known, self.table = across_px, values, known, table
        self.amplitude, self.background_px = amplitude, background_px
        scaled = across_px / across_px[-1]
        self.background = np.stack([np.ones_like(scaled), scaled, scaled**2], axis=1)

    def window(self, diameter_px: FloatArray) -> FloatArray:
        reach = 0.5 * diameter_px + self.background_px + 0.15 * diameter_px
        soft = np.clip(reach[:, None] + 1.0 - np.abs(self.x), 0.0, 1.0)
        return np.asarray(soft * self.known)

    def model(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        value, along_x, along_w = self.table.look_up(self.x - unknown[:, :1], unknown[:, 1])
        return unknown[:, 2:3] * value + unknown[:, 3:] @ self.background.T, value, along_x, along_w

    def cost(self, unknown: FloatArray, weight: FloatArray) -> FloatArray:
        model = self.model(unknown)[0]
        # Per weight, so that a window that grew does not look worse for that alone.
        return np.asarray((weight * (self.values - model) ** 2).sum(axis=1))

    def robust(self, unknown: FloatArray) -> FloatArray:
        left = self.values - self.model(unknown)[0]
        window = self.window(unknown[:, 1])
        inside = np.where(window > 0.5, np.abs(left), np.nan)
        enough = (window > 0.5).sum(axis=1) > 4
        inside[~enough] = 1.0
        scale = 1.4826 * np.nanmedian(inside, axis=1)
        typical = float(np.median(scale))
        scale = np.maximum(scale, 0.5 * typical + 1e-12)[:, None] * _TUNING
        return np.asarray(window / (1.0 + (left / scale) ** 2))

    def slopes(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        model, value, along_x, along_w = self.model(unknown)
        slopes = np.empty((*value.shape, 6))
        slopes[..., 0] = -unknown[:, 2:3] * along_x
        slopes[..., 1] = unknown[:, 2:3] * along_w
        slopes[..., 2] = value if self.amplitude is None else 0.0
        slopes[..., 3:] = self.background
        return self.values - model, slopes

    def normal(
        self, left: FloatArray, slopes: FloatArray, weight: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        weighted = (slopes * weight[..., None]).transpose(0, 2, 1)
        matrix = np.matmul(weighted, slopes)
        if self.amplitude is not None:
            matrix[:, 2, 2] = 1.0
        # A trace on the diagonal keeps a row off the image solvable.
        matrix += 1e-12 * np.eye(6)
        return matrix, np.matmul(weighted, left[..., None])[..., 0]

    def step(
        self, left: FloatArray, slopes: FloatArray, weight: FloatArray, damping: FloatArray
    ) -> FloatArray:
        matrix, right = self.normal(left, slopes, weight)
        diagonal = np.einsum("nii->ni", matrix).copy()
        damped = matrix + np.eye(6) * (damping[:, None] * np.maximum(diagonal, 1e-12))[:, None, :]
        return np.asarray(np.linalg.solve(damped, right[..., None])[..., 0])

    def held(self, unknown: FloatArray) -> FloatArray:
        """Keep middle and diameter within what the ribbon can show."""
        result = unknown.copy()
        result[:, 0] = np.clip(result[:, 0], -_FARTHEST_PX, _FARTHEST_PX)
        result[:, 1] = np.clip(result[:, 1], _LOWEST_PX, _HIGHEST_PX)
        if self.amplitude is None:
            result[:, 2] = np.maximum(result[:, 2], 1e-9)
        return result


def _first_guess(problem: _Problem) -> FloatArray:
    """Return the best of several diameters about the line, amplitude and background by linear fit."""
    n = len(problem.values)
    best, best_cost = np.zeros((n, 6)), np.full(n, np.inf)
    for diameter in _START_PX:
        unknown = np.zeros((n, 6))
        unknown[:, 1] = diameter
        unknown[:, 2] = 1.0 if problem.amplitude is None else problem.amplitude
        weight = problem.window(np.full(n, 14.0))
        if problem.amplitude is None:
            slopes = problem.slopes(unknown)[1]
            unknown[:, 2:] = 0.0
            left = problem.values
        else:
            left, slopes = problem.slopes(unknown)
        matrix, right = problem.normal(left, slopes, weight)
        if problem.amplitude is None:
            unknown[:, 2:] = np.linalg.solve(matrix[:, 2:, 2:] + 1e-9 * np.eye(4), right[:, 2:, None])[..., 0]
        else:
            unknown[:, 3:] = np.linalg.solve(matrix[:, 3:, 3:] + 1e-9 * np.eye(3), right[:, 3:, None])[..., 0]
        cost = problem.cost(unknown, weight)
        good = (cost < best_cost) & (unknown[:, 2] > 0.0)
        best[good], best_cost[good] = unknown[good], cost[good]
    lost = ~np.isfinite(best_cost)
    best[lost, 1], best[lost, 2] = 8.0, float(np.median(best[~lost, 2])) if (~lost).any() else 1e-3
    return best


def _from(start: RowFits, problem: _Problem) -> FloatArray:
    unknown = np.zeros((len(problem.values), 6))
    unknown[:, 0], unknown[:, 1] = start.offset_px, start.diameter_px
    unknown[:, 2] = start.amplitude if problem.amplitude is None else problem.amplitude
    matrix, right = problem.normal(*problem.slopes(unknown), problem.window(unknown[:, 1]))
    unknown[:, 3:] += np.linalg.solve(matrix[:, 3:, 3:], right[:, 3:, None])[..., 0]
    return problem.held(unknown)


def _result(problem: _Problem, unknown: FloatArray, raw: FloatArray, values: FloatArray) -> RowFits:
    weight = problem.robust(unknown)
    model = problem.model(unknown)[0]
    left = np.where(problem.known, raw - model, 0.0)
    window = problem.window(unknown[:, 1])
    samples = np.maximum(window.sum(axis=1), 1.0)
    noise = np.sqrt((window * left**2).sum(axis=1) / samples)
    # Interpolating between pixels leaves the noise correlated: the samples are half as many as they seem across.
    gain = _gain(ALONG_SMOOTHING_PX)
    matrix, _ = problem.normal(*problem.slopes(unknown), weight)
    scale = np.maximum(np.einsum("nii->ni", matrix), 1e-12) ** -0.5
    inverse = np.linalg.inv(matrix * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(6))
    variance = np.einsum("nii->ni", inverse) * scale**2 * (2.0 * noise**2 / gain)[:, None]
    sd = np.sqrt(np.maximum(variance, 0.0))
    flat = unknown.copy()
    flat[:, 2] = 0.0
    without = _variation(values, window)
    explained = 1.0 - (window * (values - model) ** 2).sum(axis=1) / np.maximum(without, 1e-12)
    amplitude_sd = sd[:, 2] if problem.amplitude is None else np.zeros(len(sd))
    return RowFits(
        unknown[:, 0], unknown[:, 1], unknown[:, 2], sd[:, 0], sd[:, 1], amplitude_sd, explained, noise
    )


def _variation(values: FloatArray, window: FloatArray) -> FloatArray:
    """Return the weighted sum of squares of each row about its mean."""
    total = np.maximum(window.sum(axis=1, keepdims=True), 1e-9)
    mean = (window * values).sum(axis=1, keepdims=True) / total
    return np.asarray((window * (values - mean) ** 2).sum(axis=1))
