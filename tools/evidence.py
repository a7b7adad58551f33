"""Runs the long studies and writes docs/validation.md.

`tools/evidence.py` runs the studies whose section is stale, `NAME ...` runs those named, `--all` runs every one,
`--check` only says whether the page is current.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "validation.md"
sys.path[:0] = [str(ROOT / "src"), str(ROOT)]

from evidence import page  # noqa: E402
from evidence.areas import AREAS  # noqa: E402


def check() -> int:
    """Say whether the page is current; 1 where it is not."""
    if not PAGE.is_file():
        print("docs/validation.md is missing")
        return 1
    old = page.stale(ROOT, PAGE.read_text("utf-8"))
    print(f"docs/validation.md is stale: {', '.join(old)}" if old else "docs/validation.md is current")
    return 1 if old else 0


def run(names: list[str]) -> int:
    """Run the studies named and write each section as it is done."""
    for area in AREAS:
        if area.name not in names:
            continue
        print(f"{area.name} ...", flush=True)
        before, start = page.digest(ROOT, area), time.monotonic()
        body = "\n".join(area.run(ROOT)).strip()
        if page.digest(ROOT, area) != before:
            print("what the study stands on changed while it ran: nothing written, run again")
            return 1
        sections = page.written(PAGE.read_text("utf-8")) if PAGE.is_file() else {}
        PAGE.write_text(page.page(ROOT, {**sections, area.name: (before, body)}), encoding="utf-8")
        print(f"{area.name}: written after {time.monotonic() - start:.0f} s", flush=True)
    return 0


def main() -> int:
    names = [area.name for area in AREAS]
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="studies to run: " + ", ".join(names))
    parser.add_argument("--all", action="store_true", help="run every study")
    parser.add_argument(
        "--check", action="store_true", help="run nothing; exit with 1 when the page is stale"
    )
    words = parser.parse_args()
    unknown = sorted(set(words.names) - set(names))
    if unknown:
        parser.error(f"no such study: {', '.join(unknown)}; there are {', '.join(names)}")
    if words.check:
        return check()
    if words.all:
        return run(names)
    return run(words.names or page.stale(ROOT, PAGE.read_text("utf-8") if PAGE.is_file() else ""))


if __name__ == "__main__":
    sys.exit(main())
