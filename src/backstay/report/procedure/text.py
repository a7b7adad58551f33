"""The report as plain text of 80 columns, to paste into a record system."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from backstay.adapters.report_file import ReportDocument
from backstay.report.procedure.blocks import Block, Lines, Picture, Rows, Table, shown
from backstay.report.procedure.parts import DRAFT, INVENTED, addenda, heading, parts

COLUMNS = 80
_WIDEST_NAME = 30
_NARROWEST = 40
_INDENT = "  "


def text(document: ReportDocument) -> str:
    """Return the report; nothing in it acts: no tabs, no codes, line breaks only."""
    c = document.content
    marks = [*([DRAFT] if document.is_draft else []), *([INVENTED] if c.invented else [])]
    lines = ["=" * COLUMNS, *_wrapped(shown(c.title))]
    lines += [*_wrapped(" - ".join(marks))] if marks else []
    for line in heading(document):
        lines += _wrapped(line.replace(" · ", ", "))
    lines.append("=" * COLUMNS)
    # Pictures have no place in plain text, and neither has a part of nothing else.
    for part in parts(document):
        if all(isinstance(block, Picture) for block in part.blocks):
            continue
        lines += ["", part.title.upper() + (" !" if part.is_urgent else ""), "-" * COLUMNS]
        for block in part.blocks:
            lines += _block(block)
    if document.addenda:
        lines += ["", "ADDED AFTER SIGNING", "-" * COLUMNS]
        lines += _rows(addenda(document))
    lines += ["", *([f"*** {DRAFT} ***"] if document.is_draft else [])]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _block(block: Block) -> Iterable[str]:
    if isinstance(block, Rows):
        return _rows(block.rows)
    if isinstance(block, Lines):
        mark = "- " if block.listed else ""
        return [line for one in block.texts for line in _wrapped(one, first=mark, rest=" " * len(mark))]
    if isinstance(block, Table):
        return _table(block)
    assert isinstance(block, Picture)
    return []


def _rows(rows: Sequence[tuple[str, str]]) -> list[str]:
    width = min(max(len(name) for name, _ in rows) + 2, _WIDEST_NAME)
    lines = []
    for name, said in rows:
        longest = max((len(word) for word in said.split()), default=0)
        if width + longest > COLUMNS:
            # A digest must be copied whole: it gets a line of its own.
            lines += [f"{name}:", *_wrapped(said, first=_INDENT, rest=_INDENT)]
        else:
            lines += _wrapped(said, first=f"{name}: ".ljust(width), rest=" " * width)
    return lines


def _table(table: Table) -> list[str]:
    """Return a table in columns where only the last need break, else a paragraph for each row.

    A record system may well show it in letters of uneven width: a paragraph reads the same there.
    """
    widths = [max(len(cell) for cell in column) for column in zip(table.head, *table.rows, strict=True)]
    last = COLUMNS - sum(widths[:-1]) - 2 * (len(widths) - 1)
    if last >= min(widths[-1], _NARROWEST):
        return _columns(table, widths)
    lines = []
    for row in table.rows:
        lines += _wrapped(f"{table.head[0]}: {row[0]}")
        for name, cell in zip(table.head[1:], row[1:], strict=True):
            lines += _wrapped(cell, first=f"{_INDENT}{name}: ", rest=_INDENT * 2) if cell else []
    return lines


def _columns(table: Table, widths: Sequence[int]) -> list[str]:
    lines = []
    for row in (table.head, *table.rows):
        cells = [cell.ljust(width) for cell, width in zip(row[:-1], widths, strict=False)]
        start = "  ".join(cells) + ("  " if cells else "")
        lines += _wrapped(row[-1], first=start, rest=" " * len(start))
    return lines


def _wrapped(said: str, *, first: str = "", rest: str = "") -> list[str]:
    """Return text in lines of 80 columns; its own line breaks are kept."""
    lines: list[str] = []
    for paragraph in said.split("\n"):
        start = rest if lines else first
        lines += textwrap.wrap(
            paragraph,
            COLUMNS,
            initial_indent=start,
            subsequent_indent=rest,
            break_on_hyphens=False,
            expand_tabs=True,
        ) or [start]
    return lines
