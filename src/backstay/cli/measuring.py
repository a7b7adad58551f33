"""Commands that measure the vessel from angiograms and rank working views."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    print_rows,
    save,
)
from backstay.errors import InputError

if TYPE_CHECKING:
    from backstay.adapters.measurement_file import MeasurementDocument

ClicksOption = Annotated[
    str | None,
    typer.Option(
        metavar="MARKS", help='Frame and clicks along the vessel: "12: 120,200 300,240" (row,column).'
    ),
]


@app.command()
def measure(
    runs: Annotated[
        list[Path] | None, typer.Argument(metavar="[RUN]...", help="One or two runs (DICOM XA).")
    ] = None,
    points: Annotated[
        Path | None, typer.Option(metavar="F", help="Runs and marks in a file; a record repeats itself.")
    ] = None,
    marks_a: ClicksOption = None,
    marks_b: ClicksOption = None,
    catheter: Annotated[
        str | None,
        typer.Option(
            metavar="MARKS",
            help='Calibrate both runs: "6; 40,90 80,95; 35,60 70,66" (French; clicks in each).',
        ),
    ] = None,
    accept: Annotated[
        list[str] | None, typer.Option(metavar="DOUBT", help="Take the result in spite of a doubt.")
    ] = None,
    into: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Save path, record and picture there.")
    ] = None,
    picture: Annotated[str | None, typer.Option(metavar="F", help="Save the picture (F.svg, F.png).")] = None,
    frame: Annotated[int | None, typer.Option(min=1, help="Without marks: the frame of --picture.")] = None,
    json_file: JsonOption = None,
) -> None:
    """Measure a vessel from one or two runs; without marks, say what a run holds."""
    from backstay.app.measure import measure as measured_from
    from backstay.app.measure import save_measurement
    from backstay.report.measured import measured_picture
    from backstay.report.measured_words import measured_rows

    outputs = given(json=json_file, picture=picture)
    _check_picture_name(outputs)
    document, folder = _document(runs or [], points, (marks_a, marks_b), catheter, accept or [])
    if document is None:
        _look((runs or [])[0], outputs, frame)
        return
    inputs = [folder / table.file for table in document.run] + ([points] if points else [])
    check_outputs(outputs, inputs)
    if into is not None:
        into.mkdir(parents=True, exist_ok=True)
        check_outputs(
            {f"--into {name}": str(into / name) for name in ("path.csv", "measurement.toml")}, inputs
        )
    result = measured_from(document, folder)
    scene = measured_picture(result)
    if into is not None:
        save_measurement(result, into)
        save({str(into / "measurement.svg"): scene.svg()})
    makers: dict[str, Any] = {
        "--json": lambda _: as_json(result.document),
        "--picture": lambda name: _drawn(scene, name),
    }
    save({name: makers[option](name) for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        print_rows(measured_rows(result.document))
        if into is not None:
            open_console().print(
                f"Saved in {into}: path.csv, measurement.toml, measurement.svg", markup=False
            )


def _document(
    runs: list[Path],
    points: Path | None,
    marks: tuple[str | None, str | None],
    catheter: str | None,
    accept: list[str],
) -> tuple[MeasurementDocument | None, Path]:
    """Return what is to be measured and the folder its files are named from; None to look only."""
    from backstay.adapters.measurement_file import read_measurement
    from backstay.app.marks import document_from_marks

    if points is not None:
        if runs or any(marks) or catheter:
            raise InputError(
                "runs and marks stand in the file",
                field="--points",
                value=str(points),
                allowed="--points alone",
            )
        document = read_measurement(points)
        more = [*document.accept, *(a for a in accept if a not in document.accept)]
        return document.model_copy(update={"accept": more}), points.parent
    if not 1 <= len(runs) <= 2:
        raise InputError(
            "a vessel is measured from one or two runs", field="RUN", value=len(runs), allowed="1 or 2"
        )
    if not any(marks):
        if len(runs) == 2:
            raise InputError(
                "two runs need marks", field="--marks-a, --marks-b", allowed='"FRAME: ROW,COLUMN ROW,COLUMN"'
            )
        return None, Path()
    return document_from_marks([str(run) for run in runs], marks, catheter, accept), Path()


def _look(file: Path, outputs: dict[str, str], frame: int | None) -> None:
    """Say what a run holds, and draw one of its frames with rulers."""
    from backstay.adapters.dicom_xa import read_run
    from backstay.report.measured import frame_picture
    from backstay.report.measured_words import run_rows

    run = read_run(file)
    check_outputs(outputs, [file])
    rows = list(run_rows(run))
    number = frame or (run.frames + 1) // 2
    makers: dict[str, Any] = {
        "--json": lambda _: (
            json.dumps([{"name": n, "text": t} for n, t in rows], indent=1, ensure_ascii=False) + "\n"
        ),
        "--picture": lambda name: _drawn(
            frame_picture(run.frame(number), f"{file.name}, frame {number} of {run.frames}"), name
        ),
    }
    save({name: makers[option](name) for option, name in outputs.items()})
    if STDOUT not in outputs.values():
        print_rows(rows)


def _drawn(scene: Any, name: str) -> str | bytes:
    if not name.lower().endswith(".png"):
        return str(scene.svg())
    from backstay.report import typeset

    return typeset.png(scene)


def _check_picture_name(outputs: dict[str, str]) -> None:
    name = outputs.get("--picture", STDOUT)
    if name != STDOUT and not name.lower().endswith((".svg", ".png")):
        raise InputError("no such picture format", field="--picture", value=name, allowed="F.svg or F.png")


@app.command()
def views(
    case: CaseArgument,
    from_mm: Annotated[
        float | None, typer.Option("--from", metavar="MM", help="Where the stretch begins.")
    ] = None,
    to_mm: Annotated[float | None, typer.Option("--to", metavar="MM", help="Where it ends.")] = None,
    branch: Annotated[
        str | None, typer.Option(metavar="NAME", help="Instead: the bifurcation with this branch.")
    ] = None,
    most: Annotated[
        tuple[float, float, float, float],
        typer.Option(metavar="RAO LAO CAU CRA", help="How far the C-arm goes, degrees."),
    ] = (50.0, 60.0, 40.0, 40.0),
    json_file: JsonOption = None,
) -> None:
    """The best working views of a stretch, a bifurcation, or the first lesion."""
    from backstay.app.loading import load_case
    from backstay.app.views import ranked_views, reach_from
    from backstay.report.measured_words import views_rows

    outputs = given(json=json_file)
    loaded = load_case(case)
    check_outputs(outputs, loaded.inputs)
    answer = ranked_views(loaded, from_mm=from_mm, to_mm=to_mm, branch=branch, reach=reach_from(*most))
    text = json.dumps({"schema": 1, **asdict(answer)}, indent=1, ensure_ascii=False) + "\n"
    save({name: text for name in outputs.values()})
    if STDOUT not in outputs.values():
        print_rows(views_rows(answer))


@app.command()
def phantom(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new or empty folder.")],
    seed: SeedOption = 1,
) -> None:
    """Write an invented angiogram with known truth, to practise measuring on."""
    from backstay.app.phantom import make_phantom

    files = make_phantom(folder, seed=seed)
    console = open_console()
    console.print("Written: " + ", ".join(str(file) for file in files), markup=False, soft_wrap=True)
    console.print(
        f"Measure it: backstay measure --points {folder / 'points.toml'} --into {folder / 'measured'}",
        markup=False,
    )
