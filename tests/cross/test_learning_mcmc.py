"""The particles against a general-purpose MCMC library (emcee, an affine-invariant ensemble), on the real model with four unknowns free."""

from __future__ import annotations

from typing import Any

import emcee
import numpy as np
import pytest

from backstay.core.inference.attempts import Attempt, AttemptModel
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.core.inference.learning import log_likelihoods
from backstay.core.inference.tempering import temper
from backstay.identifiers import LimitedBy, Pushed

NAMES = [spec.name for spec in DEFAULT_DRAWS]
FREE = [NAMES.index(name) for name in ("guide_hold_N", "friction_wall", "lesion_factor", "radius_shift_sd")]
TRIES = [
    Attempt("a", "as_it_is", False, 56.0, LimitedBy.GUIDE_OUT, Pushed.FIRM),
    Attempt("b", "buddy_wire-workhorse", False, 52.0, None, Pushed.ALL_THAT_WAS_SAFE),
    Attempt("c", "extension_28mm", True, push=Pushed.ALL_THAT_WAS_SAFE),
]
COUNT = 4096
WALKERS, STEPS, LEFT_OUT = 64, 500, 100


def logs(demo_rigs: Any, free: np.ndarray, tries: list[Attempt]) -> np.ndarray:
    """Return the log-likelihood of every attempt at scores of the free unknowns, the others at their medians."""
    scores = np.zeros((len(free), len(NAMES)))
    scores[:, FREE] = free
    return log_likelihoods(tries, demo_rigs.quick, DEFAULT_DRAWS, scores, AttemptModel())


@pytest.fixture(scope="module")
def chain(demo_rigs: Any) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return mean, covariance and the standard error of the mean by the library."""

    def target(z: np.ndarray) -> np.ndarray:
        return logs(demo_rigs, z, TRIES).sum(axis=0) - 0.5 * np.sum(z**2, axis=1)

    sampler = emcee.EnsembleSampler(WALKERS, len(FREE), target, vectorize=True)
    start = np.random.default_rng(3).standard_normal((WALKERS, len(FREE)))
    state = emcee.State(start, random_state=np.random.RandomState(4).get_state())
    sampler.run_mcmc(state, STEPS)
    found = sampler.get_chain(discard=LEFT_OUT, flat=True)
    autocorrelation = sampler.get_autocorr_time(discard=LEFT_OUT, quiet=True)
    covariance = np.cov(found.T)
    return found.mean(axis=0), covariance, np.sqrt(np.diag(covariance) * autocorrelation / len(found))


def particles(demo_rigs: Any, tries: list[Attempt]) -> np.ndarray:
    """Return the particles after all attempts."""
    rng = np.random.default_rng(5)
    z = rng.standard_normal((COUNT, len(FREE)))
    for k in range(1, len(tries) + 1):
        z = temper(z, lambda at, k=k: logs(demo_rigs, at, tries[:k]), rng=rng).scores
    return z


def apart(z: np.ndarray, chain: tuple[np.ndarray, np.ndarray, np.ndarray]) -> float:
    """Return the largest difference of a mean in its Monte-Carlo errors.

    Each of the three resamplings leaves at least half of the particles effective, so an eighth of them stands behind a mean were nothing
    moved after it.
    """
    mean, covariance, error = chain
    both = np.sqrt(error**2 + np.diag(covariance) / (COUNT / 8))
    return float(np.max(np.abs(z.mean(axis=0) - mean) / both))


def test_means_and_covariances_agree(
    demo_rigs: Any, chain: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    z = particles(demo_rigs, TRIES)
    assert apart(z, chain) < 4.0
    sd = np.sqrt(np.diag(chain[1]))
    # A correlation from n independent points is off by about 1 / sqrt(n); n is at least COUNT / 8 on our side.
    assert np.abs((np.cov(z.T) - chain[1]) / np.outer(sd, sd)).max() < 4.0 * np.sqrt(2.0 / (COUNT / 8))
    assert np.all(chain[2] < 0.1)


def test_another_record_is_told_apart(
    demo_rigs: Any, chain: tuple[np.ndarray, np.ndarray, np.ndarray]
) -> None:
    other = [*TRIES[:2], Attempt("c", "extension_28mm", False, push=Pushed.ALL_THAT_WAS_SAFE)]
    assert apart(particles(demo_rigs, other), chain) > 8.0
