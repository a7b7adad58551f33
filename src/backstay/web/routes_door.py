"""The door: coming in with a token, who is in, going out."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib import metadata

from fastapi import APIRouter, Request, Response

from backstay.identifiers import UserRole
from backstay.report.words import DISCLAIMER
from backstay.web.gate import EVERYBODY, GuardedRoute, Refused, cookie_of, needs
from backstay.web.models import EnterBody, Me
from backstay.web.parts import Workbench, about, workbench_of
from backstay.web.users import TooManyTries
from backstay.web.visits import VISIT_S, Visit

router = APIRouter(prefix="/api", route_class=GuardedRoute, tags=["door"])


@router.post("/enter", **EVERYBODY)
def enter(body: EnterBody, request: Request, response: Response) -> Me:
    """Come in with a token, which is then used up."""
    bench = workbench_of(request)
    about(request, body.name)
    try:
        entered = bench.visits.enter(body.token) if body.token else bench.let_in(body.name, body.password)
    except TooManyTries as error:
        raise Refused(
            429, error.message, field=error.field, value=error.value, allowed=error.allowed
        ) from None
    if entered is None:
        raise Refused(
            401,
            "not a token, or one used before" if body.token else "no such user with that password",
            field="token" if body.token else "name",
            value=None,
            allowed="a fresh token: backstay serve prints one when it starts",
        )
    secret, visit = entered
    response.set_cookie(
        bench.cookie,
        secret,
        max_age=int(VISIT_S),
        httponly=True,
        samesite="strict",
        secure=bench.is_tls,
        path="/",
    )
    return _me(visit, bench)


@router.get("/me", **needs(UserRole.READER))
def me(request: Request) -> Me:
    """Say who the page speaks for."""
    return _me(request.scope["state"]["visit"], workbench_of(request))


@router.post("/leave", status_code=204, **needs(UserRole.READER))
def leave(request: Request, response: Response) -> None:
    """Go out: the cookie is worth nothing from here on."""
    bench = workbench_of(request)
    bench.visits.leave(cookie_of(request.headers.get("cookie", ""), bench.cookie))
    response.delete_cookie(bench.cookie, path="/", httponly=True, samesite="strict", secure=bench.is_tls)


def _me(visit: Visit, bench: Workbench) -> Me:
    return Me(
        name=visit.name,
        role=visit.role,
        ends_at=datetime.fromtimestamp(visit.ends_s, UTC),
        may_record=visit.may(UserRole.RECORDER),
        may_change=visit.may(UserRole.OPERATOR),
        with_users=bench.with_users,
        disclaimer=DISCLAIMER,
        version=metadata.version("backstay"),
    )
