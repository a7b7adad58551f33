"""Cases: the list, new ones, copies, putting away."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime

from fastapi import APIRouter, Query, Request

from backstay.app.library import CaseRow
from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import AwayBody, CaseItem, CaseList, CaseName, ImportBody, Made, SketchBody
from backstay.web.parts import workbench_of

router = APIRouter(prefix="/api/cases", route_class=GuardedRoute, tags=["cases"])

VESSELS = [
    "left anterior descending artery",
    "right coronary artery",
    "diagonal branch",
    "posterior descending artery",
]
EXAMPLE = "25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe | 40 mm 2.5"


@router.get("", **needs(UserRole.READER))
def cases(request: Request, words: str = Query("", max_length=200), put_away: bool = False) -> CaseList:
    """List the cases that hold every word, the one changed last first."""
    rows = workbench_of(request).library.rows(words, put_away=put_away)
    return CaseList(cases=[_item(row) for row in rows], vessels=VESSELS, example=EXAMPLE)


@router.post("/demo", status_code=201, **needs(UserRole.OPERATOR))
def demo(request: Request) -> Made:
    """Make a case from the invented demo."""
    return Made(id=workbench_of(request).library.add_demo())


@router.post("/sketch", status_code=201, **needs(UserRole.OPERATOR))
def sketch(request: Request, body: SketchBody) -> Made:
    """Make a case from a vessel typed as segments."""
    library = workbench_of(request).library
    return Made(id=library.add_sketch(body.text, vessel=body.vessel.strip(), title=body.title.strip()))


@router.post("/import", status_code=201, **needs(UserRole.OPERATOR))
def bring_in(request: Request, body: ImportBody) -> Made:
    """Make a case from its files, or from one file that `backstay pack` wrote."""
    bench = workbench_of(request)
    files = {file.name: file.text.encode() for file in body.files}
    if len(files) != len(body.files):
        raise InputError("two files of one name", field="files", allowed="each name once")
    if len(files) == 1 and next(iter(files)).lower().endswith(".json"):
        return Made(id=bench.library.add_packed(next(iter(files.values())), store_url=bench.store_url))
    return Made(id=bench.library.add_files(files))


@router.get("/{case}", **needs(UserRole.READER))
def one(request: Request, case: CaseName) -> CaseItem:
    """Say what the list says of one case."""
    return _item(workbench_of(request).library.row(case))


@router.post("/{case}/duplicate", status_code=201, **needs(UserRole.OPERATOR))
def duplicate(request: Request, case: CaseName) -> Made:
    """Copy a case without its record."""
    return Made(id=workbench_of(request).library.duplicate(case))


@router.put("/{case}/put-away", **needs(UserRole.OPERATOR))
def put_away(request: Request, case: CaseName, body: AwayBody) -> CaseItem:
    """Take a case out of the list, or bring it back."""
    library = workbench_of(request).library
    library.put_away(case, away=body.away)
    return _item(library.row(case))


def _item(row: CaseRow) -> CaseItem:
    return CaseItem(**asdict(row), changed_words=_ago(row.changed_at))


def _ago(then: datetime) -> str:
    minutes = (datetime.now(UTC) - then).total_seconds() / 60.0
    if minutes < 1.0:
        return "just now"
    if minutes < 60.0:
        return f"{minutes:.0f} min ago"
    if minutes < 24 * 60.0:
        return f"{minutes / 60.0:.0f} h ago"
    return then.astimezone().strftime("%d %b %Y")
