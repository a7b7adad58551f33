"""The teaching case: what the page says, what it keeps to itself, and what it refuses."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.export_check import survivors_in_page
from backstay.adapters.teaching_file import TeachingDocument
from backstay.app.loading import load_case
from backstay.app.teaching import patient_words, teach_case
from backstay.cli import app
from backstay.core.privacy.text import Known
from backstay.errors import InputError
from backstay.report import teaching_page
from backstay.report.teaching_words import NO_POINTS


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.fixture(scope="module")
def page(lesson: Any) -> str:
    return teaching_page.html(lesson)


def changed(lesson: TeachingDocument, **values: Any) -> TeachingDocument:
    return lesson.model_copy(update=values)


def test_each_decision_has_one_answer_that_was_done(lesson: Any) -> None:
    assert [step.outcome for step in lesson.steps] == ["did_not_open", "stopped", "reached"]
    for step in lesson.steps:
        assert sum(move.done for move in step.moves) == 1
        solved = {rig.id for rig in step.plan.rigs}
        assert {move.rig for move in step.moves if move.rig is not None} == solved
    assert lesson.steps[1].done == "prepare with lithotripsy and Non-compliant balloon 2.5 x 12 mm"
    assert lesson.steps[2].done == "6 Fr guide extension to 30 mm"


def test_the_model_answers_for_the_rig_as_it_stood(lesson: Any) -> None:
    first, second, third = (step.plan for step in lesson.steps)
    prepared = [plan.lesions[0].prepared for plan in (first, second, third)]
    assert [len(p) for p in prepared] == [1, 2, 4]
    # More preparation and nothing else changed: the same backup, no more push.
    assert third.in_place.backup_N == first.in_place.backup_N
    assert third.in_place.chance.value >= first.in_place.chance.value
    done = next(rig for rig in third.rigs if rig.id == "as_done")
    assert done.backup_N.p50 is not None and third.in_place.backup_N.p50 is not None
    assert done.backup_N.p50 > third.in_place.backup_N.p50
    assert "6 Fr guide extension to 30 mm" in done.rig
    assert lesson.steps[2].lesions_done[0].prepared == prepared[2]


def test_the_page_is_complete_by_itself(page: str) -> None:
    assert "INVENTED CASE" in page
    assert not re.search(r"<script|<link|<img|<iframe|@import|url\((?!#)|\son\w+=|javascript:", page)
    assert not re.search(r"""(?:href|src)=["'](?!#)""", page)
    assert not re.search(r'<[^>]+\sstyle="', page)
    assert "script-src" not in page and "default-src 'none'" in page
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_no_date_or_clock_time_is_shown(page: str) -> None:
    shown = re.sub(r"<[^>]*>", " ", page)
    assert not re.search(r"\b2031\b|\b\d\d:\d\d\b", shown)
    assert survivors_in_page(page, Known()) == []
    told = page.replace("24 min</span>", "24 min, 5 April 2031</span>")
    assert [hit.kind for hit in survivors_in_page(told, Known())] == ["date"]


def test_take_home_points_are_the_authors_or_said_to_be_missing(lesson: Any, page: str) -> None:
    assert NO_POINTS in page
    said = teaching_page.html(changed(lesson, points=["Extend early <b>in a bend</b> & look twice"]))
    assert "Extend early &lt;b&gt;in a bend&lt;/b&gt; &amp; look twice" in said and NO_POINTS not in said


def test_a_lesson_that_never_went_says_so(lesson: Any) -> None:
    steps = lesson.steps[:2]
    said = teaching_page.html(changed(lesson, steps=steps))
    assert "Nothing reached its place in this record." in said


def test_the_author_s_file_is_taken_from_beside_the_case(
    finished_case: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lesson: Any
) -> None:
    folder = tmp_path / "case"
    shutil.copytree(finished_case.parent, folder)
    beside = folder / "case.teach.toml"
    beside.write_text('schema = 1\ntitle = "A bend too far, as Bo Example found"\n')
    monkeypatch.setattr(
        "backstay.app.teaching.plans_at", lambda _, moments, **__: [lesson.steps[0].plan] * len(moments)
    )
    said = '\n[identifiers]\nnames = ["Example, Bo"]\n'
    beside.write_text(beside.read_text() + 'points = ["Ask Dr. Nobody, 01632 960123"]\n' + said)
    result = invoke(
        "teach", folder / "case.toml", "--to", tmp_path / "t.html", "--review", tmp_path / "r.txt"
    )
    assert result.exit_code == 0, result.stderr
    text = (tmp_path / "t.html").read_text()
    assert "A bend too far, as [name] found" in text and "Ask [name], [phone]" in text
    review = (tmp_path / "r.txt").read_text()
    assert "name 'Bo Example'" in review and "phone '01632 960123'" in review
    wrong = invoke("teach", folder / "case.toml", "--to", tmp_path / "bo-example.html")
    assert wrong.exit_code == 5 and "an identifier survives" in wrong.stderr
    assert not (tmp_path / "bo-example.html").exists()


def test_a_real_case_needs_the_names_to_look_for(finished_case: Path, tmp_path: Path) -> None:
    folder = tmp_path / "case"
    shutil.copytree(finished_case.parent, folder)
    case = folder / "case.toml"
    case.write_text(case.read_text().replace("invented = true", "invented = false"))
    result = invoke("teach", case, "--to", tmp_path / "t.html")
    assert result.exit_code == 5 and "identifiers.names" in result.stderr
    assert not (tmp_path / "t.html").exists()


def test_a_record_without_a_try_is_refused(demo_dir: Path) -> None:
    case = load_case(demo_dir / "case.toml")
    with pytest.raises(InputError, match="no device tried"):
        teach_case(case, read_events(events_path(demo_dir / "nothing.toml")))


def test_age_is_by_decade_and_the_oldest_are_one_group(demo_dir: Path) -> None:
    from dataclasses import replace

    case = load_case(demo_dir / "case.toml")
    old = replace(case, patient=case.patient.model_copy(update={"age_y": 93.0, "conditions": []}))
    assert patient_words(case).startswith("woman in the 70s")
    assert patient_words(old) == "woman 90 or older"
