"""What the routes share: the workbench an application was made from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from fastapi import Request

from backstay.app.library import Library
from backstay.web.audit import Audit
from backstay.web.desks import Desks
from backstay.web.hub import Hub
from backstay.web.visits import Visit, Visits


def nobody(name: str, password: str) -> tuple[str, Visit] | None:
    """Return nothing: without users, nobody comes in by name."""
    return None


@dataclass
class Workbench:
    """Everything behind the routes.

    `say_link` says a fresh link where whoever started the workbench reads it; None where users come in by name.
    """

    library: Library
    desks: Desks
    hub: Hub
    visits: Visits
    cookie: str
    is_tls: bool = False
    with_users: bool = False
    let_in: Callable[[str, str], tuple[str, Visit] | None] = field(default=nobody)
    say_link: Callable[[], None] | None = None
    store_url: str | None = None
    audit: Audit | None = None


def workbench_of(request: Request) -> Workbench:
    """Return the workbench behind a request."""
    found: Workbench = request.app.state.workbench
    return found


def visit_of(request: Request) -> Visit:
    """Return who asks."""
    found: Visit = request.scope["state"]["visit"]
    return found


def about(request: Request, what: str) -> None:
    """Say for the audit trail what a change was about: an event's id, a new case's name."""
    request.scope["state"]["about"] = what
