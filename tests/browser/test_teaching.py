"""The teaching case in a browser: played through by keyboard, nothing fetched, nothing shown before its time."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from backstay.report import teaching_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

SIZES = {"desk": (1280, 900), "phone": (400, 800)}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        # Without a sandbox because the tests may run as root; the page is our own.
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def file(lesson: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("page") / "lesson.html"
    made.write_text(teaching_page.html(lesson), encoding="utf-8")
    return made


@pytest.fixture(params=[("desk", "light"), ("phone", "dark")], ids="-".join)
def opened(request: pytest.FixtureRequest, browser: Browser, file: Path) -> Iterator[tuple[Page, list[str]]]:
    size, scheme = request.param
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme)
    page = context.new_page()
    seen: list[str] = []
    page.on("console", lambda message: seen.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: seen.append(f"error: {error}"))
    page.on("request", lambda sent: seen.append(f"request: {sent.url}"))
    page.goto(file.as_uri())
    yield page, seen
    context.close()


def focused(page: Page) -> str:
    return str(page.evaluate("document.activeElement.id || document.activeElement.tagName"))


def test_it_is_played_through_by_keyboard(opened: tuple[Page, list[str]], lesson: Any) -> None:
    page, seen = opened
    count = len(lesson.steps)
    for n in range(1, count + 1):
        assert page.locator(f"#d{n}").is_visible()
        assert n == count or not page.locator(f"#d{n + 1}").is_visible()
        assert not page.locator(".end").is_visible()
        summary = page.locator(f"#d{n} > details > summary")
        assert not summary.is_visible()
        page.keyboard.press("Tab")
        assert focused(page) == f"d{n}-0"
        assert not summary.is_visible()
        page.keyboard.press("Space")
        assert page.locator(f"#d{n}-0").is_checked()
        page.keyboard.press("ArrowDown")
        assert page.locator(f"#d{n}-1").is_checked()
        # Choosing shows nothing yet: the reader may still change their mind.
        assert not page.locator(f"#d{n} .numbers").is_visible()
        page.keyboard.press("Tab")
        assert focused(page) == "SUMMARY"
        page.keyboard.press("Enter")
        table = page.locator(f"#d{n} .numbers")
        assert table.is_visible()
        assert table.locator(".yours:visible").count() == 1
        assert table.locator("tr.m1 .yours").is_visible()
        assert table.locator(".tag.done:visible").count() == 1
    assert page.locator(".end").is_visible()
    assert seen == [f"request: {page.url}"]


def test_nothing_runs_over_the_side_when_all_is_open(opened: tuple[Page, list[str]], lesson: Any) -> None:
    page, _ = opened
    for n in range(1, len(lesson.steps) + 1):
        page.locator(f"#d{n}-0").check()
        page.locator(f"#d{n} > details > summary").click()
    over = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert over[0] <= over[1]
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    assert (sum(int(n) for n in ground[4:-1].split(",")) > 382) != dark


def test_the_questions_are_groups_with_names(opened: tuple[Page, list[str]], lesson: Any) -> None:
    page, _ = opened
    group = page.get_by_role("group", name=lesson.steps[0].question)
    assert group.get_by_role("radio").count() == len(lesson.steps[0].moves)
    for move in lesson.steps[0].moves:
        assert group.get_by_role("radio", name=move.words, exact=True).count() == 1


def test_the_policy_of_the_page_stops_a_script_and_a_foreign_style(
    browser: Browser, file: Path, tmp_path: Path
) -> None:
    text = file.read_text(encoding="utf-8").replace(
        "<main>", "<main><script>document.title = 'ran'</script><p style='display:none' id='probe'>p</p>"
    )
    other = tmp_path / "other.html"
    other.write_text(text, encoding="utf-8")
    page = browser.new_page()
    page.goto(other.as_uri())
    assert page.title() != "ran" and page.locator("#probe").is_visible()
    page.close()
