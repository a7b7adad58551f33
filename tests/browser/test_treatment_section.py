"""The treatment on the plan's page in a browser: conflicts, stents, branch and worth are there to be read, at any size."""

from __future__ import annotations

import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from playwright.sync_api import Page, sync_playwright

from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.report import page as report_page

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")

FLOW = (
    "\n[flow]\nnormal_mL_min = 150\naortic_mmHg = 100\nbetween_mmHg = 85\ndistal_mmHg = 65\nwedge_mmHg = 25\n"
)
SIZES = [(1280, 900), (400, 800)]


@pytest.fixture(scope="module")
def file(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = SimpleNamespace(**runpy.run_path(str(root / "tests" / "treatment_cases.py")))
    folder = tmp_path_factory.mktemp("treatment")
    lesion = made.lesion(40, 60, made.OCT.format(170, 0.6, 6), calcium="severe")
    vessel, shelf = lesion + made.BRANCH, root / "examples" / "demo" / "shelf.toml"
    case = made.write_case(
        folder, shelf, [(50.0, 10.0, 0.6)], vessel, start_mm=3.05, more=FLOW, device="stent-275-18"
    )
    plan = runpy.run_path(str(root / "tests" / "app" / "plan_sample.py"))["sample_plan"]()
    page = folder / "plan.html"
    page.write_text(
        report_page.html(plan.model_copy(update={"treatment": size_case(load_case(case))})), encoding="utf-8"
    )
    return page


@pytest.fixture(scope="module", params=SIZES, ids=["desk", "phone"])
def opened(request: pytest.FixtureRequest, file: Path) -> Iterator[Page]:
    width, height = request.param
    with sync_playwright() as playwright:
        # Without a sandbox because the tests may run as root; the page is our own.
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto(file.as_uri())
        yield page
        browser.close()


def test_what_imaging_overrides_and_every_part_of_the_treatment_can_be_read(opened: Page) -> None:
    assert opened.get_by_role("heading", name="What would treat it").is_visible()
    for text in (
        "Conflict, calcium: angiography severe (hard), imaging score 2 of 4",
        "leaves out lithotripsy",
        "talk over two stents",
        "Kissing balloons, if it comes to that: none within the limits",
        "Least score first, in minutes' worth",
        "Minimum acceptable result",
        "the path has one lesion",
    ):
        found = opened.get_by_text(text).first
        found.scroll_into_view_if_needed()
        assert found.is_visible(), text


def test_the_treatment_runs_over_no_side(opened: Page) -> None:
    widths = "[document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    scroll, client = opened.evaluate(widths)
    assert scroll <= client
