"""The likelihood of an attempt: it sums to one over every end, its limits are the noiseless answer, what is not said is summed over."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from backstay.core.inference.attempts import (
    ENDINGS,
    Attempt,
    AttemptModel,
    ends,
    likelihood,
    simulate,
)
from backstay.core.inference.draws import DEFAULT_DRAWS, sample
from backstay.core.inference.learning import draws_at, scores_of_all
from backstay.core.inference.quick import way_in
from backstay.identifiers import LimitedBy, Pushed

STEP_mm = 0.25


@pytest.mark.parametrize("push", [None, *Pushed])
def test_it_sums_to_one_over_every_end(demo_rigs: Any, push: Pushed | None) -> None:
    # The floor's places lie on the way in alone, the others' reading errors carry beyond: a margin of 5 SD holds both.
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    way = way_in(rig, sample(DEFAULT_DRAWS, count=64, seed=3))
    total = likelihood(Attempt("a", "r", True, push=push), rig, way, model)
    places = np.arange(rig.seat_mm - 10.0, rig.landing_tip_mm + 10.0, STEP_mm)
    on_the_way = (places >= rig.seat_mm) & (places <= rig.landing_tip_mm)
    for reason in ENDINGS:
        for place, inside in zip(places, on_the_way, strict=True):
            one = Attempt("a", "r", False, float(place), reason, push)
            floor = 0.0 if inside else model.floor * 0.5 / (rig.landing_tip_mm - rig.seat_mm) / len(ENDINGS)
            total = total + STEP_mm * (likelihood(one, rig, way, model) - floor)
    assert np.abs(total - 1.0).max() < 2e-3  # half a step of the floor's box at each end


def test_without_place_or_reason_it_is_the_sum_over_them(demo_rigs: Any) -> None:
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    way = way_in(rig, sample(DEFAULT_DRAWS, count=64, seed=4))
    bare = likelihood(Attempt("a", "r", False), rig, way, model)
    named = sum(likelihood(Attempt("a", "r", False, limited_by=one), rig, way, model) for one in ENDINGS)
    assert np.abs(bare - named).max() < 1e-12
    assert np.abs(bare + likelihood(Attempt("a", "r", True), rig, way, model) - 1.0).max() < 1e-12


def test_with_little_noise_it_is_the_answer_of_the_model(demo_rigs: Any) -> None:
    draws = sample(DEFAULT_DRAWS, count=512, seed=5)
    model = replace(AttemptModel(), execution_sd=1e-7)
    for name in demo_rigs.quick:
        found = ends(way_in(demo_rigs.quick[name], draws), Pushed.ALL_THAT_WAS_SAFE, model)
        full = demo_rigs.solved[name].answer(draws).outcome
        assert np.array_equal(found.reached > 0.5, full.stopped == full.need_N.shape[1])
        stopped = np.flatnonzero(full.stopped < full.need_N.shape[1])
        assert np.array_equal(found.stops[stopped].argmax(axis=1), full.stopped[stopped])
        kinds = found.by_ending(np.ones(found.stops.shape[1])).argmax(axis=1)
        assert [ENDINGS[k] for k in kinds[stopped]] == list(full.reason[stopped])


def test_an_end_no_term_stands_behind_says_only_how_far_it_came(demo_rigs: Any) -> None:
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    way = way_in(rig, sample(DEFAULT_DRAWS, count=256, seed=6))
    near = likelihood(Attempt("a", "r", False, 10.0, LimitedBy.WIRE_WRAP), rig, way, model)
    far = likelihood(Attempt("a", "r", False, 60.0, LimitedBy.WIRE_WRAP), rig, way, model)
    assert np.all(far <= near + 1e-12) and far.mean() < 0.8 * near.mean()
    nowhere = likelihood(Attempt("a", "r", False, None, LimitedBy.NOT_TOLERATED), rig, way, model)
    assert np.ptp(nowhere) == 0.0


def test_simulated_attempts_follow_the_likelihood(demo_rigs: Any) -> None:
    rig, model, rng = demo_rigs.quick["as_it_is"], AttemptModel(), np.random.default_rng(7)
    score = scores_of_all(sample(DEFAULT_DRAWS, count=64, seed=8))
    draws = draws_at(DEFAULT_DRAWS, score)
    chance = ends(way_in(rig, draws), Pushed.FIRM, model).reached
    row = int(np.argmin(np.abs(chance - 0.5)))
    way = way_in(rig, draws_at(DEFAULT_DRAWS, score[row : row + 1]))
    count = 4000
    made = [simulate(rig, way, rng=rng, model=model, push=Pushed.FIRM) for _ in range(count)]
    expected = float(likelihood(Attempt("a", "r", True, push=Pushed.FIRM), rig, way, model)[0])
    error = np.sqrt(expected * (1.0 - expected) / count)
    assert abs(np.mean([one.reached for one in made]) - expected) < 4.0 * error
    for reason in ENDINGS:
        one = Attempt("a", "r", False, limited_by=reason, push=Pushed.FIRM)
        expected = float(likelihood(one, rig, way, model)[0])
        error = np.sqrt(expected * (1.0 - expected) / count)
        assert abs(np.mean([m.limited_by is reason for m in made]) - expected) < 4.0 * error
