"""What the density across a round lumen looks like on an image: the shape fitted to every row of a vessel.

A chord through a circle, blurred in intensity, lifted by scatter, and turned back into density. Tabulated once per
blur and looked up, so that a whole vessel is fitted at a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NOMINAL_ATTENUATION_PER_MM = 0.22
"""Of contrast in blood at coronary filming energies; judgement, no source. It sets only how a thick lumen
saturates: the height of the profile is measured on each image."""
NOMINAL_SCATTER_SHARE = 0.35
"""Scatter and veil as part of the signal; judgement, no source. See NOMINAL_ATTENUATION_PER_MM."""

_WIDTH_STEP_PX = 0.25
_X_STEP_PX = 0.25
_FINE = 5
_NARROWEST_PX = 0.5


def saturation(
    chord_px: FloatArray, *, attenuation_per_px: float, scatter_share: float = NOMINAL_SCATTER_SHARE
) -> FloatArray:
    """Return density per pixel of lumen passed through, as a share of what a thin lumen gives.

    Parameters
    ----------
    chord_px : ndarray
        Way through the lumen [px], above 0.
    attenuation_per_px, scatter_share : float
        As for `profile_table`.

    Returns
    -------
    ndarray
        1 for a thin lumen, less for a thick one: scatter veils it.

    Examples
    --------
    >>> saturation(np.array([1e-6, 15.0, 20.0]), attenuation_per_px=0.044).round(3).tolist()
    [1.0, 0.879, 0.837]
    """
    thick = attenuation_per_px * chord_px
    return np.asarray(
        -np.log((1.0 - scatter_share) * np.exp(-thick) + scatter_share) / (thick * (1.0 - scatter_share))
    )


@dataclass(frozen=True, eq=False)
class ProfileTable:
    """Profiles by diameter and distance from the middle.

    Attributes
    ----------
    diameters_px : ndarray, shape (n,)
        Evenly spaced.
    x_px : ndarray, shape (m,)
        Evenly spaced from 0.
    value : ndarray, shape (n, m)
        Density in pixels of lumen passed through.
    blur_px : float
        Standard deviation of the blur.
    """

    diameters_px: FloatArray
    x_px: FloatArray
    value: FloatArray
    blur_px: float

    def look_up(self, x_px: FloatArray, diameter_px: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return profile, its slope along x and its slope with diameter.

        Parameters
        ----------
        x_px : ndarray, shape (rows, m)
            Distances from the middle [px], signed.
        diameter_px : ndarray, shape (rows,)
            Diameters [px], held to the table's range.

        Returns
        -------
        value, along_x, along_diameter : ndarray, shape (rows, m)
            By linear interpolation both ways.
        """
        place = np.clip(
            (diameter_px - self.diameters_px[0]) / _WIDTH_STEP_PX, 0.0, len(self.diameters_px) - 1.001
        )
        i = place.astype(int)
        share = (place - i)[:, None]
        away = np.minimum(np.abs(x_px) / _X_STEP_PX, len(self.x_px) - 1.001)
        j = away.astype(int)
        beside = away - j
        base = i[:, None] * len(self.x_px) + j
        flat = self.value.ravel()
        low0, low1 = flat[base], flat[base + 1]
        up0, up1 = flat[base + len(self.x_px)], flat[base + len(self.x_px) + 1]
        low, up = low0 + beside * (low1 - low0), up0 + beside * (up1 - up0)
        along_x = ((1.0 - share) * (low1 - low0) + share * (up1 - up0)) * np.sign(x_px) / _X_STEP_PX
        return low + share * (up - low), along_x, (up - low) / _WIDTH_STEP_PX


@lru_cache(maxsize=32)
def profile_table(
    *,
    blur_px: float,
    attenuation_per_px: float,
    scatter_share: float = NOMINAL_SCATTER_SHARE,
    widest_px: float = 44.0,
) -> ProfileTable:
    """Return the table for one blur.

    Parameters
    ----------
    blur_px : float
        Standard deviation of the blur, the pixel's own width included [px].
    attenuation_per_px : float
        Nominal attenuation by a pixel's length of lumen.
    scatter_share : float
        Nominal part of the signal that carries no picture.
    widest_px : float
        Largest diameter [px].

    Returns
    -------
    ProfileTable
        p(x; w) = -log((1 - s) G * exp(-a c) + s) / (a (1 - s)), c = sqrt(w^2 - 4 x^2), G the Gaussian blur.

    Notes
    -----
    Blurring happens to the signal, before the logarithm; scatter adds to it. Without scatter the profile of a wide
    lumen would be too low and its diameter too large by about 0.05 mm.
    """
    count = int(np.ceil((widest_px - _NARROWEST_PX) / _WIDTH_STEP_PX)) + 1
    diameters = np.asarray(_NARROWEST_PX + _WIDTH_STEP_PX * np.arange(count), dtype=np.float64)
    step = _X_STEP_PX / _FINE
    reach = 0.5 * widest_px + 6.0 * blur_px + 4.0
    half = int(np.ceil(reach / step / _FINE)) * _FINE
    edges = step * (np.arange(-half, half + 2) - 0.5)
    # The mean chord over each fine step, exactly, so that narrow lumens do not depend on where steps fall.
    inside = np.clip(edges[None, :] / (0.5 * diameters[:, None]), -1.0, 1.0)
    area = 0.25 * diameters[:, None] ** 2 * (inside * np.sqrt(1.0 - inside**2) + np.arcsin(inside))
    chords = np.diff(area, axis=1) / step
    passed = np.exp(-attenuation_per_px * chords)
    frequency = np.fft.rfftfreq(passed.shape[1], d=step)
    kernel = np.exp(-2.0 * (np.pi * frequency * blur_px) ** 2)
    blurred = np.fft.irfft(np.fft.rfft(passed, axis=1) * kernel, n=passed.shape[1], axis=1)
    signal = (1.0 - scatter_share) * blurred + scatter_share
    value = -np.log(signal) / (attenuation_per_px * (1.0 - scatter_share))
    right = np.asarray(value[:, half::_FINE], dtype=np.float64)
    x = np.asarray(_X_STEP_PX * np.arange(right.shape[1]), dtype=np.float64)
    return ProfileTable(diameters, x, right, blur_px)
