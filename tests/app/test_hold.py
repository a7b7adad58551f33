"""A lab's own readings of hold: entered by command, kept in a file, used by a plan; and the board to take them on, to scale."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.holds_file import read_holds
from backstay.app.holds import READING_LABEL, case_specs
from backstay.app.loading import load_case
from backstay.cli import app
from backstay.core.inference.draws import DEFAULT_DRAWS

ADDED = ("--guide", "guide-6-ebl", "--access", "femoral", "--grams", "61 58 64 60 57")


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "120"})


@pytest.fixture
def lab(demo_dir: Path, tmp_path: Path) -> Path:
    copy = tmp_path / "case"
    shutil.copytree(demo_dir, copy)
    return copy


def test_readings_are_kept_and_told(lab: Path) -> None:
    file = lab / "readings.toml"
    first = invoke("hold", file, "--shelf", lab / "shelf.toml", *ADDED)
    assert first.exit_code == 0, first.output
    assert "1 in the file" in first.stdout
    extension = ("--extension", "ext-6", "--depth", "30", "--guide", "guide-6-ebl", "--grams", "130 118 125")
    second = invoke("hold", file, *extension)
    assert second.exit_code == 0, second.output
    holds = read_holds(file)
    assert [row.grams for row in holds.reading] == [[61, 58, 64, 60, 57], [130, 118, 125]]
    assert holds.reading[1].depth_mm == 30.0


def test_comments_of_the_lab_stay(lab: Path) -> None:
    file = lab / "readings.toml"
    invoke("hold", file, "--shelf", lab / "shelf.toml", *ADDED)
    file.write_text("# taken on a Tuesday\n" + file.read_text())
    assert invoke("hold", file, *ADDED).exit_code == 0
    assert file.read_text().startswith("# taken on a Tuesday\n")
    assert len(read_holds(file).reading) == 2


def test_a_plan_takes_the_readings(lab: Path) -> None:
    case = lab / "case.toml"
    before = {spec.name: spec for spec in case_specs(load_case(case))}
    invoke("hold", lab / "readings.toml", "--shelf", lab / "shelf.toml", *ADDED)
    case.write_text(case.read_text().replace("schema = 1\n", 'schema = 1\nholds = "readings.toml"\n'))
    loaded = load_case(case)
    after = {spec.name: spec for spec in case_specs(loaded)}
    assert after["guide_hold_N"].source == READING_LABEL
    # 60 gram-force are 0.59 N, half of the judged 1.2 N
    assert 0.59 < after["guide_hold_N"].median < before["guide_hold_N"].median
    assert after["guide_hold_N"].spread < before["guide_hold_N"].spread
    assert loaded.inputs[-1] == lab / "readings.toml"
    unchanged = {spec.name for spec in DEFAULT_DRAWS} - {"guide_hold_N", "extension_factor"}
    assert all(after[name] == before[name] for name in unchanged)


def test_the_case_file_has_the_last_word(lab: Path) -> None:
    invoke("hold", lab / "readings.toml", "--shelf", lab / "shelf.toml", *ADDED)
    case = lab / "case.toml"
    text = case.read_text().replace("schema = 1\n", 'schema = 1\nholds = "readings.toml"\n')
    case.write_text(text + "\n[draws]\nguide_hold_N = { median = 0.9, spread = 0.1 }\n")
    found = {spec.name: spec for spec in case_specs(load_case(case))}
    assert (found["guide_hold_N"].median, found["guide_hold_N"].spread) == (0.9, 0.1)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--guide", "guide-9", "--grams", "60"), "guide-9"),
        (("--guide", "guide-6-ebl", "--grams", "heavy"), "heavy"),
        (("--guide", "guide-6-ebl", "--grams", "-5"), "grams"),
        (("--guide", "guide-6-ebl"), "--grams"),
        (("--guide", "guide-6-ebl", "--grams", "60", "--extension", "ext-6"), "depth_mm"),
        (("--guide", "guide-6-ebl", "--grams", "60", "--access", "brachial"), "access"),
    ],
)
def test_what_cannot_be_read_is_refused_and_nothing_written(
    lab: Path, words: tuple[str, ...], said: str
) -> None:
    file = lab / "readings.toml"
    result = invoke("hold", file, "--shelf", lab / "shelf.toml", *words)
    assert result.exit_code != 0
    assert said in result.output
    assert "Traceback" not in result.output
    assert not file.exists()


def test_a_new_file_needs_its_shelf(lab: Path) -> None:
    result = invoke("hold", lab / "readings.toml", *ADDED)
    assert result.exit_code != 0
    assert "--shelf" in result.output


def _longest_runs(page: np.ndarray) -> tuple[int, int]:
    """Return the longest unbroken dark line across and along the lower left of a page, in pixels."""

    def longest(rows: np.ndarray) -> int:
        best = 0
        for row in rows:
            edges = np.flatnonzero(np.diff(np.concatenate([[0], row.astype(np.int8), [0]])))
            if len(edges):
                best = max(best, int((edges[1::2] - edges[::2]).max()))
        return best

    return longest(page), longest(page.T)


def test_the_boards_rulers_are_100_mm_on_paper(tmp_path: Path) -> None:
    """The printed page itself is measured: at 10 px per millimetre each ruler is 1000 px."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm is not installed")
    result = invoke("hold", "--board", tmp_path / "board.pdf")
    assert result.exit_code == 0, result.output
    subprocess.run(
        ["pdftoppm", "-r", "254", "-gray", "-singlefile", tmp_path / "board.pdf", tmp_path / "board"],
        check=True,
        stderr=subprocess.DEVNULL,
    )
    raw = (tmp_path / "board.pgm").read_bytes()
    _, size, _, pixels = raw.split(b"\n", 3)
    width, height = (int(word) for word in size.split())
    page = np.frombuffer(pixels, dtype=np.uint8).reshape(height, width) < 128
    assert (width, height) == pytest.approx((2100, 2970), abs=2)
    across, _ = _longest_runs(page[1500:2200, 200:1400])
    _, along = _longest_runs(page[300:1700, 150:300])
    assert across == pytest.approx(1000, abs=6)  # the line's own width, 0.4 mm, at its ends
    assert along == pytest.approx(1000, abs=6)
