"""Commands of the record: typing it, listing, packing and unpacking whole cases."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    JsonOption,
    app,
    check_outputs,
    given,
    open_console,
    print_rows,
    save,
)

if TYPE_CHECKING:
    from backstay.app.record import Recorder

StoreOption = Annotated[
    str | None,
    typer.Option("--store", metavar="URL", help="Where records are kept: sqlite:///FILE or postgresql://..."),
]
RoleOption = Annotated[
    str,
    typer.Option("--as", metavar="ROLE", help="operator, assistant, nurse, technologist or recorder."),
]


@app.command(context_settings={"ignore_unknown_options": True})  # a line may hold a minus
def log(
    case: CaseArgument,
    words: Annotated[
        list[str] | None, typer.Argument(help="One line; without it, lines are asked for.")
    ] = None,
    role: RoleOption = "recorder",
    store: StoreOption = None,
    json_file: JsonOption = None,
) -> None:
    """Write down what happens, in short lines; `help` shows them, `undo` takes the last back, `show` lists all."""
    from backstay.adapters.log_words import EXAMPLES
    from backstay.app.record import Recorder
    from backstay.cli.record_lines import Lines, ask

    if words == ["help"]:
        typer.echo("\n".join(EXAMPLES))
        return
    outputs = given(json=json_file)
    recorder = Recorder(case, store_url=store, author_role=role)
    try:
        check_outputs(outputs, [*recorder.case.inputs, recorder.file])
        lines = Lines(recorder)
        if words:
            if recorder.notice:
                typer.echo(f"! {recorder.notice}", err=True)
            typer.echo(lines.take(" ".join(words)))
        elif not outputs:
            ask(lines)
        save(dict.fromkeys(outputs.values(), _events_json(recorder)))
    finally:
        recorder.close()


def _events_json(recorder: Recorder) -> str:
    events = [event.model_dump(mode="json", by_alias=True, exclude_none=True) for event in recorder.events]
    listed = recorder.listed
    shape = {
        "schema": 1,
        "record": listed.id,
        "head": listed.head,
        "signed": listed.is_signed,
        "events": events,
    }
    return json.dumps(shape, indent=1, ensure_ascii=False) + "\n"


@app.command()
def records(
    words: Annotated[list[str] | None, typer.Argument(help="Words to look for in title, vessel, id.")] = None,
    store: StoreOption = None,
    json_file: JsonOption = None,
) -> None:
    """List the records of the store, the latest first."""
    from dataclasses import asdict

    from backstay.adapters.store import Store
    from backstay.app.record import default_store

    outputs = given(json=json_file)
    check_outputs(outputs)
    opened = Store(store or default_store())
    found = opened.records(" ".join(words or []))
    opened.close()
    text = json.dumps([asdict(row) for row in found], indent=1, ensure_ascii=False) + "\n"
    save(dict.fromkeys(outputs.values(), text))
    if STDOUT not in outputs.values():
        print_rows(
            (
                row.last_at[:16].replace("T", " "),
                f"{row.title}{' (invented)' if row.invented else ''}, {row.vessel}, {row.length} events, "
                f"{'signed' if row.is_signed else 'draft'}, {row.id}",
            )
            for row in found
        )


@app.command()
def pack(
    case: CaseArgument,
    into: Annotated[str, typer.Option("--into", metavar="F", help="The file to write.")],
    store: StoreOption = None,
) -> None:
    """Save a whole case - record, chain and files - as one file."""
    from backstay.adapters.record_file import pack as packed
    from backstay.app.record import Recorder

    recorder = Recorder(case, store_url=store)
    try:
        check_outputs({"--into": into}, [*recorder.case.inputs, recorder.file])
        save({into: packed(recorder.store, recorder.record_id)})
    finally:
        recorder.close()


@app.command()
def unpack(
    file: Annotated[Path, typer.Argument(metavar="F", help="A packed case.")],
    into: Annotated[Path, typer.Option("--into", metavar="FOLDER", help="The folder to make.")],
    store: StoreOption = None,
) -> None:
    """Put a packed case into the store and its files into a new folder."""
    from backstay.app.packing import unpack_case

    listed, case_file = unpack_case(file, into, store_url=store)
    console = open_console(stderr=True)
    console.print(f"{listed.title}: {listed.length} events, chain whole, {case_file}", markup=False)
