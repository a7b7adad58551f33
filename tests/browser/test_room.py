"""The room's display of a case with all its tiles full: nothing runs over, nothing is cut, and it is read at 2.5 m."""

from __future__ import annotations

import runpy
import shutil
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
SCREENS = [(1920, 1080), (1366, 768), (3840, 2160), (1280, 1024)]
SCREEN_MM, CAPITAL, AWAY_MM = 1218.0, 0.72, 2500.0
"""A 55-inch screen's width, a capital's share of its letter, and where the operator stands."""
LEAST_ARC_MIN = 16.0
"""ISO 9241-303 names 16 minutes of arc as the least for letters, from memory."""
FULL = (
    "guide 6 standard right",
    "wire in workhorse",
    "heparin 5000",
    "act 231",
    "contrast 140",
    "dose 2812 mgy 61 gycm2 44.5 min",
    "buddy workhorse",
    "buddy workhorse",
    "extension to 20",
    "nc 2.75x15 14 atm 20 s at lesion fully 2 views",
    "stent 2.75x33 31.5-64.5 14 atm",
    "tip small branch",
    "perforation at 52",
    "tamponade",
    "nc 2.75x15 8 atm at 50",
    "timi 1 residual 60",
    "act 215",
)
CUT = """() => {
  const found = [];
  const root = document.documentElement;
  if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) found.push(['page', root.scrollHeight, innerHeight]);
  for (const e of document.querySelectorAll('main.display, .tile, .tile *, .foot, .display-head *')) {
    const box = e.getBoundingClientRect();
    const named = e.className || e.tagName;
    if (box.bottom > innerHeight + 0.5 || box.right > innerWidth + 0.5) found.push([named, box.bottom, box.right]);
    if (e.tagName !== 'H1' && (e.scrollHeight > e.clientHeight + 2 || e.scrollWidth > e.clientWidth + 2) && e.clientHeight)
      found.push([named, e.scrollHeight, e.clientHeight]);
  }
  return found;
}"""
SIZES = """() => [...document.querySelectorAll('main.display *')]
  .filter(e => [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()))
  .map(e => parseFloat(getComputedStyle(e).fontSize) / innerWidth)"""


@pytest.fixture(scope="module")
def full(browser: Any, server: Any, kept: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a case with a long record: everything that a tile can hold."""
    context = browser.new_context(storage_state=kept)
    shelf = (*WORKBENCHES["KEPT"], "bal-nc-275-15", "ext-6")
    case = str(WORKBENCHES["imported"](context, server, tmp_path_factory.mktemp("full"), shelf))
    page = WORKBENCHES["opened"](context, server, f"/case/{case}/procedure")
    for line in FULL:
        page.locator(".typed").fill(line)
        page.keyboard.press("Enter")
        expect(page.locator(".echo, .open")).not_to_have_text(["", ""])
    expect(page.locator(".timeline li")).to_have_count(len(FULL) + 1)
    expect(page.locator(".question")).to_have_count(0)
    page.goto(f"{server.address}/case/{case}/plan")
    page.locator("#ladder").wait_for(timeout=600_000)
    context.close()
    return case


def shown(context: BrowserContext, server: Any, case: str, width: int, height: int) -> Page:
    page: Page = WORKBENCHES["opened"](context, server, f"/case/{case}/room")
    page.set_viewport_size({"width": width, "height": height})
    expect(page.locator(".tile.next")).not_to_contain_text("Being worked out", timeout=600_000)
    return page


@pytest.mark.parametrize(("width", "height"), SCREENS)
@pytest.mark.parametrize("state", ["live", "cut off"])
def test_a_full_record_fits_the_screen(
    context: BrowserContext, server: Any, full: str, width: int, height: int, state: str
) -> None:
    page = shown(context, server, full, width, height)
    if state == "cut off":
        page.route("**/stream", lambda route: route.abort())
        page.reload()
        expect(page.locator(".dead")).to_contain_text("NOT LIVE since")
        expect(page.locator(".tile.next")).to_be_visible()
    assert page.evaluate(CUT) == []
    expect(page.locator(".foot")).to_contain_text("not validated for clinical decisions")
    assert page.locator(".hazard").count() == 2 and page.locator(".tile.inside li").count() >= 5
    width_mm = min(page.evaluate(SIZES)) * SCREEN_MM * CAPITAL
    assert width_mm / AWAY_MM / 2.908882e-4 >= LEAST_ARC_MIN


def test_the_worst_comes_first(context: BrowserContext, server: Any, full: str) -> None:
    page = shown(context, server, full, 1920, 1080)
    expect(page.locator(".hazard").first).to_contain_text("STOP perforation, not sealed by the record")
    expect(page.locator(".tile.next")).to_contain_text("A perforation is known: seal it first")
    expect(page.locator(".tile.past", has_text="Flow")).to_contain_text("HARDLY ANY FLOW")
    expect(page.locator(".tile.past", has_text="Wire tip")).to_contain_text("DRAW IT BACK FIRST")
