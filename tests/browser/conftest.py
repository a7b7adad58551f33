"""A browser, a server, and a case of one's own in it, for the tests of the workbench's pages."""

from __future__ import annotations

import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, expect, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
# A machine that is busy is not a failure.
expect.set_options(timeout=60_000)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        # Without a sandbox because the tests may run as root; the pages are our own.
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield started
        started.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    started = WORKBENCHES["Server"](tmp_path_factory.mktemp("library"))
    yield started
    started.stop()


@pytest.fixture(scope="module")
def kept(server: Any, browser: Browser, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Let one browser in, and return what its cookies are: the link works once."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(server.link)
    expect(page.get_by_role("heading", name="Cases")).to_be_visible()
    state = context.storage_state()
    context.close()
    return state


class Seen:
    """What a page asked for and complained of."""

    def __init__(self, context: BrowserContext, address: str) -> None:
        self.outside: list[str] = []
        self.complaints: list[str] = []
        self.address = address
        context.on("request", lambda sent: self._asked(sent.url))
        context.on("console", lambda said: self._said(said.type, said.text))
        context.on("weberror", lambda error: self.complaints.append(str(error.error)))

    def _asked(self, url: str) -> None:
        if not url.startswith((self.address, "data:", "blob:")):
            self.outside.append(url)

    def _said(self, kind: str, text: str) -> None:
        # A server that is killed on purpose is complained of by the browser itself.
        if kind == "error" and "net::ERR" not in text and "Failed to load resource" not in text:
            self.complaints.append(text)


@pytest.fixture
def context(browser: Browser, server: Any, kept: Any) -> Iterator[BrowserContext]:
    made = browser.new_context(storage_state=kept, viewport={"width": 1440, "height": 900})
    seen = Seen(made, server.address)
    yield made
    made.close()
    assert seen.outside == []
    assert seen.complaints == []


@pytest.fixture
def case(context: BrowserContext, server: Any, tmp_path: Path) -> str:
    """Return a case of the test's own."""
    return str(WORKBENCHES["imported"](context, server, tmp_path))


@pytest.fixture(scope="module")
def shown(browser: Browser, server: Any, kept: Any, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a case that is only looked at, planned once."""
    context = browser.new_context(storage_state=kept)
    name = str(WORKBENCHES["imported"](context, server, tmp_path_factory.mktemp("shown")))
    context.close()
    return name
