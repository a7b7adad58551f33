"""Commands of the report: made, signed once, added to."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from backstay.cli.base import (
    CaseArgument,
    Content,
    JsonOption,
    app,
    as_json,
    check_outputs,
    given,
    save,
)
from backstay.cli.record import StoreOption
from backstay.cli.safety import DoseOption

if TYPE_CHECKING:
    from backstay.adapters.report_file import ReportDocument

PlanOption = Annotated[
    Path | None,
    typer.Option(
        "--plan", metavar="FILE", help="A plan of this case (plan CASE --json F), for the attempts."
    ),
]


@app.command()
def report(
    case: CaseArgument,
    plan: PlanOption = None,
    dose: DoseOption = None,
    pdf: Annotated[str | None, typer.Option(metavar="F", help="Save as PDF.")] = None,
    html: Annotated[str | None, typer.Option(metavar="F", help="Save as a page.")] = None,
    text: Annotated[str | None, typer.Option(metavar="F", help="Save as plain text, 80 columns.")] = None,
    json_file: JsonOption = None,
    store: StoreOption = None,
) -> None:
    """The report of a procedure, from its record: a draft until `sign`, then as it was signed."""
    from backstay.app.reporting import Extras
    from backstay.app.reporting import report as made_from

    outputs = given(pdf=pdf, html=html, text=text, json=json_file)
    check_outputs(outputs, _inputs(case, plan, dose))
    document = made_from(case, Extras(plan, tuple(dose or ())), store_url=store)
    save({name: _MAKERS[option](document) for option, name in outputs.items()})
    if not outputs:
        _print(document)


def _print(document: ReportDocument) -> None:
    from backstay.report.procedure.text import text as as_text

    typer.echo(as_text(document), nl=False)


def _inputs(case: Path, plan: Path | None, dose: list[Path] | None) -> list[Path]:
    from backstay.adapters.events_file import events_path

    return [case, events_path(case), *([plan] if plan else []), *(dose or [])]


def _text(document: ReportDocument) -> Content:
    from backstay.report.procedure.text import text as as_text

    return as_text(document)


def _pdf(document: ReportDocument) -> Content:
    from backstay.report.procedure.paper import pdf

    return pdf(document)


_MAKERS: dict[str, Callable[[Any], Content]] = {"--json": as_json, "--text": _text, "--pdf": _pdf}
