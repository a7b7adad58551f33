"""How the shelf's guides lie and hold in this root."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    Content,
    JsonOption,
    app,
    as_json,
    check_outputs,
    given,
    open_console,
    progress_bar,
    save,
)
from backstay.cli.planning import picture
from backstay.errors import InputError


@app.command()
def guides(
    case: CaseArgument,
    json_file: JsonOption = None,
    html: Annotated[str | None, typer.Option(metavar="F", help="Save the page.")] = None,
    lying: Annotated[
        str | None, typer.Option("--picture", metavar="F", help="Save how each guide lies (F.svg, F.png).")
    ] = None,
) -> None:
    """How the shelf's guides lie and hold in this root."""
    from backstay.app.guides import compare_guides
    from backstay.app.loading import load_case
    from backstay.report import guides as report

    outputs = given(json=json_file, html=html, picture=lying)
    name = outputs.get("--picture", STDOUT)
    if name != STDOUT and not name.lower().endswith((".svg", ".png")):
        raise InputError("no such picture format", field="--picture", value=name, allowed="F.svg or F.png")
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    with progress_bar() as progress:
        found = compare_guides(loaded, progress)
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: as_json(found),
        "--html": lambda _: report.html(found),
        "--picture": lambda file: picture(report.guides_picture(found), file),
    }
    save({file: makers[option](file) for option, file in outputs.items()})
    if STDOUT not in outputs.values():
        report.render_guides(found, open_console())
