"""The band of the second view: it holds what it should as often as it should, and marks in both views narrow it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.imaging.bundle import TagErrors
from backstay.core.imaging.epiband import MARK_SD_PX, STATIONS, Band, bands
from backstay.core.imaging.projection import View, epipolar_lines

FIRST = View(np.deg2rad(-30.0), np.deg2rad(-20.0), 1000.0, 750.0, 0.25, 0.25, 512, 512)
SECOND = View(np.deg2rad(40.0), np.deg2rad(20.0), 1000.0, 750.0, 0.25, 0.25, 512, 512)
NONE = (np.zeros((0, 2)), np.zeros((0, 2)))
EXACT = TagErrors(1e-6, 1e-9, 0.0)
ERRORS = TagErrors()


def points(rng: np.random.Generator, count: int) -> np.ndarray:
    return rng.uniform(-28.0, 28.0, (count, 3))


def across_sds(band: Band, at_px: np.ndarray) -> np.ndarray:
    """Return how far places are from the middle of their bands, in standard deviations."""
    found = []
    for middle, sd, place in zip(band.middle_px, band.sd_px, at_px, strict=True):
        along = (middle[-1] - middle[0]) / np.linalg.norm(middle[-1] - middle[0])
        at = (middle - middle[0]) @ along
        here = (place - middle[0]) @ along
        assert at[0] < here < at[-1]
        line = np.array([np.interp(here, at, middle[:, k]) for k in range(2)])
        found.append(np.linalg.norm(place - line) / np.interp(here, at, sd))
    return np.array(found)


def real(view: View, errors: TagErrors, rng: np.random.Generator, *, moved: bool) -> View:
    """Return a view as it may really have been, its tags off as they may be."""
    turned = view.turned(
        primary_rad=rng.normal(0.0, errors.angle_rad), secondary_rad=rng.normal(0.0, errors.angle_rad)
    )
    off = replace(turned, sod_mm=view.sod_mm * (1.0 + rng.normal(0.0, errors.distance_share)))
    return off.shifted(rng.normal(0.0, errors.shift_mm, 3)) if moved else off


def test_with_tags_that_are_right_it_is_the_epipolar_line() -> None:
    x = points(np.random.default_rng(1), 30)
    at = FIRST.project(x)
    band = bands((FIRST, SECOND), at, same_px=NONE, errors=EXACT)
    lines = epipolar_lines(FIRST, SECOND, at)
    for station in range(STATIONS):
        away = np.einsum("nk,nk->n", lines[:, :2], band.middle_px[:, station]) + lines[:, 2]
        assert np.abs(away).max() < 1e-6
    assert band.sd_px == pytest.approx(MARK_SD_PX, rel=1e-3)
    assert across_sds(band, SECOND.project(x)).max() < 1e-3


@pytest.mark.parametrize("marks", [0, 4])
def test_it_holds_the_place_as_often_as_it_says(marks: int) -> None:
    """Over many draws of wrong tags, 95 in 100 places lie within two standard deviations, marked pairs or none."""
    rng = np.random.default_rng(7)
    held, total = 0, 0
    for _ in range(150):
        first, second = real(FIRST, ERRORS, rng, moved=False), real(SECOND, ERRORS, rng, moved=True)
        x = points(rng, 4 + marks)
        seen = [
            view.project(x) + rng.normal(0.0, MARK_SD_PX / np.sqrt(2.0), (len(x), 2))
            for view in (first, second)
        ]
        same = (seen[0][:marks], seen[1][:marks])
        band = bands((FIRST, SECOND), seen[0][marks:], same_px=same, errors=ERRORS)
        held += int((across_sds(band, seen[1][marks:]) < 2.0).sum())
        total += 4
    # 600 places, four and four not independent: 0.954 within about 0.03.
    assert 0.90 < held / total < 0.99, held / total


def test_marks_in_both_views_narrow_it() -> None:
    x = points(np.random.default_rng(3), 6)
    second = SECOND.shifted([6.0, -4.0, 8.0])
    at, there = FIRST.project(x), second.project(x)
    before = bands((FIRST, SECOND), at[4:], same_px=NONE)
    widths = [before.sd_px.max()]
    for count in (1, 2, 4):
        band = bands((FIRST, SECOND), at[4:], same_px=(at[:count], there[:count]))
        widths.append(band.sd_px.max())
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] < 0.25 * widths[0]
    assert across_sds(band, there[4:]).max() < 2.0


def test_a_wrong_pair_would_be_seen() -> None:
    """The twin that must fail: a mark made 60 px from its place draws the band away from where the vessel is."""
    x = points(np.random.default_rng(4), 6)
    at, there = FIRST.project(x), SECOND.project(x)
    wrong = there[:2] + np.array([0.0, 60.0])
    band = bands((FIRST, SECOND), at[2:], same_px=(at[:2], wrong))
    assert across_sds(band, there[2:]).max() > 2.0


def test_corners_lie_on_both_sides() -> None:
    band = bands((FIRST, SECOND), np.array([[200.0, 250.0]]), same_px=NONE)
    corners = band.outline_px(sds=1.0)[0]
    across = corners[-1] - corners[0]
    assert np.linalg.norm(across) == pytest.approx(2.0 * band.sd_px[0, 0])
    assert across @ (band.middle_px[0, -1] - band.middle_px[0, 0]) == pytest.approx(0.0, abs=1e-6)
