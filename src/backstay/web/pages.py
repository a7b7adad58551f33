"""Pages: one shell, its scripts and style sheets. What they show, they ask the API for."""

from __future__ import annotations

import hashlib
import mimetypes
from functools import cache
from importlib import resources

from fastapi import APIRouter, Request, Response
from fastapi.openapi.utils import get_openapi

from backstay.errors import NotFound
from backstay.identifiers import UserRole
from backstay.report.theme import DARK, LIGHT, css_variables
from backstay.web.gate import EVERYBODY, GuardedRoute, needs
from backstay.web.models import CaseName, Section

router = APIRouter(route_class=GuardedRoute, include_in_schema=False)

mimetypes.add_type("text/javascript", ".js")


@router.get("/enter", **EVERYBODY)
def door(request: Request) -> Response:
    """Show the door."""
    return _served(request, "shell.html")


@router.get("/", **needs(UserRole.READER))
def home(request: Request) -> Response:
    """Show the list of cases."""
    return _served(request, "shell.html")


@router.get("/case/{case}/{section}", **needs(UserRole.READER))
def section(request: Request, case: CaseName, section: Section) -> Response:
    """Show one part of a case."""
    return _served(request, "shell.html")


@router.get("/static/{name}", **EVERYBODY)
def static(request: Request, name: str) -> Response:
    """Give a script or a style sheet."""
    return _served(request, name)


@router.get("/api/openapi.json", **needs(UserRole.READER))
def described(request: Request) -> dict[str, object]:
    """Describe the API (OpenAPI)."""
    app = request.app
    return get_openapi(title=app.title, version=app.version, routes=app.routes)


def _served(request: Request, name: str) -> Response:
    found = files().get(name)
    if found is None:
        raise NotFound("no such file", field="name", value=name, allowed="a file of the workbench")
    content, kind, tag = found
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"etag": tag})
    return Response(content, media_type=kind, headers={"etag": tag})


@cache
def files() -> dict[str, tuple[bytes, str, str]]:
    """Return every file served, by name: content, kind, tag."""
    folder = resources.files("backstay.web").joinpath("static")
    found = {one.name: one.read_bytes() for one in folder.iterdir() if one.is_file()}
    found["report.css"] = report_css().encode()
    return {
        name: (
            content,
            mimetypes.guess_type(name)[0] or "application/octet-stream",
            f'"{hashlib.sha256(content).hexdigest()[:20]}"',
        )
        for name, content in found.items()
    }


def report_css() -> str:
    """Return the plan page's style sheet with both sets of colours; `data-theme` overrules the reader's setting."""
    folder = resources.files("backstay.report")
    sheets = [
        folder.joinpath(name).read_text(encoding="utf-8") for name in ("page.css", "procedure/report.css")
    ]
    sheet = "".join(sheets)
    light, dark = css_variables(LIGHT), css_variables(DARK)
    return (
        f":root {{ {light} }}\n"
        f"@media (prefers-color-scheme: dark) {{ :root:not([data-theme=light]) {{ {dark} }} }}\n"
        f":root[data-theme=dark] {{ {dark} color-scheme: dark; }}\n"
        f":root[data-theme=light] {{ color-scheme: light; }}\n"
        f"@media print {{ :root {{ {light} }} }}\n{sheet}"
    )
