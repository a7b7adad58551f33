"""Where a lumen that intravascular imaging measured overrides the reference by angiography, and how far it reaches."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

REACH_MM = 10.0
"""Over this length beyond where imaging measured, angiography's reference comes back: judgement, no source."""


@dataclass(frozen=True)
class Seen:
    """A lumen as imaging saw it.

    Attributes
    ----------
    at_mm : float
        Place on the path.
    lumen_mm : float
        Mean diameter there.
    pullback : int
        Which pullback; what lies between two places of one pullback was passed by it.
    """

    at_mm: float
    lumen_mm: float
    pullback: int


def seen_reference_mm(s_mm: FloatArray, reference_mm: FloatArray, seen: Sequence[Seen]) -> FloatArray:
    """Return the reference along the path with what imaging measured in its place.

    Parameters
    ----------
    s_mm : ndarray, shape (m,)
        Places [mm], increasing.
    reference_mm : ndarray, shape (m,)
        Reference by angiography [mm].
    seen : sequence of Seen
        Where imaging measured, in any order; of two at one place the mean counts.

    Returns
    -------
    ndarray, shape (m,)
        Reference [mm]: imaging's where it measured, angiography's from 10 mm away on.

    Notes
    -----
    The ratio of the two is 1 from `REACH_MM` beyond the outermost places on, and linear in between. Two places less
    than twice that apart, or of one pullback, are joined by one line; elsewhere the ratio comes back to 1 between them.

    Examples
    --------
    >>> s = np.array([0.0, 40.0, 50.0, 55.0, 60.0, 90.0])
    >>> seen_reference_mm(s, np.full(6, 3.0), [Seen(50.0, 3.6, 0)]).round(2).tolist()
    [3.0, 3.0, 3.6, 3.3, 3.0, 3.0]
    """
    if not seen:
        return reference_mm
    placed = sorted(seen, key=lambda x: x.at_mm)
    ratios = [x.lumen_mm / float(np.interp(x.at_mm, s_mm, reference_mm)) for x in placed]
    knots = [(placed[0].at_mm - REACH_MM, 1.0), (placed[0].at_mm, ratios[0])]
    for (a, b), ratio in zip(pairwise(placed), ratios[1:], strict=True):
        if a.pullback != b.pullback and b.at_mm - a.at_mm > 2.0 * REACH_MM:
            knots += [(a.at_mm + REACH_MM, 1.0), (b.at_mm - REACH_MM, 1.0)]
        knots.append((b.at_mm, ratio))
    knots.append((placed[-1].at_mm + REACH_MM, 1.0))
    places, at = np.unique([place for place, _ in knots], return_inverse=True)
    mean = np.bincount(at, weights=[ratio for _, ratio in knots]) / np.bincount(at)
    return np.asarray(reference_mm * np.interp(s_mm, places, mean))
