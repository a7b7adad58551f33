"""A lab's own readings of what its guides hold, and the board to take them on."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from backstay.cli.base import app, check_outputs, print_rows, save
from backstay.errors import InputError


@app.command()
def hold(
    file: Annotated[
        Path | None, typer.Argument(metavar="[READINGS]", help="The file of readings; made if new.")
    ] = None,
    guide: Annotated[str | None, typer.Option(metavar="ID", help="Guide on the board.")] = None,
    grams: Annotated[
        str | None, typer.Option(metavar="'G G ...'", help="Highest reading of every push, in grams.")
    ] = None,
    access: Annotated[
        str, typer.Option(metavar="WAY", help="femoral, right radial or left radial.")
    ] = "femoral",
    extension: Annotated[str | None, typer.Option(metavar="ID", help="Extension in it.")] = None,
    depth_mm: Annotated[
        float, typer.Option("--depth", metavar="MM", help="Its tip beyond the ostium.")
    ] = 0.0,
    error_grams: Annotated[
        float, typer.Option("--error", metavar="G", help="What a reading may be off.")
    ] = 3.0,
    shelf: Annotated[Path | None, typer.Option(metavar="F", help="The shelf, for a new file.")] = None,
    board: Annotated[str | None, typer.Option(metavar="F.pdf", help="Instead: the board to print.")] = None,
) -> None:
    """Enter what a guide or an extension held on the bench, or print the board to measure it on."""
    from backstay.app import holds as app_holds

    if (file is None) == (board is None):
        raise InputError(
            "hold takes a file of readings or --board", field="READINGS", allowed="one of the two"
        )
    if board is not None:
        from backstay.report import bench_board

        check_outputs({"--board": board})
        save({board: bench_board.pdf()})
        return
    assert file is not None
    reading = app_holds.reading_from_words(
        guide=guide,
        grams=grams,
        access=access,
        extension=extension,
        depth_mm=depth_mm,
        error_grams=error_grams,
    )
    print_rows(app_holds.recorded_rows(*app_holds.record_reading(file, shelf, reading)))
