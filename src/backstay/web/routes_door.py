"""The door: coming in with a token, who is in, going out."""

from __future__ import annotations

from datetime import UTC, datetime
from importlib import metadata

from fastapi import APIRouter, Request, Response

from backstay.identifiers import UserRole
from backstay.report.words import DISCLAIMER
from backstay.web.gate import EVERYBODY, GuardedRoute, Refused, cookie_of, needs
from backstay.web.models import Door, EnterBody, Me
from backstay.web.parts import Workbench, about, workbench_of
from backstay.web.users import TooManyTries
from backstay.web.visits import MOST_TOKENS, VISIT_S, Visit

router = APIRouter(prefix="/api", route_class=GuardedRoute, tags=["door"])


@router.get("/enter", **EVERYBODY)
def door(request: Request) -> Door:
    """Say by which of the two ways people come in here."""
    return Door(by_name=workbench_of(request).with_users)


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
            allowed="a user of this workbench, by name and password"
            if bench.with_users
            else "a fresh token: the terminal that runs backstay serve says a new link when it is asked for one",
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


@router.post("/enter/link", status_code=204, **EVERYBODY)
def link(request: Request) -> None:
    """Have a fresh link said in the terminal that runs the workbench; who asks is not told it."""
    bench = workbench_of(request)
    if bench.say_link is None:
        raise Refused(
            403, "this workbench has users", field="link", value=None, allowed="enter by name and password"
        )
    if bench.visits.tokens_out >= MOST_TOKENS:
        raise Refused(
            429,
            "links enough have been said",
            field="link",
            value=None,
            allowed="the last one in the terminal",
        )
    bench.say_link()


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
        now=bench.desks.clock(),
        may_record=visit.may(UserRole.RECORDER),
        may_change=visit.may(UserRole.OPERATOR),
        with_users=bench.with_users,
        disclaimer=DISCLAIMER,
        version=metadata.version("backstay"),
    )
