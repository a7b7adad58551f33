"""Scales and ticks."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Scale:
    """A straight map from values to px.

    Attributes
    ----------
    low, high : float
        Values at the two ends.
    start, end : float
        Their places in px.
    """

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the place of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    @property
    def per_unit(self) -> float:
        """Return px per unit of value (without sign)."""
        return abs((self.end - self.start) / (self.high - self.low))


def step_for(span: float, most: int) -> float:
    """Return a tick step of 1, 2 or 5 times a power of ten that gives at most this many steps."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= rough * (1.0 - 1e-9))


def ticks(low: float, high: float, *, most: int) -> list[float]:
    """Return round values from low to high, at most about `most` steps apart."""
    step = step_for(high - low, most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [i * step for i in range(first, last + 1)]


def round_up(value: float) -> float:
    """Return the next value that ends an axis well."""
    step = step_for(value, 5)
    return math.ceil(value / step - 1e-9) * step
