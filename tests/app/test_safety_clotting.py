"""Heparin and what stands beside it in a whole case: what is offered, what is not, and on which value it rests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from backstay.app.loading import load_case
from backstay.app.safety import case_safety, limits_of
from backstay.cli import app

T0 = "2031-04-05T09:{:02d}:00+00:00"
BEGUN = (
    {"kind": "heparin", "dose_U": 5000.0},
    {"kind": "guide_in", "device": "guide-6-sr"},
    {"kind": "wire_in", "device": "wire-workhorse", "role": "rail"},
    {"kind": "act", "act_s": 262.0, "sampled_from": "guide"},
)


def suggestions(folder: Path, *events: dict[str, Any]) -> str:
    lines = [
        json.dumps({"schema": 1, "id": f"e{k}", "at": T0.format(2 * k), "author_role": "recorder", **event})
        for k, event in enumerate(events)
    ]
    (folder / "case.events.jsonl").write_text("\n".join(lines) + "\n")
    return " | ".join(limits_of(case_safety(load_case(folder / "case.toml"))).anticoagulation.suggestions)


def said(folder: Path) -> str:
    found = CliRunner().invoke(
        app, ["limits", str(folder / "case.toml")], env={"COLUMNS": "120", "NO_COLOR": "1"}
    )
    return " ".join(found.output.split())


def test_what_other_agents_ask_for_is_offered_by_weight(folder: Path) -> None:
    """The demo's patient weighs 64 kg: 0.3 mg/kg, 85 and 60 U/kg."""
    found = suggestions(folder, {"kind": "drug", "drug": "enoxaparin"}, BEGUN[1])
    assert "19 mg, 0.3 mg/kg" in found and "no heparin is recorded" not in found
    found = suggestions(folder, {"kind": "drug", "drug": "fondaparinux"}, BEGUN[1])
    assert "heparin 5440 U, 85 U/kg" in found
    inhibitor = {"kind": "drug", "drug": "glycoprotein_inhibitor"}
    found = suggestions(folder, {"kind": "drug", "drug": "fondaparinux"}, inhibitor, BEGUN[1])
    assert "heparin 3840 U, 60 U/kg" in found
    assert "fondaparinux" not in suggestions(folder, {"kind": "drug", "drug": "fondaparinux"}, *BEGUN)


def test_a_clotting_time_from_before_the_last_heparin_is_said_to_be(folder: Path) -> None:
    more = {"kind": "heparin", "dose_U": 2000.0}
    assert "the instrument decides" in suggestions(folder, *BEGUN)
    found = suggestions(folder, *BEGUN, more)
    assert "from before the last heparin" in found and "more heparin" not in found
    assert "BEFORE THE LAST HEPARIN" in said(folder)
    assert "before the last heparin" not in suggestions(folder, *BEGUN, more, {"kind": "act", "act_s": 310.0})


def test_while_blood_leaks_out_no_heparin_is_suggested(folder: Path) -> None:
    leak = {"kind": "complication", "what": "perforation", "code": "perforation"}
    found = suggestions(folder, *BEGUN, {"kind": "act", "act_s": 200.0}, leak)
    assert "no more heparin" in found and "below target" not in found
    over = {**leak, "settled": True}
    assert "below target" in suggestions(folder, *BEGUN, {"kind": "act", "act_s": 200.0}, leak, over)


def test_where_a_branch_wire_and_its_tip_lie_is_said(folder: Path) -> None:
    wire = {"kind": "wire_in", "device": "wire-jacketed", "role": "branch"}
    suggestions(folder, *BEGUN, wire, {"kind": "wire_seen", "device": "wire-jacketed", "tip": "looped"})
    inside = limits_of(case_safety(load_case(folder / "case.toml"))).inside
    assert [row.where for row in inside if row.device == "wire-jacketed"] == ["a branch; tip looped"]
