"""Particles of a standard normal prior and some data, after one more piece of data.

The new piece is let in by degrees. At each the particles are weighted, resampled when their effective number would fall to half, and
moved by a proposal that leaves their own fitted Gaussian as it is [@delmoral2006; @cotter2013].
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LOWEST_SHARE = 0.5
"""Of particles: effective number at which they are resampled."""
MOVES, MOVES_BETWEEN = 4, 2
"""Moves after the last resampling at most, and after each before it: those only spread what resampling doubled."""
MOVED = 0.97
"""Once this share of particles is taken to have moved since the last resampling, further moves are left out."""
_STEP, _SMALLEST_STEP = 0.75, 0.15
_RIDGE = 1e-6
_NOTHING = 1e-9


@dataclass(frozen=True)
class Tempered:
    """Particles after one more piece of data.

    Attributes
    ----------
    scores : ndarray, shape (count, k)
        Equally weighted.
    log_expected : float
        Logarithm of the likelihood of the new data, averaged over the particles before it.
    shares, accepted : tuple of float
        Effective share of particles at each degree; share of each move accepted.
    """

    scores: FloatArray
    log_expected: float
    shares: tuple[float, ...]
    accepted: tuple[float, ...]


def temper(
    scores: FloatArray, log_likelihoods: Callable[[FloatArray], FloatArray], *, rng: np.random.Generator
) -> Tempered:
    """Return particles of a N(0, I) prior and some data after one more piece of data.

    Parameters
    ----------
    scores : ndarray, shape (count, k)
        Particles with all pieces but the last let in.
    log_likelihoods : callable
        Of scores (count, k): the log-likelihood of every piece, shape (pieces, count), the new one last.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Tempered
    """
    z = scores
    logs = log_likelihoods(z)
    top = float(logs[-1].max())
    expected = top + float(np.log(np.mean(np.exp(logs[-1] - top))))
    if np.ptp(logs[-1]) < _NOTHING:  # it tells the particles apart by nothing, and would only stir them
        return Tempered(z, expected, (1.0,), ())
    done, shares, accepted, step = 0.0, [], [], _STEP
    while done < 1.0:
        more = _degree(logs[-1], 1.0 - done)
        weights = _weights(more * logs[-1])
        shares.append(1.0 / (len(z) * float(np.sum(weights**2))))
        done = 1.0 if more >= 1.0 - done else done + more
        near = _Near(z, weights)
        rows = _systematic(weights, rng)
        z, logs = z[rows], logs[:, rows]
        still = 1.0
        for _ in range(MOVES if done == 1.0 else MOVES_BETWEEN):
            z, logs, share = _moved(z, logs, log_likelihoods, near, done, step, rng)
            accepted.append(share)
            still *= 1.0 - share
            step = float(min(max(step * np.exp(share - 0.3), _SMALLEST_STEP), 1.0))
            if still < 1.0 - MOVED:
                break
    return Tempered(z, expected, tuple(shares), tuple(accepted))


class _Near:
    """The Gaussian nearest to weighted particles."""

    def __init__(self, z: FloatArray, weights: FloatArray) -> None:
        self.middle = weights @ z
        away = z - self.middle
        self.root = np.linalg.cholesky((away * weights[:, None]).T @ away + _RIDGE * np.eye(z.shape[1]))
        self.inverse = np.linalg.inv(self.root)

    def log_density(self, z: FloatArray) -> FloatArray:
        """Return the log-density but for a constant."""
        return np.asarray(-0.5 * np.sum(((z - self.middle) @ self.inverse.T) ** 2, axis=1))


def _weights(logs: FloatArray) -> FloatArray:
    weights = np.exp(logs - logs.max())
    return np.asarray(weights / weights.sum())


def _degree(logs: FloatArray, most: float) -> float:
    """Return how far an attempt can be let in before the effective share of particles falls to `LOWEST_SHARE`."""

    def share(degree: float) -> float:
        return 1.0 / (len(logs) * float(np.sum(_weights(degree * logs) ** 2)))

    if share(most) >= LOWEST_SHARE:
        return most
    low, high = 0.0, most
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if share(middle) >= LOWEST_SHARE else (low, middle)
    return max(low, 1e-6 * most)


def _systematic(weights: FloatArray, rng: np.random.Generator) -> NDArray[np.int64]:
    """Return which particles go on, by systematic resampling."""
    marks = (np.arange(len(weights)) + rng.random()) / len(weights)
    return np.minimum(np.searchsorted(np.cumsum(weights), marks), len(weights) - 1)


def _moved(
    z: FloatArray,
    logs: FloatArray,
    told: Callable[[FloatArray], FloatArray],
    near: _Near,
    done: float,
    step: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, float]:
    """Return the particles after one move that leaves their distribution as it is, their likelihoods, and the share accepted.

    The proposal m + sqrt(1 - step^2) (z - m) + step N(0, C) is reversible for N(m, C), so only the ratio of the target to that
    Gaussian decides [@cotter2013].
    """
    noise = rng.standard_normal(z.shape) @ near.root.T
    other = near.middle + np.sqrt(1.0 - step * step) * (z - near.middle) + step * noise
    other_logs = told(other)

    def excess(at: FloatArray, of: FloatArray) -> FloatArray:
        tempered = of[:-1].sum(axis=0) + done * of[-1]
        return np.asarray(tempered - 0.5 * np.sum(at * at, axis=1) - near.log_density(at))

    take = np.log(rng.random(len(z))) < excess(other, other_logs) - excess(z, logs)
    return np.where(take[:, None], other, z), np.where(take, other_logs, logs), float(take.mean())
