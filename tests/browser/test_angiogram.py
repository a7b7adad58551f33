"""An angiogram in the browser: brought in, played, traced by clicking on synthetic frames and by the keys, corrected, measured, kept."""

from __future__ import annotations

import re
import runpy
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from playwright.sync_api import BrowserContext, Page, expect, sync_playwright

from backstay.adapters.path_file import load_path
from backstay.app.library import Library
from backstay.app.phantom import make_phantom

ROOT = Path(__file__).resolve().parents[2]
WORKBENCHES = runpy.run_path(str(ROOT / "tests" / "workbenches.py"))
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
expect.set_options(timeout=120_000)
SEED = 1


@pytest.fixture(scope="module")
def phantom(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("phantom") / "p"
    make_phantom(folder, seed=SEED)
    return folder


@pytest.fixture(scope="module")
def tables(phantom: Path) -> list[dict[str, Any]]:
    return list(tomllib.loads((phantom / "points.toml").read_text())["run"])


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    started = WORKBENCHES["Server"](tmp_path_factory.mktemp("library"))
    yield started
    started.stop()


@pytest.fixture(scope="module")
def context(server: Any) -> Iterator[BrowserContext]:
    with sync_playwright() as playwright:
        # Without a sandbox because the tests may run as root; the pages are our own.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        made = browser.new_context(viewport={"width": 1440, "height": 900})
        made.set_default_timeout(120_000)
        complaints: list[str] = []
        made.on("weberror", lambda error: complaints.append(str(error.error)))
        page = made.new_page()
        page.goto(server.link)
        expect(page.get_by_role("heading", name="Cases")).to_be_visible()
        page.close()
        yield made
        browser.close()
        assert complaints == []


@pytest.fixture
def page(context: BrowserContext, server: Any, phantom: Path) -> Iterator[Page]:
    """A demo case with both runs of the phantom brought in through the page."""
    page = context.new_page()
    page.goto(server.address)
    page.get_by_role("button", name="Open a demo case").click()
    page.wait_for_url("**/plan")
    page.goto(page.url.replace("/plan", "/angiogram"))
    expect(page.get_by_text("No run yet")).to_be_visible()
    page.get_by_label("Bring in runs").set_input_files(
        [phantom / "rao-caudal.dcm", phantom / "lao-cranial.dcm"]
    )
    expect(page.locator("ul.runs li")).to_have_count(2)
    yield page
    page.close()


def on_screen(page: Page, place: list[float]) -> tuple[float, float]:
    """Return where on the screen a place of the frame is: row, column of 512 x 512 pixels."""
    canvas = page.locator(".stage canvas")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    assert box is not None
    return box["x"] + (place[1] + 0.5) / 512 * box["width"], box["y"] + (place[0] + 0.5) / 512 * box["height"]


def click(page: Page, place: list[float]) -> None:
    page.mouse.click(*on_screen(page, place))


def show(page: Page, view: str, table: dict[str, Any]) -> None:
    page.get_by_role("radio", name=view).check()
    page.get_by_label("Run", exact=True).select_option(table["file"])
    expect(page.locator(".controls [role=status]")).to_have_text(f"{table['frame']} / 3")


def rest(page: Page) -> None:
    """Wait until nothing is being worked out."""
    expect(page.locator(".doing")).to_have_text("")


def trace_by_clicks(page: Page, view: str, table: dict[str, Any]) -> None:
    show(page, view, table)
    for place in table["clicks"]:
        click(page, place)
    expect(page.locator(".overlay .edge")).to_have_count(2)
    page.get_by_role("radio", name="a branch").check()
    for branch in table["branch"]:
        page.get_by_label("Name of the next branch").fill(branch["name"])
        click(page, branch["at"])
    expect(page.locator(".overlay .branch")).to_have_count(len(table["branch"]))
    page.get_by_role("radio", name="the vessel").check()
    expect(page.locator(".measured svg")).to_be_visible()
    rest(page)


def test_clicks_on_two_views_give_the_path(
    page: Page, server: Any, phantom: Path, tables: list[dict[str, Any]]
) -> None:
    """From clicks to a kept path: length and least diameter within what one draw of the measurement may be off."""
    trace_by_clicks(page, "First view", tables[0])
    page.get_by_role("radio", name="Second view").check()
    page.get_by_label("Run", exact=True).select_option(tables[1]["file"])
    # Before anything is marked here: start, end, two branches, and the place chosen along the first view.
    expect(page.locator(".overlay .band")).to_have_count(5)
    # What is wrong is said beside the button, which stands far below the frame.
    button = page.get_by_role("button", name="Reconstruct")
    for mark in tables[1]["clicks"]:
        click(page, mark)
    expect(page.locator(".overlay .edge")).to_have_count(2)
    button.click()
    expect(page.locator(".outcome .trouble")).to_be_in_viewport()
    page.get_by_role("button", name="Clear this view").click()
    trace_by_clicks(page, "Second view", tables[1])
    expect(page.locator(".overlay .band")).to_have_count(1)
    page.get_by_role("button", name="Reconstruct").click()
    expect(page.locator(".outcome")).to_contain_text("one standard deviation")
    expect(page.locator(".outcome")).to_contain_text("Reasons to doubt")
    expect(page.locator(".outcome")).to_contain_text("spine")
    page.get_by_role("button", name="Keep as the case's vessel").click()
    expect(page.locator(".kept")).to_contain_text("check it on Plan")
    expect(page.locator(".working ol li")).to_have_count(5)

    found = re.search(r"/case/([a-z0-9-]+)/", page.url)
    assert found is not None
    library = Library(server.library)
    record = library.document(found.group(1)).vessel.measurement
    assert record is not None
    folder = library.file(found.group(1)).parent
    path = load_path(folder / record.replace("measurement-", "measured-").replace(".toml", ".csv")).path
    true = np.loadtxt(phantom / "truth.csv", delimiter=",", skiprows=2)
    whole = np.linalg.norm(np.diff(true[:, :3], axis=0), axis=1).sum()
    assert path.length_mm == pytest.approx(0.96 * whole, rel=0.025)
    assert 2.0 * path.radius_mm.min() == pytest.approx(2.0 * true[:, 3].min(), abs=0.3)
    # The marks are there again when the page is opened anew.
    page.reload()
    expect(page.locator(".overlay .edge")).to_have_count(2)


def test_a_film_is_played_and_its_grey_values_changed(page: Page, tables: list[dict[str, Any]]) -> None:
    show(page, "First view", tables[0])
    where = page.locator(".controls [role=status]")
    page.get_by_role("button", name="One frame on").click()
    expect(where).to_have_text("3 / 3")
    page.get_by_label("Frame", exact=True).fill("1")
    expect(where).to_have_text("1 / 3")
    page.get_by_role("button", name="Play").click()
    expect(where).not_to_have_text("1 / 3")
    page.get_by_role("button", name="Stop").click()
    mean = """() => {
        const c = document.querySelector('.stage canvas');
        const all = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let total = 0;
        for (let k = 0; k < all.length; k += 4) total += all[k];
        return total / (all.length / 4);
    }"""
    usual = page.evaluate(mean)
    assert 40 < usual < 215
    page.get_by_label("Invert").check()
    assert page.evaluate(mean) == pytest.approx(255 - usual, abs=2)
    page.get_by_label("Brightness").fill("200")
    assert abs(page.evaluate(mean) - (255 - usual)) > 10
    page.get_by_role("button", name="Usual grey").click()
    assert page.evaluate(mean) == pytest.approx(usual, abs=1e-6)


def test_line_and_edges_are_put_right_by_dragging(page: Page, tables: list[dict[str, Any]]) -> None:
    table = tables[0]
    show(page, "First view", table)
    for place in table["clicks"]:
        click(page, place)
    expect(page.locator(".measured svg")).to_be_visible()
    rest(page)
    edges = page.evaluate(
        "() => [...document.querySelectorAll('.overlay .edge')].map(e => e.getAttribute('d'))"
    )
    points = [[[float(x) for x in pair.split(" ")] for pair in re.split("[ML]", edge)[1:]] for edge in edges]
    k = len(points[0]) // 5
    (column, row), (far_column, far_row) = points[0][k], points[1][k]
    away = np.array([row - far_row, column - far_column])
    away *= 4.0 / np.linalg.norm(away)
    page.mouse.move(*on_screen(page, [row - 0.5, column - 0.5]))
    page.mouse.down()
    page.mouse.move(*on_screen(page, [row - 0.5 + away[0], column - 0.5 + away[1]]), steps=5)
    page.mouse.up()
    expect(page.locator(".overlay .edge-mark")).to_have_count(2)
    rest(page)
    after = page.locator(".overlay .edge").first.get_attribute("d")
    assert after != edges[0]

    # A click on the line stands between the first and the last, and may be dragged; the keys take it back.
    middle = page.evaluate("() => document.querySelector('.overlay .middle').getAttribute('d')")
    line = [[float(x) for x in pair.split(" ")] for pair in re.split("[ML]", middle)[1:]]
    column, row = line[len(line) // 2]
    click(page, [row - 0.5, column - 0.5])
    expect(page.locator(".overlay .click")).to_have_count(3)
    page.locator(".stage").focus()
    page.keyboard.press("Backspace")
    expect(page.locator(".overlay .click")).to_have_count(2)


def test_a_vessel_is_traced_by_the_keys_alone(page: Page, tables: list[dict[str, Any]]) -> None:
    table = tables[0]
    show(page, "First view", table)
    page.locator(".stage").focus()
    at = [256, 256]
    for place in table["clicks"]:
        for axis, (less, more) in enumerate((("ArrowUp", "ArrowDown"), ("ArrowLeft", "ArrowRight"))):
            steps = round(place[axis]) - at[axis]
            tens, ones = divmod(abs(steps), 10)
            key = more if steps > 0 else less
            for _ in range(tens):
                page.keyboard.press(f"Shift+{key}")
            for _ in range(ones):
                page.keyboard.press(key)
            at[axis] += steps
        page.keyboard.press("Enter")
    expect(page.locator(".overlay .click")).to_have_count(2)
    expect(page.locator(".overlay .edge")).to_have_count(2)
    rest(page)
    expect(page.locator(".facts").filter(has_text="Least diameter")).to_be_visible()


def test_marks_belong_to_one_frame(page: Page, tables: list[dict[str, Any]]) -> None:
    show(page, "First view", tables[0])
    click(page, tables[0]["clicks"][0])
    expect(page.locator(".overlay .click")).to_have_count(1)
    page.get_by_role("button", name="One frame on").click()
    expect(page.locator(".overlay .click")).to_have_count(0)
    click(page, tables[0]["clicks"][1])
    expect(page.locator(".bench .trouble")).to_contain_text("The marks are on frame 2")
    page.get_by_role("button", name="To the marked frame").click()
    expect(page.locator(".overlay .click")).to_have_count(1)
