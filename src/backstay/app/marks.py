"""Marks typed on the command line, as the document that a measurement is made from."""

from __future__ import annotations

from backstay.adapters.measurement_file import MeasurementDocument
from backstay.adapters.toml_text import validated
from backstay.errors import InputError

FORM = '"FRAME: ROW,COLUMN ROW,COLUMN ..."'


def document_from_marks(
    runs: list[str], marks: tuple[str | None, str | None], catheter: str | None, accept: list[str]
) -> MeasurementDocument:
    """Return the document of one or two runs with their marks.

    Raises
    ------
    InputError
        Naming the option and the form it has.
    """
    tables = []
    catheters = _catheters(catheter, len(runs))
    for k, (file, name) in enumerate(zip(runs, ("--marks-a", "--marks-b"), strict=False)):
        text = marks[k]
        if text is None:
            raise InputError("a run has no marks", field=name, allowed=FORM)
        head, colon, rest = text.partition(":")
        if not colon or not head.strip().isdigit():
            raise InputError("marks begin with the frame", field=name, value=text, allowed=FORM)
        table = {"file": file, "frame": int(head), "clicks": places(rest, name), "catheter": catheters[k]}
        tables.append({key: value for key, value in table.items() if value is not None})
    if len(runs) == 1 and marks[1] is not None:
        raise InputError("there is no second run", field="--marks-b", value=marks[1], allowed="two runs")
    data = {"schema": 1, "run": tables, "accept": accept}
    return validated(MeasurementDocument, data, where="the command line")


def places(text: str, name: str) -> list[list[float]]:
    """Return rows and columns from "120,200 300,240"."""
    found = []
    for part in text.split():
        try:
            row, column = (float(x) for x in part.split(","))
        except ValueError:
            raise InputError(
                "a click is a row and a column", field=name, value=part, allowed="ROW,COLUMN"
            ) from None
        found.append([row, column])
    if len(found) < 2:
        raise InputError("two clicks are needed", field=name, value=len(found), allowed=FORM)
    return found


def _catheters(text: str | None, count: int) -> list[dict[str, object] | None]:
    if text is None:
        return [None] * count
    size, *clicks = text.split(";")
    form = '"FRENCH; ROW,COLUMN ROW,COLUMN", and the clicks of the second run after another ;'
    try:
        size_fr = float(size)
    except ValueError:
        raise InputError("the size comes first", field="--catheter", value=size, allowed=form) from None
    if len(clicks) != count:
        raise InputError("clicks are needed in each run", field="--catheter", value=len(clicks), allowed=form)
    return [{"size_fr": size_fr, "clicks": places(part, "--catheter")} for part in clicks]
