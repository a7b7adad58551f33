"""The report on paper: A4, every text handed over as data."""

from __future__ import annotations

import re
from typing import Any

from backstay.adapters.report_file import ReportDocument
from backstay.report.procedure.blocks import Block, Lines, Part, Picture, Rows, Table, shown
from backstay.report.procedure.parts import DRAFT, INVENTED, addenda, heading, parts
from backstay.report.theme import PRINT
from backstay.report.typeset import compile_template

_BEYOND = re.compile(
    "[^\x00-\u024f\u0300-\u052f\u0590-\u06ff\u1e00-\u1eff\u2000-\u22ff\u2460-\u25ff\ufb00-\ufb06\ufffd]"
)
"""Letters the compiler's own fonts may lack: other scripts than Latin, Greek, Cyrillic, Hebrew and Arabic."""
BEYOND = (
    "Some characters of this report are beyond the letters carried here: where this paper shows a box, the page and the plain text "
    "hold the character."
)


def pdf(document: ReportDocument) -> bytes:
    """Return the report as PDF; the same report gives the same bytes.

    With letters beyond the compiler's own fonts that holds on one machine, since its fonts come in.
    """
    data = sheet_data(document)
    return compile_template("procedure/report.typ", data, system_fonts=bool(data["beyond"]))


def sheet_data(document: ReportDocument) -> dict[str, Any]:
    """Return everything the template sets, as plain data."""
    c = document.content
    first, *rest = parts(document)
    return {
        "font": PRINT.font,
        "colours": PRINT.colours,
        "title": shown(c.title),
        "draft": DRAFT if document.is_draft else "",
        "invented": INVENTED if c.invented else "",
        "heading": heading(document),
        "disclaimer": c.disclaimer,
        "foot": f"record {shown(c.record) or 'not named'} · report {document.content_sha256[:16]} · chain {document.head[:16]}",
        "beyond": BEYOND if _BEYOND.search(document.model_dump_json()) else "",
        "brief": _part(first),
        "parts": [_part(part) for part in rest],
        "addenda": [list(row) for row in addenda(document)],
        "addenda_title": "Added after signing",
    }


def _part(part: Part) -> dict[str, Any]:
    return {"title": part.title, "urgent": part.is_urgent, "blocks": [_block(x) for x in part.blocks]}


def _block(block: Block) -> dict[str, Any]:
    if isinstance(block, Rows):
        return {"kind": "rows", "rows": [list(row) for row in block.rows], "abreast": block.abreast}
    if isinstance(block, Table):
        return {
            "kind": "table",
            "head": list(block.head),
            "rows": [list(row) for row in block.rows],
            "widths": list(block.widths),
        }
    if isinstance(block, Lines):
        return {"kind": "lines", "texts": list(block.texts), "listed": block.listed, "soft": block.soft}
    assert isinstance(block, Picture)
    return {
        "kind": "picture",
        "caption": block.caption,
        "note": block.note,
        "svg": block.wide().svg(PRINT),
        "share": block.share,
    }
