"""The fit card for the shelf's door: what goes through what, in a terminal and on one sheet."""

from __future__ import annotations

from typing import Any

from backstay.core.rigging.fit_card import CardCell, FitCard
from backstay.report.theme import PRINT
from backstay.report.typeset import compile_template
from backstay.report.words import DISCLAIMER, VERDICTS, number

HOW = (
    "Free width left, mm, from the dimensions in the shelf file. Parts differ from their label and a bend "
    "takes room: try it on the table."
)
NOT_ASKED = "–"


def noted(card: FitCard) -> dict[str, str]:
    """Return a mark (a, b, ...) for each different note of the card, in reading order."""
    notes = dict.fromkeys(cell.note for row in card.rows for cell in row.cells if cell.note)
    return {note: _mark(i) for i, note in enumerate(notes)}


def _mark(index: int) -> str:
    letter = chr(ord("a") + index % 26)
    return letter * (1 + index // 26)


def cell_words(cell: CardCell) -> tuple[str, str]:
    """Return a cell's verdict and free width in words."""
    verdict = NOT_ASKED if cell.verdict is None else VERDICTS[cell.verdict]
    return verdict, "" if cell.spare_mm is None else number(cell.spare_mm, 2)


def pdf(card: FitCard) -> bytes:
    """Return the card as a PDF."""
    return compile_template("fit_card.typ", card_data(card))


def card_data(card: FitCard) -> dict[str, Any]:
    """Return everything the template sets, as plain data."""
    marks = noted(card)

    def cell(found: CardCell) -> dict[str, str]:
        verdict, spare = cell_words(found)
        state = "" if found.verdict is None else str(found.verdict)
        return {"state": state, "words": verdict, "spare": spare, "mark": marks.get(found.note, "")}

    return {
        "font": PRINT.font,
        "colours": PRINT.colours,
        "title": card.title,
        "disclaimer": DISCLAIMER,
        "how": HOW,
        "loads": [{"label": load.label, "note": load.note} for load in card.loads],
        "rows": [
            {"name": row.name, "bore": number(row.bore_mm, 2), "cells": [cell(c) for c in row.cells]}
            for row in card.rows
        ],
        "notes": [{"mark": mark, "text": note} for note, mark in marks.items()],
    }
