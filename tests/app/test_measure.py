"""`backstay measure`, `views` and `phantom` from the command line, on the invented phantom with known truth."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from backstay.cli import app

RUNNER = CliRunner()


def run(*words: object, code: int = 0) -> str:
    result = RUNNER.invoke(app, [str(w) for w in words])
    assert result.exit_code == code, (result.output, result.exception)
    return result.output


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with the phantom filmed and measured."""
    made = tmp_path_factory.mktemp("phantom") / "p"
    run("phantom", made, "--seed", 3)
    run("measure", "--points", made / "points.toml", "--into", made / "m")
    return made


@pytest.fixture(scope="module")
def record(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder / "m" / "measurement.toml").read_text())


def truth(folder: Path) -> np.ndarray:
    return np.loadtxt(folder / "truth.csv", delimiter=",", skiprows=2)


def test_length_and_narrowing_are_near_the_truth(folder: Path, record: dict[str, Any]) -> None:
    true = truth(folder)
    whole = np.linalg.norm(np.diff(true[:, :3], axis=0), axis=1).sum()
    result = record["result"]
    # The clicks leave out 2 % at either end. Bounds of 2.5 % and 0.3 mm: what one draw may be off, not the bars.
    assert result["length_mm"] == pytest.approx(0.96 * whole, rel=0.025)
    tightest = min(s["least_diameter_mm"] for s in result["stenosis"])
    assert tightest == pytest.approx(2.0 * true[:, 3].min(), abs=0.3)
    assert [s["from_mm"] for s in result["stenosis"]] == sorted(s["from_mm"] for s in result["stenosis"])


def test_the_path_can_be_planned_on(folder: Path) -> None:
    from backstay.adapters.path_file import load_path

    path = load_path(folder / "m" / "path.csv").path
    assert path.length_mm > 60.0
    assert (path.radius_sd_mm > 0.0).all()


def test_a_record_repeats_itself_exactly(folder: Path, tmp_path: Path) -> None:
    run("measure", "--points", folder / "m" / "measurement.toml", "--into", tmp_path)
    assert (tmp_path / "path.csv").read_bytes() == (folder / "m" / "path.csv").read_bytes()
    again = tomllib.loads((tmp_path / "measurement.toml").read_text())
    first = tomllib.loads((folder / "m" / "measurement.toml").read_text())
    assert again["result"] == first["result"]


def test_another_file_under_the_same_name_is_refused(folder: Path, tmp_path: Path) -> None:
    text = (folder / "m" / "measurement.toml").read_text().replace('file = "../', f'file = "{folder}/')
    name = "lao-cranial.dcm"
    other = tmp_path / "r.toml"
    other.write_text(text.replace(f"{folder}/{name}", f"{folder}/rao-caudal.dcm"))
    assert "not the run" in run("measure", "--points", other, code=4)


def test_the_record_follows_its_schema(record: dict[str, Any], root: Path) -> None:
    import jsonschema

    schema = json.loads((root / "src" / "backstay" / "schemas" / "measurement.schema.json").read_text())
    jsonschema.validate(record, schema)


def test_the_picture_shows_both_frames(folder: Path) -> None:
    svg = (folder / "m" / "measurement.svg").read_text()
    assert svg.count("<image ") == 2
    assert "not validated for clinical decisions" in svg
    assert "invented phantom" in svg
    assert "RAO 30 CAU 20" in svg


def test_a_wrong_sign_is_refused_and_named(folder: Path, tmp_path: Path) -> None:
    text = (folder / "points.toml").read_text().replace('file = "', f'file = "{folder}/')
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(text.replace("frame = 2", "frame = 2\nprimary_deg = 30.0", 1))
    out = run("measure", "--points", wrong, code=6)
    assert "sign of an angle" in out
    assert "LAO" in run("measure", "--points", wrong, "--accept", "signs", "--accept", "table_shift")


def test_the_spine_tells_a_wrong_side(folder: Path, tmp_path: Path) -> None:
    text = (folder / "points.toml").read_text().replace('file = "', f'file = "{folder}/')
    wrong = tmp_path / "spine.toml"
    wrong.write_text(text.replace("frame = 2", 'frame = 2\nspine = "right"', 1))
    assert "spine" in run("measure", "--points", wrong, code=6)


def test_one_view_is_flat_and_says_so(folder: Path, record: dict[str, Any], tmp_path: Path) -> None:
    clicks = " ".join(f"{r},{c}" for r, c in record["run"][0]["clicks"])
    out = run("measure", folder / "rao-caudal.dcm", "--marks-a", f"2: {clicks}", "--into", tmp_path)
    assert "At least" in out
    assert "one view only" in " ".join(out.split())
    flat = np.loadtxt(tmp_path / "path.csv", delimiter=",", skiprows=2)[:, :3]
    across = np.linalg.svd(flat - flat.mean(axis=0))[2][-1]
    # Points are written to 0.1 micrometre.
    assert np.abs((flat - flat.mean(axis=0)) @ across).max() < 1e-3
    single = tomllib.loads((tmp_path / "measurement.toml").read_text())["result"]
    assert single["length_mm"] < record["result"]["length_mm"] < single["longest_mm"]


def test_looking_says_what_a_run_holds(folder: Path, tmp_path: Path) -> None:
    out = run("measure", folder / "rao-caudal.dcm", "--picture", tmp_path / "f.svg", "--frame", 2)
    assert "RAO 30 CAU 20" in out
    assert "<image " in (tmp_path / "f.svg").read_text()


def test_hand_corrections_take_their_place(folder: Path, tmp_path: Path, record: dict[str, Any]) -> None:
    """Edges set by hand at the narrowing in both views set its diameter; the record says so."""
    text = (folder / "points.toml").read_text().replace('file = "', f'file = "{folder}/')
    document = tomllib.loads(text)
    assert len(document["run"]) == 2
    from backstay.adapters.measurement_file import EdgeTable, read_measurement, write_measurement
    from backstay.app.measure import measure

    whole = read_measurement(folder / "points.toml")
    before = measure(whole, folder)
    at = before.vessel.stenoses[0].at_mm
    runs = []
    for k, table in enumerate(whole.run):
        lumen = before.vessel.lumens[k]
        row = int(
            np.argmin(np.abs(lumen.along_px - np.interp(at, before.vessel.s_mm, before.vessel.rows_at[k])))
        )
        middle, normal = lumen.line_px[row], lumen.strip.normals[row]
        edge = EdgeTable(
            left=list(map(float, middle - 4.0 * normal)), right=list(map(float, middle + 4.0 * normal))
        )
        runs.append(table.model_copy(update={"edge": [edge]}))
    changed = whole.model_copy(update={"run": runs})
    after = measure(changed, folder)
    there = np.argmin(np.abs(after.vessel.s_mm - at))
    # 8 px at 0.1875 mm, give or take the depth of the vessel.
    assert 2.0 * after.vessel.radius_mm[there] == pytest.approx(1.5, rel=0.06)
    assert before.vessel.stenoses[0].least_diameter_mm < 1.2
    assert any("edges at 1 places" in text for text in after.document.result.set_by_hand)  # type: ignore[union-attr]
    write_measurement(tmp_path / "m.toml", after.document)
    assert read_measurement(tmp_path / "m.toml").run[0].edge == runs[0].edge


def test_a_guessed_distance_is_a_doubt_of_the_record(folder: Path) -> None:
    from dataclasses import replace

    from backstay.adapters.measurement_file import read_measurement
    from backstay.app.measure import Looked, looked, measured, sight_of

    whole = read_measurement(folder / "points.toml")
    document = whole.model_copy(update={"run": whole.run[:1]})
    sure = looked(document.run[0], folder)
    run_ = replace(sure.run, geometry=replace(sure.run.geometry, sod_is_guess=True))
    guess = Looked(run_, *sight_of(run_, document.run[0]), sure.lumen)
    said = [[r.doubt for r in measured(document, (look,)).document.result.remark] for look in (sure, guess)]  # type: ignore[union-attr]
    assert "scale" not in said[0]
    assert said[1].count("scale") == 1


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["--marks-a", "2: 1,2"], 5, "two clicks"),
        (["--marks-a", "1,2 3,4"], 5, "begin with the frame"),
        (["--marks-a", "9: 100,100 200,200"], 5, "1 to 3"),
        (["--marks-a", "2: 100,100 900,200"], 5, "not on the image"),
        (["--marks-a", "2: 100,100 100,100"], 5, "fall together"),
        (["--marks-a", "2: 100,100 200,200", "--catheter", "12; 1,1 50,50"], 5, "size_fr"),
        (["--picture", "x.jpg"], 5, "F.svg or F.png"),
    ],
)
def test_bad_words(folder: Path, words: list[str], code: int, text: str) -> None:
    assert text in run("measure", folder / "rao-caudal.dcm", *words, code=code)


def test_views_of_a_measured_case(folder: Path, demo_dir: Path, tmp_path: Path) -> None:
    case = case_on(folder / "m" / "measurement.toml", demo_dir, tmp_path)
    out = json.loads(run("views", case, "--json"))
    assert len(out["views"]) == 5
    losses = [v["lost_mm"] + v["covered_mm"] for v in out["views"]]
    assert losses == sorted(losses)
    assert out["views"][0]["lost_percent"] < 10.0
    bifurcation = json.loads(run("views", case, "--branch", "diagonal", "--json"))
    assert bifurcation["what"] == "bifurcation with diagonal"
    for words, field in (
        (("--most", "-10", "60", "40", "40"), "--most RAO"),
        (("--most", "50", "60", "40", "75"), "--most CRA"),
        (("--branch", "diagonal", "--from", "3"), "--branch"),
    ):
        assert field in run("views", case, *words, code=5)


def test_views_need_the_patients_axes(demo_dir: Path) -> None:
    assert "vessel.axes" in run("views", demo_dir / "case.toml", code=5)


def case_on(measurement: Path, demo_dir: Path, into: Path) -> Path:
    """Return a case on a measured vessel: the demo's, with another vessel and no extension."""
    text = (demo_dir / "case.toml").read_text()
    head, _, tail = text.partition("[vessel]")
    rest = tail[tail.index("[rig]") :]
    vessel = (
        f'[vessel]\nname = "anterior descending artery"\nmeasurement = "{measurement}"\n\n'
        '[[vessel.lesion]]\nfrom_mm = 21\nto_mm = 33\ncalcium = "severe"\n\n'
        '[[vessel.branch]]\nname = "diagonal"\nat_mm = 13\ndiameter_mm = 2.0\nangle_deg = 55\n\n'
    )
    (into / "shelf.toml").write_bytes((demo_dir / "shelf.toml").read_bytes())
    rest = rest.replace("from_mm = 31.5", "from_mm = 10.5").replace("to_mm = 64.5", "to_mm = 43.5")
    (into / "case.toml").write_text(head + vessel + rest)
    return into / "case.toml"
