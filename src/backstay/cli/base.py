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

from backstay.app.progress import FIRST_RUNG
from backstay.errors import InputError, NotConverged, StoreError, error_shape, exit_code

if TYPE_CHECKING:
    from rich.console import Console


STDOUT = "-"
DEFAULT_VESSEL = "left anterior descending artery"
HELP = (
    "Plans how a balloon and a stent reach and open a hard coronary lesion. A planning and teaching aid, not "
    "validated for clinical decisions: the devices' instructions for use, local protocols and the licensed "
    "operator come first."
)
EPILOG = (
    "F is a file; - is standard output. Exit codes: 0 done, 2 wrong options, 3 not found, 4 file format, "
    "5 wrong value, 6 outside what was checked, 7 not converged, 8 reading or writing failed, "
    "9 the store of records failed."
)
Content = str | bytes
ProgressCall = Callable[[str, float], None]


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
        except (InputError, NotConverged, OSError, StoreError) as error:
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


def open_console(*, stderr: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=stderr, highlight=False, soft_wrap=False)


@contextmanager
def progress_bar() -> Iterator[ProgressCall | None]:
    """Show long work as a bar on standard error, and nothing when nobody watches."""
    console = open_console(stderr=True)
    if not console.is_terminal:
        yield None
        return
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        told: set[str] = set()

        def show(what: str, share: float) -> None:
            # An answer stays in sight above the bar; what is being done only passes through it.
            if what.startswith(FIRST_RUNG) and what not in told:
                told.add(what)
                bar.console.print(what, markup=False)
            bar.update(task, description=what, completed=share)

        yield show


def check_outputs(outputs: dict[str, str], inputs: Iterable[Path] = ()) -> None:
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


def save(contents: dict[str, Content]) -> None:
    """Write every output, each whole or not at all; `-` goes to standard output."""
    from backstay.adapters.atomic import write_atomic

    for name, content in contents.items():
        if name == STDOUT:
            typer.echo(content.encode() if isinstance(content, str) else content, nl=False)
        else:
            write_atomic(Path(name), content)


def given(**options: str | None) -> dict[str, str]:
    return {f"--{name}": file for name, file in options.items() if file is not None}


def as_json(model: Any) -> str:
    return str(model.model_dump_json(by_alias=True, indent=1)) + "\n"


def refuse_option(outputs: dict[str, str], option: str, only: str) -> None:
    if option in outputs:
        raise InputError("not possible here", field=option, value=outputs[option], allowed=f"only {only}")


def print_rows(rows: Iterable[tuple[str, str]]) -> None:
    from rich.table import Table
    from rich.text import Text

    table = Table.grid(padding=(0, 2, 0, 0))
    for name, text in rows:
        table.add_row(Text(name, "bold"), Text(text))
    open_console().print(table)
