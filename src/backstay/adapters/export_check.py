"""The last check of a finished export: what still holds an identifier does not leave.

It reads the export itself, not what it was made from, so that nothing slips past the cleaning.
"""

from __future__ import annotations

from collections.abc import Iterable
from html.parser import HTMLParser
from pathlib import Path

from backstay.core.privacy.text import Hit, Known, find, given_in
from backstay.errors import InputError

MOST_NAMED = 5
_GEOMETRY = frozenset(
    "points d x y x1 x2 y1 y2 cx cy r rx width height viewbox transform stroke-width stroke-dasharray "
    "font-size fill stroke xmlns".split()
)
# Made by the program, of letters and numbers that look like anything: only what was given is looked for.
_MARKS = frozenset("content id aria-labelledby class for name href type".split())


class _Texts(HTMLParser):
    """Every text of a page but its style sheet: what is shown, values of attributes, comments."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.words: list[str] = []
        self.marks: list[str] = []
        self._in_style = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._in_style = tag == "style"
        for name, value in attrs:
            if value and name not in _GEOMETRY:
                (self.marks if name in _MARKS else self.words).append(value)

    def handle_endtag(self, tag: str) -> None:
        self._in_style = False

    def handle_data(self, data: str) -> None:
        if not self._in_style:
            self.words.append(data)

    def handle_comment(self, data: str) -> None:
        self.words.append(data)


def survivors_in_page(html: str, known: Known) -> list[Hit]:
    """Return the identifiers that a finished page still holds."""
    texts = _Texts()
    texts.feed(html)
    texts.close()
    found = [hit for text in texts.words for hit in find(text, known)]
    return found + [hit for text in texts.marks for hit in given_in(text, known)]


def survivors_in_texts(texts: Iterable[str], known: Known) -> list[Hit]:
    """Return the identifiers that these texts hold."""
    return [hit for text in texts for hit in find(text, known)]


def survivors_in_name(file: str, known: Known) -> list[Hit]:
    """Return the identifiers in a file's own name; the folders above it do not leave the lab with it."""
    return list(find(Path(file).name, known))


def refuse_survivors(found: list[Hit], *, where: str) -> None:
    """Refuse an export that still holds an identifier.

    Raises
    ------
    InputError
        Naming what survives.
    """
    if not found:
        return
    names = list(dict.fromkeys(f"{hit.kind} {hit.text!r}" for hit in found))
    more = f" and {len(names) - MOST_NAMED} more" if len(names) > MOST_NAMED else ""
    raise InputError(
        f"an identifier survives in the export: {', '.join(names[:MOST_NAMED])}{more}; nothing was written",
        field="identifiers.reviewed",
        allowed="texts that look like identifiers and are none",
        where=where,
    )
