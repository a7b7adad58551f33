"""Processor time of the skin map and of the hazards, against their bars: 300 events in 0.5 s, 200 entries in 20 ms."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from pathlib import Path
from time import process_time

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "src"), str(ROOT)]

from evidence.nuisance import read_cases  # noqa: E402

from backstay.core.record.entries import Entry  # noqa: E402
from backstay.core.safety.attention import along, judged  # noqa: E402
from backstay.core.safety.now import now_after  # noqa: E402
from backstay.core.safety.protocol import SkinFactors  # noqa: E402
from backstay.core.safety.skin import Beam, Body, skin_map  # noqa: E402

SKIN_BAR_s, HAZARD_BAR_s = 0.5, 0.020
EVENTS, ENTRIES, RUNS = 300, 200, 9


def beams() -> list[Beam]:
    """Return events that all differ, so that none can be taken together."""
    rng = np.random.default_rng(1)
    return [
        Beam(
            air_kerma_mGy=rng.uniform(1, 30),
            primary_deg=rng.uniform(-60, 60),
            secondary_deg=rng.uniform(-35, 35),
            source_isocentre_mm=750.0,
            source_detector_mm=1000.0,
            field_mm=(150.0, 150.0),
        )
        for _ in range(EVENTS)
    ]


def main() -> int:
    many, taken = beams(), []
    for _ in range(RUNS):
        begin = process_time()
        skin_map(many, Body(), SkinFactors())
        taken.append(process_time() - begin)
    skin_s = max(taken)
    cases = read_cases(ROOT)
    entries: list[Entry] = [entry for case in cases for entry in case.entries][:ENTRIES]
    setting = cases[0].setting
    walks, single = [], []
    for _ in range(RUNS):
        begin = process_time()
        along(entries, setting)
        walks.append(process_time() - begin)
        begin = process_time()
        judged(now_after(entries[:-1], setting.kinds), entries[-1], setting)
        single.append(process_time() - begin)
    walk_s, single_s = sorted(walks)[RUNS // 2], max(single)
    print(
        f"skin map, {EVENTS} events on 5 mm patches: {skin_s:.3f} s, slowest of {RUNS} (bar {SKIN_BAR_s} s)"
    )
    print(
        f"hazards after a record of {len(entries)}, read from its start: {1e3 * single_s:.1f} ms, slowest of {RUNS}; "
        f"at every one of its steps: {1e3 * walk_s:.1f} ms, median of {RUNS}, slowest {1e3 * max(walks):.1f} (bar 20 ms)"
    )
    return int(skin_s > SKIN_BAR_s or walk_s > HAZARD_BAR_s)


if __name__ == "__main__":
    sys.exit(main())
