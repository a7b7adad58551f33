"""The room's display at its fullest: every text as long as it may be, every tile with something to say. All invented."""

from __future__ import annotations

import runpy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from backstay.adapters.ladder_file import Harm, LadderPart, LadderRung
from backstay.adapters.limits_file import HazardRow, InsideRow
from backstay.adapters.plan_file import PlanDocument
from backstay.app.room import Clotting, RoomDocument, Seen, Spent
from backstay.identifiers import BodyItem, BudgetState, MoveId

TESTS = Path(__file__).parent
AT = datetime(2025, 1, 1, 12, 0, tzinfo=UTC)
WORDS = "the guide's tip and the extension's edge stand where a stent of this case begins and "


def long_text(letters: int) -> str:
    """Return words of this length."""
    text = (WORDS * (letters // len(WORDS) + 1))[:letters].rstrip()
    return text + "s" * (letters - len(text))


def thing(name: str, item: BodyItem, where: str = "", **changes: Any) -> InsideRow:
    fields = {"stays": item is BodyItem.STENT, "presumed_out": False, "unplanned": False, **changes}
    return InsideRow(device=name, name=name, item=item, where=where, minutes=10.0, **fields)


THINGS = (
    thing("6 Fr standard right guide", BodyItem.GUIDE),
    thing("Workhorse wire", BodyItem.WIRE, "main vessel"),
    thing("Extra-support wire", BodyItem.TRAPPED_WIRE, "32 to 64 mm", unplanned=True),
    thing("Floppy polymer-jacketed wire", BodyItem.WIRE, "first right ventricular branch"),
    thing("Workhorse wire", BodyItem.WIRE, "second right ventricular branch"),
    thing("Workhorse wire", BodyItem.WIRE, "second right ventricular branch"),
    thing("6 Fr guide extension", BodyItem.EXTENSION, "tip at 30 mm"),
    thing("Semi-compliant balloon 2.0 x 15 mm", BodyItem.BALLOON, "40 to 55 mm"),
    thing("Non-compliant balloon 2.5 x 12 mm", BodyItem.ANCHOR_BALLOON, "first right ventricular branch"),
    thing("Low-profile microcatheter", BodyItem.MICROCATHETER),
    thing("Stent 2.75 x 33 mm", BodyItem.STENT, "32 to 64 mm"),
    thing("Stent 3.0 x 12 mm", BodyItem.STENT, "66 to 78 mm"),
    thing("Stent 2.5 x 16 mm", BodyItem.STENT, "80 to 96 mm"),
    thing("Semi-compliant balloon 1.5 x 12 mm", BodyItem.BALLOON, presumed_out=True),
)


def hazard(name: str, letters: int, level: str = "block") -> HazardRow:
    fields = {"id": name, "level": level, "text": long_text(letters), "source": "common practice"}
    return HazardRow.model_validate({**fields, "confirmed": True, "because": {}})


def full_room(**changes: Any) -> RoomDocument:
    """Return a room in which everything is the case at once."""
    fields: dict[str, Any] = {
        "schema": 1,
        "title": "Invented case: " + long_text(60),
        "vessel": "right coronary artery",
        "invented": True,
        "begun": True,
        "ended": False,
        "at": AT,
        "minutes": 174.0,
        "minutes_limit": 90.0,
        "blocks": [hazard("one", 150), hazard("two", 150)],
        "waiting": 12,
        "inside": list(THINGS),
        "agent": "heparin",
        "act": Clotting(act_s=231.0, age_min=121.0, verdict="below", overdue=True, before_heparin=True),
        "contrast": Spent(used=383.0, limit=180.0, unit="mL", state=BudgetState.PAST),
        "kerma": Spent(used=4940.0, limit=3000.0, unit="mGy", state=BudgetState.PAST),
        "blocked_s": 1271.0,
        "flow": Seen(what="TIMI 1", age_min=120.0, state="past"),
        "wire_tip": Seen(what="small branch", age_min=110.0, state="past"),
        "last": "last",
    }
    return RoomDocument.model_validate({**fields, **changes})


def empty_room() -> RoomDocument:
    """Return a room before the first line of a record."""
    unlogged = {"act": None, "blocked_s": None, "flow": None, "wire_tip": None, "last": ""}
    return full_room(
        begun=False,
        minutes=None,
        blocks=[],
        waiting=0,
        inside=[],
        contrast=Spent(used=None, limit=180.0, unit="mL", state=BudgetState.WITHIN),
        kerma=Spent(used=None, limit=3000.0, unit="mGy", state=BudgetState.NO_LIMIT),
        **unlogged,
    )


def rung(**changes: Any) -> LadderRung:
    """Return a rung; its texts are as long as the display lets them be."""
    fields: dict[str, Any] = {
        "mark": "1",
        "id": "extension",
        "change": long_text(100),
        "moves": [MoveId.EXTENSION],
        "when": "first",
        "after": "",
        "rig": "guide, wire",
        "device": "stent",
        "reached": 1.0,
        "chance": 0.67,
        "arrives": 0.81,
        "opens": None,
        "chance_so_far": 0.67,
        "draws": 300.0,
        "minutes": 7.0,
        "contrast_mL": 10.0,
        "air_kerma_mGy": 65.0,
        "cost": 9.0,
        "expected_cost": 20.0,
        "give_up_min": 11.0,
        "give_up": long_text(125),
        "harm": [Harm(per_1000=33.1, what="dissection", source="waterbury2016")],
        "cautions": [],
        "check_first": [long_text(90), "pressure at the tip is not damped", "the tip is seen"],
        "runner_up": None,
    }
    return LadderRung.model_validate({**fields, **changes})


def plan_with(*rungs: LadderRung) -> PlanDocument:
    """Return an invented plan with these rungs."""
    sample = runpy.run_path(str(TESTS / "app" / "plan_sample.py"))["sample_plan"]()
    ladder = LadderPart(
        rungs=list(rungs),
        not_opened=[],
        gate="",
        chance=0.9,
        expected_cost=20.0,
        stopping=120.0,
        ends="stop",
        runner_up=None,
        changed_by=[],
        blocked=[],
        unranked=[],
        weights={"per_minute": 1.0},
        depth=4,
        draw_count=4096,
        solves=3,
        settled=True,
        notes=[],
    )
    plan = sample.model_copy(update={"ladder": ladder})
    assert isinstance(plan, PlanDocument)
    return plan
