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
    # Places told at random lie on the way in alone, the others' reading errors carry beyond: a margin of 5 SD holds both.
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    way = way_in(rig, sample(DEFAULT_DRAWS, count=64, seed=3))
    total = likelihood(Attempt("a", "r", True, push=push), rig, way, model)
    places = np.arange(rig.seat_mm - 10.0, rig.landing_tip_mm + 10.0, STEP_mm)
    on_the_way = (places >= rig.seat_mm) & (places <= rig.landing_tip_mm)
    for reason in ENDINGS:
        at_random = likelihood(Attempt("a", "r", False, -1000.0, reason, push), rig, way, model)
        for place, inside in zip(places, on_the_way, strict=True):
            one = Attempt("a", "r", False, float(place), reason, push)
            total = total + STEP_mm * (likelihood(one, rig, way, model) - (0.0 if inside else at_random))
    assert np.abs(total - 1.0).max() < 2e-3  # half a step of the random places' box at each end


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


def test_a_stop_at_an_odd_place_still_says_that_it_stopped(demo_rigs: Any) -> None:
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    draws = sample(DEFAULT_DRAWS, count=256, seed=9)
    way = way_in(rig, draws)
    stops = 1.0 - ends(way, Pushed.ALL_THAT_WAS_SAFE, model).reached
    odd = Attempt("a", "r", False, rig.seat_mm, LimitedBy.SHAFT_KINK, Pushed.ALL_THAT_WAS_SAFE)
    told = likelihood(odd, rig, way, model)
    likely, unlikely = told[stops > 0.9].mean(), told[stops < 0.1].mean()
    assert likely > 4.0 * unlikely > 0.0
    flat = likelihood(odd, rig, way, replace(model, misread=0.0))
    assert flat[stops > 0.9].mean() < 1.5 * flat[stops < 0.1].mean()


def test_how_hard_it_was_pushed_tells_where_the_push_is_the_limit(demo_rigs: Any) -> None:
    rig, model = demo_rigs.quick["as_it_is"], AttemptModel()
    way = way_in(rig, sample(DEFAULT_DRAWS, count=256, seed=10))
    middle_N = np.median(way.peaks_N[np.isfinite(way.peaks_N[:, -1]), -1])
    by_push = replace(way, limits_N=np.tile([99.0, 3.0 * middle_N, 99.0], (256, 1)))
    chances = [
        ends(by_push, push, model).reached for push in (Pushed.GENTLE, Pushed.FIRM, Pushed.ALL_THAT_WAS_SAFE)
    ]
    assert chances[0].mean() < chances[1].mean() - 0.05 < chances[2].mean() - 0.1
    # A gentle push that stops short tells less than a full one: its likelihoods differ less from draw to draw.
    told = {push: likelihood(Attempt("a", "r", False, push=push), rig, by_push, model) for push in Pushed}
    whole, gentle = (told[p] / told[p].mean() for p in (Pushed.ALL_THAT_WAS_SAFE, Pushed.GENTLE))
    assert gentle.std() < 0.7 * whole.std()
    # Just what the full push reaches, and half of it does not: simulated tries end so.
    peak_N = float(way.peaks_N[0, -1])
    one = replace(
        way,
        peaks_N=way.peaks_N[:1],
        ends=way.ends[:1],
        limits_N=np.array([[99.0, 1.5 * peak_N, 99.0]]),
    )
    rng, tries = np.random.default_rng(11), 200
    for push, least, most in ((Pushed.ALL_THAT_WAS_SAFE, 0.9, 1.0), (Pushed.GENTLE, 0.0, 0.1)):
        made = [simulate(rig, one, rng=rng, model=model, push=push).reached for _ in range(tries)]
        assert least <= np.mean(made) <= most


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
