"""Commands after the case: the lesson made of it, and angiograms without identifiers."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from backstay.cli.base import (
    CaseArgument,
    Content,
    DrawsOption,
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

if TYPE_CHECKING:
    from backstay.core.privacy.letters import Box


@app.command()
def teach(
    case: CaseArgument,
    to: Annotated[str, typer.Option("--to", metavar="F", help="The page to write (F.html).")],
    author: Annotated[
        Path | None,
        typer.Option(
            metavar="F", help="Title, take-home points, identifiers; else CASE.teach.toml beside the case."
        ),
    ] = None,
    review: Annotated[
        str | None, typer.Option(metavar="F", help="Save what was taken out and what to read; it stays here.")
    ] = None,
    json_file: JsonOption = None,
    seed: SeedOption = 1,
    draws: DrawsOption = 1024,
) -> None:
    """Make a lesson of a finished case: its decisions as questions, no identifiers in it."""
    from backstay.adapters.events_file import events_path
    from backstay.adapters.export_check import refuse_survivors, survivors_in_name, survivors_in_page
    from backstay.adapters.teaching_file import author_path, read_author
    from backstay.app.loading import load_case
    from backstay.app.mending import recorded
    from backstay.app.teaching import teach_case
    from backstay.report import teaching_page

    outputs = given(to=to, review=review, json=json_file)
    loaded = load_case(case)
    beside = author or author_path(case)
    written = read_author(beside) if author is not None or beside.exists() else None
    check_outputs(outputs, [*loaded.inputs, events_path(case), beside])
    with progress_bar() as progress:
        lesson, read = teach_case(loaded, recorded(case), written, seed=seed, draws=draws, progress=progress)
    page = teaching_page.html(lesson)
    survivors = [*survivors_in_page(page, read.known), *survivors_in_name(to, read.known)]
    refuse_survivors(survivors, where=to)
    contents: dict[str, Content] = {"--to": page, "--review": read.page()}
    contents["--json"] = as_json(lesson)
    save({name: contents[option] for option, name in outputs.items()})
    open_console(stderr=True).print(
        f"{len(lesson.steps)} decisions; {lesson.removed} identifiers taken out; "
        f"{len(read.kept)} texts to read before it is handed out (--review F)",
        markup=False,
    )


@app.command()
def deidentify(
    runs: Annotated[list[Path], typer.Argument(metavar="RUN...", help="Angiograms of one case (DICOM).")],
    into: Annotated[Path, typer.Option("--into", metavar="FOLDER", help="The folder to make.")],
    author: Annotated[
        Path | None,
        typer.Option(metavar="F", help="A CASE.teach.toml with \\[identifiers] to look for as well."),
    ] = None,
    letters: Annotated[
        str, typer.Option(metavar="WHAT", help="Letters burned into the picture: refuse or blank.")
    ] = "refuse",
    rectangle: Annotated[
        list[str] | None,
        typer.Option(
            metavar="ROWS,COLUMNS",
            help="Blank this in every frame, as 0-40,0-300, both ends from 0; may be repeated. Letters are looked "
            "for afterwards.",
        ),
    ] = None,
) -> None:
    """Copy angiograms without identifiers: basic profile of the DICOM standard, dates shifted, letters looked for."""
    from backstay.adapters.teaching_file import read_author
    from backstay.app.deidentifying import deidentify as copy_without
    from backstay.app.reviewing import known_of
    from backstay.errors import InputError

    if letters not in ("refuse", "blank"):
        raise InputError("not a way", field="--letters", value=letters, allowed="refuse or blank")
    rectangles = [_rectangle(words) for words in rectangle or ()]
    # The files name whom they are of; what else to look for is asked for where pages are made.
    known = known_of(
        None if author is None else read_author(author), invented=author is None, where=str(author)
    )
    with progress_bar() as progress:
        copied = copy_without(
            runs, into, known, blank=letters == "blank", rectangles=rectangles, progress=progress
        )
    console = open_console(stderr=True)
    for one in copied:
        blanked = f", letters blanked in {len(one.letters)} frames" if one.letters else ""
        blanked += f", {len(rectangles)} rectangles blanked" if rectangles else ""
        console.print(f"{one.copy}: {one.taken_out} values left out{blanked}", markup=False)
    console.print(
        "Look at every copy before it leaves: a face, a label or handwriting is not found.", markup=False
    )


def _rectangle(words: str) -> Box:
    import re

    from backstay.core.privacy.letters import Box
    from backstay.errors import InputError

    found = re.fullmatch(r"(\d{1,5})-(\d{1,5}),(\d{1,5})-(\d{1,5})", words.replace(" ", ""))
    if found is None:
        raise InputError(
            "not a rectangle",
            field="--rectangle",
            value=words,
            allowed="first-last row,first-last column: 0-40,0-300",
        )
    return Box(*(int(number) for number in found.groups()))


@app.command()
def audit(
    to: Annotated[
        str, typer.Option("--to", metavar="F", help="Cases: F.csv or F.parquet; attempts go beside it.")
    ],
    cases: Annotated[
        list[Path] | None,
        typer.Argument(metavar="CASE...", help="Case files with their records beside them."),
    ] = None,
    store: Annotated[
        str | None, typer.Option("--store", metavar="URL", help="Instead: every closed record of a store.")
    ] = None,
    author: Annotated[
        Path | None, typer.Option(metavar="F", help="A CASE.teach.toml with \\[identifiers] to look for.")
    ] = None,
    no_model: Annotated[bool, typer.Option("--no-model", help="Leave the model's predictions out.")] = False,
) -> None:
    """Closed cases as tidy rows, one per case and one per attempt; docs/audit.md is their dictionary."""
    from backstay.adapters.audit_file import ATTEMPTS, CASES, attempts_file, check_name, content_of
    from backstay.adapters.export_check import refuse_survivors, survivors_in_texts
    from backstay.adapters.teaching_file import read_author
    from backstay.app.auditing import audit_files, audit_store
    from backstay.app.reviewing import known_of
    from backstay.errors import InputError

    if bool(cases) == (store is not None):
        raise InputError("audit takes cases or a store", field="CASE or --store", allowed="one of the two")
    check_name(to)
    beside = attempts_file(Path(to))
    check_outputs({"--to": to, "attempts": str(beside)}, cases or [])
    written = None if author is None else read_author(author)
    with progress_bar() as progress:
        rows = (
            audit_store(store, model=not no_model, progress=progress)
            if store is not None
            else audit_files(cases or [], model=not no_model, progress=progress)
        )
    known = known_of(written, invented=all(row["invented"] for row in rows[0]), where="--author")
    texts = [
        str(value)
        for table in rows
        for row in table
        for name, value in row.items()
        if isinstance(value, str) and name != "case"
    ]
    refuse_survivors(survivors_in_texts(texts, known), where=to)
    suffix = Path(to).suffix
    save({to: content_of(rows[0], CASES, suffix), str(beside): content_of(rows[1], ATTEMPTS, suffix)})
    open_console(stderr=True).print(
        f"{len(rows[0])} closed cases in {to}, {len(rows[1])} attempts in {beside}", markup=False
    )
