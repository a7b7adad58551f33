"""Limits and hazards of a whole case: what a person sees, and that every number is the one in the data."""

from __future__ import annotations

import io
import json
import re
import runpy
import shutil
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import jsonschema
import pytest
from rich.console import Console
from typer.testing import CliRunner

from backstay.adapters.ladder_file import LadderPart, LadderRung
from backstay.adapters.schemas import all_schemas
from backstay.app.loading import load_case
from backstay.app.plan import plan_case
from backstay.app.safety import case_safety, judge_step, limits_of
from backstay.app.safety.time_out import time_out
from backstay.app.treatment import size_case
from backstay.cli import app
from backstay.core.record.entries import Entry
from backstay.identifiers import BudgetState, EventKind
from backstay.report.answers import next_step, not_to_do
from backstay.report.limits import hazard_words, limits_section, summary_rows
from backstay.report.terminal import render

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "dose_reports.py")))
T0 = "2031-04-05T09:{:02d}:00+00:00"


def log(folder: Path, *events: dict[str, Any]) -> None:
    lines = [
        json.dumps({"schema": 1, "id": f"e{k}", "at": T0.format(2 * k), "author_role": "recorder", **event})
        for k, event in enumerate(events)
    ]
    (folder / "case.events.jsonl").write_text("\n".join(lines) + "\n")


BEGUN = (
    {"kind": "heparin", "dose_U": 5000.0},
    {"kind": "guide_in", "device": "guide-6-sr"},
    {"kind": "wire_in", "device": "wire-workhorse", "role": "rail"},
    {"kind": "act", "act_s": 262.0, "sampled_from": "guide"},
    {"kind": "contrast", "volume_mL": 100.0},
    {"kind": "dose", "air_kerma_mGy": 1200.0, "kap_Gycm2": 80.0, "fluoroscopy_min": 14.0},
)


def run(*words: object) -> Any:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "120", "NO_COLOR": "1"})


def test_before_the_case(folder: Path) -> None:
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(
        case.replace('ready = ["covered_stent", "pericardiocentesis_set"]', "ready = []")
    )
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    assert found.contrast.limit_is == "3 times the clearance"
    assert found.contrast.limit_mL == pytest.approx(3 * 40.1026, abs=0.01)
    assert found.contrast.state is BudgetState.WITHIN
    assert [row.item.value for row in found.inside] == ["guide", "wire"]
    assert {row.id for row in found.hazards} == {"covered_stent_not_ready", "pericardiocentesis_not_ready"}
    assert [row.id for row in found.every_move] == ["stent_before_balloon_opened"]
    assert found.anticoagulation.first_dose == (4480.0, 6400.0)


def test_during_the_case(folder: Path) -> None:
    log(folder, *BEGUN)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    assert found.contrast.used_mL == 100.0
    assert found.contrast.left_mL == pytest.approx(20.3077, abs=1e-3)
    assert found.contrast.state is BudgetState.NEAR
    act = found.anticoagulation.act
    assert act is not None and act.age_min == pytest.approx(4.0)
    assert act.verdict == "below" and not act.site_doubt  # by the stricter edge, from guide and sheath alike
    assert found.anticoagulation.target_s == (300.0, 300.0)
    assert found.minutes == pytest.approx(10.0)
    burr = next(move for move in found.moves if "Burr" in move.move)
    assert burr.contrast_state is BudgetState.NEAR
    assert burr.contrast_left_mL == pytest.approx(0.3077, abs=1e-3)


def test_what_was_not_read_itself_is_marked(folder: Path) -> None:
    log(folder, *BEGUN)
    said = run("limits", folder / "case.toml").output
    assert "windecker2014, second-hand, unconfirmed" in " ".join(said.split())
    assert "levels aapm2022, second-hand, unconfirmed" in " ".join(said.split())
    assert "cigarroa1989, second-hand" not in " ".join(said.split())  # its abstract was read
    sheet = run("timeout", folder / "case.toml").output
    assert "second-hand, unconfirmed" in " ".join(sheet.split())
    protocol(folder, "[radiation]\nfirst_notice_mGy = 2000\nnext_notice_mGy = 1000\n")
    sheet = " ".join(run("timeout", folder / "case.toml").output.split())
    assert (
        "told at 2000 mGy, substantial from 5000 mGy, the substantial level second-hand, unconfirmed" in sheet
    )
    (folder / "lab.toml").write_text((folder / "lab.toml").read_text() + "substantial_mGy = 5000\n")
    sheet = " ".join(run("timeout", folder / "case.toml").output.split())
    assert "second-hand, unconfirmed" not in sheet
    assert (
        "(3 times the clearance) (second-hand)" in sheet
    )  # the clearance's formula was not read in its paper


def test_a_ceiling_that_was_not_read_itself_is_marked_where_it_binds(folder: Path) -> None:
    """A strong kidney in a light patient: 4 mL/kg binds, a guideline read second-hand."""
    case = (folder / "case.toml").read_text()
    case = case.replace("creatinine_mg_dL = 1.3", "creatinine_mg_dL = 0.4").replace("contrast_mL = 180\n", "")
    (folder / "case.toml").write_text(case)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    assert found.contrast.limit_is == "4 mL/kg"
    assert "(4 mL/kg; windecker2014, second-hand, unconfirmed)" in dict(summary_rows(found))["contrast"]
    sheet = json.loads(run("timeout", folder / "case.toml", "--json").stdout)
    assert {"what": "stop at contrast", "text": "256 mL (4 mL/kg) (second-hand)"} in sheet["stops"]


def test_what_was_seen_beyond_an_edge_and_whose_the_moves_costs_are_stand_on_the_page(folder: Path) -> None:
    log(folder, *BEGUN)
    page = limits_section(limits_of(case_safety(load_case(folder / "case.toml"))))
    assert "volume over eGFR 2.27: nephropathy, adjusted odds ratio 4.64 (nie2021)" in page
    assert "contrast and air kerma of each move: judgement, no source" in page


@pytest.mark.parametrize(("act_s", "said"), [(262.0, True), (240.0, False), (320.0, True), (360.0, False)])
def test_a_value_that_hangs_on_the_instrument_says_so(folder: Path, act_s: float, said: bool) -> None:
    log(folder, *BEGUN[:3], {"kind": "act", "act_s": act_s, "sampled_from": "sheath"})
    found = limits_of(case_safety(load_case(folder / "case.toml"))).anticoagulation.suggestions
    assert any("the instrument decides" in text for text in found) is said


@pytest.mark.parametrize(("hematocrit", "said"), [(35.5, True), (34.9, False), (36.0, False)])
def test_the_disputed_edge_of_anaemia_is_said(folder: Path, hematocrit: float, said: bool) -> None:
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(
        case.replace("hematocrit_percent = 38", f"hematocrit_percent = {hematocrit}")
    )
    score = limits_of(case_safety(load_case(folder / "case.toml"))).contrast.score
    assert score is not None
    assert ("3 points less" in score.disputed) is said


def test_no_budget_goes_below_nothing(folder: Path) -> None:
    log(folder, *BEGUN, {"kind": "contrast", "volume_mL": 60.0})
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    assert (found.contrast.left_mL, found.contrast.state) == (0.0, BudgetState.PAST)
    assert found.contrast.over_mL == pytest.approx(39.6923, abs=1e-3)
    assert "contrast_past_ceiling" in {row.id for row in found.hazards}


def test_what_is_past_its_ceiling_is_said_after_later_steps_too(folder: Path) -> None:
    """Said when it was given, quiet for ten minutes in the log's lines; where the case stands says it always."""
    look = {"kind": "view", "primary_angle_deg": 30.0, "secondary_angle_deg": -20.0}
    log(folder, *BEGUN, {"kind": "contrast", "volume_mL": 60.0}, look, look)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    past = next(row for row in found.hazards if row.id == "contrast_past_ceiling")
    assert past.source == "gurm2011"
    page = limits_section(found)
    assert "contrast 160 mL is past the ceiling of 120 mL" in page
    ids = [row.id for row in [*found.hazards, *found.hazards_waiting]]
    assert len(ids) == len(set(ids))


def test_a_ceiling_of_the_cases_own_is_named_as_such(folder: Path) -> None:
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(case.replace("contrast_mL = 180", "contrast_mL = 90"))
    log(folder, *BEGUN)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    past = next(row for row in found.hazards if row.id == "contrast_past_ceiling")
    assert past.source == "set in the case file"


def protocol(folder: Path, text: str) -> None:
    (folder / "lab.toml").write_text(f'schema = 1\nname = "Invented lab"\n{text}')
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(case.replace("schema = 1\n", 'schema = 1\nprotocol = "lab.toml"\n', 1))


def test_a_level_that_the_lab_set_is_not_marked_as_unconfirmed(folder: Path) -> None:
    over = {"kind": "dose", "air_kerma_mGy": 5200.0, "kap_Gycm2": 480.0, "fluoroscopy_min": 61.0}
    log(folder, *BEGUN, over)

    def said() -> str:
        found = limits_of(case_safety(load_case(folder / "case.toml")))
        rows = [f"{what}: {where}" for what, where in summary_rows(found)]
        return "\n".join([*rows, *map(hazard_words, [*found.hazards, *found.hazards_waiting])])

    before = said()
    assert "interval from memory, unconfirmed" in before
    assert "levels aapm2022, second-hand, unconfirmed" in before
    assert (
        "61 min of fluoroscopy: past the substantial level of 60 (ncrp168, from memory, unconfirmed)"
        in before
    )
    protocol(
        folder,
        "[contrast]\nclearance_times = 2.5\n[heparin]\nrepeat_after_min = 15\noverdue_after_min = 25\n"
        "[radiation]\nfirst_notice_mGy = 3000\nnext_notice_mGy = 1000\nsubstantial_mGy = 5000\nsubstantial_kap_Gycm2 = 450\n"
        "substantial_fluoroscopy_min = 55\n",
    )
    after = said()
    assert "interval the lab's protocol" in after
    assert "(levels the lab's protocol)" in after
    assert "notices from memory, unconfirmed; substantial level the lab's protocol" in after
    assert "61 min of fluoroscopy: past the substantial level of 55 (the lab's protocol)" in after
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    lowest = next(one for one in found.contrast.ceilings if one.binds)
    assert (lowest.what, lowest.source) == ("2.5 times the clearance", "the lab's protocol")


@pytest.mark.parametrize(
    ("creatinine", "infusion", "words"),
    [
        ("creatinine_mg_dL = 1.3\n", 112.0, ""),
        ("creatinine_mg_dL = 2.0\n", 64.0, "the lower rate: clearance 26 mL/min"),
        ("", 64.0, "THE CLEARANCE IS NOT KNOWN, so the lower rate; 112 mg/h if it is 30 mL/min or more"),
    ],
)
def test_bivalirudin_by_clearance(folder: Path, creatinine: str, infusion: float, words: str) -> None:
    case = (folder / "case.toml").read_text().replace("creatinine_mg_dL = 1.3\n", creatinine)
    (folder / "case.toml").write_text(case + '\n[anticoagulation]\nagent = "bivalirudin"\n')
    found = limits_of(case_safety(load_case(folder / "case.toml"))).anticoagulation
    assert (found.infusion_mg_h, found.infusion_note) == (infusion, words)
    for command in ("limits", "timeout"):
        assert words in " ".join(run(command, folder / "case.toml").output.split())


def test_the_labs_protocol_decides(folder: Path) -> None:
    (folder / "lab.toml").write_text(
        'schema = 1\nname = "Invented lab"\n[contrast]\nclearance_times = 5\n[heparin]\ninstrument = "lower reading"\n'
    )
    text = (
        (folder / "case.toml")
        .read_text()
        .replace('shelf = "shelf.toml"', 'shelf = "shelf.toml"\nprotocol = "lab.toml"')
    )
    (folder / "case.toml").write_text(text)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    assert found.protocol == "Invented lab"
    assert (found.contrast.limit_is, found.contrast.limit_mL) == ("limit set for this case", 180.0)
    assert found.anticoagulation.target_s == (250.0, 300.0)


def test_a_stent_too_large_for_the_vessel_is_said_of_the_plan(folder: Path) -> None:
    def said() -> set[str]:
        found = limits_of(case_safety(load_case(folder / "case.toml")))
        return {row.id for row in [*found.hazards, *found.hazards_waiting]}

    assert "stent_too_large" not in said()
    case = (folder / "case.toml").read_text().replace('device = "stent-275-33"', 'device = "stent-350-18"')
    (folder / "case.toml").write_text(case)
    assert "stent_too_large" in said()


def test_the_page_shows_every_number_and_no_markup_of_a_users_text(folder: Path) -> None:
    log(folder, *BEGUN)
    (folder / "lab.toml").write_text('schema = 1\nname = "<script>alert(1)</script> & lab"\n')
    text = (
        (folder / "case.toml")
        .read_text()
        .replace('shelf = "shelf.toml"', 'shelf = "shelf.toml"\nprotocol = "lab.toml"')
    )
    (folder / "case.toml").write_text(text)
    found = limits_of(case_safety(load_case(folder / "case.toml")))
    page = limits_section(found)
    assert "<script>" not in page and "&lt;script&gt;" in page
    words = [
        "100 of 120 mL",
        "262 s, 4 min old, below target 300 s (instrument not said",
        "1200 mGy; next notice 3000, substantial 5000",
    ]
    words += [f"{one.volume_mL:.0f} mL" for one in found.contrast.ceilings]
    words += ["80 Gy cm2", "levels from memory, unconfirmed", "Workhorse wire, main vessel", "given 5000 U"]
    assert [word for word in words if word not in page] == []


def test_a_step_that_is_only_thought_of(folder: Path) -> None:
    log(folder, *BEGUN)
    safety = case_safety(load_case(folder / "case.toml"))
    step = Entry("x", EventKind.DRUG, safety.entries[-1].at_s, "operator", values={"drug": "protamine"})
    assert [row.id for row in judge_step(safety, step)] == ["protamine_with_equipment_in"]
    assert safety.now == case_safety(load_case(folder / "case.toml")).now


def test_the_command_prints_and_exports(folder: Path) -> None:
    log(folder, *BEGUN)
    result = run("limits", folder / "case.toml")
    assert result.exit_code == 0, result.output
    assert "100 of 120 mL (3 times the clearance), 20 mL left: near the limit" in result.output
    assert "from memory, unconfirmed" in result.output
    data = json.loads(run("limits", folder / "case.toml", "--json").stdout)
    jsonschema.Draft202012Validator(all_schemas()["limits"]).validate(data)


def pages(pdf: Path) -> int:
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo is not installed")
    text = subprocess.run(["pdfinfo", str(pdf)], capture_output=True, text=True, check=True).stdout
    return int(next(line for line in text.splitlines() if line.startswith("Pages:")).split()[1])


def test_the_time_out_sheet_holds_what_the_team_must_settle(folder: Path) -> None:
    result = run(
        "timeout", folder / "case.toml", "--pdf", folder / "sheet.pdf", "--json", folder / "sheet.json"
    )
    assert result.exit_code == 0, result.output
    sheet = json.loads((folder / "sheet.json").read_text())
    lines = {
        line["what"]: line["text"]
        for line in [*sheet["patient"], *sheet["access"], *sheet["stops"], *sheet["ready"]]
    }
    assert lines["allergy"] == "none known"
    assert lines["stop at contrast"] == "120 mL (3 times the clearance) (second-hand)"
    assert lines["snare"] == "NOT in the room"
    assert lines["who calls the stop"]
    assert sheet["missing"] == []
    area, own = sheet["minimum_result"]
    treated = size_case(load_case(folder / "case.toml")).stretches[0].expected
    assert f"stent area {treated.least_area_mm2:.1f} mm2 or more" in area and "from memory" in area
    assert own == "TIMI 3 flow, residual stenosis below 20 %, no dissection left uncovered"
    order = [line["what"] for line in sheet["stops"]]
    assert order[0] == "who calls the stop" and "at any limit below" in lines["who calls the stop"]
    assert order[1:4] == ["stop at contrast", "stop at air kerma", "stop at time"]  # they stand below it
    assert any("no stent yet" in text for text in sheet["hazards"])
    assert pages(folder / "sheet.pdf") == 1


def test_a_long_sheet_is_still_one_page_and_text_is_not_markup(folder: Path) -> None:
    case = (folder / "case.toml").read_text()
    lines = ", ".join(
        f'"*{k}* #strike[not] $x$ ' + 'a line of the plan as long as people write them"' for k in range(12)
    )
    case = re.sub(r"plan = \[.*?\n\]", f"plan = [{lines}]", case, flags=re.DOTALL)
    kit = ", ".join(f'"item {k} of the kit, with its size"' for k in range(20))
    case = re.sub(r"kit = \[\"non.*?\]", f"kit = [{kit}]", case)
    (folder / "case.toml").write_text(case)
    assert run("timeout", folder / "case.toml", "--pdf", folder / "sheet.pdf").exit_code == 0
    assert pages(folder / "sheet.pdf") == 1
    if shutil.which("pdftotext") is not None:
        text = subprocess.run(
            ["pdftotext", str(folder / "sheet.pdf"), "-"], capture_output=True, text=True, check=True
        ).stdout
        assert "*11* #strike[not] $x$" in " ".join(text.split())


def test_a_gap_is_left_where_nothing_is_said(folder: Path) -> None:
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(
        case.replace("allergies = [] # none known\n", "").replace("lvef_percent = 52\n", "")
    )
    sheet = json.loads(run("timeout", folder / "case.toml", "--json").stdout)
    assert sheet["missing"] == ["allergy", "LVEF"]


def test_a_plan_of_another_case_is_refused(folder: Path) -> None:
    (folder / "other.json").write_text("{}")
    result = run("timeout", folder / "case.toml", "--plan", folder / "other.json")
    assert result.exit_code == 4 and "not a plan of this version" in result.output


def test_hazards_of_a_step_thought_of_and_along_the_record(folder: Path) -> None:
    log(
        folder,
        *BEGUN,
        {"kind": "extension", "device": "ext-6", "depth_mm": 32.0},
        {"kind": "contrast", "volume_mL": 6.0},
    )
    result = run("hazards", folder / "case.toml", "protamine")
    assert result.exit_code == 0 and "STOP: protamine never" in result.output
    found = json.loads(run("hazards", folder / "case.toml", "--json").stdout)["hazards"]
    last = found[-1]
    assert last["step"] == "contrast"
    assert [row["id"] for row in last["shown"]] == ["injection_through_deep_extension", "air_after_exchange"]
    assert [row["id"] for row in last["kept_back"]] == ["contrast_near_ceiling"]
    assert last["shown"][0]["because"]["extension_depth_mm"] == "32"


def test_an_event_logged_says_at_once_what_it_makes_dangerous(folder: Path, tmp_path: Path) -> None:
    store = f"sqlite:///{tmp_path / 'records.sqlite'}"
    assert (
        "\n    ! STOP: no heparin"
        in run("log", folder / "case.toml", "stent 2.75x33 crossed", "--store", store).output
    )
    assert "!" not in run("log", folder / "case.toml", "heparin 5000", "--store", store).output


def test_the_plans_three_answers_name_the_hazards(folder: Path) -> None:
    case = (folder / "case.toml").read_text()
    (folder / "case.toml").write_text(
        case.replace('ready = ["covered_stent", "pericardiocentesis_set"]', "ready = []")
    )
    plan = plan_case(load_case(folder / "case.toml"), draws=64, only_in_place=True)
    assert plan.limits is not None
    said = not_to_do(plan, next_step(plan)).now
    assert said[0].startswith("PAUSE: severe calcium or an occlusion is planned")
    assert len([text for text in said if text.startswith(("STOP", "PAUSE", "mind"))]) == 2
    console = Console(file=io.StringIO(), width=120, color_system=None)
    render(plan, console)
    shown = " ".join(console.file.getvalue().split())  # type: ignore[attr-defined]
    assert [shown.count(row.text) for row in plan.limits.hazards] == [1, 1]


def rung(mark: str, change: str, *, when: str = "not_landed", after: str = "", **changes: Any) -> LadderRung:
    known = {
        "mark": mark,
        "after": after,
        "id": change,
        "change": change,
        "moves": ["as_it_is"],
        "when": when,
        "rig": "r",
        "device": "d",
        "reached": 1.0,
        "chance": 0.6,
        "opens": None,
        "chance_so_far": 0.6,
        "draws": 400.0,
        "minutes": 3.0,
        "contrast_mL": 4.0,
        "air_kerma_mGy": 20.0,
        "cost": 4.0,
        "expected_cost": 9.0,
        "give_up_min": 12.0,
        "give_up": "",
        "harm": [],
        "cautions": [],
        "check_first": [],
        "runner_up": None,
    }
    return LadderRung.model_construct(**{**known, **changes})


def test_the_time_out_sheet_has_the_plans_ladder_and_not_its_list_of_rigs(folder: Path) -> None:
    plan = plan_case(load_case(folder / "case.toml"), draws=64, only_in_place=True)
    empty = {"opens": 0.88, "chance": None, "give_up_min": None}
    ladder = {
        "rungs": [rung("1", "prepare again", when="first", **empty), rung("2", "push as it is", after="1")],
        "not_opened": [rung("A1", "burr", when="not_opened", after="1", opens=0.9)],
        "gate": "",
        "chance": 0.9,
        "expected_cost": 20.0,
        "stopping": 120.0,
        "ends": "stop: every further move is expected to cost more than stopping",
        "runner_up": None,
        "changed_by": [],
        "blocked": [],
        "unranked": [],
        "weights": {},
        "depth": 3,
        "draw_count": 400,
        "solves": 4,
        "settled": True,
        "notes": [],
    }
    with_ladder = plan.model_copy(update={"ladder": LadderPart.model_construct(**ladder)})
    sheet = time_out(case_safety(load_case(folder / "case.toml")), with_ladder)
    assert sheet.ladder == [
        "1 prepare again: opens about 9 in 10",
        "2 push as it is: lands about 6 in 10, leave it after 12 min",
        "A1 (where 1 does not open the lesion) burr: opens about 9 in 10, lands about 6 in 10, leave it after 12 min",
    ]
    assert sheet.ladder_note == ladder["ends"]
    without = time_out(case_safety(load_case(folder / "case.toml")), plan)
    assert (without.ladder, without.ladder_note) == ([], "the plan has no ladder")
