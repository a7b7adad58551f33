"""Packing against closed forms: equal circles, three that touch, the limit between the cases of three."""

from __future__ import annotations

import math

import pytest

from backstay.core.rigging.packing import enclosing_radius_mm

RATIOS = {
    1: 1.0,
    2: 2.0,
    3: 1.0 + 2.0 / math.sqrt(3.0),
    4: 1.0 + math.sqrt(2.0),
    5: 1.0 + math.sqrt(2.0 * (1.0 + 1.0 / math.sqrt(5.0))),
    6: 3.0,
    7: 3.0,
    8: 1.0 + 1.0 / math.sin(math.pi / 7.0),
}
# The search ends where the angles close to 1e-10 rad.
CLOSED_mm = 1e-9


@pytest.mark.parametrize(("count", "ratio"), RATIOS.items())
@pytest.mark.parametrize("radius_mm", [0.178, 1.0])
def test_equal_circles(count: int, ratio: float, radius_mm: float) -> None:
    packing = enclosing_radius_mm((radius_mm,) * count)
    assert packing.radius_mm == pytest.approx(ratio * radius_mm, abs=CLOSED_mm)
    assert packing.lower_bound_mm <= ratio * radius_mm + CLOSED_mm
    assert packing.gap_mm <= 0.001 + 1e-12


def test_small_third_circle_costs_nothing() -> None:
    # In a circle of 5 round circles of 3 and 2 the gap beside them holds 30/19.
    assert enclosing_radius_mm((3.0, 2.0, 1.0)).radius_mm == 5.0
    assert enclosing_radius_mm((3.0, 2.0, 30.0 / 19.0 - 1e-6)).radius_mm == 5.0


def test_both_cases_of_three_meet() -> None:
    limit = 30.0 / 19.0
    assert enclosing_radius_mm((3.0, 2.0, limit + 1e-6)).radius_mm == pytest.approx(5.0, abs=1e-5)
    assert enclosing_radius_mm((3.0, 2.0, limit + 1e-3)).radius_mm > 5.0


@pytest.mark.parametrize("radii", [(3.0, 2.0, 1.9), (1.0, 0.9, 0.8), (0.55, 0.42, 0.4)])
def test_three_that_all_touch_satisfy_descartes(radii: tuple[float, float, float]) -> None:
    outer = enclosing_radius_mm(radii).radius_mm
    bends = [*(1.0 / r for r in radii), -1.0 / outer]
    assert sum(bends) ** 2 == pytest.approx(2.0 * sum(b * b for b in bends), rel=1e-12)


def test_a_chain_of_small_circles_round_a_large_one() -> None:
    """Six equal circles round a seventh: the middle one may shrink without letting the others closer."""
    seven = (1.0,) * 6 + (0.9,)
    assert enclosing_radius_mm(seven).radius_mm == pytest.approx(3.0, abs=CLOSED_mm)


@pytest.mark.parametrize("scale", [0.5, 3.0])
def test_scales(scale: float) -> None:
    radii = (0.55, 0.42, 0.3, 0.178)
    one = enclosing_radius_mm(radii)
    other = enclosing_radius_mm(tuple(scale * r for r in radii))
    # Each is within its own gap of the best.
    assert other.lower_bound_mm <= scale * one.radius_mm + CLOSED_mm
    assert scale * one.lower_bound_mm <= other.radius_mm + CLOSED_mm
