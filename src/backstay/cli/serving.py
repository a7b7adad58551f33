"""The workbench: the whole job in a browser, and who may use it from other machines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from backstay.cli.base import DrawsOption, app, print_rows
from backstay.cli.record import StoreOption
from backstay.errors import InputError
from backstay.identifiers import UserRole

FolderArgument = Annotated[
    Path | None,
    typer.Argument(metavar="[FOLDER]", help="Where cases lie; else a folder of this user's data."),
]


@app.command()
def serve(
    folder: FolderArgument = None,
    port: Annotated[int, typer.Option("--port", min=1, max=65535, help="Port.")] = 8750,
    store: StoreOption = None,
    draws: DrawsOption = 1024,
    address: Annotated[
        str | None,
        typer.Option("--open", metavar="ADDRESS", help="Open to other machines, for named users, by TLS."),
    ] = None,
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="With --open: a name browsers know it by; repeat for more."),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", metavar="F", help="With --open: certificate (PEM).")
    ] = None,
    key: Annotated[
        Path | None, typer.Option("--key", metavar="F", help="With --open: its key (PEM).")
    ] = None,
) -> None:
    """Open the workbench in a browser: cases, plan, record, report. On this machine alone, unless opened."""
    from backstay.web.serving import Opening, serve

    if address is None and (name or certificate or key):
        raise InputError("this goes with --open", field="--name, --certificate, --key", allowed="with --open")
    opening = None
    if address is not None:
        if certificate is None or key is None:
            raise InputError(
                "not without TLS", field="--open", value=address, allowed="with --certificate F and --key F"
            )
        opening = Opening(address, tuple(name or ()), certificate, key)
    serve(folder, port=port, store_url=store, draws=draws, say=typer.echo, opening=opening)


@app.command()
def users(
    folder: FolderArgument = None,
    add: Annotated[
        str | None, typer.Option("--add", metavar="NAME", help="Add or change; asks a password.")
    ] = None,
    role: Annotated[
        UserRole, typer.Option("--role", help="What the user may do: read, record, or all.")
    ] = UserRole.READER,
    remove: Annotated[str | None, typer.Option("--remove", metavar="NAME", help="Take a user away.")] = None,
) -> None:
    """Who may use a workbench that is opened to other machines; without options, the list."""
    from backstay.app.library import Library
    from backstay.web.serving import default_folder
    from backstay.web.users import USERS_FILE, Users

    known = Users(Library(folder or default_folder()).folder / USERS_FILE)
    if add is not None:
        known.add(add, role, typer.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
    if remove is not None:
        known.remove(remove)
    print_rows((name, its.value) for name, its in known.all().items())
