"""Smoothing: the lumen's rule, the report, few points, and what is refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.anatomy.smoothing import WIDER_THAN_MEASURED, smooth_path
from backstay.core.anatomy.spline import smooth_curve
from backstay.errors import InputError


def line(count: int, step_mm: float = 1.7) -> np.ndarray:
    return np.outer(np.arange(float(count)) * step_mm, [0.6, 0.0, 0.8])


def nearest_radius(radius_mm: np.ndarray, step_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return the measured radii and those of the nodes nearest to them (the tighter of two as near)."""
    path = smooth_path(line(len(radius_mm), step_mm), radius_mm, radius_sd_mm=0.1).path
    at = np.arange(len(radius_mm)) * step_mm
    inside = at <= path.length_mm
    near = np.abs(path.s_mm - at[inside, None]) <= 0.5 + 1e-6
    return radius_mm[inside], np.where(near, path.radius_mm, np.inf).min(axis=1)


@pytest.mark.parametrize("at", [5, 11, 17, 24])
@pytest.mark.parametrize("step_mm", [1.3, 1.7, 2.6])
def test_a_narrowing_of_one_point_is_not_hidden(at: int, step_mm: float) -> None:
    radius = np.full(40, 1.6)
    radius[at] = 0.5
    _, found = nearest_radius(radius, step_mm)
    assert found[at] <= WIDER_THAN_MEASURED * 0.5


@given(seed=st.integers(0, 60))
def test_no_point_is_filled_in(seed: int) -> None:
    rng = np.random.default_rng(seed)
    measured, found = nearest_radius(rng.uniform(0.4, 2.5, 50), float(rng.uniform(0.8, 2.7)))
    assert (found <= WIDER_THAN_MEASURED * measured + 1e-9).all()
    assert (found > 0.0).all()


def test_noise_of_the_lumen_is_reduced_and_its_level_kept() -> None:
    rng = np.random.default_rng(4)
    radius = 1.6 + rng.normal(0.0, 0.08, 70)
    path = smooth_path(line(70), radius, radius_sd_mm=0.1).path
    assert np.std(path.radius_mm) < 0.7 * np.std(radius)
    assert np.mean(path.radius_mm) == pytest.approx(1.6, rel=0.03)


def test_a_taper_stays() -> None:
    radius = np.linspace(2.0, 1.0, 60)
    path = smooth_path(line(60), radius, radius_sd_mm=0.1).path
    expected = np.interp(path.s_mm, np.arange(60) * 1.7, radius)
    assert path.radius_mm[3:-3] == pytest.approx(expected[3:-3], abs=0.005)


def test_errors_of_the_lumen_are_carried() -> None:
    path = smooth_path(line(30), 1.5, radius_sd_mm=np.linspace(0.05, 0.2, 30)).path
    assert path.radius_sd_mm == pytest.approx(0.05 + 0.15 * path.s_mm / (29 * 1.7), abs=1e-6)


def test_the_report_adds_up() -> None:
    points = line(30) + np.random.default_rng(1).normal(0.0, 0.1, (30, 3))
    smoothed = smooth_path(points, 1.5, radius_sd_mm=0.1)
    report = smoothed.report
    assert report.bend_after_rad == smoothed.path.total_bend_rad
    assert report.bend_after_rad < 0.3 * report.bend_before_rad
    assert report.kept_turns == ()
    assert 0.0 <= report.left_over_mm < 1.0
    assert report.largest_shift_mm < 0.5
    assert smoothed.path.length_mm + report.left_over_mm == pytest.approx(29 * 1.7, abs=0.3)


@pytest.mark.parametrize("count", [4, 5, 6, 7])
def test_few_points_give_a_plain_curve(count: int) -> None:
    smoothed = smooth_path(line(count, 4.0), 1.5, radius_sd_mm=0.1)
    assert smoothed.path.total_bend_rad < 1e-3
    assert np.isnan(smoothed.report.noise_mm) == (count < 6)


def test_two_points_give_a_line() -> None:
    curve, noise = smooth_curve(np.array([0.0, 3.0]), np.array([[0.0, 0.0, 0.0], [3.0, 0.0, 0.0]]))
    assert curve(1.0) == pytest.approx([1.0, 0.0, 0.0])
    assert np.isnan(noise)


def test_a_sharp_vertex_beside_the_ostium_is_kept() -> None:
    before = np.array([[-3.4, 0.0, 0.0], [-1.7, 0.0, 0.0], [0.0, 0.0, 0.0]])
    after = np.outer(np.arange(1.7, 40.0, 1.7), [0.0, 1.0, 0.0])
    smoothed = smooth_path(np.concatenate([before, after]), 1.5, radius_sd_mm=0.1)
    assert len(smoothed.report.kept_turns) == 1
    assert smoothed.path.total_bend_rad == pytest.approx(np.pi / 2.0, rel=0.02)


def test_noise_alone_makes_no_sharp_vertex() -> None:
    points = line(80, 0.6) + np.random.default_rng(2).normal(0.0, 0.15, (80, 3))
    assert smooth_path(points, 1.0, radius_sd_mm=0.1).report.kept_turns == ()


def hairpin() -> np.ndarray:
    out = line(15)
    back = out[-2::-1] + np.array([0.0, 0.4, 0.0])
    return np.concatenate([out, back])


@pytest.mark.parametrize(
    ("make", "field", "allowed"),
    [
        (lambda: smooth_path(line(3), 1.0, radius_sd_mm=0.1), "points_mm", "4 or more"),
        (lambda: smooth_path(line(9)[:, :2], 1.0, radius_sd_mm=0.1), "points_mm", "4 or more"),
        (
            lambda: smooth_path(np.where(line(9) > 5.0, np.inf, 0.0), 1.0, radius_sd_mm=0.1),
            "points_mm",
            "finite",
        ),
        (lambda: smooth_path(line(9), np.nan, radius_sd_mm=0.1), "radius_mm", "finite"),
        (lambda: smooth_path(line(9), -1.0, radius_sd_mm=0.1), "radius_mm", "above 0 mm"),
        (lambda: smooth_path(line(9), 1.0, radius_sd_mm=-0.1), "radius_sd_mm", "0 mm or more"),
        (lambda: smooth_path(line(9).repeat(2, axis=0), 1.0, radius_sd_mm=0.1), "points_mm", "distinct"),
        (lambda: smooth_path(line(9, 0.3), 1.0, radius_sd_mm=0.1), "points_mm", "4 mm or more"),
        (lambda: smooth_path(hairpin(), 1.0, radius_sd_mm=0.1), "points_mm", "up to 150 degrees"),
    ],
)
def test_what_cannot_be_is_refused(make: Callable[[], object], field: str, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field
    assert allowed in caught.value.allowed
