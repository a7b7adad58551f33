"""Need read off curves: bounded where they were carried on too far, untouched where a state is held."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from backstay.core.inference.chance import extension_part_N, need_from_curves, wire_part_N
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.march import PUSH, READINGS, SLEEVE_LOAD, SLEEVE_TURN, WIRE_LOAD, WIRE_TURN

LEVELS_N = np.array([[0.0, 0.5, 1.0]])


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return sample(DEFAULT_DRAWS, count=4, seed=2)


def curves_of(prolapse_N: float, *, turn_rad: float = 1.0) -> Curves:
    """Four draws at one depth: the push rises with the load, the turns with it by `turn_rad` a newton."""
    rows = np.zeros((4, 1, 3, READINGS))
    rows[..., PUSH] = 0.1 + 1.5 * LEVELS_N
    rows[..., WIRE_LOAD] = rows[..., SLEEVE_LOAD] = 0.2
    rows[..., WIRE_TURN] = rows[..., SLEEVE_TURN] = turn_rad * LEVELS_N
    return Curves(np.array([20.0]), LEVELS_N, rows, np.full((4, 1), prolapse_N))


@pytest.mark.parametrize("prolapse_N", [np.inf, 0.8, 0.0])
@pytest.mark.parametrize("load_N", [1e5, 1e12])
def test_a_load_far_beyond_the_curves_is_prolapse_and_no_warning(
    draws: DrawSet, prolapse_N: float, load_N: float
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        need, prolapsed = need_from_curves(
            draws, curves_of(prolapse_N), np.full((4, 1), load_N), np.zeros((4, 1), dtype=bool)
        )
    assert np.all(np.isinf(need)) and np.all(prolapsed)


def test_readings_that_are_missing_are_prolapse(draws: DrawSet) -> None:
    curves = curves_of(np.inf)
    curves.readings[..., SLEEVE_LOAD] = np.nan
    need, prolapsed = need_from_curves(draws, curves, np.full((4, 1), 0.4), np.zeros((4, 1), dtype=bool))
    assert np.all(np.isinf(need)) and np.all(prolapsed)


def test_below_prolapse_the_parts_are_the_closed_forms(draws: DrawSet) -> None:
    load = np.full((4, 1), 0.7)
    need, prolapsed = need_from_curves(draws, curves_of(0.71), load, np.zeros((4, 1), dtype=bool))
    mu, lining = draws["friction_wire"][:, None], draws["friction_extension"][:, None]
    wire = 0.2 * (np.exp(mu * 0.7) - 1.0) / 0.7
    before = 0.1 + 1.5 * 0.7 + wire
    assert not prolapsed.any()
    assert np.allclose(need, before * np.exp(lining * 0.7) + lining * 0.2, rtol=1e-12)


def test_curves_are_read_up_to_the_prolapse_load_and_no_further(draws: DrawSet) -> None:
    """What lies beyond it changes nothing: neither the draws that prolapse nor the others."""
    bent = curves_of(0.6)
    bent.readings[:, :, 2] = 1e6  # only loads above 0.5 N touch it
    load, no = np.array([[0.2], [0.5], [0.9], [5.0]]), np.zeros((4, 1), dtype=bool)
    need, prolapsed = need_from_curves(draws, bent, load, no)
    plain, _ = need_from_curves(draws, curves_of(0.6), load, no)
    assert np.array_equal(need, plain) and prolapsed[:, 0].tolist() == [False, False, True, True]


def test_parts_carried_on_too_far_stay_finite(draws: DrawSet) -> None:
    load = np.full((4, 1), 1e6)
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        parts = (
            wire_part_N(draws, curves_of(np.inf), load),
            extension_part_N(draws, curves_of(np.inf), load, np.ones((4, 1))),
        )
    assert all(np.all(np.isfinite(part)) and np.all(part > 1e3) for part in parts)
