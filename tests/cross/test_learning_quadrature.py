"""The particles against quadrature by a general-purpose library, on the real model with all but two unknowns held at their medians."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from backstay.core.inference.attempts import Attempt, AttemptModel
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.core.inference.learning import log_likelihoods
from backstay.core.inference.tempering import temper
from backstay.identifiers import LimitedBy, Pushed

NAMES = [spec.name for spec in DEFAULT_DRAWS]
FREE = [NAMES.index("guide_hold_N"), NAMES.index("friction_wall")]
TRIES = [
    Attempt("a", "as_it_is", False, 56.0, LimitedBy.GUIDE_OUT, Pushed.FIRM),
    Attempt("b", "extension_28mm", True, push=Pushed.ALL_THAT_WAS_SAFE),
]
COUNT = 4096


def test_mean_covariance_and_evidence(demo_rigs: Any) -> None:
    def logs(two: np.ndarray, tries: list[Attempt] = TRIES) -> np.ndarray:
        scores = np.zeros((len(two), len(NAMES)))
        scores[:, FREE] = two
        return log_likelihoods(tries, demo_rigs.quick, DEFAULT_DRAWS, scores, AttemptModel())

    nodes, weights = hermegauss(81)
    grid = np.stack(np.meshgrid(nodes, nodes, indexing="ij"), axis=-1).reshape(-1, 2)
    prior = np.outer(weights, weights).ravel() / (2.0 * np.pi)
    mass = prior * np.exp(logs(grid).sum(axis=0))
    evidence = float(mass.sum())
    mean = mass @ grid / evidence
    covariance = ((grid - mean) * mass[:, None]).T @ (grid - mean) / evidence

    rng = np.random.default_rng(5)
    first = temper(rng.standard_normal((COUNT, 2)), lambda z: logs(z)[:1], rng=rng)
    found = temper(first.scores, logs, rng=rng)
    # At least an eighth of the particles effective, were nothing moved after the resamplings.
    error = np.sqrt(np.diag(covariance) / (COUNT / 8))
    assert np.all(np.abs(found.scores.mean(axis=0) - mean) < 4.0 * error)
    assert np.abs(np.cov(found.scores.T) - covariance).max() < 0.1 * np.abs(covariance).max() + 0.01
    assert abs(first.log_expected + found.log_expected - np.log(evidence)) < 0.1
    # Twin that must fail: the second try held to have stopped.
    other = [TRIES[0], Attempt("b", "extension_28mm", False, push=Pushed.ALL_THAT_WAS_SAFE)]
    wrong = prior * np.exp(logs(grid, other).sum(axis=0))
    assert np.any(np.abs(found.scores.mean(axis=0) - wrong @ grid / wrong.sum()) > 4.0 * error)
