"""The vessel: what was understood of it, its lesions and branches in a table."""

from __future__ import annotations

from fastapi import APIRouter, Request

from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import CaseName, LoadedView, PathBody, VesselBody, VesselSketchBody, VesselView
from backstay.web.parts import workbench_of

router = APIRouter(prefix="/api/cases/{case}/vessel", route_class=GuardedRoute, tags=["vessel"])


@router.get("", **needs(UserRole.READER))
def vessel(request: Request, case: CaseName) -> VesselView:
    """Give the vessel as it was understood, with its measures."""
    from backstay.web.vessel_views import vessel_view

    return vessel_view(workbench_of(request).desks.desk(case))


@router.put("", **needs(UserRole.OPERATOR))
def set_vessel(request: Request, case: CaseName, body: VesselBody) -> VesselView:
    """Write lesions and branches into the case file, where they make a case; else nothing changes."""
    from backstay.web import vessel_views

    bench = workbench_of(request)
    vessel_views.set_vessel(bench.library, case, body)
    return vessel_views.vessel_view(bench.desks.desk(case))


@router.put("/path", **needs(UserRole.OPERATOR))
def load_path(request: Request, case: CaseName, body: PathBody) -> LoadedView:
    """Make a path file the case's vessel, where the case fits it; else nothing changes."""
    from backstay.app.vessels import vessel_from_path

    return _loaded(request, case, vessel_from_path(workbench_of(request).library, case, body.text))


@router.put("/sketch", **needs(UserRole.OPERATOR))
def load_sketch(request: Request, case: CaseName, body: VesselSketchBody) -> LoadedView:
    """Make a sketch the case's vessel, with its lesions, where the case fits it; else nothing changes."""
    from backstay.app.vessels import vessel_from_sketch

    return _loaded(request, case, vessel_from_sketch(workbench_of(request).library, case, body.text))


def _loaded(request: Request, case: str, notes: tuple[str, ...]) -> LoadedView:
    from backstay.web.vessel_views import vessel_view

    return LoadedView(vessel=vessel_view(workbench_of(request).desks.desk(case)), notes=list(notes))
