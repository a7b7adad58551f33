"""The lumen along one traced vessel: centreline, diameter and contrast of every row, from one image."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, median_filter

from backstay.core.imaging.beside import Others, others
from backstay.core.imaging.profile import NOMINAL_ATTENUATION_PER_MM, ProfileTable, profile_table, saturation
from backstay.core.imaging.rowfit import RowFits, averaged_along, fitted_rows
from backstay.core.imaging.straighten import Ribbon, coefficients, ribbon
from backstay.core.imaging.tracing import even_px, lengths_px, smoothed
from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]

HALF_WIDTH_PX = 30.0
CENTRE_SMOOTHING_PX4 = 150.0
"""Smoothing of the centreline [px^4]: bends shorter than about 3 px go, bends of 14 mm stay to 1 %."""
OVERLAP_SHARE = 0.1
"""Of what another vessel reaches into a lumen: error of the diameter there. Chosen on vessels of the phantom, other ones
than the study's."""
BLURS_PX = (0.6, 0.8, 1.0, 1.2, 1.5, 1.9, 2.4)
_LEAST_SINE = 0.15
_RETURNS = 3
"""Times a line that strayed onto a branch is moved back; each moves it by as much as one ribbon shows."""


@dataclass(frozen=True, eq=False)
class Lumen:
    """A vessel measured on one image.

    Attributes
    ----------
    line_px : ndarray, shape (n, 2)
        Centreline, row and column, one row per pixel of length.
    along_px : ndarray, shape (n,)
        Distance along it.
    fits : RowFits
        Offset (from the line), diameter and quality of each row.
    amplitude : ndarray, shape (n,)
        Density per pixel of lumen used for the diameters.
    free_amplitude, free_amplitude_sd : ndarray, shape (n,)
        The same, fitted row by row.
    free_diameter_px : ndarray, shape (n,)
        Diameters of those fits.
    blur_px : float
        Blur found on the image.
    strip : Ribbon
        The picture laid straight, without the vessels beside this one.
    overlap_px : ndarray, shape (n,)
        How far other vessels reached into the lumen: there its edge was theirs too, and is less sure.
    """

    line_px: FloatArray
    along_px: FloatArray
    fits: RowFits
    amplitude: FloatArray
    free_amplitude: FloatArray
    free_amplitude_sd: FloatArray
    free_diameter_px: FloatArray
    blur_px: float
    strip: Ribbon
    overlap_px: FloatArray

    @property
    def diameter_px(self) -> FloatArray:
        """Return the diameter of each row."""
        return self.fits.diameter_px

    def edges_px(self) -> tuple[FloatArray, FloatArray]:
        """Return the left and right edges (n, 2), row and column, as the vessel runs."""
        half = 0.5 * self.diameter_px
        middle = self.fits.offset_px
        return self.strip.beside(middle - half), self.strip.beside(middle + half)


def measured_lumen(density: FloatArray, path_px: FloatArray, *, mm_per_px: float) -> Lumen:
    """Return centreline and diameters along a traced path.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    path_px : ndarray, shape (n, 2)
        The trace, within a few pixels of the vessel's middle [px].
    mm_per_px : float
        Millimetres in a pixel, about; it sets how a thick lumen saturates.

    Returns
    -------
    Lumen
        Diameters in pixels of the image.

    Notes
    -----
    Amplitude and diameter of a narrow lumen cannot be told apart on one row. So the amplitude is first fitted
    freely, then laid smoothly along the vessel by the wide rows, then held while the diameters are fitted again.
    """
    spline = coefficients(density)
    attenuation = NOMINAL_ATTENUATION_PER_MM * mm_per_px
    line = _on_ridge(spline, even_px(path_px))
    table = profile_table(blur_px=1.2, attenuation_per_px=round(attenuation, 4))
    strip = ribbon(spline, line, half_width_px=HALF_WIDTH_PX)
    free = fitted_rows(strip, table)
    found = _others(strip, table, free, attenuation)
    for _ in range(_RETURNS):
        if not found.aside_px.any():
            break
        line = even_px(smoothed(strip.beside(found.aside_px), smoothing_px4=CENTRE_SMOOTHING_PX4))
        strip = ribbon(spline, line, half_width_px=HALF_WIDTH_PX)
        free = fitted_rows(strip, table)
        found = _others(strip, table, free, attenuation)
    for _ in range(2):
        strip, free = _alone(strip, table, free, found)
        line = _recentred(strip, free)
        strip, free = ribbon(spline, line, half_width_px=HALF_WIDTH_PX), _carried(free, len(line))
        found = _others(strip, table, free, attenuation)
    strip, free = _alone(strip, table, free, found)
    table = _sharpest(strip, free, attenuation)
    line = _recentred(strip, fitted_rows(strip, table, start=free))
    strip = ribbon(spline, line, half_width_px=HALF_WIDTH_PX)
    free = _carried(free, len(line))
    found = _others(strip, table, free, attenuation)
    strip, free = _alone(strip, table, free, found)
    amplitude = laid_amplitude(free, np.ones(len(line)), attenuation_per_px=attenuation)
    fits = fitted_rows(strip, table, amplitude=amplitude, start=free)
    return Lumen(
        strip.line_px,
        strip.along_px,
        _less_sure(fits, found.overlap_px),
        amplitude,
        free.amplitude,
        free.amplitude_sd,
        free.diameter_px,
        table.blur_px,
        strip,
        found.overlap_px,
    )


def _alone(strip: Ribbon, table: ProfileTable, about: RowFits, found: Others) -> tuple[Ribbon, RowFits]:
    """Return the ribbon without the vessels beside this one, and its rows fitted with the amplitude free."""
    strip = replace(strip, density=strip.density - found.density)
    return strip, fitted_rows(strip, table, start=about)


def _others(strip: Ribbon, table: ProfileTable, about: RowFits, attenuation_per_px: float) -> Others:
    amplitude = laid_amplitude(about, np.ones(len(about.noise)), attenuation_per_px=attenuation_per_px)
    return others(strip, about, table, amplitude=amplitude)


def _less_sure(fits: RowFits, overlap_px: FloatArray) -> RowFits:
    return replace(fits, diameter_sd_px=np.hypot(fits.diameter_sd_px, OVERLAP_SHARE * overlap_px))


def _carried(fits: RowFits, count: int) -> RowFits:
    """Return fits as a first guess for the line through their middles, resampled to so many rows."""
    rows = np.linspace(0, len(fits.noise) - 1, count).round().astype(int)
    return replace(_rows(fits, rows), offset_px=np.zeros(count))


def rough_lumen(density: FloatArray, path_px: FloatArray, *, mm_per_px: float) -> Lumen:
    """Return edges along a traced path at once, to show while it is being traced; never to measure by.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    path_px : ndarray, shape (n, 2)
        The trace [px].
    mm_per_px : float
        Millimetres in a pixel, about.

    Returns
    -------
    Lumen
        Each row fitted once, amplitude free, under a usual blur.
    """
    spline = coefficients(density)
    table = profile_table(blur_px=1.2, attenuation_per_px=round(NOMINAL_ATTENUATION_PER_MM * mm_per_px, 4))
    strip = ribbon(spline, _on_ridge(spline, even_px(path_px)), half_width_px=HALF_WIDTH_PX)
    fits = fitted_rows(strip, table)
    middle = strip.beside(_calm(fits.offset_px, np.clip(fits.explained, 0.05, 1.0)))
    return Lumen(
        middle,
        strip.along_px,
        fits,
        fits.amplitude,
        fits.amplitude,
        fits.amplitude_sd,
        fits.diameter_px,
        table.blur_px,
        strip,
        np.zeros(len(middle)),
    )


def catheter_strip(density: FloatArray, path_px: FloatArray) -> tuple[Ribbon, RowFits]:
    """Return the picture along a catheter's shaft laid straight, and its rows fitted with the amplitude free.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    path_px : ndarray, shape (n, 2)
        The shaft's trace [px].

    Returns
    -------
    strip : Ribbon
        Centred on the shaft.
    fits : RowFits
        For their quality: a catheter's wall is no contrast-filled lumen, so widths are taken from its edges.
    """
    spline = coefficients(density)
    line = _on_ridge(spline, path_px)
    table = profile_table(blur_px=1.2, attenuation_per_px=0.04)
    strip = ribbon(spline, line, half_width_px=HALF_WIDTH_PX)
    line = _recentred(strip, fitted_rows(strip, table))
    strip = ribbon(spline, line, half_width_px=HALF_WIDTH_PX)
    return strip, fitted_rows(strip, table)


def refitted(lumen: Lumen, *, sine: FloatArray, mm_per_px: float) -> Lumen:
    """Return the lumen with diameters fitted again, knowing how the vessel leans against the rays.

    Parameters
    ----------
    lumen : Lumen
        As measured.
    sine : ndarray, shape (n,)
        Sine of the angle between ray and vessel at each row: a ray passes 1 / sine times the diameter.
    mm_per_px : float
        Millimetres in a pixel, about.

    Returns
    -------
    Lumen
        With amplitude and diameters changed.
    """
    attenuation = NOMINAL_ATTENUATION_PER_MM * mm_per_px
    table = profile_table(blur_px=lumen.blur_px, attenuation_per_px=round(attenuation, 4))
    free = replace(
        lumen.fits,
        amplitude=lumen.free_amplitude,
        amplitude_sd=lumen.free_amplitude_sd,
        diameter_px=lumen.free_diameter_px,
    )
    amplitude = laid_amplitude(free, sine, attenuation_per_px=attenuation)
    fits = fitted_rows(lumen.strip, table, amplitude=amplitude, start=free)
    return replace(lumen, fits=_less_sure(fits, lumen.overlap_px), amplitude=amplitude)


def laid_amplitude(free: RowFits, sine: FloatArray, *, attenuation_per_px: float) -> FloatArray:
    """Return the amplitude laid smoothly along the vessel by the rows that know it.

    Parameters
    ----------
    free : RowFits
        Fitted with the amplitude free.
    sine : ndarray, shape (n,)
        Sine of the angle between ray and vessel.
    attenuation_per_px : float
        Nominal, by a pixel's length of lumen.

    Returns
    -------
    ndarray, shape (n,)
        A straight line along the vessel in amplitude x sine, divided by the sine again.

    Notes
    -----
    A lumen that leans is passed through for longer and saturates more than the upright one of the profile table.
    """
    n = len(sine)
    along = np.linspace(-1.0, 1.0, n)
    leaning = np.maximum(sine, _LEAST_SINE)
    upright_share = saturation(free.diameter_px, attenuation_per_px=attenuation_per_px)
    lean = (
        saturation(free.diameter_px / leaning, attenuation_per_px=attenuation_per_px)
        / upright_share
        / leaning
    )
    upright = free.amplitude / lean
    relative = free.amplitude_sd / np.maximum(free.amplitude, 1e-12)
    typical = float(np.median(upright[free.diameter_px > np.median(free.diameter_px)]))
    # Four per cent: how well any one row's shape is that of a round lumen.
    weight = (free.explained > 0.6) / (relative**2 + 0.04**2) * np.clip(free.diameter_px - 5.0, 0.0, 8.0)
    if weight.sum() <= 0.0:
        return np.asarray(typical * lean)
    trust = weight.copy()
    basis = np.stack([np.ones(n), along], axis=1)
    fit = np.array([typical, 0.0])
    for _ in range(8):
        matrix = (basis * trust[:, None]).T @ basis + np.diag([0.0, trust.sum() * 0.02])
        fit = np.linalg.solve(matrix, (basis * trust[:, None]).T @ upright)
        left = np.abs(upright - basis @ fit) / (0.1 * abs(fit[0]) + 1e-12)
        trust = weight / (1.0 + left**2)
    laid = np.maximum(basis @ fit, 0.3 * abs(typical))
    return np.asarray(laid * lean)


def _recentred(strip: Ribbon, fits: RowFits) -> FloatArray:
    """Return the line moved to the fitted middle, smoothed and evenly spaced again."""
    weight = np.clip(fits.explained, 0.05, 1.0) / (fits.offset_sd_px**2 + 0.05**2)
    # Where a branch leaves, the fit widens and its middle is drawn towards the branch: such rows follow their neighbours.
    usual = median_filter(fits.diameter_px, 41, mode="nearest")
    weight = weight / (1.0 + (np.maximum(fits.diameter_px / usual - 1.0, 0.0) / 0.08) ** 2)
    weight /= np.median(weight)
    offset = _calm(fits.offset_px, weight)
    moved = strip.beside(offset)
    return even_px(smoothed(moved, smoothing_px4=CENTRE_SMOOTHING_PX4, weights=np.minimum(weight, 2.0)))


def _calm(offset_px: FloatArray, weight: FloatArray) -> FloatArray:
    """Return offsets with single jumps pulled to their neighbours."""
    total = gaussian_filter1d(offset_px * weight, 1.5, mode="nearest")
    mean = total / gaussian_filter1d(weight, 1.5, mode="nearest")
    away = np.abs(offset_px - mean)
    trust = weight / (1.0 + (away / 1.0) ** 2)
    return np.asarray(
        gaussian_filter1d(offset_px * trust, 1.5, mode="nearest")
        / gaussian_filter1d(trust, 1.5, mode="nearest")
    )


def _on_ridge(spline: FloatArray, line_px: FloatArray) -> FloatArray:
    """Return the line moved onto the middle of the dark band beside it: the smoothest way over the ridge."""
    strip = ribbon(spline, line_px, half_width_px=HALF_WIDTH_PX)
    rows = averaged_along(strip.density, sd_px=5.0)
    filled = np.where(np.isfinite(rows), rows, np.nanmedian(rows))
    ridge = -gaussian_filter1d(filled, 6.0, axis=1, order=2)
    near = np.abs(strip.across_px) <= 8.0
    reward = ridge[:, near] / max(float(np.percentile(np.abs(ridge[:, near]), 95)), 1e-12)
    places = cheapest_way(-reward, most_step=1, step_cost=0.15)
    offset = gaussian_filter1d(strip.across_px[near][places], 4.0, mode="nearest")
    return even_px(smoothed(strip.beside(offset), smoothing_px4=500.0))


def cheapest_way(cost: FloatArray, *, most_step: int, step_cost: float) -> NDArray[np.intp]:
    """Return one column per row so that costs and sideways steps add up to the least.

    Parameters
    ----------
    cost : ndarray, shape (rows, columns)
        Cost of each place.
    most_step : int
        Columns a row may move from the last.
    step_cost : float
        Cost of one column's step.

    Returns
    -------
    ndarray of int, shape (rows,)
        The columns.

    Examples
    --------
    >>> cheapest_way(np.array([[1.0, 0.0, 1.0], [1.0, 1.0, 0.0]]), most_step=1, step_cost=0.5).tolist()
    [1, 2]
    """
    return _cheapest_way(np.ascontiguousarray(cost), most_step, step_cost)


@compiled
def _cheapest_way(cost: FloatArray, most_step: int, step_cost: float) -> NDArray[np.intp]:
    n, m = cost.shape
    total = cost[0].copy()
    came = np.zeros((n, m), dtype=np.intp)
    for row in range(1, n):
        new = np.empty(m)
        for k in range(m):
            least = np.inf
            for j in range(max(k - most_step, 0), min(k + most_step + 1, m)):
                reached = total[j] + step_cost * abs(k - j)
                if reached < least:
                    least, came[row, k] = reached, j
            new[k] = least + cost[row, k]
        total = new
    way = np.empty(n, dtype=np.intp)
    way[-1] = np.argmin(total)
    for row in range(n - 1, 0, -1):
        way[row - 1] = came[row, way[row]]
    return way


def _sharpest(strip: Ribbon, fits: RowFits, attenuation_per_px: float) -> ProfileTable:
    """Return the table of the blur under which the wide rows fit best; a parabola through the three best."""
    wide = np.flatnonzero(
        (fits.diameter_px > np.percentile(fits.diameter_px, 40))
        & (fits.explained > np.median(fits.explained))
    )[::2]
    part = replace(
        strip,
        line_px=strip.line_px[wide],
        normals=strip.normals[wide],
        density=averaged_along(strip.density)[wide],
    )
    start = _rows(fits, wide)
    left = []
    for blur in BLURS_PX:
        table = profile_table(blur_px=blur, attenuation_per_px=round(attenuation_per_px, 4))
        left.append(float(np.median(fitted_rows(part, table, start=start).noise ** 2)))
    best = int(np.clip(np.argmin(left), 1, len(left) - 2))
    a, b, _ = np.polyfit(BLURS_PX[best - 1 : best + 2], left[best - 1 : best + 2], 2)
    found = float(np.clip(-0.5 * b / a, BLURS_PX[best - 1], BLURS_PX[best + 1])) if a > 0 else BLURS_PX[best]
    return profile_table(blur_px=round(found, 2), attenuation_per_px=round(attenuation_per_px, 4))


def _rows(fits: RowFits, rows: NDArray[np.intp]) -> RowFits:
    return RowFits(**{name: getattr(fits, name)[rows] for name in RowFits.__dataclass_fields__})


def at_lengths(lumen: Lumen, values: FloatArray, along_px: FloatArray) -> FloatArray:
    """Return a row-by-row quantity of a lumen at places along it.

    Parameters
    ----------
    lumen : Lumen
        The vessel.
    values : ndarray, shape (n,)
        One value per row.
    along_px : ndarray, shape (m,)
        Places [px].

    Returns
    -------
    ndarray, shape (m,)
        Linear between rows.
    """
    return np.interp(along_px, lengths_px(lumen.line_px), values)
