"""Signs of the angles, on exact projections of an invented vessel: what the views can tell, and what they cannot."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from backstay.core.imaging.bundle import TagErrors
from backstay.core.imaging.measuring import Sight
from backstay.core.imaging.pairs import Doubt, Remark, spine_tells
from backstay.core.imaging.phantom import random_phantom
from backstay.core.imaging.projection import View
from backstay.core.imaging.signs import Signs, differs, sign_remarks, sign_sets, with_signs

PHANTOM = random_phantom(np.random.default_rng(5))
LENGTH_MM = float(PHANTOM.main.s_mm[-1])
OBLIQUE = ((-30.0, -20.0), (40.0, 20.0))
FLAT = ((-30.0, 0.0), (60.0, 0.0))
TILTED = ((30.0, 30.0), (30.0, -12.0))
NONE: Signs = (False, False, False, False)


def pair(angles: tuple[tuple[float, float], ...]) -> tuple[View, View]:
    first, second = (
        View(np.deg2rad(a), np.deg2rad(b), 1000.0, 750.0, 0.25, 0.25, 512, 512) for a, b in angles
    )
    return first, second


def seen(views: tuple[View, View]) -> tuple[tuple[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    at = [int(np.searchsorted(PHANTOM.main.s_mm, x)) for x in PHANTOM.branch_at_mm]
    lines, marks = (
        tuple(view.project(points) for view in views)
        for points in (PHANTOM.main.points_mm[::12], PHANTOM.main.points_mm[at])
    )
    return (lines[0], lines[1]), (marks[0], marks[1])


def remarks(
    angles: tuple[tuple[float, float], ...], turned: Signs, told: tuple[bool, bool] = (False, False)
) -> tuple[Remark, ...]:
    true = pair(angles)
    return sign_remarks(with_signs(true, turned), *seen(true), errors=TagErrors(), told=told)


@pytest.mark.parametrize("angles", [OBLIQUE, ((-30.0, 25.0), (40.0, 25.0)), ((0.0, 35.0), (45.0, -25.0))])
def test_right_signs_give_no_doubt_where_the_views_can_tell(angles: tuple[tuple[float, float], ...]) -> None:
    assert remarks(angles, NONE) == ()


@pytest.mark.parametrize(
    "turned", [t for t in itertools.product((False, True), repeat=4) if sum(t) in (1, 3)]
)
def test_a_wrong_sign_stops_and_the_right_length_is_named(turned: Signs) -> None:
    (found,) = remarks(OBLIQUE, turned)
    assert found.doubt is Doubt.SIGNS
    assert found.stops
    # A fit to 40 samples, rounded to a millimetre; a mirror image is longer or shorter by some per cent.
    named = float(found.text.split("the vessel would be ")[1].split(" mm")[0])
    assert named == pytest.approx(LENGTH_MM, rel=0.05)


def test_where_both_turn_about_one_axis_a_wrong_sign_fits_as_well() -> None:
    """The other vessel is far longer; nothing but the spine tells, so the spine is asked for."""
    true = pair(FLAT)
    tagged, *others = sign_sets(
        with_signs(true, (False, False, True, False)), *seen(true), errors=TagErrors()
    )
    right = next(one for one in others if one.turned == (False, False, True, False))
    assert tagged.length_mm > 1.3 * LENGTH_MM
    assert right.length_mm == pytest.approx(LENGTH_MM, rel=0.02)
    (found,) = remarks(FLAT, (False, False, True, False))
    assert found.stops
    assert "spine = left or right" in found.text or "fit better" in found.text
    assert f"{right.length_mm:.0f} mm" in found.text


def test_the_spine_ends_the_question() -> None:
    (asked,) = remarks(FLAT, NONE)
    assert asked.stops
    assert remarks(FLAT, NONE, told=(True, True)) == ()


def test_what_nothing_tells_is_said_with_the_other_length() -> None:
    """Cranial and caudal in one plane: the spine says nothing about it, so it is a warning."""
    (found,) = remarks(TILTED, NONE, told=(True, True))
    assert found.doubt is Doubt.SIGNS
    assert not found.stops
    assert "cannot be told" in found.text
    named = float(found.text.split("two views: ")[1].split(" mm as tagged")[0])
    assert named == pytest.approx(LENGTH_MM, rel=0.03)


def test_views_too_close_to_be_meant_are_no_alternative() -> None:
    """Cranial 40 and caudal 30: with one sign turned they would be 10 degrees apart."""
    true = pair(((0.0, 40.0), (0.0, -30.0)))
    sets = sign_sets(true, *seen(true), errors=TagErrors())
    assert {one.turned for one in sets} == {NONE, (False, True, False, True)}
    assert [one.mirror for one in sets] == [False, True]


def test_a_mirror_image_is_another_vessel_and_a_moved_one_is_not() -> None:
    true = pair(OBLIQUE)
    tagged = sign_sets(true, *seen(true), errors=TagErrors())[0]
    turn = np.linalg.qr(np.random.default_rng(1).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    moved = type(tagged)(NONE, 0.0, tagged.points_mm @ turn + 7.0, False)
    mirrored = type(tagged)(NONE, 0.0, tagged.points_mm * [1.0, -1.0, 1.0], True)
    assert not differs(moved, tagged)
    assert differs(mirrored, tagged)


@pytest.mark.parametrize(
    ("primary", "side", "agrees"),
    [(40.0, "right", True), (40.0, "left", False), (40.0, None, False), (-30.0, "left", True), (5.0, "right", False)],
)  # fmt: skip
def test_the_spine_agrees_only_where_it_is_given_and_tells(
    primary: float, side: str | None, agrees: bool
) -> None:
    """In LAO the spine is on the image's right; within 9 degrees of straight it tells nothing."""
    view = pair(((primary, 0.0), (0.0, 0.0)))[0]
    sight = Sight(np.zeros((1, 1)), view, np.zeros((2, 2)), spine_side=side)
    assert sight.spine_agrees is agrees
    assert spine_tells(view) is (abs(primary) > 9.0)
