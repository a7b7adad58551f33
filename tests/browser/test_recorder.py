"""The recorder's page in a browser: two pages live, cut off and back, unclear lines settled, the last taken back."""

from __future__ import annotations

import json
import re
import runpy
import shutil
import time
import urllib.request
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, Route, expect

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
opened = WORKBENCHES["opened"]
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
MOST_CONNECTIONS = 6
"""To one server at a time, by any of today's browsers (common practice, no source)."""


def write(page: Page, text: str) -> None:
    page.locator(".typed").fill(text)
    page.keyboard.press("Enter")


def notes(page: Page) -> list[str]:
    """Return the notes of the timeline, the first first."""
    texts = page.locator(".timeline li.note span:nth-child(2)").all_inner_texts()
    return [text.strip().split(": ", 1)[1] for text in reversed(texts)]


def test_two_pages_and_the_room_follow_each_other(context: BrowserContext, server: Any, case: str) -> None:
    one = opened(context, server, f"/case/{case}/procedure")
    two = opened(context, server, f"/case/{case}/procedure")
    room = opened(context, server, f"/case/{case}/room")
    one.locator(".typed").fill("contrast 40")
    one.keyboard.press("Enter")
    expect(two.locator(".timeline li.contrast")).to_have_count(1)
    expect(room.locator("main")).to_contain_text("40 / ")
    two.locator(".typed").fill("contrast 5")
    two.keyboard.press("Enter")
    expect(one.locator(".timeline li.contrast")).to_have_count(2)
    expect(room.locator("main")).to_contain_text("45 / ")
    assert room.get_by_role("button").count() == room.locator("input, select, textarea, a").count() == 0


def test_a_killed_server_loses_no_line_and_writes_none_twice(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    room = opened(context, server, f"/case/{case}/room")
    for k in range(5):
        write(page, f"note before {k}")
    server.kill()
    for k in range(5):
        write(page, f"note while away {k}")
    expect(page.locator(".link")).to_contain_text("Nothing is lost")
    expect(room.locator(".dead")).to_contain_text("NOT LIVE")
    server.start()
    expect(page.locator(".link")).to_be_hidden(timeout=60_000)
    expect(room.locator(".dead")).to_be_hidden(timeout=60_000)
    write(page, "note after")
    expect(page.locator(".timeline li.note")).to_have_count(11, timeout=60_000)
    wanted = [f"before {k}" for k in range(5)] + [f"while away {k}" for k in range(5)] + ["after"]
    assert notes(page) == wanted


def test_lines_outlive_a_closed_page(context: BrowserContext, server: Any, case: str) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    page.locator(".typed").fill("contrast 8")
    page.keyboard.press("Enter")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    context.set_offline(True)
    page.locator(".typed").fill("act 287")
    page.keyboard.press("Enter")
    expect(page.locator(".link")).to_contain_text("act 287")
    page.close()
    context.set_offline(False)
    page = opened(context, server, f"/case/{case}/procedure")
    expect(page.locator(".timeline li.act")).to_have_count(1)


def test_an_answer_that_is_lost_does_not_double_a_line(
    context: BrowserContext, server: Any, case: str
) -> None:
    """The server writes the line, and the page never hears of it: the page sends it again, by the same key."""
    page = opened(context, server, f"/case/{case}/procedure")
    lost: list[str] = []

    def lose(route: Route) -> None:
        answer = route.fetch()
        if answer.ok and len(lost) < 3:
            lost.append(route.request.post_data_json["key"])
            route.abort()
        else:
            route.fulfill(response=answer)

    page.route("**/record/lines", lose)
    for k in range(4):
        write(page, f"note {k}")
    expect(page.locator(".timeline li.note")).to_have_count(4)
    expect(page.locator(".link")).to_be_empty()
    assert len(lost) == 3 and len(set(lost)) == 1, lost
    page.reload()
    expect(page.locator(".timeline li.note")).to_have_count(4)
    assert notes(page) == ["0", "1", "2", "3"]


def test_more_pages_than_connections_leave_the_recorder_one(
    context: BrowserContext, server: Any, case: str
) -> None:
    """Pages of one browser share a stream; when the page that holds it goes, another takes it over."""
    pages = [opened(context, server, f"/case/{case}/procedure")]
    pages += [opened(context, server, f"/case/{case}/room") for _ in range(MOST_CONNECTIONS + 1)]
    last = opened(context, server, f"/case/{case}/procedure")
    write(last, "contrast 40")
    expect(last.locator(".timeline li.contrast")).to_have_count(1, timeout=10_000)
    for page in pages[1:]:
        expect(page.locator("main")).to_contain_text("40 / ", timeout=10_000)
    pages[0].close()
    write(last, "contrast 5")
    for page in pages[1:]:
        expect(page.locator("main")).to_contain_text("45 / ", timeout=10_000)


def test_a_server_that_hangs_is_seen_and_the_line_waits(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    held: list[Route] = []
    page.route("**/record/lines", lambda route: held.append(route))
    write(page, "act 287")
    expect(page.locator(".link")).to_contain_text("1 line waits. Nothing is lost", timeout=3_000)
    expect(page.locator(".link")).to_contain_text("the workbench does not answer", timeout=20_000)
    page.unroute("**/record/lines")
    expect(page.locator(".timeline li.act")).to_have_count(1)
    expect(page.locator(".link")).to_be_empty()


def test_why_the_workbench_does_not_take_a_line_is_said(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    why = {"error": "StoreError", "message": "the store is of a later version", "field": "", "value": None}
    answer = json.dumps({**why, "allowed": "", "where": ""})
    page.route(
        "**/record/lines",
        lambda route: route.fulfill(status=503, content_type="application/json", body=answer),
    )
    write(page, "act 287")
    expect(page.locator(".link")).to_contain_text("1 line waits: the store is of a later version")
    page.unroute("**/record/lines")
    expect(page.locator(".timeline li.act")).to_have_count(1)
    expect(page.locator(".link")).to_be_empty()


@pytest.mark.parametrize(("off_s", "words"), [(600, "10 min ahead of"), (-600, "10 min behind")])
def test_a_line_is_timed_by_the_workbench_and_not_by_the_browser(
    context: BrowserContext, server: Any, case: str, off_s: int, words: str
) -> None:
    page = context.new_page()
    page.add_init_script(
        f"""const Real = Date;
        globalThis.Date = class extends Real {{
          constructor(...given) {{ given.length ? super(...given) : super(Real.now() + {1000 * off_s}); }}
          static now() {{ return Real.now() + {1000 * off_s}; }}
        }};"""
    )
    page.goto(f"{server.address}/case/{case}/procedure")
    expect(page.locator(".link")).to_contain_text(f"This browser's clock is {words} the workbench's")
    sent: list[dict[str, str]] = []
    page.on(
        "request",
        lambda asked: sent.append(asked.post_data_json) if asked.url.endswith("/record/lines") else None,
    )
    write(page, "act 287")
    expect(page.locator(".timeline li.act")).to_have_count(1)
    off = datetime.fromisoformat(sent[0]["said_at"]) - datetime.now().astimezone()
    assert abs(off.total_seconds()) < 120.0


def test_an_unclear_line_is_settled_by_a_number(context: BrowserContext, server: Any, case: str) -> None:
    """It keeps its key and its time; a line that begins with a figure is a line, and not a choice."""
    page = opened(context, server, f"/case/{case}/procedure")
    sent: list[dict[str, str]] = []
    page.on(
        "request",
        lambda asked: sent.append(asked.post_data_json) if asked.url.endswith("/record/lines") else None,
    )
    write(page, "stent")
    expect(page.locator(".question")).to_have_count(1)
    at = datetime.now().astimezone() - timedelta(minutes=2)
    write(page, f"{at:%H:%M} contrast 12")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    expect(page.locator(".question")).to_contain_text("Not written yet: stent")
    page.keyboard.type("1")
    page.keyboard.press("Enter")
    expect(page.locator(".timeline li.attempt, .timeline li.stent")).to_have_count(1)
    expect(page.locator(".question")).to_have_count(0)
    assert [one["line"] for one in sent][:2] == ["stent", f"{at:%H:%M} contrast 12"]
    assert (sent[2]["key"], sent[2]["said_at"]) == (sent[0]["key"], sent[0]["said_at"])


def test_every_unclear_and_refused_line_stands_until_it_is_seen(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    context.set_offline(True)
    for line in ("stent", "gibberish one", "gibberish two", "stent"):
        write(page, line)
    expect(page.locator(".link")).to_contain_text("4 lines wait")
    context.set_offline(False)
    expect(page.locator(".question")).to_have_count(4)
    for words in ("Not written: gibberish one", "Not written: gibberish two"):
        expect(page.locator(".open")).to_contain_text(words)
    page.reload()  # they outlive the page
    expect(page.locator(".question")).to_have_count(4)
    expect(page.locator(".open")).to_contain_text("Not written: gibberish two. not understood")
    page.get_by_role("button", name="Let it be").first.click()
    expect(page.locator(".question")).to_have_count(3)
    expect(page.locator(".echo")).to_contain_text("Not written: stent")
    page.get_by_role("button", name="Seen").first.click()
    expect(page.locator(".question")).to_have_count(2)
    page.reload()
    expect(page.locator(".question")).to_have_count(2)
    expect(page.locator(".open")).not_to_contain_text("gibberish one")


def test_what_a_choice_leaves_open_is_typed(context: BrowserContext, server: Any, tmp_path: Path) -> None:
    """A pressure that nobody said does not come into the record; the line keeps its key and its time."""
    kept = (*WORKBENCHES["KEPT"], "bal-nc-250-12")
    case = WORKBENCHES["imported"](context, server, tmp_path, kept)
    page = opened(context, server, f"/case/{case}/procedure")
    sent: list[dict[str, str]] = []
    page.on(
        "request",
        lambda asked: sent.append(asked.post_data_json) if asked.url.endswith("/record/lines") else None,
    )
    write(page, "nc 2.5x12")
    expect(page.locator(".question")).to_contain_text("it was inflated: to how many atm")
    write(page, "3")
    expect(page.locator(".typed")).to_have_value("nc 2.5x12 ")
    page.keyboard.type("14 atm at lesion")
    page.keyboard.press("Enter")
    expect(page.locator(".timeline li.inflation")).to_contain_text("14 atm")
    expect(page.locator(".question")).to_have_count(0)
    assert (sent[1]["key"], sent[1]["said_at"]) == (sent[0]["key"], sent[0]["said_at"])
    # Begun to be completed and then left: what is typed instead is a line of its own.
    write(page, "nc 2.5x12")
    expect(page.locator(".question")).to_have_count(1)
    write(page, "3")
    write(page, "contrast 8")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    expect(page.locator(".question")).to_have_count(1)


def test_taking_back_takes_what_was_said_last(context: BrowserContext, server: Any, case: str) -> None:
    """An unclear line before an event, a line that waits before that; and an event by its name, not by its place."""
    page = opened(context, server, f"/case/{case}/procedure")
    for line in ("contrast 8", "act 287"):
        write(page, line)
    expect(page.locator(".timeline li.act")).to_have_count(1)
    write(page, "stent")
    expect(page.locator(".question")).to_have_count(1)
    page.keyboard.press("-")
    expect(page.locator(".question")).to_have_count(0)
    expect(page.locator(".echo")).to_contain_text("Not written: stent")
    expect(page.locator(".timeline li.act")).to_have_count(1)
    context.set_offline(True)
    write(page, "contrast 99")
    expect(page.locator(".link")).to_contain_text("contrast 99")
    write(page, "note keeps the queue busy")
    page.keyboard.press("-")  # the note, which is not sent yet
    expect(page.locator(".link")).not_to_contain_text("note")
    context.set_offline(False)
    expect(page.locator(".timeline li.contrast")).to_have_count(2)
    # Another page writes; this page, cut off, has not seen it and takes back what it sees as the last.
    other = opened(context, server, f"/case/{case}/procedure")
    page.route("**/api/cases/*/record", lambda route: route.abort())
    write(other, "act 301")
    expect(other.locator(".timeline li.act")).to_have_count(2)
    page.keyboard.press("-")
    expect(other.locator(".timeline li.contrast")).to_have_count(1)
    expect(other.locator(".timeline")).to_contain_text("301")
    expect(other.locator(".timeline")).not_to_contain_text("99 mL")
    # Twice at once: the last two, each once.
    other.keyboard.press("-")
    other.keyboard.press("-")
    expect(other.locator(".timeline li.act")).to_have_count(0)
    expect(other.locator(".timeline li.contrast")).to_have_count(1)


def test_the_rooms_clocks_go_while_nothing_happens(
    context: BrowserContext, server: Any, tmp_path: Path
) -> None:
    kept = (*WORKBENCHES["KEPT"], "bal-nc-275-15")
    case = WORKBENCHES["imported"](context, server, tmp_path, kept)
    page = opened(context, server, f"/case/{case}/procedure")
    room = opened(context, server, f"/case/{case}/room")
    for line in ("guide 6 standard right", "wire in workhorse", "nc 2.75x15 8 atm at lesion"):
        write(page, line)
    tile = room.locator(".tile", has=room.get_by_role("heading", name="Ischaemia"))
    expect(tile).to_contain_text("since the balloon went up")
    seen = set()
    ends = time.monotonic() + 30.0
    while len(seen) < 3 and time.monotonic() < ends:
        seen.add(re.findall(r"\d+:\d\d", tile.inner_text())[0])
        time.sleep(0.3)
    assert len(seen) == 3, seen


def test_a_stream_ends_with_its_visit(context: BrowserContext, server: Any, case: str) -> None:
    """Who has left is told nothing more, also by a stream that was opened before."""
    page = opened(context, server, f"/case/{case}/procedure")
    made = context.browser.new_context() if context.browser is not None else None
    assert made is not None
    page.request.post(f"{server.address}/api/enter/link", headers={"origin": server.address})
    guest = opened_by_link(made, server)
    cookies = "; ".join(f"{one['name']}={one['value']}" for one in made.cookies())
    asked = urllib.request.Request(f"{server.address}/api/cases/{case}/stream", headers={"cookie": cookies})
    with urllib.request.urlopen(asked, timeout=30) as stream:
        assert stream.readline() == b"event: record\n"
        guest.get_by_role("button", name="Leave").click()
        guest.wait_for_url("**/enter")
        write(page, "note said after the guest left")
        expect(page.locator(".timeline li.note")).to_have_count(1)
        rest = stream.read()  # to its end: it does end
    html = [
        json.loads(line[6:]).get("html", "")
        for line in rest.decode().splitlines()
        if line.startswith("data: ")
    ]
    assert all("said after" not in one for one in html)
    made.close()


def opened_by_link(context: BrowserContext, server: Any) -> Page:
    page = context.new_page()
    page.goto(server.next_link())
    expect(page.get_by_role("heading", name="Cases")).to_be_visible()
    return page


def test_a_key_held_down_takes_one_event_back_and_no_letter_does(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    for line in ("contrast 8", "act 287", "contrast 9"):
        write(page, line)
    expect(page.locator(".timeline li.contrast")).to_have_count(2)
    for _ in range(12):
        page.keyboard.down("-")  # as a held key repeats
    page.keyboard.up("-")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    expect(page.locator(".echo")).to_contain_text("taken back")
    write(page, "ufh 5000")
    expect(page.locator(".timeline li.heparin")).to_have_count(1)
    write(page, "undo")
    expect(page.locator(".timeline li.heparin")).to_have_count(0)
    expect(page.locator(".timeline li.act")).to_have_count(1)


def test_what_a_fix_replaced_stands_again(context: BrowserContext, server: Any, case: str) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    for line in ("act 287", "fix act 297"):
        write(page, line)
    expect(page.locator(".echo")).to_contain_text("instead of")
    page.keyboard.press("-")
    expect(page.locator(".echo")).to_contain_text("stands again")
    expect(page.locator(".timeline li.act")).to_contain_text("287")
    page.keyboard.press("-")
    expect(page.locator(".timeline li.act")).to_have_count(0)


def test_the_two_keys_tell_of_the_device_that_was_tried(
    context: BrowserContext, server: Any, tmp_path: Path
) -> None:
    kept = (*WORKBENCHES["KEPT"], "bal-nc-250-12")
    case = WORKBENCHES["imported"](context, server, tmp_path, kept)
    page = opened(context, server, f"/case/{case}/procedure")
    picks = page.locator(".picks")
    page.keyboard.press(".")
    expect(picks).to_contain_text("How did the attempt with the Stent 2.75 x 33 mm end?")
    page.keyboard.press("Escape")
    for line in ("guide 6 standard right", "wire in workhorse", "nc 2.5x12 stopped at 50 guide backed out"):
        write(page, line)
    write(page, "contrast 8")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    page.keyboard.press(".")
    expect(picks).to_contain_text("2.5 x 12")
    page.keyboard.press("p")
    expect(page.locator(".timeline li.attempt")).to_have_count(2)
    expect(page.locator(".timeline")).not_to_contain_text("Stent 2.75")


def test_lines_of_another_author_are_neither_sent_nor_lost(
    context: BrowserContext, server: Any, case: str
) -> None:
    page = opened(context, server, f"/case/{case}/procedure")
    name = f"backstay-lines-{case}/recorder%20Somebody/kept-by-a-page"
    line = {"key": "another-0001", "line": "act 301", "said_at": datetime.now().astimezone().isoformat()}
    page.evaluate("([name, text]) => localStorage.setItem(name, text)", [name, json.dumps([line])])
    page.reload()
    expect(page.locator(".link")).to_contain_text("Typed here by somebody else, and not sent: act 301")
    write(page, "contrast 8")
    expect(page.locator(".timeline li.contrast")).to_have_count(1)
    expect(page.locator(".timeline li.act")).to_have_count(0)
    assert page.evaluate("name => localStorage.getItem(name)", name) == json.dumps([line])
