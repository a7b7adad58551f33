"""Commands that keep a case inside its limits: limits, hazards of a step, the time-out sheet."""

from __future__ import annotations

import json
from pathlib import Path
from time import time
from typing import Annotated

import typer

from backstay.cli.base import (
    STDOUT,
    CaseArgument,
    Content,
    JsonOption,
    app,
    as_json,
    check_outputs,
    given,
    open_console,
    print_rows,
    save,
)

DoseOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--dose",
        metavar="FILE",
        help="A dose report (DICOM or FHIR), for radiation and skin; repeat for more.",
    ),
]


@app.command()
def limits(
    case: CaseArgument,
    dose: DoseOption = None,
    json_file: JsonOption = None,
    skin: Annotated[str | None, typer.Option(metavar="F", help="Save the skin's picture (F.svg).")] = None,
) -> None:
    """What is used and left of contrast, clotting time and radiation, what is in the body, what not to do."""
    from backstay.app.loading import load_case
    from backstay.app.safety import case_safety, limits_of
    from backstay.app.safety.setting import counted_to
    from backstay.app.safety.skin import read_reports
    from backstay.errors import InputError
    from backstay.report.limits_terminal import render_limits
    from backstay.report.skin import skin_scene

    outputs = given(json=json_file, skin=skin)
    loaded = load_case(case)
    check_outputs(outputs, [*loaded.inputs, *(dose or [])])
    safety = counted_to(case_safety(loaded, reports=read_reports(dose or ())), time())
    document = limits_of(safety)
    if "--skin" in outputs and document.skin is None:
        raise InputError(
            "no picture of the skin without a dose report",
            field="--skin",
            allowed="with --dose FILE",
        )
    contents: dict[str, Content] = {}
    for option, name in outputs.items():
        contents[name] = as_json(document) if option == "--json" else str(skin_scene(document.skin).svg())  # type: ignore[arg-type]
    save(contents)
    if STDOUT not in outputs.values():
        render_limits(document, open_console())


@app.command()
def timeout(
    case: CaseArgument,
    plan: Annotated[
        Path | None,
        typer.Option(metavar="F", help="A plan of this case (plan CASE --json F), for the ladder."),
    ] = None,
    pdf: Annotated[str | None, typer.Option(metavar="F", help="Save the sheet to print.")] = None,
    json_file: JsonOption = None,
) -> None:
    """The time-out: what the team settles aloud before the case, on one sheet."""
    from backstay.adapters.plan_file import read_plan
    from backstay.app.loading import load_case
    from backstay.app.safety import case_safety
    from backstay.app.safety.time_out import time_out
    from backstay.report import time_out as printed

    outputs = given(pdf=pdf, json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, [*loaded.inputs, *([plan] if plan is not None else [])])
    sheet = time_out(case_safety(loaded), None if plan is None else read_plan(plan))
    save(
        {
            name: printed.pdf(sheet) if option == "--pdf" else as_json(sheet)
            for option, name in outputs.items()
        }
    )
    if STDOUT not in outputs.values():
        print_rows(printed.rows(sheet))


@app.command()
def hazards(
    case: CaseArgument,
    words: Annotated[
        list[str] | None,
        typer.Argument(help="A step thought of, as `log` takes it; without it, the record so far."),
    ] = None,
    json_file: JsonOption = None,
) -> None:
    """What must not be done: for a step that is only thought of, or along the record, shown and kept back."""
    from backstay.app.loading import load_case
    from backstay.app.safety import case_safety
    from backstay.app.safety.setting import counted_to
    from backstay.app.safety.steps import along_record, hazards_of_line
    from backstay.report.limits import hazard_words

    outputs = given(json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    safety = counted_to(case_safety(loaded), time())
    lines: list[tuple[str, str]] = []
    if words:
        rows = hazards_of_line(safety, " ".join(words))
        found = [row.model_dump() for row in rows]
        lines = [("thought of", hazard_words(row)) for row in rows]
    else:
        moments = along_record(safety)
        found = [moment.model_dump() for moment in moments]
        for moment in moments:
            lines += [(moment.step, hazard_words(row)) for row in moment.shown]
            lines += [("  kept back", hazard_words(row)) for row in moment.kept_back]
    text = json.dumps({"schema": 1, "hazards": found}, indent=1, ensure_ascii=False) + "\n"
    save(dict.fromkeys(outputs.values(), text))
    if STDOUT not in outputs.values():
        print_rows(lines or [("", "nothing applies")])
