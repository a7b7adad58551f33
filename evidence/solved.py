"""What the studies share: one solve of one set of inputs turned into the answer the draws would get from it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.assembly import SHAPE_INPUTS, ShapeFactors
from backstay.core.mechanics.delivery import Transfer
from backstay.core.mechanics.march import PUSH

FloatArray = NDArray[np.float64]


def factors_of(draws: DrawSet, i: int) -> ShapeFactors:
    """Return the shape inputs of draw `i`."""
    return ShapeFactors(**{name: float(draws[name][i]) for name in SHAPE_INPUTS})


def carried_on(readings: FloatArray, levels_N: FloatArray) -> FloatArray:
    """Return readings (d, k, r) with loads (d, k) that are not held filled by a straight line through the last two held.

    They only serve to read a load between the last level held and the prolapse load; what is held is the prolapse load's to say.
    """
    filled = readings.copy()
    for k in range(1, levels_N.shape[1]):
        missing = np.isnan(filled[:, k, PUSH])
        step = levels_N[:, k] - levels_N[:, k - 1]
        if k == 1:
            ahead = filled[:, 0].copy()
            ahead[:, PUSH] += step
        else:
            ratio = step / (levels_N[:, k - 1] - levels_N[:, k - 2])
            ahead = filled[:, k - 1] + ratio[:, None] * (filled[:, k - 1] - filled[:, k - 2])
        filled[:, k] = np.where(missing[:, None], ahead, filled[:, k])
    return filled


def curves_of(transfers: Sequence[Transfer]) -> Curves:
    """Return one transfer per draw as the curves of those draws, with nothing fitted."""
    first = transfers[0]
    readings = np.stack([carried_on(t.readings, t.levels_N) for t in transfers])
    return Curves(first.tips_mm, first.levels_N, readings, np.stack([t.prolapse_N for t in transfers]))


def p50(values: FloatArray) -> float:
    """Return the median as the plan shows it: infinite where half the draws never get there."""
    return float(np.quantile(values, 0.5, method="inverted_cdf"))
