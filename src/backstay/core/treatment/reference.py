"""The reference along a path: what the lumen would be without its lesions, with its uncertainty.

The lumen is a reference less what the lesions take. The reference is straight between branches with a slow
wander, and steps down at each branch by about what the branching law says; what lesions take is a smooth
function that lives only where a lesion is. Both are Gaussian, so the fit is exact linear algebra. The reference
is fitted first and sees only the rows outside the lesions, so nothing inside one can move it; what lesions take is
fitted to what it leaves over. Every number that follows (least lumen, stenosis, ends) is read from joint draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve

from backstay.core.treatment.branching import beyond_branch_mm
from backstay.errors import InputError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

GRID_MM = 0.5
CELL_MM = 0.5
"""Rows nearer to each other are averaged: more of them add cost, not knowledge."""
FEWEST_ROWS = 8
SEEN_MM = 3.0
"""The reference sees a row so far inside a stretch, in its margin, where what a lesion takes is still allowed for."""
FEWEST_SEEN = 4
"""Where a path is diseased from end to end, so many rows nearest to the ends of its stretches tell the reference."""

# What is believed before the data: judgement, no source. The study of generated vessels shows what it costs.
TAPER_PER_MM = (-0.006, 0.010)
STEP_SD_RATIO = 0.5
STEP_SD_MM = 0.05
WANDER_MM, WANDER_REACH_MM = 0.1, 25.0
TAKEN_RATIO, TAKEN_REACH_MM = 0.4, 4.5
RAMP_MM = 4.0
LEVEL_SD_MM = 2.0

LEAST_NOISE_MM = 0.02
DRAWS = 400
_ROUNDS = 4


@dataclass(frozen=True)
class Mouth:
    """A branch as the reference sees it.

    Attributes
    ----------
    at_mm : float
        Where it leaves.
    diameter_mm : float
        Its diameter.
    """

    at_mm: float
    diameter_mm: float


@dataclass(frozen=True)
class Span:
    """A stretch of the path.

    Attributes
    ----------
    from_mm, to_mm : float
        Its ends.
    """

    from_mm: float
    to_mm: float


@dataclass(frozen=True, eq=False)
class Lumen:
    """The measured lumen, ready to fit.

    Attributes
    ----------
    s_mm, diameter_mm : ndarray, shape (n,)
        Places in rising order, and diameters there.
    sd_mm : float
        The measurement's own error of a diameter, one standard deviation: the median of the rows.
    local_mm : ndarray, shape (n,)
        What the error of a row has beyond that, in quadrature; 0 where it is no larger.
    """

    s_mm: FloatArray
    diameter_mm: FloatArray
    sd_mm: float
    local_mm: FloatArray


@dataclass(frozen=True, eq=False)
class ReferenceFit:
    """Reference and lumen on an even grid, as draws.

    Attributes
    ----------
    s_mm : ndarray, shape (m,)
        Grid.
    reference_mm, lumen_mm : ndarray, shape (m,)
        Mean of each.
    reference_draws_mm, lumen_draws_mm : ndarray, shape (draws, m)
        Joint draws; the measurement's common error shifts both of a draw alike, a larger error of some rows each by
        itself: the lumen where those rows are, the reference by what healthy rows have of it.
    diseased : tuple of Span
        Stretches left out of the reference.
    noise_mm, common_mm : float
        Error of a diameter from row to row, and common to all rows.
    """

    s_mm: FloatArray
    reference_mm: FloatArray
    lumen_mm: FloatArray
    reference_draws_mm: FloatArray
    lumen_draws_mm: FloatArray
    diseased: tuple[Span, ...]
    noise_mm: float
    common_mm: float


def lumen_from_rows(s_mm: FloatArray, diameter_mm: FloatArray, *, sd_mm: float | FloatArray) -> Lumen:
    """Return the measured lumen with rows nearer than half a millimetre averaged.

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Places along the path [mm], not falling.
    diameter_mm : ndarray, shape (n,)
        Lumen diameter [mm], above 0.
    sd_mm : float or ndarray, shape (n,)
        The measurement's own error of a diameter, one standard deviation [mm], of all rows or of each.

    Returns
    -------
    Lumen
        Rows at least half a millimetre apart.

    Raises
    ------
    InputError
        Too few rows, or a value that is not finite or not positive.
    """
    s, d = np.asarray(s_mm, dtype=np.float64), np.asarray(diameter_mm, dtype=np.float64)
    sd = np.broadcast_to(np.asarray(sd_mm, dtype=np.float64), d.shape)
    good = np.isfinite(s).all() and np.isfinite(d).all() and bool((d > 0.0).all())
    if s.shape != d.shape or not good or np.any(np.diff(s) < 0.0):
        raise InputError(
            "a lumen is places in rising order with a diameter each",
            field="diameter_mm",
            allowed="finite, above 0 mm",
        )
    if not np.isfinite(sd).all() or np.any(sd < 0.0):
        raise InputError("an error is a spread", field="sd_mm", allowed="finite, 0 mm or more")
    cell = np.floor((s - s[0]) / CELL_MM + 1e-9).astype(int)
    _, inverse, counts = np.unique(cell, return_inverse=True, return_counts=True)
    mean_s = np.bincount(inverse, s) / counts
    mean_d = np.bincount(inverse, d) / counts
    if len(mean_s) < FEWEST_ROWS:
        raise InputError(
            "too few rows to fit a reference",
            field="s_mm",
            value=len(mean_s),
            allowed=f"{FEWEST_ROWS} or more, half a millimetre apart",
        )
    # Rows of one cell share most of their error, so it is not divided by their number.
    usual = float(np.median(sd))
    local = np.sqrt(np.maximum(np.bincount(inverse, sd**2) / counts - usual**2, 0.0))
    return Lumen(mean_s, mean_d, usual, np.where(local > 1e-6, local, 0.0))  # less is rounding


def fit_reference(
    lumen: Lumen,
    mouths: Sequence[Mouth],
    diseased: Sequence[Span],
    *,
    rng: np.random.Generator,
    noise: tuple[float, float] | None = None,
) -> ReferenceFit:
    """Return reference and lumen along the path, with the diseased stretches known.

    Parameters
    ----------
    lumen : Lumen
        What was measured.
    mouths : sequence of Mouth
        Branches.
    diseased : sequence of Span
        Stretches that say nothing about the reference.
    rng : numpy.random.Generator
        For the draws.
    noise : tuple of float, optional
        Error from row to row [mm] and the correlation of neighbours; found from the healthy rows where
        missing.

    Returns
    -------
    ReferenceFit
        Means and draws.

    Notes
    -----
    What lies deeper in a diseased stretch than `SEEN_MM` cannot move the reference, which does not see it. The
    prior of a branch's step is centred on the law of Huo and Kassab at the reference before it, and depends on
    that weakly, so it is set from the fit and the fit repeated.
    """
    healthy = _seen(lumen.s_mm, diseased)
    level_mm = _first_level_mm(lumen, healthy, mouths)
    found = noise or (max(lumen.sd_mm, LEAST_NOISE_MM), 0.0)
    model = _model(lumen, mouths, diseased, level_mm, found)
    for _ in range(2):
        level_mm = np.interp(_before(mouths), model.grid, model.mean_reference())
        if noise is None:
            found = _noise_of(lumen, healthy, model)
        model = _model(lumen, mouths, diseased, level_mm, found)
    fit = model.as_fit(rng, diseased, lumen.sd_mm)
    return _with_local_error(fit, lumen, healthy, rng) if lumen.local_mm.any() else fit


def _with_local_error(
    fit: ReferenceFit, lumen: Lumen, healthy: BoolArray, rng: np.random.Generator
) -> ReferenceFit:
    """Return the fit with the larger error of some rows in its draws: whole along them, which is the most it can be."""
    of_lumen = np.interp(fit.s_mm, lumen.s_mm, lumen.local_mm)
    of_reference = np.interp(fit.s_mm, lumen.s_mm[healthy], lumen.local_mm[healthy])
    by_lumen, by_reference = rng.standard_normal((2, len(fit.lumen_draws_mm), 1))
    return replace(
        fit,
        reference_draws_mm=np.maximum(fit.reference_draws_mm + by_reference * of_reference, 0.3),
        lumen_draws_mm=np.maximum(fit.lumen_draws_mm + by_lumen * of_lumen, 0.05),
    )


def _before(mouths: Sequence[Mouth]) -> FloatArray:
    return np.array([mouth.at_mm - 1.0 for mouth in mouths])


def _first_level_mm(lumen: Lumen, healthy: BoolArray, mouths: Sequence[Mouth]) -> FloatArray:
    """Return a first guess of the reference before each branch: the upper part of what is healthy nearby."""
    kept = healthy if healthy.sum() >= 3 else np.ones_like(healthy)
    s, d = lumen.s_mm[kept], lumen.diameter_mm[kept]
    near = [d[np.argsort(np.abs(s - at))[:9]] for at in _before(mouths)]
    return np.array([np.quantile(values, 0.6) for values in near])


@dataclass(frozen=True, eq=False)
class _Model:
    """The Gaussian model in two steps: the reference from the healthy rows, then what lesions take from all rows."""

    grid: FloatArray
    rows: FloatArray
    healthy: BoolArray
    """Rows outside every diseased stretch: the only ones the reference sees."""
    observed: FloatArray
    mean_at_rows: FloatArray
    mean_at_grid: FloatArray
    slow: FloatArray
    """Half of the prior of the reference on rows and grid together: its covariance is slow @ slow.T."""
    taken: FloatArray
    """The same for what lesions take."""
    noise: tuple[float, float]

    def __post_init__(self) -> None:
        n, h, error = len(self.rows), self.healthy, self.noise_cov()
        slow, taken, margin = self.slow[:n][h], self.taken[:n], self.taken[:n][h]
        seen = slow @ slow.T + margin @ margin.T + error[np.ix_(h, h)]
        object.__setattr__(self, "_of_slow", cho_factor(seen, lower=True))
        object.__setattr__(self, "_of_taken", cho_factor(taken @ taken.T + error, lower=True))

    def noise_cov(self) -> FloatArray:
        sd, correlation = self.noise
        gap = np.abs(self.rows[:, None] - self.rows[None, :])
        if correlation < 0.05:
            return np.eye(len(self.rows)) * sd**2
        step = float(np.median(np.diff(self.rows)))
        return np.asarray(sd**2 * correlation ** (gap / step) + 1e-10 * np.eye(len(self.rows)))

    def _slow_by(self, missed: FloatArray) -> FloatArray:
        """Return the reference, on rows and grid, that what was missed at the healthy rows asks for."""
        half = self.slow[: len(self.rows)][self.healthy]
        weights: FloatArray = cho_solve(self._of_slow, missed)  # type: ignore[attr-defined]
        return np.asarray(self.slow @ (half.T @ weights))

    def _taken_by(self, missed: FloatArray) -> FloatArray:
        """Return what lesions take, on rows and grid, that what was missed at the rows asks for."""
        half = self.taken[: len(self.rows)]
        weights: FloatArray = cho_solve(self._of_taken, missed)  # type: ignore[attr-defined]
        return np.asarray(self.taken @ (half.T @ weights))

    def means(self) -> tuple[FloatArray, FloatArray]:
        """Return the mean of the reference less its prior mean, and of what lesions take, on rows and grid."""
        missed = self.observed - self.mean_at_rows
        slow = self._slow_by(missed[self.healthy])
        return slow, self._taken_by(missed - slow[: len(self.rows)])

    def mean_reference(self) -> FloatArray:
        return self.mean_at_grid + self.means()[0][len(self.rows) :]

    def residual(self) -> FloatArray:
        """Return what the smooth parts leave over at the rows."""
        n = len(self.rows)
        slow, taken = self.means()
        return np.asarray(self.observed - self.mean_at_rows - slow[:n] - taken[:n])

    def draws(self, rng: np.random.Generator, count: int) -> tuple[FloatArray, FloatArray]:
        """Return joint draws of reference and lumen on the grid: prior draws moved by what they miss."""
        n, h = len(self.rows), self.healthy
        slow = self.slow @ rng.standard_normal((self.slow.shape[1], count))
        taken = self.taken @ rng.standard_normal((self.taken.shape[1], count))
        error = np.linalg.cholesky(self.noise_cov()) @ rng.standard_normal((n, count))
        off = (self.observed - self.mean_at_rows)[:, None]
        slow = slow + self._slow_by((off - slow[:n] - taken[:n] - error)[h])
        taken = taken + self._taken_by(off - slow[:n] - taken[:n] - error)
        reference = self.mean_at_grid[:, None] + slow[n:]
        return reference.T, (reference + taken[n:]).T

    def as_fit(self, rng: np.random.Generator, diseased: Sequence[Span], sd_mm: float) -> ReferenceFit:
        reference, lumen = self.draws(rng, DRAWS)
        # What the rows do not show among themselves is common to them, unless it is within the estimate's scatter.
        scatter = 1.0 + 1.0 / np.sqrt(2.0 * len(self.rows))
        common_mm = float(np.sqrt(max(sd_mm**2 - (scatter * self.noise[0]) ** 2, 0.0)))
        shift = common_mm * rng.standard_normal((DRAWS, 1))
        slow, taken = (part[len(self.rows) :] for part in self.means())
        mean = self.mean_at_grid + slow
        return ReferenceFit(
            self.grid,
            mean,
            mean + taken,
            np.maximum(reference + shift, 0.3),
            np.maximum(lumen + shift, 0.05),
            tuple(diseased),
            self.noise[0],
            common_mm,
        )


def _model(
    lumen: Lumen,
    mouths: Sequence[Mouth],
    diseased: Sequence[Span],
    level_mm: FloatArray,
    noise: tuple[float, float],
) -> _Model:
    rows = lumen.s_mm
    grid = np.arange(rows[0], rows[-1] + 1e-9, GRID_MM)
    places = np.concatenate([rows, grid])
    middle = float(np.mean(rows))
    healthy = _seen(rows, diseased)
    top = float(np.quantile(lumen.diameter_mm[healthy], 0.75))
    mean = top + TAPER_PER_MM[0] * (places - middle)
    columns = [np.full(places.shape, LEVEL_SD_MM), TAPER_PER_MM[1] * (places - middle)]
    for mouth, before_mm in zip(mouths, level_mm, strict=True):
        branch_mm = min(mouth.diameter_mm, 0.9 * before_mm)
        step = beyond_branch_mm(mother_mm=before_mm, branch_mm=branch_mm) - before_mm
        after = _after(places, mouth)
        mean += step * after
        columns.append((STEP_SD_RATIO * abs(step) + STEP_SD_MM) * after)
    wander = WANDER_MM * _half_of_matern(places, WANDER_REACH_MM)
    slow = np.column_stack([*columns, wander])
    presence = TAKEN_RATIO * top * _presence(places, diseased)
    taken = presence[:, None] * _half_of_matern(places, TAKEN_REACH_MM)
    n = len(rows)
    return _Model(grid, rows, healthy, lumen.diameter_mm, mean[:n], mean[n:], slow, taken, noise)


def _after(places: FloatArray, mouth: Mouth) -> FloatArray:
    """Return 0 before a branch and 1 beyond it; the lumen changes over the width of the mouth."""
    width_mm = max(mouth.diameter_mm, GRID_MM)
    return np.clip((places - mouth.at_mm) / width_mm + 0.5, 0.0, 1.0)


def _presence(places: FloatArray, diseased: Sequence[Span]) -> FloatArray:
    return np.clip(_depth(places, diseased) / RAMP_MM, 0.0, 1.0)


def _depth(places: FloatArray, diseased: Sequence[Span]) -> FloatArray:
    """Return how deep in a diseased stretch each place lies [mm]; below 0 outside all of them."""
    depth = np.full(places.shape, -np.inf)
    for span in diseased:
        depth = np.maximum(depth, np.minimum(places - span.from_mm, span.to_mm - places))
    return depth


def _seen(rows: FloatArray, diseased: Sequence[Span]) -> BoolArray:
    """Return the rows that the reference sees: outside every stretch or in its margin, at least the few nearest to an edge."""
    depth = _depth(rows, diseased)
    return np.asarray(depth <= max(float(np.partition(depth, FEWEST_SEEN - 1)[FEWEST_SEEN - 1]), SEEN_MM))


def _half_of_matern(places: FloatArray, reach_mm: float) -> FloatArray:
    """Return a half of the Matern covariance of order 5/2 at places [mm]: half @ half.T is the covariance."""
    knots = np.arange(places.min(), places.max() + reach_mm / 6.0, reach_mm / 6.0)
    inner = _matern(knots[:, None] - knots[None, :], reach_mm) + 1e-8 * np.eye(len(knots))
    half = np.linalg.cholesky(inner)
    across = _matern(places[:, None] - knots[None, :], reach_mm)
    return np.asarray(np.linalg.solve(half, across.T).T)


def _matern(gap_mm: FloatArray, reach_mm: float) -> FloatArray:
    x = np.sqrt(5.0) * np.abs(gap_mm) / reach_mm
    return np.asarray((1.0 + x + x**2 / 3.0) * np.exp(-x))


def _noise_of(lumen: Lumen, healthy: BoolArray, model: _Model) -> tuple[float, float]:
    """Return the error from row to row and the correlation of neighbours, from the healthy rows."""
    residual = model.residual()[healthy]
    if residual.size < 6:
        return max(lumen.sd_mm, LEAST_NOISE_MM), 0.0
    # The fit takes some of the scatter: two degrees of freedom for the line, one for every reach of the
    # wander.
    span = float(lumen.s_mm[-1] - lumen.s_mm[0])
    taken = min(2.0 + span / WANDER_REACH_MM, 0.5 * residual.size)
    size = residual.size
    cut = 3.0 * 1.4826 * float(np.median(np.abs(residual)))
    kept = np.clip(residual, -max(cut, LEAST_NOISE_MM), max(cut, LEAST_NOISE_MM))
    variance = float(np.sum(kept**2)) / (size - taken)
    paired = healthy[1:] & healthy[:-1]
    every = model.residual()
    products = (every[1:] * every[:-1])[paired]
    correlation = float(np.mean(products)) / max(variance, 1e-12) if products.size >= 12 else 0.0
    correlation = float(np.clip(correlation, 0.0, 0.9))
    # A correlation within its own scatter of none is none.
    if correlation < 2.0 / np.sqrt(max(products.size, 1)):
        correlation = 0.0
    return max(float(np.sqrt(variance)), LEAST_NOISE_MM), correlation
