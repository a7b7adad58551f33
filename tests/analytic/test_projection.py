"""Projection: rays undo it, slopes agree with differences, exact points triangulate, planes meet."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.imaging.projection import (
    View,
    beam_angle_rad,
    epipolar_lines,
    receptor_axes,
    separation_rad,
    triangulated,
)
from backstay.errors import InputError

ANGLE = st.floats(-1.5, 1.5)


def view(primary: float = -0.5, secondary: float = 0.3, **changes: object) -> View:
    values = {
        "sid_mm": 1050.0,
        "sod_mm": 760.0,
        "row_mm": 0.24,
        "column_mm": 0.26,
        "rows": 500,
        "columns": 520,
    }
    return View(primary, secondary, **{**values, **changes})  # type: ignore[arg-type]


@given(ANGLE, ANGLE, st.integers(0, 3), st.booleans(), st.floats(-30, 30))
def test_a_ray_leads_back_to_its_pixel(
    primary: float, secondary: float, turns: int, mirrored: bool, shift: float
) -> None:
    v = view(
        primary, secondary, quarter_turns=turns, mirrored=mirrored, shift_mm=np.array([shift, -5.0, 2.0])
    )
    rng = np.random.default_rng(0)
    at = rng.uniform(0, 500, (200, 2))
    depth = rng.uniform(600, 900, (200, 1))
    # Below a billionth of a pixel: the bound asked for, four orders above rounding.
    assert np.abs(v.project(v.source_mm + depth * v.rays(at)) - at).max() < 1e-9


@given(ANGLE, ANGLE, st.integers(0, 3), st.booleans())
def test_slopes_are_the_limits_of_differences(
    primary: float, secondary: float, turns: int, mirrored: bool
) -> None:
    v = view(primary, secondary, quarter_turns=turns, mirrored=mirrored)
    points = np.random.default_rng(1).uniform(-40, 40, (20, 3))
    at, slope = v.project_with_slope(points)
    assert np.abs(at - v.project(points)).max() < 1e-9
    for k in range(3):
        step = np.eye(3)[k] * 1e-4
        difference = (v.project(points + step) - v.project(points - step)) / 2e-4
        # Central differences of 0.1 micrometre: rounding 1e-12 * 500 px / 1e-4, truncation 1e-9.
        assert np.abs(difference - slope[..., k]).max() < 1e-7


def test_axes_are_a_right_handed_frame_turned_by_longitude_then_latitude() -> None:
    u, v, d = receptor_axes(0.7, -0.4)
    assert np.allclose(np.cross(u, v), -d, atol=1e-15)
    assert np.allclose([u @ v, u @ d, v @ d], 0.0, atol=1e-15)


@pytest.mark.parametrize(("turns", "mirrored"), [(0, False), (1, False), (2, True), (3, True)])
def test_turned_and_flipped_images_are_the_same_picture(turns: int, mirrored: bool) -> None:
    """The stored image of a turned receptor is the plain image put through the same turn and flip."""
    plain = view(row_mm=0.25, column_mm=0.25, rows=500, columns=500)
    stored = view(row_mm=0.25, column_mm=0.25, rows=500, columns=500, quarter_turns=turns, mirrored=mirrored)
    point = np.array([[12.0, -7.0, 20.0]])
    picture = np.zeros((500, 500))
    row, column = np.round(plain.project(point)[0]).astype(int)
    picture[row, column] = 1.0
    # numpy turns the other way round.
    moved = np.rot90(picture, -turns)
    moved = moved[:, ::-1] if mirrored else moved
    assert np.abs(np.argwhere(moved)[0] - stored.project(point)[0]).max() <= 0.5


@pytest.mark.parametrize(("turns", "mirrored"), [(0, False), (1, True)])
def test_the_central_ray_falls_between_the_middle_pixels_of_an_even_image(turns: int, mirrored: bool) -> None:
    """A whole number is a pixel's centre, counted from 0: of 500 rows the middle is 249.5."""
    v = view(quarter_turns=turns, mirrored=mirrored)
    np.testing.assert_allclose(v.project(np.zeros(3)), [249.5, 259.5], atol=1e-9)


def test_rows_and_columns_have_their_own_spacing() -> None:
    """Straight ahead, 10 mm to the left and 10 mm down at the isocentre, by hand."""
    v = view(0.0, 0.0)
    offset = v.project(np.array([10.0, 0.0, -10.0])) - v.centre_px
    np.testing.assert_allclose(offset, 10.0 * 1050.0 / 760.0 / np.array([0.24, 0.26]), rtol=1e-12)


def test_a_pixel_spans_as_much_as_the_magnification_leaves() -> None:
    """Nearer the receptor a pixel spans more: 60 mm of 760 mm."""
    v = view(0.3, 0.2, row_mm=0.25, column_mm=0.25)
    points = np.array([0.0, 60.0, -60.0])[:, None] * v.towards_receptor
    expected = 0.25 * np.array([760.0, 820.0, 700.0]) / 1050.0
    np.testing.assert_allclose(v.mm_per_px(points), expected, rtol=1e-12)


def test_exact_points_triangulate() -> None:
    points = np.random.default_rng(2).uniform(-40, 40, (50, 3))
    views = (view(), view(0.6, -0.3, shift_mm=np.array([4.0, -3.0, 8.0])))
    found, miss = triangulated(views, tuple(v.project(points) for v in views))
    assert np.abs(found - points).max() < 1e-9
    assert miss.max() < 1e-9


def test_parallel_rays_do_not_triangulate() -> None:
    v = view()
    with pytest.raises(InputError, match="parallel"):
        triangulated((v, v), (np.array([[250.0, 250.0]]),) * 2)


def test_points_lie_on_each_others_epipolar_lines() -> None:
    points = np.random.default_rng(3).uniform(-40, 40, (50, 3))
    a, b = view(), view(0.6, -0.3)
    lines = epipolar_lines(a, b, a.project(points))
    away = (lines[:, :2] * b.project(points)).sum(axis=1) + lines[:, 2]
    assert np.abs(away).max() < 1e-9
    assert np.allclose(np.hypot(lines[:, 0], lines[:, 1]), 1.0)


def test_moving_the_patient_is_moving_the_point() -> None:
    by, point = np.array([5.0, -6.0, 7.0]), np.array([1.0, 2.0, 3.0])
    assert np.allclose(view().shifted(by).project(point), view().project(point + by), atol=1e-12)


def test_angles_between_views() -> None:
    assert separation_rad(view(0.0, 0.0), view(0.0, 0.9)) == pytest.approx(0.9)
    assert beam_angle_rad(0.0, 0.4) == pytest.approx(0.4)
