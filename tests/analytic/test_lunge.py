"""A spring and a slider: what is let go, how far it goes, when there is no jump at all."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from backstay.core.withdrawal.lunge import along, in_series_N_per_mm, sudden_drop

FORCES = st.floats(0.05, 5.0)
SPRINGS = st.floats(0.01, 5.0)


@given(FORCES, st.floats(0.0, 1.0), SPRINGS)
def test_spring_and_slider(before_N: float, share: float, spring_N_per_mm: float) -> None:
    after = share * before_N
    jump = sudden_drop(
        before_N=np.array([before_N]), after_N=after, spring_N_per_mm=np.array([spring_N_per_mm])
    )
    way, k = float(jump.comes_to_rest_mm[0]), spring_N_per_mm
    # Energy: what the spring lets go is taken up by the slider, and the rest is motion.
    assert before_N * way - 0.5 * k * way**2 == pytest.approx(float(jump.released_mJ[0]), abs=1e-9)
    assert after * way + float(jump.moving_mJ[0]) == pytest.approx(float(jump.released_mJ[0]), abs=1e-9)
    # At twice that way the spring has given back as much as the slider has taken: no motion is left.
    far = float(jump.at_most_mm[0])
    assert before_N * far - 0.5 * k * far**2 == pytest.approx(after * far, abs=1e-9)


def test_against_a_mass_that_moves() -> None:
    """An undamped mass on the spring stops where the closed form says, and is fastest at rest's place with the energy it says."""
    before, after, k, mass = 1.2, 0.5, 0.08, 3.0
    fast = solve_ivp(
        lambda t, y: [y[1], (before - k * y[0] - after) / mass],
        (0.0, np.pi * np.sqrt(mass / k)),
        [0.0, 0.0],
        rtol=1e-10,
        atol=1e-12,
        dense_output=True,
    )
    times = np.linspace(0.0, fast.t[-1], 4001)
    x, v = fast.sol(times)
    jump = sudden_drop(before_N=np.array([before]), after_N=after, spring_N_per_mm=np.array([k]))
    assert x.max() == pytest.approx(jump.at_most_mm[0], rel=1e-6)
    assert x[np.argmax(v)] == pytest.approx(jump.comes_to_rest_mm[0], rel=1e-3)
    assert 0.5 * mass * v.max() ** 2 == pytest.approx(jump.moving_mJ[0], rel=1e-6)


def test_along_a_constant_resistance_it_is_the_sudden_drop() -> None:
    gone = np.linspace(0.0, 60.0, 61)
    held, spring = np.array([1.0, 0.6]), np.array([0.05, 0.2])
    rest = np.array([0.4, 0.35])
    found = along(
        gone_mm=gone, resistance_N=np.repeat(rest[:, None], 61, axis=1), start=np.array([3, 10]), held_N=held, spring_N_per_mm=spring
    )  # fmt: skip
    closed = sudden_drop(before_N=held, after_N=rest, spring_N_per_mm=spring)
    for name in ("comes_to_rest_mm", "at_most_mm", "released_mJ", "moving_mJ"):
        # a grid of 0.25 mm; the energy's end is met with a slope, so within a fraction of a step
        assert getattr(found, name) == pytest.approx(getattr(closed, name), rel=0.02, abs=0.05), name


def test_a_resistance_that_falls_more_slowly_than_the_spring_does_not_jump() -> None:
    gone = np.linspace(0.0, 20.0, 81)
    falling = np.maximum(1.0 - 0.1 * gone, 0.0)[None, :]
    start, held = np.array([0]), np.array([1.0])
    stiff = along(
        gone_mm=gone, resistance_N=falling, start=start, held_N=held, spring_N_per_mm=np.array([0.11])
    )
    soft = along(
        gone_mm=gone, resistance_N=falling, start=start, held_N=held, spring_N_per_mm=np.array([0.06])
    )
    assert stiff.comes_to_rest_mm[0] == 0.0 and stiff.moving_mJ[0] == 0.0
    # the soft spring's line 1 - 0.06 x meets the resistance again where both are 0
    assert soft.comes_to_rest_mm[0] == pytest.approx(1.0 / 0.06, abs=0.3)
    assert soft.moving_mJ[0] == pytest.approx(0.5 / 0.06 - 0.5 * 1.0 * 10.0, rel=0.02)


def test_springs_in_series_are_softer_than_the_softest() -> None:
    assert in_series_N_per_mm(2.0, 3.0, 6.0) == pytest.approx(1.0)
