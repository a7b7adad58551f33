"""What is put right, taken back, cut short or not written: the record says what was meant, and nothing counts twice."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from backstay.adapters.events_file import EventsFile, events_path, line_of, read_events
from backstay.adapters.log_devices import Unclear
from backstay.adapters.record_entries import entries_of
from backstay.app.loading import load_case
from backstay.app.record import Recorder
from backstay.app.record_desk import RecordDesk
from backstay.app.reporting import report
from backstay.app.safety import case_safety
from backstay.app.safety.steps import along_record
from backstay.cli import app
from backstay.cli.record_lines import Lines
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import BodyItem, Complication, EventKind
from backstay.report.procedure.page import html
from backstay.report.procedure.text import text

T0 = datetime(2031, 4, 5, 9, 0, tzinfo=UTC)


class Clock:
    """A minute on with every look."""

    def __init__(self) -> None:
        self.now = T0

    def __call__(self) -> datetime:
        self.now += timedelta(minutes=1)
        return self.now


@pytest.fixture
def recorder(folder: Path, tmp_path: Path) -> Iterator[Recorder]:
    made = Recorder(folder / "case.toml", store_url=f"sqlite:///{tmp_path / 's.sqlite'}", clock=Clock())
    yield made
    made.close()


def again(recorder: Recorder, tmp_path: Path) -> Recorder:
    case = recorder.file.with_name("case.toml")
    return Recorder(case, store_url=f"sqlite:///{tmp_path / 's.sqlite'}", clock=recorder.clock)


def say(recorder: Recorder, *lines: str) -> None:
    for line in lines:
        recorder.log(line)


def acts(recorder: Recorder) -> list[float]:
    return [entry.values["act_s"] for entry in recorder.state.of(EventKind.ACT)]


def notes(recorder: Recorder) -> set[tuple[str | None, str | None]]:
    return {(e.text("topic"), e.text("text")) for e in recorder.state.of(EventKind.NOTE)}


# Fixes


def test_a_fixed_total_counts_without_what_it_replaces(recorder: Recorder) -> None:
    say(recorder, "contrast 8", "contrast 90", "fix contrast total 100")
    assert recorder.state.now.contrast_mL == 100.0
    say(recorder, "fix contrast total 95")
    assert recorder.state.now.contrast_mL == 95.0
    with pytest.raises(InputError, match="not more than is recorded"):
        recorder.log("fix contrast total 7")
    with pytest.raises(InputError, match="not more than is recorded"):
        recorder.log("contrast total 95")


def test_a_corrected_line_counts_without_what_it_replaces(recorder: Recorder, folder: Path) -> None:
    say(recorder, "contrast 8", "contrast 90")
    desk = RecordDesk(
        folder / "case.toml", store_url=str(recorder.store.url), clock=recorder.clock, told=lambda _: None
    )
    wrong = recorder.state.of(EventKind.CONTRAST)[-1]
    assert desk.correct(wrong.id, "contrast total 100", key="k" * 12, role="recorder").event is not None
    assert sum(e.values["volume_mL"] for e in desk.standing if e.kind is EventKind.CONTRAST) == 100.0


def test_a_fix_puts_right_what_was_written_last_not_what_happened_last(recorder: Recorder) -> None:
    say(recorder, "act 250", "act 287 30 min ago", "fix act 297")
    assert sorted(acts(recorder)) == [250.0, 297.0]


def test_a_fix_keeps_to_its_topic_code_and_drug(recorder: Recorder) -> None:
    say(recorder, "indication: angina", "plan: stop", "fix indication: stable angina")
    assert notes(recorder) == {("indication", "stable angina"), ("plan", "stop")}
    say(recorder, "perforation at 50", "dissection at 52", "fix dissection at 54")
    found = {e.text("code"): e.number("at_mm") for e in recorder.state.of(EventKind.COMPLICATION)}
    assert found == {"perforation": 50.0, "dissection": 54.0}
    say(recorder, "aspirin 300 mg", "ticagrelor 90 mg", "fix aspirin 250 mg")
    assert {e.text("name"): e.number("dose") for e in recorder.state.of(EventKind.DRUG)} == {
        "aspirin": 250.0,
        "ticagrelor": 90.0,
    }
    with pytest.raises(InputError, match="none of this kind stands"):
        recorder.log("fix tamponade")


def test_the_only_wire_fixed_is_still_the_rail(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", "fix wire in extra-support")
    assert [(w.device, w.role) for w in recorder.state.now.inside if w.role] == [("wire-support", "rail")]


def test_what_a_fix_replaced_stands_again_when_that_is_taken_back(recorder: Recorder) -> None:
    say(recorder, "act 287", "fix act 297", "fix act 307")
    found = []
    for _ in range(3):
        recorder.undo()
        found.append(acts(recorder))
    assert found == [[297.0], [287.0], []]
    say(recorder, "act 250", "fix act 260")
    recorder.undo()
    recorder.log("fix act 270")
    assert acts(recorder) == [270.0]
    recorder.undo()
    assert acts(recorder) == [250.0]
    first, last = recorder.events[-1], recorder.state.of(EventKind.ACT)[0]
    assert first.restores is not None and last.at_s == recorder.events[-1].at.timestamp()


def test_the_echo_says_what_was_replaced_and_what_stands_again(recorder: Recorder) -> None:
    lines = Lines(recorder)
    lines.take("act 287")
    assert "instead of" in (said := lines.take("fix act 297")) and "287" in said
    assert "stands again" in (said := lines.take("-")) and said.index("297") < said.index("287")
    assert "stands again" not in lines.take("undo")


def test_show_and_report_tell_what_was_put_right(recorder: Recorder) -> None:
    lines = Lines(recorder)
    assert "Put right" not in lines.take("show")
    for line in ("act 278", "fix act 287", "contrast 41", "undo", "fix act 297", "undo"):
        lines.take(line)
    stands, _, put_right = lines.take("show").partition("Put right:\n")
    assert "ACT 287 s" in stands and "278" not in stands and "41" not in stands
    told = [line[7:] for line in put_right.splitlines()]
    assert told == [
        "ACT 278 s: ACT 287 s",
        "Contrast 41 mL: Taken back: undone",
        "ACT 287 s: ACT 297 s",
        "ACT 297 s: Taken back; stands again: ACT 287 s",
    ]
    made = report(recorder.file.with_name("case.toml"), store_url=str(recorder.store.url))
    assert [f"{one.first}: {one.instead}" for one in made.content.corrections] == told
    for said in (text(made), html(made)):
        assert all(one.first in said and one.instead in said for one in made.content.corrections)


def test_a_corrections_own_time_counts(recorder: Recorder, folder: Path) -> None:
    recorder.log("09:01 act 250")
    desk = RecordDesk(
        folder / "case.toml", store_url=str(recorder.store.url), clock=recorder.clock, told=lambda _: None
    )
    wrong = recorder.state.of(EventKind.ACT)[0]
    found = desk.correct(wrong.id, "09:02 act 260", key="k" * 12, role="recorder").event
    assert found is not None and found.at.minute == 2
    later = desk.correct(found.id, "act 270", key="l" * 12, role="recorder").event
    assert later is not None and later.at == found.at


def test_a_line_about_earlier_is_read_as_things_stood_then(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse")
    first = recorder.log("stent 2.75x33 stopped at 48 guide backed out")
    say(recorder, "contrast 8", "contrast 9", "extension ext-6 to 30")
    fixed = recorder.log("fix stent 2.75x33 stopped at 50 guide backed out")
    assert fixed.at == first.at and fixed.moves == []  # type: ignore[attr-defined]
    early = recorder.log("4 min ago stent 2.75x33 stopped at 48 guide backed out")
    assert early.moves == []  # type: ignore[attr-defined]
    now = recorder.log("stent 2.75x33 stopped at 48 guide backed out")
    assert now.moves == ["extension"]  # type: ignore[attr-defined]


def test_an_inflation_fixed_after_the_stent_still_prepared(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", "nc 2.75x15 18 atm 45-60")
    say(recorder, "stent 2.75x33 14 atm 31.5-64.5")
    assert recorder.log("fix nc 2.75x15 16 atm 45-60").purpose == "preparation"  # type: ignore[attr-defined]
    assert recorder.log("nc 2.75x15 16 atm 45-60").purpose == "after_stent"  # type: ignore[attr-defined]


def test_a_fix_may_say_its_own_time(recorder: Recorder) -> None:
    first = recorder.log("act 280")
    fixed = recorder.log("fix act 287 20 min ago")
    assert fixed.at < first.at and acts(recorder) == [287.0]


# Words


def test_a_pressure_in_numbers_says_nothing_of_damping(recorder: Recorder) -> None:
    say(recorder, "pressure damped", "pressure 80")
    assert recorder.state.now.pressure_damped is True
    say(recorder, "pressure fine 110")
    assert recorder.state.now.pressure_damped is False
    with pytest.raises(InputError, match="what of the pressure"):
        recorder.log("pressure")


def test_stuck_is_asked_about_and_nothing_is_no_complication(recorder: Recorder) -> None:
    with pytest.raises(Unclear) as asked:
        recorder.log("stent stuck at 48")
    assert [line for _, line in asked.value.choices] == ["stent stopped at 48", "device stuck at 48"]
    recorder.log("device stuck at 48")
    assert recorder.state.of(EventKind.COMPLICATION)[0].text("code") == "device_stuck"
    with pytest.raises(InputError, match="what happened"):
        recorder.log("complication none")


def test_a_number_with_three_decimals_is_read_or_refused_and_no_more(recorder: Recorder) -> None:
    with pytest.raises(InputError):
        recorder.log("wire 0.014 workhorse")


def test_long_ago_is_refused_however_it_is_said(recorder: Recorder) -> None:
    with pytest.raises(InputError, match="long ago"):
        recorder.log("act 250 10000 min ago")
    assert recorder.log("act 250 30 min ago").at < recorder.clock() - timedelta(minutes=29)


def test_what_is_inflated_again_after_a_stent_follows_it(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", "nc 2.75x15 14 atm 45-60")
    assert recorder.log("again 16 atm").purpose == "preparation"  # type: ignore[attr-defined]
    say(recorder, "stent 2.75x33 12 atm 31.5-64.5")
    assert recorder.log("again 18 atm").purpose == "after_stent"  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("said", "seconds"),
    [
        ("1 min 30 s", 90.0),
        ("1:30", 90.0),
        ("for 2 min and 5 seconds", 125.0),
        ("1 min", 60.0),
        ("90s", 90.0),
    ],
)
def test_minutes_and_seconds_are_understood(recorder: Recorder, said: str, seconds: float) -> None:
    event = recorder.log(f"nc 2.5x12 18 atm {said} at lesion")
    assert event.duration_s == seconds  # type: ignore[attr-defined]


def test_bar_is_asked_about_and_either_answer_is_a_line(recorder: Recorder) -> None:
    with pytest.raises(Unclear, match="bar or atm") as asked:
        recorder.log("nc 2.5x12 18 bar 20 s at lesion")
    found = [recorder.log(line).pressure_atm for _, line in asked.value.choices]  # type: ignore[attr-defined]
    assert found == [17.8, 18.0]  # 1 atm is 1.01325 bar by definition


REMOVALS = ("nc 2.75x15 out", "nc 2.75x15 deflated", "wire out extra-support", "extension ext-6 out")


@pytest.mark.parametrize("line", REMOVALS)
def test_what_comes_out_and_was_not_in_is_asked_about(recorder: Recorder, line: str) -> None:
    say(recorder, "wire in workhorse", "nc 2.5x12 18 atm at lesion")
    with pytest.raises(Unclear, match="not in the body") as asked:
        recorder.log(line)
    assert recorder.events[-1].kind is EventKind.INFLATION  # type: ignore[attr-defined]
    for _, choice in asked.value.choices:
        recorder.log(choice)


def test_what_was_in_before_the_record_comes_out_once(recorder: Recorder) -> None:
    """The demo's rig has a guide and a rail in place."""
    say(recorder, "wire out workhorse", "guide out on purpose")
    for line in ("wire out workhorse", "guide out on purpose"):
        with pytest.raises(Unclear, match="not in the body"):
            recorder.log(line)
    recorder.log("guide 6 standard right")
    assert recorder.log("guide out on purpose").wanted is True  # type: ignore[attr-defined]


def test_a_display_set_back_to_zero_adds_up(recorder: Recorder, folder: Path) -> None:
    say(recorder, "dose 812 mgy 60 gycm2 10 min", "display reset", "dose 100 mgy 5 gycm2 2 min")
    now = recorder.state.now
    assert (now.air_kerma_mGy, now.kap_Gycm2, now.fluoroscopy_min) == (912.0, 65.0, 12.0)
    say(recorder, "dose 90 mgy since reset", "dose 95 mgy")
    assert recorder.state.now.air_kerma_mGy == 912.0 + 95.0
    safety = case_safety(load_case(folder / "case.toml"), entries_of(recorder.events))
    fell = [row for moment in along_record(safety) for row in moment.shown if row.id == "dose_fell"]
    assert fell == []
    recorder.log("dose 40 mgy")
    safety = case_safety(load_case(folder / "case.toml"), entries_of(recorder.events))
    assert any(row.id == "dose_fell" for moment in along_record(safety) for row in moment.shown)


# The file beside the case


def test_an_event_that_the_file_cannot_take_is_kept_said_and_written_later(
    recorder: Recorder, folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lines = Lines(recorder)
    lines.take("contrast 8")

    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(os, "write", full)
        said = lines.take("contrast 90")
    assert "Contrast 90 mL" in said and "kept, but case.events.jsonl" in said and "No space left" in said
    assert recorder.state.now.contrast_mL == 98.0
    assert "kept, but" not in lines.take("contrast 2")
    assert read_events(recorder.file) == recorder.store.events(recorder.record_id)


ENDS = {
    "cut": lambda whole: whole[:-40],
    "its line break alone": lambda whole: whole[:-1] + b"\0",
    "zeros for the last line": lambda whole: whole[: whole.rindex(b"\n", 0, -1) + 1] + b"\0" * 200,
    "zeros from the middle of a line": lambda whole: whole[:-240] + b"\0" * 240,
    "the first line cut": lambda whole: whole[:120],
}


@pytest.mark.parametrize("end", ENDS)
def test_a_line_cut_short_is_mended_from_the_store_and_counts_once(
    recorder: Recorder, tmp_path: Path, end: str
) -> None:
    say(recorder, "contrast 8", "contrast 90")
    whole = recorder.file.read_bytes()
    recorder.file.write_bytes(ENDS[end](whole))
    opened = again(recorder, tmp_path)
    assert opened.state.now.contrast_mL == 98.0 and opened.file.read_bytes() == whole
    assert (opened.record_id, opened.notice) == (recorder.record_id, "")
    opened.close()


@pytest.mark.parametrize(
    "words", [["report"], ["limits"], ["hazards"], ["hazards", "contrast 8"], ["timeout"], ["log", "show"]]
)
def test_every_command_that_reads_a_record_mends_a_line_cut_short(
    recorder: Recorder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    say(recorder, "contrast 8", "contrast 90")
    whole = recorder.file.read_bytes()
    recorder.file.write_bytes(whole[:-40])
    case, store = str(recorder.file.with_name("case.toml")), f"sqlite:///{tmp_path / 's.sqlite'}"
    monkeypatch.setenv("BACKSTAY_STORE", store)
    done = CliRunner().invoke(app, [words[0], case, *words[1:]])
    assert done.exit_code == 0, done.output
    assert recorder.file.read_bytes() == whole
    recorder.file.write_bytes(whole + b'{"schema": 1, "id": "elsewhere", "kind": "contr')
    done = CliRunner().invoke(app, [words[0], case, *words[1:]])
    assert done.exit_code != 0 and "cut short" in done.stderr


def test_a_line_cut_short_that_another_program_mended_meanwhile_is_left_whole(recorder: Recorder) -> None:
    say(recorder, "contrast 8", "contrast 90")
    whole = recorder.file.read_bytes()
    recorder.file.write_bytes(whole[:-40])
    beside = EventsFile(recorder.file)
    _, cut = beside.cut_short()
    recorder.file.write_bytes(whole)
    beside.drop(cut)
    assert recorder.file.read_bytes() == whole
    recorder.file.write_bytes(whole[:-40])
    beside.drop(cut)
    assert recorder.file.read_bytes() == whole[: whole.rindex(b"\n", 0, -1) + 1]


def test_a_line_cut_short_that_no_store_has_is_named(recorder: Recorder, tmp_path: Path) -> None:
    say(recorder, "contrast 8")
    with recorder.file.open("ab") as stream:
        stream.write(b'{"schema": 1, "id": "elsewhere", "kind": "contr')
    with pytest.raises(FileFormatError, match="cut short"):
        again(recorder, tmp_path)


def test_a_line_changed_by_hand_is_named(recorder: Recorder, tmp_path: Path) -> None:
    event = recorder.log("contrast 90")
    recorder.file.write_text(recorder.file.read_text().replace("90.0", "9.0"))
    with pytest.raises(FileFormatError, match="not as it was written") as found:
        again(recorder, tmp_path)
    assert found.value.value == event.id and line_of(event) in str(found.value)


def test_recorders_that_open_while_another_writes_lose_and_double_nothing(
    recorder: Recorder, tmp_path: Path
) -> None:
    wrong: list[Exception] = []

    def opens() -> None:
        for _ in range(12):
            try:
                again(recorder, tmp_path).close()
            except Exception as error:
                wrong.append(error)

    beside = threading.Thread(target=opens)
    beside.start()
    for k in range(40):
        recorder.log(f"contrast {k + 1}")
    beside.join()
    assert wrong == [] and recorder.trouble == ""
    ids = [json.loads(line)["id"] for line in recorder.file.read_text().splitlines()]
    assert sorted(ids) == sorted({event.id for event in recorder.events})
    assert recorder.state.now.contrast_mL == sum(range(1, 41))


def test_a_total_counts_what_another_recorder_wrote(recorder: Recorder, tmp_path: Path) -> None:
    other = again(recorder, tmp_path)
    lines = Lines(recorder)
    lines.take("contrast 20")
    other.refresh()
    other.log("contrast 40")
    lines.take("contrast total 95")
    assert recorder.state.now.contrast_mL == 95.0
    other.close()


def test_a_lost_file_is_said_where_the_store_has_a_record_of_this_title(
    recorder: Recorder, tmp_path: Path
) -> None:
    recorder.log("contrast 8")
    assert recorder.notice == ""
    events_path(recorder.file.with_name("case.toml")).unlink()
    opened = again(recorder, tmp_path)
    assert recorder.record_id in opened.notice and "bring it back" in opened.notice
    opened.close()


def test_a_file_taken_away_meanwhile_is_written_whole_again(recorder: Recorder) -> None:
    say(recorder, "contrast 8", "contrast 9")
    recorder.file.unlink()
    recorder.log("contrast 10")
    assert recorder.trouble == "" and read_events(recorder.file) == recorder.store.events(recorder.record_id)


def test_a_line_by_itself_says_that_the_file_was_lost(folder: Path, tmp_path: Path) -> None:
    words = [
        "log",
        str(folder / "case.toml"),
        "contrast",
        "8",
        "--store",
        f"sqlite:///{tmp_path / 's.sqlite'}",
    ]
    assert "bring it back" not in CliRunner().invoke(app, words).output
    events_path(folder / "case.toml").unlink()
    assert "bring it back" in CliRunner().invoke(app, words).output


def test_of_two_stents_the_one_of_the_same_name_is_fixed(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse")
    say(
        recorder,
        "stent-275-33 12 atm 31.5-64.5",
        "stent-300-18 12 atm 10-28",
        "fix stent-275-33 14 atm 31.5-64.5",
    )
    found = {e.text("device"): e.number("pressure_atm") for e in recorder.state.of(EventKind.STENT)}
    assert found == {"stent-275-33": 14.0, "stent-300-18": 12.0}
    with pytest.raises(InputError, match="none of this kind stands"):
        recorder.log("fix stent-300-12 12 atm 10-22")


def test_the_state_kept_is_the_state_gone_through_anew(recorder: Recorder, tmp_path: Path) -> None:
    say(
        recorder, "guide 6 standard right", "wire in workhorse", "act 250", "contrast 8", "act 240 20 min ago"
    )
    say(recorder, "fix act 245", "nc 2.75x15 14 atm 45-60", "contrast 9")
    recorder.undo()
    say(recorder, "contrast 10")
    opened = again(recorder, tmp_path)
    assert opened.state == recorder.state
    opened.close()


# What stays in the body


@pytest.mark.parametrize(
    ("lines", "left"),
    [
        (("stent lost at 40",), ["stent that came off its balloon, lost at 40 mm: not recorded as found"]),
        (("wire broken",), ["part of a wire: not recorded as found"]),
        (("part lost", "fragment left in place"), ["part of a device: left in place"]),
        (("part lost", "fragment retrieved"), []),
        (("stent lost at 40", "stent lost snared"), []),
        (
            ("stent lost at 40", "stent lost at 20", "stent lost snared at 40"),
            ["stent that came off its balloon, lost at 20 mm: not recorded as found"],
        ),
        (
            ("stent lost at 40", "stent lost at 20", "stent lost left in place at 20"),
            [
                "stent that came off its balloon, lost at 20 mm: left in place",
                "stent that came off its balloon, lost at 40 mm: not recorded as found",
            ],
        ),
        (("stent lost at 40", "stent lost at 20", "stent lost snared at 40", "stent lost snared"), []),
    ],
)
def test_what_was_lost_and_stays_is_in_the_report(
    recorder: Recorder, lines: tuple[str, ...], left: list[str]
) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", *lines)
    made = report(recorder.file.with_name("case.toml"), store_url=str(recorder.store.url))
    assert [one.name for one in made.content.left_in] == left
    open_ended = any("not recorded" in one for one in left)
    assert any("not over" in caution for caution in made.content.cautions) is open_ended


def test_which_of_two_things_lost_was_found_is_asked(recorder: Recorder) -> None:
    say(recorder, "wire in workhorse", "stent lost at 40", "stent lost at 20")
    with pytest.raises(Unclear, match="2 are lost") as asked:
        recorder.log("stent lost snared")
    for _, line in asked.value.choices:
        assert Complication.STENT_LOST in recorder.state.now.unsettled
        recorder.log(line)
    assert recorder.state.now.unsettled == frozenset()


# Lines about trapped wires and where the guide stood


def test_a_wire_trapped_on_purpose_and_one_pulled_are_said_in_a_line(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", "buddy jacketed")
    held = recorder.log("stent 2.75x33 12 atm 31.5-64.5 traps buddy")
    assert held.traps == ["wire-jacketed"]  # type: ignore[attr-defined]
    trapped = recorder.state.now.of(BodyItem.TRAPPED_WIRE)
    assert [one.device for one in trapped] == ["wire-jacketed"] and not trapped[0].unplanned
    pulled = recorder.log("wire out jacketed guide disengaged")
    assert (pulled.device, pulled.guide) == ("wire-jacketed", "disengaged")  # type: ignore[attr-defined]
    out = recorder.log("wire out workhorse engaged")
    assert (out.device, out.guide) == ("wire-workhorse", "engaged")  # type: ignore[attr-defined]


def test_which_of_two_buddies_is_trapped_is_asked(recorder: Recorder) -> None:
    say(recorder, "guide 6 standard right", "wire in workhorse", "buddy jacketed", "buddy extra-support")
    with pytest.raises(Unclear):
        recorder.log("stent 2.75x33 12 atm 31.5-64.5 traps buddy")
    held = recorder.log("stent 2.75x33 12 atm 31.5-64.5 traps wire-support")
    assert held.traps == ["wire-support"]  # type: ignore[attr-defined]


def test_help_begins_no_record_and_a_minus_is_no_option(folder: Path, tmp_path: Path) -> None:
    case, store = str(folder / "case.toml"), f"sqlite:///{tmp_path / 's.sqlite'}"
    shown = CliRunner().invoke(app, ["log", case, "help", "--store", store])
    assert shown.exit_code == 0 and "contrast" in shown.output
    assert not events_path(folder / "case.toml").exists()
    refused = CliRunner().invoke(app, ["log", case, "contrast", "-20", "--store", store])
    assert refused.exit_code == 5 and "volume_mL" in refused.output


def test_the_rail_told_of_first_is_the_cases_own(folder: Path, recorder: Recorder) -> None:
    """The demo's rig has a rail in place: a record that tells how a rail went in has no second one."""
    recorder.log("wire in workhorse")
    inside = case_safety(load_case(folder / "case.toml"), entries_of(recorder.events)).now.wires("rail")
    assert [one.device for one in inside] == ["wire-workhorse"]
    recorder.log("buddy jacketed")
    now = case_safety(load_case(folder / "case.toml"), entries_of(recorder.events)).now
    assert len(now.wires("rail")) == 1 and len(now.wires("buddy")) == 1


@pytest.mark.parametrize(
    ("lines", "wires"),
    [
        (("guide backed out", "guide 6 standard right"), ["wire-workhorse"]),
        (
            ("stent 2.75x33 stopped at 48", "wire in extra-support as rail"),
            ["wire-workhorse", "wire-support"],
        ),
        (("stent 2.75x33 stopped at 48", "wire in workhorse as rail"), ["wire-workhorse"] * 2),
        (("guide 6 standard right", "wire in extra-support"), ["wire-support"]),
    ],
)
def test_what_was_in_before_the_record_stays_in(
    folder: Path, recorder: Recorder, lines: tuple[str, ...], wires: list[str]
) -> None:
    say(recorder, "heparin 6000", *lines)
    now = case_safety(load_case(folder / "case.toml"), entries_of(recorder.events)).now
    assert [one.device for one in now.wires("rail")] == wires


def test_what_is_acknowledged_is_on_the_disk(recorder: Recorder, monkeypatch: pytest.MonkeyPatch) -> None:
    """The store waits for the disk at every commit, the file beside the case for every line."""
    with recorder.store.engine.connect() as connection:
        assert connection.exec_driver_sql("PRAGMA synchronous").scalar() == 2  # full
        assert connection.exec_driver_sql("PRAGMA journal_mode").scalar() == "wal"
    synced: list[int] = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda handle: (synced.append(os.fstat(handle).st_ino), real(handle))[1])
    recorder.log("contrast 8")
    assert recorder.file.stat().st_ino in synced
