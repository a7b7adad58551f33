"""Make the table of guide holds that plans read: ordinary guides, ways in, roots and extension depths, solved in full.

`python tools/make_guide_table.py [FILE]` writes src/backstay/data/guide_holds.json; half an hour on one core. Nothing is fitted.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from backstay.core.guide.loads import load_on_N, rests_at_loss
from backstay.core.guide.ordinary import SEATS, SECTIONS_MM, ordinary_setup
from backstay.core.guide.pushback import push_back
from backstay.errors import NotConverged
from backstay.identifiers import Access, RestsOn

ROOTS_MM = (27.0, 30.75, 34.5, 38.25, 42.0)
DEPTHS_MM = (0.0, 10.0, 20.0, 40.0, 65.0, 90.0)
FIELDS = ("backup_N", "retreat_mm", "stiffness_N_per_mm", "ostium_N", "aorta_N")


def solved(
    seat: tuple, access: Access, size_fr: float, root_mm: float, depth_mm: float
) -> list[float] | None:
    """Return one entry, None where the guide finds no seat or the march stops early."""
    setup = ordinary_setup(
        *seat, access, size_fr=size_fr, root_diameter_mm=root_mm, extension_depth_mm=depth_mm
    )
    try:
        found = push_back(setup)
    except NotConverged:
        return None
    parts = rests_at_loss(found)
    aorta = sum(load_on_N(parts, where) for where in (RestsOn.OPPOSITE_WALL, RestsOn.NEAR_WALL, RestsOn.ARCH))
    row = [found.backup_N, found.at_mm, found.stiffness_N_per_mm, load_on_N(parts, RestsOn.OSTIUM), aorta]
    return [float(f"{value:.4g}") for value in row]


def main(target: Path) -> None:
    """Solve every entry and write the table."""
    rows = []
    for seat in SEATS:
        for access in Access:
            for size_fr in SECTIONS_MM:
                grid = [[solved(seat, access, size_fr, r, d) for d in DEPTHS_MM] for r in ROOTS_MM]
                rows.append(
                    {
                        "shape": seat[0],
                        "coronary": seat[1],
                        "access": access,
                        "size_fr": size_fr,
                        "values": grid,
                    }
                )
                print(*seat, access, size_fr, *(g[0] and g[0][0] for g in grid), flush=True)
    table = {"schema": 1, "roots_mm": ROOTS_MM, "depths_mm": DEPTHS_MM, "fields": FIELDS, "rows": rows}
    target.write_text(json.dumps(table, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    root = Path(__file__).resolve().parents[1]
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else root / "src" / "backstay" / "data" / "guide_holds.json")
