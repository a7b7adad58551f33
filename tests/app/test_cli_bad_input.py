"""Bad input of every kind: one clear line with file, place, value and what is allowed; nothing written."""

from __future__ import annotations

import json
import math
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest
import tomlkit
from typer.testing import CliRunner

from backstay.cli import app

NOT_FOUND, FORMAT, VALUE, SYSTEM = 3, 4, 5, 8
FULL_DISK = Path("/dev/full")


@pytest.fixture
def folder(demo_dir: Path, tmp_path: Path) -> Path:
    """Return a copy of the demo case, to spoil."""
    return Path(shutil.copytree(demo_dir, tmp_path / "lab"))


@dataclass(frozen=True)
class Spoilt:
    """A change of a copied case, and the place the error must name."""

    change: Callable[[Path], object]
    file: str
    line: int = 0

    def where(self, folder: Path) -> str:
        return f"{folder / self.file}{f':{self.line}' if self.line else ''}"


def setting(file: str, place: str, value: object) -> Spoilt:
    """Change one value of a TOML file; None takes the key away, "#2" picks the second of a list."""

    def change(folder: Path) -> None:
        document = tomlkit.parse((folder / file).read_text())
        table = document
        *parents, last = place.split(".")
        for part in parents:
            name, _, number = part.partition("#")
            table = table.setdefault(name, {})
            table = table[int(number) - 1] if number else table
        if value is None:
            del table[last]
        else:
            table[last] = value
        (folder / file).write_text(tomlkit.dumps(document))

    return Spoilt(change, file)


def case(place: str, value: object) -> Spoilt:
    return setting("case.toml", place, value)


def shelf(place: str, value: object) -> Spoilt:
    return setting("shelf.toml", place, value)


def path_rows(edit: Callable[[list[list[str]]], object], line: int = 0) -> Spoilt:
    """Change the path's table, header first."""

    def change(folder: Path) -> None:
        rows = [line.split(",") for line in (folder / "path.csv").read_text().splitlines()]
        edit(rows)
        (folder / "path.csv").write_text("\n".join(",".join(row) for row in rows) + "\n")

    return Spoilt(change, "path.csv", line)


def cell(row: int, column: int, text: str) -> Spoilt:
    return path_rows(lambda rows: rows[row].__setitem__(column, text), line=row + 1)


def scaled(factor: float) -> Spoilt:
    def edit(rows: list[list[str]]) -> None:
        rows[1:] = [[f"{float(x) * factor:.6f}" for x in row] for row in rows[1:]]

    return path_rows(edit)


def looped(rows: list[list[str]]) -> None:
    """Send the path round a circle inside its own beginning."""
    sizes = rows[1][3:]
    ring = [(0.9 * math.cos(a / 3), 0.9 * math.sin(a / 3), 0.02 * a) for a in range(120)]
    rows[1:] = [[*(f"{v:.3f}" for v in point), *sizes] for point in ring]


def content(file: str, data: bytes, line: int = 0) -> Spoilt:
    return Spoilt(lambda folder: (folder / file).write_bytes(data), file, line)


def removed(file: str, named: str) -> Spoilt:
    return Spoilt(lambda folder: (folder / file).unlink(), named)


def as_folder(file: str) -> Spoilt:
    def change(folder: Path) -> None:
        (folder / file).unlink()
        (folder / file).mkdir()

    return Spoilt(change, file)


LESION, BRANCH = "vessel.lesion#1", "vessel.branch#1"
EXTENSION = {"device": "ext-6", "depth_mm": 30}

# What is spoilt; then exit code, place and value shown, what is allowed.
TABLE: dict[str, tuple[Spoilt, int, str, str]] = {
    # the case file as a file
    "no case file": (removed("case.toml", "case.toml"), NOT_FOUND, "", "a file that exists"),
    "case is a folder": (as_folder("case.toml"), FORMAT, "", "the path of a file"),
    "case is empty": (content("case.toml", b""), FORMAT, "", "one line"),
    "case is huge": (content("case.toml", b"#" * 2_000_001), FORMAT, "", "at most 2,000,000"),
    "case is not UTF-8": (content("case.toml", b"title = '\xff'", line=1), FORMAT, "", "UTF-8"),
    "syntax error": (content("case.toml", b"schema = 1\ntitle = \n", line=2), FORMAT, "", "TOML"),
    "key given twice": (content("case.toml", b"a = 1\na = 1\n", line=2), FORMAT, "", "TOML"),
    # keys and types
    "wrong schema": (case("schema", 2), VALUE, "schema = 2", "1"),
    "missing key": (case("target.device", None), FORMAT, "target.device", "a text"),
    "unknown key": (case("acess", 3), FORMAT, "acess = 3", "access"),
    "unknown key in a lesion": (
        case(f"{LESION}.calcification", "severe"),
        FORMAT,
        "vessel.lesion#1.calcification = 'severe'",
        "calcium",
    ),
    "text for a number": (case("access.sheath_fr", "6"), FORMAT, "access.sheath_fr = '6'", "a number"),
    "number for text": (case("title", 6), FORMAT, "title = 6", "a text"),
    "yes for true": (
        case(f"{LESION}.dissected", "yes"),
        FORMAT,
        "vessel.lesion#1.dissected = 'yes'",
        "true or false",
    ),
    # values by themselves
    "age": (case("patient.age_y", 710), VALUE, "patient.age_y = 710", "18 to 110"),
    "creatinine in umol/L": (
        case("patient.creatinine_mg_dL", 115.0),
        VALUE,
        "patient.creatinine_mg_dL = 115.0",
        "0.2 to 20",
    ),
    "bad route": (case("access.route", "brachial"), VALUE, "access.route = 'brachial'", "'femoral'"),
    "sheath in mm": (case("access.sheath_fr", 2.0), VALUE, "access.sheath_fr = 2.0", "4 to 10"),
    "negative limit": (case("limits.contrast_mL", -5), VALUE, "limits.contrast_mL = -5", "more than 0"),
    "infinite limit": (case("limits.minutes", math.inf), VALUE, "limits.minutes = inf", "1000"),
    "negative weight": (case("weights.per_mL", -1.0), VALUE, "weights.per_mL = -1.0", "0 to 1000"),
    "calcium class": (
        case(f"{LESION}.calcium", "heavy"),
        VALUE,
        "vessel.lesion#1.calcium = 'heavy'",
        "'severe'",
    ),
    "from beyond to": (case(f"{LESION}.from_mm", 70), VALUE, "vessel.lesion#1.to_mm = 62", "from_mm = 70"),
    "place is NaN": (case("target.to_mm", math.nan), VALUE, "target.to_mm = nan", "0 to 400"),
    # values against each other, the path and the shelf
    "sheath smaller than guide": (case("access.sheath_fr", 5), VALUE, "access.sheath_fr = 5", "at least 6"),
    "lesion beyond the path": (case(f"{LESION}.to_mm", 200), VALUE, "vessel.lesion#1.to_mm = 200", "0 to 13"),
    "branch beyond the path": (case(f"{BRANCH}.at_mm", 150), VALUE, "vessel.branch#1.at_mm = 150", "0 to 13"),
    "target beyond the path": (case("target.to_mm", 200), VALUE, "target.to_mm = 200", "0 to 13"),
    "no room for the nose": (case("target.to_mm", 127), VALUE, "target.to_mm = 127", "at most 12"),
    "device still in the guide": (
        case("target", {"device": "stent-275-33", "from_mm": 5, "to_mm": 30}),
        VALUE,
        "target.to_mm = 30",
        "at least 33",
    ),
    "seat beyond the target": (case("rig.seat_mm", 55), VALUE, "target.to_mm = 64.5", "at least 88"),
    "unknown device": (
        case("target.device", "stent-275-34"),
        NOT_FOUND,
        "target.device = 'stent-275-34'",
        "stent-275-33",
    ),
    "unknown guide": (case("rig.guide", "guide-9"), NOT_FOUND, "rig.guide = 'guide-9'", "guide-6-sr"),
    "stent for a wire": (
        case("rig.wires", ["stent-275-33"]),
        VALUE,
        "rig.wires#1 = 'stent-275-33'",
        "wire-workhorse",
    ),
    "wire for a target": (
        case("target.device", "wire-workhorse"),
        VALUE,
        "target.device = 'wire-workhorse'",
        "stent-275-33",
    ),
    "guide for an extension": (
        case("rig.extension", {"device": "guide-6-sr", "depth_mm": 30}),
        VALUE,
        "rig.extension.device = 'guide-6-sr'",
        "ext-6",
    ),
    "extension behind the guide's tip": (
        case(
            "rig", {"guide": "guide-6-sr", "seat_mm": 35, "wires": ["wire-workhorse"], "extension": EXTENSION}
        ),
        VALUE,
        "rig.extension.depth_mm = 30",
        "35 to 13",
    ),
    "extension beyond the path": (
        case("rig.extension", {"device": "ext-6", "depth_mm": 200}),
        VALUE,
        "rig.extension.depth_mm = 200",
        "0 to 13",
    ),
    "anchor in no branch": (
        case("rig.anchor", {"device": "bal-sc-200-15", "branch": "conus branch", "pressure_atm": 8}),
        NOT_FOUND,
        "rig.anchor.branch = 'conus branch'",
        "first right ventricular branch",
    ),
    "anchor above burst": (
        case(
            "rig.anchor",
            {"device": "bal-sc-200-15", "branch": "first right ventricular branch", "pressure_atm": 20},
        ),
        VALUE,
        "rig.anchor.pressure_atm = 20",
        "at most 14 atm",
    ),
    "unknown draw": (
        case("draws", {"friction_wal": {"median": 0.1, "spread": 0.4}}),
        FORMAT,
        "draws.friction_wal",
        "friction_wall",
    ),
    "draw median not positive": (
        case("draws", {"friction_wall": {"median": 0.0, "spread": 0.4}}),
        VALUE,
        "draws.friction_wall.median = 0.0",
        "greater than 0",
    ),
    "draw spread not positive": (
        case("draws", {"friction_wall": {"median": 0.1, "spread": 0.0}}),
        VALUE,
        "draws.friction_wall.spread = 0.0",
        "more than 0",
    ),
    # the path
    "no path file": (removed("path.csv", "case.toml"), NOT_FOUND, "vessel.path = 'path.csv'", "path.csv"),
    "path is a folder": (as_folder("path.csv"), FORMAT, "path", "a CSV file"),
    "path is empty": (content("path.csv", b""), FORMAT, "", "x_mm,y_mm,z_mm,radius_mm"),
    "path is not UTF-8": (
        content("path.csv", b"x_mm,y_mm\n\xff\n", line=2),
        FORMAT,
        "encoding = 0xff",
        "UTF-8",
    ),
    "path without a radius": (cell(0, 3, "width_mm"), FORMAT, "header = width_mm", "radius_mm"),
    "path with an unknown column": (cell(0, 4, "error"), FORMAT, "header = error", "radius_sd_mm"),
    "path with NaN": (cell(9, 3, "nan"), FORMAT, "radius_mm = nan", "finite"),
    "path with a word": (cell(9, 0, "left"), FORMAT, "x_mm = left", "finite"),
    "negative radius": (cell(9, 3, "-1.2"), VALUE, "radius_mm = -1.2", "above 0"),
    "point given twice": (
        path_rows(lambda rows: rows.insert(9, rows[8]), line=10),
        VALUE,
        "x_mm,y_mm,z_mm",
        "distinct",
    ),
    "path in cm": (scaled(0.1), VALUE, "x_mm,y_mm,z_mm,radius_mm = length 1", "multiply every column by 10"),
    "path in inches": (
        scaled(1 / 25.4),
        VALUE,
        "x_mm,y_mm,z_mm,radius_mm = length 5",
        "multiply every column by 25.4",
    ),
    "diameters for radii, ten times": (scaled(10.0), VALUE, "radius_mm", "radii between 0.3 and 4"),
    "path in a loop": (
        path_rows(looped, line=54),
        VALUE,
        "x_mm,y_mm,z_mm = from itself",
        "further from each other",
    ),
    "path of four points": (
        path_rows(lambda rows: rows.__delitem__(slice(5, None))),
        FORMAT,
        "rows = 4",
        "5 or more",
    ),
    # the shelf
    "no shelf": (removed("shelf.toml", "case.toml"), NOT_FOUND, "shelf = 'shelf.toml'", "shelf.toml"),
    "shelf with a syntax error": (content("shelf.toml", b"[[wire]\n", line=1), FORMAT, "", "TOML"),
    "shelf without devices": (
        content("shelf.toml", b'schema = 1\ntitle = "x"\n'),
        FORMAT,
        "",
        "at least one device",
    ),
    "same id twice": (shelf("guide#2.id", "guide-5-sl"), VALUE, "guide#2.id = 'guide-5-sl'", "used once"),
    "bore in inches": (
        shelf("guide#1.inner_diameter_mm", 0.058),
        VALUE,
        "guide#1.inner_diameter_mm = 0.058",
        "0.1 to 5",
    ),
    "unknown table": (shelf("stents", []), FORMAT, "stents = a list of 0", "stent"),
    "source nobody has": (
        shelf("wire#1.sources.tip_load_N", "someone1999"),
        VALUE,
        "wire#1.sources.tip_load_N = 'someone1999'",
        "backstay sources",
    ),
}


def snapshot(folder: Path) -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in sorted(folder.parent.rglob("*")) if p.is_file()}


@pytest.mark.parametrize(("spoilt", "code", "shown", "allowed"), TABLE.values(), ids=TABLE)
def test_bad_input(folder: Path, spoilt: Spoilt, code: int, shown: str, allowed: str) -> None:
    spoilt.change(folder)
    out = folder.parent / "plan.pdf"
    out.write_text("the plan of yesterday")
    before = snapshot(folder)
    result = CliRunner().invoke(app, ["plan", str(folder / "case.toml"), "--pdf", str(out)])
    assert (result.exit_code, result.stdout) == (code, "")
    assert result.stderr.startswith(f"backstay: {spoilt.where(folder)}")
    assert result.stderr.count("\n") == 1 and "Traceback" not in result.stderr
    field, _, value = shown.partition(" = ")
    assert any(p.startswith(field) and value in p for p in result.stderr.split("; ")), result.stderr
    assert allowed in result.stderr.partition("allowed: ")[2]
    assert snapshot(folder) == before


def test_a_devices_id_is_named_too(folder: Path) -> None:
    shelf("stent#2.length_cm", -140.0).change(folder)
    result = CliRunner().invoke(app, ["plan", str(folder / "case.toml")])
    written = tomllib.loads((folder / "shelf.toml").read_text(encoding="utf-8"))["stent"][1]["id"]
    assert "stent#2.length_cm" in result.stderr and f"({written})" in result.stderr


def test_there_are_enough_kinds() -> None:
    assert len(TABLE) >= 30


def test_the_same_error_for_machines(folder: Path) -> None:
    case("access.sheath_fr", 5).change(folder)
    result = CliRunner().invoke(app, ["plan", str(folder / "case.toml"), "--json", str(folder / "out.json")])
    assert (result.exit_code, result.stdout) == (VALUE, "")
    assert json.loads(result.stderr) == {
        "error": "InputError",
        "message": "the sheath is smaller than the guide (6 Fr)",
        "field": "access.sheath_fr",
        "value": "5.0",
        "allowed": "at least 6",
        "where": str(folder / "case.toml"),
    }
    assert not (folder / "out.json").exists()


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["plan", "CASE", "--json", "-", "--html", "-"], VALUE, "two outputs go to one place"),
        (["plan", "CASE", "--html", "none/plan.html"], VALUE, "no such folder"),
        (["plan", "CASE", "--html", "."], VALUE, "this is a folder"),
        (["plan", "CASE", "--json", "CASE"], VALUE, "overwrite an input"),
        (["plan", "CASE", "--json", "PATH"], VALUE, "overwrite an input"),
        (["plan", "CASE", "--strip", "strip.jpg"], VALUE, "F.svg or F.png"),
        (["fit"], VALUE, "a case or a shelf"),
        (["fit", "CASE", "--card", "SHELF"], VALUE, "a case or a shelf"),
        (["fit", "CASE", "--pdf", "x.pdf"], VALUE, "only with --card"),
        (["fit", "--card", "SHELF", "--section", "x.svg"], VALUE, "only with a case"),
        (["fit", "--card", "CASE"], FORMAT, "unknown key"),
        (["sketch", "25 mm 3.4", "--into", "new"], VALUE, "no lesion to treat"),
        (["sketch", "25 km 3.4", "--into", "new"], VALUE, "not understood"),
        (["sketch", "25 mm 3.4 tight 1", "--into", "."], VALUE, "exists already"),
        (["sketch", "25 mm 3.4 tight 1", "--into", "none/new"], VALUE, "no such folder"),
        (["plan", "CASE", "--draws", "3"], 2, "--draws"),
        (["plan"], 2, "CASE"),
        (["pln", "CASE"], 2, "pln"),
    ],
)
def test_bad_words(
    folder: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], code: int, says: str
) -> None:
    monkeypatch.chdir(folder)
    before = snapshot(folder)
    names = {"CASE": "case.toml", "PATH": "path.csv", "SHELF": "shelf.toml"}
    result = CliRunner().invoke(app, [names.get(word, word) for word in words])
    assert (result.exit_code, result.stdout) == (code, "")
    assert says in result.stderr
    assert code == 2 or result.stderr.count("\n") == 1
    assert snapshot(folder) == before


def run(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    command = [sys.executable, "-W", "error", "-m", "backstay", *words]
    return subprocess.run(command, cwd=cwd, env=environment, capture_output=True, text=True)


@pytest.mark.parametrize("name", ["unknown key", "negative radius", "same id twice", "no case file"])
def test_the_real_program(folder: Path, name: str) -> None:
    spoilt, code, *_ = TABLE[name]
    spoilt.change(folder)
    before = snapshot(folder)
    result = run("plan", "case.toml", "--json", "out.json", cwd=folder)
    assert (result.returncode, result.stdout) == (code, "")
    assert json.loads(result.stderr)["where"] == spoilt.where(Path())
    assert snapshot(folder) == before


@pytest.mark.skipif(not FULL_DISK.exists(), reason="this system has no device that is always full")
def test_a_device_that_is_always_full(tmp_path: Path) -> None:
    result = run("sources", "--json", str(FULL_DISK), cwd=tmp_path)
    assert (result.returncode, result.stdout) == (SYSTEM, "")
    assert json.loads(result.stderr)["message"] == "No space left on device"
    assert FULL_DISK.is_char_device()


def test_a_full_disk_leaves_the_old_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full_disk(handle: int) -> None:
        raise OSError(28, "No space left on device")

    out = folder / "s.json"
    out.write_text("old")
    monkeypatch.setattr(os, "fsync", full_disk)
    result = CliRunner().invoke(app, ["sources", "--json", str(out)])
    assert (result.exit_code, result.stdout) == (SYSTEM, "")
    assert json.loads(result.stderr)["message"] == "No space left on device"
    assert out.read_text() == "old"
