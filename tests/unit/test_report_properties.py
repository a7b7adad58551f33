"""Whatever a record says, its report can be made, says all of it, and never more."""

from __future__ import annotations

import json
import runpy
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from fhirclient.models.bundle import Bundle as BundleR4
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from backstay.adapters.events_file import EVENT_TYPES, Event
from backstay.adapters.report_fhir import bundle_text
from backstay.adapters.report_file import ReportDocument, content_digest, content_text, read_content
from backstay.adapters.schemas import all_schemas
from backstay.adapters.toml_text import validated
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.event_words import plain
from backstay.app.loading import LoadedCase, load_case
from backstay.app.reporting.content import content
from backstay.app.reporting.told import Told
from backstay.app.treatment import size_case
from backstay.identifiers import Complication, EventKind
from backstay.report.procedure.page import html
from backstay.report.procedure.paper import pdf
from backstay.report.procedure.text import COLUMNS, text

ROOT = Path(__file__).resolve().parents[2]
PAYLOADS = runpy.run_path(str(ROOT / "tests" / "unit" / "test_case_events.py"))["PAYLOADS"]
LATER = {EventKind.OPENED, EventKind.SIGNED, EventKind.ADDENDUM, EventKind.CORRECTION}
BEGAN = datetime.fromisoformat("2031-04-05T23:40:00+02:00")
DEVICES = ("stent-300-28", "bal-nc-300-12", "wire-workhorse", "guide-6-sr", "ext-6", "not on the shelf # <b>")


@pytest.fixture(scope="module")
def case() -> LoadedCase:
    return load_case(ROOT / "examples" / "recorded" / "case.toml")


def event(k: int, kind: EventKind, minutes: int, **changes: Any) -> Event:
    at = (BEGAN + timedelta(minutes=minutes)).isoformat()
    common = {"schema": 1, "id": f"e{k}", "at": at, "author_role": "recorder", "kind": kind.value}
    return validated(EVENT_TYPES[kind], {**common, **PAYLOADS[kind], **changes}, where="event")


@st.composite
def records(draw: st.DrawFn) -> list[Event]:
    kinds = draw(st.lists(st.sampled_from([k for k in EventKind if k not in LATER]), max_size=14))
    found = []
    for k, kind in enumerate(kinds):
        changes: dict[str, Any] = {}
        if "device" in EVENT_TYPES[kind].model_fields:
            changes["device"] = draw(st.sampled_from(DEVICES))
        if "from_mm" in EVENT_TYPES[kind].model_fields:
            changes["from_mm"] = draw(st.sampled_from([0.0, 36.0, 44.5, 130.0]))
            changes["to_mm"] = changes["from_mm"] + draw(st.sampled_from([8.0, 28.0, 250.0]))
        if kind is EventKind.COMPLICATION:
            changes["code"] = draw(st.sampled_from([None, *(c.value for c in Complication)]))
        found.append(
            event(k, kind, draw(st.integers(0, 180)), **{n: v for n, v in changes.items() if v is not None})
        )
    return found


TREATMENTS: dict[Path, TreatmentDocument] = {}


def treatment_of(case: LoadedCase) -> TreatmentDocument:
    if case.file not in TREATMENTS:
        TREATMENTS[case.file] = size_case(case)
    return TREATMENTS[case.file]


def made(case: LoadedCase, events: list[Event]) -> ReportDocument:
    told = Told(case=case, events=tuple(events), plan=None, reports=(), inputs={"case.toml": "0" * 64})
    # Measuring the vessel is the same each time, and takes longest.
    told.__dict__["treatment"] = treatment_of(case)
    found = content(told)
    return ReportDocument(
        schema=1,
        status="draft",
        content=found,
        content_sha256=content_digest(found),
        head="0" * 64,
        events=len(events),
        head_checked=True,
        signature=None,
        addenda=[],
    )


@settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(events=records())
def test_any_record_is_reported_whole(case: LoadedCase, events: list[Event]) -> None:
    document = made(case, events)
    jsonschema.validate(json.loads(document.model_dump_json(by_alias=True)), all_schemas()["report"])
    c = document.content
    assert read_content(content_text(c), where="here") == c
    said = text(document)
    assert max(len(line) for line in said.splitlines()) <= COLUMNS
    assert html(document).count("<section") >= 16
    BundleR4(json.loads(bundle_text(document, pdf=b"%PDF", text=said)), strict=True)
    given_mL = [e.volume_mL for e in events if e.kind == EventKind.CONTRAST]  # type: ignore[attr-defined]
    assert c.contrast.used_mL == (sum(given_mL) if given_mL else None)
    opened = [e for e in events if e.kind == EventKind.STENT]  # type: ignore[attr-defined]
    assert len([one for one in c.left_in if one.item == "stent"]) == len(opened)
    done = [e for e in events if e.kind not in (*LATER, EventKind.NOTE)]  # type: ignore[attr-defined]
    assert [step.kind for step in c.steps] == [e.kind for e in sorted(done, key=lambda e: e.at)]  # type: ignore[attr-defined]
    for k in c.clotting.acts:
        assert f"{plain(k.act_s)} s" in said


@settings(max_examples=4, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(events=records())
def test_any_record_goes_on_paper(case: LoadedCase, events: list[Event]) -> None:
    assert pdf(made(case, events)).startswith(b"%PDF")


def test_every_kind_at_once_and_none_at_all(case: LoadedCase) -> None:
    kinds = [kind for kind in EventKind if kind not in LATER]
    for events in ([event(k, kind, k) for k, kind in enumerate(kinds)], [event(0, EventKind.NOTE, 0)]):
        document = made(case, events)
        assert pdf(document).startswith(b"%PDF") and text(document)
