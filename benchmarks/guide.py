"""Processor time of one guide solved in full, against its bar of 1 s, and of one reading of the table, against 10 ms."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from pathlib import Path
from time import process_time

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.adapters.guide_table import shipped_guide_table  # noqa: E402
from backstay.core.guide.ordinary import SEATS, ordinary_setup  # noqa: E402
from backstay.core.guide.pushback import push_back  # noqa: E402
from backstay.core.guide.surrogate import guide_hold  # noqa: E402
from backstay.errors import NotConverged  # noqa: E402
from backstay.identifiers import Access  # noqa: E402

FULL_BAR_s, TABLE_BAR_s = 1.0, 0.010
DEPTHS_MM = (0.0, 30.0)
READINGS = 200


def full() -> dict[str, float]:
    """Return the time of every shape by every way in, alone and with an extension; compiled code is loaded first."""
    push_back(ordinary_setup(*SEATS[0], Access.FEMORAL, size_fr=6.0))
    taken = {}
    for shape, coronary in SEATS:
        for access in Access:
            for depth in DEPTHS_MM:
                setup = ordinary_setup(shape, coronary, access, size_fr=6.0, extension_depth_mm=depth)
                begin = process_time()
                try:
                    push_back(setup)
                except NotConverged:
                    print(f"{shape.value}, {coronary.value}, {access.value}, {depth:g} mm: no answer")
                taken[f"{shape.value}, {coronary.value}, {access.value}, {depth:g} mm"] = (
                    process_time() - begin
                )
    return taken


def main() -> int:
    taken = full()
    slowest = max(taken, key=lambda name: taken[name])
    middle = sorted(taken.values())[len(taken) // 2]
    over = sum(value > FULL_BAR_s for value in taken.values())
    print(
        f"one guide in full: median {middle:.2f} s of {len(taken)}, slowest {taken[slowest]:.2f} s ({slowest}), "
        f"{over} above the bar of {FULL_BAR_s:g} s"
    )
    table = shipped_guide_table()
    begin = process_time()
    for k in range(READINGS):
        guide_hold(table, *SEATS[0], Access.FEMORAL, size_fr=6.0, root_diameter_mm=28.0 + 0.05 * k)
    each = (process_time() - begin) / READINGS
    print(f"one reading of the table: {1000.0 * each:.2f} ms, bar {1000.0 * TABLE_BAR_s:g} ms")
    return int(over > 0 or each > TABLE_BAR_s)


if __name__ == "__main__":
    sys.exit(main())
