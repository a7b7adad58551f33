"""Serving the workbench: to this machine, or, where it is asked for, to named users of others."""

from __future__ import annotations

import os
import socket
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import uvicorn

from backstay.app.library import Library
from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.application import application
from backstay.web.audit import AUDIT_FILE, Audit
from backstay.web.desks import Desks
from backstay.web.hub import Hub
from backstay.web.parts import Workbench
from backstay.web.users import USERS_FILE, Users
from backstay.web.visits import Visit, Visits

LOCAL = "127.0.0.1"


def default_folder() -> Path:
    """Return where cases lie when nothing else is said."""
    base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "backstay" / "cases"


def local_workbench(folder: Path, *, port: int, store_url: str | None = None, draws: int = 1024) -> Workbench:
    """Return a workbench over a folder of cases; visits outlive a restart of the server."""
    library, hub = Library(folder), Hub()
    return Workbench(
        library=library,
        desks=Desks(library, hub, store_url=store_url, draws=draws),
        hub=hub,
        visits=Visits(library.folder / ".visits.json"),
        cookie=f"backstay-{port}",
        store_url=store_url,
        audit=Audit(library.folder / AUDIT_FILE),
    )


@dataclass(frozen=True)
class Opening:
    """How a workbench is opened beyond this machine.

    Attributes
    ----------
    address : str
        The address to listen on.
    names : tuple of str
        Names under which browsers may speak to it, beside the address.
    certificate, key : Path
        For TLS.
    """

    address: str
    names: tuple[str, ...]
    certificate: Path
    key: Path


def open_workbench(bench: Workbench, opening: Opening, *, port: int) -> frozenset[str]:
    """Make a workbench ready for other machines; returns the names it may be spoken to under.

    Raises
    ------
    InputError
        A file for TLS is missing, or there is no user yet.
    """
    for option, file in (("--certificate", opening.certificate), ("--key", opening.key)):
        if not file.is_file():
            raise InputError("no such file", field=option, value=str(file), allowed="a PEM file, for TLS")
    users = Users(bench.library.folder / USERS_FILE)
    if not users.all():
        raise InputError(
            "nobody could come in: there are no users",
            field="--open",
            value=opening.address,
            allowed="at least one user, made by `backstay users --add NAME --role ROLE`",
        )
    bench.visits.only(users.all)
    bench.is_tls, bench.with_users, bench.cookie = True, True, "__Host-backstay"

    def let_in(name: str, password: str) -> tuple[str, Visit] | None:
        role = users.known(name, password)
        return None if role is None else bench.visits.begin(name, role)

    bench.let_in = let_in
    names = (opening.address, *opening.names)
    return frozenset({f"{name}:{port}" for name in names} | (set(names) if port == 443 else set()))


def serve(
    folder: Path | None,
    *,
    port: int,
    store_url: str | None,
    draws: int,
    say: Callable[[str], None],
    opening: Opening | None = None,
) -> None:
    """Serve until stopped: on 127.0.0.1 alone, unless it is opened.

    Raises
    ------
    InputError
        The port is taken, or the workbench may not be opened so.
    """
    bench = local_workbench(folder or default_folder(), port=port, store_url=store_url, draws=draws)
    hosts, address = frozenset({f"{LOCAL}:{port}", f"localhost:{port}"}), LOCAL
    tls: dict[str, str] = {}
    if opening is not None:
        hosts, address = open_workbench(bench, opening, port=port), opening.address
        tls = {"ssl_certfile": str(opening.certificate), "ssl_keyfile": str(opening.key)}
    server = uvicorn.Server(
        uvicorn.Config(
            application(bench, hosts=hosts),
            host=address,
            port=port,
            log_level="error",
            server_header=False,
            timeout_graceful_shutdown=2,
            **tls,  # type: ignore[arg-type]  # two of its options, by name
        )
    )
    listening = _socket(address, port)
    say(f"Cases in {bench.library.folder}")
    if opening is None:

        def say_link() -> None:
            token = bench.visits.token("this machine", UserRole.OPERATOR)
            say(f"Open http://{LOCAL}:{port}/enter?token={token}")

        bench.say_link = say_link
        say_link()
        say("The link lets one browser in, once, within the hour. Ctrl-c stops the workbench.")
    else:
        say(
            f"Open to other machines as {', '.join(sorted(hosts))} (https), for its users by name and password."
        )
    server.run(sockets=[listening])


def _socket(address: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((address, port))
        listening.listen(128)  # so that who opens the link at once waits, and is not turned away
    except OSError as error:
        listening.close()
        reason = error.strerror or str(error)
        raise InputError(
            "cannot listen there",
            field="--port",
            value=f"{address}:{port}",
            allowed=f"a free port ({reason})",
        ) from None
    return listening
