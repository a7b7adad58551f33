"""The angiogram: runs of a case and their frames, a vessel traced and measured on them, views ranked.

What reads and fits is imported where it is used: the first page must not wait for it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Query, Request, Response
from starlette.concurrency import run_in_threadpool

from backstay.app.library import LARGEST_RUN
from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import CaseName
from backstay.web.models_angiogram import (
    AngiogramView,
    KeepBody,
    KeptView,
    MeasureBody,
    MeasureView,
    SecondBody,
    SecondView,
    TraceBody,
    TraceView,
    WorkingViews,
)
from backstay.web.parts import about, workbench_of

router = APIRouter(prefix="/api/cases/{case}/angiogram", route_class=GuardedRoute, tags=["angiogram"])
PlaceMm = Annotated[float | None, Query(ge=0, le=400)]


@router.get("", **needs(UserRole.READER))
def angiogram(request: Request, case: CaseName) -> AngiogramView:
    """Give the runs of a case, and the marks of the measurement it stands on."""
    from backstay.web.angiogram_views import angiogram_view

    return angiogram_view(workbench_of(request).library, case)


@router.put("/runs/{run}", status_code=201, **needs(UserRole.OPERATOR, body="application/dicom"))
async def add_run(request: Request, case: CaseName, run: str) -> AngiogramView:
    """Put a run (DICOM XA) into a case's folder; it stays on this machine as it is, names in it and all."""
    from backstay.web.angiogram_views import angiogram_view

    library = workbench_of(request).library
    about(request, run)
    await run_in_threadpool(library.row, case)
    with tempfile.TemporaryDirectory(prefix=".run-", dir=library.folder) as holding:
        file = Path(holding) / "run.dcm"
        with file.open("wb") as kept:
            async for part in request.stream():
                if kept.tell() + len(part) > LARGEST_RUN:
                    raise InputError("too large", field="run", value=run, allowed=f"{LARGEST_RUN:,} bytes")
                kept.write(part)
        await run_in_threadpool(library.add_run, case, run, file)
    return await run_in_threadpool(angiogram_view, library, case)


@router.post("/runs/{run}/take-out", **needs(UserRole.OPERATOR))
def take_out(request: Request, case: CaseName, run: str) -> AngiogramView:
    """Take a run out of a case's folder; what was measured from it stays."""
    from backstay.web.angiogram_views import angiogram_view

    library = workbench_of(request).library
    library.take_out_run(case, run)
    return angiogram_view(library, case)


@router.post("/practice", status_code=201, **needs(UserRole.OPERATOR))
def practice(request: Request, case: CaseName) -> AngiogramView:
    """Put two invented runs into a case, to practise on."""
    from backstay.app.angiogram import add_practice
    from backstay.web.angiogram_views import angiogram_view

    library = workbench_of(request).library
    add_practice(library, case)
    return angiogram_view(library, case)


@router.get("/runs/{run}/frames/{frame}", response_class=Response, **needs(UserRole.READER))
def frame(request: Request, case: CaseName, run: str, frame: int) -> Response:
    """Give one frame as stored, row by row: a byte a pixel, or two, the lesser first."""
    from backstay.app.angiogram import grey_frame

    content = grey_frame(workbench_of(request).library.run(case, run), frame)
    return Response(content, media_type="application/octet-stream")


@router.post("/trace", **needs(UserRole.READER))
def trace(request: Request, case: CaseName, body: TraceBody) -> TraceView:
    """Trace one view as it is marked: rough edges at once, or as measured with every doubt."""
    from backstay.web.angiogram_views import trace_view

    return trace_view(workbench_of(request).library, case, body)


@router.post("/second", **needs(UserRole.READER))
def second(request: Request, case: CaseName, body: SecondBody) -> SecondView:
    """Give the bands of the second view in which the vessel of the first may lie."""
    from backstay.web.angiogram_views import second_view

    return second_view(workbench_of(request).library, case, body)


@router.post("/measure", **needs(UserRole.READER))
def measure(request: Request, case: CaseName, body: MeasureBody) -> MeasureView:
    """Measure the vessel from one or two views, with every doubt; nothing of the case changes."""
    from backstay.web.angiogram_views import measure_view

    return measure_view(workbench_of(request).library, case, body)


@router.post("/keep", status_code=201, **needs(UserRole.OPERATOR))
def keep(request: Request, case: CaseName, body: KeepBody) -> KeptView:
    """Keep path and record in the case's folder, and make them its vessel."""
    from backstay.web import angiogram_views

    kept = angiogram_views.keep(workbench_of(request).library, case, body)
    about(request, kept.record)
    return kept


@router.get("/working-views", **needs(UserRole.READER))
def working_views(
    request: Request,
    case: CaseName,
    from_mm: PlaceMm = None,
    to_mm: PlaceMm = None,
    branch: Annotated[str | None, Query(max_length=200)] = None,
) -> WorkingViews:
    """Rank the ways to look at a stretch, a branch's mouth, or the first lesion."""
    from backstay.web.angiogram_views import working_views

    loaded = workbench_of(request).desks.desk(case).case
    return working_views(loaded, from_mm=from_mm, to_mm=to_mm, branch=branch)
