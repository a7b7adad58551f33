"""Dose reports: a round trip of what the tests write, units by code, what is missing, what is broken."""

from __future__ import annotations

import json
import math
import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pydicom
import pytest

from backstay.adapters.dose_report import read_dose_report
from backstay.core.safety.dose import beams_of
from backstay.core.safety.protocol import SkinFactors
from backstay.core.safety.skin import Body, skin_map
from backstay.errors import FileFormatError, NotFound

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "dose_reports.py")))


def report(path: Path, parts: list[Any], **changes: Any) -> Any:
    return read_dose_report(W.write(path / "report.dcm", parts, **changes))


def test_round_trip(tmp_path: Path) -> None:
    parts = [
        W.accumulated(kerma_Gy=1.5, kap_Gym2=0.01215, fluoroscopy_s=930),
        W.event(kerma_Gy=0.5, primary_deg=-30.0, secondary_deg=20.0, kind=("44491008", "SCT")),
        W.event(kerma_Gy=1.0, primary_deg=90.0, table_mm=(5.0, -10.0, 20.0)),
    ]
    found = report(tmp_path, parts)
    assert found.warnings == ()
    assert (found.air_kerma_mGy, found.fluoroscopy_min) == (1500.0, 15.5)
    assert found.kap_Gycm2 == pytest.approx(121.5)
    assert [e.kind for e in found.events] == ["fluoroscopy", "acquisition"]
    first, second = found.events
    assert (first.air_kerma_mGy, first.primary_deg, first.secondary_deg) == (500.0, -30.0, 20.0)
    assert (first.source_isocentre_mm, first.source_detector_mm, first.field_width_mm) == (
        750.0,
        1000.0,
        150.0,
    )
    assert second.table_mm == (5.0, -10.0, 20.0)
    placed = beams_of(found)
    assert [b.shift_mm for b in placed.beams] == [
        (-5.0, 10.0, -20.0),
        (0.0, 0.0, 0.0),
    ]  # most kerma is the centre
    assert placed.unplaced_mGy == 0.0


@pytest.mark.parametrize(
    ("unit", "kerma", "kap_unit", "kap"),
    [
        ("Gy", 0.2, "Gy.m2", 0.00162),
        ("mGy", 200, "mGy.cm2", 16200),
        ("uGy", 200_000, "uGy.m2", 1620),
        ("cGy", 20, "dGy.cm2", 162),
    ],
)
def test_units_by_code(tmp_path: Path, unit: str, kerma: float, kap_unit: str, kap: float) -> None:
    parts = [W.container("113706", [W.number("113738", kerma, unit), W.number("122130", kap, kap_unit)])]
    found = report(tmp_path, parts).events[0]
    assert found.air_kerma_mGy == pytest.approx(200.0)
    assert found.kap_Gycm2 == pytest.approx(16.2)


@pytest.mark.parametrize(
    ("side_mm", "said"),
    [(150.0, False), (108.0, False), (104.0, True), (210.0, False), (214.0, True), (15.0, True)],
)
def test_a_field_that_product_over_kerma_does_not_bear_out_is_said(
    tmp_path: Path, side_mm: float, said: bool
) -> None:
    """1 Gy and 81 Gy cm2 are 90 mm square at the reference point, 150 mm at the receptor; half and twice that area bound it."""
    found = report(tmp_path, [W.event(kerma_Gy=1.0, field_mm=(side_mm, side_mm)), W.event(kerma_Gy=1.0)])
    assert any(one.startswith("1 of 2 events: the field by its sides") for one in found.warnings) is said


def test_an_unknown_unit_is_an_error_that_names_it(tmp_path: Path) -> None:
    with pytest.raises(
        FileFormatError, match=r"report.dcm: no such unit here; code 113738 = 'R'; allowed: Gy, "
    ):
        report(tmp_path, [W.container("113706", [W.number("113738", 1.0, "R")])])


def test_calibration_multiplies_and_planes_add(tmp_path: Path) -> None:
    parts = [
        W.accumulated(kerma_Gy=1.0, kap_Gym2=0.0081, fluoroscopy_s=60, plane="113620", calibration=1.2),
        W.accumulated(kerma_Gy=0.5, kap_Gym2=0.00405, fluoroscopy_s=30, plane="113621"),
        W.event(kerma_Gy=1.0, plane="113620"),
        W.event(kerma_Gy=0.5, plane="113621", primary_deg=90.0),
    ]
    found = report(tmp_path, parts)
    assert found.air_kerma_mGy == pytest.approx(1700.0)
    assert [e.air_kerma_mGy for e in found.events] == pytest.approx([1200.0, 500.0])
    assert found.fluoroscopy_min == pytest.approx(1.5)
    assert found.warnings == ()


def test_totals_that_do_not_agree_are_said(tmp_path: Path) -> None:
    found = report(
        tmp_path, [W.accumulated(kerma_Gy=2.0, kap_Gym2=0.0081, fluoroscopy_s=1), W.event(kerma_Gy=1.0)]
    )
    assert found.warnings == ("air kerma: the events sum to 1000 mGy, the report's total is 2000",)


def test_what_cannot_be_placed_is_kept_apart(tmp_path: Path) -> None:
    parts = [W.event(kerma_Gy=0.3, distances_mm=None), W.event(kerma_Gy=0.2)]
    placed = beams_of(report(tmp_path, parts))
    assert (len(placed.beams), placed.unplaced_mGy) == (1, 300.0)


def without_kerma(event: Any) -> Any:
    event.ContentSequence = [
        item for item in event.ContentSequence if item.ConceptNameCodeSequence[0].CodeValue != "113738"
    ]
    return event


def test_kerma_that_no_event_accounts_for_is_not_placed(tmp_path: Path) -> None:
    """Of 6 Gy in the total 1 Gy is in an event; the other event gives none, or the report is cut short."""
    total = W.accumulated(kerma_Gy=6.0, kap_Gym2=0.0486, fluoroscopy_s=4000)
    missing = report(tmp_path, [total, W.event(kerma_Gy=1.0), without_kerma(W.event(kerma_Gy=5.0))])
    assert "1 of 2 events give no air kerma" in missing.warnings
    for found in (missing, report(tmp_path, [total, W.event(kerma_Gy=1.0)])):
        placed = beams_of(found)
        assert (len(placed.beams), placed.kerma_unknown) == (1, False)
        assert placed.unplaced_mGy == pytest.approx(5000.0)
        assert any("not placed" in note for note in placed.notes)


@pytest.mark.parametrize(("total_Gy", "said"), [(1.0005, False), (1.002, True)])
def test_what_rounding_leaves_is_counted_and_not_said(tmp_path: Path, total_Gy: float, said: bool) -> None:
    total = W.accumulated(kerma_Gy=total_Gy, kap_Gym2=0.0081, fluoroscopy_s=60)
    placed = beams_of(report(tmp_path, [total, W.event(kerma_Gy=1.0)]))
    assert placed.unplaced_mGy == pytest.approx(1000.0 * (total_Gy - 1.0))
    assert any("in no event" in note for note in placed.notes) is said


@pytest.mark.parametrize(
    ("field_mm", "unplaced_mGy", "unknown"), [((150.0, 150.0), 5000.0, False), (None, 0.0, True)]
)
def test_without_a_total_kerma_goes_by_product_over_field(
    tmp_path: Path, field_mm: tuple[float, float] | None, unplaced_mGy: float, unknown: bool
) -> None:
    """405 Gy cm2 through 90 mm by 90 mm at the reference point are 5 Gy; without a field nothing tells it."""
    found = report(tmp_path, [W.event(kerma_Gy=1.0), without_kerma(W.event(kerma_Gy=5.0, field_mm=field_mm))])
    placed = beams_of(found)
    assert "1 of 2 events give no air kerma" in found.warnings
    assert placed.unplaced_mGy == pytest.approx(unplaced_mGy) and placed.kerma_unknown is unknown


def test_a_shot_elsewhere_does_not_move_the_centre(tmp_path: Path) -> None:
    """A shot of 10 mGy 450 mm along the table, first or last, leaves the 5 Gy of the case where the map is."""
    case = [W.event(kerma_Gy=1.0, table_mm=(0.0, 0.0, -450.0 + k)) for k in (-2, -1, 0, 1, 2)]
    shot = W.event(kerma_Gy=0.01, table_mm=(0.0, 0.0, 0.0))
    for parts in ([shot, *case], [*case, shot]):
        placed = beams_of(report(tmp_path, parts))
        along = [b.shift_mm[2] for b in placed.beams if b.air_kerma_mGy > 100.0]
        assert along == [-2.0, -1.0, 0.0, 1.0, 2.0]
        assert [b.shift_mm[2] for b in placed.beams if b.air_kerma_mGy < 100.0] == [450.0]


def test_a_field_without_sides_is_a_square_of_its_area(tmp_path: Path) -> None:
    """Field at the reference point 90 mm (product over kerma), so 150 mm at the receptor."""
    placed = beams_of(report(tmp_path, [W.event(kerma_Gy=1.0, kap_Gym2=0.0081, field_mm=None)]))
    assert placed.beams[0].field_mm == pytest.approx((150.0, 150.0))
    assert "no field sides" in " ".join(placed.notes)


@pytest.mark.parametrize(
    ("point", "extra", "assumed"),
    [
        ("113860", (), False),
        (None, (), True),
        ("113861", (), True),
        (None, (W.number("113737", 600.0, "mm"),), False),
    ],
)
def test_an_assumed_reference_point_is_said(
    tmp_path: Path, point: str | None, extra: tuple[Any, ...], assumed: bool
) -> None:
    """15 cm from the isocentre towards the tube, unless the report says so itself or gives the distance [@iec6060143]."""
    placed = beams_of(
        report(tmp_path, [W.event(point=point, extra=extra), W.event(point=point, extra=extra)])
    )
    said = [note for note in placed.notes if "distance to the reference point" in note]
    assert bool(said) is assumed and all(note.startswith("2 events") and "15 cm" in note for note in said)


def test_a_rotation_is_spread(tmp_path: Path) -> None:
    parts = [W.event(kerma_Gy=1.0, primary_deg=-60.0, kind=("113613", "DCM"), end_deg=(60.0, 0.0))]
    placed = beams_of(report(tmp_path, parts))
    angles = [b.primary_deg for b in placed.beams]
    assert len(angles) == 15 and angles[0] == pytest.approx(-56.0) and angles[-1] == pytest.approx(56.0)
    assert math.fsum(b.air_kerma_mGy for b in placed.beams) == pytest.approx(1000.0)
    still = beams_of(report(tmp_path, [W.event(kerma_Gy=1.0)]))
    peaks = [skin_map(p.beams, Body(), SkinFactors()).peak_mGy for p in (placed, still)]
    assert peaks[0] < 0.5 * peaks[1]


def test_another_position_is_said(tmp_path: Path) -> None:
    parts = [W.coded("113744", "1240000", "SCT"), W.event()]
    assert "mirrored" in report(tmp_path, parts).warnings[0]


def test_who_the_patient_is_is_not_read(tmp_path: Path) -> None:
    assert "nvented" not in repr(report(tmp_path, [W.event()]))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "not a readable DICOM file"),
        (b"plain text", "not a readable DICOM file"),
        (b"{", "not JSON"),
        (b"[]", "not a dose summary"),
        (b'{"resourceType": "Patient"}', "not a dose summary"),
        (b'{"resourceType": "Observation"}', "no dose in it"),
        (b'{"resourceType": "Observation", "component": [1]}', "not a coded quantity"),
    ],
)
def test_other_files_are_refused(tmp_path: Path, content: bytes, says: str) -> None:
    file = tmp_path / "dose"
    file.write_bytes(content)
    with pytest.raises(FileFormatError, match=says) as caught:
        read_dose_report(file)
    assert caught.value.where.startswith(str(file))


def test_other_files_and_none(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="not a structured report"):
        report(tmp_path, [W.event()], Modality="XA")
    with pytest.raises(FileFormatError, match="enhanced dose report"):
        report(tmp_path, [W.event()], SOPClassUID="1.2.840.10008.5.1.4.1.1.88.76")
    with pytest.raises(FileFormatError, match="no dose in it"):
        report(tmp_path, [W.container("113701", [])])
    with pytest.raises(NotFound):
        read_dose_report(tmp_path / "none.dcm")
    with pytest.raises(FileFormatError, match="folder"):
        read_dose_report(tmp_path)


def test_a_negative_dose_and_a_value_that_is_no_number_are_refused(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="negative; air_kerma_mGy"):
        report(tmp_path, [W.event(kerma_Gy=-0.1, kap_Gym2=0.001)])
    summary = {
        "code": {"coding": [{"code": "113725"}]},
        "valueQuantity": {"value": float("nan"), "unit": "mGy"},
    }
    file = tmp_path / "nan.json"
    file.write_text(json.dumps({"resourceType": "Observation", "component": [summary]}))
    with pytest.raises(FileFormatError, match="not a number"):
        read_dose_report(file)


def summary(path: Path, *components: tuple[str, float, str], **more: Any) -> Path:
    """Write a dose summary of quantities by code."""
    parts = [
        {"code": {"coding": [{"code": code}]}, "valueQuantity": {"value": value, "unit": unit}}
        for code, value, unit in components
    ]
    file = path / "summary.json"
    file.write_text(json.dumps({"resourceType": "Observation", "component": parts, **more}))
    return file


def test_the_planes_of_a_summary_add(tmp_path: Path) -> None:
    """Two planes give one code twice, each in its own unit, as a DICOM report does."""
    planes = (("113725", 2000.0, "mGy"), ("113725", 3.0, "Gy"), ("113722", 100.0, "Gy.cm2"))
    found = read_dose_report(summary(tmp_path, *planes))
    assert (found.air_kerma_mGy, found.kap_Gycm2) == (pytest.approx(5000.0), 100.0)
    with pytest.raises(FileFormatError, match="negative; air_kerma_mGy"):
        read_dose_report(summary(tmp_path, ("113725", 2000.0, "mGy"), ("113725", -1.0, "mGy")))


@pytest.mark.parametrize("status", ["entered-in-error", "cancelled"])
def test_a_summary_that_is_void_is_refused(tmp_path: Path, status: str) -> None:
    dose = ("113725", 2000.0, "mGy")
    assert read_dose_report(summary(tmp_path, dose, status="final")).air_kerma_mGy == 2000.0
    with pytest.raises(FileFormatError, match=f"not to be used, by its own status; status = '{status}'"):
        read_dose_report(summary(tmp_path, dose, status=status))


def damaged(good: bytes, rng: np.random.Generator) -> bytes:
    """Return a report with bytes changed, dropped, doubled or cut off."""
    data = bytearray(good)
    for _ in range(int(rng.integers(1, 12))):
        at = int(rng.integers(len(data)))
        match int(rng.integers(4)):
            case 0:
                data[at] = int(rng.integers(256))
            case 1:
                del data[at : at + int(rng.integers(1, 40))]
            case 2:
                data[at:at] = data[at : at + int(rng.integers(1, 40))]
            case _:
                del data[max(at, 200) :]
        if len(data) < 10:
            break
    return bytes(data)


def test_200_damaged_reports_are_read_or_refused_clearly(tmp_path: Path) -> None:
    """Whatever is damaged: one of our errors, naming the file, or a report of finite, not negative numbers."""
    parts = [
        W.accumulated(kerma_Gy=1.5, kap_Gym2=0.01215, fluoroscopy_s=930),
        W.event(kerma_Gy=0.5),
        W.event(kerma_Gy=1.0, primary_deg=40.0),
    ]
    good = W.write(tmp_path / "good.dcm", parts).read_bytes()
    rng = np.random.default_rng(20)
    original, refused = read_dose_report(tmp_path / "good.dcm"), 0
    assert original.warnings == ()
    for k in range(200):
        file = tmp_path / f"bad{k}.dcm"
        file.write_bytes(damaged(good, rng))
        try:
            found = read_dose_report(file)
        except FileFormatError as error:
            refused += 1
            assert error.where == str(file) and error.message
            continue
        if (found.air_kerma_mGy, len(found.events)) != (original.air_kerma_mGy, 2):
            assert found.warnings, "another dose, and nothing said"
        for event in found.events:
            for value in (event.air_kerma_mGy, event.kap_Gycm2):
                assert value is None or (math.isfinite(value) and value >= 0.0)
        beams_of(found)
    assert refused >= 50  # else nothing was damaged enough to show anything


@pytest.mark.parametrize(
    "syntax",
    ["1.2.840.10008.1.2", "1.2.840.10008.1.2.1", "1.2.840.10008.1.2.1.99"],
    ids=["implicit", "explicit", "deflated"],
)
def test_the_syntaxes_a_report_may_come_in(tmp_path: Path, syntax: str) -> None:
    file = W.write(tmp_path / "one.dcm", [W.event(kerma_Gy=0.5), W.event(kerma_Gy=1.0)])
    dataset = pydicom.dcmread(file)
    dataset.file_meta.TransferSyntaxUID = pydicom.uid.UID(syntax)
    implicit = syntax == "1.2.840.10008.1.2"
    dataset.save_as(
        tmp_path / "other.dcm", implicit_vr=implicit, little_endian=True, enforce_file_format=True
    )
    assert read_dose_report(tmp_path / "other.dcm") == read_dose_report(file)
    if not syntax.endswith("99"):
        data = (tmp_path / "other.dcm").read_bytes()
        (tmp_path / "short.dcm").write_bytes(data[:-9])
        with pytest.raises(FileFormatError, match="cut off"):
            read_dose_report(tmp_path / "short.dcm")
