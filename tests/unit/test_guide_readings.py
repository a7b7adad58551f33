"""What a lab's readings of hold make of the estimates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.guide.readings import BOARD_SD, RATIO_SD, Prior, Reading, narrowed
from backstay.errors import InputError

BEFORE = Prior(1.2, 0.5, 1.0, 0.2)


def reading(
    force_N: float, *, on: str = "a", gain: float = 0.0, error_N: float = 0.03, count: int = 5
) -> Reading:
    return Reading(on, (force_N,) * count, error_N, 1.0, gain)


def test_no_reading_leaves_the_estimate() -> None:
    assert narrowed(BEFORE, []) == BEFORE


def test_one_reading_in_closed_form() -> None:
    """Without an extension everything is linear: precision-weighted means of logarithms."""
    found = narrowed(BEFORE, [reading(0.6)])
    own = BEFORE.hold_sd**2 - BOARD_SD**2
    noise = RATIO_SD**2 + (0.03 / 0.6) ** 2
    mean = (math.log(1.2) * noise + math.log(0.6) * own) / (own + noise)
    assert found.hold_N == pytest.approx(math.exp(mean))
    assert found.hold_sd == pytest.approx(math.sqrt(own * noise / (own + noise) + BOARD_SD**2))
    assert (found.extension_factor, found.extension_sd) == pytest.approx((1.0, 0.2))


def test_many_readings_do_not_shrink_what_separates_board_and_patient() -> None:
    many = [reading(0.6, on=str(k), error_N=0.001) for k in range(200)]
    assert narrowed(BEFORE, many).hold_sd == pytest.approx(BOARD_SD, rel=2e-3)


def test_reading_the_same_guide_again_does_not_shrink_its_own_error() -> None:
    again = narrowed(BEFORE, [reading(0.6, error_N=0.001)] * 50)
    others = narrowed(BEFORE, [reading(0.6, on=str(k), error_N=0.001) for k in range(50)])
    assert again.hold_sd == pytest.approx(narrowed(BEFORE, [reading(0.6, error_N=0.001)]).hold_sd, rel=2e-3)
    assert others.hold_sd < again.hold_sd


def test_an_extension_on_the_same_guide_tells_of_the_extension() -> None:
    """Ratio 2 expected, 1.5 read: the factor falls, the guide's hold hardly moves."""
    alone = narrowed(BEFORE, [reading(0.6)])
    both = narrowed(BEFORE, [reading(0.6), reading(0.9, gain=1.0)])
    assert both.extension_factor < 0.8
    assert both.extension_sd < alone.extension_sd
    assert both.hold_N == pytest.approx(alone.hold_N, rel=0.1)


@given(st.permutations(range(4)))
def test_the_order_does_not_matter(order: list[int]) -> None:
    rows = [reading(0.6), reading(0.9, gain=1.0), reading(0.7, on="b"), reading(1.4, on="b", gain=0.8)]
    one, other = narrowed(BEFORE, rows), narrowed(BEFORE, [rows[k] for k in order])
    assert np.array([one.hold_N, one.hold_sd, one.extension_factor, one.extension_sd]) == pytest.approx(
        np.array([other.hold_N, other.hold_sd, other.extension_factor, other.extension_sd]), rel=1e-9
    )


def test_a_larger_reading_error_moves_the_estimate_less() -> None:
    sharp, blunt = (narrowed(BEFORE, [reading(0.6, error_N=error)]) for error in (0.01, 0.3))
    assert sharp.hold_N < blunt.hold_N < BEFORE.hold_N
    assert sharp.hold_sd < blunt.hold_sd < BEFORE.hold_sd


def test_scatter_of_the_repeats_counts() -> None:
    steady = Reading("a", (0.6, 0.6, 0.6), 0.01, 1.0, 0.0)
    scattered = Reading("a", (0.3, 0.6, 0.9), 0.01, 1.0, 0.0)
    assert scattered.log_sd > 5.0 * steady.log_sd


@pytest.mark.parametrize("forces", [(), (0.0,), (-0.1, 0.2)])
def test_a_reading_must_be_a_force(forces: tuple[float, ...]) -> None:
    with pytest.raises(InputError, match="above 0"):
        Reading("a", forces, 0.01, 1.0, 0.0)
