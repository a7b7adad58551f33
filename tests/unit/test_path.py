"""Paths: lumen, measurement errors, and what is refused."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from backstay.core.anatomy.easing import eased
from backstay.core.anatomy.path import SMALLEST_RADIUS_MM, LumenPath, joined
from backstay.errors import InputError


def arc(count: int = 31, spacing_mm: float = 1.0) -> LumenPath:
    """Return an arc of radius 20 mm whose lumen narrows from 2 to 0.2 mm."""
    return LumenPath.from_curvature(
        np.tile([0.05, 0.0], (count, 1)),
        np.linspace(2.0, 0.2, count),
        radius_sd_mm=0.1,
        spacing_mm=spacing_mm,
    )


def test_lumen_between_nodes_and_off_the_path() -> None:
    p = arc()
    assert p.radius_at_mm([0.0, 10.0, 15.5, 30.0]) == pytest.approx([2.0, 1.4, 1.07, 0.2])
    assert p.radius_at_mm(15.5).shape == ()
    assert np.isnan(p.radius_at_mm([[-0.1, 30.1]])).all()


def test_radius_error_moves_the_lumen_by_its_standard_deviation() -> None:
    wide = arc().with_errors(radius_shift_sd=1.5)
    assert wide.radius_mm == pytest.approx(arc().radius_mm + 0.15)
    tight = arc().with_errors(radius_shift_sd=-3.0)
    assert tight.radius_mm.min() == SMALLEST_RADIUS_MM
    assert tight.radius_mm[0] == pytest.approx(1.7)
    assert tight.points_mm == pytest.approx(arc().points_mm, abs=1e-12)


def test_from_curvature_starts_at_the_origin_along_x_and_turns_up() -> None:
    p = arc()
    assert p.points_mm[0] == pytest.approx([0.0, 0.0, 0.0])
    assert p.tangents[0] == pytest.approx([1.0, 0.0, 0.0])
    assert p.points_mm[-1] == pytest.approx([20.0 * np.sin(1.5), 0.0, 20.0 * (1.0 - np.cos(1.5))], abs=1e-9)


def turned_at_once(turn_rad: float) -> LumenPath:
    """Return a straight path of lumen radius 2 mm that turns over three nodes in its middle, half of it at the middle one."""
    curvature = np.zeros((41, 2))
    curvature[19:22, 1] = turn_rad * np.array([0.25, 0.5, 0.25])
    return LumenPath.from_curvature(curvature, 2.0, radius_sd_mm=0.1, spacing_mm=1.0)


def test_a_turn_tighter_than_the_lumen_allows_is_spread_and_kept_whole() -> None:
    sharp = turned_at_once(1.4)
    spread = eased(sharp, 0.5)
    assert np.hypot(*spread.curvature_per_mm.T).max() * 2.0 == pytest.approx(0.5, abs=1e-3)
    assert spread.total_bend_rad == pytest.approx(sharp.total_bend_rad, rel=1e-9)
    assert spread.tangents[-1] == pytest.approx(sharp.tangents[-1], abs=1e-9)
    assert spread.bend_rad(16.0, 24.0) == pytest.approx(1.4, abs=0.01)
    assert np.linalg.norm(spread.points_mm - sharp.points_mm, axis=1).max() < 1.0


def test_a_path_without_a_tight_turn_is_left_as_it_is() -> None:
    wide = turned_at_once(0.4)
    assert eased(wide, 0.5) is wide


def test_length_and_spacing() -> None:
    p = arc(21, spacing_mm=0.5)
    assert (p.length_mm, p.spacing_mm) == (10.0, 0.5)
    assert np.diff(p.s_mm) == pytest.approx(0.5, abs=1e-12)


def nodes(count: int = 5) -> np.ndarray:
    return np.outer(np.arange(float(count)), [1.0, 0.0, 0.0])


@pytest.mark.parametrize(
    ("make", "field", "allowed"),
    [
        (
            lambda: LumenPath.through(nodes(2), 1.0, radius_sd_mm=0.1, spacing_mm=1.0),
            "points_mm",
            "3 or more",
        ),
        (
            lambda: LumenPath.through(nodes() * np.nan, 1.0, radius_sd_mm=0.1, spacing_mm=1.0),
            "points_mm",
            "finite",
        ),
        (lambda: LumenPath.through(nodes() * 0.0, 1.0, radius_sd_mm=0.1, spacing_mm=1.0), "points_mm", ""),
        (
            lambda: LumenPath.through(nodes(), 0.0, radius_sd_mm=0.1, spacing_mm=1.0),
            "radius_mm",
            "above 0 mm",
        ),
        (
            lambda: LumenPath.through(nodes(), 1.0, radius_sd_mm=-0.1, spacing_mm=1.0),
            "radius_sd_mm",
            "0 mm or more",
        ),
        (lambda: arc().bend_rad(-1.0, 5.0), "from_mm", "0 to 30 mm"),
        (lambda: arc().bend_rad(1.0, 31.0), "to_mm", "0 to 30 mm"),
        (lambda: arc().bend_rad(9.0, 5.0), "to_mm", "from 9 mm"),
        (lambda: arc().with_errors(curvature_factor=-0.5), "curvature_factor", "0 to 62.8"),
        (lambda: arc().with_errors(curvature_factor=100.0), "curvature_factor", "0 to 62.8"),
        (lambda: arc().with_errors(curvature_factor=float("nan")), "curvature_factor", "0 to 62.8"),
        (lambda: arc().starting_at(28.5), "seat_mm", "0 to 28 mm"),
        (lambda: arc().starting_at(-1.0), "seat_mm", "0 to 28 mm"),
        (lambda: arc().split(1.0), "at_mm", "2 to 28 mm"),
        (lambda: arc().split(float("nan")), "at_mm", "2 to 28 mm"),
        (lambda: joined(arc(), arc(31, 0.5)), "spacing_mm", "1 mm"),
        (
            lambda: LumenPath.from_curvature(
                np.tile([4.0, 0.0], (9, 1)), 1.0, radius_sd_mm=0.1, spacing_mm=1.0
            ),
            "curvature_per_mm",
            "below 3.14",
        ),
    ],
)
def test_what_cannot_be_is_refused(make: Callable[[], object], field: str, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        make()
    assert caught.value.field == field
    assert allowed in caught.value.allowed
