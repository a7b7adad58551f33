"""The record from the outside: lines typed, undone with one key, shared between file and store, moved whole."""

from __future__ import annotations

import json
import os
import pty
import select
import shutil
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.record_entries import entries_of
from backstay.adapters.store import Store
from backstay.app.record import Recorder
from backstay.cli import app
from backstay.core.record.state import state_of
from backstay.errors import InputError
from backstay.identifiers import EventKind

NOW = datetime(2031, 4, 5, 10, 0, tzinfo=UTC)


@pytest.fixture
def case_file(demo_dir: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(demo_dir, tmp_path / "demo")
    monkeypatch.setenv("BACKSTAY_STORE", f"sqlite:///{tmp_path / 'records.sqlite'}")
    return tmp_path / "demo" / "case.toml"


def invoke(*words: str | Path, typed: str | None = None) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words], input=typed)


def test_a_line_is_echoed_and_written_to_store_and_file(case_file: Path) -> None:
    result = invoke("log", case_file, "nc", "2.5x12", "18", "atm", "20", "s", "at", "lesion")
    assert result.exit_code == 0, result.stderr
    assert "Non-compliant balloon 2.5 x 12 mm: 18 atm for 20 s at 42 to 54 mm, to prepare" in result.stdout
    events = read_events(events_path(case_file))
    assert [event.kind for event in events] == [EventKind.OPENED, EventKind.INFLATION]
    recorder = Recorder(case_file)
    assert recorder.events == events
    assert set(recorder.store.files(recorder.record_id)) == {"case.toml", "path.csv", "shelf.toml"}
    recorder.close()


def test_a_line_that_is_unclear_writes_nothing_and_names_the_choices(case_file: Path) -> None:
    result = invoke("log", case_file, "nc 2.5x12 18 atm")
    assert result.exit_code == 5
    assert "where?" in result.stderr and "at lesion 1 (34 to 62 mm)" in result.stderr
    assert [event.kind for event in read_events(events_path(case_file))] == [EventKind.OPENED]


def test_lines_from_a_file(case_file: Path) -> None:
    result = invoke("log", case_file, typed="act 278\nfix act 287\n\ncontrast 8\ncontrast 9\nundo\nshow\n")
    assert result.exit_code == 0, result.stderr
    shown = [line[7:] for line in result.stdout.splitlines()]
    assert shown[-6:-4] == ["ACT 287 s", "Contrast 8 mL"]
    assert shown[-2:] == ["ACT 278 s: ACT 287 s", "Contrast 9 mL: Taken back: undone"]
    assert "taken back" in result.stdout
    out = json.loads(invoke("log", case_file, "--json").stdout)
    assert [event["kind"] for event in out["events"]] == [
        *("opened", "act", "act", "contrast", "contrast", "correction")
    ]


def test_times(case_file: Path) -> None:
    recorder = Recorder(case_file, clock=lambda: NOW)
    assert recorder.log("09:42 act 287").at == NOW.replace(hour=9, minute=42)
    assert recorder.log("act 260 5 min ago").at == NOW - timedelta(minutes=5)
    assert recorder.log("fix act 265").at == NOW - timedelta(minutes=5)
    with pytest.raises(InputError, match="still to come"):
        recorder.log("15:00 act 287")
    recorder.close()


def test_undo_stops_at_the_beginning(case_file: Path) -> None:
    recorder = Recorder(case_file)
    recorder.log("contrast 8")
    recorder.undo()
    with pytest.raises(InputError, match="nothing to undo"):
        recorder.undo()
    assert recorder.state.now.contrast_mL == 0.0
    recorder.close()


def test_what_another_program_added_to_the_file_is_taken_in(case_file: Path) -> None:
    first = Recorder(case_file)
    first.log("contrast 8")
    first.close()
    line = {
        "schema": 1,
        "id": "mine",
        "at": NOW.isoformat(),
        "author_role": "nurse",
        "kind": "act",
        "act_s": 287,
    }
    with events_path(case_file).open("a") as file:
        file.write(json.dumps({**line, "act_s": 287.0}) + "\n")
    again = Recorder(case_file)
    assert [event.id for event in again.store.events(again.record_id)][-1] == "mine"
    again.close()


def test_the_file_is_made_again_from_the_store(case_file: Path) -> None:
    first = Recorder(case_file)
    first.log("contrast 8")
    first.log("act 287")
    events = first.events
    first.close()
    file = events_path(case_file)
    file.write_text("\n".join(file.read_text().splitlines()[:1]) + "\n")
    again = Recorder(case_file)
    assert again.events == events == read_events(file)
    again.close()


def test_a_case_moves_whole(case_file: Path, tmp_path: Path) -> None:
    recorder = Recorder(case_file)
    for line in ("guide 6 standard right", "wire in workhorse", "contrast 8", "act 287"):
        recorder.log(line)
    state, kinds = recorder.state, recorder.kinds
    recorder.close()
    packed = tmp_path / "packed.json"
    assert invoke("pack", case_file, "--into", packed).exit_code == 0
    other = f"sqlite:///{tmp_path / 'other.sqlite'}"
    result = invoke("unpack", packed, "--into", tmp_path / "moved", "--store", other)
    assert result.exit_code == 0, result.stderr
    moved = Recorder(tmp_path / "moved" / "case.toml", store_url=other)
    assert state_of(entries_of(moved.events), kinds) == state
    moved.close()
    again = invoke("unpack", packed, "--into", tmp_path / "moved", "--store", other)
    assert again.exit_code == 5 and "exists already" in again.stderr


def test_records_are_listed(case_file: Path) -> None:
    assert invoke("log", case_file, "act 287").exit_code == 0
    result = invoke("records", "shepherd's-crook")
    assert "2 events, draft" in " ".join(result.stdout.split())
    assert json.loads(invoke("records", "--json").stdout)[0]["invented"] is True
    assert json.loads(invoke("records", "nothing", "like", "it", "--json").stdout) == []


def test_ten_thousand_records_are_listed_and_searched(tmp_path: Path) -> None:
    """The bar is 100 ms; time is measured in benchmarks, here that the answer is right at that size."""
    from backstay.adapters.store_tables import EVENT, RECORD

    store = Store(f"sqlite:///{tmp_path / 's.sqlite'}")
    rows = [
        {
            "id": f"r{k}",
            "title": f"Case {k}",
            "vessel": "v",
            "invented": True,
            "search": f"case {k} v",
            "opened_at": f"{k:05d}",
            "last_at": f"{k:05d}",
            "length": 1,
            "head": "0" * 64,
        }
        for k in range(10_000)
    ]
    last = {"position": 1, "event_id": "e", "written_at": "", "link": ""}
    kinds = ("opened", "signed", "addendum")
    events = [
        {**last, "record_id": f"r{k}", "content": f'{{"kind":"{kinds[k % 3]}"}}'} for k in range(10_000)
    ]
    with store.engine.begin() as connection:
        connection.execute(RECORD.insert(), rows)
        connection.execute(EVENT.insert(), events)
    assert [row.id for row in store.records(limit=3)] == ["r9999", "r9998", "r9997"]
    assert [row.id for row in store.records("case 1234")] == ["r1234"]
    assert [row.is_signed for row in store.records(limit=3)] == [False, True, True]
    assert [row.id for row in store.records(limit=2, signed=False)] == ["r9999", "r9996"]
    assert [row.id for row in store.records(limit=2, signed=True)] == ["r9998", "r9997"]
    store.close()


def read_until(terminal: int, words: str) -> str:
    said, ends = "", time.monotonic() + 60.0
    while words not in said and time.monotonic() < ends:
        if select.select([terminal], [], [], 1.0)[0]:
            said += os.read(terminal, 65536).decode()
    assert words in said, said
    return said


def test_in_a_terminal_one_key_undoes_and_a_number_chooses(case_file: Path, root: Path) -> None:
    here, there = pty.openpty()
    command = [sys.executable, "-m", "backstay", "log", str(case_file)]
    environment = {**os.environ, "PYTHONPATH": str(root / "src"), "TERM": "xterm"}
    program = subprocess.Popen(command, stdin=there, stdout=there, stderr=there, env=environment)
    os.close(there)
    try:
        read_until(here, "> ")
        os.write(here, b"contrast 9\x7f8\r")
        read_until(here, "Contrast 8 mL")
        os.write(here, b"-")
        read_until(here, "taken back")
        # A pasted list: its marks are no keys, so nothing is taken back.
        os.write(here, b"- contrast 21\r- contrast 22\r")
        read_until(here, "Contrast 22 mL")
        os.write(here, b"nc 2.5x12 18 atm\r")
        read_until(here, "1  at lesion 1")
        os.write(here, b"1\r")
        read_until(here, "42 to 54 mm")
        os.write(here, b"nc 2.5x12 16 atm\r")
        read_until(here, "its middle")
        os.write(here, b"3\r")
        read_until(here, "> nc 2.5x12 16 atm at ")
        os.write(here, b"50\r")  # the rest is typed
        read_until(here, "44 to 56 mm")
        os.write(here, b"purple\r")
        read_until(here, "! not understood")
        os.write(here, b"\x04")
        assert program.wait(timeout=60) == 0
    finally:
        program.kill()
        program.wait()
        os.close(here)
    kinds = [event.kind for event in read_events(events_path(case_file))]
    assert kinds[:3] == [EventKind.OPENED, EventKind.CONTRAST, EventKind.CORRECTION]
    assert kinds[3:] == [EventKind.CONTRAST] * 2 + [EventKind.INFLATION] * 2
