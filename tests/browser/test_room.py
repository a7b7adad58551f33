"""The room's display in a browser: on a full record nothing is cut off and the caution stays in sight, on three screens."""

from __future__ import annotations

import json
import re
import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from backstay.report.room import room_html
from backstay.report.words import DISCLAIMER

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
ROOMS = runpy.run_path(str(ROOT / "tests" / "rooms.py"))
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

SCREENS = [(1920, 1080), (3840, 2160), (1366, 768)]
VALUE_PX, WORD_PX, LINES = 40.0, 22.0, 1080.0
"""Least sizes on a screen of 1080 lines, read at 2.5 m (common practice, no source)."""
SHELF = (
    *("guide-6-sr", "ext-6", "wire-workhorse", "wire-support", "wire-jacketed", "mc-18"),
    *("bal-sc-200-15", "bal-nc-250-12", "stent-275-33", "stent-300-12"),
)
RECORD = (
    "105 min ago access right radial 6 fr",
    "104 min ago guide 6 standard right",
    "103 min ago heparin 5000",
    "102 min ago wire in workhorse",
    "100 min ago buddy extra-support tip to 100",
    "98 min ago wire in jacketed as branch",
    "97 min ago wire in workhorse as branch",
    "96 min ago wire in workhorse as branch",
    "92 min ago extension ext-6 to 30",
    "80 min ago act 231 sheath",
    "60 min ago nc 2.5x12 18 atm 20 s at lesion fully 2 views",
    "50 min ago stent 2.75x33 31.5-64.5 14 atm",
    "40 min ago stent 3.0x12 66-78 14 atm",
    "30 min ago contrast total 175",
    "25 min ago dose 2940 mgy 61 gycm2 44.5 min",
    "20 min ago timi 1 residual 30",
    "10 min ago tip out of view",
    "8 min ago sc 2.0x15 stopped at 48 guide backed out firm",
    "5 min ago sc 2.0x15 12 atm at 48",
    "pressure damped",
    "contrast 8",
)


@pytest.fixture(scope="module")
def context(browser: Browser, server: Any) -> Iterator[BrowserContext]:
    """One visit: the link works once."""
    made = browser.new_context(viewport={"width": 1920, "height": 1080})
    page = made.new_page()
    page.goto(server.link)
    expect(page.get_by_role("heading", name="Cases")).to_be_visible()
    page.close()
    yield made
    made.close()


@pytest.fixture(scope="module")
def address(context: BrowserContext, server: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the address of the room of a running case with a full record."""
    folder = WORKBENCHES["small_case"](
        ROOT / "examples" / "demo", tmp_path_factory.mktemp("full") / "case", SHELF
    )
    page = context.new_page()
    page.goto(server.address)
    page.get_by_label("Files of a case").set_input_files(sorted(folder.iterdir()))
    page.get_by_role("button", name="Import").click()
    page.wait_for_url("**/plan")
    found = re.search(r"/case/([a-z0-9-]+)/", page.url)
    page.close()
    assert found is not None
    for k, line in enumerate(RECORD):
        answer = context.request.post(
            f"{server.address}/api/cases/{found.group(1)}/record/lines",
            data={"line": line, "key": f"full-{k:04d}"},
            headers={"origin": server.address},
        )
        assert answer.ok and answer.json()["written"], (line, answer.text())
    return f"{server.address}/case/{found.group(1)}/room"


@pytest.fixture
def page(context: BrowserContext) -> Iterator[Page]:
    made = context.new_page()
    yield made
    made.close()


FAULTS = """([value, word]) => {
  const found = [], all = (what) => [...document.querySelectorAll(what)];
  const name = (e) => e.className + ': ' + e.textContent.slice(0, 30);
  const root = document.documentElement;
  for (const e of [root, ...all('main.display, .display .tile, .dead, .foot')]) {
    if (e.scrollHeight > e.clientHeight) found.push(['cut below', name(e), e.scrollHeight, e.clientHeight]);
    if (e.scrollWidth > e.clientWidth) found.push(['cut at the side', name(e), e.scrollWidth, e.clientWidth]);
  }
  const foot = document.querySelector('.foot').getBoundingClientRect();
  if (foot.top < 0 || foot.left < 0 || foot.bottom > innerHeight || foot.right > innerWidth || foot.height === 0)
    found.push(['caution out of sight', foot.top, foot.bottom]);
  const tiles = all('.display .tile').map((e) => [name(e), e.getBoundingClientRect()]);
  for (const [k, [what, r]] of tiles.entries()) {
    if (r.bottom > foot.top) found.push(['over the caution', what]);
    for (const [other, s] of tiles.slice(k + 1))
      if (r.left < s.right && s.left < r.right && r.top < s.bottom && s.top < r.bottom) found.push(['over', what, other]);
  }
  for (const e of all('main.display *')) {
    if (![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    const px = parseFloat(getComputedStyle(e).fontSize), least = e.closest('.value') ? value : word;
    if (px < least) found.push(['too small', name(e), px, least]);
  }
  return found;
}"""


SILENT = "window.EventSource = class extends EventTarget { close() {} }"
CUT_OFF = """window.EventSource = class extends EventTarget {
  constructor() { super(); setTimeout(() => this.onerror?.()); }
  close() {}
}"""


def faults(page: Page, width: int, height: int) -> list[Any]:
    """Return what is cut off, covered or too small on a screen of this size."""
    page.set_viewport_size({"width": width, "height": height})
    lines = min(height, width * 9 / 16)
    found = page.evaluate(FAULTS, [VALUE_PX * lines / LINES, WORD_PX * lines / LINES])
    assert isinstance(found, list)
    return found


def show(page: Page, address: str, html: str, *, live: bool = True) -> None:
    """Open the room with this content, as if the server had given it; it is not heard from again."""
    page.add_init_script(SILENT if live else CUT_OFF)
    page.route(
        re.compile(r"/api/cases/[^/]+/room$"),
        lambda route: route.fulfill(content_type="application/json", body=json.dumps({"html": html})),
    )
    page.goto(address)
    page.locator(".tile").first.wait_for()
    expect(page.locator(".dead")).to_be_visible(visible=not live)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_full_record_fits_the_screen(page: Page, address: str, scheme: str) -> None:
    page.add_init_script(f"localStorage.setItem('backstay-theme', '{scheme}')")
    page.goto(address)
    page.locator(".tile").first.wait_for()
    for words in ("ALMOST NO FLOW", "TIP NOT SEEN", "REPEAT IT", "PAST THE LIMIT", "since the balloon", "×2"):
        expect(page.locator("main.display")).to_contain_text(words)
    assert page.locator(".hazard.block").count() >= 1 and page.locator(".hazard").count() == 2
    things = page.locator(".inside li:visible").all_inner_texts()
    assert len(things) >= 9, things
    for width, height in SCREENS:
        assert faults(page, width, height) == []
        expect(page.locator(".foot")).to_contain_text(DISCLAIMER)
        expect(page.locator(".foot")).to_be_in_viewport(ratio=1.0)


@pytest.mark.parametrize("which", ["advice", "weighing", "no move", "not yet", "empty"])
@pytest.mark.parametrize("live", [True, False])
def test_the_longest_texts_fit_the_screen(page: Page, address: str, which: str, live: bool) -> None:
    plan = {"not yet": None, "empty": None, "no move": ROOMS["plan_with"]()}.get(
        which, ROOMS["plan_with"](ROOMS["rung"]())
    )
    room = ROOMS["empty_room"]() if which == "empty" else ROOMS["full_room"]()
    show(page, address, room_html(room, plan, weighing=which == "weighing"), live=live)
    for width, height in [*SCREENS, (1920, 1200), (1280, 1024), (2560, 1080)]:
        assert faults(page, width, height) == [], (width, height)


def test_a_list_too_long_is_found(page: Page, address: str) -> None:
    """The check itself: a tile with more in it than it holds is told of, and the caution stays."""
    html = room_html(ROOMS["full_room"](), None)
    more = html.replace("</ul>", "<li>one more</li>" * 60 + "</ul>")
    show(page, address, more)
    assert any(one[0].startswith("cut") for one in faults(page, 1920, 1080))
    expect(page.locator(".foot")).to_be_in_viewport(ratio=1.0)
