"""Wrap-up in a browser: it follows the record, and nothing is signed but what was read."""

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
opened = WORKBENCHES["opened"]


def write(page: Page, text: str) -> None:
    page.locator(".typed").fill(text)
    page.keyboard.press("Enter")
    expect(page.locator(".typed")).to_have_value("")


def test_what_changed_while_it_was_read_is_said_and_read_again(
    context: BrowserContext, server: Any, case: str
) -> None:
    wrap = opened(context, server, f"/case/{case}/wrap-up")
    expect(wrap.locator("main")).to_contain_text("Nothing is recorded of this case yet")
    recorder = opened(context, server, f"/case/{case}/procedure")
    write(recorder, "contrast 40")
    # A page that was opened before the record begins is taken along.
    expect(wrap.locator(".sheet")).to_contain_text("40 mL")

    read = wrap.get_by_label("read, and as it was")
    wrap.get_by_label("Signed by").fill("operator A")
    read.check()
    # A correction that is being typed stays while the record moves on.
    wrap.locator(".correct summary").first.click()
    wrap.get_by_label("The line as it should have been").fill("contrast 41")
    write(recorder, "contrast 77")
    expect(wrap.locator(".timeline li.contrast")).to_have_count(2)
    expect(wrap.locator(".signing .moved")).to_contain_text("new:")
    expect(wrap.locator(".signing .moved")).to_contain_text("Contrast 77 mL")
    expect(wrap.locator(".sheet")).to_contain_text("117 mL")
    expect(read).not_to_be_checked()
    expect(wrap.get_by_label("Signed by")).to_have_value("operator A")
    expect(wrap.get_by_label("The line as it should have been").last).to_have_value("contrast 41")

    # Taken back by the recorder, it is gone here too, and what is read again is signed.
    write(recorder, "-")
    expect(wrap.locator(".signing .moved")).to_contain_text("gone:")
    expect(wrap.locator(".timeline li.contrast")).to_have_count(1)
    expect(wrap.locator(".sheet")).not_to_contain_text("117 mL")
    read.check()
    expect(wrap.locator(".signing .moved")).to_be_empty()
    wrap.get_by_role("button", name="Sign the report").click()
    expect(wrap.get_by_role("heading", name="Signed")).to_be_visible()


def test_what_is_old_is_not_signed(context: BrowserContext, server: Any, case: str) -> None:
    recorder = opened(context, server, f"/case/{case}/procedure")
    write(recorder, "contrast 40")
    expect(recorder.locator(".timeline li.contrast")).to_have_count(1)
    wrap = opened(context, server, f"/case/{case}/wrap-up")
    expect(wrap.locator(".sheet")).to_contain_text("DRAFT")
    # It does not hear that the record moves on: the server refuses what was read before, and the page says so.
    wrap.get_by_label("Signed by").fill("operator A")
    wrap.get_by_label("read, and as it was").check()
    wrap.route("**/api/cases/*/record", lambda route: route.abort())
    write(recorder, "contrast 77")
    expect(recorder.locator(".timeline li.contrast")).to_have_count(2)
    wrap.get_by_role("button", name="Sign the report").click()
    said = wrap.locator(".signing .moved")
    expect(said).to_contain_text("Not signed: the report has changed since it was read.")
    wrap.unroute("**/api/cases/*/record")
    write(recorder, "act 287")
    expect(wrap.locator(".sheet")).to_contain_text("117 mL")
    assert "--" not in wrap.locator("main").inner_text()
    # Cut off, nothing can be signed.
    server.kill()
    expect(wrap.get_by_role("button", name="Sign the report")).to_be_disabled()
    server.start()
    expect(wrap.get_by_role("button", name="Sign the report")).to_be_enabled()


def test_nothing_is_signed_while_a_line_is_not_written(
    context: BrowserContext, server: Any, case: str
) -> None:
    recorder = opened(context, server, f"/case/{case}/procedure")
    write(recorder, "contrast 40")
    write(recorder, "stent")
    expect(recorder.locator(".question")).to_have_count(1)
    wrap = opened(context, server, f"/case/{case}/wrap-up")
    expect(wrap.locator(".sheet")).to_contain_text("DRAFT")
    expect(wrap.locator(".signing")).to_contain_text("Typed here and not in the record: stent")
    button = wrap.get_by_role("button", name="Sign the report")
    expect(button).to_be_disabled()
    recorder.get_by_role("button", name="Let it be").click()
    expect(button).to_be_enabled()
    expect(wrap.locator(".signing")).not_to_contain_text("not in the record")
    wrap.get_by_label("Signed by").fill("operator A")
    wrap.get_by_label("read, and as it was").check()
    button.click()
    expect(wrap.get_by_role("heading", name="Signed")).to_be_visible()
    # The recorder sees that nothing more is written.
    expect(recorder.locator(".recorder")).to_contain_text("The report is signed: nothing more is recorded.")
    expect(recorder.locator(".typed")).to_be_disabled()
    expect(recorder.get_by_role("button", name="Take the last back")).to_be_disabled()
