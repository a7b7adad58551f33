"""Timings of the workbench: the first page of a cold server, plan interactions in the browser, followers, size of scripts.

Prints one row for each bar. Times are of the wall, in a real browser: run it on a machine that does nothing else.
"""

from __future__ import annotations

import gzip
import json
import re
import runpy
import shutil
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

ROOT = Path(__file__).resolve().parents[1]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
CHROMIUM = shutil.which("chromium")
FOLLOWERS = 20
INTERACTIONS = """async () => {
  const until = (found) => new Promise(done => {
    const look = () => found() ? done() : requestAnimationFrame(look);
    look();
  });
  const root = document.documentElement.dataset, took = { rig: [], step: [] };
  for (const one of document.querySelectorAll('input[name=rig]:not(:disabled)')) {
    const began = performance.now();
    one.click();
    await until(() => root.rig === one.value);
    took.rig.push(performance.now() - began);
  }
  const slider = document.querySelector('input[type=range]');
  for (let step = Number(slider.max); step >= 0; step -= 1) {
    const began = performance.now();
    slider.value = String(step);
    slider.dispatchEvent(new Event('input'));
    await until(() => root.step === String(step));
    took.step.push(performance.now() - began);
  }
  return took;
}"""


def share(values: list[float], part: float) -> float:
    ordered = sorted(values)
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)]


def row(what: str, value: float, unit: str, bar: str) -> None:
    print(f"{what:58} {value:9.1f} {unit:3} bar: {bar}")


def first_page(folder: Path, page: Page) -> Any:
    """Start a server as cold as this machine allows and open its first page in a browser that has nothing of it yet; returns the server."""
    began = time.perf_counter()
    server = WORKBENCHES["Server"](folder, draws=1024)
    up = time.perf_counter()
    row("server starts listening", 1e3 * (up - began), "ms", "-")
    page.goto(server.link)
    page.get_by_role("heading", name="Cases").wait_for()
    row(
        "the list of cases in a browser, from a server just started",
        1e3 * (time.perf_counter() - up),
        "ms",
        "1000",
    )
    return server


def plan(page: Page) -> str:
    """Time the plan of the demo case, with all of its shelf; returns the case's name."""
    began = time.perf_counter()
    page.get_by_role("button", name="Open a demo case").click()
    page.wait_for_url("**/plan")
    page.locator(".strip svg").wait_for(timeout=900_000)
    row("a new case until its rig in place is answered", 1e3 * (time.perf_counter() - began), "ms", "-")
    page.locator("#ladder").wait_for(timeout=900_000)
    row("a new case until its ladder stands", 1e3 * (time.perf_counter() - began), "ms", "-")
    page.locator("#way_back").wait_for(timeout=900_000)  # the last to come
    took = page.evaluate(INTERACTIONS)
    for kind, words in (("rig", "another rig chosen"), ("step", "the device moved one place")):
        row(f"{words}, p95 of {len(took[kind])}", share(took[kind], 0.95), "ms", "150")
    page.get_by_text("A rig of your own").click()
    page.get_by_label("Seated, mm").fill("7")
    began = time.perf_counter()
    page.get_by_role("button", name="Work it out").click()
    page.locator("html[data-rig^=own_]").wait_for(timeout=900_000)
    row("a rig of one's own worked out and shown", 1e3 * (time.perf_counter() - began), "ms", "2000")
    found = re.search(r"/case/([a-z0-9-]+)/", page.url)
    assert found is not None
    return found.group(1)


def followers(server: Any, cookies: str, case: str, lines: int = 10) -> None:
    """Time from sending a line until each of many followers has heard of it."""
    heard: list[list[float]] = [[] for _ in range(FOLLOWERS)]
    ready = threading.Barrier(FOLLOWERS + 1)

    def follow(mine: list[float]) -> None:
        asked = urllib.request.Request(
            f"{server.address}/api/cases/{case}/stream", headers={"cookie": cookies}
        )
        with urllib.request.urlopen(asked, timeout=120) as stream:
            stream.readline()
            ready.wait()
            while len(mine) < lines:
                if stream.readline() == b"event: record\n":
                    mine.append(time.perf_counter())

    threads = [threading.Thread(target=follow, args=(mine,), daemon=True) for mine in heard]
    for one in threads:
        one.start()
    ready.wait()
    sent = []
    for k in range(lines):
        body = json.dumps({"key": f"bench-{time.time_ns()}", "line": f"note line {k}"}).encode()
        head = {"cookie": cookies, "origin": server.address, "content-type": "application/json"}
        sent.append(time.perf_counter())
        urllib.request.urlopen(
            urllib.request.Request(f"{server.address}/api/cases/{case}/record/lines", data=body, headers=head)
        ).read()
        time.sleep(0.2)
    for one in threads:
        one.join(60)
    delays = [1e3 * (at - began) for mine in heard for at, began in zip(mine, sent, strict=True)]
    row(f"a line until {FOLLOWERS} followers have it, p95 of {len(delays)}", share(delays, 0.95), "ms", "200")
    row("the same, the slowest", max(delays), "ms", "200")


def main() -> None:
    static = ROOT / "src" / "backstay" / "web" / "static"
    scripts = b"".join(file.read_bytes() for file in sorted(static.glob("*.js")))
    row("scripts, all together, compressed", len(gzip.compress(scripts)) / 1024.0, "kB", "150")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        page = context.new_page()
        page.goto("about:blank")
        server = first_page(Path(folder) / "library", page)
        case = plan(page)
        cookies = "; ".join(f"{one['name']}={one['value']}" for one in context.cookies())
        followers(server, cookies, case)
        browser.close()
        server.stop()


if __name__ == "__main__":
    main()
