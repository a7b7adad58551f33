"""The studies of learning at reduced size: ranks are even [@talts2018], chances hold, and an overconfident posterior is caught."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from evidence import advice, learning

CASES = 80


@pytest.fixture(scope="module")
def followed(demo_rigs: Any) -> list[learning.Followed]:
    """Return simulated cases of two learnt attempts each."""
    rigs = demo_rigs.quick
    return [learning.follow(rigs, seed, particles=256, tries=3) for seed in learning.SEEDS[:CASES]]


def test_the_truth_is_like_any_particle(followed: list[learning.Followed]) -> None:
    ranks = np.array([one.ranks for one in followed])
    p_values = learning.rank_p_values(ranks, bins=8)
    assert learning.holm(p_values) > learning.SIGNIFICANCE


def test_an_overconfident_posterior_is_caught(followed: list[learning.Followed]) -> None:
    ranks = np.array([one.ranks for one in followed])
    # Ranks as they would be if the particles lay twice as close together: the truth falls outside them too often.
    outside = np.clip(np.round((ranks - 49.5) * 2.0 + 49.5), 0, 99).astype(int)
    assert learning.holm(learning.rank_p_values(outside, bins=8)) < learning.SIGNIFICANCE


def test_predicted_chances_hold(followed: list[learning.Followed]) -> None:
    chances = np.concatenate([one.chances for one in followed])
    reached = np.concatenate([one.reached for one in followed])
    rows = learning.reliability(chances, reached)
    assert len(rows) >= 6 and all(ok for *_, ok in rows)
    wrong = learning.reliability(np.clip(chances + 0.25, 0.0, 1.0), reached)
    assert not all(ok for *_, ok in wrong)


def test_no_policy_beats_the_oracle_and_each_tries_a_rig_once(demo_rigs: Any) -> None:
    options = {name: rig.alternative for name, rig in demo_rigs.solved.items()}
    shown = learning.Demo(demo_rigs.quick, options)
    ways = [advice.advised(shown, 95_000 + k, particles=256) for k in range(20)]
    for policy in advice.POLICIES:
        minutes = np.array([one[policy].minutes for one in ways])
        assert np.all(np.array([one["oracle"].minutes for one in ways]) <= minutes + 1e-9)
        assert all(1 <= one[policy].tries <= len(options) for one in ways)
        assert all(one[policy].harm_per_1000 >= 0.0 for one in ways)
    assert len({one["learn"].minutes for one in ways}) > 1
