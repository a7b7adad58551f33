"""Learning: the same for a seed, each attempt once, any order, fresh anatomy keeps what is not bound to the path."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from typing import Any

import numpy as np
import pytest

from backstay.core.inference import insight
from backstay.core.inference.attempts import Attempt, AttemptModel
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.core.inference.learning import PATH_BOUND, before_any, learn
from backstay.errors import NotFound
from backstay.identifiers import LimitedBy, Pushed, Question

FAILED = Attempt("a", "as_it_is", False, 55.0, LimitedBy.GUIDE_OUT, Pushed.FIRM)
BUDDY = Attempt("b", "buddy_wire-workhorse", False, 50.0)
WENT = Attempt("c", "extension_28mm", True)
NAMES = [spec.name for spec in DEFAULT_DRAWS]


def means(posterior: Any) -> np.ndarray:
    return np.asarray(posterior.current.mean(axis=0))


def test_the_same_seed_gives_the_same_particles_and_a_repeat_changes_nothing(demo_rigs: Any) -> None:
    first = learn([FAILED, WENT], demo_rigs.quick, DEFAULT_DRAWS, count=256, seed=4)
    again = learn([FAILED, FAILED, WENT, FAILED], demo_rigs.quick, DEFAULT_DRAWS, count=256, seed=4)
    assert len(again) == 3
    assert np.array_equal(first[-1].scores, again[-1].scores)
    other = learn([FAILED, WENT], demo_rigs.quick, DEFAULT_DRAWS, count=256, seed=5)
    assert not np.array_equal(first[-1].scores, other[-1].scores)


def test_before_any_attempt_the_particles_are_the_plans_draws(demo_rigs: Any) -> None:
    from backstay.core.inference.draws import sample

    draws = sample(DEFAULT_DRAWS, count=128, seed=3)
    ours = before_any(DEFAULT_DRAWS, count=128, seed=3).draws
    for name in NAMES:
        assert np.allclose(ours[name], draws[name], rtol=1e-12)


def test_the_order_does_not_matter(demo_rigs: Any) -> None:
    count = 2048
    found = [
        learn(order, demo_rigs.quick, DEFAULT_DRAWS, count=count, seed=11)[-1]
        for order in permutations([FAILED, BUDDY, WENT])
    ]
    every = np.array([means(one) for one in found])
    # Each mean of unit-variance scores has an error of about sqrt(1 / count) where moves mix well; nearly four times that is allowed for.
    assert np.abs(every - every.mean(axis=0)).max() < 0.08
    rig, model = demo_rigs.quick["seat_5mm"], AttemptModel()
    chances = [float(insight.chance_per_draw(rig, one, model).mean()) for one in found]
    assert max(chances) - min(chances) < 0.03


def test_a_failure_lowers_and_a_passage_raises(demo_rigs: Any) -> None:
    model, rig = AttemptModel(), demo_rigs.quick["seat_5mm"]
    before, failed = learn([FAILED], demo_rigs.quick, DEFAULT_DRAWS, count=512, seed=1)
    passed = learn([Attempt("d", "as_it_is", True)], demo_rigs.quick, DEFAULT_DRAWS, count=512, seed=1)[-1]
    chance = [float(insight.chance_per_draw(rig, one, model).mean()) for one in (failed, before, passed)]
    assert chance[0] < chance[1] - 0.1 < chance[2] - 0.2


def test_fresh_anatomy_keeps_the_guide_and_the_friction(demo_rigs: Any) -> None:
    from dataclasses import replace

    tries = [FAILED, replace(FAILED, id="a2", stopped_at_mm=52.0)]
    before, _, after = learn(tries, demo_rigs.quick, DEFAULT_DRAWS, count=2048, seed=2)
    later = [*tries, Attempt("e", "as_it_is", False, limited_by=LimitedBy.NOT_TOLERATED, anatomy=1)]
    fresh = learn(later, demo_rigs.quick, DEFAULT_DRAWS, count=2048, seed=2)[-1]
    assert fresh.anatomies == 2 and fresh.scores.shape[1] == len(NAMES) + len(PATH_BOUND)
    moved, kept = means(after), means(fresh)
    for name in PATH_BOUND:
        assert abs(kept[NAMES.index(name)]) < 4.0 / np.sqrt(2048)
    assert abs(moved[NAMES.index("radius_shift_sd")]) > 0.2
    for name in ("guide_hold_N", "friction_wall"):
        j = NAMES.index(name)
        assert abs(moved[j]) > 0.2 and abs(kept[j] - moved[j]) < 0.1
    assert np.abs(means(before)).max() < 0.05


def test_an_unknown_rig_is_refused(demo_rigs: Any) -> None:
    with pytest.raises(NotFound, match="no such rig"):
        learn([Attempt("a", "nothing", True)], demo_rigs.quick, DEFAULT_DRAWS, count=64, seed=1)


def test_a_surprise_is_called_one_and_the_likeliest_end_is_not(demo_rigs: Any) -> None:
    model, prior = AttemptModel(), before_any(DEFAULT_DRAWS, count=1024, seed=1)
    rig = demo_rigs.quick["extension_28mm"]
    assert insight.tail(Attempt("a", "r", True), rig, prior, model) == pytest.approx(1.0)
    assert (
        insight.tail(Attempt("a", "r", False, 8.0, LimitedBy.SHAFT_KINK), rig, prior, model)
        < insight.SURPRISE
    )


def test_to_reach_with_what_by_the_fit_does_not_pass_is_a_surprise(demo_rigs: Any) -> None:
    model, prior = AttemptModel(), before_any(DEFAULT_DRAWS, count=64, seed=1)
    barred = replace(demo_rigs.quick["extension_28mm"], passes=False)
    assert insight.tail(Attempt("a", "r", True), barred, prior, model) < insight.SURPRISE
    assert insight.tail(Attempt("a", "r", False, 8.0), barred, prior, model) == 1.0


def test_success_where_failure_was_all_but_certain_is_a_surprise(demo_rigs: Any) -> None:
    model = AttemptModel()
    fails = [replace(FAILED, id=str(k)) for k in range(3)]
    after = learn(fails, demo_rigs.quick, DEFAULT_DRAWS, count=1024, seed=1)[-1]
    rig = demo_rigs.quick["as_it_is"]
    assert insight.chance_per_draw(rig, after, model).mean() < 0.03
    assert insight.tail(Attempt("d", "as_it_is", True), rig, after, model) < insight.SURPRISE
    assert insight.tail(replace(FAILED, id="d"), rig, after, model) > insight.SURPRISE
    assert insight.tail(Attempt("d", "as_it_is", False), rig, after, model) == 1.0


def test_the_floor_keeps_one_odd_success_from_undoing_what_failures_taught(demo_rigs: Any) -> None:
    told = [*(replace(FAILED, id=str(k)) for k in range(3)), Attempt("d", "as_it_is", True)]

    def shift(model: AttemptModel) -> float:
        before, after = learn(told, demo_rigs.quick, DEFAULT_DRAWS, count=512, seed=1, model=model)[-2:]
        return float(np.abs(means(after) - means(before)).max())

    assert shift(AttemptModel()) < 0.4 < 0.55 < shift(replace(AttemptModel(), floor=1e-12))


def test_an_attempt_that_tells_nothing_stirs_nothing(demo_rigs: Any) -> None:
    for rigs, one in (
        (demo_rigs.quick, Attempt("a", "as_it_is", False, None, LimitedBy.NOT_TOLERATED)),
        ({"x": replace(demo_rigs.quick["as_it_is"], passes=False)}, Attempt("a", "x", False, 30.0)),
    ):
        before, after = learn([one], rigs, DEFAULT_DRAWS, count=256, seed=1)
        assert np.array_equal(before.scores, after.scores) and after.lettings[0].lowest_share == 1.0


def test_a_question_tells_most_where_it_was_not_answered(demo_rigs: Any) -> None:
    model = AttemptModel()
    bare = Attempt("a", "as_it_is", False)
    after = learn([bare], demo_rigs.quick, DEFAULT_DRAWS, count=1024, seed=1)[-1]
    chances = insight.chance_per_draw(demo_rigs.quick["extension_28mm"], after, model)
    asked = insight.open_questions(bare, demo_rigs.quick["as_it_is"], after, chances, model)
    assert {one.question for one in asked} == set(Question)
    assert asked[0].question is Question.WHERE and asked[0].bits > 0.02
    whole = insight.open_questions(FAILED, demo_rigs.quick["as_it_is"], after, chances, model)
    assert whole == []
