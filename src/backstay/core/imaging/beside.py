"""Other vessels that run beside a traced one or over it: found on its ribbon and taken out of the picture.

A branch a few pixels from the lumen draws the fit of a single round lumen towards itself. Here each row may show a
second one; which rows do, and where, is the best way along the ribbon, so that one row's noise makes no vessel.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter, percentile_filter

from backstay.core.imaging.profile import ProfileTable
from backstay.core.imaging.rowfit import RowFits
from backstay.core.imaging.straighten import Ribbon
from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]

ALONG_PX = 2.0
"""Averaging along the ribbon, short enough for a vessel that leaves at an angle: standard deviation of its Gaussian."""
REACH_PX = 25
SIGHT_PX = 15.0
"""Width of the window over the row: standard deviation of its Gaussian."""
WIDTHS_SHARE = (0.45, 0.7, 1.0)
"""Diameters tried, as shares of the vessel's."""
NEAREST_SHARE = 0.25
"""Of the vessel's diameter: another one that lies nearer its middle is not told from it."""
LOWEST_SHARE = 0.35
"""Of the contrast that another vessel may have."""
PRESENT, SWITCH, STEP = 15.0, 25.0, 1.0
"""What a row must gain to count, what it costs to begin or end, and a pixel's step aside: in squares of noise."""
MOST_STEP_PX = 2
MEETS_SHARE, WIDER_SHARE = 0.6, 1.0
"""A line has strayed onto a branch where it leaves and meets again, within the first share of the vessel's diameter, a
vessel wider by the second. Both chosen on vessels of the phantom, other ones than the study's."""
ROUNDS = 2
BETWEEN_PX = (0.0, -4.5, 4.5)
"""How far aside of the line the vessel is tried."""
_MIDDLE_SD_PX, _WIDTH_SD_SHARE, _HEIGHT_SD_SHARE = 1.5, 0.15, 0.2
_AWAY_SD_PX, _OTHER_WIDTH_SD_SHARE, _OTHER_HEIGHT_SD_SHARE = 1.5, 0.3, 0.4


@dataclass(frozen=True, eq=False)
class Others:
    """Vessels beside the traced one.

    Attributes
    ----------
    density : ndarray, shape (n, m)
        What they add to the ribbon.
    overlap_px : ndarray, shape (n,)
        How far they reach into the vessel; 0 where they stay clear of it.
    aside_px : ndarray, shape (n,)
        Where the line strays onto a branch and back: how far aside the vessel lies that it left; 0 elsewhere.
    """

    density: FloatArray
    overlap_px: FloatArray
    aside_px: FloatArray


def others(strip: Ribbon, fits: RowFits, table: ProfileTable, *, amplitude: FloatArray) -> Others:
    """Return the other vessels on a ribbon.

    Parameters
    ----------
    strip : Ribbon
        Density across the vessel.
    fits : RowFits
        Single lumens fitted to its rows.
    table : ProfileTable
        Profiles for the image's blur.
    amplitude : ndarray, shape (n,)
        Density per pixel of lumen.

    Returns
    -------
    Others
        Nothing where nothing is seen.
    """
    left = strip
    total, overlap, aside = (
        np.zeros_like(strip.density),
        np.zeros(len(strip.density)),
        np.zeros(len(strip.density)),
    )
    for _ in range(ROUNDS):
        search = _Search(left, fits, table, amplitude)
        at = search.best_way(free=np.asarray(~total.any(axis=1)))
        if (at < 0).all():
            break
        found = search.refined(at)
        total, overlap = total + found.density, np.maximum(overlap, found.overlap_px)
        aside = aside + found.aside_px
        left = replace(strip, density=strip.density - total)
    return Others(total, overlap, aside)


class _Search:
    """One other vessel."""

    def __init__(self, strip: Ribbon, fits: RowFits, table: ProfileTable, amplitude: FloatArray) -> None:
        self.across_px = strip.across_px
        self.x, self.table, self.amplitude = strip.across_px[::2], table, amplitude
        density = strip.density[:, ::2]
        known = np.isfinite(density)
        filled = np.where(known, density, 0.0)
        share = np.maximum(gaussian_filter1d(known.astype(np.float64), ALONG_PX, axis=0), 1e-6)
        self.values = gaussian_filter1d(filled, ALONG_PX, axis=0) / share
        self.weight = np.exp(-0.5 * (self.x / SIGHT_PX) ** 2) * known
        # Where another vessel is, the single fit may lie too far aside and be too wide: then the neighbours say. Where
        # two overlap, the line may lie on the dark strip between them.
        middle = median_filter(fits.offset_px, 31, mode="nearest")
        width = percentile_filter(fits.diameter_px, 35, 31, mode="nearest")
        self.guesses = [(fits.offset_px, fits.diameter_px), *((middle + d, width) for d in BETWEEN_PX)]
        self.usual = float(np.median(width))
        self.variance = float(np.median(fits.noise)) ** 2 / (2.0 * np.sqrt(np.pi) * ALONG_PX)
        scaled = self.x / self.x[-1]
        self.background = np.stack([np.ones_like(scaled), scaled, scaled**2], axis=1)
        self.places = np.arange(-REACH_PX, REACH_PX + 1, dtype=np.float64)
        self.bank = np.concatenate(
            [
                table.look_up(self.x - self.places[:, None], np.full(len(self.places), share * self.usual))[0]
                for share in WIDTHS_SHARE
            ]
        )

    def _main(
        self, middle: FloatArray, width: FloatArray, height: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return the vessel's profile and its slopes (n, m, 3) with middle, width and height."""
        value, along_x, along_w = self.table.look_up(self.x - middle[:, None], width)
        tall = height[:, None]
        return tall * value, np.stack([-tall * along_x, tall * along_w, value], axis=2)

    def _gains(self) -> FloatArray:
        """Return what each place gains (n, places) by holding another vessel: squares of noise."""
        about = [self._gains_about(*guess) for guess in self.guesses]
        better = np.stack([gains - alone[:, None] for alone, gains in about])
        self.by_guess = better.argmax(axis=0)
        return np.asarray(better.max(axis=0) + np.min([alone for alone, _ in about], axis=0)[:, None])

    def _gains_about(self, middle: FloatArray, width: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return what a vessel about there leaves unexplained alone (n,), and what another one gains (n, places)."""
        n = len(self.values)
        profile, slopes = self._main(middle, width, self.amplitude)
        columns = np.concatenate(
            [slopes, np.broadcast_to(self.background, (n, *self.background.shape))], axis=2
        )
        weighted = columns * self.weight[:, :, None]
        gram = np.matmul(weighted.transpose(0, 2, 1), columns)
        held = [np.full(n, _MIDDLE_SD_PX), _WIDTH_SD_SHARE * width, _HEIGHT_SD_SHARE * self.amplitude]
        gram[:, range(3), range(3)] += self.variance / np.stack(held, axis=1) ** 2
        gram += 1e-9 * np.einsum("nii->n", gram)[:, None, None] * np.eye(6)
        right = self.values - profile
        # Columns made orthonormal: what they explain of anything is then the sum of its squares along them.
        even = np.linalg.solve(np.linalg.cholesky(gram), weighted.transpose(0, 2, 1))
        explained = np.matmul(even, right[..., None])
        alone = (self.weight * right**2).sum(axis=1) - (explained[..., 0] ** 2).sum(axis=1)
        cross = (even.reshape(-1, len(self.x)) @ self.bank.T).reshape(n, even.shape[1], -1)
        along = (self.weight * right) @ self.bank.T - (explained * cross).sum(axis=1)
        square = self.weight @ (self.bank**2).T - (cross**2).sum(axis=1)
        height = along / np.maximum(square, 1e-12)
        # A bump far lower than contrast would make it is background.
        gains = np.where(height > LOWEST_SHARE * self.amplitude[:, None], height * along, 0.0)
        best = gains.reshape(n, len(WIDTHS_SHARE), len(self.places)).max(axis=1)
        inside = np.abs(self.places - middle[:, None]) < NEAREST_SHARE * width[:, None]
        return alone / self.variance, np.where(inside, 0.0, best) / self.variance

    def best_way(self, *, free: NDArray[np.bool_]) -> NDArray[np.intp]:
        """Return the place's index on each row, -1 where there is no other vessel; only rows still free may show one."""
        gains = np.where(free[:, None], self._gains() - PRESENT, -10.0 * SWITCH)
        return _best_way(gains)

    def refined(self, at: NDArray[np.intp]) -> Others:
        """Return the other vessel, fitted together with the main one."""
        rows = np.flatnonzero(at >= 0)
        part = self._part(rows)
        by_guess = self.by_guess[rows, at[rows]]
        middle, width = (np.stack([guess[k] for guess in self.guesses])[by_guess, rows] for k in (0, 1))
        away = gaussian_filter1d(self.places[at[rows]], 1.0, mode="nearest")
        start = np.stack(
            [
                middle,
                width,
                part.amplitude,
                away,
                np.full(len(rows), 0.65 * self.usual),
                part.amplitude,
            ],
            axis=1,
        )
        held = np.stack(
            [
                np.full(len(rows), _MIDDLE_SD_PX),
                _WIDTH_SD_SHARE * width,
                _HEIGHT_SD_SHARE * part.amplitude,
                np.full(len(rows), _AWAY_SD_PX),
                np.full(len(rows), _OTHER_WIDTH_SD_SHARE * 0.65 * self.usual),
                _OTHER_HEIGHT_SD_SHARE * part.amplitude,
            ],
            axis=1,
        )
        unknown = np.concatenate([start, np.zeros((len(rows), 3))], axis=1)
        for _ in range(5):
            unknown = part.nearer(unknown, start, held)
        away, wide, tall = (_calmed(unknown[:, k], rows) for k in (3, 4, 5))
        density = np.zeros((len(self.values), len(self.across_px)))
        density[rows] = tall[:, None] * self.table.look_up(self.across_px - away[:, None], wide)[0]
        overlap, aside = np.zeros(len(self.values)), np.zeros(len(self.values))
        overlap[rows] = np.clip(
            0.5 * (wide + unknown[:, 1]) - np.abs(away - unknown[:, 0]), 0.0, unknown[:, 1]
        )
        for run in _runs(rows):
            if self._strays(away[run], wide[run], unknown[run, 1]):
                aside[rows[run]] = away[run]
        return Others(density, overlap, aside)

    def _strays(self, away_px: FloatArray, wide_px: FloatArray, main_px: FloatArray) -> bool:
        """Return whether along a run the line left the vessel for a branch.

        The other one is wider there, and the line comes from it and returns to it. A branch beside a narrowing is wider
        too, but goes its own way.
        """
        meets = np.abs(away_px[[0, -1]]) < MEETS_SHARE * self.usual
        one_side = np.sign(away_px[0]) == np.sign(away_px[-1])
        return bool(meets.all() and one_side and np.median(wide_px) > WIDER_SHARE * np.median(main_px))

    def _part(self, rows: NDArray[np.intp]) -> _Search:
        part = copy(self)
        for name in ("values", "weight", "amplitude"):
            setattr(part, name, getattr(self, name)[rows])
        return part

    def nearer(self, unknown: FloatArray, start: FloatArray, held: FloatArray) -> FloatArray:
        """Return the unknowns of both vessels after one step of least squares, held about their start."""
        main, slopes = self._main(unknown[:, 0], unknown[:, 1], unknown[:, 2])
        other, beside = self._main(unknown[:, 3], unknown[:, 4], unknown[:, 5])
        n = len(unknown)
        columns = np.concatenate(
            [slopes, beside, np.broadcast_to(self.background, (n, *self.background.shape))], axis=2
        )
        weighted = columns * self.weight[:, :, None]
        matrix = np.matmul(weighted.transpose(0, 2, 1), columns)
        right = self.values - main - other - unknown[:, 6:] @ self.background.T
        gradient = np.einsum("nmk,nm->nk", weighted, right)
        trust = self.variance / held**2
        matrix[:, range(6), range(6)] += trust
        gradient[:, :6] += trust * (start - unknown[:, :6])
        scale = np.maximum(np.einsum("nii->ni", matrix), 1e-12) ** -0.5
        even = matrix * scale[:, :, None] * scale[:, None, :] + 1e-9 * np.eye(9)
        step = scale * np.linalg.solve(even, (scale * gradient)[..., None])[..., 0]
        limit = 2.0 * held
        new = unknown + step
        new[:, :6] = np.clip(new[:, :6], start - limit, start + limit)
        new[:, [1, 4]] = np.maximum(new[:, [1, 4]], 0.8)
        return np.asarray(new)


@compiled
def _best_way(gains: FloatArray) -> NDArray[np.intp]:
    """Return the way of most gain: a column for each row, or -1; to begin, to end and to step aside cost."""
    n, m = gains.shape
    came = np.full((n, m + 1), m, dtype=np.intp)
    total, none = gains[0] - SWITCH, 0.0
    for row in range(1, n):
        top = int(np.argmax(total))
        new = np.empty(m)
        for k in range(m):
            new[k] = none - SWITCH
            for j in range(max(k - MOST_STEP_PX, 0), min(k + MOST_STEP_PX + 1, m)):
                reached = total[j] - STEP * abs(k - j)
                if reached > new[k]:
                    new[k], came[row, k] = reached, j
        if total[top] - SWITCH > none:
            none, came[row, m] = total[top] - SWITCH, top
        total = new + gains[row]
    way = np.empty(n, dtype=np.intp)
    at = int(np.argmax(total))
    if total[at] - SWITCH <= none:
        at = m
    for row in range(n - 1, -1, -1):
        way[row] = at if at < m else -1
        at = came[row, at]
    return way


def _runs(rows: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Return the places in `rows` of each unbroken run of them."""
    return np.split(np.arange(len(rows)), np.flatnonzero(np.diff(rows) > 1) + 1)


def _calmed(values: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
    """Return values smoothed along each unbroken run of rows."""
    return np.concatenate(
        [
            gaussian_filter1d(median_filter(values[run], 5, mode="nearest"), 1.5, mode="nearest")
            for run in _runs(rows)
        ]
    )
