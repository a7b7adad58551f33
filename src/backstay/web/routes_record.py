"""The record: lines, undo, what stands, the room's display, and everything as it happens."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse
from starlette.concurrency import run_in_threadpool

from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, cookie_of, needs
from backstay.web.models import CaseName, LineBody, Part, RecordView, SaidView
from backstay.web.parts import about, visit_of, workbench_of

router = APIRouter(prefix="/api/cases/{case}", route_class=GuardedRoute, tags=["record"])


@router.get("/record", **needs(UserRole.READER))
def record(request: Request, case: CaseName) -> RecordView:
    """Give what stands of the record, the latest first; looking begins no record."""
    from backstay.web.record_views import record_view

    return record_view(workbench_of(request).desks, case)


@router.post("/record/lines", **needs(UserRole.RECORDER))
def say(request: Request, case: CaseName, body: LineBody) -> SaidView:
    """Write a line down; once this answers it is on the disk, and the same key is not written again."""
    from backstay.web.record_views import said_view

    desks, role = workbench_of(request).desks, visit_of(request).role.value
    said = desks.record(case).say(body.line, key=body.key, role=role, said_at=body.said_at)
    about(request, "" if said.event is None else said.event.id)
    return said_view(desks, case, said)


@router.get("/room", **needs(UserRole.READER))
def room(request: Request, case: CaseName) -> Part:
    """Give the room's display."""
    return Part(html=workbench_of(request).desks.room(case))


@router.get("/stream", response_class=StreamingResponse, **needs(UserRole.READER))
async def stream(request: Request, case: CaseName) -> StreamingResponse:
    """Tell everything as it happens (server-sent events): progress, rig, rested, failed, record, room, alive, stopped.

    `alive` comes with each second in which the clocks ran, `stopped` where they could not. It ends with the visit.
    """
    bench = workbench_of(request)
    secret = cookie_of(request.headers.get("cookie", ""), bench.cookie)
    # Who follows a case is shown its next move, so it is worked out; of a signed one there is none.
    if not await run_in_threadpool(bench.desks.is_signed, case):
        await run_in_threadpool(bench.desks.plan, case)

    async def first() -> list[tuple[str, dict[str, Any]]]:
        # A page reads the record before it follows: what was written between is in this first word.
        html = await run_in_threadpool(bench.desks.room, case)
        return [("record", {"last": ""}), ("room", {"html": html})]

    told = bench.hub.stream(case, first, lambda: bench.visits.of(secret) is not None)
    return StreamingResponse(told, media_type="text/event-stream")
