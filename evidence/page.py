"""docs/validation.md: a section per study with the digest of what it was made from, and what is unvalidated."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path

from evidence.areas import AREAS, UNVALIDATED, Area

SECTION = re.compile(
    r"^## [^\n]*\n\n<!-- study (\w+), digest ([0-9a-f]{64}) -->\n\n(.*?)(?=^## )", re.MULTILINE | re.DOTALL
)


def digest(root: Path, area: Area) -> str:
    """Return a digest of all that a study stands on; seeds and sizes stand in the studies."""
    files = {path for pattern in area.stands_on for path in root.glob(pattern)}
    total = hashlib.sha256()
    for path in sorted(files):
        total.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    return total.hexdigest()


def written(text: str) -> dict[str, tuple[str, str]]:
    """Return what a page holds: by study, the digest it was made from and its text."""
    return {name: (made_from, body.strip()) for name, made_from, body in SECTION.findall(text)}


def stale(root: Path, text: str) -> list[str]:
    """Return the names of the studies whose section in `text` is missing or was made from another state."""
    have = written(text)
    return [area.name for area in AREAS if have.get(area.name, ("", ""))[0] != digest(root, area)]


def published_section(root: Path) -> list[str]:
    """Return which files hold checks against published numbers."""
    files = sorted(path.name for path in (root / "tests" / "published").glob("test_*.py"))
    return [
        "## Published checks",
        "",
        "`make test` runs the checks against printed numbers; each names its source beside the number, and a fact that disagrees is "
        "marked so there: " + ", ".join(f"`{name}`" for name in files) + ".",
        "",
    ]


def page(root: Path, sections: Mapping[str, tuple[str, str]]) -> str:
    """Return the page from its sections: by study, the digest it was made from and its text."""
    lines = [
        "# Validation",
        "",
        "Written by `tools/evidence.py` (`make evidence`); do not edit. A study's digest covers the model, the study with its seeds and "
        "sizes, and the data it stands on.",
        "",
        "Planning and teaching aid, not validated for clinical decisions.",
        "",
    ]
    for area in AREAS:
        if area.name in sections:
            made_from, body = sections[area.name]
            lines += [f"## {area.title}", "", f"<!-- study {area.name}, digest {made_from} -->", "", body, ""]
    lines += [
        *published_section(root),
        "## Unvalidated",
        "",
        *(f"- {what}: {why}." for what, why in UNVALIDATED),
        "",
    ]
    return "\n".join(lines)
