"""Packing: what goes in lies clear, the bound is never above an arrangement, wrong input is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from backstay.core.rigging.packing import MOST_CIRCLES, Packing, enclosing_radius_mm
from backstay.core.rigging.packing_bound import EXCLUDED, OUT_OF_BUDGET, exclude, least_angle
from backstay.core.rigging.passage import Bore, Member, passage
from backstay.errors import InputError
from backstay.identifiers import Verdict

SIZES_mm = (0.178, 0.2, 0.25, 0.31, 0.36, 0.41, 0.43, 0.49, 0.55, 0.6)
sizes = st.sampled_from(SIZES_mm)
ROUNDING_mm = 1e-9


def assert_lies_clear(packing: Packing, radii: list[float]) -> None:
    for i, (x, y) in enumerate(packing.centres_mm):
        assert math.hypot(x, y) + radii[i] <= packing.radius_mm + ROUNDING_mm
        for j in range(i):
            dx, dy = x - packing.centres_mm[j][0], y - packing.centres_mm[j][1]
            assert math.hypot(dx, dy) >= radii[i] + radii[j] - ROUNDING_mm


@given(st.lists(sizes, min_size=1, max_size=6))
def test_members_lie_clear_and_the_gap_is_small(radii: list[float]) -> None:
    packing = enclosing_radius_mm(radii)
    assert_lies_clear(packing, radii)
    assert 0.0 <= packing.gap_mm <= 0.01 + ROUNDING_mm


@pytest.mark.parametrize(
    "radii",
    [
        [0.55, 0.42, 0.35, 0.35, 0.32, 0.25, 0.178],
        [0.6, 0.41, 0.31, 0.31, 0.2, 0.178, 0.178],
        [0.55, 0.41, 0.31, 0.31, 0.2, 0.178, 0.178, 0.178],
        [0.6, 0.42, 0.42, 0.42, 0.35, 0.32, 0.25, 0.178],
    ],
)
def test_seven_and_eight_members(radii: list[float]) -> None:
    packing = enclosing_radius_mm(radii)
    assert_lies_clear(packing, radii)
    assert packing.gap_mm <= 0.01 + ROUNDING_mm


@given(st.lists(sizes, min_size=1, max_size=5), sizes)
def test_one_more_never_needs_less(radii: list[float], more: float) -> None:
    without, including = enclosing_radius_mm(radii), enclosing_radius_mm([*radii, more])
    assert including.radius_mm >= without.lower_bound_mm - ROUNDING_mm


@given(st.lists(sizes, min_size=2, max_size=5), st.randoms(use_true_random=False))
def test_the_order_does_not_matter(radii: list[float], random: object) -> None:
    mixed = list(radii)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert enclosing_radius_mm(mixed).radius_mm == enclosing_radius_mm(radii).radius_mm
    assert_lies_clear(enclosing_radius_mm(mixed), mixed)


def scattered(rng: np.random.Generator, count: int) -> tuple[NDArray[np.float64], float] | None:
    """Drop circles at random into a disc of 1.0 mm, and return them with the radius they then need."""
    placed: list[tuple[float, float, float]] = []
    for _ in range(4000):
        r = float(rng.choice(SIZES_mm))
        turn, out = rng.uniform(0.0, 2.0 * np.pi), (1.0 - r) * math.sqrt(rng.uniform())
        x, y = out * math.cos(turn), out * math.sin(turn)
        if all(math.hypot(x - a, y - b) >= r + q for a, b, q in placed):
            placed.append((x, y, r))
            if len(placed) == count:
                needed = max(math.hypot(a, b) + q for a, b, q in placed)
                return np.array(sorted((q for *_, q in placed), reverse=True)), needed
    return None


def test_what_goes_in_is_never_excluded() -> None:
    """The proof against arrangements made without it: 300 random ones, each in the lumen it needs."""
    rng = np.random.default_rng(8)
    tried = 0
    while tried < 300:
        made = scattered(rng, 4 + tried % 4)
        if made is None:
            continue
        radii, needed = made
        assert exclude(radii, needed * (1.0 + 1e-9), 20_000, np.zeros((len(radii), 2))) != EXCLUDED
        tried += 1


def test_what_is_packed_is_never_excluded() -> None:
    """The same for arrangements that are all but jammed, where a wrong proof would show first."""
    rng = np.random.default_rng(9)
    for trial in range(60):
        radii = np.sort(rng.choice(SIZES_mm, 4 + trial % 3))[::-1].copy()
        radius_mm = enclosing_radius_mm(tuple(radii)).radius_mm
        assert exclude(radii, radius_mm + 1e-7, 60_000, np.zeros((len(radii), 2))) != EXCLUDED
        assert exclude(radii, radius_mm - 0.011, 60_000, np.zeros((len(radii), 2))) == EXCLUDED


def test_three_are_proven_by_the_other_way_too() -> None:
    """The closed form of three against branch and bound, which knows nothing of it."""
    rng = np.random.default_rng(3)
    for _ in range(80):
        radii = np.sort(rng.uniform(0.1, 0.6, 3))[::-1].copy()
        radius_mm = enclosing_radius_mm(tuple(radii)).radius_mm
        assert exclude(radii, radius_mm - 1e-3, 60_000, np.zeros((3, 2))) == EXCLUDED
        assert exclude(radii, radius_mm + 1e-7, 60_000, np.zeros((3, 2))) != EXCLUDED


def test_a_bore_within_the_gap_is_too_close_to_call() -> None:
    radii = (0.43, 0.41, 0.36, 0.31)
    packing = enclosing_radius_mm(radii)
    assert packing.gap_mm > 1e-4
    members = [Member(str(i), "device", r) for i, r in enumerate(radii)]
    between = passage(Bore("bore", packing.radius_mm + packing.lower_bound_mm), members)
    assert between.verdict is Verdict.TIGHT
    assert between.spare_mm < 0.0
    assert "too close to call" in between.note
    below = passage(Bore("bore", 2.0 * packing.lower_bound_mm - 1e-6), members)
    assert below.verdict is Verdict.NO


def test_a_spent_budget_is_no_proof() -> None:
    radii = np.array([0.6, 0.42, 0.42, 0.42, 0.35])
    assert exclude(radii, 1.1, 0, np.zeros((5, 2))) == OUT_OF_BUDGET


@given(
    st.tuples(*[st.floats(0.05, 1.0)] * 4),
    st.floats(0.2, 0.9),
    st.lists(st.floats(0.0, 1.0), min_size=2, max_size=2),
)
def test_the_least_angle_is_least(ends: tuple[float, ...], apart: float, inside: list[float]) -> None:
    (a, b), (c, d) = sorted(ends[:2]), sorted(ends[2:])
    i, j = a + inside[0] * (b - a), c + inside[1] * (d - c)
    cosine = (i * i + j * j - apart * apart) / (2.0 * i * j)
    least = least_angle(a, b, c, d, apart)
    if cosine < -1.0:
        return
    assert least >= 0.0
    assert least <= math.acos(min(cosine, 1.0)) + 1e-9


@pytest.mark.parametrize("radii", [(), (0.2,) * (MOST_CIRCLES + 1), (0.3, 0.0), (0.3, -0.1), (0.3, math.nan)])
def test_wrong_input_is_refused(radii: tuple[float, ...]) -> None:
    with pytest.raises(InputError) as caught:
        enclosing_radius_mm(radii)
    assert caught.value.field == "radii_mm"
    assert caught.value.allowed
