"""The table of uncertain inputs and its samples behave as a user expects."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSpec, median_case, sample, with_overrides
from backstay.errors import InputError, NotFound
from backstay.identifiers import Evidence

NAMES = [
    *("friction_wall", "friction_wire", "friction_extension", "friction_guide", "bed_MPa", "lesion_factor"),
    *(
        "ledge_factor",
        "device_stiffness_factor",
        "wire_stiffness_factor",
        "radius_shift_sd",
        "curvature_factor",
    ),
    *(
        "guide_hold_N",
        "retreat_mm",
        "extension_factor",
        "wire_hold_factor",
        "anchor_factor",
        "trapped_factor",
    ),
    *("hand_push_N", "shaft_factor", "lumen_roundness"),
]


def test_the_table_holds_the_agreed_names_each_with_label_source_and_evidence() -> None:
    assert [spec.name for spec in DEFAULT_DRAWS] == NAMES
    assert all(spec.label and spec.source and spec.evidence in set(Evidence) for spec in DEFAULT_DRAWS)
    assert len({spec.label for spec in DEFAULT_DRAWS}) == len(DEFAULT_DRAWS)


def test_the_unit_is_the_one_the_name_ends_in() -> None:
    for unit in ("N", "mm", "MPa"):
        named = [spec.name for spec in DEFAULT_DRAWS if spec.name.endswith(f"_{unit}")]
        assert named == [spec.name for spec in DEFAULT_DRAWS if spec.unit == unit] != []


def test_the_scale_of_the_guide_hold_is_marked_as_unvalidated() -> None:
    spec = next(spec for spec in DEFAULT_DRAWS if spec.name == "guide_hold_N")
    assert spec.evidence == Evidence.JUDGEMENT
    assert "unvalidated" in spec.label


def test_the_same_seed_gives_the_same_draws_and_another_seed_others() -> None:
    one, again, other = (sample(DEFAULT_DRAWS, count=64, seed=seed) for seed in (7, 7, 8))
    for name in NAMES:
        assert np.array_equal(one[name], again[name])
        assert not np.array_equal(one[name], other[name])


def test_fewer_draws_are_the_first_of_the_same_sequence() -> None:
    many, few = sample(DEFAULT_DRAWS, count=128, seed=3), sample(DEFAULT_DRAWS, count=50, seed=3)
    assert few.count == 50
    assert all(np.array_equal(few[name], many[name][:50]) for name in NAMES)


@pytest.mark.parametrize("count", [1, 2, 3, 200])
def test_any_count_is_drawn_in_full(count: int) -> None:
    draws = sample(DEFAULT_DRAWS, count=count, seed=1)
    assert draws.count == count
    assert {values.shape for values in draws.values.values()} == {(count,)}
    assert all(np.isfinite(values).all() for values in draws.values.values())


def test_inputs_are_drawn_independently_of_each_other() -> None:
    draws = sample(DEFAULT_DRAWS, count=1024, seed=1)
    scores = np.argsort(np.argsort(np.array([draws[name] for name in NAMES]), axis=1), axis=1)
    correlation = np.corrcoef(scores) - np.eye(len(NAMES))
    assert np.abs(correlation).max() < 0.1


def test_an_override_changes_that_input_alone_and_says_where_it_came_from() -> None:
    specs = with_overrides(DEFAULT_DRAWS, {"friction_wall": (0.12, 0.2)})
    changed = {a.name for a, b in zip(specs, DEFAULT_DRAWS, strict=True) if a != b}
    assert changed == {"friction_wall"}
    assert (specs[0].median, specs[0].spread, specs[0].source) == (0.12, 0.2, "case file")
    before, after = sample(DEFAULT_DRAWS, count=256, seed=1), sample(specs, count=256, seed=1)
    assert np.array_equal(before["bed_MPa"], after["bed_MPa"])
    assert np.allclose(
        after["friction_wall"], 0.12 * (before["friction_wall"] / 0.08) ** (0.2 / 0.45), rtol=1e-12
    )


def test_no_override_changes_nothing() -> None:
    assert with_overrides(DEFAULT_DRAWS, {}) == DEFAULT_DRAWS


def test_an_unknown_name_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(NotFound, match=r"draws = 'friction_floor'.*friction_wall"):
        with_overrides(DEFAULT_DRAWS, {"friction_floor": (0.1, 0.1)})


@pytest.mark.parametrize(
    ("name", "median", "spread", "field"),
    [
        ("friction_wall", 0.0, 0.3, "draws.friction_wall.median"),
        ("friction_wall", -0.1, 0.3, "draws.friction_wall.median"),
        ("friction_wall", float("nan"), 0.3, "draws.friction_wall.median"),
        ("friction_wall", 0.1, 0.0, "draws.friction_wall.spread"),
        ("friction_wall", 0.1, float("inf"), "draws.friction_wall.spread"),
        ("radius_shift_sd", 0.0, -1.0, "draws.radius_shift_sd.spread"),
        ("radius_shift_sd", float("inf"), 1.0, "draws.radius_shift_sd.median"),
    ],
)
def test_an_override_out_of_range_is_refused(name: str, median: float, spread: float, field: str) -> None:
    with pytest.raises(InputError) as caught:
        with_overrides(DEFAULT_DRAWS, {name: (median, spread)})
    assert caught.value.field == field


def test_a_normal_input_may_have_a_median_below_zero() -> None:
    specs = with_overrides(DEFAULT_DRAWS, {"radius_shift_sd": (-0.5, 1.0)})
    assert median_case(specs)["radius_shift_sd"] == pytest.approx([-0.5])


@pytest.mark.parametrize("median", [0.0, 1.0])
def test_a_share_lies_strictly_between_none_and_all(median: float) -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        DrawSpec("share", "a share", "", median, 0.5, "logit", "x", "x")


def test_no_draws_and_a_name_listed_twice_are_refused() -> None:
    with pytest.raises(InputError, match="1 or more"):
        sample(DEFAULT_DRAWS, count=0, seed=1)
    with pytest.raises(InputError, match="twice"):
        sample((*DEFAULT_DRAWS, replace(DEFAULT_DRAWS[0], median=0.2)), count=4, seed=1)


def test_asking_for_an_input_that_was_not_drawn_is_an_error() -> None:
    with pytest.raises(NotFound, match="no such uncertain input"):
        median_case(DEFAULT_DRAWS)["hope"]


def test_the_median_case_is_one_draw_at_the_medians() -> None:
    case = median_case(DEFAULT_DRAWS)
    assert case.count == 1
    assert {spec.name: float(case[spec.name][0]) for spec in DEFAULT_DRAWS} == pytest.approx(
        {spec.name: spec.median for spec in DEFAULT_DRAWS}
    )
