"""The report's page in a browser: legible in both themes and on a phone, nothing fetched, nothing over the side."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from backstay.app.reporting import Extras, report
from backstay.report.procedure.page import html

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

SIZES = {"desk": (1100, 900), "phone": (390, 844)}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        # Without a sandbox because the tests may run as root; the page is our own.
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def file(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report")
    case = Path(shutil.copytree(root / "examples" / "recorded", folder / "recorded")) / "case.toml"
    # A word without a break, as long as a note may hold.
    with case.with_name("case.events.jsonl").open("a") as record:
        record.write(
            '{"schema": 1, "id": "long", "at": "2031-04-05T10:01:00+02:00", "author_role": "operator", '
            f'"kind": "note", "topic": "finding", "text": "{"unbroken" * 60}"}}\n'
        )
    extras = Extras(dose=(case.with_name("dose.dcm"),))
    made = folder / "report.html"
    made.write_text(html(report(case, extras, store_url=f"sqlite:///{folder / 'records.sqlite'}")), "utf-8")
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


def test_nothing_is_fetched_logged_or_over_the_side(opened: tuple[Page, list[str]]) -> None:
    page, seen = opened
    assert seen == [f"request: {page.url}"]
    wide, room = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert wide <= room


def test_draft_and_result_are_in_the_first_screen_and_draft_stays(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    high = page.evaluate("window.innerHeight")
    for words in ("DRAFT, NOT SIGNED", "Stent 3.0 x 28 mm, 36 to 64 mm"):
        box = page.get_by_text(words, exact=True).first.bounding_box()
        assert box is not None and box["y"] + box["height"] <= high
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    box = page.get_by_text("DRAFT, NOT SIGNED", exact=True).first.bounding_box()
    assert box is not None and 0.0 <= box["y"] <= high


def test_times_do_not_break_and_pictures_fit(opened: tuple[Page, list[str]]) -> None:
    page, _ = opened
    time = page.get_by_role("rowheader", name="09:31", exact=True).first
    box = time.bounding_box()
    assert box is not None and box["height"] < 60.0
    lines = "e => { const r = document.createRange(); r.selectNodeContents(e); return r.getClientRects().length; }"
    assert time.evaluate(lines) == 1
    pictures = [p for p in page.locator("figure svg").all() if p.is_visible()]
    assert len(pictures) == 3
    room = page.evaluate("document.documentElement.clientWidth")
    assert all(
        b is not None and b["x"] + b["width"] <= room + 0.5 for b in (p.bounding_box() for p in pictures)
    )
