"""The command line from the outside: what is printed, what is saved, and where."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.plan_file import PlanDocument
from backstay.adapters.schemas import all_schemas
from backstay.cli import app
from backstay.sources import all_sources

SHORT = ["--only", "--draws", "64"]


def invoke(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], input=typed)


def run(*words: str, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the real program, warnings as errors."""
    source = str(Path(__file__).parents[2] / "src")
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "backstay", *words],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": source, **environment},
        capture_output=True,
        text=True,
    )


@pytest.fixture(scope="module")
def planned(demo_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    """Return the folder and outcome of a short plan with every kind of output."""
    folder = tmp_path_factory.mktemp("planned")
    outputs = {"json": "plan.json", "html": "plan.html", "pdf": "plan.pdf"}
    outputs |= {"strip": "strip.png", "section": "section.SVG"}
    words = [word for option, name in outputs.items() for word in (f"--{option}", str(folder / name))]
    return folder, invoke("plan", demo_dir / "case.toml", *SHORT, *words)


def test_every_output_of_a_plan(planned: tuple[Path, Result]) -> None:
    folder, result = planned
    assert (result.exit_code, result.stderr) == (0, "")
    assert sorted(p.name for p in folder.iterdir()) == [
        *("plan.html", "plan.json", "plan.pdf", "section.SVG", "strip.png")
    ]
    assert (folder / "plan.html").read_text().lower().startswith("<!doctype html>")
    assert (folder / "plan.pdf").read_bytes().startswith(b"%PDF-")
    assert (folder / "strip.png").read_bytes().startswith(b"\x89PNG")
    assert (folder / "section.SVG").read_text().startswith("<svg")


def test_the_saved_plan_is_a_plan(planned: tuple[Path, Result]) -> None:
    text = (planned[0] / "plan.json").read_text()
    jsonschema.validate(json.loads(text), all_schemas()["plan"])
    plan = PlanDocument.model_validate_json(text)
    assert (plan.draw_count, plan.seed, len(plan.rigs)) == (64, 1, 1)
    assert plan.invented


def test_the_terminal_says_it_is_invented_and_a_teaching_aid(planned: tuple[Path, Result]) -> None:
    words = " ".join(planned[1].stdout.split()).lower()
    assert "invented" in words
    assert "planning and teaching aid" in words and "not validated for clinical decisions" in words


def test_json_on_standard_output_is_alone_there(demo_dir: Path, planned: tuple[Path, Result]) -> None:
    result = run("plan", str(demo_dir / "case.toml"), *SHORT, "--json", cwd=planned[0])
    assert (result.returncode, result.stderr) == (0, "")
    assert result.stdout == (planned[0] / "plan.json").read_text()


def test_another_seed_is_another_plan(demo_dir: Path, planned: tuple[Path, Result]) -> None:
    result = invoke("plan", demo_dir / "case.toml", *SHORT, "--seed", "2", "--json", "-")
    first, other = json.loads((planned[0] / "plan.json").read_text()), json.loads(result.stdout)
    assert other["seed"] == 2
    assert other["rigs"][0]["backup_N"] != first["rigs"][0]["backup_N"]


def test_the_demo(tmp_path: Path) -> None:
    result = run("demo", cwd=tmp_path, NO_COLOR="1")
    assert (result.returncode, result.stderr) == (0, "")
    made = tmp_path / "out" / "demo"
    assert sorted(p.name for p in made.iterdir()) == ["plan.html", "plan.json", "plan.pdf"]
    assert "out/demo/plan.html" in result.stdout
    assert "\x1b" not in result.stdout
    plan = PlanDocument.model_validate_json((made / "plan.json").read_text())
    assert plan.invented and "invented" in plan.title.lower()
    assert len(plan.rigs) >= 10
    # The terminal has it in brief: what must be known before the next move, and every rung.
    words = " ".join(result.stdout.split())
    assert len(result.stdout.splitlines()) < 110
    assert "not validated for clinical decisions" in words and "What must I not do?" in words
    assert plan.ladder is not None and plan.ladder.rungs
    assert all(rung.change in words for rung in plan.ladder.rungs)
    assert "Does it fit?" not in words and "without --brief" in words


def test_check_says_what_was_understood(demo_dir: Path) -> None:
    result = invoke("check", demo_dir / "case.toml")
    assert (result.exit_code, result.stderr) == (0, "")
    words = " ".join(result.stdout.split())
    for part in (
        "(invented)",
        "130 mm",
        "34 to 62 mm, calcium severe",
        "6 Fr standard right guide",
        "31.5 to 64.5",
    ):
        assert part in words
    summary = json.loads(invoke("check", demo_dir / "case.toml", "--json").stdout)
    assert 300 <= summary["bend_deg"] <= 370 < summary["bend_raw_deg"]
    assert summary["narrowest_diameter_mm"] < 1.4
    assert summary["warnings"] == []


def test_fit_of_a_case(demo_dir: Path, tmp_path: Path) -> None:
    result = invoke("fit", demo_dir / "case.toml", "--section", tmp_path / "section.svg")
    assert (result.exit_code, result.stderr) == (0, "")
    assert "fits" in result.stdout
    assert (tmp_path / "section.svg").read_text().startswith("<svg")
    found = json.loads(invoke("fit", demo_dir / "case.toml", "--json").stdout)
    assert found["verdict"] == "fits" and len(found["lines"]) > 3


def test_fit_card_of_a_shelf(demo_dir: Path, tmp_path: Path) -> None:
    result = invoke("fit", "--card", demo_dir / "shelf.toml", "--pdf", tmp_path / "card.pdf")
    assert (result.exit_code, result.stderr) == (0, "")
    assert "largest stent" in result.stdout
    assert (tmp_path / "card.pdf").read_bytes().startswith(b"%PDF-")
    card = json.loads(invoke("fit", "--card", demo_dir / "shelf.toml", "--json").stdout)
    assert all(len(row["cells"]) == len(card["loads"]) for row in card["rows"])


def test_sources() -> None:
    result = invoke("sources")
    assert result.exit_code == 0
    assert all(key in result.stdout for key in all_sources())
    rows = json.loads(invoke("sources", "--json").stdout)
    assert [row["key"] for row in rows] == list(all_sources())
    assert rows[0].keys() == {"key", "citation", "gives", "read_as"}


def test_saving_and_printing_json_is_the_same(tmp_path: Path) -> None:
    result = invoke("sources", "--json", tmp_path / "s.json")
    assert "key" in result.stdout and not result.stdout.startswith("[")
    assert (tmp_path / "s.json").read_text() == invoke("sources", "--json", "-").stdout


def test_version_and_help() -> None:
    assert invoke("--version").stdout == f"backstay {version('backstay')}\n"
    words = " ".join(invoke("--help").stdout.split())
    for command in ("demo", "sketch", "check", "fit", "plan", "sources"):
        assert f" {command} " in words
    assert "not validated for clinical decisions" in words


def test_help_loads_none_of_the_heavy_parts(tmp_path: Path) -> None:
    code = (
        "import sys\nimport backstay.cli\nfrom typer.testing import CliRunner\n"
        "assert CliRunner().invoke(backstay.cli.app, ['--help']).exit_code == 0\n"
        "print(sorted({'numpy', 'scipy', 'numba', 'typst', 'pydantic'} & sys.modules.keys()))"
    )
    source = str(Path(__file__).parents[2] / "src")
    environment = {**os.environ, "PYTHONPATH": source}
    result = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True)
    assert result.stdout.strip() == "[]", result.stderr


@pytest.mark.parametrize(("asked", "given"), [(None, "1"), ("2", "2")])
def test_products_of_matrices_are_not_shared_out_unless_asked(asked: str | None, given: str) -> None:
    code = (
        "import os, sys\nfrom backstay.cli import main\nsys.argv = ['backstay', '--version']\n"
        "try: main()\nexcept SystemExit: print(os.environ['OPENBLAS_NUM_THREADS'])"
    )
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2] / "src")}
    environment.pop("OPENBLAS_NUM_THREADS", None)
    environment |= {"OPENBLAS_NUM_THREADS": asked} if asked else {}
    result = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True)
    assert result.stdout.split()[-1] == given, result.stderr


def test_colour_only_where_it_is_seen(demo_dir: Path, tmp_path: Path) -> None:
    words = ["check", str(demo_dir / "case.toml")]
    assert "\x1b" not in run(*words, cwd=tmp_path).stdout
    assert "\x1b[" in run(*words, cwd=tmp_path, FORCE_COLOR="1", TERM="xterm").stdout
    plain = run(*words, cwd=tmp_path, FORCE_COLOR="1", TERM="xterm", NO_COLOR="1").stdout
    assert "\x1b[3" not in plain


def test_a_case_is_found_from_elsewhere(
    demo_dir: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(demo_dir, tmp_path / "lab" / "case")
    shutil.move(tmp_path / "lab" / "case" / "shelf.toml", tmp_path / "lab" / "shelf.toml")
    file = tmp_path / "lab" / "case" / "case.toml"
    file.write_text(file.read_text().replace('"shelf.toml"', '"../shelf.toml"'))
    monkeypatch.chdir(tmp_path)
    assert invoke("check", "lab/case/case.toml").exit_code == 0


def test_a_reader_that_stops_early_is_no_error(tmp_path: Path) -> None:
    source = str(Path(__file__).parents[2] / "src")
    command = f"{sys.executable} -m backstay sources --json | head -c 10"
    environment = {**os.environ, "PYTHONPATH": source}
    result = subprocess.run(
        command, shell=True, cwd=tmp_path, env=environment, capture_output=True, text=True
    )
    assert len(result.stdout) == 10
    assert result.stderr == ""
