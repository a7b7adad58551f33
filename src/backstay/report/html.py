"""Small pieces of HTML: every text goes through here and is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from backstay.report.scene import Scene, xml_attribute, xml_text


def element(name: str, text: str, style: str = "") -> str:
    """Return an element around plain text."""
    return f"<{name}{_class(style)}>{xml_text(text)}</{name}>"


def box(name: str, inner: Iterable[str], style: str = "") -> str:
    """Return an element around markup made by this module."""
    return f"<{name}{_class(style)}>{''.join(inner)}</{name}>"


def _class(style: str) -> str:
    return f" class={xml_attribute(style)}" if style else ""


def items(texts: Iterable[str], style: str = "") -> str:
    """Return an unordered list, or nothing when there are no texts."""
    rows = [element("li", text) for text in texts]
    return box("ul", rows, style) if rows else ""


def cell(inner: str, name: str = "", style: str = "") -> str:
    """Return a table cell around markup; `name` is its column's heading, shown when the table is stacked."""
    style = f"{style} empty".strip() if not inner else style
    return f"<td{_class(style)}{f' data-name={xml_attribute(name)}' if name else ''}>{inner}</td>"


def table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    caption: str = "",
    style: str = "",
    numbers: int = 99,
) -> str:
    """Return a table of plain texts; columns from `numbers` on are set to the right."""
    top = "".join(
        f'<th scope="col"{_class("n" if i >= numbers else "")}>{xml_text(h)}</th>' for i, h in enumerate(head)
    )
    body = "".join(
        "<tr>"
        + f'<th scope="row">{xml_text(row[0])}</th>'
        + "".join(
            cell(xml_text(text), head[i], "n" if i >= numbers else "") for i, text in enumerate(row) if i > 0
        )
        + "</tr>"
        for row in rows
    )
    said = element("caption", caption) if caption else ""
    return f"<table{_class(style)}>{said}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def details(summary: str, inner: Iterable[str], style: str = "") -> str:
    """Return a part that opens on demand."""
    return f"<details{_class(style)}>{element('summary', summary)}{''.join(inner)}</details>"


def figure(wide: Scene, narrow: Scene | None = None) -> str:
    """Return a picture in the page's colours, with a second form for a phone where there is one."""
    if narrow is None:
        return f"<figure>{wide.svg(None)}</figure>"
    forms = f'<div class="wide">{wide.svg(None)}</div><div class="narrow">{narrow.svg(None)}</div>'
    return f"<figure>{forms}</figure>"


def scroll(inner: str) -> str:
    """Return a box that scrolls sideways where the page is too narrow; the keyboard reaches it."""
    return f'<div class="scroll" tabindex="0" role="group" aria-label="scrolls sideways">{inner}</div>'
