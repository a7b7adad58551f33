"""Reference diameter and narrowings along a measured vessel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.errors import InputError

FloatArray = NDArray[np.float64]

NARROWER_SHARE = 0.12
"""A narrowing begins where the lumen is this much below its reference; judgement, no source."""
LEAST_STENOSIS_SHARE = 0.25
"""Shallower ones are not listed; judgement, no source."""
JOINED_WITHIN_MM = 1.5
SHORTEST_MM = 1.5
"""Shorter dips stand where a branch leaves or a rib crosses, not where a plaque lies; judgement, no source."""


@dataclass(frozen=True)
class Stenosis:
    """One narrowing.

    Attributes
    ----------
    from_mm, to_mm, at_mm : float
        Where it begins, ends and is tightest.
    least_diameter_mm, least_diameter_sd_mm : float
        Minimal lumen diameter and its error.
    reference_mm, reference_sd_mm : float
        Diameter the vessel would have there.
    """

    from_mm: float
    to_mm: float
    at_mm: float
    least_diameter_mm: float
    least_diameter_sd_mm: float
    reference_mm: float
    reference_sd_mm: float

    @property
    def stenosis_percent(self) -> float:
        """Return the loss of diameter in per cent of the reference."""
        return 100.0 * (1.0 - self.least_diameter_mm / self.reference_mm)

    @property
    def stenosis_sd_percent(self) -> float:
        """Return the error of the loss of diameter."""
        share = self.least_diameter_mm / self.reference_mm
        return float(
            100.0
            * np.hypot(
                self.least_diameter_sd_mm / self.reference_mm,
                share * self.reference_sd_mm / self.reference_mm,
            )
        )


def reference_diameter_mm(
    s_mm: FloatArray, diameter_mm: FloatArray, weights: FloatArray | None = None
) -> tuple[FloatArray, float]:
    """Return the diameter a vessel would have without its narrowings, and the error of that.

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Distance along the vessel [mm].
    diameter_mm : ndarray, shape (n,)
        Diameters [mm].
    weights : ndarray, shape (n,), optional
        Trust in each.

    Returns
    -------
    reference_mm : ndarray, shape (n,)
        A straight taper through what is not narrowed, found by leaving out, in turns, what lies well below it.
    sd_mm : float
        Error of the taper at its middle [mm].

    Raises
    ------
    InputError
        Fewer than ten places.
    """
    if len(s_mm) < 10:
        raise InputError(
            "too few places for a reference", field="s_mm", value=len(s_mm), allowed="10 or more"
        )
    trust = np.ones(len(s_mm)) if weights is None else weights
    x = 2.0 * (s_mm - s_mm[0]) / (s_mm[-1] - s_mm[0]) - 1.0
    basis = np.stack([np.ones_like(x), x], axis=1)
    # Start high: the upper part of the diameters, so that a long lesion does not drag the line down.
    keep = diameter_mm >= np.quantile(diameter_mm, 0.5)
    fit = np.array([np.quantile(diameter_mm, 0.75), 0.0])
    spread = 0.1 * fit[0]
    for _ in range(12):
        w = trust * keep
        matrix = (basis * w[:, None]).T @ basis + np.diag([0.0, 0.02 * w.sum()])
        fit = np.linalg.solve(matrix, (basis * w[:, None]).T @ diameter_mm)
        left = diameter_mm - basis @ fit
        spread = float(np.clip(1.4826 * np.median(np.abs(left[keep])), 0.01 * fit[0], 0.08 * fit[0]))
        new = (left > -2.0 * spread) & (left < 3.0 * spread)
        if (new == keep).all() or new.sum() < 6:
            break
        keep = new
    # One in ten places stands alone.
    return basis @ fit, spread / np.sqrt(max(keep.sum() / 10.0, 1.0))


def stenoses(
    s_mm: FloatArray,
    diameter_mm: FloatArray,
    *,
    diameter_sd_mm: FloatArray,
    reference_mm: FloatArray,
    reference_sd_mm: float,
) -> tuple[Stenosis, ...]:
    """Return the narrowings along a vessel, in order.

    Parameters
    ----------
    s_mm, diameter_mm, diameter_sd_mm, reference_mm : ndarray, shape (n,)
        Distance, diameter, its error, reference [mm].
    reference_sd_mm : float
        Error of the reference [mm].

    Returns
    -------
    tuple of Stenosis
        Those that lose a quarter of the reference or more.
    """
    below = diameter_mm < (1.0 - NARROWER_SHARE) * reference_mm
    edges = np.flatnonzero(np.diff(np.concatenate([[0], below.astype(int), [0]])))
    runs: list[list[int]] = []
    for first, stop in zip(edges[::2], edges[1::2], strict=True):
        if runs and s_mm[first] - s_mm[runs[-1][1] - 1] < JOINED_WITHIN_MM:
            runs[-1][1] = int(stop)
        else:
            runs.append([int(first), int(stop)])
    found = []
    for first, stop in runs:
        if s_mm[stop - 1] - s_mm[first] < SHORTEST_MM:
            continue
        i = first + int(np.argmin(diameter_mm[first:stop] / reference_mm[first:stop]))
        if diameter_mm[i] > (1.0 - LEAST_STENOSIS_SHARE) * reference_mm[i]:
            continue
        found.append(
            Stenosis(
                float(s_mm[first]),
                float(s_mm[stop - 1]),
                float(s_mm[i]),
                float(diameter_mm[i]),
                float(diameter_sd_mm[i]),
                float(reference_mm[i]),
                reference_sd_mm,
            )
        )
    return tuple(found)
