"""The plan: rigs to choose from, one rig in full, its device anywhere on the way, rigs of the user's own.

What makes the answers is imported where it is used: the first page must not wait for the solver's libraries.
"""

from __future__ import annotations

from typing import Literal

from fastapi import APIRouter, Request, Response

from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import Asked, CaseName, MadeView, PlaceView, PlanParts, PlanView, RigBody, RigView
from backstay.web.parts import workbench_of

router = APIRouter(prefix="/api/cases/{case}/plan", route_class=GuardedRoute, tags=["plan"])

PAPERS = {
    "time-out.pdf": "application/pdf",
    "plan.pdf": "application/pdf",
    "plan.html": "application/octet-stream",
    "plan.json": "application/json",
}
Paper = Literal["time-out.pdf", "plan.pdf", "plan.html", "plan.json"]


@router.get("", **needs(UserRole.READER))
def plan(request: Request, case: CaseName) -> PlanView:
    """Give the plan as far as it is worked out; asking begins the work."""
    from backstay.web.plan_views import plan_view

    desks = workbench_of(request).desks
    return plan_view(desks.plan(case), desks.entries(case))


@router.get("/parts", **needs(UserRole.READER))
def parts(request: Request, case: CaseName) -> PlanParts:
    """Give what holds for every rig: limits, treatment, cautions, what it rests on."""
    from backstay.web import plan_views

    return plan_views.parts(workbench_of(request).desks.plan(case))


@router.get("/rigs/{rig}", **needs(UserRole.READER))
def rig(request: Request, case: CaseName, rig: str, narrow: bool = False, step: int | None = None) -> RigView:
    """Give one rig in full, its device where the median draw stops, or at a place asked for."""
    from backstay.web.plan_views import rig_view

    return rig_view(workbench_of(request).desks.plan(case), rig, step=step, narrow=narrow)


@router.get("/rigs/{rig}/places/{step}", **needs(UserRole.READER))
def place(request: Request, case: CaseName, rig: str, step: int, narrow: bool = False) -> PlaceView:
    """Give one rig with its device's tip at one of the places where it was solved."""
    from backstay.web.plan_views import place_view

    return place_view(workbench_of(request).desks.plan(case), rig, step, narrow=narrow)


@router.get("/guides", **needs(UserRole.READER))
def guides(request: Request, case: CaseName) -> MadeView:
    """Compare the shelf's guides in this root; asking begins the work."""
    from backstay.web.extra_views import guides_view

    return guides_view(workbench_of(request).desks, case)


@router.post("/ask", status_code=202, **needs(UserRole.READER))
def ask(request: Request, case: CaseName, body: RigBody) -> Asked:
    """Begin to work out a rig and target of the user's own; nothing of the case changes."""
    name, change = workbench_of(request).desks.ask(case, body.rig, body.target)
    return Asked(id=name, change=change)


@router.put("/in-place", **needs(UserRole.OPERATOR))
def in_place(request: Request, case: CaseName, body: RigBody) -> Asked:
    """Write a rig and target into the case file: from now on this is what is in place."""
    from backstay.app.plan_desk import check_stretch

    library = workbench_of(request).library
    document = library.document(case)
    check_stretch(library.load(case).shelf.devices.get(body.target.device), body.target)
    library.change(case, document.model_copy(update={"rig": body.rig, "target": body.target}))
    return Asked(id="as_it_is", change="as it is")


@router.get("/papers/{file}", **needs(UserRole.READER))
def paper(request: Request, case: CaseName, file: Paper) -> Response:
    """Give the plan to keep: time-out sheet, one page, the whole page, data."""
    from backstay.web import plan_views

    desks = workbench_of(request).desks
    made = plan_views.paper(desks.plan(case), desks.entries(case), file)
    name = {"content-disposition": f'attachment; filename="{case}-{file}"'}
    return Response(made, media_type=PAPERS[file], headers=name)
