"""Serving the workbench to this machine."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import uvicorn

from backstay.app.library import Library
from backstay.errors import InputError
from backstay.identifiers import UserRole
from backstay.web.application import application
from backstay.web.desks import Desks
from backstay.web.hub import Hub
from backstay.web.parts import Workbench
from backstay.web.visits import Visits

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
    )


def serve_local(
    folder: Path | None, *, port: int, store_url: str | None, draws: int, say: Callable[[str], None]
) -> None:
    """Serve until stopped, on 127.0.0.1 alone.

    Raises
    ------
    InputError
        The port is taken.
    """
    bench = local_workbench(folder or default_folder(), port=port, store_url=store_url, draws=draws)
    gate = application(bench, hosts=frozenset({f"{LOCAL}:{port}", f"localhost:{port}"}))
    server = uvicorn.Server(
        uvicorn.Config(
            gate, host=LOCAL, port=port, log_level="error", server_header=False, timeout_graceful_shutdown=2
        )
    )
    try:
        socket = server.config.bind_socket()
    except SystemExit:
        raise InputError("this port is taken", field="--port", value=port, allowed="a free one") from None
    token = bench.visits.token("this machine", UserRole.OPERATOR)
    say(f"Cases in {bench.library.folder}")
    say(f"Open http://{LOCAL}:{port}/enter?token={token}")
    say("The link lets one browser in, once, within the hour. Ctrl-c stops the workbench.")
    server.run(sockets=[socket])
