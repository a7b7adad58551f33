"""The gate before every route: right host, own origin, a visit with a cookie; and headers that fence the page in.

A page elsewhere that talks to this server from the user's browser fails at Host (a name it rebinds), at Origin (a
request it sends) or for want of the cookie (SameSite=Strict). What a visit may do is each route's own to say.
"""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from fastapi import Request
from fastapi.routing import APIRoute
from starlette.responses import Response

from backstay.app.library import LARGEST_RUN
from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.audit import Audit
from backstay.web.visits import Visit, Visits

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Scope, Receive, Send], Awaitable[None]]

OPEN_TO_ALL = ("/enter", "/api/enter", "/static/")
"""What is served before a visit has begun: the door, and files that hold nothing of anyone."""
SAFE_METHODS = frozenset({"GET", "HEAD"})
LARGEST_BODY = 60_000_000
RUNS = "/angiogram/runs/"
"""In the path of what may be larger: a run of an angiogram, which is written to the disk as it comes."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; require-trusted-types-for 'script'; "
    "trusted-types backstay"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Refused(InputError):
    """A request that is not let through, with the HTTP status that says so."""

    def __init__(self, status: int, message: str, *, field: str, value: object, allowed: str) -> None:
        self.status = status
        super().__init__(message, field=field, value=value, allowed=allowed)


class Gate:
    """The gate.

    Parameters
    ----------
    app : ASGI application
        What stands behind it.
    hosts : frozenset of str
        Names (with port) under which this server may be spoken to.
    scheme : str
        http or https.
    visits : Visits
        Who is in.
    cookie : str
        Name of the cookie.
    audit : Audit or None
        Where changes are written down, with who asked for them.
    """

    def __init__(
        self,
        app: Application,
        *,
        hosts: frozenset[str],
        scheme: str,
        visits: Visits,
        cookie: str,
        audit: Audit | None = None,
    ) -> None:
        self.app, self.hosts, self.visits, self.cookie, self.audit = app, hosts, visits, cookie, audit
        self.origins = frozenset(f"{scheme}://{host}" for host in hosts)
        self.is_tls = scheme == "https"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it with the reason why not."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # no other kind of connection is offered
        fenced = self._fenced(scope, send)
        try:
            scope.setdefault("state", {})["visit"] = self._checked(scope)
        except Refused as error:
            body = json.dumps(error.as_json())
            answer = Response(body, status_code=error.status, media_type="application/json")
            if error.status == 401 and not str(scope["path"]).startswith("/api/"):
                answer = Response(status_code=303, headers={"location": "/enter"})
            await answer(scope, receive, fenced)
            return
        await self.app(scope, receive, fenced)

    def _checked(self, scope: Scope) -> Visit | None:
        head = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        host, origin = head.get("host", ""), head.get("origin")
        if host not in self.hosts:
            allowed = ", ".join(sorted(self.hosts))
            raise Refused(421, "not a name of this server", field="Host", value=host, allowed=allowed)
        is_safe = scope["method"] in SAFE_METHODS
        if origin not in self.origins and not (origin is None and is_safe):
            raise Refused(
                403,
                "a request from elsewhere",
                field="Origin",
                value=origin,
                allowed="this server's own pages",
            )
        if head.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            site = head["sec-fetch-site"]
            raise Refused(
                403, "a request from elsewhere", field="Sec-Fetch-Site", value=site, allowed="same-origin"
            )
        self._check_length(head, LARGEST_RUN if RUNS in str(scope["path"]) else LARGEST_BODY)
        visit = self.visits.of(cookie_of(head.get("cookie", ""), self.cookie))
        if visit is None and not str(scope["path"]).startswith(OPEN_TO_ALL):
            raise Refused(
                401,
                "not let in, or let in too long ago",
                field="cookie",
                value=None,
                allowed="enter with a token",
            )
        return visit

    @staticmethod
    def _check_length(head: dict[str, str], most: int) -> None:
        if "transfer-encoding" in head:
            value = head["transfer-encoding"]
            raise Refused(
                411, "a length is needed", field="Transfer-Encoding", value=value, allowed="Content-Length"
            )
        length = head.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            raise Refused(413, "too large", field="Content-Length", value=None, allowed=f"{most:,} bytes")

    def _fenced(self, scope: Scope, send: Send) -> Send:
        own = {**HEADERS, "cache-control": "no-cache" if scope["path"].startswith("/static/") else "no-store"}
        if self.is_tls:
            own["strict-transport-security"] = "max-age=31536000"

        async def fenced(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._note(scope, int(message["status"]))
                kept = [
                    (name, value) for name, value in message.get("headers", []) if name.decode() not in own
                ]
                message["headers"] = [*kept, *((n.encode(), v.encode()) for n, v in own.items())]
            await send(message)

        return fenced

    def _note(self, scope: Scope, status: int) -> None:
        if self.audit is None or scope["method"] in SAFE_METHODS:
            return
        state = scope.get("state", {})
        visit: Visit | None = state.get("visit")
        self.audit.note(
            name="" if visit is None else visit.name,
            role="" if visit is None else visit.role.value,
            method=str(scope["method"]),
            path=str(scope["path"]),
            status=status,
            about=str(state.get("about", "")),
        )


def cookie_of(header: str, name: str) -> str:
    """Return a cookie's value, empty where it is missing or the header is not one."""
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


def needs(role: UserRole, *, body: str = "") -> dict[str, Any]:
    """Return how a route says who may use it: `@router.get("/x", **needs(UserRole.READER))`.

    `body` is the kind of a file that is sent as it is.
    """
    said: dict[str, Any] = {"x-needs": role.value}
    if body:
        schema = {"type": "string", "format": "binary"}
        said["requestBody"] = {"required": True, "content": {body: {"schema": schema}}}
    return {"openapi_extra": said}


EVERYBODY: dict[str, Any] = {"openapi_extra": {"x-needs": None}}
"""For a route that stands before the gate."""


class GuardedRoute(APIRoute):
    """A route that says who may use it, and checks it before anything of the request is read."""

    def get_route_handler(self) -> Callable[[Request], Any]:
        """Return the handler with the check before it."""
        handler = super().get_route_handler()
        if "x-needs" not in (self.openapi_extra or {}):
            raise TypeError(f"{self.path} does not say who may use it")
        needed = (self.openapi_extra or {})["x-needs"]
        role = None if needed is None else UserRole(needed)

        async def guarded(request: Request) -> Response:
            visit: Visit | None = request.scope["state"]["visit"]
            if role is not None and (visit is None or not visit.may(role)):
                value = None if visit is None else visit.role.value
                raise Refused(403, "not for this role", field="role", value=value, allowed=role.value)
            answer: Response = await handler(request)
            return answer

        return guarded
