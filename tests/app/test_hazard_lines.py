"""Hazards of lines as one types them: what is written down late, and what an end leaves behind."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from backstay.app.loading import load_case
from backstay.app.safety import case_safety
from backstay.app.safety.limits import limits_of
from backstay.cli import app


def limits(folder: Path) -> str:
    return " ".join(CliRunner().invoke(app, ["limits", str(folder / "case.toml")]).output.split())


def test_the_clock_runs_on_while_nobody_writes_and_stops_at_the_end(folder: Path) -> None:
    lines = ("70 min ago heparin 6000", "65 min ago act 320 sheath", "65 min ago guide 6 standard right")
    said(folder, *lines, "64 min ago wire in workhorse")
    held = "nc 2.5x12 10 atm at 48 prep"
    said(folder, f"9 min ago {held}")
    assert "65 min old" in limits(folder) and "OVERDUE" in limits(folder)
    assert "70 of 90 min" in limits(folder)
    asked = CliRunner().invoke(app, ["hazards", str(folder / "case.toml"), held]).output
    assert "flow has been blocked" in asked and "is 65 min old" in asked
    said(folder, "3 min ago end")
    assert "62 min old" in limits(folder) and "67 of 90 min" in limits(folder)


BEGUN = ("heparin 6000", "guide 6 standard right", "wire in workhorse", "act 320 sheath")


def said(folder: Path, *lines: str) -> list[str]:
    """Log lines; returns what each was answered."""
    store = f"sqlite:///{folder / 'records.sqlite'}"
    case = str(folder / "case.toml")
    return [
        " ".join(CliRunner().invoke(app, ["log", case, line, "--store", store]).output.split())
        for line in lines
    ]


@pytest.mark.parametrize(
    ("late", "words"),
    [
        ("1 min ago dose 5200 mgy", "PAUSE: air kerma 5200 mGy"),
        ("1 min ago heparin 3000", "PAUSE: heparin again"),
        ("1 min ago perforation at 50", "STOP: perforation"),
        ("fix contrast 200", "past the ceiling"),
    ],
)
def test_a_line_that_is_written_late_has_its_own_hazards(folder: Path, late: str, words: str) -> None:
    answers = said(folder, "5 min ago heparin 6000", "4 min ago guide 6 standard right", "contrast 60", late)
    assert words in answers[-1] and words not in answers[-2]


def test_what_a_late_line_brings_to_the_steps_after_it_is_said(folder: Path) -> None:
    """Heparin was given after the leak that is written down only now; and contrast takes a later injection past its ceiling."""
    begun = ("9 min ago heparin 6000", "8 min ago act 320")
    assert (
        "no more heparin" in said(folder, *begun, "2 min ago heparin 1500", "4 min ago perforation at 50")[-1]
    )
    (folder / "case.events.jsonl").unlink()
    (folder / "records.sqlite").unlink()
    assert "past the ceiling" in said(folder, *begun, "2 min ago contrast 60", "4 min ago contrast 70")[-1]


def test_what_an_end_leaves_behind_stands_until_it_is_out_or_over(folder: Path) -> None:
    def stops() -> str:
        found = limits_of(case_safety(load_case(folder / "case.toml")))
        return " ".join(row.text for row in (*found.hazards, *found.hazards_waiting) if row.level == "block")

    said(folder, *BEGUN, "perforation at 50", "contrast 5")
    assert "still inside" not in stops() and "not over" not in stops()
    said(folder, "end counted", "contrast 5")
    assert "still inside: 6 Fr standard right guide, Workhorse wire" in stops()
    assert "by the record not over: perforation" in stops()
    said(folder, "wire out", "guide out on purpose", "perforation sealed", "note all is out")
    assert stops() == ""


def test_a_burr_that_nobody_named_is_counted_and_taken_out_in_the_same_words(folder: Path) -> None:
    answers = said(folder, *BEGUN, "atherectomy 34-62", "end counted", "burr out", "end counted")
    assert "burr" in answers[-3].partition("still inside:")[2]
    assert "burr" not in answers[-1].partition("still inside:")[2]


def test_a_pressure_in_numbers_is_echoed_and_a_low_one_is_spoken_of(folder: Path) -> None:
    answers = said(folder, *BEGUN, "pressure 110", "pressure 60 damped")
    assert answers[-2].endswith("Pressure, systolic 110 mmHg")
    assert "Pressure damped, systolic 60 mmHg" in answers[-1] and "PAUSE: systolic 60 mmHg" in answers[-1]


def test_two_wires_of_one_name_are_told_apart_by_what_they_are_for(folder: Path) -> None:
    two = (*BEGUN, "buddy workhorse")
    answers = said(
        folder, *two, "buddy tip small branch", "tip main vessel", "nc 2.5x12 10 atm 20 s at 48 prep"
    )
    assert "a second wire's tip was last seen small branch" in answers[-1]
    asked = said(folder, "wire out")[0]
    assert "the rail" in asked and "the buddy" in asked
    assert "Workhorse wire (buddy) out" in said(folder, "wire out buddy")[0]
    assert "a second wire's tip" not in said(folder, "nc 2.5x12 11 atm 20 s at 48 prep")[0]


def test_what_no_shelf_has_is_echoed_once(folder: Path) -> None:
    assert said(folder, *BEGUN, "wire out", "snare in")[-1].endswith("Snare in")


def test_an_anchor_in_a_branch_is_held_against_that_branch(folder: Path) -> None:
    answer = said(folder, *BEGUN, "sc 2.5x15 anchor 6 atm first right ventricular branch at 20")[-1]
    assert "STOP: 2.50 mm anchor" in answer
