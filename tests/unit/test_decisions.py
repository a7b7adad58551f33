"""Where a record shows a decision, what stood then, and which answers a question offers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.record_entries import entries_of
from backstay.app.loading import load_case
from backstay.app.moments import Course, course_of, open_then
from backstay.core.record.entries import Entry
from backstay.core.teaching.changes import changes
from backstay.core.teaching.decisions import decisions
from backstay.core.teaching.open_moves import DONE_ID, offered
from backstay.identifiers import EventKind, MoveId, Preparation


@pytest.fixture(scope="module")
def course(finished_case: Path) -> Course:
    case = load_case(finished_case)
    return course_of(case, entries_of(read_events(events_path(finished_case))))


def entry(number: int, kind: EventKind, **values: Any) -> Entry:
    return Entry(f"e{number}", kind, 60.0 * number, "recorder", values=values)


def stopped(number: int, device: str = "s") -> Entry:
    return entry(number, EventKind.ATTEMPT, device=device, outcome="stopped")


def test_a_decision_follows_each_try_that_did_not_go(course: Course) -> None:
    found = decisions(course.entries)
    kinds = [(course.entries[d.after - 1].kind, course.entries[d.tried or 0].kind) for d in found]
    assert kinds == [
        (EventKind.CONTRAST, EventKind.INFLATION),
        (EventKind.INFLATION, EventKind.ATTEMPT),
        (EventKind.ATTEMPT, EventKind.ATTEMPT),
    ]


def test_a_last_try_that_stopped_leaves_a_decision_without_an_answer() -> None:
    found = decisions([stopped(0), entry(1, EventKind.NOTE, text="t"), stopped(2)])
    assert [(d.after, d.tried) for d in found] == [(0, 0), (1, 2), (3, None)]


def test_a_stent_opened_without_an_attempt_is_a_try_that_went() -> None:
    stent = entry(3, EventKind.STENT, device="s", from_mm=1.0, to_mm=2.0, pressure_atm=12.0)
    assert [d.tried for d in decisions([stopped(0), stent])] == [0, 1]
    reached = entry(2, EventKind.ATTEMPT, device="s", outcome="reached")
    assert [d.tried for d in decisions([stopped(0), reached, stent])] == [0, 1]
    assert decisions([entry(0, EventKind.CONTRAST, volume_mL=5.0)]) == ()


def test_what_stood_is_taken_from_the_record(course: Course) -> None:
    at_first_push = next(
        k
        for k, e in enumerate(course.entries)
        if e.kind is EventKind.ATTEMPT and e.text("outcome") == "stopped"
    )
    setup = course.setup(at_first_push)
    assert setup.rig.guide.id == "guide-6-sr" and setup.rig.extension is None
    assert setup.lesions[0].prepared == (
        Preparation.SEMI_COMPLIANT,
        Preparation.NON_COMPLIANT,
        Preparation.LITHOTRIPSY,
        Preparation.NON_COMPLIANT,
    )
    later = course.setup(len(course.entries) - 1)
    assert later.rig.extension is not None and later.rig.extension_depth_mm == 30.0
    assert setup.left_out == later.left_out == ()


def test_the_change_is_put_into_words(course: Course) -> None:
    before, after = course.setup(10), course.setup(13)
    device = course.case.device
    kinds, words = changes(before, device, after, device)
    assert (kinds, words) == ((MoveId.EXTENSION,), "6 Fr guide extension to 30 mm")
    assert changes(after, device, before, device)[1] == "the extension out"
    assert changes(before, device, before, device) == ((MoveId.AS_IT_IS,), "push it as things stand")


def test_a_question_offers_one_of_each_kind_with_what_was_done_in_its_place(course: Course) -> None:
    options = open_then(course.case, course.setup(10), course.case.device)
    extension = next(one for one in options if one.moves == (MoveId.EXTENSION,))
    shown = offered(options, extension)
    assert shown[0] is options[0]
    assert len({one.moves for one in shown}) == len(shown) <= 8
    assert [one.moves for one in shown if one.id == DONE_ID] == [(MoveId.EXTENSION,)]
    again = offered(options, options[0])
    assert again[0].id == DONE_ID and len(again) == 7
    assert DONE_ID not in {one.id for one in offered(options, None)}
    assert len(offered(options, extension, most=1)) == 3


def test_a_device_that_is_not_on_the_shelf_is_named(course: Course) -> None:
    lost = Entry(
        "x",
        EventKind.EXTENSION,
        course.entries[-1].at_s,
        "recorder",
        values={"device": "gone", "depth_mm": 9.0},
    )
    longer = Course(course.case, (*course.entries, lost), course.start)
    setup = longer.setup(len(longer.entries))
    assert setup.left_out == ("gone (not on the shelf)",) and setup.rig.extension is None
