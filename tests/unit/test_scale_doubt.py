"""When a scale is doubted: it rests on a guess, or a catheter contradicts the tags."""

from __future__ import annotations

import pytest

from backstay.core.imaging.calibration import from_catheter, from_geometry, scale_remarks
from backstay.core.imaging.pairs import Doubt
from backstay.core.imaging.projection import View
from backstay.identifiers import CalibrationKind

VIEW = View(0.0, 0.0, 1000.0, 750.0, 0.25, 0.25, 512, 512)


def test_a_scale_from_good_tags_is_not_doubted() -> None:
    assert scale_remarks(from_geometry(VIEW), from_geometry(VIEW), "run") == ()


def test_a_guessed_scale_is_said_with_its_error() -> None:
    (found,) = scale_remarks(from_geometry(VIEW, source_is_guess=True), None, "run")
    assert found.doubt is Doubt.SCALE
    assert not found.stops
    assert "run: " in found.text
    assert "4 %" in found.text


@pytest.mark.parametrize(("size_fr", "said"), [(6.0, False), (7.0, True), (5.0, True)])
def test_a_catheter_of_another_size_than_said_contradicts_the_tags(size_fr: float, said: bool) -> None:
    """6 F (2 mm) over 2 / 0.1875 px is what the tags say; one size more or less is 17 % off, errors together 5.2 %."""
    used = from_catheter(2.0 / VIEW.isocentre_mm_per_px, size_fr=size_fr)
    assert used.kind is CalibrationKind.CATHETER
    found = scale_remarks(used, from_geometry(VIEW), "run")
    assert [r.doubt for r in found] == [Doubt.SCALE] * said
    assert all(f"{100.0 * (size_fr / 6.0 - 1.0):+.0f} %" in r.text for r in found)


def test_a_catheter_without_tags_has_nothing_to_contradict_it() -> None:
    assert scale_remarks(from_catheter(20.0, size_fr=6.0), None, "run") == ()
