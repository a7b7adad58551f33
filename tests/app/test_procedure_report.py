"""The report of a procedure: made from case and record alone, the same in every form, never inventing anything."""

from __future__ import annotations

import html as entities
import json
import re
import runpy
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.report_file import ReportDocument
from backstay.adapters.schemas import all_schemas
from backstay.app.event_words import plain
from backstay.app.loading import load_case
from backstay.app.reporting import Extras, report
from backstay.cli import app
from backstay.report.procedure.blocks import NOT_RECORDED, shown
from backstay.report.procedure.page import html
from backstay.report.procedure.paper import BEYOND, pdf
from backstay.report.procedure.parts import parts
from backstay.report.procedure.text import COLUMNS, text

NASTY = (
    "#let x = 1 #sys.inputs *bold* _under_ $x^2 + y$ @ref <label> <b>no</b> \\ \\u{41} `raw` ~ -- --- ... [x] {y} "
    "= head / term: 'q' \"Q\" &amp; &lt; </script> %d {{z}} Größe Å µ Ω Ж ≥ → € naïve"
)
PAGE_MM = (210.0, 297.0)
BODY_MM = (15.0, 283.0)
"""Between header and footer."""


def invoke(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], input=typed)


def add_events(case_file: Path, *events: dict[str, Any]) -> None:
    """Write events into the record's file, as another program would."""
    file = case_file.with_name("case.events.jsonl")
    lines = file.read_text(encoding="utf-8")
    for k, event in enumerate(events):
        common = {
            "schema": 1,
            "id": f"added{k}",
            "at": "2031-04-05T10:05:00+02:00",
            "author_role": "operator",
        }
        lines += json.dumps({**common, **event}) + "\n"
    file.write_text(lines, encoding="utf-8")


def note(text: str, topic: str | None = None) -> dict[str, Any]:
    return {"kind": "note", "text": text, **({"topic": topic} if topic else {})}


def paper_text(document: ReportDocument, folder: Path) -> str:
    """Return the text of the PDF's pages between header and footer, in the order it was set."""
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not here; tools/system-packages installs it on Debian")
    file = folder / "report.pdf"
    file.write_bytes(pdf(document))
    to_px = 72 / 25.4
    crop = ["-x", "0", "-y", f"{BODY_MM[0] * to_px:.0f}", "-W", f"{PAGE_MM[0] * to_px:.0f}"]
    crop += ["-H", f"{(BODY_MM[1] - BODY_MM[0]) * to_px:.0f}"]
    done = subprocess.run(["pdftotext", "-raw", *crop, file, "-"], capture_output=True, check=True)
    return done.stdout.decode()


def page_text(document: ReportDocument) -> str:
    """Return the text of the page as a reader gets it."""
    body = re.sub(r"<style>.*?</style>", "", html(document), flags=re.S)
    return entities.unescape(re.sub(r"<[^>]*>", " ", body))


def squeezed(words: str) -> str:
    """Return text without its white space: where lines break differs from form to form."""
    return re.sub(r"\s+", "", words)


def forms(document: ReportDocument, folder: Path) -> dict[str, str]:
    return {"text": text(document), "page": page_text(document), "paper": paper_text(document, folder)}


@pytest.fixture
def plan_file(root: Path, recorded_case: Path, tmp_path: Path) -> Path:
    """Return an invented plan whose first rig is the one of the recorded example."""
    case = load_case(recorded_case)
    drawn = runpy.run_path(str(root / "tests" / "app" / "plan_sample.py"))["sample_plan"]()
    data = json.loads(drawn.model_dump_json(by_alias=True))
    data |= {"title": case.title, "vessel": case.vessel_name}
    data["path"]["length_mm"] = case.path.length_mm
    names = {
        "guide": "6 Fr standard right guide",
        "wire": "Workhorse wire",
        "extension": "6 Fr guide extension",
    }
    for rig in data["rigs"]:
        rig["device"] = case.device.name
        for item in rig["lying"]:
            item["name"] = names.get(item["kind"], item["name"])
    file = tmp_path / "plan.json"
    file.write_text(json.dumps(data))
    return file


@pytest.fixture
def whole(recorded_case: Path, plan_file: Path) -> ReportDocument:
    """Return the example's report with a plan and a dose report."""
    return report(recorded_case, Extras(plan_file, (recorded_case.with_name("dose.dcm"),)))


# Made from the record


def test_the_recorded_example_is_reported(recorded_case: Path, tmp_path: Path) -> None:
    file = tmp_path / "report.pdf"
    dose = recorded_case.with_name("dose.dcm")
    result = invoke("report", recorded_case, "--dose", dose, "--pdf", file, "--json", "-")
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    jsonschema.validate(document, all_schemas()["report"])
    content = document["content"]
    assert document["status"] == "draft" and document["signature"] is None
    assert content["contrast"]["used_mL"] == 14 + 11 + 6 + 16
    assert content["clotting"]["heparin_U"] == 5000 + 2000
    assert [stent["device"] for stent in content["left_in"]] == ["stent-300-28"]
    assert content["not_out"] == [] and content["counted"] is True
    assert content["not_recorded"] == ["what the model said before the attempts"]
    assert file.read_bytes().startswith(b"%PDF")


def test_the_shipped_example_is_as_it_was(root: Path, recorded_case: Path) -> None:
    """Making its report writes nothing beside it: the record is whole and opened."""
    before = {file.name: file.read_bytes() for file in recorded_case.parent.iterdir()}
    report(recorded_case)
    assert {file.name: file.read_bytes() for file in recorded_case.parent.iterdir()} == before


def test_without_a_form_it_is_printed(recorded_case: Path) -> None:
    result = invoke("report", recorded_case)
    assert result.exit_code == 0
    assert "LEFT IN THE BODY" in result.stdout and "DRAFT, NOT SIGNED" in result.stdout


def test_a_case_without_a_record_has_no_report(demo_dir: Path, recorded_case: Path) -> None:
    result = invoke("report", demo_dir / "case.toml")
    assert result.exit_code == 3
    assert "no record of this case" in result.stderr
    assert not (demo_dir / "case.events.jsonl").exists()


def test_what_is_not_recorded_says_so_and_is_not_taken_from_the_plan(
    recorded_case: Path, tmp_path: Path
) -> None:
    """With nothing but a beginning there is no access, no device, no stent: the case file's rig does not count."""
    file = recorded_case.with_name("case.events.jsonl")
    file.write_text(file.read_text().splitlines()[0] + "\n")
    document = report(recorded_case)
    c = document.content
    assert (c.access, c.steps, c.left_in, c.not_out, c.used, c.attempts, c.indication) == (
        [],
        [],
        [],
        [],
        [],
        [],
        [],
    )
    assert c.contrast.used_mL is None and c.clotting.heparin_U is None and c.counted is None
    assert set(c.not_recorded) == {
        *("indication", "access", "result", "contrast", "heparin", "clotting time", "air kerma"),
        *("dose to the skin", "plan for afterwards", "end of the case", "count at the end"),
    }
    for form, said in forms(document, tmp_path).items():
        assert said.count(NOT_RECORDED) >= 10, form
    assert [fact.text for fact in c.summary if fact.what == "stents"] == ["no stent opened"]


def test_totals_of_a_dose_report_are_reported(recorded_case: Path, tmp_path: Path) -> None:
    """A summary of 6 Gy for a record of less: total, level, and the worst case without a map."""
    kerma = {
        "code": {"coding": [{"code": "113725"}]},
        "valueQuantity": {"value": 6000, "unit": "mGy"},
    }
    file = tmp_path / "summary.json"
    file.write_text(json.dumps({"resourceType": "Observation", "component": [kerma]}))
    document = report(recorded_case, Extras(dose=(file,)))
    content = document.content
    assert content.radiation.levels[0].value == 6000.0 and content.radiation.levels[0].past_substantial
    assert [fact.value for fact in content.summary if fact.what == "air kerma"] == [6000.0]
    assert content.radiation.skin is not None and content.radiation.skin.unplaced_Gy == 6.0
    assert any(text.startswith("skin: ") for text in content.information)
    for form, said in forms(document, tmp_path).items():
        assert "no event could be placed: worst case only" in said, form
        assert "totals only, no skin map" in said, form


def test_what_was_superseded_is_not_reported(recorded_case: Path) -> None:
    fixed = {"kind": "contrast", "volume_mL": 60.0, "supersedes": "e26"}
    add_events(recorded_case, fixed, {"kind": "correction", "supersedes": "e16", "reason": "typed twice"})
    assert report(recorded_case).content.contrast.used_mL == 14 + 6 + 60


def test_a_wire_behind_a_stent_is_left_in_and_cautioned(recorded_case: Path) -> None:
    file = recorded_case.with_name("case.events.jsonl")
    lines = file.read_text().splitlines()
    wire = {
        **json.loads(lines[10]),
        "id": "buddy",
        "device": "wire-support",
        "role": "buddy",
        "at": "2031-04-05T09:36:00+02:00",
    }
    file.write_text("\n".join([*lines, json.dumps(wire)]) + "\n")
    c = report(recorded_case).content
    assert [one.name for one in c.left_in if one.item == "trapped_wire"] == ["Extra-support wire"]
    assert any("nothing says that was meant" in caution for caution in c.cautions)


def test_a_case_file_changed_since_is_said(recorded_case: Path) -> None:
    assert report(recorded_case).content.outcome.stated_beforehand is True
    recorded_case.write_text(recorded_case.read_text().replace("below 20 %", "below 40 %"))
    c = report(recorded_case).content
    assert c.outcome.stated_beforehand is False and c.changed_inputs == ["case.toml"]
    assert any("changed since the record was opened: case.toml" in caution for caution in c.cautions)


def test_the_plan_speaks_of_the_rig_that_was_tried(whole: ReportDocument) -> None:
    first, second = whole.content.attempts
    assert first.beforehand is not None and second.beforehand is not None
    assert "extension" not in first.beforehand.rig.lower()
    assert "extension" in second.beforehand.rig.lower()
    # The record has the lesion prepared before the first try; so has the rig, where the plan has one.
    assert first.beforehand.change.startswith("prepare again")
    assert "the plan has the lesion as it was before it was prepared again" in second.beforehand.note


def test_without_the_rig_the_plan_says_nothing(recorded_case: Path, plan_file: Path) -> None:
    data = json.loads(plan_file.read_text())
    data["rigs"] = [rig for rig in data["rigs"] if rig["in_place"]]
    plan_file.write_text(json.dumps(data))
    first, second = report(recorded_case, Extras(plan_file)).content.attempts
    assert first.beforehand is not None
    assert (
        second.beforehand is None and second.beforehand_missing == "the plan has no such rig with this device"
    )


@pytest.mark.parametrize(
    ("area", "reference", "verdicts"),
    [(6.6, 7.7, ["met", "met"]), (6.1, 7.7, ["met", "not met"]), (4.0, 7.7, ["not met", "not met"])],
)
def test_criteria(recorded_case: Path, area: float, reference: float, verdicts: list[str]) -> None:
    """80 % of the mean reference before, and more than 80 % of the one measured then [@raber2018, from memory]."""
    result = {"kind": "result", "measured_with": "optical coherence tomography", "supersedes": "e27"}
    add_events(recorded_case, {**result, "minimum_stent_area_mm2": area, "reference_area_mm2": reference})
    rows = {row.what: row for row in report(recorded_case).content.outcome.criteria}
    names = ("least stent area", "expansion against the reference measured then")
    assert [rows[name].verdict for name in names] == verdicts
    assert not any(rows[name].confirmed for name in names)
    assert rows["as the team stated it"].verdict == "for the operator"


# The same in every form


def leaves(value: Any, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Any]]:
    if isinstance(value, dict):
        for key, one in value.items():
            yield from leaves(one, (*path, key))
    elif isinstance(value, list):
        for one in value:
            yield from leaves(one, path)
    else:
        yield path, value


PICTURES = {"picture", "around_mm", "height_mm", "dose_mGy", "other_views", "by_chart"}
NOT_WORDS = {
    # Times are set as days and hours; the rest are identifiers that stand beside their words.
    *(
        "at",
        "since",
        "began",
        "ended",
        "device",
        "kind",
        "item",
        "state",
        "calcium",
        "code",
        "moves",
        "limit_is",
    ),
}


def numbers_of(document: ReportDocument) -> set[str]:
    """Return every number of a report, as it is written."""
    content = json.loads(document.content.model_dump_json(by_alias=True))
    return {
        plain(value)
        for path, value in leaves(content)
        if isinstance(value, int | float) and not isinstance(value, bool) and not PICTURES & set(path)
    }


def missing(numbers: set[str], said: str) -> list[str]:
    """Return the numbers that do not stand in a text as numbers of their own."""
    return [n for n in numbers if not re.search(rf"(?<![\d.]){re.escape(n)}(?![\d]|\.\d)", said)]


def test_every_number_of_the_report_stands_in_every_form(whole: ReportDocument, tmp_path: Path) -> None:
    numbers = numbers_of(whole)
    assert len(numbers) > 80
    for form, said in forms(whole, tmp_path).items():
        assert missing(numbers, said) == [], form


def test_all_words_of_the_report_stand_in_every_form(whole: ReportDocument, tmp_path: Path) -> None:
    content = json.loads(whole.content.model_dump_json(by_alias=True))
    words = {
        value
        for path, value in leaves(content)
        if isinstance(value, str) and value and path[-1] not in NOT_WORDS and "picture" not in path
    }
    assert len(words) > 120
    for form, said in forms(whole, tmp_path).items():
        assert [w for w in words if squeezed(w) not in squeezed(said)] == [], form


def test_a_number_changed_in_one_form_would_be_seen(whole: ReportDocument) -> None:
    numbers, said = numbers_of(whole), text(whole)
    assert "1184" in numbers and missing(numbers, said) == []
    assert missing(numbers, said.replace("1184", "1185")) == ["1184"]


def test_free_text_comes_out_literally(recorded_case: Path, tmp_path: Path) -> None:
    topics = ("indication", "finding", "result", "plan")
    add_events(recorded_case, *(note(NASTY, topic) for topic in topics), note(NASTY))
    stated = NASTY[:150].replace("\\", "\\\\").replace('"', '\\"')
    recorded_case.write_text(
        recorded_case.read_text().replace("TIMI 3 flow, residual stenosis below 20 %", stated)
    )
    add_events(recorded_case, {"kind": "complication", "what": NASTY[:190], "id": "trouble"})
    document = report(recorded_case)
    for form, said in forms(document, tmp_path).items():
        assert squeezed(said).count(squeezed(NASTY)) >= len(topics) + 1, form
        assert squeezed(NASTY[:150]) in squeezed(said), form
    assert NASTY[:150] in document.content.outcome.stated


def test_characters_that_would_act_are_shown_as_a_mark(recorded_case: Path, tmp_path: Path) -> None:
    add_events(recorded_case, note("red \x1b[31m bell \x07 back \u202eward\nsecond line\tend"))
    document = report(recorded_case)
    for form, said in forms(document, tmp_path).items():
        assert not re.search("[\x00-\x08\x0b\x0e-\x1f\u202a-\u202e]", said.replace("\x0c", "")), form
        assert "second line" in said, form
    assert "red \ufffd[31m bell \ufffd back \ufffdward" in text(document)
    assert shown("a\r\nb") == "a\nb"


def test_letters_beyond_the_papers_own_are_said(recorded_case: Path, tmp_path: Path) -> None:
    words = "漢字 ไทย 한국어 😀"
    assert squeezed(BEYOND) not in squeezed(paper_text(report(recorded_case), tmp_path))
    add_events(recorded_case, note(words))
    document = report(recorded_case)
    assert words in text(document) and words in html(document)
    assert squeezed(BEYOND) in squeezed(paper_text(document, tmp_path))


def test_plain_text_keeps_to_its_columns(whole: ReportDocument) -> None:
    lines = text(whole).splitlines()
    assert max(len(line) for line in lines) <= COLUMNS
    assert not any(line != line.rstrip() or "\t" in line for line in lines)


def test_the_parts_come_in_the_order_of_reading(whole: ReportDocument) -> None:
    titles = [part.title for part in parts(whole)]
    order = [
        "In brief",
        "Indication",
        "Access",
        "Findings before treatment",
        "What was done",
        "Complications",
        "Afterwards",
    ]
    assert [title for title in titles if title in order] == order
    assert [part.title for part in parts(whole) if part.is_urgent] == ["Complications"]


def pages(data: bytes, folder: Path) -> list[str]:
    file = folder / "pages.pdf"
    file.write_bytes(data)
    done = subprocess.run(["pdftotext", "-raw", file, "-"], capture_output=True, check=True)
    return done.stdout.decode().split("\f")[:-1]


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not here")
def test_a_draft_says_so_on_every_page(whole: ReportDocument, tmp_path: Path) -> None:
    data = pdf(whole)
    assert data == pdf(whole)
    found = pages(data, tmp_path)
    assert len(found) >= 3
    for page in found:
        assert "DRAFT, NOT SIGNED" in page and "INVENTED CASE" in page
        assert whole.content_sha256[:16] in page


def test_the_page_asks_for_nothing_and_runs_nothing(whole: ReportDocument) -> None:
    made = html(whole)
    assert "<script" not in made
    assert re.findall(r"""(?:src|href)=["'](?!data:|#)""", made) == []
    assert "DRAFT, NOT SIGNED" in made


# What cannot be reported


def break_json(case_file: Path) -> None:
    file = case_file.with_name("case.events.jsonl")
    file.write_text(file.read_text()[:-20])


def break_value(case_file: Path) -> None:
    add_events(case_file, {"kind": "contrast", "volume_mL": -3.0})


def unknown_key(case_file: Path) -> None:
    add_events(case_file, {"kind": "contrast", "volume_ml": 3.0})


def half_a_character(case_file: Path) -> None:
    file = case_file.with_name("case.events.jsonl")
    line = {
        "schema": 1,
        "id": "half",
        "at": "2031-04-05T10:05:00+02:00",
        "author_role": "nurse",
        "kind": "note",
    }
    file.write_text(file.read_text() + json.dumps(line)[:-1] + ', "text": "\\ud800"}\n')


@pytest.mark.parametrize(
    ("spoil", "names"),
    [
        (break_json, "cut short"),
        (break_value, "volume_mL"),
        (unknown_key, "volume_ml"),
        (half_a_character, "text"),
        (lambda file: file.write_text("schema = 2"), "schema"),
    ],
)
def test_a_spoilt_record_or_case_is_refused(
    recorded_case: Path, tmp_path: Path, spoil: Callable[[Path], object], names: str
) -> None:
    spoil(recorded_case)
    result = invoke("report", recorded_case, "--pdf", tmp_path / "report.pdf")
    assert result.exit_code in (4, 5), result.stderr
    assert names in result.stderr and "Traceback" not in result.stderr
    assert not (tmp_path / "report.pdf").exists()


def test_a_plan_of_another_case_is_refused(recorded_case: Path, plan_file: Path) -> None:
    data = json.loads(plan_file.read_text())
    plan_file.write_text(json.dumps({**data, "title": "another"}))
    result = invoke("report", recorded_case, "--plan", plan_file)
    assert result.exit_code == 4 and "a plan of another case" in result.stderr
    result = invoke("report", recorded_case, "--plan", recorded_case)
    assert result.exit_code == 4 and "not JSON" in result.stderr


def test_outputs_are_checked_before_any_work(recorded_case: Path) -> None:
    result = invoke("report", recorded_case, "--text", recorded_case)
    assert result.exit_code == 5 and "overwrite an input" in result.stderr
    result = invoke("report", recorded_case, "--text", recorded_case.with_name("case.events.jsonl"))
    assert result.exit_code == 5 and "overwrite an input" in result.stderr
