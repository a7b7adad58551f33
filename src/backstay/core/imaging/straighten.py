"""The picture of a vessel laid straight: one row per pixel of length, columns across it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, spline_filter

from backstay.core.imaging.tracing import lengths_px

FloatArray = NDArray[np.float64]

ACROSS_STEP_PX = 0.5


@dataclass(frozen=True, eq=False)
class Ribbon:
    """Density across a line, row by row along it.

    Attributes
    ----------
    line_px : ndarray, shape (n, 2)
        The line, row and column.
    normals : ndarray, shape (n, 2)
        Unit vectors across it, to the right of the way it runs as the image is seen.
    across_px : ndarray, shape (m,)
        Places across, positive along the normal.
    density : ndarray, shape (n, m)
        Sampled density; NaN outside the image.
    """

    line_px: FloatArray
    normals: FloatArray
    across_px: FloatArray
    density: FloatArray

    @property
    def along_px(self) -> FloatArray:
        """Return the distance along the line."""
        return lengths_px(self.line_px)

    def beside(self, offset_px: FloatArray) -> FloatArray:
        """Return the points (n, 2) lying so far to the side of the line's points."""
        return np.asarray(self.line_px + offset_px[:, None] * self.normals)


def normals_of(line_px: FloatArray) -> FloatArray:
    """Return the unit vectors across a line, averaged over two pixels either side.

    Parameters
    ----------
    line_px : ndarray, shape (n, 2)
        Row and column [px].

    Returns
    -------
    ndarray, shape (n, 2)
        Across the line, row and column.
    """
    reach = min(2, (len(line_px) - 1) // 2)
    ahead = np.concatenate([line_px[reach:], np.repeat(line_px[-1:], reach, axis=0)])
    behind = np.concatenate([np.repeat(line_px[:1], reach, axis=0), line_px[: len(line_px) - reach]])
    along = ahead - behind
    along /= np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-12)
    return np.stack([along[:, 1], -along[:, 0]], axis=1)


def coefficients(density: FloatArray) -> FloatArray:
    """Return the cubic spline coefficients of a density, to be handed to `ribbon` any number of times.

    Parameters
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.

    Returns
    -------
    ndarray, shape (rows, columns)
        Coefficients.
    """
    return np.asarray(spline_filter(density, order=3, mode="mirror"))


def ribbon(spline: FloatArray, line_px: FloatArray, *, half_width_px: float) -> Ribbon:
    """Return the density across a line.

    Parameters
    ----------
    spline : ndarray, shape (rows, columns)
        From `coefficients`.
    line_px : ndarray, shape (n, 2)
        Row and column [px].
    half_width_px : float
        How far to either side [px].

    Returns
    -------
    Ribbon
        Sampled by cubic interpolation every half pixel.
    """
    count = int(np.ceil(half_width_px / ACROSS_STEP_PX))
    across = ACROSS_STEP_PX * np.arange(-count, count + 1, dtype=np.float64)
    normals = normals_of(line_px)
    places = line_px[:, None, :] + across[None, :, None] * normals[:, None, :]
    values: FloatArray = map_coordinates(
        spline, places.transpose(2, 0, 1), order=3, mode="constant", cval=np.nan, prefilter=False
    )
    outside = ~((places >= 0.0) & (places <= np.array(spline.shape) - 1.0)).all(axis=-1)
    values[outside] = np.nan
    return Ribbon(line_px, normals, across, values)
