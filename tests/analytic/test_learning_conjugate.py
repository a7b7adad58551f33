"""The particles against closed forms: a Gaussian measured through Gaussian noise, whose posterior is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from backstay.core.inference.tempering import temper

Array = NDArray[np.float64]
COUNT = 4096


def gaussian(directions: Array, seen: Array, sd: Array) -> tuple[Array, Array, float]:
    """Return mean and covariance after seeing `directions @ z + sd N(0, 1)` for z of N(0, I), and the density of what was seen."""
    precision = np.eye(directions.shape[1]) + directions.T @ np.diag(sd**-2) @ directions
    covariance = np.linalg.inv(precision)
    spread = directions @ directions.T + np.diag(sd**2)
    away = seen @ np.linalg.solve(spread, seen)
    density = np.exp(-0.5 * away) / np.sqrt(np.linalg.det(2.0 * np.pi * spread))
    return covariance @ directions.T @ (seen / sd**2), covariance, float(density)


def log_likelihoods(directions: Array, seen: Array, sd: Array) -> object:
    def at(z: Array) -> Array:
        away = (seen - z @ directions.T) / sd
        return np.asarray(-0.5 * away.T**2 - np.log(sd * np.sqrt(2.0 * np.pi))[:, None])

    return at


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_posterior_of_a_gaussian(seed: int) -> None:
    rng = np.random.default_rng(seed)
    dims, pieces = 20, 3
    directions = rng.standard_normal((pieces, dims)) / np.sqrt(dims)
    sd = np.array([0.5, 0.3, 0.2])
    seen = directions @ rng.standard_normal(dims) + sd * rng.standard_normal(pieces)
    z = rng.standard_normal((COUNT, dims))
    density = 1.0
    for k in range(1, pieces + 1):
        found = temper(z, log_likelihoods(directions[:k], seen[:k], sd[:k]), rng=rng)  # type: ignore[arg-type]
        z, density = found.scores, density * np.exp(found.log_expected)
    mean, covariance, exact = gaussian(directions, seen, sd)
    # Three resamplings by half leave at least an eighth of the particles effective, were nothing moved.
    error = np.sqrt(np.diag(covariance) / (COUNT / 8))
    assert np.all(np.abs(z.mean(axis=0) - mean) < 4.0 * error)
    assert np.abs(np.cov(z.T) - covariance).max() < 0.12
    assert density == pytest.approx(exact, rel=0.25)


def test_the_check_can_fail() -> None:
    rng = np.random.default_rng(1)
    directions, sd, seen = np.eye(2), np.array([0.3, 0.3]), np.array([1.0, -1.0])
    found = temper(rng.standard_normal((COUNT, 2)), log_likelihoods(directions, seen, sd), rng=rng)  # type: ignore[arg-type]
    # Only the last piece is let in: whoever forgets that the particles held none of the first is off by far.
    mean, covariance, _ = gaussian(directions, seen + 0.2, sd)
    error = np.sqrt(np.diag(covariance) / (COUNT / 8))
    assert np.any(np.abs(found.scores.mean(axis=0) - mean) > 4.0 * error)
