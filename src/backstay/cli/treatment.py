"""Commands that choose the treatment."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    Content,
    JsonOption,
    SeedOption,
    app,
    as_json,
    check_outputs,
    given,
    open_console,
    progress_bar,
    save,
)
from backstay.cli.planning import check_picture_names, picture


@app.command()
def size(
    case: CaseArgument,
    json_file: JsonOption = None,
    strip: Annotated[
        str | None, typer.Option(metavar="F", help="Save the path strip (F.svg, F.png).")
    ] = None,
    chance: Annotated[
        bool, typer.Option("--chance", help="Also the chance that one or two stents arrive; takes longer.")
    ] = False,
    as_target: Annotated[
        bool,
        typer.Option("--as-target", help="Write the stent to deliver first into the case, as its target."),
    ] = False,
    seed: SeedOption = 1,
) -> None:
    """Which preparation, stents and balloons, what to expect, and what it is worth."""
    from backstay.app.loading import load_case
    from backstay.app.treatment import size_case
    from backstay.app.treatment.delivering import keep_target, with_chances
    from backstay.report.treatment_strip import treatment_strip

    outputs = given(json=json_file, strip=strip)
    check_picture_names(outputs)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    found = size_case(loaded, seed=seed)
    if chance:
        with progress_bar() as progress:
            found = with_chances(loaded, found, seed=seed, progress=progress)
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: as_json(found),
        "--strip": lambda name: picture(treatment_strip(found), name),
    }
    save({name: makers[option](name) for option, name in outputs.items()})
    kept = keep_target(loaded, found) if as_target else ""
    if STDOUT not in outputs.values():
        from backstay.report.treatment_terminal import render_treatment

        render_treatment(found, open_console())
        if kept:
            open_console().print(kept, markup=False)
