"""A lab's own readings of what its guides and extensions hold, and what they make of the estimates.

A reading is a force read off a kitchen scale. It tells of the reference guide's hold through the ratio of the
guide on the board, and with an extension of the extension's factor as well. All are log-normal: the estimate
after the readings is the most likely one, its spread the curvature there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from backstay.errors import InputError

BOARD_SD = 0.30
"""How far hold on a board is from hold in a patient, of the logarithm; common to all readings of a lab, so more readings do not shrink it
(judgement, no source)."""
RATIO_SD = 0.20
"""How far a guide's own ratio to the reference may be off, of the logarithm (judgement, no source). It is one error per guide and way in:
reading the same guide again does not shrink it."""
_ROUNDS = 30


@dataclass(frozen=True)
class Reading:
    """One set of repeated readings.

    Attributes
    ----------
    on_board : str
        Which guide by which way in; readings with the same name share the error of its ratio.
    forces_N : tuple of float
        Every reading.
    error_N : float
        What the scale and its reading are off by, one standard deviation.
    guide_ratio : float
        Hold of the guide against the reference guide, without extension.
    extension_gain : float
        What the extension adds, as a part of the guide's hold; 0 without one.
    """

    on_board: str
    forces_N: tuple[float, ...]
    error_N: float
    guide_ratio: float
    extension_gain: float

    def __post_init__(self) -> None:
        if not self.forces_N or min(self.forces_N) <= 0.0:
            raise InputError(
                "a reading must be a force above 0", field="grams", value=self.forces_N, allowed="above 0"
            )

    @property
    def log_mean(self) -> float:
        """Return the logarithm of the mean force."""
        return math.log(sum(self.forces_N) / len(self.forces_N))

    @property
    def log_sd(self) -> float:
        """Return the error of that logarithm: scatter of the repeats and the scale's error, whichever is known."""
        mean = sum(self.forces_N) / len(self.forces_N)
        count = len(self.forces_N)
        scatter = float(np.std(self.forces_N, ddof=1)) / math.sqrt(count) if count > 1 else 0.0
        return math.hypot(scatter, self.error_N) / mean


@dataclass(frozen=True)
class Prior:
    """Two log-normal inputs: hold of the reference guide, and what an extension adds.

    Attributes
    ----------
    hold_N, hold_sd : float
        Median and spread of the reference guide's hold.
    extension_factor, extension_sd : float
        Median and spread of the factor on what an extension adds.
    """

    hold_N: float
    hold_sd: float
    extension_factor: float
    extension_sd: float


def narrowed(prior: Prior, readings: Sequence[Reading]) -> Prior:
    """Return the inputs after a lab's readings.

    Parameters
    ----------
    prior : Prior
        Before.
    readings : sequence of Reading
        The lab's, in any order; none leaves the prior as it is.

    Returns
    -------
    Prior
        After.

    Notes
    -----
    log reading = log hold + log ratio + error of that ratio + log(1 + factor x gain) + error of the reading. The
    most likely values follow by Gauss-Newton, the spreads from the curvature there. The hold's spread keeps the
    part between board and patient (0.3).

    Examples
    --------
    >>> before = Prior(1.0, 0.7, 1.0, 0.2)
    >>> after = narrowed(before, [Reading("guide-6-ebl femoral", (0.5, 0.52, 0.48), 0.03, 1.0, 0.0)])
    >>> round(after.hold_N, 2), round(after.hold_sd, 2)
    (0.54, 0.36)
    """
    if not readings:
        return prior
    boards = sorted({reading.on_board for reading in readings})
    begun = np.zeros(2 + len(boards))
    begun[:2] = math.log(prior.hold_N), math.log(prior.extension_factor)
    own = math.sqrt(max(prior.hold_sd**2 - BOARD_SD**2, 1e-6))
    weight = 1.0 / np.array([own, prior.extension_sd] + [RATIO_SD] * len(boards)) ** 2
    at, precision = begun.copy(), np.diag(weight)
    for _ in range(_ROUNDS):
        pull, precision = weight * (begun - at), np.diag(weight)
        for reading in readings:
            added = math.exp(at[1]) * reading.extension_gain
            ratio_error = 2 + boards.index(reading.on_board)
            slope = np.zeros(len(at))
            slope[0] = slope[ratio_error] = 1.0
            slope[1] = added / (1.0 + added)
            expected = at[0] + at[ratio_error] + math.log(reading.guide_ratio) + math.log1p(added)
            pull += slope * (reading.log_mean - expected) / reading.log_sd**2
            precision += np.outer(slope, slope) / reading.log_sd**2
        at = at + np.linalg.solve(precision, pull)
    spread = np.linalg.inv(precision)
    return Prior(
        math.exp(at[0]),
        math.sqrt(spread[0, 0] + BOARD_SD**2),
        math.exp(at[1]),
        math.sqrt(spread[1, 1]),
    )
