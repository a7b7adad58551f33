"""The way back out over invented paths: interpolated draws against brute force, way back against way in, and published counts."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.chance import crossing_load_N, outcome, push_that_arrives_N
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.surface import Curves, curves_for_draws, design, factors_at, scores_of
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.crossing import BACK
from backstay.core.mechanics.delivery import transfer
from backstay.core.rigging.rig import Rig
from backstay.core.withdrawal.draws import with_way_back
from backstay.core.withdrawal.guide_in import DEEP_MM, drawn_in_mm
from backstay.core.withdrawal.pull import CATCHES_N, Pull, mouth_mm, pull_back, tips_back
from backstay.core.withdrawal.sweep import transfer_back
from backstay.core.withdrawal.things import rear_edge_mm
from backstay.identifiers import Calcium
from evidence import trends
from evidence.solved import curves_of, factors_of, p50

FloatArray = NDArray[np.float64]

PATHS = 24
BRUTE_PATHS = 4
DRAWS, BRUTE_DRAWS = 256, 48
SEED, PATH_SEED = 13, 29
DEPTHS = 14
SHARES = np.array([0.0, 0.2, 0.5, 1.0])
FINER = np.array([0.0, 0.1, 0.2, 0.35, 0.5, 0.75, 1.0])
MEDIAN_BAR, DRAW_BAR, DRAW_BAR_N = 0.02, 0.10, 0.02
"""Fixed before the first run: the median highest pull within 2 %; single draws, nine in ten, within 10 % or 0.02 N."""
EXTENSION_MM = 24.0


@dataclass(frozen=True)
class Back:
    """One rig on one path."""

    path: int
    rig: str
    push_N: float
    pull_N: float
    deep: float
    rim: float
    ledge: float
    stripped: float
    brute_pull_N: float = float("nan")
    draw_error: float = float("nan")

    @property
    def median_error(self) -> float:
        """Return the relative error of the median."""
        return self.pull_N / self.brute_pull_N - 1.0


def problem(number: int, extended: bool) -> tuple[Passage, FloatArray, float]:
    """Return a passage, the places of the tip on the way back, and the rear edge."""
    path = trends.invented_path(np.random.default_rng([PATH_SEED, number]))
    rig: Rig = trends.base_rig()
    rig = rig.with_extension(trends.EXTENSION, EXTENSION_MM) if extended else rig
    stent = trends.device()
    lesion = Lesion(*trends.LESION_MM, Calcium.MODERATE)
    landing = stent.landing_tip_mm(trends.LANDING_MM)
    passage = Passage(path, (lesion,), rig, stent, landing + 40.0)
    rear = rear_edge_mm(stent)
    assert rear is not None
    return passage, tips_back(to_mm=landing, rear_mm=rear, edges_mm=(mouth_mm(passage),), count=DEPTHS), rear


def interpolated(passage: Passage, tips: FloatArray, rear: float, draws: DrawSet, top: FloatArray) -> Pull:
    """Return every draw's pull from the design."""
    levels = top[:, None] * SHARES
    solves = [
        transfer_back(passage, factors_at(draws.specs, z), tips_mm=tips, levels_N=levels, rear_mm=rear)
        for z in design()
    ]
    curves: Curves = curves_for_draws(
        solves, draws.specs, design(), at=scores_of(draws.specs, draws), search_to_N=levels[:, -1]
    )
    return pull_back(passage, draws, curves, rear_mm=rear)


def brute(passage: Passage, tips: FloatArray, rear: float, draws: DrawSet, top: FloatArray) -> Pull:
    """Return every draw's pull from its own solve at finer loads."""
    levels = top[:, None] * FINER

    def one(i: int):
        return transfer_back(
            passage, factors_of(draws, i), tips_mm=tips, levels_N=levels, rear_mm=rear, with_slopes=False
        )

    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        solves = list(pool.map(one, range(draws.count)))
    return pull_back(passage, draws, curves_of(solves), rear_mm=rear)


def way_in(passage: Passage, draws: DrawSet, landing: float) -> tuple[FloatArray, FloatArray]:
    """Return how far each draw gets and the highest push on the way there."""
    tips = np.linspace(4.0, landing, DEPTHS)
    crossing = crossing_load_N(passage, draws, tips)
    levels = np.clip(1.3 * np.quantile(crossing, 0.98, axis=0), 0.4, 4.0)[:, None] * np.array(
        [0.0, 0.15, 0.4, 0.7, 1.0]
    )
    solves = [
        transfer(
            passage, factors_at(draws.specs, z), tips_mm=tips, levels_N=levels, search_to_N=levels[:, -1]
        )
        for z in design()
    ]
    curves = curves_for_draws(
        solves, draws.specs, design(), at=scores_of(draws.specs, draws), search_to_N=levels[:, -1]
    )
    path = passage.path
    hold = backup_N(
        passage.rig, draws, path_length_mm=path.length_mm, device_tip_mm=landing,
        bend_beyond_rad=path.bend_rad(landing, path.length_mm),
    )  # fmt: skip
    result = outcome(passage, draws, curves, backup_N=hold, crossing_N=crossing, passes=True)
    last = np.maximum(result.stopped - 1, 0)
    reach = np.where(result.stopped > 0, tips[last], 0.0)
    got = np.arange(len(tips))[None, :] < result.stopped[:, None]
    return reach, np.where(got & np.isfinite(result.need_N), result.need_N, 0.0).max(axis=1)


def one_rig(number: int, extended: bool) -> Back:
    """Return one rig on one path; the first paths against brute force too."""
    passage, tips, rear = problem(number, extended)
    draws = with_way_back(sample(DEFAULT_DRAWS, count=DRAWS, seed=SEED), seed=SEED)
    top = np.clip(
        1.3 * np.quantile(crossing_load_N(passage, draws, tips, going=BACK), 0.98, axis=0), 0.4, 4.0
    )
    pull = interpolated(passage, tips, rear, draws, top)
    reach, push = way_in(passage, draws, float(tips[-1]))
    rim, ledge = (pull.highest_edge_N(reach, mouth=mouth) for mouth in (True, False))
    arrives, _ = push_that_arrives_N(passage, draws)
    grip = draws["stent_grip_N_per_mm"] * passage.device.working_mm
    found = Back(
        number,
        "extension" if extended else "guide alone",
        p50(push),
        p50(pull.highest_N(reach)),
        float(np.mean(drawn_in_mm(passage.rig, draws, wall_N=pull.highest_wall_N(reach)) > DEEP_MM)),
        float(np.mean(rim >= CATCHES_N)),
        float(np.mean(ledge >= CATCHES_N)),
        float(np.mean(np.minimum(np.maximum(rim, ledge), arrives) > grip)),
    )
    if number >= BRUTE_PATHS:
        return found
    few = with_way_back(sample(DEFAULT_DRAWS, count=BRUTE_DRAWS, seed=SEED), seed=SEED)
    everywhere = np.full(BRUTE_DRAWS, tips[-1])
    quick = interpolated(passage, tips, rear, few, top).highest_N(everywhere)
    exact = brute(passage, tips, rear, few, top).highest_N(everywhere)
    both = np.isfinite(quick) & np.isfinite(exact)
    over = np.abs(quick - exact)[both] - DRAW_BAR_N
    relative = np.where(over <= 0.0, 0.0, np.abs(quick - exact)[both] / exact[both])
    return Back(
        **{
            **found.__dict__,
            "pull_N": p50(quick),
            "brute_pull_N": p50(exact),
            "draw_error": float(np.quantile(relative, 0.9)),
        }
    )


def study(root: Path) -> list[str]:
    """Run the study and return its section."""
    rows = [one_rig(number, extended) for number in range(PATHS) for extended in (False, True)]
    return section(rows)


def section(rows: list[Back]) -> list[str]:
    """Return the tables and what they mean."""
    tried = [r for r in rows if np.isfinite(r.brute_pull_N)]
    good = [r for r in tried if abs(r.median_error) <= MEDIAN_BAR and r.draw_error <= DRAW_BAR]
    lines = [
        f"{PATHS} invented paths (seed {PATH_SEED}, as in Trends), a stent of 20 mm drawn back undeployed from where each of {DRAWS} draws "
        f"(seed {SEED}) stops, with a 6 Fr guide alone and with an extension to {EXTENSION_MM:.0f} mm.",
        "",
        f"**Interpolated draws against brute force** ({BRUTE_DRAWS} draws, each solved for itself at finer loads, from the landing place). "
        f"Bars: median within {MEDIAN_BAR:.0%}, nine draws in ten within {DRAW_BAR:.0%} or {DRAW_BAR_N} N. "
        f"{'pass' if len(good) == len(tried) else '**miss**'}: {len(good)} of {len(tried)} within both.",
        "",
        "| path | rig | median highest pull [N] | brute force [N] | error | nine in ten within |",
        "|---|---|---|---|---|---|",
        *(
            f"| {r.path} | {r.rig} | {r.pull_N:.3f} | {r.brute_pull_N:.3f} | {r.median_error:+.1%} | {r.draw_error:.1%} |"
            for r in tried
        ),
        "",
        "**What it says of these paths** (medians over the paths, range in brackets; no bar):",
        "",
        "| rig | pull over push | way back worse | guide drawn in deep | edge catches at the rim | on the lesion | stent stripped |",
        "|---|---|---|---|---|---|---|",
    ]
    for rig in ("guide alone", "extension"):
        mine = [r for r in rows if r.rig == rig]
        ratio = [r.pull_N / r.push_N for r in mine if r.push_N > 0.0]
        worse = sum(x > 1.0 for x in ratio)
        cells = [_spread([getattr(r, name) for r in mine]) for name in ("deep", "rim", "ledge", "stripped")]
        low, middle, high = np.quantile(ratio, [0.0, 0.5, 1.0])
        lines.append(
            f"| {rig} | {middle:.2f} ({low:.2f} to {high:.2f}) | {worse} of {len(mine)} | {' | '.join(cells)} |"
        )
    rim = np.mean([r.rim for r in rows if r.rig == "extension"])
    stripped = np.mean([r.stripped for r in rows])
    lines += [
        "",
        "Beside published counts, which are of patients and not of these paths, and to which nothing was fitted: a stent deformed at an "
        f"extension's mouth or collar in 2.2 % [@waterbury2016], predicted to catch there in {rim:.1%} of draws; stents lost in 0.3 to "
        f"1.3 % [@stentloss2023], predicted to come off if pulled on in {stripped:.2%}. The slopes behind both are judgements.",
        "",
        "In tension the solver stands within 1 % or 0.005 N of the independent rod in all 16 cases drawn back (tests/cross).",
        "",
    ]
    return lines


def _spread(values: list[float]) -> str:
    low, middle, high = np.quantile(values, [0.0, 0.5, 1.0])
    return f"{middle:.1%} ({low:.1%} to {high:.1%})"
