"""What a report is built of: rows, tables, lines and pictures, and how times, amounts and free text are written."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from backstay.adapters.report_file import Said
from backstay.app.event_words import plain
from backstay.report.scene import Scene
from backstay.sources import all_sources

NOT_RECORDED = "not recorded"
UNCONFIRMED = " (unconfirmed)"
_ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff]")
"""Control characters, and those that turn the direction of text: shown as a mark, never obeyed."""


def shown(text: str) -> str:
    """Return free text as it may be set anywhere: every character itself, but those that act."""
    return _ACTING.sub("\ufffd", text.replace("\r\n", "\n"))


@dataclass(frozen=True)
class Rows:
    """Names and what is known of each; short ones may stand two abreast."""

    rows: tuple[tuple[str, str], ...]
    abreast: bool = False


@dataclass(frozen=True)
class Table:
    """A table; `widths` share the line. One by time keeps a row's beginning on one line on a phone."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    timed: bool = False


@dataclass(frozen=True)
class Lines:
    """Paragraphs, or points of a list."""

    texts: tuple[str, ...]
    listed: bool = False
    soft: bool = False


@dataclass(frozen=True)
class Picture:
    """A picture, with a second form for a phone where there is one."""

    caption: str
    note: str
    wide: Callable[[], Scene]
    narrow: Callable[[], Scene] | None = None
    share: float = field(default=1.0)


Block = Rows | Table | Lines | Picture


@dataclass(frozen=True)
class Part:
    """One part of the report."""

    title: str
    blocks: tuple[Block, ...]
    is_urgent: bool = False


def listed_or(texts: Sequence[str], otherwise: str) -> tuple[str, ...]:
    """Return texts as shown, or one that says there are none."""
    return tuple(map(shown, texts)) or (otherwise,)


def clock(at: str) -> str:
    """Return the time of day of a time as the document writes it."""
    return at[11:16]


def day(at: str) -> str:
    """Return the day of a time as the document writes it."""
    return at[:10]


def amount(value: float | None, unit: str) -> str:
    """Return a number as it stands with its unit, or that there is none."""
    return NOT_RECORDED if value is None else f"{plain(value)} {unit}".strip()


def said_rows(said: Sequence[Said]) -> Rows | Lines:
    """Return what was said with its time, word for word."""
    if not said:
        return Lines((NOT_RECORDED,))
    return Rows(tuple((f"{clock(one.at)} {one.author_role}", shown(one.text)) for one in said))


def source_mark(source: str, confirmed: bool) -> str:
    """Return whose a number is, and why it is not confirmed where it is not."""
    known = all_sources().get(source)
    read = {"memory": "from memory, ", "secondary": "second-hand, "}.get(
        "" if known is None else known.read_as, ""
    )
    return f"[{source}]" if confirmed and not read else f"[{source}] ({read}unconfirmed)"
