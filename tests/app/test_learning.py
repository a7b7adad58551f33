"""Attempts from the command line to what they teach: noted once, read by the plan, refused where they make no sense."""

from __future__ import annotations

import json
import runpy
import shutil
from pathlib import Path
from typing import NamedTuple

import jsonschema
import pytest
from typer.testing import CliRunner, Result

import backstay
from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.learned_file import LearnedDocument
from backstay.app.learning.knowing import surprises
from backstay.app.learning.tried import as_it_stands, options_at, tried
from backstay.app.loading import load_case
from backstay.cli import app
from backstay.core.record.entries import Entry
from backstay.identifiers import EventKind, Preparation, Question
from backstay.report.learned import change_summary, doubt_words, listed

HOW = ("--rig", "as_it_is", "--at", "55", "--limited-by", "guide_out", "--push", "firm", "--id", "first")
LITTLE_MIN = 12.0
WORKBENCHES = runpy.run_path(str(Path(__file__).resolve().parents[1] / "workbenches.py"))
FEW = (*WORKBENCHES["KEPT"], "ext-6", "wire-heavy", "mc-13")


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


class Noted(NamedTuple):
    """One attempt noted on a copy of the demo, and noted again on that with few devices, its lesion opened and its time nearly up."""

    case: Path
    document: LearnedDocument
    said: str
    hurried: Path
    late: LearnedDocument
    late_said: str


@pytest.fixture(scope="module")
def noted(demo_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> Noted:
    """Note one attempt, and the same one again."""

    def note(folder: Path, how: tuple[str, ...] = HOW) -> tuple[LearnedDocument, str]:
        done = invoke(
            "attempt", folder / "case.toml", *how, "--draws", "512", "--json", folder / "learned.json"
        )
        assert done.exit_code == 0, done.output
        return LearnedDocument.model_validate(json.loads((folder / "learned.json").read_text())), done.output

    folder, hurried = (tmp_path_factory.mktemp("learn") / name for name in ("demo", "hurried"))
    shutil.copytree(demo_dir, folder)
    document, said = note(folder)
    WORKBENCHES["small_case"](folder, hurried, kept=FEW)
    text = (hurried / "case.toml").read_text()
    assert "minutes = 90" in text and 'calcium = "severe"' in text
    text = text.replace('calcium = "severe"', 'calcium = "severe"\nopened_fully = true')
    (hurried / "case.toml").write_text(text.replace("minutes = 90", f"minutes = {LITTLE_MIN:.0f}"))
    untold = tuple(word for word in HOW if word not in ("--push", "firm"))
    return Noted(folder / "case.toml", document, said, hurried / "case.toml", *note(hurried, untold))


def test_it_is_noted_once(noted: Noted) -> None:
    for case in (noted.case, noted.hurried):
        assert [event.id for event in read_events(events_path(case))] == ["first"]
    assert len(noted.document.attempts) == len(noted.late.attempts) == 1


def test_json_obeys_its_schema(noted: Noted, root: Path) -> None:
    schema = json.loads((root / "src" / "backstay" / "schemas" / "learned.schema.json").read_text())
    jsonschema.validate(json.loads((noted.case.parent / "learned.json").read_text()), schema)


def test_the_failed_rig_falls_and_another_leads(noted: Noted) -> None:
    rungs = {row.id: row for row in noted.document.rungs}
    assert rungs["as_it_is"].after < 0.1 < 0.4 < rungs["as_it_is"].before
    assert rungs["as_it_is"].tried == 1
    assert noted.document.rungs[0].id != "as_it_is"
    assert noted.document.next is not None and noted.document.next.move == noted.document.rungs[0].id


def test_the_terminal_says_what_was_learnt(noted: Noted) -> None:
    said = " ".join(noted.said.split())
    assert "What the attempts taught" in said
    assert "the guide holds less" in said
    assert "not validated for clinical decisions" in said


def test_what_was_not_said_is_asked_for_and_what_was_is_not(noted: Noted) -> None:
    assert noted.document.questions == [] and "Worth asking now" not in noted.said
    assert [one.question for one in noted.late.questions] == [Question.HOW_HARD]
    if noted.late.questions[0].share >= 0.005:
        assert "Worth asking now" in noted.late_said


def test_the_doubt_that_is_gone_is_told(noted: Noted) -> None:
    doc = noted.document
    assert doc.next is not None
    gone = doc.next.model_copy(update={"before_bits": 0.8, "after_bits": 0.6})
    assert "25 % is gone" in doubt_words(doc.model_copy(update={"next": gone}))
    more = doc.next.model_copy(update={"before_bits": 0.6, "after_bits": 0.8})
    assert "harder to say" in doubt_words(doc.model_copy(update={"next": more}))
    assert doubt_words(doc) and doubt_words(doc) in " ".join(noted.said.split())


def test_what_failed_and_what_is_first_are_listed_however_low(noted: Noted) -> None:
    row = noted.document.rungs[0]
    low = [row.model_copy(update={"id": f"x{k}", "tried": 0}) for k in range(12)]
    failed = row.model_copy(update={"id": "as_it_is", "tried": 1})
    rows = listed(noted.document.model_copy(update={"rungs": [*low, failed], "reranked": None}))
    assert [row.id for row in rows] == [*(f"x{k}" for k in range(7)), "as_it_is"]


def test_reaching_with_what_does_not_pass_is_warned_of(noted: Noted) -> None:
    row = noted.document.attempts[0].model_copy(update={"reached": True, "surprise": True, "passes": False})
    (said,) = surprises([row])
    assert "by the fit does not pass" in said and row.rig in said and "stays 0" in said
    assert "hardly expected" in surprises([row.model_copy(update={"passes": True})])[0]


def test_the_ladder_is_ranked_again_and_says_what_changed(noted: Noted) -> None:
    reranked = noted.document.reranked
    assert reranked is not None and reranked.ladder.gate and reranked.past_limits == []
    first = reranked.ladder.rungs[0]
    rows = {row.id: row for row in reranked.changes}
    assert rows[first.id].place == 1 and sum(row.place == 1 for row in rows.values()) == 1
    assert sum(row.place_before == 1 for row in rows.values()) == 1
    # The guide backed out at a firm push: it holds less, or more is asked of it.
    assert {shift.name for shift in reranked.shifts} >= {"guide_hold_N"}
    said = " ".join(noted.said.split())
    assert "The ladder: what first" in said and "Why: the last attempt says that" in said
    assert change_summary(reranked) in said and f"First on the ladder: {first.change}." in said


def test_what_has_failed_leaves_the_ladder(noted: Noted) -> None:
    assert noted.late.reranked is not None and not noted.late.reranked.ladder.gate
    row = next(row for row in noted.late.reranked.changes if row.id == "as_it_is")
    # A rig in place with a fair chance is pushed before anything is changed; once it has failed something else comes first.
    assert row.place_before == 1 and row.place is None
    assert row.chance_before is not None and row.chance is not None and row.chance < row.chance_before


def test_limits_are_hard(noted: Noted) -> None:
    assert noted.late.reranked is not None and not any(row.barred for row in noted.document.rungs)
    barred = {row.id for row in noted.late.rungs if row.barred}
    assert barred and len(noted.late.reranked.past_limits) == len(barred)
    assert "time: needs" in noted.late.reranked.past_limits[0]
    rungs = noted.late.reranked.ladder.rungs
    assert not {rung.id for rung in rungs} & barred
    assert sum(rung.minutes for rung in rungs) <= LITTLE_MIN


def test_the_plan_reads_it(noted: Noted) -> None:
    loaded = load_case(noted.case)
    from backstay.app.plan import plan_case
    from backstay.report import page

    plan = plan_case(loaded, draws=512, only_in_place=True)
    assert plan.learned is not None
    assert plan.in_place.chance.value == plan.learned.rungs[0].after < 0.1
    html = page.html(plan)
    assert "What the attempts taught" in html and html.count("learnt-") > 0
    told = plan.model_copy(update={"learned": noted.document})
    assert "What the last attempt changed in the ladder" in page.html(told)


def test_without_attempts_nothing_was_learnt(demo_dir: Path) -> None:
    result = invoke("attempt", demo_dir / "case.toml")
    assert result.exit_code == 5 and "no attempt is recorded yet" in result.output
    assert backstay.plan(demo_dir / "case.toml", only_in_place=True, draws=64).learned is None


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (("--reached", "--at", "40"), 5, "it reached its place or it stopped"),
        (("--stopped", "--rig", "extension_99mm"), 3, "no such rig"),
        (("--stopped", "--device", "guide-6-sr"), 3, "runs over a wire"),
        (("--at", "400"), 5, "cannot have stopped there"),
        (("--at", "90"), 5, "cannot have stopped there"),
        (("--stopped", "--limited-by", "bad_luck"), 2, "bad_luck"),
        (("--stopped", "--as", "passer_by"), 5, "author_role"),
    ],
)
def test_bad_input_writes_nothing(
    demo_dir: Path, tmp_path: Path, words: tuple[str, ...], code: int, says: str
) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(demo_dir, folder)
    result = invoke("attempt", folder / "case.toml", *words)
    assert result.exit_code == code, result.output
    assert says in result.output
    assert not events_path(folder / "case.toml").exists()


def entry(id: str, kind: EventKind, minute: float, **values: object) -> Entry:
    return Entry(id, kind, 60.0 * minute, "recorder", values=values)


def test_a_record_says_what_was_in_place(demo_dir: Path) -> None:
    case = load_case(demo_dir / "case.toml")
    name = next(one.rig.extension.id for one in options_at(case) if one.rig.extension is not None)
    record = [
        entry("x", EventKind.EXTENSION, 1, device=name, depth_mm=15.0),
        entry("a", EventKind.ATTEMPT, 2, device=case.device.id, moves=["extension"], outcome="stopped"),
        entry("b", EventKind.ATTEMPT, 3, device=case.device.id, moves=["trapped_wire"], outcome="stopped"),
    ]
    first, second = tried(case, record)[0]
    assert first.alternative is not None and first.alternative.rig.extension_depth_mm == 15.0
    assert first.left_out == ""
    # The record has no trapped wire: the plan's own form of the move is taken, or the attempt is left out and says so.
    assert second.alternative is not None or "what was in place" in second.left_out


def test_preparation_stays_and_a_dissection_begins_a_new_anatomy(demo_dir: Path) -> None:
    case = load_case(demo_dir / "case.toml")
    balloon = next(
        d.id for d in case.shelf.devices.values() if getattr(d, "balloon_type", "") == "non_compliant"
    )
    values = {"device": case.device.id, "moves": [], "outcome": "stopped"}
    record = [
        entry("a", EventKind.ATTEMPT, 1, **values),
        entry(
            "i",
            EventKind.INFLATION,
            2,
            device=balloon,
            purpose="preparation",
            from_mm=40.0,
            to_mm=50.0,
            pressure_atm=12.0,
        ),
        entry("b", EventKind.ATTEMPT, 3, **values),
        entry("d", EventKind.COMPLICATION, 4, what="dissection", code="dissection", at_mm=45.0),
        entry("c", EventKind.ATTEMPT, 5, **values),
    ]
    found, stands = tried(case, record)
    assert [one.attempt.anatomy for one in found] == [0, 0, 1]
    lesions = [one.alternative.lesions[0] for one in found if one.alternative is not None]
    assert Preparation.NON_COMPLIANT not in lesions[0].prepared
    assert Preparation.NON_COMPLIANT in lesions[1].prepared and not lesions[1].dissected
    assert lesions[2].dissected and stands.case.lesions[0].dissected


def test_what_was_logged_before_the_first_attempt_counts_in_the_plan(demo_dir: Path) -> None:
    case = load_case(demo_dir / "case.toml")
    torn = entry("d", EventKind.COMPLICATION, 1, what="dissection", code="dissection", at_mm=45.0)
    slow = entry("s", EventKind.COMPLICATION, 1, what="slow flow", code="slow_flow")
    assert [lesion.dissected for lesion in as_it_stands(case, [torn]).lesions] == [True]
    assert as_it_stands(case, [slow]).lesions == as_it_stands(case, []).lesions == case.lesions


def test_another_path_keeps_the_old_attempt_while_its_file_lies_there(demo_dir: Path, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(demo_dir, folder)
    old = load_case(folder / "case.toml")
    from backstay.app.learning.tried import path_sha256

    values = {"device": old.device.id, "moves": [], "outcome": "stopped", "path_sha256": path_sha256(old)}
    record = [entry("a", EventKind.ATTEMPT, 1, **values)]
    text = (folder / "path.csv").read_text()
    (folder / "path-2.csv").write_text(text.rstrip("\n") + "\n\n")
    case_text = (folder / "case.toml").read_text().replace('"path.csv"', '"path-2.csv"')
    (folder / "case.toml").write_text(case_text)
    new = load_case(folder / "case.toml")
    found, stands = tried(new, record)
    assert found[0].left_out == "" and found[0].attempt.anatomy == 0 and stands.anatomy == 1
    (folder / "path.csv").unlink()
    gone = tried(new, record)[0][0]
    assert "path file it was made with is gone" in gone.left_out
