"""Distributions as three numbers."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.quantiles import Quantiles

FloatArray = NDArray[np.float64]


def quantiles(values: FloatArray) -> Quantiles:
    """Return the 10th, 50th and 90th percentile, null where that share of draws never gets there."""
    found = np.quantile(values, [0.1, 0.5, 0.9], method="inverted_cdf")
    return Quantiles(**{name: finite(v) for name, v in zip(("p10", "p50", "p90"), found, strict=True)})


def finite(value: float) -> float | None:
    """Return the number to four decimals, or null where it is infinite."""
    return round(float(value), 4) if np.isfinite(value) else None
