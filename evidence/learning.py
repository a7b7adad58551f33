"""Learning from attempts, checked on simulated ones: calibration of the particles and of the chances.

Sizes, seeds and what counts as passed stand here and were fixed before the studies were run.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, chi2

from backstay.app.learning.knowing import packed
from backstay.app.learning.tried import options_at
from backstay.app.loading import load_case
from backstay.app.solving import solve_rigs
from backstay.core.inference.attempts import AttemptModel, simulate
from backstay.core.inference.draws import DEFAULT_DRAWS, sample
from backstay.core.inference.insight import chance_per_draw
from backstay.core.inference.learning import before_any, draws_at, let_in
from backstay.core.inference.quick import QuickRig, way_in
from backstay.core.rigging.moves import Alternative
from backstay.identifiers import Pushed

FloatArray = NDArray[np.float64]
Rigs = dict[str, QuickRig]

RIGS = (
    "as_it_is",
    "buddy_wire-workhorse",
    "seat_5mm",
    "extension_10mm",
    "extension_28mm",
    "guide_guide-6-al",
)
SEEDS = tuple(range(71_000, 71_400))
PARTICLES = 512
TRIES = 5
"""Sequential tries of a case, each predicted before it is made; the first four are learnt."""
RANKS, BINS = 99, 20
SIGNIFICANCE = 0.01
BAND = 0.999


@dataclass(frozen=True)
class Demo:
    """Solved rigs of the demo."""

    rigs: Rigs
    options: dict[str, Alternative]


def demo(root: Path, names: Sequence[str] = RIGS) -> Demo:
    """Return rigs of the demo, solved and packed."""
    case = load_case(root / "examples" / "demo" / "case.toml")
    draws = sample(DEFAULT_DRAWS, count=1024, seed=1)
    options = {one.id: one for one in options_at(case) if one.id in names}
    solved = solve_rigs(case, list(options.values()), draws)
    return Demo({rig.alternative.id: packed(rig, draws) for rig in solved}, options)


def side_by_side(work: Callable[[int], object], items: Sequence[int]) -> list[object]:
    """Return the work done on every item, on the machine's cores, in order."""
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as workers:
        return list(workers.map(work, items))


@dataclass(frozen=True)
class Followed:
    """One simulated case: ranks of the truth, predicted chances and what happened."""

    ranks: NDArray[np.int64]
    chances: FloatArray
    reached: NDArray[np.bool_]


def follow(rigs: Rigs, seed: int, *, particles: int = PARTICLES, tries: int = TRIES) -> Followed:
    """Return a case whose truth is drawn from the prior: every try predicted, made, and all but the last learnt."""
    rng, model = np.random.default_rng(seed), AttemptModel()
    truth = rng.standard_normal((1, len(DEFAULT_DRAWS)))
    names = list(rigs)
    posterior = before_any(DEFAULT_DRAWS, count=particles, seed=seed)
    chances, reached = [], []
    for k in range(tries):
        name = names[int(rng.integers(len(names)))]
        push = list(Pushed)[int(rng.choice(3, p=[0.1, 0.4, 0.5]))]
        odd = model.floor * 0.5
        chances.append(
            odd + (1.0 - model.floor) * float(chance_per_draw(rigs[name], posterior, model, push).mean())
        )
        way = way_in(rigs[name], draws_at(DEFAULT_DRAWS, truth))
        attempt = simulate(rigs[name], way, rng=rng, model=model, push=push, id=str(k), name=name)
        reached.append(attempt.reached)
        if k < tries - 1:
            posterior = let_in(posterior, attempt, rigs, rng=np.random.default_rng([seed, k]), model=model)
    rows = np.linspace(0, particles - 1, RANKS).astype(int)
    mixed = np.random.default_rng([seed, tries]).permutation(posterior.scores)[rows]
    return Followed((mixed < truth).sum(axis=0), np.array(chances), np.array(reached))


def rank_p_values(ranks: NDArray[np.int64], bins: int = BINS) -> FloatArray:
    """Return each input's p-value that the truth's ranks are even, by chi-square over bins; ranks (cases, inputs)."""
    expected = len(ranks) / bins
    out = []
    for column in ranks.T:
        counts = np.bincount(column * bins // (RANKS + 1), minlength=bins)
        out.append(float(chi2.sf(np.sum((counts - expected) ** 2 / expected), bins - 1)))
    return np.array(out)


def holm(p_values: FloatArray) -> float:
    """Return the least p-value corrected for the number of tests (Holm's first step)."""
    return float(min(1.0, p_values.min() * len(p_values)))


def reliability(chances: FloatArray, reached: NDArray[np.bool_]) -> list[tuple[float, float, int, bool]]:
    """Return for ten bins: mean chance, share that reached, number, and whether it lies within the binomial band of its mean."""
    rows = []
    for low in np.arange(10) / 10.0:
        inside = (chances >= low) & (chances < low + 0.1 if low < 0.9 else chances <= 1.0)
        count = int(inside.sum())
        if count == 0:
            continue
        mean, share = float(chances[inside].mean()), float(reached[inside].mean())
        lower, upper = binom.interval(BAND, count, mean)
        rows.append((mean, share, count, bool(lower <= round(share * count) <= upper)))
    return rows


def study(root: Path) -> list[str]:
    """Do the study and return the section."""
    shown = demo(root)
    cases = side_by_side(lambda seed: follow(shown.rigs, seed), SEEDS)
    ranks = np.array([case.ranks for case in cases])  # type: ignore[attr-defined]
    p_values = rank_p_values(ranks)
    least = DEFAULT_DRAWS[int(p_values.argmin())].name
    chances = np.concatenate([case.chances for case in cases])  # type: ignore[attr-defined]
    reached = np.concatenate([case.reached for case in cases])  # type: ignore[attr-defined]
    rows = reliability(chances, reached)
    passed = "passed" if holm(p_values) > SIGNIFICANCE else "FAILED"
    return [
        f"**Simulation-based calibration** [@talts2018]: {len(cases)} cases (seeds {SEEDS[0]} to {SEEDS[-1]}), {TRIES - 1} attempts "
        f"each with rigs of the demo chosen at random, {PARTICLES} particles. Ranks of the truth among {RANKS} particles "
        f"in {BINS} bins, chi-square: least p-value {p_values.min():.4f} ({least}), "
        f"corrected for {len(p_values)} inputs {holm(p_values):.3f}: {passed} (bar: above "
        f"{SIGNIFICANCE}).",
        "",
        f"**Chances** of {len(chances)} simulated attempts, each predicted before it was made from the ones before, "
        f"against what happened; the band is the binomial {100 * BAND:g} % band. "
        f"{sum(ok for *_, ok in rows)} of {len(rows)} bins lie inside.",
        "",
        "| predicted | reached | attempts | within the band |",
        "|---|---|---|---|",
        *(f"| {p:.3f} | {share:.3f} | {count} | {'yes' if ok else 'NO'} |" for p, share, count, ok in rows),
        "",
    ]
