"""The shelf's guides in this root, from the outside: the command, its files, and what it does with odd cases."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.guides_document import GuidesDocument
from backstay.adapters.schemas import all_schemas
from backstay.cli import app
from backstay.identifiers import Coronary, RestsOn
from backstay.report.guides import guides_picture, html
from backstay.report.words import DISCLAIMER


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "120"})


@pytest.fixture(scope="module")
def folder(demo_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    copy = tmp_path_factory.mktemp("guides") / "case"
    shutil.copytree(demo_dir, copy)
    return copy


@pytest.fixture(scope="module")
def told(folder: Path) -> Result:
    """The command run once, all its files written."""
    files = ("--json", folder / "g.json", "--html", folder / "g.html", "--picture", folder / "g.svg")
    return invoke("guides", folder / "case.toml", *files)


@pytest.fixture(scope="module")
def document(told: Result, folder: Path) -> GuidesDocument:
    assert told.exit_code == 0, told.output
    data = json.loads((folder / "g.json").read_text())
    jsonschema.validate(data, all_schemas()["guides"])
    return GuidesDocument.model_validate(data)


def test_every_guide_of_the_shelf_is_there_the_one_in_place_first(document: GuidesDocument) -> None:
    assert document.coronary is Coronary.RIGHT
    assert [row.in_place for row in document.guides] == [True] + [False] * (len(document.guides) - 1)
    assert {row.id for row in document.guides if not row.suits} == {
        "guide-5-sl", "guide-6-sl", "guide-6-ebl", "guide-7-ebl", "guide-8-ebl",
    }  # fmt: skip


def test_amplatz_types_hold_more_than_the_standard_right_guide(document: GuidesDocument) -> None:
    backup = {row.id: row.backup_N for row in document.guides if row.seated}
    standard = backup["guide-6-sr"]
    assert standard is not None
    assert all(
        value is not None and value > standard for name, value in backup.items() if name != "guide-6-sr"
    )


def test_what_it_rests_on_is_said_with_its_load(document: GuidesDocument) -> None:
    for row in document.guides:
        if row.seated:
            by_region = sum(line.at_loss_N for line in row.rests)
            assert by_region == pytest.approx(sum(c.load_N for c in row.contacts), abs=0.05)
    amplatz = next(row for row in document.guides if "Amplatz" in row.name and row.seated)
    assert {RestsOn.OPPOSITE_WALL, RestsOn.OSTIUM} <= {line.where for line in amplatz.rests}
    assert any("ostium" in text and "dissect" in text for text in amplatz.cautions)


def test_an_anchor_or_a_wire_in_tension_adds_what_it_pulls(document: GuidesDocument) -> None:
    here = document.guides[0]
    by_name = {row.what: row.backup_N for row in document.variants}
    assert here.backup_N is not None
    wire = by_name["with a wire held in tension of 0.5 N"]
    assert wire == pytest.approx(here.backup_N + 0.5, abs=2e-3)
    assert len([name for name in by_name if "extension" in name]) == 4


def test_the_terminal_says_it_with_its_cautions(told: Result, document: GuidesDocument) -> None:
    text = " ".join(told.stdout.split())
    assert "INVENTED CASE" in text
    assert " ".join(DISCLAIMER.split()) in text
    for words in (
        "Guides in this root",
        "Cautions",
        "Not for the right coronary",
        "unvalidated: bending stiffness",
    ):
        assert words in text
    assert document.guides[0].backup_N is not None and document.guides[0].backup_N < 0.05
    assert "under 0.05" in text
    assert "hardly holds by itself" in text


def test_page_and_picture(document: GuidesDocument, folder: Path) -> None:
    page = (folder / "g.html").read_text()
    assert page == html(document)
    assert page.count("<table") == 2
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    svg = (folder / "g.svg").read_text()
    assert svg == guides_picture(document).svg()
    seated = [row for row in document.guides if row.seated]
    assert all(row.name in svg for row in seated)
    assert svg.count("seated</title>") == len(seated)


def test_every_point_of_a_picture_lies_in_it(document: GuidesDocument) -> None:
    scene = guides_picture(document)
    for shape in scene.shapes:
        for x, y in getattr(shape, "points", ()):
            assert -1.0 <= x <= scene.width + 1.0
            assert -1.0 <= y <= scene.height + 1.0


@pytest.mark.parametrize(
    ("line", "field"),
    [("root_diameter_mm = 60", "root_diameter_mm"), ("arch_type = 4", "arch_type"), ("size = 3", "size")],
)
def test_an_aorta_outside_the_model_is_refused(demo_dir: Path, tmp_path: Path, line: str, field: str) -> None:
    copy = tmp_path / "case"
    shutil.copytree(demo_dir, copy)
    case = copy / "case.toml"
    case.write_text(case.read_text() + f"\n[aorta]\n{line}\n")
    result = invoke("guides", case)
    assert result.exit_code != 0
    assert f"aorta.{field}" in result.output
    assert "Traceback" not in result.output


def test_a_picture_of_no_known_kind_is_refused(demo_dir: Path, tmp_path: Path) -> None:
    result = invoke("guides", demo_dir / "case.toml", "--picture", tmp_path / "g.jpg")
    assert result.exit_code != 0
    assert "--picture" in result.output
    assert not (tmp_path / "g.jpg").exists()
