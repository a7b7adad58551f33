"""The room's display in words: one chance for the next move, dangers by name, and nothing left out without a count."""

from __future__ import annotations

import re
import runpy
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from backstay.app.loading import load_case
from backstay.app.room import Seen, room_of
from backstay.app.safety import case_safety, limits_of
from backstay.core.record.entries import Entry
from backstay.core.rigging import move_facts
from backstay.core.rigging.move_facts import MoveFacts
from backstay.core.safety.hazards import HAZARDS
from backstay.identifiers import BodyItem, EventKind, MoveId
from backstay.report.room import (
    INSIDE_LETTERS,
    INSIDE_LINES,
    MOST_IN_HAZARD,
    MOST_IN_LEAVE,
    REST,
    room_html,
)

ROOT = Path(__file__).resolve().parents[2]
ROOMS = runpy.run_path(str(ROOT / "tests" / "rooms.py"))
full_room, rung, plan_with, thing = (ROOMS[name] for name in ("full_room", "rung", "plan_with", "thing"))


def tile(html: str, name: str) -> str:
    """Return one tile's markup by its heading."""
    found = re.search(rf"<section[^>]*><h2>{name}.*?</section>", html)
    assert found is not None, name
    return found.group(0)


# The next move


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "About 7 in 10 that it lands, scale unvalidated"),
        ({"opens": 0.7, "chance": 0.31}, "About 3 in 10 that it lands, scale unvalidated"),
        ({"chance": None, "opens": 0.44}, "About 4 in 10 that it opens the lesion, scale unvalidated"),
        ({"chance": None}, "About 8 in 10 that it gets to its place, scale unvalidated"),
        ({"chance": 0.02}, "Fewer than 1 in 20 that it lands, scale unvalidated"),
    ],
)
def test_the_next_move_has_one_chance_beside_the_one_now(changes: dict[str, Any], words: str) -> None:
    plan = plan_with(rung(**changes))
    said = tile(room_html(full_room(), plan), "Next move")
    assert words in said
    here = f"Now, with what is in place: {plan.in_place.chance.words} that it lands, scale unvalidated."
    assert here in said
    assert len(re.findall(r"in (?:10|20)\b", said)) == 2


def test_a_move_without_a_figure_shows_none() -> None:
    said = tile(room_html(full_room(), plan_with(rung(chance=None, arrives=None))), "Next move")
    assert len(re.findall(r"in (?:10|20)\b", said)) == 1 and "Leave it" in said


def test_what_else_is_to_be_checked_first_is_counted() -> None:
    said = tile(room_html(full_room(), plan_with(rung())), "Next move")
    assert "Check first (1 of 3): " in said
    one = tile(room_html(full_room(), plan_with(rung(check_first=["the tip is seen"]))), "Next move")
    assert "Check first: the tip is seen" in one


def test_advice_older_than_an_attempt_is_marked_old_and_has_no_numbers() -> None:
    plan = plan_with(rung(change="a buddy wire", give_up="it takes the same way again"))
    fresh = tile(room_html(full_room(), plan), "Next move")
    assert "Being weighed anew" not in fresh and '<p class="value">A buddy wire</p>' in fresh
    assert room_html(full_room(), plan) == room_html(full_room(), plan, weighing=False)
    said = tile(room_html(full_room(), plan, weighing=True), "Next move")
    assert '<p class="value">Being weighed anew</p>' in said and "near" in said.split(">")[0]
    assert "<b>OLD ADVICE, before it:</b> <span>A buddy wire</span>" in said
    assert "in 10" not in said and "same way again" not in said
    assert "Stop trying it" in said


def test_weighing_anew_without_earlier_advice_shows_none() -> None:
    said = tile(room_html(full_room(), None, weighing=True), "Next move")
    assert "Being weighed anew" in said and "OLD ADVICE" not in said
    assert "Being worked out" in tile(room_html(full_room(), None), "Next move")
    none = tile(room_html(full_room(), plan_with(), weighing=True), "Next move")
    assert "<span>Stop</span>" in none


# Flow and the wire's tip


@pytest.mark.parametrize(
    ("what", "state", "word"),
    [
        ("TIMI 0", "past", "NO FLOW SEEN"),
        ("TIMI 1", "past", "ALMOST NO FLOW"),
        ("TIMI 2", "near", "SLOW FLOW"),
    ],
)
def test_a_low_flow_grade_is_a_danger_in_words(what: str, state: str, word: str) -> None:
    said = tile(room_html(full_room(flow=Seen(what=what, age_min=3.0, state=state)), None), "Flow")
    assert f'class="tile {state}"' in said and f'<p class="value">{word}</p>' in said
    assert f"{what}, 3 min ago" in said


@pytest.mark.parametrize(
    ("what", "word"),
    [("out of view", "TIP NOT SEEN"), ("small branch", "SMALL BRANCH"), ("looped", "TIP LOOPED")],
)
def test_a_wire_tip_at_risk_is_a_danger_in_words(what: str, word: str) -> None:
    said = tile(room_html(full_room(wire_tip=Seen(what=what, age_min=0.0, state="past")), None), "Wire tip")
    assert 'class="tile past"' in said and f'<p class="value">{word}</p>' in said
    assert '<p class="note">just now</p>' in said if what == "small branch" else f"{what}, just now" in said


def test_good_flow_and_a_tip_in_its_place_carry_no_mark() -> None:
    room = full_room(flow=Seen(what="TIMI 3", age_min=3.0), wire_tip=Seen(what="main vessel", age_min=3.0))
    html = room_html(room, None)
    for name, what in (("Flow", "TIMI 3"), ("Wire tip", "main vessel")):
        assert f'class="tile"><h2>{name}</h2><p class="value">{what}</p>' in tile(html, name)


def entries(*said: tuple[EventKind, dict[str, Any]]) -> list[Entry]:
    return [
        Entry(f"e{k}", kind, 60.0 * k, "recorder", values=values) for k, (kind, values) in enumerate(said)
    ]


GUIDE = (EventKind.GUIDE_IN, {"device": "guide-6-sr"})
RAIL = (EventKind.WIRE_IN, {"device": "wire-workhorse", "role": "rail"})
BUDDY = (EventKind.WIRE_IN, {"device": "wire-support", "role": "buddy"})


def seen_after(demo_dir: Path, *said: tuple[EventKind, dict[str, Any]]) -> Any:
    return room_of(load_case(demo_dir / "case.toml"), entries(GUIDE, *said), at=ROOMS["AT"])


@pytest.mark.parametrize(("grade", "state"), [(0, "past"), (1, "past"), (2, "near"), (3, "")])
def test_a_flow_grade_s_state(demo_dir: Path, grade: int, state: str) -> None:
    flow = seen_after(demo_dir, RAIL, (EventKind.RESULT, {"timi_flow": grade})).flow
    assert (flow.what, flow.state) == (f"TIMI {grade}", state)


@pytest.mark.parametrize(
    ("tip", "state"),
    [
        ("out_of_view", "past"),
        ("small_branch", "past"),
        ("looped", "past"),
        ("large_branch", ""),
        ("main_vessel", ""),
    ],
)
def test_a_wire_tip_s_state(demo_dir: Path, tip: str, state: str) -> None:
    seen = (EventKind.WIRE_SEEN, {"device": "wire-workhorse", "tip": tip})
    shown = seen_after(demo_dir, RAIL, seen).wire_tip
    assert (shown.what, shown.state) == (tip.replace("_", " "), state)


def test_another_wire_in_view_does_not_clear_the_rail_s_tip(demo_dir: Path) -> None:
    lost = (EventKind.WIRE_SEEN, {"device": "wire-workhorse", "tip": "out_of_view"})
    other = (EventKind.WIRE_SEEN, {"device": "wire-support", "tip": "main_vessel"})
    room = seen_after(demo_dir, RAIL, BUDDY, lost, other)
    assert room.wire_tip.what == "out of view"
    lost_at_s, now_s = 180.0, ROOMS["AT"].timestamp()
    assert room.wire_tip.age_min == pytest.approx((now_s - lost_at_s) / 60.0)


def test_the_tip_of_a_wire_that_is_out_is_not_shown(demo_dir: Path) -> None:
    lost = (EventKind.WIRE_SEEN, {"device": "wire-workhorse", "tip": "out_of_view"})
    out = (EventKind.WIRE_OUT, {"device": "wire-workhorse"})
    assert seen_after(demo_dir, RAIL, lost, out).wire_tip is None


# Times and counts


def at_second(demo_dir: Path, second: float, *said: tuple[EventKind, dict[str, Any]]) -> Any:
    moment = datetime.fromtimestamp(second, UTC)
    return room_of(load_case(demo_dir / "case.toml"), entries(GUIDE, *said), at=moment)


def test_how_long_a_balloon_blocks_and_how_old_a_flow_grade_is(demo_dir: Path) -> None:
    place = {"device": "bal-nc-250-12", "from_mm": 42.0, "to_mm": 54.0, "pressure_atm": 12.0}
    flow = (EventKind.RESULT, {"timi_flow": 3})  # in the second minute
    inflation = (EventKind.INFLATION, {**place, "purpose": "preparation"})  # in the third
    room = at_second(demo_dir, 180.0 + 75.0, RAIL, flow, inflation)
    assert room.blocked_s == 75.0
    assert "1:15" in tile(room_html(room, None), "Ischaemia")
    assert room.flow.age_min == pytest.approx((255.0 - 120.0) / 60.0)
    assert "2 min ago" in tile(room_html(room, None), "Flow")


def test_the_time_used_stands_beside_the_time_agreed(demo_dir: Path) -> None:
    room = at_second(demo_dir, 10 * 60.0, RAIL)
    agreed = load_case(demo_dir / "case.toml").limits.minutes
    assert agreed is not None and room.minutes_limit == agreed == 90.0
    assert "Case running, 10 of 90 min." in room_html(room, None)


def test_every_hazard_that_is_not_shown_is_counted(demo_dir: Path) -> None:
    said = (
        RAIL,
        (EventKind.RESULT, {"timi_flow": 0}),
        (EventKind.WIRE_SEEN, {"device": "wire-workhorse", "tip": "out_of_view"}),
        (EventKind.COMPLICATION, {"code": "perforation", "what": "perforation"}),
        (EventKind.COMPLICATION, {"code": "tamponade", "what": "tamponade"}),
        (EventKind.DOSE, {"air_kerma_mGy": 6000.0}),
        (EventKind.CONTRAST, {"volume_mL": 400.0}),
    )
    room = at_second(demo_dir, 60.0 * len(said), *said)
    case = load_case(demo_dir / "case.toml")
    limits = limits_of(case_safety(case, entries(GUIDE, *said)), options=())
    known = {row.text for row in [*limits.hazards, *limits.hazards_waiting]}
    assert len(room.blocks) == 2 and {row.text for row in room.blocks} <= known
    assert room.waiting == len(limits.hazards) + len(limits.hazards_waiting) - 2 >= 1
    assert f"{room.waiting} more in the control room" in room_html(room, None)


# In the body


def lines_of(html: str, which: str = "few") -> list[str]:
    """Return the list's lines as the room sees them, or all of them, as they stand beside the recorder."""
    lists = dict(re.findall(r'<ul(?: class="(\w+)")?>(.*?)</ul>', tile(html, "In the body")))
    return [
        re.sub("<[^>]+>", "", one) for one in re.findall("<li>(.*?)</li>", lists.get(which, lists.get("")))
    ]


def test_nothing_in_the_body_is_left_out_without_a_count() -> None:
    html = room_html(full_room(), None)
    for which in ("few", "every"):
        counted = 0
        for line in lines_of(html, which):
            times, more = re.search(r"×(\d+)$", line), re.match(r"and (\d+) more", line)
            counted += int(times.group(1)) if times else int(more.group(1)) if more else 1
        assert counted == sum(not one.presumed_out for one in ROOMS["THINGS"]), which
    lines = lines_of(html)
    assert not any(" more" in line for line in lines_of(html, "every"))
    assert "more: see the control room" in lines[-1]
    assert sum(-(-len(line) // INSIDE_LETTERS) for line in lines) <= INSIDE_LINES


def test_what_must_come_out_stands_before_what_stays() -> None:
    things = [thing(f"Stent 3.0 x {k} mm", BodyItem.STENT) for k in range(8, 30)]
    things.append(thing("Workhorse wire", BodyItem.WIRE, "main vessel"))
    lines = lines_of(room_html(full_room(inside=things), None))
    assert lines[0] == "wire Workhorse"
    assert lines[-1] == f"and {len(things) - INSIDE_LINES + 1} more: see the control room's list"


def test_where_a_thing_lies_gives_way_before_the_thing() -> None:
    things = [thing("Stent 3.0 x 12 mm", BodyItem.STENT, f"{k} to {k + 12} mm") for k in range(0, 132, 12)]
    few = room_html(full_room(inside=things[:10]), None)
    assert "<h2>In the body</h2>" in few and len(lines_of(few)) == 10
    many = room_html(full_room(inside=things), None)
    assert '<span class="few"> (where: control room)</span>' in many
    assert lines_of(many) == ["stent 3.0 x 12 mm ×11"]
    assert len(lines_of(many, "every")) == 11 and "120 to 132 mm" in many


def test_like_things_stand_together_and_a_kind_is_said_once() -> None:
    things = [
        thing("Workhorse wire", BodyItem.WIRE),
        thing("Workhorse wire", BodyItem.WIRE),
        thing("6 Fr guide extension", BodyItem.EXTENSION, "tip at 30 mm"),
        thing("5-in-6 guide extension, 35 cm tube", BodyItem.EXTENSION),
        thing("Semi-compliant balloon 2.0 x 15 mm", BodyItem.BALLOON),
        thing("Microcatheter", BodyItem.MICROCATHETER),
        thing("Stent 3.0 x 12 mm", BodyItem.STENT_BALLOON),
        thing("Extra-support wire", BodyItem.TRAPPED_WIRE, "32 to 64 mm", unplanned=True),
    ]
    assert lines_of(room_html(full_room(inside=things), None)) == [
        "wire Workhorse ×2",
        "guide extension 6 Fr, tip at 30 mm",
        "guide extension 5-in-6, 35 cm tube",
        "balloon Semi-compliant 2.0 x 15 mm",
        "microcatheter ",
        "stent balloon Stent 3.0 x 12 mm",
        "trapped wire Extra-support, 32 to 64 mm, UNPLANNED",
    ]


def test_what_is_presumed_out_is_counted() -> None:
    assert "presumed out, not logged as out: 1" in tile(room_html(full_room(), None), "In the body")
    gone = [thing("Workhorse wire", BodyItem.WIRE, presumed_out=True)]
    said = tile(room_html(full_room(inside=gone), None), "In the body")
    assert "nothing logged" not in said and "presumed out, not logged as out: 1" in said


# Lengths


def test_a_text_too_long_says_that_it_is_cut() -> None:
    long = ROOMS["hazard"]("long", MOST_IN_HAZARD + 40)
    said = tile(room_html(full_room(blocks=[long]), None), "Not now")
    assert REST in said and long.text not in said
    cut = re.search("<span>(.*?)</span>", said)
    assert cut is not None and len(cut.group(1)) <= MOST_IN_HAZARD
    whole = ROOMS["hazard"]("whole", MOST_IN_HAZARD)
    assert REST not in tile(room_html(full_room(blocks=[whole]), None), "Not now")


def test_no_hazard_and_no_move_s_end_of_ours_is_cut() -> None:
    """A number takes up to six letters."""
    filled = [re.sub(r"\{[^}]*\}", "000000", rule.say) for rule in HAZARDS]
    assert max(map(len, filled)) <= MOST_IN_HAZARD
    facts = [one for one in vars(move_facts).values() if isinstance(one, MoveFacts)]
    assert len(facts) > 10
    assert max(len(f"Leave it after 100 min; {one.give_up}") for one in facts) <= MOST_IN_LEAVE


def test_a_push_as_it_is_is_not_the_next_move() -> None:
    first = rung(id=MoveId.AS_IT_IS.value, change="push as it is", moves=[MoveId.AS_IT_IS])
    said = tile(room_html(full_room(), plan_with(first, rung(change="a buddy wire"))), "Next move")
    assert "A buddy wire" in said and "Push as it is" not in said
