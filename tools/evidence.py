"""Runs the long studies and writes docs/validation.md; `--check` only says whether the page is current."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
PAGE = ROOT / "docs" / "validation.md"
sys.path[:0] = [str(ROOT / "src"), str(ROOT)]

from evidence import bench_track, interpolation, page, trends  # noqa: E402


def stale() -> str | None:
    """Return why the page is not current, None when it is."""
    if not PAGE.is_file():
        return "docs/validation.md is missing"
    if page.written_digest(PAGE.read_text("utf-8")) != page.digest(ROOT):
        return "docs/validation.md was made from another state of the model or the studies"
    return None


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--check", action="store_true", help="run nothing; exit with 1 when the page is stale"
    )
    if parser.parse_args().check:
        why = stale()
        print(why or "docs/validation.md is current")
        return 1 if why else 0
    before = page.digest(ROOT)
    print("bench", flush=True)
    bench = bench_track.run()
    print("trends", flush=True)
    found = trends.run()
    print("interpolation", flush=True)
    rows = interpolation.run(ROOT)
    if page.digest(ROOT) != before:
        print("the model or the studies changed while they ran: nothing written, run again")
        return 1
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(
        page.page(ROOT, bench=bench, rows=rows, found=found, paths=trends.PATHS), encoding="utf-8"
    )
    print(f"wrote {PAGE.relative_to(ROOT)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
