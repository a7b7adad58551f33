"""Commands of the report: made, signed once, added to."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from backstay.cli.base import (
    CaseArgument,
    Content,
    JsonOption,
    app,
    as_json,
    check_outputs,
    given,
    print_rows,
    save,
)
from backstay.cli.record import StoreOption
from backstay.cli.safety import DoseOption
from backstay.errors import InputError

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
    fhir: Annotated[str | None, typer.Option(metavar="F", help="Save as a FHIR bundle (R4 and R4B).")] = None,
    dicom: Annotated[str | None, typer.Option(metavar="F", help="Save as DICOM Encapsulated PDF.")] = None,
    study: Annotated[
        Path | None,
        typer.Option(metavar="RUN", help="With --dicom: a run (DICOM) whose patient and study it joins."),
    ] = None,
    json_file: JsonOption = None,
    store: StoreOption = None,
) -> None:
    """The report of a procedure, from its record: a draft until `sign`, then as it was signed."""
    from backstay.app.reporting import Extras
    from backstay.app.reporting import report as made_from

    outputs = given(pdf=pdf, html=html, text=text, fhir=fhir, dicom=dicom, json=json_file)
    check_outputs(outputs, [*_inputs(case, plan, dose), *([study] if study else [])])
    if study is not None and "--dicom" not in outputs:
        raise InputError(
            "a study to join is for --dicom", field="--study", value=str(study), allowed="with --dicom F"
        )
    document = made_from(case, Extras(plan, tuple(dose or ())), store_url=store)
    forms = _Forms(document, study)
    save({name: forms.form(option) for option, name in outputs.items()})
    if not outputs:
        typer.echo(forms.text, nl=False)


def _inputs(case: Path, plan: Path | None, dose: list[Path] | None) -> list[Path]:
    from backstay.adapters.events_file import events_path

    return [case, events_path(case), *([plan] if plan else []), *(dose or [])]


class _Forms:
    """A report in every form, each made once and only when asked for."""

    def __init__(self, document: ReportDocument, study: Path | None) -> None:
        self.document, self.study = document, study

    @cached_property
    def text(self) -> str:
        from backstay.report.procedure.text import text

        return text(self.document)

    @cached_property
    def pdf(self) -> bytes:
        from backstay.report.procedure.paper import pdf

        return pdf(self.document)

    def form(self, option: str) -> Content:
        """Return what an option asks for."""
        if option == "--html":
            from backstay.report.procedure.page import html

            return html(self.document)
        if option == "--fhir":
            from backstay.adapters.report_fhir import bundle_text

            return bundle_text(self.document, pdf=self.pdf, text=self.text)
        if option == "--dicom":
            from backstay.adapters.report_dicom import encapsulated, read_study

            return encapsulated(self.document, self.pdf, read_study(self.study) if self.study else None)
        if option == "--json":
            return as_json(self.document)
        return self.pdf if option == "--pdf" else self.text


ByOption = Annotated[str, typer.Option("--by", metavar="NAME", help="Who signs, as it is to stand there.")]


@app.command()
def sign(
    case: CaseArgument,
    by: ByOption,
    digest: Annotated[
        str | None,
        typer.Option(
            metavar="D", help="Digest at the foot of the draft that was read; another report is refused."
        ),
    ] = None,
    plan: PlanOption = None,
    dose: DoseOption = None,
    store: StoreOption = None,
) -> None:
    """Sign the report: nothing but addenda can follow, and it is always made again as it was."""
    from backstay.app.reporting import Extras, sign_report

    document = sign_report(case, Extras(plan, tuple(dose or ())), by=by, digest=digest, store_url=store)
    _say_signed(document)


@app.command()
def addendum(
    case: CaseArgument,
    words: Annotated[list[str], typer.Argument(help="What is to be added, word for word.")],
    by: ByOption,
    store: StoreOption = None,
) -> None:
    """Add to a signed report; what was signed stays as it is."""
    from backstay.app.reporting import add_to_report

    _say_signed(add_to_report(case, by=by, text=" ".join(words), store_url=store))


def _say_signed(document: ReportDocument) -> None:
    from backstay.report.procedure.blocks import shown
    from backstay.report.procedure.parts import addenda, signature_line

    rows = [
        ("signed", signature_line(document)),
        ("digest", document.content_sha256),
        ("head", document.head),
    ]
    missing = ", ".join(document.content.not_recorded)
    rows += [("not recorded", shown(missing))] if missing else []
    print_rows([*rows, *(("added", f"{who}: {said}") for who, said in addenda(document))])
