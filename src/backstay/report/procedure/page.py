"""The report as one self-contained page: no requests, no script, light and dark."""

from __future__ import annotations

from importlib import resources

from backstay.adapters.report_file import ReportDocument
from backstay.report.html import box, cell, element, figure, items
from backstay.report.page import css
from backstay.report.procedure.blocks import Block, Lines, Part, Picture, Rows, Table, shown
from backstay.report.procedure.parts import DRAFT, INVENTED, addenda, heading, parts
from backstay.report.scene import xml_text


def html(document: ReportDocument) -> str:
    """Return the page."""
    title = shown(document.content.title)
    sheet = resources.files("backstay.report").joinpath("procedure/report.css").read_text(encoding="utf-8")
    state = f" – {DRAFT}" if document.is_draft else ""
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"{element('title', f'{title} – report{state}')}\n"
        f"<style>\n{css()}{sheet}</style>\n</head>\n<body>\n"
        + (element("p", DRAFT, "mark draft") if document.is_draft else "")
        + '<main class="report">\n'
        + (element("p", "DRAFT", "draft-word") if document.is_draft else "")
        + body(document)
        + f"\n</main>\n{box('footer', [element('p', _foot(document))], 'report')}\n</body>\n</html>\n"
    )


def body(document: ReportDocument) -> str:
    """Return what the page shows, to stand in another page as well."""
    first, *rest = parts(document)
    said = [
        _part(first, "brief"),
        *_added(document),
        *(_part(part, "urgent" if part.is_urgent else "") for part in rest),
    ]
    return _header(document) + "\n".join(said)


def _header(document: ReportDocument) -> str:
    c = document.content
    when, state = heading(document)
    mark = element("span", INVENTED, "mark") if c.invented else ""
    style = "state draft" if document.is_draft else "state"
    inner = [element("h1", shown(c.title)), mark, element("p", when, "when"), element("p", state, style)]
    return box("header", inner, "top")


def _foot(document: ReportDocument) -> str:
    return (
        f"report {document.content_sha256[:16]} · chain {document.head[:16]} · {document.content.disclaimer}"
    )


def _added(document: ReportDocument) -> list[str]:
    if not document.addenda:
        return []
    rows = Rows(tuple(addenda(document)))
    return [box("section", [element("h2", "Added after signing"), _block(rows)], "added")]


def _part(part: Part, style: str) -> str:
    return box("section", [element("h2", part.title), *(_block(block) for block in part.blocks)], style)


def _block(block: Block) -> str:
    if isinstance(block, Rows):
        inner = [element("dt", name) + element("dd", said) for name, said in block.rows]
        return box("dl", inner, "pairs abreast" if block.abreast else "pairs")
    if isinstance(block, Table):
        return _table(block)
    if isinstance(block, Lines):
        style = "soft note" if block.soft else ""
        return (
            items(block.texts, style)
            if block.listed
            else "".join(element("p", x, style) for x in block.texts)
        )
    assert isinstance(block, Picture)
    drawn = figure(block.wide(), None if block.narrow is None else block.narrow())
    said = f"{block.caption}. {block.note}".strip()
    return drawn.replace("</figure>", f"{element('figcaption', said)}</figure>")


def _table(block: Table) -> str:
    style = "stack steps" if block.timed else "stack"
    head = "".join(f'<th scope="col">{xml_text(name)}</th>' for name in block.head)
    rows = [
        box(
            "tr",
            [
                f'<th scope="row">{xml_text(row[0])}</th>',
                *(cell(xml_text(said), name) for name, said in zip(block.head[1:], row[1:], strict=True)),
            ],
        )
        for row in block.rows
    ]
    return f'<table class="{style}"><thead><tr>{head}</tr></thead>{box("tbody", rows)}</table>'
