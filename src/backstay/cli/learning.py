"""Commands that learn: an attempt noted and what it teaches; what many cases of a lab share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
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
from backstay.errors import InputError
from backstay.identifiers import LimitedBy, Pushed


@app.command()
def attempt(
    case: CaseArgument,
    reached: Annotated[bool, typer.Option("--reached", help="The device came to its place.")] = False,
    stopped: Annotated[bool, typer.Option("--stopped", help="It stopped short.")] = False,
    at: Annotated[
        float | None,
        typer.Option("--at", metavar="MM", min=0, help="Where its tip stopped, mm from the ostium."),
    ] = None,
    limited_by: Annotated[LimitedBy | None, typer.Option("--limited-by", help="What gave.")] = None,
    push: Annotated[Pushed | None, typer.Option("--push", help="How hard it was pushed.")] = None,
    rig: Annotated[
        str, typer.Option("--rig", metavar="ID", help="What was in place, by its id in the plan.")
    ] = "as_it_is",
    device: Annotated[
        str | None, typer.Option("--device", metavar="ID", help="What was pushed, if not the rig's own.")
    ] = None,
    name: Annotated[
        str | None, typer.Option("--id", metavar="ID", help="Names the attempt: the same one counts once.")
    ] = None,
    role: Annotated[str, typer.Option("--as", metavar="ROLE", help="Who writes.")] = "recorder",
    seed: SeedOption = 1,
    draws: Annotated[int, typer.Option("--draws", min=64, max=65536, help="Particles.")] = 2048,
    json_file: JsonOption = None,
) -> None:
    """Note how a try ended, what it teaches, and the ladder it leaves; without an end, what was learnt so far."""
    from backstay.app.learning.noting import note_attempt
    from backstay.app.learning.reranking import learned_and_reranked
    from backstay.app.loading import load_case

    outputs = given(json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    said = at is not None or limited_by is not None or stopped
    if reached and said:
        raise InputError("it reached its place or it stopped", field="--reached", allowed="one of the two")
    if reached or said:
        note_attempt(
            loaded,
            reached=reached,
            rig=rig,
            device=device,
            stopped_at_mm=at,
            limited_by=limited_by,
            push=push,
            author_role=role,
            id=name,
        )
    with progress_bar() as progress:
        document = learned_and_reranked(loaded, seed=seed, particles=draws, progress=progress)
    if document is None:
        raise InputError("no attempt is recorded yet", field="CASE", allowed="--reached, or --stopped")
    save({file: as_json(document) for file in outputs.values()})
    if STDOUT not in outputs.values():
        from backstay.report.learned_terminal import render_learned

        render_learned(document, open_console())


@app.command(name="pool")
def pool_command(
    cases: Annotated[list[Path], typer.Argument(metavar="CASES...", help="Case files of one lab.")],
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE", help="Save the priors file (TOML).")
    ] = None,
    title: Annotated[str, typer.Option(help="What the priors file calls itself.")] = "priors of a lab",
    json_file: JsonOption = None,
    seed: SeedOption = 1,
) -> None:
    """What the attempts of many cases share, as priors for the lab's next plans; what they do not tell stays as it is."""
    from backstay.adapters.priors_file import write_priors
    from backstay.app.learning.pooling import pool_cases
    from backstay.report.pooled import render_pooled

    outputs = given(json=json_file) | ({"--to": str(to)} if to is not None else {})
    check_outputs(outputs, cases)
    with progress_bar() as progress:
        found = pool_cases(cases, title=title, seed=seed, progress=progress)
    if to is not None:
        write_priors(to, found.document)
    save({outputs[key]: as_json(found.document) for key in outputs if key == "--json"})
    if outputs.get("--json") != STDOUT:
        render_pooled(found, open_console())
