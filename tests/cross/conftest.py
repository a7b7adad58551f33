"""The example's report in each of its states, for the tests of what it is exported as."""

from __future__ import annotations

from pathlib import Path

import pytest

from backstay.adapters.report_file import ReportDocument
from backstay.app.reporting import Extras, add_to_report, report, sign_report


@pytest.fixture(params=["draft", "signed", "added to", "hardly anything"])
def document(request: pytest.FixtureRequest, recorded_case: Path) -> ReportDocument:
    """Return the example's report in each of its states, and one of a record that hardly begins."""
    if request.param == "hardly anything":
        events = recorded_case.with_name("case.events.jsonl")
        events.write_text(events.read_text().splitlines()[0] + "\n")
        return report(recorded_case)
    extras = Extras(dose=(recorded_case.with_name("dose.dcm"),))
    if request.param == "draft":
        return report(recorded_case, extras)
    signed = sign_report(recorded_case, extras, by="Dr Invented & <Sons>")
    return (
        signed
        if request.param == "signed"
        else add_to_report(recorded_case, by="Dr Second", text="It <healed> & closed.")
    )
