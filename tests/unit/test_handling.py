"""Tension in the rail, a turned guide, a deep breath: closed forms, limits, and what is not credited."""

from __future__ import annotations

import numpy as np
import pytest

from backstay.core.inference.chance import need_from_curves
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.handling import (
    HANDLING_DRAWS,
    axial_share,
    need_with_wire_held_N,
    with_deep_breath,
    with_guide_turned,
    with_handling,
)
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.march import PUSH, READINGS, WIRE_TURN

LEVELS_N = np.array([[0.0, 0.5, 1.0, 2.0]])
COUNT = 512
OPEN = np.zeros((COUNT, 1), dtype=bool)


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_handling(sample(DEFAULT_DRAWS, count=COUNT, seed=3))


def capstan(theta_rad: float, mu: float, *, prolapse_N: float = np.inf, wire_rad: float = 0.0) -> Curves:
    """Curves of a soft string: push = load e^(mu theta) [@euler1762], the rail turning with the shaft."""
    rows = np.zeros((COUNT, 1, 4, READINGS))
    rows[..., PUSH] = LEVELS_N * np.exp(mu * theta_rad)
    rows[..., WIRE_TURN] = wire_rad
    return Curves(np.array([30.0]), LEVELS_N, rows, np.full((COUNT, 1), prolapse_N))


def test_tension_eases_a_capstan_by_its_own_closed_form(draws: DrawSet) -> None:
    load, pull = np.full((COUNT, 1), 0.8), np.full(COUNT, 0.3)
    curves = capstan(3.0, 0.1)
    without, _ = need_from_curves(draws, curves, load, OPEN)
    held, _ = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=pull)
    assert np.allclose(held - without, -0.3 * (np.exp(0.3) - 1.0), atol=1e-12)


def test_on_a_straight_path_tension_changes_nothing(draws: DrawSet) -> None:
    load, pull = np.full((COUNT, 1), 0.8), np.full(COUNT, 0.3)
    without, _ = need_from_curves(draws, capstan(0.0, 0.1), load, OPEN)
    held, _ = need_with_wire_held_N(draws, capstan(0.0, 0.1), load, OPEN, pull_N=pull)
    assert np.allclose(held, without, atol=1e-12)


def test_the_wire_drags_on_the_bends_it_is_pulled_round(draws: DrawSet) -> None:
    load, pull = np.full((COUNT, 1), 0.8), np.full(COUNT, 0.3)
    smooth, _ = need_with_wire_held_N(draws, capstan(3.0, 0.1), load, OPEN, pull_N=pull)
    rough, _ = need_with_wire_held_N(draws, capstan(3.0, 0.1, wire_rad=3.0), load, OPEN, pull_N=pull)
    drag = 0.3 * (np.exp(3.0 * draws["friction_wire"]) - 1.0)
    assert np.allclose((rough - smooth)[:, 0], drag, atol=1e-12)


def test_the_assembly_prolapses_later_by_the_tension_and_no_more(draws: DrawSet) -> None:
    load, curves = np.full((COUNT, 1), 0.7), capstan(3.0, 0.1, prolapse_N=0.5)
    enough, _ = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=np.full(COUNT, 0.21))
    short, still = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=np.full(COUNT, 0.19))
    assert np.all(np.isfinite(enough)) and np.all(np.isinf(short)) and np.all(still)


def test_no_more_tension_counts_than_the_load_it_meets(draws: DrawSet) -> None:
    load, curves = np.full((COUNT, 1), 0.1), capstan(3.0, 0.1)
    at_most, _ = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=np.full(COUNT, 0.1))
    more, _ = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=np.full(COUNT, 5.0))
    assert np.array_equal(at_most, more) and np.allclose(more, 0.1)


def test_without_tension_and_where_an_edge_locks_all_is_as_before(draws: DrawSet) -> None:
    load, curves = np.full((COUNT, 1), 0.8), capstan(3.0, 0.1)
    without, _ = need_from_curves(draws, curves, load, OPEN)
    none, _ = need_with_wire_held_N(draws, curves, load, OPEN, pull_N=np.zeros(COUNT))
    locked, _ = need_with_wire_held_N(draws, curves, load, ~OPEN, pull_N=np.full(COUNT, 0.3))
    assert np.array_equal(none, without) and np.all(np.isinf(locked))


def test_friction_of_a_helical_slip_keeps_its_size() -> None:
    """Axial and circumferential parts of a unit friction, as at right angles: their squares sum to one."""
    ratio = np.linspace(0.0, 5.0, 51)
    axial = axial_share(ratio)
    assert np.allclose(axial**2 + (ratio * axial) ** 2, 1.0, atol=1e-12)
    assert np.all(np.diff(axial) < 0.0) and axial[0] == 1.0


def test_a_turned_guide_rubs_less_and_nothing_else_changes(draws: DrawSet) -> None:
    turned = with_guide_turned(draws)
    assert np.all(turned["friction_guide"] < draws["friction_guide"])
    assert np.allclose(turned["friction_guide"] / draws["friction_guide"], axial_share(draws["turn_ratio"]))
    others = set(draws.values) - {"friction_guide"}
    assert all(np.array_equal(turned[name], draws[name]) for name in others)


def test_a_deep_breath_takes_away_turning_and_at_most_half(draws: DrawSet) -> None:
    left = with_deep_breath(draws)["curvature_factor"] / draws["curvature_factor"]
    assert np.all((left >= 0.5) & (left < 1.0)) and np.median(left) == pytest.approx(0.95, abs=0.01)


def test_hands_are_drawn_the_same_each_time_and_apart_from_everything_else(draws: DrawSet) -> None:
    again = with_handling(sample(DEFAULT_DRAWS, count=COUNT, seed=3))
    other = with_handling(sample(DEFAULT_DRAWS, count=COUNT, seed=3), block=1)
    for spec in HANDLING_DRAWS:
        assert np.array_equal(draws[spec.name], again[spec.name])
        assert not np.array_equal(draws[spec.name], other[spec.name])
        assert np.median(draws[spec.name]) == pytest.approx(spec.median, rel=0.15)
        assert abs(np.corrcoef(draws[spec.name], draws["friction_wall"])[0, 1]) < 0.15
    assert draws.specs == DEFAULT_DRAWS
