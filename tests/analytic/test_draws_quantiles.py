"""A sample has the quantiles of the distributions it was drawn from (closed forms)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSpec, sample

COUNT = 2048
# Each of the 2048 cells of one Sobol coordinate holds one point, so a sample quantile is off by at most a
# cell: in a standard normal score, 1/2048 over the density there (0.175 at the 10th and 90th percentile),
# and twice that for the interpolation.
WITHIN_Z = 2.0 / COUNT / 0.175
Z90 = 1.2815515655446004
LEVELS = {0.1: -Z90, 0.5: 0.0, 0.9: Z90}


def score_of(spec: DrawSpec, value: float) -> float:
    """The standard normal score that gives a value: each kind's definition turned round."""
    if spec.kind == "lognormal":
        return math.log(value / spec.median) / spec.spread
    if spec.kind == "logit":
        return (math.log(value / (1.0 - value)) - math.log(spec.median / (1.0 - spec.median))) / spec.spread
    return (value - spec.median) / spec.spread


@pytest.mark.parametrize("spec", DEFAULT_DRAWS, ids=lambda spec: spec.name)
def test_quantiles_match_median_and_spread(spec: DrawSpec) -> None:
    values = sample(DEFAULT_DRAWS, count=COUNT, seed=5)[spec.name]
    for level, z in LEVELS.items():
        found = float(np.quantile(values, level))
        assert score_of(spec, found) == pytest.approx(z, abs=WITHIN_Z)


def test_a_share_has_the_quantiles_of_its_log_odds() -> None:
    spec = DrawSpec("share", "a share", "", 0.3, 0.8, "logit", "x", "x")
    values = sample((spec,), count=COUNT, seed=5)["share"]
    for level, z in LEVELS.items():
        odds = 0.3 / 0.7 * math.exp(0.8 * z)
        found = float(np.quantile(values, level))
        assert math.log(found / (1 - found)) == pytest.approx(math.log(odds), abs=0.8 * WITHIN_Z)


@pytest.mark.parametrize("power", [4, 7, 10])
def test_each_cell_of_each_input_holds_one_draw(power: int) -> None:
    """The first 2^m points of a scrambled Sobol sequence stratify every coordinate into 2^m equal cells."""
    count = 2**power
    draws = sample(DEFAULT_DRAWS, count=count, seed=11)
    for spec in DEFAULT_DRAWS:
        share = np.array([0.5 * math.erfc(-score_of(spec, v) / math.sqrt(2.0)) for v in draws[spec.name]])
        assert np.array_equal(np.sort(np.floor(share * count).astype(int)), np.arange(count))


def test_a_plain_random_sample_does_not_stratify() -> None:
    """Twin: independent draws leave cells empty, so the check above can fail."""
    share = np.random.default_rng(11).random(128)
    assert not np.array_equal(np.sort(np.floor(share * 128).astype(int)), np.arange(128))
