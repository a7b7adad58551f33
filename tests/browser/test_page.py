"""The page in a browser: nothing overflows, nothing is fetched or logged, in both themes and sizes."""

from __future__ import annotations

import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from backstay.report import page as report_page

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
def file(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    plan = runpy.run_path(str(root / "tests" / "app" / "plan_sample.py"))["sample_plan"]()
    made = tmp_path_factory.mktemp("page") / "plan.html"
    made.write_text(report_page.html(plan), encoding="utf-8")
    return made


@pytest.fixture(params=[(size, scheme) for size in SIZES for scheme in ("light", "dark")], ids="-".join)
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


def test_the_answer_is_in_the_first_screen(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    answer = page.get_by_text("About 4 in 10", exact=True).first
    box = answer.bounding_box()
    assert answer.is_visible() and box is not None
    assert box["y"] + box["height"] <= page.evaluate("window.innerHeight")
    assert float(answer.evaluate("e => parseFloat(getComputedStyle(e).fontSize)")) >= 30.0
    assert page.get_by_role("heading", name="What must I not do?").is_visible()


def test_nothing_is_fetched_and_nothing_logged(opened: tuple[Page, list[str]]) -> None:
    page, seen = opened
    assert seen == [f"request: {page.url}"]


def test_nothing_runs_over_the_side_even_with_everything_open(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    width = "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    closed = page.evaluate(width)
    assert closed[0] <= closed[1]
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    everything = page.evaluate(width)
    assert everything[0] <= everything[1]


def test_the_colours_follow_the_reader(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    dark = page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    bright = sum(int(n) for n in ground[4:-1].split(",")) > 382
    assert bright != dark
    colour = "getComputedStyle(document.querySelector('svg polyline.need')).stroke"
    assert page.evaluate(colour) == ("rgb(242, 176, 76)" if dark else "rgb(138, 66, 0)")


def test_one_form_of_the_strip_shows_and_its_letters_are_legible(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    shown = page.evaluate(
        """[...document.querySelectorAll('section figure svg')]
        .filter(s => s.checkVisibility() && s.querySelector('.need'))
        .map(s => {
          const scale = s.getBoundingClientRect().width / s.viewBox.baseVal.width;
          const sizes = [...s.querySelectorAll('text')].map(t => parseFloat(t.getAttribute('font-size')));
          return scale * Math.min(...sizes);
        })"""
    )
    assert len(shown) == 2  # the rig in place and the next one; the rest wait closed
    assert min(shown) >= 11.0


def test_the_keyboard_opens_what_is_closed(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    page.keyboard.press("Tab")
    focused = page.evaluate("document.activeElement.tagName")
    assert focused == "SUMMARY"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.parentElement.open")
