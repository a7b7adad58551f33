"""Make the table of guide holds that plans read: ordinary guides, ways in, roots and extension depths, solved in full.

`python tools/make_guide_table.py [FILE] [JOBS]` writes src/backstay/data/guide_holds.json; an hour on one core.
Nothing is fitted: `rows` are answers of the full model, `spreads` what becomes of them over what nobody knows,
`held_out` answers at other places, to judge the table by.
"""

from __future__ import annotations

import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from backstay.core.guide.loads import load_on_N, rests_at_loss
from backstay.core.guide.ordinary import SEATS, SECTIONS_MM, ordinary_setup
from backstay.core.guide.pushback import push_back, pushed
from backstay.core.guide.seating import Seated, Setup, seat, telescoped
from backstay.core.guide.surrogate import FIELDS, LEAST_N
from backstay.errors import NotConverged
from backstay.identifiers import Access, Coronary, GuideShape, RestsOn

ROOTS_MM = tuple(27.0 + 1.25 * k for k in range(13))
DEPTHS_MM = (0.0, 10.0, 20.0, 30.0, 40.0, 60.0, 90.0)
DRAWS = 16
HELD_OUT = 200
SEED = 20
Seat = tuple[GuideShape, Coronary, Access]


def solved(setup: Setup, begun: Seated | None = None) -> list[float] | None:
    """Return one entry, None where the guide finds no seat or the push is not followed past its highest."""
    try:
        found = push_back(setup) if begun is None else pushed(setup, telescoped(setup, begun))
    except NotConverged:
        return None
    if not found.complete and found.push_N[-1] > 0.95 * found.backup_N:
        return None
    parts = rests_at_loss(found)
    aorta = sum(load_on_N(parts, where) for where in (RestsOn.OPPOSITE_WALL, RestsOn.NEAR_WALL, RestsOn.ARCH))
    row = [found.backup_N, found.at_mm, found.stiffness_N_per_mm, load_on_N(parts, RestsOn.OSTIUM), aorta]
    return [float(f"{value:.4g}") for value in row]


def at_root(where: Seat, size_fr: float, root_mm: float) -> list[list[float] | None]:
    """Return the entries of one guide in one root, over the depths of its extension."""
    shape, coronary, access = where

    def setup(depth_mm: float) -> Setup:
        return ordinary_setup(
            shape, coronary, access, size_fr=size_fr, root_diameter_mm=root_mm, extension_depth_mm=depth_mm
        )

    try:
        begun = seat(setup(0.0))
    except NotConverged:
        return [None] * len(DEPTHS_MM)
    return [solved(setup(depth), begun) for depth in DEPTHS_MM]


def of_seat(where: Seat) -> tuple[list[dict[str, object]], dict[str, object]]:
    """Return every entry of one shape, artery and way in, and its spread."""
    shape, coronary, access = where
    rows = []
    for size_fr in SECTIONS_MM:
        values = [at_root(where, size_fr, root) for root in ROOTS_MM]
        rows.append(
            {"shape": shape, "coronary": coronary, "access": access, "size_fr": size_fr, "values": values}
        )
        print(*where, size_fr, *(g[0] and g[0][0] for g in values), flush=True)
    return rows, spread(where)


def varied(setup: Setup, u: np.ndarray) -> Setup:
    """Return a setup with everything nobody knows drawn: material, friction, wall, seat, push, size, anatomy; judgement, no source."""
    z = ndtri(np.clip(u, 1e-6, 1.0 - 1e-6))
    aorta = setup.aorta
    return replace(
        setup,
        wall=replace(setup.wall, modulus_MPa=setup.wall.modulus_MPa * float(np.exp(0.35 * z[0]))),
        friction=setup.friction * float(np.exp(0.45 * z[1])),
        wall_MPa=setup.wall_MPa * float(np.exp(0.7 * z[2])),
        seat_mm=float(2.5 + 3.5 * u[3]),
        snug_share=setup.snug_share * float(np.exp(0.5 * z[4])),
        size_mm=float(setup.size_mm + 5.0 * (u[5] - 0.5)),
        aorta=replace(
            aorta,
            take_off_deg=float(np.clip(12.0 * z[6], -40.0, 40.0)),
            ostium_height_mm=aorta.ostium_height_mm * float(0.85 + 0.3 * u[7]),
            ascending_length_mm=aorta.ascending_length_mm * float(0.8 + 0.4 * u[8]),
            arch_radius_mm=aorta.arch_radius_mm * float(0.85 + 0.3 * u[9]),
            arch_type=int(1 + min(int(3.0 * u[10]), 2)),
        ),
    )


def spread(where: Seat) -> dict[str, object]:
    """Return the spread of the hold's logarithm of one 6 Fr guide over what nobody knows."""
    shape, coronary, access = where
    points = qmc.Sobol(11, rng=np.random.default_rng(SEED)).random(DRAWS)
    middle = ordinary_setup(shape, coronary, access, size_fr=6.0, root_diameter_mm=34.5)
    found = [solved(varied(middle, u)) for u in points]
    logs = [float(np.log(max(row[0], LEAST_N))) for row in found if row is not None]
    result = {
        "shape": shape,
        "coronary": coronary,
        "access": access,
        "log_sd": float(f"{np.std(logs, ddof=1):.3g}"),
        "median_N": float(f"{np.exp(np.median(logs)):.3g}"),
        "seated": len(logs),
        "drawn": DRAWS,
    }
    print(*result.values(), flush=True)
    return result


def held_out(count: int) -> list[dict[str, object]]:
    """Return the full model's hold at random places inside the table."""
    rng = np.random.default_rng(SEED + 1)
    rows: list[dict[str, object]] = []
    while len(rows) < count:
        shape, coronary = SEATS[int(rng.integers(len(SEATS)))]
        access = list(Access)[int(rng.integers(3))]
        size_fr = list(SECTIONS_MM)[int(rng.integers(4))]
        root = float(np.round(rng.uniform(ROOTS_MM[0], ROOTS_MM[-1]), 1))
        depth = 0.0 if rng.random() < 0.4 else float(np.round(rng.uniform(10.0, 90.0), 1))
        row = solved(
            ordinary_setup(
                shape, coronary, access, size_fr=size_fr, root_diameter_mm=root, extension_depth_mm=depth
            )
        )
        rows.append(
            {
                "shape": shape,
                "coronary": coronary,
                "access": access,
                "size_fr": size_fr,
                "root_mm": root,
                "depth_mm": depth,
                "backup_N": None if row is None else row[0],
            }
        )
    return rows


def main(target: Path, jobs: int) -> None:
    """Solve everything and write the table."""
    seats = [(shape, coronary, access) for shape, coronary in SEATS for access in Access]
    with ProcessPoolExecutor(jobs) as pool:
        solved_seats = list(pool.map(of_seat, seats))
    table = {
        "schema": 1,
        "roots_mm": ROOTS_MM,
        "depths_mm": DEPTHS_MM,
        "sizes_fr": list(SECTIONS_MM),
        "fields": FIELDS,
        "rows": [row for rows, _ in solved_seats for row in rows],
        "spreads": [spread for _, spread in solved_seats],
        "held_out": held_out(HELD_OUT),
    }
    target.write_text(json.dumps(table, separators=(",", ":")) + "\n")


if __name__ == "__main__":
    root_folder = Path(__file__).resolve().parents[1]
    default = root_folder / "src" / "backstay" / "data" / "guide_holds.json"
    main(
        Path(sys.argv[1]) if len(sys.argv) > 1 else default,
        int(sys.argv[2]) if len(sys.argv) > 2 else 1,
    )
