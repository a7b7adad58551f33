"""Two views put together on exact projections: shift, angles, branch points, doubts; and one filmed tube off the isocentre."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from backstay.core.imaging.bundle import Curve, TagErrors, fitted_curve
from backstay.core.imaging.density import density
from backstay.core.imaging.diameters import both_views
from backstay.core.imaging.lumen import laid_amplitude
from backstay.core.imaging.matching import Matched, matched
from backstay.core.imaging.measuring import Sight, measured_pair, measured_single, seen
from backstay.core.imaging.pairs import Doubt, after
from backstay.core.imaging.phantom import random_phantom, straight_tube
from backstay.core.imaging.phantom_film import Film, filmed
from backstay.core.imaging.profile import profile_table, saturation
from backstay.core.imaging.projection import View, epipolar_lines
from backstay.core.imaging.rowfit import RowFits, fitted_rows
from backstay.core.imaging.straighten import Ribbon
from backstay.identifiers import Intensity

PHANTOM = random_phantom(np.random.default_rng(5))
TAGGED = tuple(
    View(np.deg2rad(a), np.deg2rad(b), 1000.0, 750.0, 0.25, 0.25, 512, 512)
    for a, b in ((-30.0, -20.0), (40.0, 20.0))
)
UP_MM = np.array([0.0, 0.0, 6.0])


def put_together(
    shift_mm: np.ndarray, turn_rad: float = 0.0, errors: TagErrors | None = None, branches: int = 2
) -> tuple[Matched, Curve]:
    """Return what is found where the patient moved and the second view's cranial angle is off its tag by so much."""
    errors = errors or TagErrors()
    true = (TAGGED[0], TAGGED[1].turned(primary_rad=0.0, secondary_rad=turn_rad).shifted(shift_mm))
    at = [int(np.searchsorted(PHANTOM.main.s_mm, x)) for x in PHANTOM.branch_at_mm[:branches]]
    one, other = (view.project(PHANTOM.main.points_mm[::12]) for view in true)
    mark, mark_other = (view.project(PHANTOM.main.points_mm[at]) for view in true)
    tags = (TAGGED[0], TAGGED[1])
    first = matched(tags, (one, other), (mark, mark_other), shift_sd_mm=errors.shift_mm)
    curve = fitted_curve(
        tags, (one, other), (mark, mark_other), start_mm=first.points_mm, shift_mm=first.shift_mm, errors=errors
    )  # fmt: skip
    return first, curve


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_moved_table_is_found_across_the_epipolar_lines_with_its_sign(sign: float) -> None:
    """Across both rays is where two views tell a shift; along the lines they cannot, and its prior draws it to none."""
    across = np.cross(TAGGED[0].towards_receptor, TAGGED[1].towards_receptor)
    across /= np.linalg.norm(across)
    told = sign * float(UP_MM @ across)
    assert abs(told) > 4.0
    first, curve = put_together(sign * UP_MM)
    assert float(first.shift_mm @ across) == pytest.approx(told, abs=0.5)
    assert float(curve.shift_mm @ across) == pytest.approx(told, abs=0.3)
    assert curve.residual_px < 0.1


def test_branch_points_and_length_are_those_of_the_vessel() -> None:
    _, curve = put_together(UP_MM)
    u = np.linspace(0.0, 1.0, 2001)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve.spline(u), axis=0), axis=1))])
    whole = PHANTOM.main.s_mm[::12][-1]
    # Not the bar of the noisy study: exact lines, so what is left is the spline's and the tags' priors.
    assert along[-1] == pytest.approx(whole, rel=0.006)
    found = np.interp(curve.landmarks_at, u, along)
    # Samples of the curve are 0.55 mm apart: a branch point lies between them.
    np.testing.assert_allclose(found, PHANTOM.branch_at_mm, atol=0.2)


def test_the_error_of_the_curve_is_its_spread_under_lines_that_err_by_as_much() -> None:
    """Errors of 0.4 px that run together over four of the curve's samples, as the fit takes a traced line's to do.

    Taken for independent from sample to sample, they would be told half as large.
    """
    sure = TagErrors(shift_mm=0.01, angle_rad=1e-5)
    views = (TAGGED[0], TAGGED[1])
    exact = [view.project(PHANTOM.main.points_mm[::12]) for view in views]
    none = (np.zeros((0, 2)), np.zeros((0, 2)))
    rng, u = np.random.default_rng(8), np.linspace(0.15, 0.85, 15)
    found, told = [], []
    for _ in range(8):
        lines = []
        for line in exact:
            noise = gaussian_filter1d(rng.normal(size=line.shape), 1.3, axis=0)
            lines.append(line + 0.4 * noise / noise.std())
        start = matched(views, (lines[0], lines[1]), none, shift_sd_mm=0.01)
        curve = fitted_curve(
            views, (lines[0], lines[1]), none, start_mm=start.points_mm, shift_mm=start.shift_mm, errors=sure
        )  # fmt: skip
        tangent = curve.spline.derivative()(u)
        tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
        across = np.eye(3) - tangent[:, :, None] * tangent[:, None, :]
        basis = curve.spline.design_matrix(u, curve.spline.t, 3).toarray()
        count = len(curve.control_mm)
        by_control = curve.covariance[: 3 * count, : 3 * count].reshape(count, 3, count, 3)
        variance = np.einsum("ni,iajb,nj->nab", basis, by_control, basis)
        told.append(np.einsum("nab,nbc,nac->n", across, variance, across))
        true = PHANTOM.main.points_mm
        away = curve.spline(u)[:, None] - true[None]
        found.append((away**2).sum(axis=2).min(axis=1))
    assert 0.6 < np.sqrt(np.mean(found) / np.mean(told)) < 1.4


def test_a_table_that_hardly_moves_is_held_near_none() -> None:
    first, _ = put_together(UP_MM, errors=TagErrors(shift_mm=0.05))
    assert np.linalg.norm(first.shift_mm) < 3.0


@pytest.mark.parametrize("branches", [0, 1])
def test_no_branch_point_need_be_marked(branches: int) -> None:
    _, curve = put_together(UP_MM, branches=branches)
    length = np.linalg.norm(np.diff(curve.spline(np.linspace(0.0, 1.0, 2001)), axis=0), axis=1).sum()
    assert length == pytest.approx(PHANTOM.main.s_mm[::12][-1], rel=0.01)
    assert len(curve.landmarks_at) == branches


@pytest.mark.parametrize("turn_deg", [0.8, -0.8])
def test_a_view_that_was_turned_off_its_tag_is_turned_back(turn_deg: float) -> None:
    """A table that is known not to move leaves the misfit to the angles: points then lie on each other's lines again."""
    still = TagErrors(shift_mm=0.01, angle_rad=float(np.deg2rad(2.0)))
    _, curve = put_together(np.zeros(3), np.deg2rad(turn_deg), still)
    true = (TAGGED[0], TAGGED[1].turned(primary_rad=0.0, secondary_rad=np.deg2rad(turn_deg)))
    points = PHANTOM.main.points_mm[::60]

    def miss_px(views: tuple[View, ...]) -> float:
        lines = epipolar_lines(views[0], views[1], true[0].project(points))
        return float(np.abs((lines[:, :2] * true[1].project(points)).sum(axis=1) + lines[:, 2]).mean())

    assert miss_px(TAGGED) > 0.5
    assert miss_px(curve.views) < 0.1


@pytest.fixture(scope="module")
def good() -> Curve:
    return put_together(np.zeros(3))[1]


@pytest.mark.parametrize(
    ("changes", "doubt", "stops"),
    [
        ({"shift_mm": np.array([0.0, 0.0, 31.0])}, Doubt.TABLE_SHIFT, False),
        ({"shift_mm": np.array([0.0, -40.0, 46.0])}, Doubt.TABLE_SHIFT, True),
        ({"angles_rad": np.deg2rad([0.0, 0.0, -1.1, 0.0])}, Doubt.SIGNS, True),
        ({"residuals_px": (np.full(9, 0.7), np.full(9, -0.7))}, Doubt.RESIDUAL, False),
        ({"residuals_px": (np.full(9, 2.1), np.full(9, -2.1))}, Doubt.RESIDUAL, True),
    ],
)
def test_what_a_curve_gives_reason_to_doubt(
    good: Curve, changes: dict[str, object], doubt: Doubt, stops: bool
) -> None:
    assert after(good) == ()
    found = after(replace(good, **changes))  # type: ignore[arg-type]
    assert [(r.doubt, r.stops) for r in found] == [(doubt, stops)]


@pytest.mark.parametrize(
    "changes",
    [
        {"shift_mm": np.array([0.0, 0.0, 29.0])},
        {"angles_rad": np.deg2rad([0.9, -0.9, 0.9, -0.9])},
        {"residuals_px": (np.full(9, 0.5), np.full(9, 0.5))},
    ],
)
def test_what_is_usual_gives_none(good: Curve, changes: dict[str, object]) -> None:
    assert after(replace(good, **changes)) == ()  # type: ignore[arg-type]


def test_a_vessel_along_the_epipolar_lines_is_said(good: Curve) -> None:
    """The normal of both rays is across every epipolar line; a vessel at right angles to it runs along them."""
    across = np.cross(good.views[0].towards_receptor, good.views[1].towards_receptor)
    across /= np.linalg.norm(across)
    flat = good.control_mm - np.outer(good.control_mm @ across, across)
    found = after(replace(good, spline=type(good.spline)(good.spline.t, flat, 3)))
    assert [r.doubt for r in found] == [Doubt.ALONG_EPIPOLAR]
    assert "100 %" in found[0].text


def test_a_view_that_leans_counts_by_the_fourth_power_of_its_sine() -> None:
    """Sines 1 and 1/2 of equal errors: weights 16 to 1."""
    diameter, _ = both_views(
        [np.array([2.0]), np.array([3.7])], [np.array([0.1])] * 2, [np.ones(1), np.full(1, 0.5)]
    )
    assert diameter[0] == pytest.approx((16.0 * 2.0 + 3.7) / 17.0)


def test_a_surer_view_counts_by_its_variance_and_equal_ones_err_less() -> None:
    diameter, sd = both_views(
        [np.array([2.0]), np.array([2.1])], [np.array([0.1]), np.array([0.2])], [np.ones(1)] * 2
    )
    assert diameter[0] == pytest.approx((4.0 * 2.0 + 2.1) / 5.0)
    assert sd[0] == pytest.approx(0.1 * 2.0 / np.sqrt(5.0))


def test_a_leaning_lumen_is_passed_through_for_longer() -> None:
    """At a sine of 1/2 a ray passes twice the diameter, and saturates as much more: what such rows show is laid as it is."""
    sine = np.where(np.arange(60) < 40, 1.0, 0.5)
    wide, one = np.linspace(13.0, 14.0, 60), np.ones(60)
    longer = (
        saturation(wide / sine, attenuation_per_px=0.04) / saturation(wide, attenuation_per_px=0.04) / sine
    )
    shown = 0.02 * longer
    fits = RowFits(0.0 * one, wide, shown, 0.1 * one, 0.1 * one, 1e-4 * one, 0.99 * one, 0.01 * one)
    np.testing.assert_allclose(laid_amplitude(fits, sine, attenuation_per_px=0.04), shown, rtol=1e-9)


def test_a_neighbour_beside_the_lumen_is_let_go_of() -> None:
    """A second lumen 17 px aside reaches into the window of one of 10 px. Held on to, it widens it by 0.68 px; let go of, by 0.28.

    Nearer (14 to 16 px) it still widens it by 0.4 to 0.7 px: there the second lumen is to be taken out first (`beside`).
    """
    table = profile_table(blur_px=1.2, attenuation_per_px=0.04)
    across = 0.5 * np.arange(-60, 61, dtype=np.float64)
    one = table.look_up(across[None], np.array([10.0]))[0][0]
    other = table.look_up(across[None] - 17.0, np.array([8.0]))[0][0]
    line = np.stack([np.arange(80.0), np.zeros(80)], axis=1)
    both = Ribbon(line, np.tile([0.0, 1.0], (80, 1)), across, np.tile(0.02 * (one + other), (80, 1)))
    found = fitted_rows(both, table)
    assert found.diameter_px[40] == pytest.approx(10.0, abs=0.4)
    assert found.offset_px[40] == pytest.approx(0.0, abs=0.15)


def test_a_tube_off_the_isocentre_is_measured_at_its_own_depth() -> None:
    """30 mm towards the receptor of the first view a pixel spans 4 % more; one view alone does not know."""
    views = TAGGED
    tube = straight_tube((3.0,), each_mm=36.0, direction=(0.6, 0.2, -1.0))
    tube = replace(tube, points_mm=tube.points_mm + 30.0 * views[0].towards_receptor)
    assert all(
        ((v.project(tube.points_mm) > 10.0) & (v.project(tube.points_mm) < 500.0)).all() for v in views
    )
    film, rng = Film(quanta=0.0, background=False, bits=16), np.random.default_rng(1)
    sights = tuple(
        Sight(
            density(filmed((tube,), view, film, rng), intensity=Intensity.LOGARITHMIC, most=2.0**16 - 1.0),
            view, view.project(tube.points_mm[[12, -12]]),
        )
        for view in views
    )  # fmt: skip
    lumens = tuple(seen(sight) for sight in sights)
    vessel = measured_pair((sights[0], sights[1]), (lumens[0], lumens[1]))
    inner = slice(8, -8)
    assert 2.0 * np.median(vessel.radius_mm[inner]) == pytest.approx(3.0, abs=0.05)
    alone = measured_single(sights[0], lumens[0])
    assert 2.0 * np.median(alone.radius_mm[inner]) == pytest.approx(3.0 * 750.0 / 780.0, abs=0.05)
    # Flat in the plane through the isocentre, facing the receptor.
    assert np.abs(alone.points_mm @ TAGGED[0].towards_receptor).max() < 1e-9
