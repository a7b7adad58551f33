"""Widths, narrowings and doubts on filmed tubes of known size; the filming shares no physics with the fit."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import cKDTree

from backstay.core.imaging.density import density
from backstay.core.imaging.diameters import both_views, placed_sd_mm, views_differ
from backstay.core.imaging.lumen import Lumen, measured_lumen
from backstay.core.imaging.pairs import Doubt, before
from backstay.core.imaging.phantom import Narrowing, Tube, straight_tube, tube_through
from backstay.core.imaging.phantom_film import SUB, Film, chords_mm, filmed
from backstay.core.imaging.projection import View, receptor_axes
from backstay.core.imaging.tracing import traced
from backstay.core.imaging.views import Strand, best_views, covered_share
from backstay.identifiers import Intensity

VIEW = View(0.0, 0.0, 1000.0, 750.0, 0.25, 0.25, 512, 512)
TUBES_MM = (4.0, 3.0, 2.0, 1.4, 1.0, 0.8)


def measured(tube: Tube, film: Film, seed: int = 1) -> tuple[Lumen, np.ndarray, np.ndarray]:
    """Return the lumen, the places along the tube its rows show, and their diameters in mm."""
    frame = filmed((tube,), VIEW, film, np.random.default_rng(seed))
    dark = density(frame, intensity=Intensity.LOGARITHMIC, most=2.0**film.bits - 1.0)
    at = VIEW.project(tube.points_mm)
    lumen = measured_lumen(dark, traced(dark, at[[20, -20]]), mm_per_px=VIEW.isocentre_mm_per_px)
    nearest = cKDTree(at).query(lumen.line_px)[1]
    return lumen, tube.s_mm[nearest], lumen.diameter_px * VIEW.mm_per_px(tube.points_mm[nearest])


def test_straight_tubes_without_noise() -> None:
    tube = straight_tube(TUBES_MM, direction=(0.6, 0.2, -1.0))
    _, s, diameter = measured(tube, Film(quanta=0.0, background=False, bits=16))
    for k, true in enumerate(TUBES_MM):
        part = (s > 12.0 * k + 2.5) & (s < 12.0 * k + 9.5)
        # The bar: 0.03 mm from 0.8 to 4 mm.
        assert abs(diameter[part].mean() - true) <= 0.03


def test_a_tapered_narrowing_without_noise() -> None:
    line = np.linspace([-25.0, 5.0, 30.0], [20.0, -5.0, -30.0], 400)
    tube = tube_through(
        line, first_diameter_mm=3.4, last_diameter_mm=2.4, narrowings=(Narrowing(35.0, 10.0, 0.6),)
    )
    lumen, s, diameter = measured(tube, Film(quanta=0.0, background=False, bits=16))
    true = 2.0 * np.interp(s, tube.s_mm, tube.radius_mm)
    inside = (s > 3.0) & (s < tube.s_mm[-1] - 3.0)
    # Rows are averaged over 1.5 px, which rounds the narrowing. Seen: 0.10 mm at the most; the bound was set after it.
    assert np.abs(diameter - true)[inside].max() < 0.12
    # The bar for the least diameter.
    assert abs(diameter[inside].min() - true[inside].min()) < 0.08
    away = cKDTree(VIEW.project(tube.points_mm)).query(lumen.line_px)[0]
    # The bar; the points compared with lie 0.4 px apart, which alone makes 0.1 px.
    assert away.mean() <= 0.3


def test_chords_through_a_tube_are_those_of_a_cylinder() -> None:
    """A ray through the middle of a straight tube across it passes its diameter; at half the radius, sqrt(3)/2 of it."""
    tube = straight_tube((3.0,), each_mm=40.0, direction=(0.0, 0.0, -1.0))
    view = View(0.0, 0.0, 1000.0, 750.0, 0.25, 0.25, 128, 128)
    middle = chords_mm((tube,), view)[64 * SUB]
    x = (np.arange(128 * SUB) - 0.5 * (128 * SUB - 1)) * 0.25 / SUB * 0.75
    expected = 2.0 * np.sqrt(np.maximum(1.5**2 - x**2, 0.0))
    near = np.abs(x) < 1.3
    # Spheres 0.08 mm apart leave scallops of 0.001 mm; the cone of rays leans by up to 0.2 deg.
    assert np.abs(middle - expected)[near].max() < 0.005


def test_the_films_physics_is_apart_from_the_fits() -> None:
    import backstay.core.imaging as imaging

    folder = Path(str(imaging.__path__[0]))
    fit = {
        "profile",
        "rowfit",
        "lumen",
        "edges",
        "straighten",
        "tracing",
        "bundle",
        "matching",
        "measuring",
    } | {"diameters", "signs"}

    def imports(name: str) -> set[str]:
        tree = ast.parse((folder / f"{name}.py").read_text())
        found = {node.module or "" for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        return {module.rsplit(".", 1)[-1] for module in found if module.startswith("backstay.core.imaging")}

    assert imports("phantom_film") == {"phantom", "projection"}
    for name in fit:
        assert not imports(name) & {"phantom", "phantom_film"}


@pytest.mark.parametrize(
    ("other", "doubt", "stops"),
    [
        ((0.2, 0.0, 750.0), Doubt.VIEWS_CLOSE, True),
        ((0.4, 0.0, 750.0), Doubt.VIEWS_CLOSE, False),
        ((1.2, 0.0, 790.0), Doubt.SOURCE_MISMATCH, True),
    ],
)
def test_tags_give_doubts_before_any_fit(
    other: tuple[float, float, float], doubt: Doubt, stops: bool
) -> None:
    second = View(other[0], other[1], 1000.0, other[2], 0.25, 0.25, 512, 512)
    assert [(r.doubt, r.stops) for r in before((VIEW, second))] == [(doubt, stops)]


def test_good_tags_give_none() -> None:
    assert before((VIEW, View(1.0, 0.2, 1000.0, 750.0, 0.25, 0.25, 512, 512))) == ()


def test_the_best_view_looks_across_the_vessel_and_past_what_covers_it() -> None:
    s = np.linspace(0.0, 20.0, 41)[:, None]
    vessel = Strand(s * np.array([0.0, 0.5, 0.866]), np.full(41, 1.5))
    alone = best_views((vessel,), ())
    assert alone[0].lost_share < 0.01
    # Another vessel lies right behind, as the best view sees it.
    d = np.array(
        [
            np.cos(alone[0].secondary_rad) * np.sin(alone[0].primary_rad),
            -np.cos(alone[0].secondary_rad) * np.cos(alone[0].primary_rad),
            np.sin(alone[0].secondary_rad),
        ]
    )
    behind = Strand(vessel.points_mm - 25.0 * d, np.full(41, 1.5))
    covered = best_views((vessel,), (behind,))
    assert covered[0].covered_mm + covered[0].lost_mm < 2.0
    assert (covered[0].primary_rad, covered[0].secondary_rad) != (
        alone[0].primary_rad,
        alone[0].secondary_rad,
    )
    assert len(covered) == 5


def test_the_length_that_is_covered_is_that_of_every_pair_of_points() -> None:
    """The compiled loop against the same question asked of all pairs at once, several lines of several weights."""
    rng = np.random.default_rng(3)
    lines = [np.cumsum(rng.normal(0.0, 1.0, (40, 3)), axis=0) + 6.0 * rng.normal(size=3) for _ in range(5)]
    vessel = Strand(np.cumsum(rng.normal(0.0, 1.0, (30, 3)), axis=0), np.full(30, 1.5))
    others = tuple(
        Strand(line, np.full(40, 1.0), w) for line, w in zip(lines, (1, 0.5, 0.5, 0.2, 1), strict=True)
    )
    axes = np.array([receptor_axes(a, 0.3)[:2] for a in np.linspace(-1.0, 1.0, 9)])
    expected = np.zeros((9, 30))
    meeting = 0
    for one in others:
        apart = np.linalg.norm(vessel.points_mm[:, None] - one.points_mm[None], axis=-1)
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(one.points_mm, axis=0), axis=1))])
        at = np.unravel_index(np.argmin(apart), apart.shape)[1]
        meets = apart.min() <= 2.5
        meeting += meets
        far = ~(meets & (apart <= 6.25) & (np.abs(along - along[at]) <= 6.25))
        seen = np.linalg.norm(
            np.einsum("vij,nmj->vnmi", axes, vessel.points_mm[:, None] - one.points_mm[None]), axis=-1
        )
        expected = np.maximum(expected, one.weight * ((seen < 2.5) & far).any(axis=2))
    assert 0.05 < expected.mean() < 0.95
    assert 0 < meeting < 5
    np.testing.assert_allclose(covered_share(vessel, others, axes), expected.mean(axis=1), atol=1e-12)


AHEAD = np.array([[[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]])
"""Across and up as seen along y."""
UPRIGHT = Strand(np.linspace([0.0, 0.0, -10.0], [0.0, 0.0, 10.0], 41), np.full(41, 1.5))


@pytest.mark.parametrize(("apart_mm", "covered"), [(3.5, 0.3), (5.0, 0.3), (7.4, 0.3), (20.0, 0.3)])
def test_a_vessel_that_crosses_nearby_covers_as_one_far_off(apart_mm: float, covered: float) -> None:
    """Two lumens of 3 mm cross at right angles: 6 of 20 mm lie under the other, to a step of 0.5 mm either side."""
    x = np.linspace(-15.0, 15.0, 121)
    over = Strand(np.stack([x, np.full(121, -apart_mm), np.zeros(121)], axis=1), np.full(121, 1.5))
    assert covered_share(UPRIGHT, (over,), AHEAD)[0] == pytest.approx(covered, abs=0.05)


def test_a_branchs_own_origin_is_no_overlap_and_what_runs_on_beside_is() -> None:
    """A branch at 45 degrees towards the receptor hides its vessel from there, its first 7.5 mm apart; aside it hides nothing."""
    s = np.linspace(0.0, 10.0, 81)[:, None]
    towards, aside = (Strand(s * way / np.sqrt(2.0), np.full(81, 1.5)) for way in ([0, -1, 1], [1, 0, 1]))
    # From 7.5 mm on it is 5.3 mm up the vessel, and covers 3 mm to either side of itself: from 2.3 to 10 mm.
    assert covered_share(UPRIGHT, (towards,), AHEAD)[0] == pytest.approx(7.7 / 20.0, abs=0.05)
    assert covered_share(UPRIGHT, (aside,), AHEAD)[0] == 0.0


def test_the_vessels_own_going_on_is_no_overlap() -> None:
    on = Strand(np.linspace([0.0, 0.0, 11.0], [0.0, 0.0, 18.0], 29), np.full(29, 1.5))
    assert covered_share(UPRIGHT, (on,), AHEAD)[0] == 0.0


def test_views_that_contradict_each_other_widen_the_error_and_are_said() -> None:
    """The error of a mean of two is half their difference; an overlap in one view is a run of rows, noise is not."""
    s_mm = np.arange(0.0, 30.0, 0.25)
    one, other = np.full(120, 2.4), np.full(120, 2.4)
    other[40:56] = 1.4  # 4 mm
    sds, sines = [np.full(120, 0.05)] * 2, [np.ones(120)] * 2
    diameter, sd = both_views([one, other], sds, sines)
    np.testing.assert_allclose(diameter[[0, 45]], [2.4, 1.9])
    np.testing.assert_allclose(sd[[0, 45]], [0.05 / np.sqrt(2.0), 0.5])
    (said,) = views_differ(s_mm, [one, other])
    assert said.doubt is Doubt.DIAMETERS_DIFFER and not said.stops
    assert "2.40 and 1.40 mm" in said.text and 10 <= int(said.text.split(" mm at ")[1].split()[0]) <= 14
    spiky = one.copy()
    spiky[40] = 1.0
    assert views_differ(s_mm, [one, spiky]) == views_differ(s_mm, [one, 0.85 * one]) == ()


def test_a_steep_place_is_less_sure_by_its_slope_and_an_even_one_is_not() -> None:
    """A quarter of a millimetre along a raised cosine of 1.8 mm over 11 mm: steepest pi 1.8 / 11 mm a mm, at its top nil."""
    s_mm = np.arange(0.0, 20.0, 0.1)
    u = np.clip(np.abs(s_mm - 10.0) / 5.5, 0.0, 1.0)
    diameter = 3.0 - 0.9 * (1.0 + np.cos(np.pi * u))
    sd = placed_sd_mm(diameter, np.full(len(s_mm), 0.03), spacing_mm=0.1)
    steepest = 0.9 * np.pi / 5.5
    # The slope is taken over 0.2 mm, which rounds it by a thousandth.
    assert sd.max() == pytest.approx(np.hypot(0.03, 0.25 * steepest), rel=2e-3)
    np.testing.assert_allclose(sd[[10, 100, 190]], 0.03, atol=1e-6)
