"""The treatment from the outside: the command, its output for people and machines, and what it does with odd cases."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.schemas import all_schemas
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.cli import app
from backstay.report.words import DISCLAIMER


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], env={"COLUMNS": "120"})


@pytest.fixture(scope="module")
def demo(demo_dir: Path) -> TreatmentDocument:
    return size_case(load_case(demo_dir / "case.toml"))


def test_the_command_prints_the_answer(demo_dir: Path, demo: TreatmentDocument) -> None:
    result = invoke("size", demo_dir / "case.toml")
    assert (result.exit_code, result.stderr) == (0, "")
    text = " ".join(result.stdout.split())
    assert demo.stretches[0].best is not None
    for stent in demo.stretches[0].best.stents:
        assert stent.name in text
    assert text.count(" ".join(DISCLAIMER.split())) == 2
    assert "did not cross" in text and "attempt" in text


def test_json_obeys_its_schema_and_says_the_same(demo_dir: Path, demo: TreatmentDocument) -> None:
    result = invoke("size", demo_dir / "case.toml", "--json")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    jsonschema.validate(data, all_schemas()["treatment"])
    assert TreatmentDocument.model_validate(data) == demo


def test_the_target_of_the_demo_is_what_is_chosen(demo: TreatmentDocument) -> None:
    assert demo.target == []
