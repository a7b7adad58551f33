"""A smooth curve near noisy points: a penalised spline, its penalty chosen by restricted likelihood.

The penalty is on the third derivative, the change of curvature: straight stretches and constant bends cost
nothing, so neither is flattened. One penalty for the whole vessel either ripples the straight stretches
beside a tight bend or flattens the bend, so the penalty is relaxed, step by step, where the curve so far
changes its bend.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline, make_interp_spline
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.ndimage import gaussian_filter1d
from scipy.sparse import csr_matrix, diags

FloatArray = NDArray[np.float64]

_DEGREE = 5
_ORDER = 3
_KNOT_MM = 1.5
_ADAPTATIONS = 5
_ADAPT_POWER = 1.25
_ADAPT_FLOOR = 0.01
_ADAPT_BLUR_MM = 1.5
_OVER_MOST_LIKELY = 2.0
_SMALLEST_NOISE_MM = 0.01
_FEWEST_POINTS = 6
_LOG_PENALTIES = np.arange(-12.0, 19.0, 1.5)


def smooth_curve(along_mm: FloatArray, points_mm: FloatArray) -> tuple[BSpline, float]:
    """Return a smooth curve near points, and the noise it finds in them.

    Parameters
    ----------
    along_mm : ndarray, shape (n,)
        Parameter of the points [mm], increasing from 0: their distance along the raw polyline.
    points_mm : ndarray, shape (n, 3)
        Points in order [mm].

    Returns
    -------
    tuple of BSpline and float
        The curve as a function of the parameter, and the noise of one coordinate, one standard deviation
        [mm]. Fewer than six points get one parabola (two a line), without a noise.

    Notes
    -----
    Minimises the squared distance plus penalty times the integral of w |x'''|^2; the penalty is twice the
    one that maximises the restricted likelihood of the points with one noise for all three coordinates
    [@wood2011]: twice, since noise left in a straight stretch only ever adds to its bend. The weight is
    w = (j + 0.01)^-1.25 with j the squared third derivative of the last curve, blurred over 1.5 mm and taken
    relative to its mean; five rounds. On arcs, helices and S-curves with noise of 0.05 to 0.15 mm at 1.2 to
    2.7 mm the total bend comes out within a tenth (tests/analytic/test_path_noise.py). The parameter follows
    the noisy points and so swallows their noise along the curve: what is found across it is two thirds of the
    noise's variance, and is scaled up. Noise under 0.01 mm is not told from none.
    """
    if len(along_mm) < _FEWEST_POINTS:
        return _parabola(along_mm, points_mm), float("nan")
    fit = _Penalised(along_mm, points_mm)
    beta, noise = fit.solved(np.ones_like(fit.at_mm), _LOG_PENALTIES)
    for _ in range(_ADAPTATIONS):
        beta, noise = fit.solved(fit.weights(beta), _LOG_PENALTIES)
    return BSpline(fit.knots, beta, _DEGREE), noise


def _parabola(along_mm: FloatArray, points_mm: FloatArray) -> BSpline:
    degree = min(len(along_mm) - 1, 2)
    coefficients = np.polynomial.polynomial.polyfit(along_mm, points_mm, degree)
    at = np.linspace(0.0, along_mm[-1], degree + 1)
    return make_interp_spline(at, np.polynomial.polynomial.polyval(at, coefficients).T, k=degree)


class _Penalised:
    """The banded least-squares problem of one piece of centreline."""

    def __init__(self, along_mm: FloatArray, points_mm: FloatArray) -> None:
        count = max(int(np.ceil(along_mm[-1] / _KNOT_MM)), 1)
        inner = np.linspace(0.0, along_mm[-1], count + 1)
        self.knots = np.concatenate([np.zeros(_DEGREE), inner, np.full(_DEGREE, along_mm[-1])])
        self.points_mm = points_mm
        self.basis = csr_matrix(BSpline.design_matrix(along_mm, self.knots, _DEGREE))
        self.gram = _bands(csr_matrix(self.basis.T @ self.basis))
        self.right = np.asarray(self.basis.T @ points_mm)
        place, weight = np.polynomial.legendre.leggauss(3)
        step = inner[1] - inner[0]
        self.at_mm = (inner[:-1, None] + 0.5 * step * (place + 1.0)).ravel()
        self.quadrature = np.tile(0.5 * step * weight, count)
        self.size = len(self.knots) - _DEGREE - 1
        third = BSpline(self.knots, np.eye(self.size), _DEGREE).derivative(_ORDER)(self.at_mm)
        self.third = csr_matrix(third)

    def weights(self, beta: FloatArray) -> FloatArray:
        """Return where the penalty counts more and less: less where the curve changes its bend."""
        change = np.sum(np.asarray(self.third @ beta) ** 2, axis=1)
        grid = np.arange(0.0, self.knots[-1] + 0.25, 0.25)
        blurred = gaussian_filter1d(
            np.interp(grid, self.at_mm, change), _ADAPT_BLUR_MM / 0.25, mode="nearest"
        )
        relative = np.interp(self.at_mm, grid, blurred) / max(float(blurred.mean()), 1e-300)
        weight = (relative + _ADAPT_FLOOR) ** -_ADAPT_POWER
        return np.asarray(weight / np.exp(np.mean(np.log(weight))))

    def solved(self, weight: FloatArray, log_penalties: FloatArray) -> tuple[FloatArray, float]:
        """Return coefficients and noise for the most likely penalty: a coarse look, then a fine one."""
        penalty = _bands(csr_matrix(self.third.T @ diags(self.quadrature * weight) @ self.third))
        scale = self.gram[-1].sum() / penalty[-1].sum()
        best = self._most_likely(penalty * scale, log_penalties)[0]
        best, _, noise = self._most_likely(penalty * scale, best + np.arange(-0.75, 0.76, 0.25))
        stiffer = best + float(np.log(_OVER_MOST_LIKELY))
        _, beta, _ = self._solve(penalty * scale * np.exp(stiffer), stiffer)
        return beta, noise * float(np.sqrt(1.5))

    def _most_likely(self, penalty: FloatArray, log_factors: FloatArray) -> tuple[float, FloatArray, float]:
        tried = [(*self._solve(penalty * np.exp(x), float(x)), float(x)) for x in log_factors]
        _, beta, noise, log_factor = min(tried, key=lambda one: one[0])
        return log_factor, beta, noise

    def _solve(self, penalty: FloatArray, log_factor: float) -> tuple[float, FloatArray, float]:
        """Return minus twice the restricted log likelihood (less constants), coefficients and noise [mm]."""
        factor = cholesky_banded(self.gram + penalty)
        beta = cho_solve_banded((factor, False), self.right)
        freedom = 3 * (len(self.points_mm) - _ORDER)
        misfit = float(np.sum((self.points_mm - self.basis @ beta) ** 2))
        roughness = float(np.sum(beta * _banded_times(penalty, beta)))
        variance = max((misfit + roughness) / freedom, _SMALLEST_NOISE_MM**2)
        determinant = 6.0 * float(np.sum(np.log(factor[-1]))) - 3.0 * (self.size - _ORDER) * log_factor
        return freedom * float(np.log(variance)) + determinant, beta, float(np.sqrt(variance))


def _bands(matrix: csr_matrix) -> FloatArray:
    """Return the upper bands of a symmetric matrix as LAPACK wants them, shape (degree + 1, n)."""
    bands = np.zeros((_DEGREE + 1, matrix.shape[0]))
    for k in range(min(_DEGREE + 1, matrix.shape[0])):
        bands[_DEGREE - k, k:] = matrix.diagonal(k)
    return bands


def _banded_times(bands: FloatArray, vectors: FloatArray) -> FloatArray:
    """Return a symmetric banded matrix times vectors, shape (n, m)."""
    product = bands[-1][:, None] * vectors
    for k in range(1, min(_DEGREE + 1, bands.shape[1])):
        band = bands[_DEGREE - k, k:][:, None]
        product[:-k] += band * vectors[k:]
        product[k:] += band * vectors[:-k]
    return np.asarray(product)
