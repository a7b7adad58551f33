"""The report: read, signed once, added to; what was written down taken back or put right."""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request, Response

from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import (
    AddendumBody,
    CaseName,
    CorrectBody,
    LessonView,
    ReportView,
    SaidView,
    SignBody,
)
from backstay.web.parts import about, visit_of, workbench_of

router = APIRouter(prefix="/api/cases/{case}", route_class=GuardedRoute, tags=["report"])

PAPERS = {
    "report.pdf": "application/pdf",
    "report.html": "application/octet-stream",
    "report.txt": "text/plain; charset=utf-8",
    "report.json": "application/json",
    "report.fhir.json": "application/fhir+json",
    "report.dcm": "application/dicom",
}
Paper = Literal["report.pdf", "report.html", "report.txt", "report.json", "report.fhir.json", "report.dcm"]


@router.get("/report", **needs(UserRole.READER))
def report(request: Request, case: CaseName) -> ReportView:
    """Give the report as it stands: a draft, or as it was signed."""
    from backstay.web.report_views import report_view

    return report_view(workbench_of(request).desks, case)


@router.post("/report/sign", **needs(UserRole.OPERATOR))
def sign(request: Request, case: CaseName, body: SignBody) -> ReportView:
    """Sign the report that was read, known by its digest; nothing but addenda can follow."""
    from backstay.web import report_views

    desks, role = workbench_of(request).desks, visit_of(request).role.value
    about(request, body.digest)
    return report_views.sign(desks, case, by=_by(request, body.by), digest=body.digest, role=role)


@router.post("/report/addenda", **needs(UserRole.OPERATOR))
def add(request: Request, case: CaseName, body: AddendumBody) -> ReportView:
    """Add to a signed report; what was signed stays as it is."""
    from backstay.web import report_views

    desks, role = workbench_of(request).desks, visit_of(request).role.value
    return report_views.add(desks, case, by=_by(request, body.by), words=body.text, role=role)


def _by(request: Request, name: str) -> str:
    """Return who signs: where the workbench has users, nobody but who is in."""
    own = visit_of(request).name
    if workbench_of(request).with_users and name != own:
        raise InputError("another name than who is in", field="by", value=name, allowed=own)
    return name


@router.get("/report/papers/{file}", **needs(UserRole.READER))
def paper(request: Request, case: CaseName, file: Paper) -> Response:
    """Give the report to keep."""
    from backstay.web import report_views

    made = report_views.paper(workbench_of(request).desks, case, file)
    name = {"content-disposition": f'attachment; filename="{case}-{file}"'}
    return Response(made, media_type=PAPERS[file], headers=name)


@router.post("/record/corrections", **needs(UserRole.RECORDER))
def correct(request: Request, case: CaseName, body: CorrectBody) -> SaidView:
    """Put one event right by a line that stands instead, or take it back where no line is given."""
    from backstay.web.record_views import said_view

    desks, role = workbench_of(request).desks, visit_of(request).role.value
    said = desks.record(case).correct(body.event, body.line, key=body.key, role=role, reason=body.reason)
    about(request, body.event)
    return said_view(desks, case, said)


@router.get("/lesson", **needs(UserRole.OPERATOR))
def lesson(request: Request, case: CaseName) -> LessonView:
    """Make a lesson of a finished case; asking begins the work."""
    from backstay.web.extra_views import lesson_view

    return lesson_view(workbench_of(request).desks, case)


@router.get("/lesson/page", **needs(UserRole.OPERATOR))
def lesson_page(request: Request, case: CaseName) -> Response:
    """Give the lesson as one page without identifiers; one that still holds any is not given."""
    from backstay.web.extra_views import lesson_page

    page = lesson_page(workbench_of(request).desks, case)
    name = {"content-disposition": 'attachment; filename="teaching-case.html"'}
    return Response(page, media_type="application/octet-stream", headers=name)
