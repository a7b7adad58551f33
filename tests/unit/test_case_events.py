"""The record beside a case: only added to, never half a line, every kind of event readable again."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from backstay.adapters.events_file import (
    EVENT_TYPES,
    Event,
    append_event,
    event_schema,
    events_path,
    read_events,
)
from backstay.adapters.toml_text import validated
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import EventKind

SPAN = {"from_mm": 34.0, "to_mm": 62.0}
PAYLOADS: dict[EventKind, dict[str, Any]] = {
    EventKind.ACCESS: {"route": "left radial", "sheath_fr": 7.0},
    EventKind.GUIDE_IN: {"device": "g", "seat_mm": 2.0},
    EventKind.GUIDE_OUT: {"wanted": False},
    EventKind.WIRE_IN: {"device": "w", "role": "buddy", "tip_mm": 110.0},
    EventKind.WIRE_OUT: {"device": "w"},
    EventKind.EXTENSION: {"device": "e", "depth_mm": 30.0},
    EventKind.INFLATION: {
        **SPAN,
        "device": "b",
        "pressure_atm": 14.0,
        "purpose": "preparation",
        "opened_fully": True,
        "views": 2,
    },
    EventKind.STENT: {**SPAN, "device": "s", "pressure_atm": 12.0},
    EventKind.ATTEMPT: {
        "device": "s",
        "moves": ["buddy_wire"],
        "outcome": "stopped",
        "stopped_at_mm": 48.0,
        "limited_by": "guide_out",
        "push": "firm",
    },
    EventKind.CONTRAST: {"volume_mL": 8.0},
    EventKind.ACT: {"act_s": 287.0, "sampled_from": "guide"},
    EventKind.HEPARIN: {"dose_U": 2000.0},
    EventKind.DOSE: {"air_kerma_mGy": 812.0, "kap_Gycm2": 61.0, "fluoroscopy_min": 14.5},
    EventKind.VIEW: {"primary_angle_deg": 35.0, "secondary_angle_deg": -20.0},
    EventKind.COMPLICATION: {"what": "dissection", "at_mm": 52.0},
    EventKind.NOTE: {"text": "line one\nline two \u2028 three"},
    EventKind.CORRECTION: {"supersedes": "e0", "reason": "typed twice"},
    EventKind.OPENED: {"record": "r1", "title": "t", "vessel": "v", "inputs": {"case.toml": "0" * 64}},
    EventKind.PREPARED: {**SPAN, "what": "lithotripsy", "device": "b", "passes": 80},
    EventKind.RESULT: {"measured_with": "angiography", "residual_stenosis_percent": 8.0, "timi_flow": 3},
    EventKind.SIGNED: {"by": "a role", "report_sha256": "1" * 64, "head": "2" * 64},
    EventKind.ADDENDUM: {"by": "a role", "text": "line one\nline two"},
    EventKind.DEVICE_IN: {"device": "b", "what": "balloon"},
    EventKind.DEVICE_OUT: {"device": "b", "whole": True, "drawn_into": "guide"},
    EventKind.DEFLATION: {"device": "b"},
    EventKind.WIRE_SEEN: {"device": "w", "tip": "main_vessel"},
    EventKind.PRESSURE: {"damped": True, "systolic_mmHg": 82.0},
    EventKind.DRUG: {"drug": "bivalirudin", "dose": 48.0, "unit": "mg"},
    EventKind.FLUSH: {},
    EventKind.END: {"counted": True},
}


def event(kind: EventKind = EventKind.NOTE, **changes: object) -> Event:
    common = {"schema": 1, "id": "e1", "at": "2031-04-05T09:30:00+02:00", "author_role": "recorder"}
    data = {**common, "kind": kind.value, **PAYLOADS[kind], **changes}
    return validated(EVENT_TYPES[kind], data, where="event")


def test_every_kind_has_a_model_and_an_example() -> None:
    assert EVENT_TYPES.keys() == PAYLOADS.keys() == set(EventKind)


@pytest.mark.parametrize("kind", list(EventKind))
def test_every_kind_reads_back(tmp_path: Path, kind: EventKind) -> None:
    file = tmp_path / "case.events.jsonl"
    first, second = event(id="e0"), event(kind)
    append_event(file, first)
    append_event(file, second)
    assert read_events(file) == [first, second]
    lines = file.read_text().split("\n")
    assert len(lines) == 3 and lines[-1] == ""
    jsonschema.Draft202012Validator(event_schema()).validate(json.loads(lines[1]))


def test_an_extension_without_a_depth_is_out(tmp_path: Path) -> None:
    append_event(tmp_path / "r.jsonl", event(EventKind.EXTENSION, depth_mm=None))
    assert read_events(tmp_path / "r.jsonl")[0].model_dump()["depth_mm"] is None


def test_no_record_yet(tmp_path: Path) -> None:
    assert read_events(tmp_path / "none.jsonl") == []
    (tmp_path / "empty.jsonl").touch()
    assert read_events(tmp_path / "empty.jsonl") == []
    assert events_path(tmp_path / "case.toml") == tmp_path / "case.events.jsonl"


@pytest.mark.parametrize(
    ("kind", "changes", "field", "says"),
    [
        (EventKind.NOTE, {"at": "2031-04-05T09:30:00"}, "at", "offset"),
        (EventKind.NOTE, {"at": 1.5e9}, "at", "not a time"),
        (EventKind.NOTE, {"author_role": "chief"}, "author_role", "'recorder'"),
        (EventKind.NOTE, {"id": "a b"}, "id", "id"),
        (EventKind.CONTRAST, {"volume_ml": 3.0}, "volume_ml", "did you mean volume_mL?"),
        (EventKind.CONTRAST, {"volume_mL": -3.0}, "volume_mL", "more than 0"),
        (EventKind.STENT, {"to_mm": 30.0}, "to_mm", "more than from_mm = 34"),
        (EventKind.INFLATION, {"views": None}, "views", "1 to 6"),
        (EventKind.ATTEMPT, {"outcome": "reached"}, "stopped_at_mm", "not stopped"),
        (EventKind.ATTEMPT, {"limited_by": "bad_luck"}, "limited_by", "'guide_out'"),
        (EventKind.ATTEMPT, {"moves": ["shout"]}, "moves#1", "'buddy_wire'"),
        (EventKind.CORRECTION, {"supersedes": None}, "supersedes", "not a text"),
        (EventKind.DRUG, {"unit": None}, "unit", "needs its unit"),
    ],
)
def test_one_clear_error(kind: EventKind, changes: dict[str, object], field: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        event(kind, **changes)
    assert caught.value.field == field
    assert says in str(caught.value)


def test_a_line_cut_short_is_named_and_nothing_is_added_to_it(tmp_path: Path) -> None:
    file = tmp_path / "r.jsonl"
    append_event(file, event(id="e0"))
    append_event(file, event(id="e1"))
    whole = file.read_bytes()
    file.write_bytes(whole[:-20])
    for attempt in (lambda: read_events(file), lambda: append_event(file, event(id="e2"))):
        with pytest.raises(FileFormatError, match="cut short") as caught:
            attempt()
        assert caught.value.where == f"{file}:2"
    assert file.read_bytes() == whole[:-20]


def test_a_whole_last_line_without_its_line_break_is_added_after(tmp_path: Path) -> None:
    file = tmp_path / "r.jsonl"
    append_event(file, event(id="e0"))
    file.write_bytes(file.read_bytes().rstrip(b"\n"))
    append_event(file, event(id="e1"))
    assert [e.id for e in read_events(file)] == ["e0", "e1"]


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("{broken}", "not JSON"),
        ('{"kind": "note", "id": NaN}', "not JSON"),
        ("[1]", "not an event"),
        ('{"kind": "party"}', "no such kind"),
        ('{"kind": ["note"]}', "no such kind"),
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, line: str, says: str) -> None:
    file = tmp_path / "r.jsonl"
    append_event(file, event(id="e0"))
    file.write_text(file.read_text() + line + "\n")
    with pytest.raises(FileFormatError, match=says) as caught:
        read_events(file)
    assert caught.value.where == f"{file}:2"


def test_identifiers_and_superseding(tmp_path: Path) -> None:
    file = tmp_path / "r.jsonl"
    append_event(file, event(id="e0"))
    append_event(file, event(id="e1", supersedes="e0"))
    before = file.read_bytes()
    with pytest.raises(InputError, match="used twice"):
        append_event(file, event(id="e1"))
    with pytest.raises(NotFound, match="no such event above"):
        append_event(file, event(id="e2", supersedes="e9"))
    with pytest.raises(InputError, match="already superseded"):
        append_event(file, event(EventKind.CORRECTION, id="e2", supersedes="e0"))
    assert file.read_bytes() == before


def test_a_failed_write_leaves_the_record_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "r.jsonl"
    append_event(file, event(id="e0"))
    before = file.read_bytes()
    real_write = os.write

    def full_disk(handle: int, data: bytes) -> int:
        if len(data) <= 10:
            raise OSError(28, "No space left on device")
        return real_write(handle, data[:-10])

    monkeypatch.setattr(os, "write", full_disk)
    with pytest.raises(OSError, match="No space"):
        append_event(file, event(id="e1"))
    assert file.read_bytes() == before
