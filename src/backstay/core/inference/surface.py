"""Transfer curves for every draw from a small design of solves.

The shape is solved at a few points of the shape inputs' space. At each the push at the guide comes with its derivatives in every input
(they cost one back-substitution each), so a full quadratic per depth and load level is fitted to values and slopes together. The other
readings are fitted linearly, those that cannot be negative (loads between members and on edges, turns) by their square roots. Loads
that a design point does not hold are filled by carrying its curve on in a straight line: they are used only to interpolate, what is
held is decided by the prolapse load, fitted in its logarithm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from backstay.core.inference.draws import DrawSet, DrawSpec
from backstay.core.mechanics.assembly import SHAPE_INPUTS, ShapeFactors
from backstay.core.mechanics.delivery import Transfer
from backstay.core.mechanics.march import PUSH, READINGS, WIRE_LOAD

FloatArray = NDArray[np.float64]

DESIGN_POINTS = 13
"""The median case and twelve more, spread over the inputs' distribution."""
DESIGN_SEED = 20_240_117
SLOPE_WEIGHT = 0.7
NEVER_NEGATIVE = slice(WIRE_LOAD, READINGS)
LEAST_SHARE = 0.05
"""Share of the load searched to below which a prolapse load is entered as that: in its logarithm a zero would outweigh all else."""
CLEAR_SHARE = 0.1
"""Distance from prolapse, as a share of the highest load, below which a point's push is not fitted."""
BEYOND_SEARCH = 1.25
"""A prolapse load that was not reached is entered as this multiple of the load searched to."""


def _specs(specs: Sequence[DrawSpec]) -> list[DrawSpec]:
    by_name = {spec.name: spec for spec in specs}
    return [by_name[name] for name in SHAPE_INPUTS]


def design(*, points: int = DESIGN_POINTS) -> FloatArray:
    """Return the design in standard scores: the median case, then points spread over the inputs' distribution.

    Parameters
    ----------
    points : int
        Size of the design.

    Returns
    -------
    ndarray, shape (points, 6)
        Standard scores of the shape inputs, columns as in `SHAPE_INPUTS`.

    Examples
    --------
    >>> scores = design(points=4)
    >>> scores.shape, scores[0].tolist()
    ((4, 6), [0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    """
    from scipy.stats import qmc  # takes a third of a second to import; what only reads files need not wait

    sampler = qmc.LatinHypercube(d=len(SHAPE_INPUTS), rng=np.random.default_rng(DESIGN_SEED))
    scores = np.clip(ndtri(sampler.random(points - 1)), -1.8, 1.8) * 1.15
    return np.vstack([np.zeros(scores.shape[1]), scores])


def factors_at(specs: Sequence[DrawSpec], score: FloatArray) -> ShapeFactors:
    """Return the shape inputs at one point of the design.

    Parameters
    ----------
    specs : sequence of DrawSpec
        The uncertain inputs, the six of `SHAPE_INPUTS` among them.
    score : ndarray, shape (6,)
        Standard scores, in the order of `SHAPE_INPUTS`.

    Returns
    -------
    ShapeFactors
        The inputs there.

    Examples
    --------
    >>> from backstay.core.inference.draws import DEFAULT_DRAWS
    >>> middle = factors_at(DEFAULT_DRAWS, np.zeros(6))
    >>> middle.radius_shift_sd, middle.curvature_factor
    (0.0, 1.0)
    """
    return ShapeFactors(
        **{spec.name: float(spec.at(np.asarray(z))) for spec, z in zip(_specs(specs), score, strict=True)}
    )


def scores_of(specs: Sequence[DrawSpec], draws: DrawSet) -> FloatArray:
    """Return the standard scores of every draw's shape inputs.

    Parameters
    ----------
    specs : sequence of DrawSpec
        The uncertain inputs, with the medians and spreads drawn from.
    draws : DrawSet
        The draws.

    Returns
    -------
    ndarray, shape (count, 6)
        Standard scores, columns as in `SHAPE_INPUTS`; 0 for an input without spread.

    Examples
    --------
    >>> from backstay.core.inference.draws import DEFAULT_DRAWS, median_case
    >>> bool(np.allclose(scores_of(DEFAULT_DRAWS, median_case(DEFAULT_DRAWS)), 0.0))
    True
    """
    columns = []
    for spec in _specs(specs):
        value = draws.values[spec.name]
        score = np.log(value / spec.median) if spec.kind == "lognormal" else value - spec.median
        columns.append(score / spec.spread if spec.spread > 0.0 else np.zeros_like(score))
    return np.stack(columns, axis=1)


def _quadratic(z: FloatArray) -> FloatArray:
    """Return the terms of a full quadratic, shape (n, 1 + d + d (d + 1) / 2), at points z (n, d)."""
    n, d = z.shape
    pairs = [z[:, i] * z[:, j] for i in range(d) for j in range(i, d)]
    return np.column_stack([np.ones(n), z, *pairs])


def _quadratic_slope(z: FloatArray, k: int) -> FloatArray:
    """Return the derivatives of the same terms in input k."""
    n, d = z.shape
    columns = [np.zeros(n)] + [np.full(n, float(i == k)) for i in range(d)]
    for i in range(d):
        for j in range(i, d):
            columns.append((z[:, j] if i == k else 0.0 * z[:, 0]) + (z[:, i] if j == k else 0.0 * z[:, 0]))
    return np.column_stack(columns)


def _carried_on(transfers: Sequence[Transfer]) -> tuple[FloatArray, FloatArray]:
    """Return readings (p, d, k, r) and slopes (p, d, k, 6) with loads that are not held filled by a straight line."""
    readings = np.stack([t.readings for t in transfers])
    slopes = np.stack([t.slopes for t in transfers])
    levels = transfers[0].levels_N.T[..., None]
    for k in range(1, len(levels)):
        missing = np.isnan(readings[:, :, k, PUSH])
        if not missing.any():
            continue
        if k == 1:
            ahead = readings[:, :, 0, :].copy()
            ahead[:, :, PUSH] += (levels[1] - levels[0])[:, 0]
            ahead_slopes = slopes[:, :, 0, :]
        else:
            ratio = (levels[k] - levels[k - 1]) / (levels[k - 1] - levels[k - 2])
            ahead = readings[:, :, k - 1] + ratio * (readings[:, :, k - 1] - readings[:, :, k - 2])
            ahead_slopes = slopes[:, :, k - 1] + ratio * (slopes[:, :, k - 1] - slopes[:, :, k - 2])
        readings[:, :, k] = np.where(missing[..., None], ahead, readings[:, :, k])
        slopes[:, :, k] = np.where(missing[..., None], ahead_slopes, slopes[:, :, k])
    return readings, slopes


@dataclass(frozen=True)
class Curves:
    """Transfer curves of every draw.

    Attributes
    ----------
    tips_mm, levels_N : ndarray, shapes (d,) and (d, k)
        Depths, and each depth's loads.
    readings : ndarray, shape (count, d, k, READINGS)
        Readings of every draw.
    prolapse_N : ndarray, shape (count, d)
        Prolapse load of every draw; infinite where none was found at any design point.
    """

    tips_mm: FloatArray
    levels_N: FloatArray
    readings: FloatArray
    prolapse_N: FloatArray


def _usable(transfers: Sequence[Transfer]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return which points are fitted at each depth and load (p, d, k), and the depths that enough points hold unloaded (d,).

    Close to prolapse the push turns steeply upwards and beyond it there is none: where enough other points are far from it, a point
    that is not is left to the fit of the prolapse load. Where too few are, all that hold the depth unloaded are fitted.
    """
    held = np.stack([np.isfinite(t.readings[:, 0, PUSH]) for t in transfers])
    levels = transfers[0].levels_N
    clear = np.stack([levels + CLEAR_SHARE * levels[:, -1:] <= t.prolapse_N[:, None] for t in transfers])
    clear &= held[:, :, None]
    fewest = max(len(SHAPE_INPUTS) + 2, len(transfers) // 2)
    usable = np.where(clear.sum(axis=0) >= fewest, clear, held[:, :, None])
    return usable, np.asarray(held.sum(axis=0) >= fewest)


@dataclass(frozen=True)
class Surface:
    """A design's solves fitted: the curves of any draws from the same inputs.

    Attributes
    ----------
    tips_mm, levels_N : ndarray, shapes (d,) and (d, k)
        Depths, and each depth's loads.
    linear : ndarray, shape (7, d, k, READINGS)
        Every reading's linear fit, or its square root's; NaN at a depth that too few design points hold unloaded.
    push_N : ndarray, shape (28, d, k)
        The push's full quadratic.
    log_prolapse : ndarray, shape (7, d)
        The linear fit of the logarithm of the prolapse load [N].
    prolapses, held : ndarray of bool, shape (d,)
        Depths where a prolapse load was found, and where enough design points are held unloaded.
    """

    tips_mm: FloatArray
    levels_N: FloatArray
    linear: FloatArray
    push_N: FloatArray
    log_prolapse: FloatArray
    prolapses: NDArray[np.bool_]
    held: NDArray[np.bool_]

    def curves(self, at: FloatArray) -> Curves:
        """Evaluate the fits.

        Parameters
        ----------
        at : ndarray, shape (count, 6)
            Standard scores of the draws.

        Returns
        -------
        Curves
            For every draw; at a depth that too few design points hold unloaded, readings NaN and a prolapse load of 0.
        """
        terms, count = np.column_stack([np.ones(len(at)), at]), len(at)
        readings = (terms @ self.linear.reshape(len(self.linear), -1)).reshape(count, *self.linear.shape[1:])
        readings[..., NEVER_NEGATIVE] = np.maximum(readings[..., NEVER_NEGATIVE], 0.0) ** 2
        push = _quadratic(at) @ self.push_N.reshape(len(self.push_N), -1)
        readings[..., PUSH] = push.reshape(count, *self.push_N.shape[1:])
        prolapse = np.where(self.prolapses, np.exp(terms @ self.log_prolapse), np.inf)
        return Curves(self.tips_mm, self.levels_N, readings, np.where(self.held, prolapse, 0.0))


def surface(
    transfers: Sequence[Transfer], specs: Sequence[DrawSpec], scores: FloatArray, *, search_to_N: FloatArray
) -> Surface:
    """Fit the design's solves.

    Parameters
    ----------
    transfers : sequence of Transfer
        One per design point.
    specs : sequence of DrawSpec
        The uncertain inputs.
    scores : ndarray, shape (points, 6)
        The design.
    search_to_N : ndarray, shape (d,)
        Load up to which prolapse was looked for [N].

    Returns
    -------
    Surface
        The fits.
    """
    usable, enough = _usable(transfers)
    readings, slopes = _carried_on(transfers)
    points, depths, levels, kinds = readings.shape
    readings[..., NEVER_NEGATIVE] = np.sqrt(np.maximum(readings[..., NEVER_NEGATIVE], 0.0))
    slopes *= np.array([spec.spread for spec in _specs(specs)]) * SLOPE_WEIGHT
    terms, square = np.column_stack([np.ones(points), scores]), _quadratic(scores)
    slope_rows = [_quadratic_slope(scores, k) * SLOPE_WEIGHT for k in range(scores.shape[1])]
    linear = np.full((terms.shape[1], depths, levels, kinds), np.nan)
    push = np.full((square.shape[1], depths, levels), np.nan)
    for rows in np.unique(
        usable[:, enough].reshape(points, -1), axis=1
    ).T:  # what the same points hold is fitted together
        same = enough[:, None] & (usable == rows[:, None, None]).all(axis=0)
        values, steep = readings[rows][:, same], slopes[rows][:, same]
        fit = np.linalg.lstsq(terms[rows], values.reshape(rows.sum(), -1), rcond=None)[0]
        linear[:, same] = fit.reshape(-1, *values.shape[1:])
        system = np.vstack([square[rows], *[block[rows] for block in slope_rows]])
        right = np.concatenate([values[..., PUSH], *np.moveaxis(steep, -1, 0)])
        push[:, same] = np.linalg.lstsq(system, right, rcond=None)[0]
    found = np.stack([t.prolapse_N for t in transfers])
    entered_N = np.where(np.isfinite(found), found, BEYOND_SEARCH * search_to_N)
    logs = np.log(np.maximum(entered_N, LEAST_SHARE * search_to_N))
    return Surface(
        tips_mm=transfers[0].tips_mm,
        levels_N=transfers[0].levels_N,
        linear=linear,
        push_N=push,
        log_prolapse=np.linalg.lstsq(terms, logs, rcond=None)[0],
        prolapses=np.asarray(np.isfinite(found).any(axis=0)),
        held=enough,
    )


def curves_for_draws(
    transfers: Sequence[Transfer],
    specs: Sequence[DrawSpec],
    scores: FloatArray,
    *,
    at: FloatArray,
    search_to_N: FloatArray,
) -> Curves:
    """Fit the design's solves and evaluate them for every draw: `surface` and `Surface.curves` in one.

    Parameters
    ----------
    transfers, specs, scores
        As in `surface`.
    at : ndarray, shape (count, 6)
        Standard scores of the draws.
    search_to_N : ndarray, shape (d,)
        As in `surface`.

    Returns
    -------
    Curves
        As in `Surface.curves`.
    """
    return surface(transfers, specs, scores, search_to_N=search_to_N).curves(at)
