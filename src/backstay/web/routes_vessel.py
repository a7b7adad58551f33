"""The vessel: what was understood of it, its lesions and branches in a table."""

from __future__ import annotations

from fastapi import APIRouter, Request

from backstay.identifiers import UserRole
from backstay.web.gate import GuardedRoute, needs
from backstay.web.models import CaseName, VesselBody, VesselView
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
