"""Sketched vessels: lengths, bends, lumen, lesions as typed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.anatomy.sketch import RADIUS_SD_RATIO, SKETCH_DRAWS, Segment, sketch_path
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation

VESSEL = (
    Segment(length_mm=25.0, diameter_mm=3.4),
    Segment(length_mm=15.0, diameter_mm=3.2, bend_deg=70.0, bend_radius_mm=12.0),
    Segment(length_mm=22.0, diameter_mm=2.9, bend_deg=40.0, bend_radius_mm=15.0, tight_mm=1.2,
            calcium=Calcium.SEVERE),
    Segment(length_mm=30.0, diameter_mm=2.5),
)  # fmt: skip


def test_length_bend_and_lumen_are_those_typed() -> None:
    sketched = sketch_path(VESSEL)
    path = sketched.path
    assert path.length_mm == 92.0
    assert sketched.left_over_mm == 0.0
    assert np.rad2deg(path.total_bend_rad) == pytest.approx(110.0, rel=1e-9)
    assert np.rad2deg(path.bend_rad(24.0, 41.0)) == pytest.approx(70.0, rel=1e-9)
    assert path.bend_rad(0.0, 24.0) < 1e-12
    assert 2.0 * path.radius_at_mm([0.0, 10.0, 32.0, 80.0]) == pytest.approx([3.4, 3.4, 3.2, 2.5])
    assert path.radius_sd_mm == pytest.approx(RADIUS_SD_RATIO * path.radius_mm)


def test_a_bend_has_its_radius_in_the_middle_of_its_segment() -> None:
    path = sketch_path(VESSEL).path
    curvature = np.hypot(*path.curvature_per_mm.T)
    assert curvature[28:37] == pytest.approx(1.0 / 12.0)
    # 14.66 mm of arc in 15 mm: a sixth of a millimetre of straight at either end.
    assert curvature[24] == 0.0


def test_a_bend_without_a_radius_takes_the_whole_segment() -> None:
    path = sketch_path((Segment(length_mm=40.0, diameter_mm=3.0, bend_deg=90.0),)).path
    assert np.hypot(*path.curvature_per_mm.T) == pytest.approx(np.pi / 2.0 / 40.0)
    r = 80.0 / np.pi
    assert path.points_mm[-1] == pytest.approx([r, 0.0, r], abs=1e-9)


def test_a_lesion_is_tightest_in_its_middle_third() -> None:
    sketched = sketch_path(VESSEL)
    (lesion,) = sketched.lesions
    assert (lesion.from_mm, lesion.to_mm, lesion.calcium) == (40.0, 62.0, Calcium.SEVERE)
    middle = sketched.path.radius_at_mm(np.arange(48.0, 55.0))
    assert middle == pytest.approx(0.6)
    assert sketched.path.radius_mm.min() == pytest.approx(0.6)
    assert sketched.path.radius_at_mm([39.0, 63.0]).min() > 1.2


@pytest.mark.parametrize("start", [20.0, 20.3, 20.5, 20.8])
def test_a_lesion_shorter_than_the_spacing_is_not_lost(start: float) -> None:
    segments = (
        Segment(length_mm=start, diameter_mm=3.0),
        Segment(length_mm=1.0, diameter_mm=3.0, tight_mm=0.8),
        Segment(length_mm=20.0, diameter_mm=3.0),
    )
    assert sketch_path(segments).path.radius_mm.min() == pytest.approx(0.4)


def test_lesion_words_without_a_narrowing_still_make_a_lesion() -> None:
    segment = Segment(length_mm=30.0, diameter_mm=3.0, dissected=True, lesion_mm=10.0,
                      prepared=(Preparation.SCORING,))  # fmt: skip
    sketched = sketch_path((segment,))
    (lesion,) = sketched.lesions
    assert (lesion.from_mm, lesion.to_mm) == (10.0, 20.0)
    assert (lesion.calcium, lesion.dissected, lesion.prepared) == (Calcium.NONE, True, (Preparation.SCORING,))
    assert sketched.path.radius_mm == pytest.approx(1.5)


def test_successive_bends_lie_in_planes_120_degrees_apart() -> None:
    bend = Segment(length_mm=20.0, diameter_mm=3.0, bend_deg=45.0)
    path = sketch_path((bend, bend, bend, bend)).path
    azimuth = np.rad2deg(np.arctan2(path.curvature_per_mm[:, 1], path.curvature_per_mm[:, 0]))
    assert azimuth[[10, 30, 50, 70]] == pytest.approx([0.0, 120.0, -120.0, 0.0], abs=1e-9)


@pytest.mark.parametrize(
    ("towards", "end"), [("up", [0, 0, 1]), ("right", [0, -1, 0]), ("down", [0, 0, -1]), ("left", [0, 1, 0])]
)
def test_a_named_direction_is_kept(towards: str, end: list[float]) -> None:
    segment = Segment(length_mm=40.0, diameter_mm=3.0, bend_deg=90.0, towards=towards)
    assert sketch_path((segment,)).path.tangents[-1] == pytest.approx(np.array(end, dtype=float), abs=1e-9)


@given(
    diameters=st.lists(st.floats(1.0, 5.0), min_size=2, max_size=6),
    lengths=st.lists(st.floats(5.0, 40.0), min_size=6, max_size=6),
)
def test_the_lumen_changes_without_overshoot_or_jump(diameters: list[float], lengths: list[float]) -> None:
    segments = tuple(Segment(length_mm=x, diameter_mm=d) for x, d in zip(lengths, diameters, strict=False))
    radius = sketch_path(segments, spacing_mm=0.25).path.radius_mm
    assert 2.0 * radius.min() >= min(diameters) - 1e-9
    assert 2.0 * radius.max() <= max(diameters) + 1e-9
    # A change over at least 2.5 mm is steepest in its middle, 1.5 times its mean slope.
    steepest = 1.5 * 0.25 / 2.5 * 0.5 * (max(diameters) - min(diameters))
    assert np.abs(np.diff(radius)).max() <= steepest + 1e-9


def test_a_taper_is_linear() -> None:
    path = sketch_path((Segment(length_mm=50.0, diameter_mm=3.5, end_diameter_mm=2.5),)).path
    assert 2.0 * path.radius_mm == pytest.approx(np.linspace(3.5, 2.5, 51))


def test_what_is_left_over_is_told() -> None:
    sketched = sketch_path((Segment(length_mm=30.7, diameter_mm=3.0, bend_deg=60.0),))
    assert sketched.path.length_mm == 30.0
    assert sketched.left_over_mm == pytest.approx(0.7)


def test_wider_draws_belong_to_known_inputs_and_are_wider() -> None:
    spread = {spec.name: (spec.median, spec.spread) for spec in DEFAULT_DRAWS}
    assert SKETCH_DRAWS["curvature_factor"] == (1.0, 0.35)
    for name, (median, wide) in SKETCH_DRAWS.items():
        assert median == spread[name][0]
        assert wide > spread[name][1]


def make(**changed: object) -> Segment:
    return Segment(**({"length_mm": 20.0, "diameter_mm": 3.0} | changed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "field", "value", "allowed"),
    [
        ({"length_mm": 0.5}, "length_mm", 0.5, "1 to 200 mm"),
        ({"length_mm": float("nan")}, "length_mm", None, "1 to 200 mm"),
        ({"diameter_mm": 9.0}, "diameter_mm", 9.0, "0.5 to 8 mm"),
        ({"end_diameter_mm": 0.1}, "end_diameter_mm", 0.1, "0.5 to 8 mm"),
        ({"bend_deg": 200.0}, "bend_deg", 200.0, "1 to 180 degrees"),
        ({"bend_deg": -30.0}, "bend_deg", -30.0, "1 to 180 degrees"),
        ({"bend_radius_mm": 10.0}, "bend_deg", 0, "1 to 180 degrees"),
        ({"bend_deg": 90.0, "bend_radius_mm": 20.0}, "bend_radius_mm", 20.0, "radius) to 12.7 mm"),
        ({"bend_deg": 90.0, "bend_radius_mm": 1.0}, "bend_radius_mm", 1.0, "radius) to 12.7 mm"),
        ({"bend_deg": 180.0, "length_mm": 4.0}, "length_mm", 4.0, "4.7 mm or more"),
        ({"bend_deg": 90.0, "towards": "inwards"}, "towards", "inwards", "up, right, down, left"),
        ({"tight_mm": 0.1}, "tight_mm", 0.1, "0.2 to 8 mm"),
        ({"tight_mm": 3.0}, "tight_mm", 3.0, "below 3 mm"),
        ({"lesion_mm": 8.0}, "lesion_mm", 8.0, "with a narrowing"),
        ({"lesion_mm": 25.0, "dissected": True}, "lesion_mm", 25.0, "1 to 20 mm"),
    ],
)  # fmt: skip
def test_a_segment_that_cannot_be_is_refused(
    changed: dict[str, object], field: str, value: object, allowed: str
) -> None:
    with pytest.raises(InputError) as caught:
        make(**changed)
    assert caught.value.field == field
    assert value is None or caught.value.value == value
    assert allowed in caught.value.allowed


@pytest.mark.parametrize(
    ("segments", "field", "allowed"),
    [
        ((), "segments", "1 to 40"),
        ((make(),) * 41, "segments", "1 to 40"),
        ((make(length_mm=9.0),), "length_mm", "10 to 400 mm in all"),
        ((make(length_mm=200.0),) * 3, "length_mm", "10 to 400 mm in all"),
    ],
)
def test_a_vessel_that_cannot_be_is_refused(segments: tuple[Segment, ...], field: str, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        sketch_path(segments)
    assert (caught.value.field, caught.value.allowed) == (field, allowed)
