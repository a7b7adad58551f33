"""Transfer curves for every draw from a small design of solves.

The shape is solved at a few points of the shape inputs' space. At each the push at the guide comes with its derivatives in every input
(they cost one back-substitution each), so a full quadratic per depth and load level is fitted to values and slopes together. The other
readings are fitted linearly. Loads that a design point does not hold are filled by carrying its curve on in a straight line: they are
used only to interpolate, what is held is decided by the prolapse load, fitted in its logarithm.
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
from backstay.core.mechanics.march import PUSH

FloatArray = NDArray[np.float64]

DESIGN_POINTS = 13
"""The median case and twelve more, spread over the inputs' distribution."""
DESIGN_SEED = 20_240_117
SLOPE_WEIGHT = 0.7
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


def curves_for_draws(
    transfers: Sequence[Transfer],
    specs: Sequence[DrawSpec],
    scores: FloatArray,
    *,
    at: FloatArray,
    search_to_N: FloatArray,
) -> Curves:
    """Fit the design's solves and evaluate them for every draw.

    Parameters
    ----------
    transfers : sequence of Transfer
        One per design point.
    specs : sequence of DrawSpec
        The uncertain inputs.
    scores : ndarray, shape (points, 6)
        The design.
    at : ndarray, shape (count, 6)
        Standard scores of the draws.
    search_to_N : ndarray, shape (d,)
        Load up to which prolapse was looked for [N].

    Returns
    -------
    Curves
        For every draw; at a depth that too few design points hold unloaded, readings NaN and a prolapse load of 0.
    """
    readings, slopes = _carried_on(transfers)
    points, depths, levels, kinds = readings.shape
    scale = np.array([spec.spread for spec in _specs(specs)])
    held = np.isfinite(readings[:, :, 0, PUSH])
    out = np.empty((len(at), depths, levels, kinds))
    prolapse = np.full((len(at), depths), np.inf)
    raw = np.stack([t.prolapse_N for t in transfers])
    linear, linear_at = np.column_stack([np.ones(points), scores]), np.column_stack([np.ones(len(at)), at])
    square, square_at = _quadratic(scores), _quadratic(at)
    slope_rows = [_quadratic_slope(scores, k) * SLOPE_WEIGHT for k in range(scores.shape[1])]
    for d in range(depths):
        rows = held[:, d]
        if rows.sum() < max(scores.shape[1] + 2, points // 2):
            out[:, d] = np.nan
            prolapse[:, d] = 0.0
            continue
        values = readings[rows, d]
        fit = np.linalg.lstsq(linear[rows], values.reshape(rows.sum(), -1), rcond=None)[0]
        out[:, d] = (linear_at @ fit).reshape(len(at), levels, kinds)
        system = np.vstack([square[rows], *[block[rows] for block in slope_rows]])
        steep = slopes[rows, d] * scale * SLOPE_WEIGHT
        right = np.vstack([values[:, :, PUSH], *[steep[:, :, k] for k in range(scores.shape[1])]])
        push = np.linalg.lstsq(system, right, rcond=None)[0]
        out[:, d, :, PUSH] = square_at @ push
        if np.isfinite(raw[:, d]).any():
            logs = np.log(
                np.maximum(np.where(np.isfinite(raw[:, d]), raw[:, d], BEYOND_SEARCH * search_to_N[d]), 1e-3)
            )
            prolapse[:, d] = np.exp(linear_at @ np.linalg.lstsq(linear, logs, rcond=None)[0])
    return Curves(transfers[0].tips_mm, transfers[0].levels_N, out, prolapse)
