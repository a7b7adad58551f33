"""Pooling: cases that say nothing leave the prior, cases that say one thing move it, known inputs alone are claimed."""

from __future__ import annotations

import numpy as np
import pytest

from backstay.app.learning.pooling import seen_fresh
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.core.inference.learning import PATH_BOUND
from backstay.core.inference.pooling import (
    IDENTIFIED,
    LAB_SHARE,
    PoolCase,
    pool,
    pool_particles,
)

NAMES = [spec.name for spec in DEFAULT_DRAWS]
HOLD = NAMES.index("guide_hold_N")
COUNT = 2048


def cases(count: int, seed: int, *, lab: float, sd: float, calcium: str = "severe") -> list[PoolCase]:
    """Return cases in each of which the guide's hold was measured through Gaussian noise of `sd` scores."""
    rng, found = np.random.default_rng(seed), []
    for k in range(count):
        truth = lab + np.sqrt(1.0 - LAB_SHARE["guide_hold_N"]) * rng.standard_normal()
        seen = truth + sd * rng.standard_normal()
        scores = pool_particles(DEFAULT_DRAWS, count=COUNT, seed=100 * seed + k)
        found.append(PoolCase(scores, -0.5 * ((scores[:, HOLD] - seen) / sd) ** 2, calcium))
    return found


def test_cases_that_say_nothing_leave_the_prior() -> None:
    scores = pool_particles(DEFAULT_DRAWS, count=COUNT, seed=3)
    found = pool([PoolCase(scores, np.zeros(COUNT), "mild")] * 5, DEFAULT_DRAWS, seed=1)
    assert [row.identified for row in found.rows] == [False] * len(LAB_SHARE)
    for row in found.rows:
        assert abs(row.middle) < 0.15 and row.shrunk < 0.1
        table = DEFAULT_DRAWS[NAMES.index(row.name)]
        assert row.median == pytest.approx(table.median, rel=0.1)
        assert row.spread == pytest.approx(table.spread, rel=0.15)


@pytest.mark.parametrize("lab", [-1.2, 0.9])
def test_many_cases_find_the_labs_part_as_the_closed_form_does(lab: float) -> None:
    number, sd = 30, 0.5
    told = cases(number, 7, lab=lab, sd=sd)
    found = next(row for row in pool(told, DEFAULT_DRAWS, seed=1).rows if row.name == "guide_hold_N")
    # With the spread from case to case known, the lab's part has a Gaussian posterior: prior and mean of the measurements.
    share = LAB_SHARE["guide_hold_N"]
    each = 1.0 - share + sd**2
    seen = np.array([case.scores[np.argmax(case.logs), HOLD] for case in told])
    precision = 1.0 / share + number / each
    exact, error = seen.sum() / each / precision, precision**-0.5
    assert found.identified and found.middle == pytest.approx(exact, abs=1.5 * error)
    assert error < found.error < 2.0 * error
    assert abs(found.middle - lab) < 3.0 * found.error
    others = [row for row in pool(told, DEFAULT_DRAWS, seed=1).rows if row.name != "guide_hold_N"]
    assert not any(row.identified for row in others)


@pytest.mark.parametrize("name", ["guide_hold_N", "friction_wall"])
def test_one_case_is_drawn_towards_the_prior_as_the_closed_form_is(name: str) -> None:
    # One Gaussian measurement, so near that the particles' own noise counts for little; the lab's share of it is what the prior says.
    seen, sd, share, j = 1.5, 0.5, LAB_SHARE[name], NAMES.index(name)
    scores = pool_particles(DEFAULT_DRAWS, count=8 * COUNT, seed=5)
    told = [PoolCase(scores, -0.5 * ((scores[:, j] - seen) / sd) ** 2, "severe")]
    one = next(r for r in pool(told, DEFAULT_DRAWS, seed=1).rows if r.name == name)
    each = 1.0 - share + sd**2
    exact, error = seen * share / (share + each), (1.0 / share + 1.0 / each) ** -0.5
    assert one.middle == pytest.approx(exact, abs=0.12)
    # The closed form knows the spread from case to case, which one case cannot tell: the error lies between it and the prior's.
    assert 0.95 * error < one.error <= np.sqrt(share) + 1e-9
    assert one.shrunk < 0.5 and not (name == "friction_wall" and one.identified)


def test_classes_of_calcium_stand_apart() -> None:
    told = [*cases(3, 1, lab=0.0, sd=0.5), *cases(2, 2, lab=0.0, sd=0.5, calcium="none")]
    rows = {(row.name, row.group): row for row in pool(told, DEFAULT_DRAWS, seed=1).rows}
    assert rows["lesion_factor", "severe"].cases == 3 and rows["lesion_factor", "none"].cases == 2
    assert rows["guide_hold_N", ""].cases == 5


def test_the_same_seed_gives_the_same_result() -> None:
    told = cases(3, 1, lab=0.0, sd=0.5)
    assert pool(told, DEFAULT_DRAWS, seed=2) == pool(told, DEFAULT_DRAWS, seed=2)
    assert 0.0 < IDENTIFIED < 1.0


def test_what_is_seen_only_together_is_said_to_be_and_few_particles_too() -> None:
    names = ("guide_hold_N", "extension_factor")
    told = []
    for k in range(40):
        scores = pool_particles(DEFAULT_DRAWS, count=4 * COUNT, seed=900 + k)
        apart = scores[:, NAMES.index(names[0])] + scores[:, NAMES.index(names[1])]
        told.append(PoolCase(scores, -0.5 * (apart / 0.5) ** 2, "mild"))
    sharp = pool_particles(DEFAULT_DRAWS, count=COUNT, seed=990)
    told.append(PoolCase(sharp, -0.5 * ((sharp[:, HOLD] - 1.0) / 0.01) ** 2, "mild"))
    found = pool(told, DEFAULT_DRAWS, seed=1)
    assert found.thin == (40,)
    assert {frozenset((a, b)) for a, b, r in found.tied if r < 0.0} == {frozenset(names)}


def test_a_new_state_of_the_vessel_draws_afresh_what_is_bound_to_it_and_not_to_the_lab() -> None:
    scores = pool_particles(DEFAULT_DRAWS, count=256, seed=4)
    assert seen_fresh(scores, 0, 1) is scores
    moved = {NAMES[j] for j in np.flatnonzero(np.any(seen_fresh(scores, 1, 1) != scores, axis=0))}
    assert moved == set(PATH_BOUND) - set(LAB_SHARE)
