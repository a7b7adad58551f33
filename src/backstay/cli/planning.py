"""Commands that plan: the demo, a plan, what fits, a vessel typed as segments, a case read back."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    Content,
    DrawsOption,
    JsonOption,
    OnlyOption,
    SeedOption,
    app,
    as_json,
    check_outputs,
    given,
    open_console,
    print_rows,
    progress_bar,
    refuse_option,
    save,
)
from backstay.errors import InputError

if TYPE_CHECKING:
    from backstay.adapters.plan_file import PlanDocument
    from backstay.app.loading import LoadedCase
    from backstay.core.anatomy.sketch import Segment

DEFAULT_VESSEL = "left anterior descending artery"


def picture(scene: Any, name: str) -> Content:
    """Return a picture in the format its file's name asks for: SVG, or PNG."""
    if not name.lower().endswith(".png"):
        return str(scene.svg())
    from backstay.report import typeset

    return typeset.png(scene)


def check_picture_names(outputs: dict[str, str]) -> None:
    for option in ("--strip", "--section"):
        name = outputs.get(option, STDOUT)
        if name != STDOUT and not name.lower().endswith((".svg", ".png")):
            raise InputError("no such picture format", field=option, value=name, allowed="F.svg or F.png")


def _plan_contents(plan: PlanDocument, outputs: dict[str, str]) -> dict[str, Content]:
    """Return what each output file of a plan is to hold."""
    from backstay.report import page, section, sheet, strip

    rig_id = plan.in_place.id
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: as_json(plan),
        "--html": lambda _: page.html(plan),
        "--pdf": lambda _: sheet.pdf(plan),
        "--strip": lambda name: picture(strip.path_strip(plan, rig_id), name),
        "--section": lambda name: picture(section.cross_section(plan, rig_id), name),
    }
    return {name: makers[option](name) for option, name in outputs.items()}


@app.command()
def demo() -> None:
    """Plan the invented demo case, and save its page, sheet and data under out/demo."""
    from backstay.app.loading import load_case
    from backstay.app.plan import plan_case
    from backstay.app.sketching import demo_folder
    from backstay.report import terminal

    folder = Path("out") / "demo"
    folder.mkdir(parents=True, exist_ok=True)
    case = load_case(demo_folder() / "case.toml")
    with progress_bar() as progress:
        plan = plan_case(case, progress=progress)
    save(_plan_contents(plan, {f"--{end}": str(folder / f"plan.{end}") for end in ("json", "html", "pdf")}))
    console = open_console()
    terminal.render(plan, console, brief=True)
    console.print(f"Page {folder / 'plan.html'}, sheet {folder / 'plan.pdf'}, data {folder / 'plan.json'}")


@app.command()
def plan(
    case: CaseArgument,
    json_file: JsonOption = None,
    html: Annotated[str | None, typer.Option(metavar="F", help="Save the page.")] = None,
    pdf: Annotated[str | None, typer.Option(metavar="F", help="Save the plan to print.")] = None,
    strip: Annotated[
        str | None, typer.Option(metavar="F", help="Save the path strip (F.svg, F.png).")
    ] = None,
    section: Annotated[str | None, typer.Option(metavar="F", help="Save the cross-section.")] = None,
    only: OnlyOption = False,
    brief: Annotated[
        bool, typer.Option("--brief", help="Print the answers, the rungs and the limits alone.")
    ] = False,
    seed: SeedOption = 1,
    draws: DrawsOption = 1024,
) -> None:
    """Will it go, why, and what else could be tried."""
    outputs = given(json=json_file, html=html, pdf=pdf, strip=strip, section=section)
    from backstay.app.loading import load_case
    from backstay.app.plan import plan_case

    check_picture_names(outputs)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    if only and not outputs:
        _answer_first(loaded, seed=seed, draws=draws, brief=brief)
        return
    with progress_bar() as progress:
        document = plan_case(loaded, seed=seed, draws=draws, only_in_place=only, progress=progress)
    save(_plan_contents(document, outputs))
    if STDOUT not in outputs.values():
        from backstay.report import terminal

        terminal.render(document, open_console(), brief=brief)


def _answer_first(case: LoadedCase, *, seed: int, draws: int, brief: bool) -> None:
    """Print the answer for the rig in place as soon as it is there, and the way back, which takes longer, below it."""
    from backstay.app.plan import plan_in_place
    from backstay.report import terminal

    with progress_bar() as progress:
        found = plan_in_place(case, seed=seed, draws=draws, progress=progress)
    console = open_console()
    terminal.render(found.document, console, brief=brief)
    if brief:
        return
    with progress_bar() as progress:
        whole = found.whole(progress)
    terminal.render_way_back(whole, console)


@app.command()
def fit(
    case: Annotated[Path | None, typer.Argument(metavar="[CASE]", help="The case file (TOML).")] = None,
    card: Annotated[
        Path | None, typer.Option("--card", metavar="SHELF", help="Instead: the fit card of a shelf.")
    ] = None,
    json_file: JsonOption = None,
    pdf: Annotated[
        str | None, typer.Option(metavar="F", help="Save the card to print (with --card).")
    ] = None,
    section: Annotated[str | None, typer.Option(metavar="F", help="Save the tightest cross-section.")] = None,
) -> None:
    """What passes through what: in one case, or for a whole shelf as a card to print."""
    if (case is None) == (card is None):
        raise InputError("fit takes a case or a shelf", field="CASE or --card", allowed="one of the two")
    outputs = given(json=json_file, pdf=pdf, section=section)
    if card is not None:
        _fit_card(card, outputs)
    elif case is not None:
        _fit_case(case, outputs)


def _fit_case(case: Path, outputs: dict[str, str]) -> None:
    from backstay.app.fitting import fit_case
    from backstay.app.loading import load_case
    from backstay.report import section, terminal

    refuse_option(outputs, "--pdf", "with --card; the plan's sheet shows the fit of a case")
    check_picture_names(outputs)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    found = fit_case(loaded)
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: as_json(found),
        "--section": lambda name: picture(section.draw_section(found.section, found.spare_mm), name),
    }
    save({name: makers[option](name) for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        terminal.render_fit(found, open_console())


def _fit_card(shelf: Path, outputs: dict[str, str]) -> None:
    from dataclasses import asdict

    from backstay.adapters.shelf_file import read_shelf
    from backstay.core.rigging.fit_card import fit_card
    from backstay.report import fit_card as printed
    from backstay.report import terminal

    refuse_option(outputs, "--section", "with a case")
    check_outputs(outputs, [shelf])
    card = fit_card(read_shelf(shelf))
    makers: dict[str, Callable[[], Content]] = {
        "--json": lambda: json.dumps({"schema": 1, **asdict(card)}, indent=1, ensure_ascii=False) + "\n",
        "--pdf": lambda: printed.pdf(card),
    }
    save({name: makers[option]() for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        terminal.render_fit_card(card, open_console())


@app.command()
def sketch(
    text: Annotated[
        str | None, typer.Argument(help='The vessel in words, "25 mm 3.4 bend 60 | ..."; else it is asked.')
    ] = None,
    into: Annotated[Path, typer.Option(metavar="FOLDER", help="The folder to make.")] = Path("sketch"),
    vessel: Annotated[str, typer.Option(metavar="NAME", help="Which vessel.")] = DEFAULT_VESSEL,
    only: OnlyOption = False,
    seed: SeedOption = 1,
    draws: DrawsOption = 1024,
) -> None:
    """A first plan without images: the vessel typed as segments, with wide spreads."""
    from backstay.app.loading import load_case
    from backstay.app.plan import plan_case
    from backstay.app.sketching import sketch_case
    from backstay.report import terminal

    case = load_case(sketch_case(text or _asked(), into, vessel=vessel))
    with progress_bar() as progress:
        document = plan_case(case, seed=seed, draws=draws, only_in_place=only, progress=progress)
    console = open_console()
    terminal.render(document, console)
    console.print(
        f"Change {case.file} and shelf.toml beside it, then: backstay plan {case.file}", markup=False
    )


def _asked() -> list[Segment]:
    """Ask for a vessel on standard error, segment by segment from the ostium."""
    segments = [_asked_segment(1)]
    while typer.confirm("Another segment?", default=True, err=True):
        segments.append(_asked_segment(len(segments) + 1))
    return segments


def _asked_segment(number: int) -> Segment:
    """Ask for one segment until it is understood."""
    from backstay.adapters.sketch_text import SEGMENT_QUESTIONS, segment_from_answers

    while True:
        typer.echo(f"Segment {number} from the ostium", err=True)
        answers = {q.key: typer.prompt(q.text, default=q.default, err=True) for q in SEGMENT_QUESTIONS}
        try:
            return segment_from_answers(answers, number=number)
        except InputError as error:
            typer.echo(f"{error}; this segment once more", err=True)


@app.command()
def check(case: CaseArgument, json_file: JsonOption = None) -> None:
    """Read a case with its path and shelf, and say what was understood."""
    from backstay.app.loading import load_case
    from backstay.app.understanding import understood

    outputs = given(json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    summary = understood(loaded)
    save({name: as_json(summary) for name in outputs.values()})
    if STDOUT not in outputs.values():
        print_rows(summary.rows())
