"""A sketch from the command line: a folder made whole or not at all, and planned at once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from typer.testing import CliRunner

import backstay.app.sketching as sketching
from backstay.adapters.sketch_text import parse_sketch
from backstay.app.loading import load_case
from backstay.app.sketching import sketch_case
from backstay.cli import app
from backstay.core.anatomy.sketch import SKETCH_DRAWS
from backstay.core.rigging.devices import Stent
from backstay.errors import InputError, NotFound
from backstay.identifiers import Calcium, GuideShape

TEXT = "25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe bend 40 | 30 mm 2.8-2.2"
LEFT = "left anterior descending artery"
SHORT = ["--only", "--draws", "64"]


def test_a_sketch_becomes_a_case(tmp_path: Path) -> None:
    file = sketch_case(TEXT, tmp_path / "first", vessel=LEFT)
    assert sorted(p.name for p in file.parent.iterdir()) == [
        "case.toml",
        "path.csv",
        "shelf.toml",
        "sketch.txt",
    ]
    case = load_case(file)
    assert case.path.length_mm == pytest.approx(92.0, abs=1.0)
    assert [(x.from_mm, x.to_mm, x.calcium) for x in case.lesions] == [(40.0, 62.0, Calcium.SEVERE)]
    assert (case.rig.guide.shape, case.rig.guide.size_fr) == (GuideShape.EXTRA_BACKUP_LEFT, 6.0)
    assert "Workhorse" in case.rig.rail.name
    assert isinstance(case.device, Stent)
    assert case.target_from_mm <= 40.0 and case.target_to_mm >= 62.0
    assert case.draw_overrides == dict(SKETCH_DRAWS)
    assert not case.invented
    assert case.warnings == ()
    assert parse_sketch((file.parent / "sketch.txt").read_text()) == parse_sketch(TEXT)
    assert [p.name for p in tmp_path.iterdir()] == ["first"]


def test_a_right_coronary_artery_gets_a_right_guide(tmp_path: Path) -> None:
    case = load_case(sketch_case(TEXT, tmp_path / "rca", vessel="Right coronary artery"))
    assert case.rig.guide.shape == GuideShape.STANDARD_RIGHT


def test_the_tightest_lesion_is_the_target(tmp_path: Path) -> None:
    two = "30 mm 3 tight 2 over 8 mm | 30 mm 3 | 30 mm 2.8 tight 1.1 over 10 mm | 30 mm 2.6"
    case = load_case(sketch_case(two, tmp_path / "two", vessel=LEFT))
    assert case.target_from_mm < 70.0 and case.target_to_mm > 80.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("40 mm 3", "no lesion"),
        ("20 mm 3 | 12 mm 2.6 tight 1 severe", "ends too soon"),
        ("three", "not understood"),
    ],
)
def test_what_cannot_be_a_case_leaves_nothing(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        sketch_case(text, tmp_path / "new", vessel=LEFT)
    assert list(tmp_path.iterdir()) == []


def test_a_shelf_without_stents(tmp_path: Path, demo_dir: Path) -> None:
    text = (demo_dir / "shelf.toml").read_text()
    shelf = tmp_path / "shelf.toml"
    shelf.write_text(text[: text.index("[[stent]]")])
    with pytest.raises(NotFound, match="no stent"):
        sketch_case(TEXT, tmp_path / "new", vessel=LEFT, shelf_file=shelf)
    assert list(tmp_path.iterdir()) == [shelf]


def test_a_failure_half_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full_disk(file: Path, path: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sketching, "write_path", full_disk)
    with pytest.raises(OSError, match="No space"):
        sketch_case(TEXT, tmp_path / "new", vessel=LEFT)
    assert list(tmp_path.iterdir()) == []


def test_an_existing_folder_is_not_touched(tmp_path: Path) -> None:
    sketch_case(TEXT, tmp_path / "first", vessel=LEFT)
    before = (tmp_path / "first" / "case.toml").stat().st_mtime_ns
    with pytest.raises(InputError, match="exists already"):
        sketch_case(TEXT, tmp_path / "first", vessel=LEFT)
    assert (tmp_path / "first" / "case.toml").stat().st_mtime_ns == before


def test_typed_on_the_command_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(app, ["sketch", TEXT, "--into", "first", *SHORT])
    assert (result.exit_code, result.stderr) == (0, "")
    words = " ".join(result.stdout.split())
    assert f"Sketch of a {LEFT}" in words
    assert f"backstay plan {os.path.join('first', 'case.toml')}" in words


def test_asked_segment_by_segment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    first = ["30", "3.2", "70", "", "", "", "", ""]
    wrong = ["25", "2.9", "0", "", "5.0", "severe", "", ""]
    second = ["25", "2.9", "0", "", "1.2", "severe", "no", "scoring"]
    last = ["30", "2.8-2.4", "", "", "", "", "", ""]
    typed = "\n".join([*first, "y", *wrong, *second, "", *last, "n"]) + "\n"
    result = CliRunner().invoke(app, ["sketch", "--into", "asked", *SHORT], input=typed)
    assert result.exit_code == 0, result.stderr
    assert "How long is this segment" in result.stderr and "How long" not in result.stdout
    assert "narrower than the vessel" in result.stderr
    text = (tmp_path / "asked" / "sketch.txt").read_text()
    assert text == "30 mm 3.2 bend 70 | 25 mm 2.9 tight 1.2 severe prepared scoring_balloon | 30 mm 2.8-2.4\n"
