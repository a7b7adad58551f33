"""The treatment from the outside: the command, its output for people and machines, and what it does with odd cases."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import jsonschema
import pytest
from rich.console import Console
from typer.testing import CliRunner, Result

from backstay.adapters.schemas import all_schemas
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.app.treatment.delivering import with_chances
from backstay.app.treatment.recorded import as_recorded
from backstay.cli import app
from backstay.identifiers import Preparation
from backstay.report.treatment_page import treatment_section
from backstay.report.treatment_terminal import render_treatment
from backstay.report.words import DISCLAIMER
from backstay.sources import source


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
    assert text.count(" ".join(DISCLAIMER.split())) == 1
    assert "did not cross" in text and "attempt" in text


def test_json_obeys_its_schema_and_says_the_same(demo_dir: Path, demo: TreatmentDocument) -> None:
    result = invoke("size", demo_dir / "case.toml", "--json")
    assert result.exit_code == 0
    data = json.loads(result.stdout)
    jsonschema.validate(data, all_schemas()["treatment"])
    assert TreatmentDocument.model_validate(data) == demo


def test_the_target_of_the_demo_is_what_is_chosen(demo: TreatmentDocument) -> None:
    assert demo.target == []


JOINED = """[[vessel.lesion]]
from_mm = 34
to_mm = 46
calcium = "severe"
dissected = {first}

[[vessel.lesion]]
from_mm = 48
to_mm = 62
calcium = "severe"
prepared = []
imaging = {{ method = "oct", crossed = false }}

"""


@pytest.mark.parametrize(("dissected", "offered"), [("true", False), ("false", True)])
def test_no_atherectomy_beside_a_dissection_in_the_same_stretch(
    demo_dir: Path, tmp_path: Path, dissected: str, offered: bool
) -> None:
    """Common practice, no source: a burr for the far lesion would run through the near one's dissection."""
    for name in ("path.csv", "shelf.toml"):
        (tmp_path / name).write_bytes((demo_dir / name).read_bytes())
    text = (demo_dir / "case.toml").read_text()
    first = text.index("[[vessel.lesion]]")
    end = text.index("\n[", first + 1) + 1
    (tmp_path / "case.toml").write_text(text[:first] + JOINED.format(first=dissected) + text[end:])
    (stretch, *others) = size_case(load_case(tmp_path / "case.toml")).stretches
    assert not others
    kinds = {step.kind for step in stretch.preparation}
    assert (Preparation.ATHERECTOMY in kinds) is offered


def kinds_to_prepare(case: Path) -> list[Preparation]:
    return [step.kind for stretch in size_case(load_case(case)).stretches for step in stretch.preparation]


@pytest.mark.parametrize(
    ("said", "burr"), [("dissection at 52", False), ("dissection at 20", False), ("slow flow", True)]
)
def test_a_dissection_of_the_record_forbids_atherectomy(
    demo_dir: Path, tmp_path: Path, said: str, burr: bool
) -> None:
    """One anywhere in the vessel does, as it stops the burr itself: it runs through what lies on its way."""
    case = shutil.copytree(demo_dir, tmp_path / "case") / "case.toml"
    assert Preparation.ATHERECTOMY in kinds_to_prepare(case)
    for line in ("guide in guide-6-sr", "heparin 6000", "wire in workhorse", said):
        assert invoke("log", case, line).exit_code == 0
    assert (Preparation.ATHERECTOMY in kinds_to_prepare(case)) is burr


@pytest.mark.parametrize(
    ("said", "gate"),
    [
        ("nc 3.0x12 at lesion 14 atm opened fully 2 views", False),
        ("nc 3.0x12 at lesion 14 atm did not open", True),
    ],
)
def test_a_record_takes_away_that_a_lesion_opened_and_never_gives_it(
    demo_dir: Path, tmp_path: Path, said: str, gate: bool
) -> None:
    case = shutil.copytree(demo_dir, tmp_path / "case") / "case.toml"
    text = case.read_text()
    for line in ("guide in guide-6-sr", "heparin 6000", "wire in workhorse", said):
        assert invoke("log", case, line).exit_code == 0
    assert any(stretch.gate for stretch in size_case(load_case(case)).stretches)
    case.write_text(text.replace('calcium = "severe"', 'calcium = "severe"\nopened_fully = true'))
    assert any(stretch.gate for stretch in size_case(load_case(case)).stretches) is gate


def test_what_was_not_read_itself_is_marked_wherever_it_is_shown(demo_dir: Path) -> None:
    document = size_case(load_case(demo_dir / "case.toml"))
    out = io.StringIO()
    render_treatment(document, Console(file=out, width=400))
    for shown in (out.getvalue(), treatment_section(document)):
        said = " ".join(shown.split())
        assert "80 % of the mean reference, from memory, unconfirmed" in said
        assert "outside the left main, from memory, unconfirmed" in said
        assert "burr of 0.4 to 0.6 of the artery: from memory" in said
        for key in document.sources:
            marked = {"memory": "from memory, unconfirmed", "secondary": "second-hand, unconfirmed"}
            mark = marked.get(source(key).read_as)
            assert (f"{key}, {mark}" if mark else key) in said
    assert {"burrratio1996", "young1973", "raber2018"} <= set(document.sources)


def test_chances_are_asked_in_the_vessel_as_the_record_leaves_it(demo_dir: Path, tmp_path: Path) -> None:
    case = shutil.copytree(demo_dir, tmp_path / "case") / "case.toml"
    before = as_recorded(load_case(case))
    for line in ("guide in guide-6-sr", "heparin 6000", "wire in workhorse", "dissection at 52"):
        assert invoke("log", case, line).exit_code == 0
    after = as_recorded(load_case(case))
    assert [x.dissected for x in before.lesions] == [False] and [x.dissected for x in after.lesions] == [True]
    assert as_recorded(after).lesions == after.lesions  # asked twice, it counts once
    loaded = load_case(case)
    harder, as_filed = (
        with_chances(x, size_case(loaded), seed=1, draws=256).stretches[0].best
        for x in (loaded, load_case(demo_dir / "case.toml"))
    )
    assert harder is not None and as_filed is not None
    assert harder.chance < as_filed.chance  # type: ignore[operator]  # both were asked
