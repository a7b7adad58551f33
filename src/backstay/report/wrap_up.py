"""The report of a procedure as a part of a page, for reading before it is signed."""

from __future__ import annotations

from backstay.adapters.report_file import ReportDocument
from backstay.report.html import box, element, figure, items, scroll, table
from backstay.report.procedure.parts import DRAFT, Block, Lines, Rows, Table, parts, shown


def report_preview(document: ReportDocument) -> str:
    """Return the report, part by part, as paper and text have it."""
    state = DRAFT if document.is_draft else _signed_words(document)
    head = [element("h2", shown(document.content.title)), element("p", state, "state")]
    said = [
        box("section", [element("h3", part.title), *(_block(block) for block in part.blocks)])
        for part in parts(document)
    ]
    return box("article", [*head, *said], "preview")


def _signed_words(document: ReportDocument) -> str:
    s = document.signature
    return "" if s is None else f"Signed by {shown(s.by)} at {s.at}, report {document.content_sha256[:16]}"


def _block(block: Block) -> str:
    if isinstance(block, Rows):
        return table(["what", "what is known"], [list(row) for row in block.rows], style="stack")
    if isinstance(block, Table):
        return scroll(table(block.head, block.rows, style="stack"))
    if isinstance(block, Lines):
        return items(block.texts) if block.listed else "".join(element("p", text) for text in block.texts)
    drawn = figure(block.wide(), None if block.narrow is None else block.narrow())
    return drawn.replace("</figure>", f"{element('figcaption', block.caption)}</figure>")
