"""The ladder as people see it: what comes next is its first rung, and a page shows every way down it."""

from __future__ import annotations

import io
import runpy
from pathlib import Path

import pytest
from rich.console import Console

from backstay.adapters.ladder_file import (
    ClosedBy,
    ClosedRow,
    Harm,
    LadderPart,
    LadderRow,
    LadderRung,
    OrderFact,
    Rival,
)
from backstay.adapters.plan_file import PlanDocument
from backstay.identifiers import MoveId
from backstay.report import ladder, page, sheet
from backstay.report.answers import next_step
from backstay.report.terminal import Terminal


def rung(mark: str, id_: str, **changes: object) -> LadderRung:
    fields: dict[str, object] = {
        "mark": mark,
        "id": id_,
        "change": f"move {id_}",
        "moves": [MoveId.EXTENSION],
        "when": "not_landed",
        "after": "1",
        "rig": "guide, wire",
        "device": "stent",
        "reached": 0.4,
        "chance": 0.5,
        "arrives": 0.8,
        "opens": None,
        "chance_so_far": 0.8,
        "draws": 300.0,
        "minutes": 7.0,
        "contrast_mL": 10.0,
        "air_kerma_mGy": 65.0,
        "cost": 9.0,
        "expected_cost": 20.0,
        "give_up_min": 11.0,
        "give_up": "it does not go on",
        "harm": [Harm(per_1000=33.1, what="dissection", source="waterbury2016")],
        "cautions": ["go gently <now>"],
        "check_first": ["pressure at the tip is not damped"],
        "runner_up": Rival(change="a buddy wire", expected_cost=22.0, more=2.0, approximate=True),
    }
    return LadderRung.model_validate({**fields, **changes})


def part(*rungs: LadderRung, not_opened: list[LadderRung] | None = None) -> LadderPart:
    return LadderPart(
        rungs=list(rungs),
        not_opened=not_opened or [],
        gate="",
        chance=0.9,
        expected_cost=20.0,
        stopping=120.0,
        ends="stop: every further move is expected to cost more than stopping",
        runner_up=None,
        changed_by=[OrderFact(fact="friction: high", then="another guide", share=1.0 / 3.0)],
        blocked=[LadderRow(move=MoveId.ATHERECTOMY, words="atherectomy", why=["a dissection is known"])],
        unranked=[LadderRow(move=MoveId.LONG_SHEATH, words="long sheath", why=["no term"])],
        weights={"per_minute": 1.0},
        depth=4,
        draw_count=4096,
        solves=3,
        settled=True,
        notes=[],
    )


@pytest.fixture(scope="module")
def plan() -> PlanDocument:
    sample = runpy.run_path(str(Path(__file__).with_name("plan_sample.py")))["sample_plan"]()
    assert isinstance(sample, PlanDocument)
    return sample


def with_ladder(plan: PlanDocument, of: LadderPart) -> PlanDocument:
    return plan.model_copy(update={"ladder": of})


def test_what_comes_next_is_the_first_rung_beyond_a_push_as_it_is(plan: PlanDocument) -> None:
    other = plan.rigs[-2]
    first = rung("1", "as_it_is", when="first", after="", moves=[MoveId.AS_IT_IS])
    step = next_step(with_ladder(plan, part(first, rung("2", other.id))))
    assert step.rig == other and step.headline == f"Move {other.id}"
    assert (
        "lands 5 in 10" in step.runner_up and "a buddy wire: about 2.0 minutes' worth more" in step.runner_up
    )
    assert step.conditions == ("pressure at the tip is not damped",)
    assert next_step(plan).rig != other


def test_where_the_ladder_stops_nothing_comes_next(plan: PlanDocument) -> None:
    step = next_step(with_ladder(plan, part()))
    assert step.rig is None and step.headline.startswith("Stop: every further move")


def test_a_rung_says_what_it_takes_what_ends_it_and_what_it_may_do() -> None:
    (row,) = ladder.rung_words([rung("2", "x")])
    assert row.when == "if 1 does not land" and row.chance == "gets there 8 in 10, lands 5 in 10"
    assert row.give_up == "after 11 min; it does not go on"
    assert row.harm == "dissection 33 in 1000"
    (opens,) = ladder.rung_words([rung("A1", "y", when="not_opened", opens=0.7, chance=0.4)])
    assert opens.when == "if 1 does not open the lesion" and opens.chance == "opens 7 in 10, lands 4 in 10"


def test_the_ladder_says_its_own_error_in_one_line(plan: PlanDocument) -> None:
    with_error = part(rung("1", "a", when="first", after="")).model_copy(
        update={"quick_error": 0.03, "rare_error": 0.2}
    )
    (line,) = ladder.error_words(with_error)
    assert "within 3 in 100" in line and "further down within 20" in line
    console = Console(width=300, record=True, file=io.StringIO())
    ladder.render(Terminal(console), with_error)
    said = " ".join(console.export_text().split())
    for where in (said, page.html(with_ladder(plan, with_error)), str(ladder.sheet_parts(with_error))):
        assert "solved in full" in where
    assert ladder.error_words(part(rung("1", "a", when="first", after=""))) == []


def test_where_there_is_no_rung_page_sheet_and_terminal_say_what_closed_each(plan: PlanDocument) -> None:
    rows = [
        ClosedRow(move=MoveId.EXTENSION, words="guide extension", by=ClosedBy.LIMIT, why=["takes 7 min, 6 min are left"]),
        ClosedRow(move=MoveId.LITHOTRIPSY, words="lithotripsy", by=ClosedBy.COST, why=["opens 2 in 10"]),
    ]  # fmt: skip
    stops = part().model_copy(update={"closed": rows})
    console = Console(width=110, record=True, file=io.StringIO())
    ladder.render(Terminal(console), stops)
    titles = [title for title in (p["title"] for p in ladder.sheet_parts(stops)["pairs"])]
    printed = str(ladder.sheet_parts(stops)["pairs"])
    for said in (console.export_text(), page.html(with_ladder(plan, stops)), printed):
        assert ladder.CLOSED in said and "a limit: takes 7 min, 6 min are left" in said
        assert "costs more than stopping: opens 2 in 10" in said
    assert ladder.BLOCKED not in titles and ladder.CLOSED in titles
    assert ladder.CLOSED not in page.html(with_ladder(plan, part(rung("1", "a", when="first", after=""))))


def test_page_and_sheet_hold_every_rung_and_every_reason(plan: PlanDocument) -> None:
    full = with_ladder(plan, part(rung("1", "a", when="first", after=""), not_opened=[rung("A1", "b")]))
    said, data = page.html(full), sheet.sheet_data(full)["ladder"]
    for text in ("move a", "move b", "a dissection is known", "long sheath", "friction: high", "33 in 1000"):
        assert text in said
    assert "go gently &lt;now&gt;" in said and "<now>" not in said
    assert [row[0] for row in data["rungs"]] == ["1"] and [row[0] for row in data["not_opened"]] == ["A1"]
    assert ladder.TITLE not in page.html(plan) and sheet.sheet_data(plan)["ladder"] == {}
