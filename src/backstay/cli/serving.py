"""The workbench: the whole job in a browser, from this machine to this machine."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from backstay.cli.base import DrawsOption, app
from backstay.cli.record import StoreOption

FolderArgument = Annotated[
    Path | None,
    typer.Argument(metavar="[FOLDER]", help="Where cases lie; else a folder of this user's data."),
]


@app.command()
def serve(
    folder: FolderArgument = None,
    port: Annotated[int, typer.Option("--port", min=1024, max=65535, help="Port on 127.0.0.1.")] = 8750,
    store: StoreOption = None,
    draws: DrawsOption = 1024,
) -> None:
    """Open the workbench in a browser: cases, plan, record of the procedure. Local to this machine."""
    from backstay.web.serving import serve_local

    serve_local(folder, port=port, store_url=store, draws=draws, say=typer.echo)
