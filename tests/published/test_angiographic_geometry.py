"""Geometry of angiograms against numbers worked by hand from the standard's definitions.

The formulas are the standard's [@dicomps33, C.8.7.5.1.2; @dicomps317, FFF.1.3]; the numbers are arithmetic by hand
from them, to the last digit written. Each has a twin that must fail: one angle's sign turned, or one input changed.
"""

from __future__ import annotations

import numpy as np
import pytest

from backstay.core.imaging.calibration import from_catheter, from_geometry
from backstay.core.imaging.projection import View, beam_angle_rad, separation_rad
from backstay.core.imaging.views import foreshortening


def view(primary_deg: float = 0.0, secondary_deg: float = 0.0, **changes: float) -> View:
    values = {"sid_mm": 1000.0, "sod_mm": 750.0, "row_mm": 0.25, "column_mm": 0.25, **changes}
    return View(np.deg2rad(primary_deg), np.deg2rad(secondary_deg), rows=512, columns=512, **values)  # type: ignore[arg-type]


# Point [mm], angles [deg] -> offset from the middle (row, column) [px]. 10 mm x 4 px/mm x 1000/750 = 53.33.
OFFSETS = (
    ((10.0, 0.0, 0.0), (0, 0), (0.0, 53.33)),  # the patient's left is on the right of the image
    ((0.0, 0.0, 10.0), (0, 0), (-53.33, 0.0)),  # the head is up
    ((0.0, 10.0, 0.0), (90, 0), (0.0, 53.33)),  # LAO: the spine is on the right of the image
    ((0.0, 10.0, 0.0), (-90, 0), (0.0, -53.33)),  # RAO: on the left
)
HALF_A_DIGIT = 0.005


def offset_px(point: tuple[float, ...], angles: tuple[float, float]) -> np.ndarray:
    v = view(*angles)
    return v.project(np.array(point)) - v.centre_px


@pytest.mark.parametrize(("point", "angles", "offset"), OFFSETS)
def test_offset(point: tuple[float, ...], angles: tuple[float, float], offset: tuple[float, float]) -> None:
    assert offset_px(point, angles) == pytest.approx(offset, abs=HALF_A_DIGIT)


@pytest.mark.parametrize(("point", "angles", "offset"), OFFSETS)
def test_offset_fails_for_the_mirrored_point(
    point: tuple[float, ...], angles: tuple[float, float], offset: tuple[float, float]
) -> None:
    mirrored = tuple(-x for x in point)
    assert offset_px(mirrored, angles) != pytest.approx(offset, abs=HALF_A_DIGIT)


def test_a_point_nearer_the_receptor_is_magnified_less() -> None:
    # 10 mm towards the receptor: depth 760 mm, magnification 1000 / 760 = 1.3158.
    v = view()
    assert v.depth_mm(np.array([0.0, -10.0, 0.0])) == pytest.approx(760.0)
    assert 0.25 / v.mm_per_px(np.array([0.0, -10.0, 0.0])) == pytest.approx(1.3158, abs=5e-5)
    assert 0.25 / v.mm_per_px(np.array([0.0, 10.0, 0.0])) != pytest.approx(1.3158, abs=5e-5)


# (primary, secondary) [deg] -> angle of the beam [deg].
BEAMS = (((30, 20), 35.531), ((45, 0), 45.000), ((40, 30), 48.439), ((-30, -20), 35.531))


@pytest.mark.parametrize(("angles", "beam"), BEAMS)
def test_beam_angle(angles: tuple[float, float], beam: float) -> None:
    assert np.rad2deg(beam_angle_rad(*np.deg2rad(angles))) == pytest.approx(beam, abs=5e-4)


@pytest.mark.parametrize(("angles", "beam"), BEAMS)
def test_beam_angle_fails_when_perturbed(angles: tuple[float, float], beam: float) -> None:
    perturbed = np.deg2rad((angles[0] + 1.0, angles[1]))
    assert np.rad2deg(beam_angle_rad(*perturbed)) != pytest.approx(beam, abs=5e-4)


# Spacing at the receptor, source to object, source to receptor [mm] -> spacing at the object [mm].
SPACINGS = (
    (0.200, 765.0, 1000.0, 0.1530),
    (0.308, 750.0, 1100.0, 0.2100),
    (0.308, 770.0, 1100.0, 0.2156),
    (0.308, 730.0, 1100.0, 0.2044),
)


@pytest.mark.parametrize(("pixel", "sod", "sid", "at_object"), SPACINGS)
def test_object_spacing(pixel: float, sod: float, sid: float, at_object: float) -> None:
    v = view(sid_mm=sid, sod_mm=sod, row_mm=pixel, column_mm=pixel)
    assert from_geometry(v).mm_per_px == pytest.approx(at_object, abs=5e-5)


@pytest.mark.parametrize(("pixel", "sod", "sid", "at_object"), SPACINGS)
def test_object_spacing_fails_when_perturbed(pixel: float, sod: float, sid: float, at_object: float) -> None:
    v = view(sid_mm=sid, sod_mm=sod + 1.0, row_mm=pixel, column_mm=pixel)
    assert from_geometry(v).mm_per_px != pytest.approx(at_object, abs=5e-5)


# Object 1, 3, 5 cm towards the tube of an isocentre at 765 mm, taken to be at the isocentre -> size too large [%].
DEPTHS = ((10.0, 1.32), (30.0, 4.08), (50.0, 6.99))


def oversize_percent(towards_tube_mm: float) -> float:
    v = view(sod_mm=765.0)
    true = float(v.mm_per_px(np.array([0.0, towards_tube_mm, 0.0])))
    return 100.0 * (v.isocentre_mm_per_px / true - 1.0)


@pytest.mark.parametrize(("towards_tube_mm", "percent"), DEPTHS)
def test_depth_makes_size_errors(towards_tube_mm: float, percent: float) -> None:
    assert oversize_percent(towards_tube_mm) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(("towards_tube_mm", "percent"), DEPTHS)
def test_depth_errors_fail_towards_the_receptor(towards_tube_mm: float, percent: float) -> None:
    assert oversize_percent(-towards_tube_mm) != pytest.approx(percent, abs=0.005)


def lost_percent(vessel: tuple[float, float, float], primary_deg: float, secondary_deg: float) -> float:
    line = np.stack([np.zeros(3), np.array(vessel)])
    return 100.0 * float(foreshortening(line, np.deg2rad([primary_deg]), np.deg2rad([secondary_deg]))[0])


# A vessel along the head axis, seen by so many degrees cranial: 1 - cos.
TILTS = ((10, 1.52), (20, 6.03), (30, 13.40), (40, 23.40), (60, 50.00))


@pytest.mark.parametrize(("tilt", "percent"), TILTS)
def test_foreshortening_by_tilt(tilt: float, percent: float) -> None:
    assert lost_percent((0.0, 0.0, 1.0), 0.0, tilt) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(("tilt", "percent"), TILTS)
def test_foreshortening_by_tilt_fails_when_perturbed(tilt: float, percent: float) -> None:
    assert lost_percent((0.0, 0.0, 1.0), 0.0, tilt + 1.0) != pytest.approx(percent, abs=0.005)


VESSEL = (0.5, 0.5, 0.7071)
VIEWS = ((30, 20, 0.24), (45, 25, 4.57), (-30, -30, 67.31))


@pytest.mark.parametrize(("primary", "secondary", "percent"), VIEWS)
def test_foreshortening_of_an_oblique_vessel(primary: float, secondary: float, percent: float) -> None:
    assert lost_percent(VESSEL, primary, secondary) == pytest.approx(percent, abs=0.005)


@pytest.mark.parametrize(("primary", "secondary", "percent"), VIEWS)
def test_foreshortening_fails_with_a_wrong_sign(primary: float, secondary: float, percent: float) -> None:
    assert lost_percent(VESSEL, -primary, secondary) != pytest.approx(percent, abs=0.005)


BETWEEN = (
    ((45, 25), (-30, -20), 85.65),
    ((-30, 0), (60, 0), 90.00),
    ((0, -30), (0, 40), 70.00),
    ((40, -30), (-5, -30), 38.71),
    ((-30, -20), (-20, -25), 10.50),
)


@pytest.mark.parametrize(("a", "b", "degrees"), BETWEEN)
def test_angle_between_views(a: tuple[float, float], b: tuple[float, float], degrees: float) -> None:
    assert np.rad2deg(separation_rad(view(*a), view(*b))) == pytest.approx(degrees, abs=0.005)


@pytest.mark.parametrize(("a", "b", "degrees"), BETWEEN)
def test_angle_between_views_fails_when_perturbed(
    a: tuple[float, float], b: tuple[float, float], degrees: float
) -> None:
    turned = (a[0] + 3.0, a[1] + 3.0)
    assert np.rad2deg(separation_rad(view(*turned), view(*b))) != pytest.approx(degrees, abs=0.005)


def test_catheter_of_6_fr_over_14_px() -> None:
    # 2.00 mm / 14 px. A scale 5 % too large makes 3.00 mm read 3.15 mm and the area 1.1025 times.
    scale = from_catheter(14.0, size_fr=6.0).mm_per_px
    assert scale == pytest.approx(0.1429, abs=5e-5)
    assert (21.0 * 1.05 * scale, (1.05 * scale / scale) ** 2) == pytest.approx((3.15, 1.1025), abs=5e-3)
    assert from_catheter(14.0, size_fr=5.0).mm_per_px != pytest.approx(0.1429, abs=5e-5)
