"""Dose reports in a whole case: totals against their levels, the dose to the skin, what is left out and said."""

from __future__ import annotations

import json
import re
import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pydicom
import pytest
from typer.testing import CliRunner

from backstay.adapters.dose_report import read_dose_report
from backstay.adapters.schemas import all_schemas
from backstay.app.safety.skin import skin_part
from backstay.cli import app
from backstay.core.safety.protocol import Protocol, SkinFactors
from backstay.core.safety.radiation import skin_band

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "dose_reports.py")))
DOSE = {"kind": "dose", "air_kerma_mGy": 1200.0, "kap_Gycm2": 80.0, "fluoroscopy_min": 14.0}


def begin(folder: Path) -> None:
    """Begin a record that has a dose of 1.2 Gy."""
    event = {"schema": 1, "id": "e0", "at": "2031-04-05T09:00:00+00:00", "author_role": "recorder", **DOSE}
    (folder / "case.events.jsonl").write_text(json.dumps(event) + "\n")


def run(*words: object) -> Any:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "120", "NO_COLOR": "1"})


def test_skin_from_a_dose_report(folder: Path) -> None:
    events = [W.event(kerma_Gy=0.02, primary_deg=-30.0 + k % 3) for k in range(100)]
    report = W.write(
        folder / "dose.dcm", [W.accumulated(kerma_Gy=2.0, kap_Gym2=0.0162, fluoroscopy_s=600), *events]
    )
    data = json.loads(run("limits", folder / "case.toml", "--dose", report, "--json").stdout)
    skin = data["skin"]
    assert skin["placed_events"] == 100
    assert skin["low_Gy"] == pytest.approx(0.6 * skin["peak_Gy"])
    assert skin["high_Gy"] == pytest.approx(1.4 * skin["peak_Gy"])
    assert max(map(max, skin["dose_mGy"])) == pytest.approx(1000 * skin["peak_Gy"], abs=0.06)
    assert "to the left" in skin["where"]  # the receptor stands to the right: the beam enters on the left
    assert min(v["peak_Gy"] for v in skin["other_views"][1:]) < skin["other_views"][0]["peak_Gy"]
    result = run("limits", folder / "case.toml", "--dose", report, "--skin", folder / "skin.svg")
    assert result.exit_code == 0, result.output
    assert "skin dose (estimate)" in result.output
    assert (folder / "skin.svg").read_text().startswith("<svg")


def summary(folder: Path, **totals: tuple[float, str]) -> Path:
    """Write a dose summary of totals only, by code."""
    codes = {"kerma": "113725", "kap": "113722", "time": "113730"}
    components = [
        {"code": {"coding": [{"code": codes[name]}]}, "valueQuantity": {"value": value, "unit": unit}}
        for name, (value, unit) in totals.items()
    ]
    file = folder / "summary.json"
    file.write_text(json.dumps({"resourceType": "Observation", "status": "final", "component": components}))
    return file


TOTAL_6_GY = W.accumulated(kerma_Gy=6.0, kap_Gym2=0.0486, fluoroscopy_s=4020)


def limits_with(folder: Path, *dose: Path) -> dict[str, Any]:
    words = [word for file in dose for word in ("--dose", file)]
    data: dict[str, Any] = json.loads(run("limits", folder / "case.toml", *words, "--json").stdout)
    jsonschema.Draft202012Validator(all_schemas()["limits"]).validate(data)
    return data


def agree_on_kerma(folder: Path, agreed_mGy: float) -> None:
    text = (folder / "case.toml").read_text()
    changed = re.sub(r"(?m)^air_kerma_mGy = .*$", f"air_kerma_mGy = {agreed_mGy}", text)
    assert changed.count(f"air_kerma_mGy = {agreed_mGy}") == 1
    (folder / "case.toml").write_text(changed)


@pytest.mark.parametrize("began", [False, True], ids=["no record", "record of 1.2 Gy"])
def test_totals_of_dose_reports_reach_the_levels(folder: Path, began: bool) -> None:
    """6 Gy in two reports of 3 Gy, and 1.2 Gy in the record: the larger of record and sum counts."""
    agree_on_kerma(folder, 5900.0)
    if began:
        begin(folder)
    total = W.accumulated(kerma_Gy=3.0, kap_Gym2=0.0243, fluoroscopy_s=2010)
    files = [
        W.write(folder / f"{k}.dcm", [total, W.event(kerma_Gy=3.0, primary_deg=30.0 * k)]) for k in (0, 1)
    ]
    one, both = limits_with(folder, files[0]), limits_with(folder, *files)
    assert [row["value"] for row in one["radiation"]] == pytest.approx([3000.0, 243.0, 33.5])
    assert [row["value"] for row in both["radiation"]] == pytest.approx([6000.0, 486.0, 67.0])
    assert [row["past_substantial"] for row in (one["radiation"][0], both["radiation"][0])] == [False, True]
    assert (both["radiation"][0]["notices"], both["kerma_state"]) == (4, "past")
    assert one["kerma_state"] == "within"
    hazards = {row["id"] for row in both["hazards"] + both["hazards_waiting"]}
    assert hazards - {row["id"] for row in one["hazards"] + one["hazards_waiting"]}
    assert any("dose reports' sum" in note for note in both["notes"])


@pytest.mark.parametrize("same", ["file", "instance", "doses"])
def test_a_dose_report_given_twice_is_refused(folder: Path, same: str) -> None:
    """The same file; the same instance with a value corrected; the same doses under another instance."""
    first = W.write(folder / "first.dcm", [W.event(kerma_Gy=2.5)])
    second = first
    if same != "file":
        second = W.write(folder / "second.dcm", [W.event(kerma_Gy=2.5 if same == "doses" else 2.6)])
    if same == "instance":
        dataset = pydicom.dcmread(second)
        dataset.SOPInstanceUID = pydicom.dcmread(first).SOPInstanceUID
        dataset.save_as(second, enforce_file_format=True)
    result = run("limits", folder / "case.toml", "--dose", first, "--dose", second)
    assert result.exit_code == 5
    said = "".join(result.stderr.split())
    assert "thesamedosereportas" in said and "eachreportonce" in said and second.name in said


def test_dose_reports_that_differ_in_one_dose_are_two(folder: Path) -> None:
    files = [W.write(folder / f"{k}.dcm", [W.event(kerma_Gy=2.5 + 0.001 * k)]) for k in (0, 1)]
    assert limits_with(folder, *files)["radiation"][0]["value"] == pytest.approx(5001.0)


def test_an_interim_report_beside_the_final_one_counts_once(folder: Path) -> None:
    """1.5 Gy in the interim report, the same and 0.4 Gy more in the final one: 1.9 Gy."""
    interim = W.event(kerma_Gy=1.5, uid="1.2.3.1")
    more = W.event(kerma_Gy=0.4, primary_deg=30.0, uid="1.2.3.2")

    def written(name: str, total_Gy: float, *events: Any) -> Path:
        total = W.accumulated(kerma_Gy=total_Gy, kap_Gym2=0.0081 * total_Gy, fluoroscopy_s=600 * total_Gy)
        return Path(W.write(folder / name, [total, *events]))

    first, final = written("i.dcm", 1.5, interim), written("f.dcm", 1.9, interim, more)
    alone = limits_with(folder, final)
    for files in ((first, final), (final, first)):
        both = limits_with(folder, *files)
        assert [row["value"] for row in both["radiation"]] == [row["value"] for row in alone["radiation"]]
        assert both["skin"]["peak_Gy"] == alone["skin"]["peak_Gy"]
        assert any("hold only events that another one holds too" in note for note in both["skin"]["notes"])
    third = written("t.dcm", 2.0, more, W.event(kerma_Gy=1.6, primary_deg=-30.0, uid="1.2.3.3"))
    shared = limits_with(folder, final, third)
    assert shared["radiation"][0]["value"] == pytest.approx(1900.0 + 1600.0)
    assert any("stand in another report too" in note for note in shared["skin"]["notes"])


def test_several_reports_have_one_table(folder: Path) -> None:
    """2 Gy each, the table 300 mm along in the second: two places; with one centre for each they were one of 4 Gy."""
    one = W.write(folder / "1.dcm", [W.event(kerma_Gy=2.0)])
    two = W.write(folder / "2.dcm", [W.event(kerma_Gy=2.001, table_mm=(0.0, 0.0, 150.0))])
    skin, alone = limits_with(folder, one, two)["skin"], limits_with(folder, one)["skin"]
    assert skin["peak_Gy"] == pytest.approx(alone["peak_Gy"], rel=0.01)
    assert any("one machine" in note for note in skin["notes"])
    assert not any("one machine" in note for note in alone["notes"])


def test_a_substantial_skin_dose_is_among_the_hazards_and_its_band_on_the_picture(folder: Path) -> None:
    report = W.write(folder / "dose.dcm", [W.event(kerma_Gy=4.0)])
    data = limits_with(folder, report)
    shown = {row["id"]: row for row in data["hazards"] + data["hazards_waiting"]}
    assert data["skin"]["peak_Gy"] > 3.0 and "skin_substantial" in shown
    assert shown["skin_substantial"]["source"] == "aapm2022"
    less = limits_with(folder, W.write(folder / "less.dcm", [W.event(kerma_Gy=2.5)]))
    assert "skin_substantial" not in {row["id"] for row in less["hazards"] + less["hazards_waiting"]}
    assert run("limits", folder / "case.toml", "--dose", report, "--skin", folder / "skin.svg").exit_code == 0
    band = f"{data['skin']['low_Gy']:.2f} to {data['skin']['high_Gy']:.2f} Gy"
    assert f">{band}<" in (folder / "skin.svg").read_text()


def test_follow_up_goes_by_the_upper_end_and_what_is_not_placed_counts_at_its_own(tmp_path: Path) -> None:
    """1.6 Gy from behind are 1.67 Gy on the skin (1.0434 per gray by hand), up to 2.34; 1 Gy not placed adds up to 2.08."""
    known = {"weight_kg": None, "height_cm": None, "protocol": Protocol()}
    placed = read_dose_report(W.write(tmp_path / "1.dcm", [W.event(kerma_Gy=1.6)]))
    part = skin_part([placed], **known)
    assert (part.peak_Gy, part.high_Gy) == (pytest.approx(1.6694, abs=1e-3), pytest.approx(2.3372, abs=1e-3))
    assert part.worst_case_Gy == pytest.approx(part.high_Gy) and part.grade == "1"
    assert skin_band(part.peak_Gy).grade == "none expected"
    lost = W.event(kerma_Gy=1.0, distances_mm=None)
    both = skin_part([read_dose_report(W.write(tmp_path / "2.dcm", [W.event(kerma_Gy=1.6), lost]))], **known)
    assert both.worst_case_Gy == pytest.approx(part.high_Gy + 1.0 * 1.40 * 1.06 * 1.40)
    assert both.unplaced_Gy == pytest.approx(1.0) and both.peak_Gy == pytest.approx(part.peak_Gy)


def test_a_record_above_its_dose_reports_counts(folder: Path) -> None:
    begin(folder)
    data = limits_with(folder, summary(folder, kerma=(500, "mGy"), kap=(90.0, "Gy.cm2")))
    assert [row["value"] for row in data["radiation"]] == [1200.0, 90.0, 14.0]


@pytest.mark.parametrize("form", ["summary", "DICOM"])
def test_totals_alone_give_a_worst_case(folder: Path, form: str) -> None:
    """6 Gy of kerma through one field: times backscatter, tissue and the upper end of the band."""
    if form == "summary":
        file = summary(folder, kerma=(6000, "mGy"), kap=(486.0, "Gy.cm2"), time=(67.0, "min"))
    else:
        file = W.write(folder / "totals.dcm", [TOTAL_6_GY])
    data = limits_with(folder, file)
    assert [row["value"] for row in data["radiation"]] == pytest.approx([6000.0, 486.0, 67.0])
    skin, factors = data["skin"], SkinFactors()
    scale = factors.backscatter_factor * factors.tissue_factor * factors.calibration_factor
    assert skin["worst_case_Gy"] == pytest.approx(6.0 * scale * (1.0 + factors.half_range))
    assert (skin["placed_events"], skin["where"], skin["unplaced_Gy"]) == (0, "", pytest.approx(6.0))
    assert (
        skin["may_be_past_substantial"]
        and skin["grade"] == skin_band(skin["worst_case_Gy"]).grade != "none expected"
    )
    assert any("totals only" in note for note in skin["notes"])
    shown = " ".join(run("limits", folder / "case.toml", "--dose", file).output.split())
    assert "no event placed; worst case, all in one field: up to" in shown and "moved by 5 cm" not in shown
    picture = folder / "skin.svg"
    assert run("limits", folder / "case.toml", "--dose", file, "--skin", picture).exit_code == 0
    assert "No event could be placed" in picture.read_text()


def test_follow_up_goes_by_kerma_that_is_in_no_event(folder: Path) -> None:
    """A report cut short: 1 Gy in its event, 6 Gy in its total; and one of products only, whose kerma nothing tells."""
    cut = W.write(folder / "cut.dcm", [TOTAL_6_GY, W.event(kerma_Gy=1.0)])
    skin = limits_with(folder, cut)["skin"]
    assert skin["unplaced_Gy"] == pytest.approx(5.0) and skin["grade"] != "none expected"
    assert not skin["kerma_unknown"]
    skin = limits_with(folder, summary(folder, kap=(600.0, "Gy.cm2")))["skin"]
    assert skin["kerma_unknown"]
    shown = run("limits", folder / "case.toml", "--dose", folder / "summary.json").output
    assert "not all kerma is known, at least grade" in " ".join(shown.split())


@pytest.mark.parametrize(("along_mm", "missed_mGy"), [(-450.0, 4000.0), (-50.0, 0.0)])
def test_a_beam_that_reaches_no_part_of_the_map_is_not_placed(
    folder: Path, along_mm: float, missed_mGy: float
) -> None:
    """4 Gy with the table 450 mm along, off the map of 300 mm: not lost, but in the worst case; 50 mm along it is mapped."""
    total = W.accumulated(kerma_Gy=9.0, kap_Gym2=0.0729, fluoroscopy_s=1800)
    near = W.event(kerma_Gy=5.0, table_mm=(0.0, 0.0, 0.0))
    far = W.event(kerma_Gy=4.0, table_mm=(0.0, 0.0, along_mm))
    whole = limits_with(folder, W.write(folder / "far.dcm", [total, near, far]))["skin"]
    alone = limits_with(folder, W.write(folder / "near.dcm", [near]))["skin"]
    assert whole["unplaced_Gy"] == pytest.approx(missed_mGy / 1000.0)
    assert any("no part of the mapped body" in note for note in whole["notes"]) is (missed_mGy > 0.0)
    assert whole["placed_events"] == (1 if missed_mGy else 2)
    if missed_mGy:
        assert whole["peak_Gy"] == pytest.approx(alone["peak_Gy"])
        assert whole["worst_case_Gy"] > alone["worst_case_Gy"] + 4.0
    else:
        assert whole["peak_Gy"] > alone["peak_Gy"]


@pytest.mark.parametrize(
    ("share", "past", "may_be", "words"),
    [
        (0.99, True, True, "PAST the substantial level"),
        (1.2, False, True, "may be past the substantial level"),
        (1.5, False, False, ""),
    ],
)
def test_the_labs_level_of_a_substantial_skin_dose(
    folder: Path, share: float, past: bool, may_be: bool, words: str
) -> None:
    """The level as a share of the estimated peak; the peak's band reaches 1.4 times the estimate."""
    events = [W.event(kerma_Gy=0.02, primary_deg=-30.0) for _ in range(100)]
    report = W.write(
        folder / "dose.dcm", [W.accumulated(kerma_Gy=2.0, kap_Gym2=0.0162, fluoroscopy_s=600), *events]
    )
    case = folder / "case.toml"
    peak_Gy = json.loads(run("limits", case, "--dose", report, "--json").stdout)["skin"]["peak_Gy"]
    (folder / "protocol.toml").write_text(
        f'schema = 1\nname = "invented"\n[radiation]\nsubstantial_skin_mGy = {1000.0 * share * peak_Gy:.3f}\n'
    )
    text = case.read_text()
    case.write_text(text.replace("schema = 1", 'schema = 1\nprotocol = "protocol.toml"', 1))
    skin = json.loads(run("limits", case, "--dose", report, "--json").stdout)["skin"]
    assert (skin["past_substantial"], skin["may_be_past_substantial"]) == (past, may_be)
    shown = " ".join(run("limits", case, "--dose", report).output.split())
    level = [
        line for line in ("PAST the substantial level", "may be past the substantial level") if line in shown
    ]
    assert level == ([words] if words else [])


def test_a_report_that_is_none_is_one_clear_error(folder: Path) -> None:
    result = run("limits", folder / "case.toml", "--dose", folder / "case.toml")
    assert result.exit_code == 4
    assert "not a readable DICOM file" in result.output
