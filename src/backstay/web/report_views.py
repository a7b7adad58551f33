"""The report as the API gives it. Loaded when first asked for, as the plan's part is."""

from __future__ import annotations

from collections.abc import Callable

from backstay.adapters.report_dicom import encapsulated
from backstay.adapters.report_fhir import bundle_text
from backstay.adapters.report_file import ReportDocument
from backstay.app.reporting import Extras, add_to_report, report, sign_report
from backstay.report.procedure import page
from backstay.report.procedure.paper import pdf
from backstay.report.procedure.text import text
from backstay.web.desks import PLAN_FILE, Desk, Desks
from backstay.web.models import ReportView


def made(desks: Desks, case: str) -> ReportDocument:
    """Return the report as it stands."""
    desk = desks.desk(case)
    return report(desk.case.file, _extras(desks, desk), store_url=desks.store_url)


def report_view(desks: Desks, case: str) -> ReportView:
    """Return the report with what a page needs to sign it or add to it."""
    document = made(desks, case)
    return ReportView(
        title=desks.desk(case).case.title,
        invented=desks.desk(case).case.invented,
        signed=not document.is_draft,
        digest=document.content_sha256,
        html=page.body(document),
    )


def sign(desks: Desks, case: str, *, by: str, digest: str, role: str) -> ReportView:
    """Sign the report that was read."""
    desk = desks.desk(case)
    sign_report(
        desk.case.file,
        _extras(desks, desk),
        by=by,
        digest=digest,
        store_url=desks.store_url,
        author_role=role,
        clock=desks.clock,
    )
    _tell(desks, case)
    return report_view(desks, case)


def add(desks: Desks, case: str, *, by: str, words: str, role: str) -> ReportView:
    """Add to a signed report."""
    file = desks.desk(case).case.file
    add_to_report(file, by=by, text=words, store_url=desks.store_url, author_role=role, clock=desks.clock)
    _tell(desks, case)
    return report_view(desks, case)


def paper(desks: Desks, case: str, file: str) -> bytes:
    """Return the report as one of its files."""
    makers: dict[str, Callable[[ReportDocument], bytes]] = {
        "report.pdf": pdf,
        "report.html": lambda one: page.html(one).encode(),
        "report.txt": lambda one: text(one).encode(),
        "report.fhir.json": lambda one: bundle_text(one, pdf=pdf(one), text=text(one)).encode(),
        "report.dcm": lambda one: encapsulated(one, pdf(one)),
        "report.json": lambda one: one.model_dump_json(by_alias=True, indent=1).encode(),
    }
    return makers[file](made(desks, case))


def _extras(desks: Desks, desk: Desk) -> Extras:
    """Return the plan to hold the attempts against; a signed report takes nothing more."""
    if desks.is_signed(desk.name):
        return Extras()
    file = desk.case.file.with_name(PLAN_FILE)
    return Extras(plan=file if file.exists() else None)


def _tell(desks: Desks, case: str) -> None:
    desks.record(case).refresh()
    desks.hub.tell(case, "record", {"last": ""})
    desks.show_room(case)
