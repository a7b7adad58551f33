"""Interpolated draws against brute force: the same draws, each with its own transfer curves solved at finer load levels."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.path_file import load_path
from backstay.app.loading import LoadedCase, load_case
from backstay.app.solving import (
    answer,
    landing_tip_mm,
    levels_for,
    passage_for,
    solve_all,
    solver_key,
    tips_for,
)
from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.chance import crossing_load_N, outcome
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample, with_overrides
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.delivery import transfer
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.moves import Alternative
from backstay.identifiers import Calcium
from evidence.solved import curves_of, factors_of, p50

FloatArray = NDArray[np.float64]

DRAWS = 512
"""The median of few draws goes by steps of its own: by 1.6 % from one of 128 to the next, nearly the bar on the need."""
MEASURED_RIGS = 4
"""Rigs compared on each measured path; every one on the demo."""
SEED = 7
DEPTHS = 12
"""Depths solved in both ways (the plan's own 40 thinned): the fit is made depth by depth."""
FINER = 2
"""Every load interval of the plan is divided by this."""
CHANCE_BAR = 0.02
NEED_BAR = 0.02
LESION_RADIUS_MM = 0.60
LESION_SD_MM = 0.06
"""On the measured paths: lumen radius of the invented lesion and its error."""


@dataclass(frozen=True)
class Row:
    """One rig on one path: chance and median need, interpolated and by brute force."""

    path: str
    rig: str
    chance: float
    chance_brute: float
    need_p50_N: float
    need_p50_brute_N: float
    unloaded_failures: int
    """(draw, depth) pairs in which brute force could hold no load at all."""

    @property
    def chance_error(self) -> float:
        """Return interpolated minus brute force."""
        return self.chance - self.chance_brute

    @property
    def need_error(self) -> float:
        """Return the relative error of the median need; 0 where both are infinite, infinite where one is."""
        if np.isinf(self.need_p50_N) and np.isinf(self.need_p50_brute_N):
            return 0.0
        return self.need_p50_N / self.need_p50_brute_N - 1.0

    @property
    def passes(self) -> bool:
        """Return whether both errors are within their bars."""
        return abs(self.chance_error) <= CHANCE_BAR + 1e-9 and abs(self.need_error) <= NEED_BAR


def finer(levels_N: FloatArray) -> FloatArray:
    """Return the load levels with every interval divided."""
    count = levels_N.shape[-1]
    at = np.arange((count - 1) * FINER + 1) / FINER
    return np.stack([np.interp(at, np.arange(count), row) for row in np.atleast_2d(levels_N)])


def brute_force(
    passage: Passage,
    draws: DrawSet,
    *,
    tips_mm: FloatArray,
    levels_N: FloatArray,
    backup_N: FloatArray,
    passes: bool,
) -> tuple[float, FloatArray, int]:
    """Return chance, highest need of every draw, and how many (draw, depth) pairs held no load, each solved for itself."""
    levels = finer(levels_N)

    def one(i: int):
        return transfer(
            passage,
            factors_of(draws, i),
            tips_mm=tips_mm,
            levels_N=levels,
            search_to_N=levels[:, -1],
            with_slopes=False,
        )

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        transfers = list(pool.map(one, range(draws.count)))
    crossing = crossing_load_N(passage, draws, tips_mm)
    result = outcome(
        passage, draws, curves_of(transfers), backup_N=backup_N, crossing_N=crossing, passes=passes
    )
    failures = sum(int((t.prolapse_N <= 0.02).sum()) for t in transfers)
    return result.chance, result.highest_need_N, failures


def distinct_options(case: LoadedCase, most: int | None = None) -> list[Alternative]:
    """Return the rigs that differ to the solver, the one in place first."""
    options = alternatives(
        case.rig,
        case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
    )
    seen: dict[tuple[object, ...], Alternative] = {}
    for option in options:
        passage = passage_for(case.path, option.lesions, option, landing_tip_mm(case, option))
        seen.setdefault(solver_key(passage), option)
    return list(seen.values())[:most]


def compare(
    case: LoadedCase, name: str, options: Sequence[Alternative], *, count: int, depths: int = DEPTHS
) -> list[Row]:
    """Return a row per rig: the plan's own way against brute force, over the same draws."""
    draws = sample(with_overrides(DEFAULT_DRAWS, case.draw_overrides), count=count, seed=SEED)
    rows = []
    for option in options:
        landing = landing_tip_mm(case, option)
        passage = passage_for(case.path, option.lesions, option, landing)
        key = solver_key(passage)
        tips = tips_for(passage, landing, depths)
        levels = levels_for(crossing_load_N(passage, draws, tips))
        solved = solve_all({key: passage}, draws.specs, tips={key: tips}, levels={key: levels}, progress=None)
        fast = answer(
            option, passage, solved[key], draws, whole_path=case.path, landing_tip_mm=landing, passes=True
        )
        chance, need, failures = brute_force(
            passage, draws, tips_mm=tips, levels_N=levels, backup_N=fast.backup_N, passes=True
        )
        rows.append(
            Row(
                name,
                option.id,
                fast.outcome.chance,
                chance,
                p50(fast.outcome.highest_need_N),
                p50(need),
                failures,
            )
        )
    return rows


def on_measured_path(demo: LoadedCase, file: Path) -> LoadedCase:
    """Return the demo's rig and device on a measured path, with an invented lesion in its middle.

    The measured phantom has no lesion: the lumen is narrowed over 22 mm so far that some draws rub and some do not.
    """
    smoothed = load_path(file)
    path = smoothed.path
    middle = 0.5 * path.length_mm
    start, end = middle - 11.0, middle + 11.0
    s = path.s_mm
    share = np.clip(np.minimum(s - start, end - s) / 6.0, 0.0, 1.0)
    narrowed = np.minimum(path.radius_mm, path.radius_mm + share * (LESION_RADIUS_MM - path.radius_mm))
    path = replace(path, radius_mm=narrowed, radius_sd_mm=np.full(s.shape, LESION_SD_MM))
    length = demo.target_to_mm - demo.target_from_mm
    to_mm = min(middle + 0.5 * length, path.length_mm - 8.0)
    return replace(
        demo,
        title=f"invented lesion on {file.stem}",
        smoothed=smoothed,
        path=path,
        lesions=(Lesion(start, end, Calcium.SEVERE, demo.lesions[0].prepared, False),),
        branches=(),
        target_from_mm=to_mm - length,
        target_to_mm=to_mm,
    )


def cases(root: Path) -> list[tuple[str, LoadedCase]]:
    """Return the demo and, where the folder of measured paths stands beside the repository, those."""
    demo = load_case(root / "examples" / "demo" / "case.toml")
    found: list[tuple[str, LoadedCase]] = [("demo", demo)]
    for file in sorted((root.parent / "shared" / "data" / "paths").glob("*.csv")):
        found.append((file.stem, on_measured_path(demo, file)))
    return found


def run(root: Path) -> list[Row]:
    """Compare the rigs that differ to the solver on every path."""
    rows: list[Row] = []
    for name, case in cases(root):
        options = distinct_options(case)
        if name != "demo":  # spread over the kinds of change, in the order they are offered
            options = options[:: max(len(options) // MEASURED_RIGS, 1)][:MEASURED_RIGS]
        rows += compare(case, name, options, count=DRAWS)
    return rows
