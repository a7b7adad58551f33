"""The ladder's search: as good as trying everything out, never above a fixed order, honest about draws that failed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.inference.ladder import Choice, Ladder, Step, Weighing, as_mask
from backstay.errors import InputError

STOPPING = 20.0
Made = tuple[int, ...]


@dataclass(frozen=True)
class Small:
    """A climb given outright: moves by number, the draws in which each set of them lands, and what each costs."""

    lands_with: dict[frozenset[int], np.ndarray]
    costs: tuple[float, ...]
    opens: tuple[int | None, ...] = ()

    def steps(self, state: Made) -> Sequence[Step[Made]]:
        return [
            Step(str(m), cost, tuple(sorted((*state, m))), try_cost=0.5)
            for m, cost in enumerate(self.costs)
            if m not in state
        ]

    def lands(self, state: Made) -> int:
        return as_mask(self.lands_with[frozenset(state)])


def small(seed: int, moves: int, count: int) -> Small:
    """Return a climb in which a set of moves lands in some draws: the moves' own luck, and the draw's own hardness."""
    rng = np.random.default_rng(seed)
    hardness, helps = rng.normal(size=count), rng.normal(0.6, 0.8, size=(moves, count))
    sets = [frozenset(s) for r in range(moves + 1) for s in permutations(range(moves), r)]
    rows = {s: hardness < sum((helps[m] for m in s), np.full(count, -0.5)) for s in sets}
    return Small(rows, tuple(float(x) for x in rng.uniform(0.2, 12.0, size=moves)))


def cost_of_order(climb: Small, order: Sequence[int], weights: np.ndarray) -> float:
    """Return the expected cost of a fixed order, draw by draw: each draw pays until it lands, or for stopping."""
    paid, alive = np.zeros(len(weights)), np.ones(len(weights), dtype=bool)
    for k, move in enumerate(order):
        paid[alive] += climb.costs[move] + 0.5
        alive &= ~climb.lands_with[frozenset(order[: k + 1])]
    paid[alive] += STOPPING
    return float(np.average(paid, weights=weights))


def every_order(moves: int, depth: int) -> list[tuple[int, ...]]:
    return [order for r in range(min(moves, depth) + 1) for order in permutations(range(moves), r)]


def order_of(choice: Choice[Made] | None) -> tuple[int, ...]:
    found = []
    while choice is not None and choice.step is not None:
        found.append(int(choice.step.name))
        choice = choice.then
    return tuple(found)


INSTANCES = st.tuples(st.integers(0, 10_000), st.integers(1, 4), st.integers(1, 90), st.integers(0, 4))


@given(INSTANCES)
def test_the_policy_costs_what_the_best_of_all_orders_costs(instance: tuple[int, int, int, int]) -> None:
    seed, moves, count, depth = instance
    climb = small(seed, moves, count)
    best = Ladder(climb, Weighing.of(count), STOPPING, fewest=0).best((), depth=depth)
    costs = {order: cost_of_order(climb, order, np.ones(count)) for order in every_order(moves, depth)}
    assert best.expected == pytest.approx(min(costs.values()), abs=1e-9)
    assert costs[order_of(best)] == pytest.approx(best.expected, abs=1e-9)
    assert all(best.expected <= cost + 1e-9 for cost in costs.values())


@given(INSTANCES)
def test_weighted_draws_give_the_best_of_all_orders_under_those_weights(
    instance: tuple[int, int, int, int],
) -> None:
    seed, moves, count, depth = instance
    climb = small(seed, moves, count)
    weights = np.random.default_rng(seed + 1).gamma(0.5, size=count) + 1e-3
    best = Ladder(climb, Weighing.of(count, weights), STOPPING, fewest=0).best((), depth=depth)
    costs = [cost_of_order(climb, order, weights) for order in every_order(moves, depth)]
    # Weights are kept to 1/4095 of the largest, half of that at worst, for each of up to 90 draws.
    allowed = STOPPING * 2.0 * count * 0.5 / 4095 * weights.max() / weights.sum()
    assert best.expected == pytest.approx(min(costs), abs=allowed + 1e-9)


@given(INSTANCES)
def test_runners_up_cost_what_the_best_order_that_begins_with_them_costs(
    instance: tuple[int, int, int, int],
) -> None:
    seed, moves, count, depth = instance
    climb = small(seed, moves, count)
    best = Ladder(climb, Weighing.of(count), STOPPING, fewest=0).best((), depth=depth)
    for step, cost in best.options:
        orders = [o for o in every_order(moves, depth) if o and o[0] == int(step.name)]
        costs = [cost_of_order(climb, order, np.ones(count)) for order in orders]
        assert cost == pytest.approx(min(costs), abs=1e-9)


def test_chances_after_failures_are_those_of_rejection_sampling() -> None:
    count = 6000
    climb = small(3, 3, count)
    choice: Choice[Made] | None = Ladder(climb, Weighing.of(count), STOPPING).best((), depth=3)
    made: list[int] = []
    shown = 0
    fresh = small_draws(3, 3, 200_000)
    while choice is not None and choice.step is not None:
        made.append(int(choice.step.name))
        failed = np.ones(200_000, dtype=bool)
        for k in range(1, len(made)):
            failed &= ~fresh(made[:k])
        rejected = fresh(made)[failed]
        error = np.sqrt(
            rejected.mean() * (1.0 - rejected.mean()) * (1.0 / len(rejected) + 1.0 / choice.draws)
        )
        assert choice.lands == pytest.approx(rejected.mean(), abs=4.0 * error)
        choice, shown = choice.then, shown + 1
    assert shown >= 2


def small_draws(seed: int, moves: int, count: int):  # type: ignore[no-untyped-def]
    """Return the same law sampled anew."""
    rng = np.random.default_rng(seed + 77)
    hardness, helps = rng.normal(size=count), rng.normal(0.6, 0.8, size=(moves, count))
    return lambda made: hardness < sum((helps[m] for m in made), np.full(count, -0.5))


def test_few_draws_left_are_unknown_not_a_number() -> None:
    draws = np.arange(300)
    rows = {
        frozenset(): draws < 0,
        frozenset({0}): draws < 150,
        frozenset({1}): draws >= 150,
        frozenset({0, 1}): draws > 30,
    }
    climb = Small(rows, (1.0, 1.5))
    best = Ladder(climb, Weighing.of(300), STOPPING).best((), depth=2)
    assert order_of(best) == (0,) and best.then is not None
    assert best.then.unknown and best.then.draws == 150 and best.then.step is None
    assert order_of(Ladder(climb, Weighing.of(300), STOPPING, fewest=150).best((), depth=2)) == (0, 1)


def test_nothing_is_worth_more_than_stopping() -> None:
    climb = Small({frozenset(): np.zeros(400, bool), frozenset({0}): np.arange(400) < 4}, (30.0,))
    best = Ladder(climb, Weighing.of(400), STOPPING).best((), depth=1)
    assert best.step is None and best.expected == STOPPING and not best.unknown
    assert best.options[0][1] == pytest.approx(30.5 + 0.99 * STOPPING)


@dataclass(frozen=True)
class Gated:
    """One preparation that opens some lesions, then a push; else a second one."""

    opened_first: np.ndarray
    opened_second: np.ndarray
    landed: np.ndarray

    def steps(self, state: str) -> Sequence[Step[str]]:
        if state == "shut":
            return [Step("balloon", 3.0, "open", 1.0, as_mask(self.opened_first), "still shut")]
        if state == "still shut":
            return [Step("burr", 4.0, "open", 1.0, as_mask(self.opened_second), "never")]
        return []

    def lands(self, state: str) -> int:
        return as_mask(self.landed)


def test_a_stent_is_pushed_only_where_the_lesion_opened() -> None:
    draws = np.arange(1000)
    gated = Gated(draws < 600, draws < 900, draws % 2 == 0)
    best = Ladder(gated, Weighing.of(1000), STOPPING, fewest=1).best("shut", depth=2)
    # 600 open and half of them land; of 400 left 300 open and half land; the rest pays for stopping.
    burr = 4.0 + 0.75 * (1.0 + 0.5 * STOPPING) + 0.25 * STOPPING
    assert best.expected == pytest.approx(3.0 + 0.6 * (1.0 + 0.5 * STOPPING) + 0.4 * burr)
    assert (best.opens, best.lands) == (0.6, 0.3)
    assert best.if_not is not None and (best.if_not.opens, best.if_not.lands) == (0.75, 0.375)
    assert best.total == pytest.approx(0.45)


def test_weights_that_are_none_are_refused() -> None:
    for weights in (np.zeros(5), np.ones(4), np.array([1.0, np.nan, 1.0, 1.0, 1.0]), -np.ones(5)):
        with pytest.raises(InputError, match="weights"):
            Weighing.of(5, weights)
    assert Weighing.of(3, np.array([2.0, 2.0, 2.0])).effective(0b111) == pytest.approx(3.0)
    assert Weighing.of(3, np.array([1.0, 0.0, 0.0])).effective(0b111) == pytest.approx(1.0)
