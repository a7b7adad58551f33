"""The time-out sheet on paper: one page to read aloud, with gaps to fill by hand."""

from __future__ import annotations

from typing import Any

from backstay.adapters.time_out_file import TimeOutDocument
from backstay.report.theme import PRINT
from backstay.report.typeset import compile_template

TITLE = "Time-out"
_SIZES = ((2600, 11.5), (3400, 10.0), (5000, 8.5))
"""Up to so many characters, so large [pt]."""


def pdf(sheet: TimeOutDocument) -> bytes:
    """Return the sheet as a PDF of one page."""
    return compile_template("time_out.typ", sheet_data(sheet))


def sheet_data(sheet: TimeOutDocument) -> dict[str, Any]:
    """Return everything the template sets, as plain data."""
    data = sheet.model_dump(mode="json", by_alias=True)
    return {
        **data,
        "font": PRINT.font,
        "colours": PRINT.colours,
        "heading": TITLE,
        "size": _size_pt(sheet),
        "invented_words": "INVENTED CASE",
    }


def _size_pt(sheet: TimeOutDocument) -> float:
    """Return the size of the letters: as large as keeps the sheet to one page."""
    written = sum(len(text) + 25 for _, text in rows(sheet))
    return next((size for most, size in _SIZES if written <= most), 7.0)


def rows(sheet: TimeOutDocument) -> list[tuple[str, str]]:
    """Return the sheet as rows for a terminal; a gap reads "not said"."""
    lines = [(line.what, line.text or "- not said -") for line in [*sheet.patient, *sheet.access]]
    lines += [("plan", text) for text in sheet.plan]
    lines += [("ladder", text) for text in [*sheet.ladder, sheet.ladder_note]]
    lines += [("least acceptable result", text) for text in sheet.minimum_result or ["- not said -"]]
    lines += [(line.what, line.text or "- not said -") for line in sheet.stops]
    lines += [("hazard", text) for text in sheet.hazards]
    lines += [("kit to open", text) for text in sheet.kit]
    lines += [("bail-out kit", text) for text in sheet.bail_out_kit or ["- not said -"]]
    lines += [(line.what, line.text or "- not said -") for line in sheet.ready]
    return lines
