"""Texts on their way out of the lab: cleaned, and every one of them listed for a person to read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from backstay.adapters.teaching_file import AuthorFile
from backstay.core.privacy.text import Hit, Known, cleaned
from backstay.errors import InputError


@dataclass
class Review:
    """What was read on the way out, and what was found in it.

    Attributes
    ----------
    known : Known
        What to look for.
    found : list of (str, str, Hit)
        Where, in which text, what.
    kept : dict of str to str
        Free texts that go out, by where they stand.
    """

    known: Known
    found: list[tuple[str, str, Hit]] = field(default_factory=list)
    kept: dict[str, str] = field(default_factory=dict)

    def text(self, text: str, where: str, *, free: bool = False) -> str:
        """Return a text without identifiers; what was found is noted, and a free text is listed."""
        out, hits = cleaned(text, self.known)
        self.found += [(where, text, hit) for hit in hits]
        if free and out.strip():
            self.kept[where] = out
        return out

    def tree(self, value: Any, where: str = "") -> Any:
        """Return plain values (dicts, lists, texts, numbers) with every text cleaned."""
        if isinstance(value, str):
            return self.text(value, where)
        if isinstance(value, Mapping):
            return {
                self.text(str(k), where): self.tree(v, f"{where}.{k}" if where else str(k))
                for k, v in value.items()
            }
        if isinstance(value, Sequence) and not isinstance(value, bytes):
            return [self.tree(v, f"{where}#{k + 1}") for k, v in enumerate(value)]
        return value

    def page(self) -> str:
        """Return what a person reads before the export leaves the lab. It names what was found: it stays here."""
        lines = [
            "Review before this leaves the lab. This list names what was found; keep it here.",
            "",
            f"Taken out: {len(self.found)}",
            *(f"  {where}: {hit.kind} {hit.text!r}" for where, _, hit in self.found),
            "",
            f"Free texts that go out: {len(self.kept)}. No pattern finds every name: read them.",
            *(f"  {where}: {text}" for where, text in self.kept.items()),
        ]
        return "\n".join(lines) + "\n"


def known_of(author: AuthorFile | None, *, invented: bool, where: str) -> Known:
    """Return what to look for.

    Raises
    ------
    InputError
        The case is not an invented one, and nobody said which names its record may hold.
    """
    table = None if author is None else author.identifiers
    if table is None:
        if not invented:
            raise InputError(
                "say which names and numbers to look for before a real case leaves the lab",
                field="identifiers.names",
                allowed="a list of names; [] only where the record can hold none",
                where=where,
            )
        return Known()
    return Known(tuple(table.names), tuple(table.numbers), tuple(table.reviewed))
