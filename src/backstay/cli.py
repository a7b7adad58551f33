"""The command line: each command reads its words, asks the program, and prints or saves the answer.

What a command is for stands in its help. Heavy imports stand inside the commands, so that help comes at once.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from typer.core import TyperGroup

from backstay.errors import InputError, NotConverged, exit_code

if TYPE_CHECKING:
    from rich.console import Console

    from backstay.adapters.plan_file import PlanDocument
    from backstay.core.anatomy.sketch import Segment

STDOUT = "-"
DEFAULT_VESSEL = "left anterior descending artery"
HELP = (
    "Plans how a balloon and a stent reach and open a hard coronary lesion. A planning and teaching aid, not "
    "validated for clinical decisions: the devices' instructions for use, local protocols and the licensed "
    "operator come first."
)
EPILOG = (
    "F is a file; - is standard output. Exit codes: 0 done, 2 wrong options, 3 not found, 4 file format, "
    "5 wrong value, 6 outside what was checked, 7 not converged, 8 reading or writing failed."
)
Content = str | bytes
ProgressCall = Callable[[str, float], None]


def error_shape(error: Exception) -> dict[str, Any]:
    """Return any error the program expects in the one JSON shape."""
    if isinstance(error, InputError):
        return error.as_json()
    shape = {"error": type(error).__name__, "message": str(error), "field": "", "value": None, "allowed": ""}
    if isinstance(error, OSError):
        shape["error"], shape["message"] = "OSError", error.strerror or str(error)
    return {**shape, "where": str(getattr(error, "filename", None) or "")}


def error_line(error: Exception) -> str:
    """Return an error as the one line a person reads."""
    if isinstance(error, OSError) and not isinstance(error, InputError):
        shape = error_shape(error)
        return ": ".join(part for part in (shape["where"], shape["message"]) if part)
    return str(error)


class Commands(TyperGroup):
    """The commands, with what they share: `--json` alone means `--json -`, and errors leave in one way."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        ends = [
            i for i, a in enumerate(args) if a == "--json" and (args[i + 1 :] or ["--"])[0].startswith("--")
        ]
        for i in reversed(ends):
            args = [*args[: i + 1], STDOUT, *args[i + 1 :]]
        ctx.meta["backstay.json"] = any(a == "--json" or a.startswith("--json=") for a in args)
        return super().parse_args(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except BrokenPipeError:
            raise
        except (InputError, NotConverged, OSError) as error:
            as_json = ctx.meta["backstay.json"]
            typer.echo(
                json.dumps(error_shape(error)) if as_json else f"backstay: {error_line(error)}", err=True
            )
            raise typer.Exit(exit_code(error)) from None


app = typer.Typer(
    cls=Commands,
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help=HELP,
    epilog=EPILOG,
)

CaseArgument = Annotated[Path, typer.Argument(metavar="CASE", help="The case file (TOML).")]
JsonOption = Annotated[str | None, typer.Option("--json", metavar="F", help="Save as JSON; alone: print it.")]
OnlyOption = Annotated[bool, typer.Option("--only", help="The rig in place alone, no others.")]
SeedOption = Annotated[
    int, typer.Option("--seed", min=0, max=2**31 - 1, help="Seed of the uncertain inputs.")
]
DrawsOption = Annotated[
    int, typer.Option("--draws", min=64, max=65536, help="Draws of the uncertain inputs.")
]


def _print_version(wanted: bool) -> None:
    if wanted:
        from importlib.metadata import version

        typer.echo(f"backstay {version('backstay')}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", is_eager=True, callback=_print_version, help="Print the version and stop."),
    ] = False,
) -> None:
    """Take the options that stand before a command."""


def _console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=False)


@contextmanager
def _progress() -> Iterator[ProgressCall | None]:
    """Show long work as a bar on standard error, and nothing when nobody watches."""
    console = _console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda what, share: bar.update(task, description=what, completed=share)


def _check_outputs(outputs: dict[str, str], inputs: Iterable[Path] = ()) -> None:
    """Refuse, before any work, an output that cannot be written or would overwrite what is read."""
    taken = {file.resolve() for file in inputs}
    for option, name in outputs.items():
        if list(outputs.values()).count(name) > 1:
            raise InputError(
                "two outputs go to one place", field=option, value=name, allowed="each its own file"
            )
        if name == STDOUT:
            continue
        file = Path(name)
        if file.is_dir():
            raise InputError("this is a folder", field=option, value=name, allowed="the name of a file, or -")
        if not file.parent.is_dir():
            raise InputError(
                "no such folder", field=option, value=name, allowed="a file in a folder that exists"
            )
        if file.resolve() in taken:
            raise InputError(
                "this would overwrite an input", field=option, value=name, allowed="another file"
            )


def _save(contents: dict[str, Content]) -> None:
    """Write every output, each whole or not at all; `-` goes to standard output."""
    from backstay.adapters.atomic import write_atomic

    for name, content in contents.items():
        if name == STDOUT:
            typer.echo(content.encode() if isinstance(content, str) else content, nl=False)
        else:
            write_atomic(Path(name), content)


def _given(**options: str | None) -> dict[str, str]:
    return {f"--{name}": file for name, file in options.items() if file is not None}


def _as_json(model: Any) -> str:
    return str(model.model_dump_json(by_alias=True, indent=1)) + "\n"


def _picture(scene: Any, name: str) -> Content:
    """Return a picture in the format its file's name asks for: SVG, or PNG."""
    if not name.lower().endswith(".png"):
        return str(scene.svg())
    from backstay.report import typeset

    return typeset.png(scene)


def _check_picture_names(outputs: dict[str, str]) -> None:
    for option in ("--strip", "--section"):
        name = outputs.get(option, STDOUT)
        if name != STDOUT and not name.lower().endswith((".svg", ".png")):
            raise InputError("no such picture format", field=option, value=name, allowed="F.svg or F.png")


def _plan_contents(plan: PlanDocument, outputs: dict[str, str]) -> dict[str, Content]:
    """Return what each output file of a plan is to hold."""
    from backstay.report import page, section, sheet, strip

    rig_id = plan.in_place.id
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: _as_json(plan),
        "--html": lambda _: page.html(plan),
        "--pdf": lambda _: sheet.pdf(plan),
        "--strip": lambda name: _picture(strip.path_strip(plan, rig_id), name),
        "--section": lambda name: _picture(section.cross_section(plan, rig_id), name),
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
    with _progress() as progress:
        plan = plan_case(case, progress=progress)
    _save(_plan_contents(plan, {f"--{end}": str(folder / f"plan.{end}") for end in ("json", "html", "pdf")}))
    console = _console()
    terminal.render(plan, console)
    console.print(f"Page {folder / 'plan.html'}, sheet {folder / 'plan.pdf'}, data {folder / 'plan.json'}")


@app.command()
def plan(
    case: CaseArgument,
    json_file: JsonOption = None,
    html: Annotated[str | None, typer.Option(metavar="F", help="Save the page.")] = None,
    pdf: Annotated[str | None, typer.Option(metavar="F", help="Save the one-page sheet.")] = None,
    strip: Annotated[
        str | None, typer.Option(metavar="F", help="Save the path strip (F.svg, F.png).")
    ] = None,
    section: Annotated[str | None, typer.Option(metavar="F", help="Save the cross-section.")] = None,
    only: OnlyOption = False,
    seed: SeedOption = 1,
    draws: DrawsOption = 1024,
) -> None:
    """Will it go, why, and what else could be tried."""
    outputs = _given(json=json_file, html=html, pdf=pdf, strip=strip, section=section)
    from backstay.app.loading import load_case
    from backstay.app.plan import plan_case

    _check_picture_names(outputs)
    loaded = load_case(case)
    _check_outputs(outputs, loaded.inputs)
    with _progress() as progress:
        document = plan_case(loaded, seed=seed, draws=draws, only_in_place=only, progress=progress)
    _save(_plan_contents(document, outputs))
    if STDOUT not in outputs.values():
        from backstay.report import terminal

        terminal.render(document, _console())


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
    outputs = _given(json=json_file, pdf=pdf, section=section)
    if card is not None:
        _fit_card(card, outputs)
    elif case is not None:
        _fit_case(case, outputs)


def _fit_case(case: Path, outputs: dict[str, str]) -> None:
    from backstay.app.fitting import fit_case
    from backstay.app.loading import load_case
    from backstay.report import section, terminal

    _refuse_option(outputs, "--pdf", "with --card; the plan's sheet shows the fit of a case")
    _check_picture_names(outputs)
    loaded = load_case(case)
    _check_outputs(outputs, loaded.inputs)
    found = fit_case(loaded)
    makers: dict[str, Callable[[str], Content]] = {
        "--json": lambda _: _as_json(found),
        "--section": lambda name: _picture(section.draw_section(found.section, found.spare_mm), name),
    }
    _save({name: makers[option](name) for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        terminal.render_fit(found, _console())


def _fit_card(shelf: Path, outputs: dict[str, str]) -> None:
    from dataclasses import asdict

    from backstay.adapters.shelf_file import read_shelf
    from backstay.core.rigging.fit_card import fit_card
    from backstay.report import fit_card as printed
    from backstay.report import terminal

    _refuse_option(outputs, "--section", "with a case")
    _check_outputs(outputs, [shelf])
    card = fit_card(read_shelf(shelf))
    makers: dict[str, Callable[[], Content]] = {
        "--json": lambda: json.dumps({"schema": 1, **asdict(card)}, indent=1, ensure_ascii=False) + "\n",
        "--pdf": lambda: printed.pdf(card),
    }
    _save({name: makers[option]() for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        terminal.render_fit_card(card, _console())


def _refuse_option(outputs: dict[str, str], option: str, only: str) -> None:
    if option in outputs:
        raise InputError("not possible here", field=option, value=outputs[option], allowed=f"only {only}")


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
    with _progress() as progress:
        document = plan_case(case, seed=seed, draws=draws, only_in_place=only, progress=progress)
    console = _console()
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

    outputs = _given(json=json_file)
    loaded = load_case(case)
    _check_outputs(outputs, loaded.inputs)
    summary = understood(loaded)
    _save({name: _as_json(summary) for name in outputs.values()})
    if STDOUT not in outputs.values():
        _print_rows(summary.rows())


def _print_rows(rows: Iterable[tuple[str, str]]) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2, 0, 0))
    for name, text in rows:
        table.add_row(Text(name, "bold"), Text(text))
    _console().print(table)


@app.command()
def sources(json_file: JsonOption = None) -> None:
    """List the published sources behind the numbers."""
    from dataclasses import asdict

    from backstay.sources import all_sources

    outputs = _given(json=json_file)
    _check_outputs(outputs)
    found = list(all_sources().values())
    text = json.dumps([asdict(source) for source in found], indent=1, ensure_ascii=False) + "\n"
    _save(dict.fromkeys(outputs.values(), text))
    if STDOUT in outputs.values():
        return
    from rich.table import Table
    from rich.text import Text

    table = Table("key", "citation", "read as", box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for source in found:
        table.add_row(Text(source.key), Text(source.citation), Text(source.read_as))
    _console().print(table)


def main() -> None:
    """Run the command line."""
    app(prog_name="backstay")
