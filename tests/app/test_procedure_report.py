"""The report of a procedure: made from case and record alone, the same in every form, never inventing anything."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from backstay.cli import app


@pytest.fixture
def case_file(root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(root / "examples" / "recorded", tmp_path / "recorded")
    monkeypatch.setenv("BACKSTAY_STORE", f"sqlite:///{tmp_path / 'records.sqlite'}")
    return tmp_path / "recorded" / "case.toml"


def invoke(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], input=typed)


def test_the_recorded_example_is_reported(case_file: Path, tmp_path: Path) -> None:
    pdf = tmp_path / "report.pdf"
    result = invoke(
        "report", case_file, "--dose", case_file.with_name("dose.dcm"), "--pdf", pdf, "--json", "-"
    )
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    content = document["content"]
    assert document["status"] == "draft" and document["signature"] is None
    assert content["contrast"]["used_mL"] == 14 + 11 + 6 + 16
    assert [stent["device"] for stent in content["left_in"]] == ["stent-300-28"]
    assert content["not_recorded"] == ["what the model said before the attempts"]
    assert pdf.read_bytes().startswith(b"%PDF")


def test_a_case_without_a_record_has_no_report(case_file: Path, demo_dir: Path) -> None:
    result = invoke("report", demo_dir / "case.toml")
    assert result.exit_code == 3
    assert "no record of this case" in result.stderr
    assert not (demo_dir / "case.events.jsonl").exists()
