"""The table of solved guides: exact at its entries, honest between them, silent where it knows nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.adapters.guide_table import held_out_errors, shipped_guide_table
from backstay.core.guide.ordinary import SEATS, ordinary_setup
from backstay.core.guide.pushback import push_back
from backstay.core.guide.surrogate import LEAST_N, guide_hold, stiffness_ratio
from backstay.errors import NotFound, OutsideValidity
from backstay.identifiers import Access, Coronary, GuideShape

TABLE = shipped_guide_table()
EXTRA = (GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT, Access.FEMORAL)
ERRORS = held_out_errors(TABLE)
MET_BEFORE = 159


def test_every_shape_by_every_way_is_there() -> None:
    assert set(TABLE.values) == {(shape, coronary, access) for shape, coronary in SEATS for access in Access}
    assert set(TABLE.spreads) == set(TABLE.values)


@pytest.mark.parametrize("root", [float(TABLE.roots_mm[2]), float(TABLE.roots_mm[4])])
def test_an_entry_is_the_full_models_answer(root: float) -> None:
    full = push_back(ordinary_setup(*EXTRA, size_fr=6.0, root_diameter_mm=root))
    read = guide_hold(TABLE, *EXTRA, size_fr=6.0, root_diameter_mm=root)
    assert read.backup_N == pytest.approx(full.backup_N, rel=1e-3)
    assert read.retreat_mm == pytest.approx(full.at_mm, abs=1e-3)


def test_between_two_roots_it_lies_between() -> None:
    low, middle, high = (
        guide_hold(TABLE, *EXTRA, size_fr=6.0, root_diameter_mm=r).backup_N for r in (32.0, 33.0, 34.5)
    )
    assert high < middle < low


def test_spread_holds_what_nobody_knows_and_the_reading_between() -> None:
    found = guide_hold(TABLE, *EXTRA, size_fr=6.0, root_diameter_mm=34.0)
    assert found.spread_sd == pytest.approx(np.hypot(TABLE.spreads[EXTRA], TABLE.error_sd))
    assert found.low_N == pytest.approx(found.backup_N * np.exp(-found.spread_sd))
    assert found.high_N == pytest.approx(found.backup_N * np.exp(found.spread_sd))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"root_diameter_mm": 26.0}, "aorta.root_diameter_mm"),
        ({"size_fr": 4.0}, "guide.size_fr"),
        ({"extension_depth_mm": 95.0}, "extension.depth_mm"),
        ({"extension_depth_mm": 5.0}, "extension.depth_mm"),
    ],
)
def test_outside_it_says_so(change: dict[str, float], field: str) -> None:
    with pytest.raises(OutsideValidity) as error:
        guide_hold(TABLE, *EXTRA, **{"size_fr": 6.0, "root_diameter_mm": 34.0, **change})
    assert error.value.field == field


def test_a_shape_for_another_artery_is_not_there() -> None:
    with pytest.raises(NotFound, match="shape"):
        guide_hold(
            TABLE,
            GuideShape.STANDARD_RIGHT,
            Coronary.LEFT,
            Access.FEMORAL,
            size_fr=6.0,
            root_diameter_mm=34.0,
        )


@pytest.mark.parametrize("value", [np.nan, 10.0])
def test_nothing_is_read_across_a_jump_or_a_missing_seat(value: float) -> None:
    values = TABLE.values[EXTRA].copy()
    values[1, list(TABLE.roots_mm).index(34.5), 0, 0] = value
    broken = replace(TABLE, values={**TABLE.values, EXTRA: values})
    for root in (34.0, 35.0):
        with pytest.raises(OutsideValidity, match="seat"):
            guide_hold(broken, *EXTRA, size_fr=6.0, root_diameter_mm=root)
    guide_hold(broken, *EXTRA, size_fr=6.0, root_diameter_mm=30.0)


def test_stiffness_of_a_half_size_lies_between() -> None:
    assert stiffness_ratio(6.0) < stiffness_ratio(6.5) < stiffness_ratio(7.0)
    assert stiffness_ratio(8.0) == pytest.approx((2.667**4 - 2.311**4) / (2.0**4 - 1.803**4))


def test_held_out_places_are_200_and_most_are_met() -> None:
    """Regression: how many the table of this version meets; the bar itself is the next test."""
    assert len(ERRORS) == 200
    met = sum(error is not None and np.expm1(abs(error)) <= 0.10 for _, error in ERRORS)
    assert met >= MET_BEFORE
    answered = sum(error is not None for _, error in ERRORS)
    assert met >= 0.94 * answered


@pytest.mark.xfail(
    strict=True,
    reason="near a place where a guide has two ways to lie the model's own answer jumps, and beyond some it finds none",
)
def test_held_out_places_all_within_a_tenth() -> None:
    assert all(error is not None and np.expm1(abs(error)) <= 0.10 for _, error in ERRORS)


def test_a_hold_too_small_counts_as_the_least() -> None:
    found = guide_hold(
        TABLE,
        GuideShape.STANDARD_RIGHT,
        Coronary.RIGHT,
        Access.RIGHT_RADIAL,
        size_fr=6.0,
        root_diameter_mm=38.0,
    )
    assert found.backup_N == pytest.approx(LEAST_N)
