"""Learning from attempts, checked on simulated ones: calibration of the particles, of chances, of advice, of pooling, and a wrong world.

Sizes, seeds and what counts as passed stand here and were fixed before the studies were run.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom, chi2

from backstay.app.learning.knowing import packed
from backstay.app.learning.tried import options_at
from backstay.app.loading import load_case
from backstay.app.solving import solve_rigs
from backstay.core.inference.attempts import Attempt, AttemptModel, likelihood, simulate
from backstay.core.inference.draws import DEFAULT_DRAWS, sample
from backstay.core.inference.insight import chance_per_draw
from backstay.core.inference.learning import Posterior, before_any, draws_at, let_in
from backstay.core.inference.pooling import IDENTIFIED, LAB_SHARE, PoolCase, pool, pool_particles
from backstay.core.inference.quick import QuickRig, WayIn, way_in
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
FIXED_ORDER = RIGS
"""Common practice, no source: what is easiest first, another guide last."""
SEEDS = tuple(range(71_000, 71_400))
PARTICLES = 512
TRIES = 5
"""Sequential tries of a case, each predicted before it is made; the first four are learnt."""
RANKS, BINS = 99, 20
SIGNIFICANCE = 0.01
BAND = 0.999
LABS, LAB_CASES = 16, 30
POOL_PARTICLES = 8192
STOPPING_MIN = 120.0
TRY_MIN = 2.0
ADVISED = 80
"""Cases on which advice is held against the fixed order."""


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


@dataclass(frozen=True)
class Way:
    """How one policy did on one case."""

    minutes: float
    reached: bool
    tries: int


def climb(
    demo_rigs: Demo,
    make: Callable[[str, int], Attempt],
    chances: Callable[[Posterior], dict[str, float]],
    start: Posterior,
    *,
    policy: str,
    seed: int,
    model: AttemptModel,
) -> Way:
    """Return how a policy does: "fixed" order, "prior" chances alone, or "learn" from every try."""
    left, posterior, minutes = list(FIXED_ORDER), start, 0.0
    prior = chances(start)
    for k in range(len(FIXED_ORDER)):
        now = chances(posterior) if policy == "learn" and k else prior
        if policy == "fixed":
            name = left[0]
        else:
            worth = {n: demo_rigs.options[n].minutes + TRY_MIN + (1.0 - now[n]) * STOPPING_MIN for n in left}
            name = min(left, key=worth.__getitem__)
            if worth[name] >= STOPPING_MIN:
                return Way(minutes + STOPPING_MIN, False, k)
        left.remove(name)
        minutes += demo_rigs.options[name].minutes + TRY_MIN
        attempt = make(name, k)
        if attempt.reached:
            return Way(minutes, True, k + 1)
        if policy == "learn":
            posterior = let_in(
                posterior, attempt, demo_rigs.rigs, rng=np.random.default_rng([seed, k]), model=model
            )
    return Way(minutes + STOPPING_MIN, False, len(FIXED_ORDER))


def advised(
    demo_rigs: Demo, seed: int, *, particles: int = PARTICLES, world: World | None = None
) -> dict[str, Way]:
    """Return how each policy does on one case; the same truth and, rig by rig, the same luck for all."""
    model, world = AttemptModel(), world or World()
    truth = world.truth(np.random.default_rng(seed))

    def make(name: str, k: int) -> Attempt:
        rng = np.random.default_rng([seed, RIGS.index(name)])
        way = world.way(way_in(demo_rigs.rigs[name], draws_at(DEFAULT_DRAWS, truth)), rng)
        return simulate(demo_rigs.rigs[name], way, rng=rng, model=world.model, id=f"{name} {k}", name=name)

    def chances(posterior: Posterior) -> dict[str, float]:
        return {n: float(chance_per_draw(rig, posterior, model).mean()) for n, rig in demo_rigs.rigs.items()}

    start = before_any(DEFAULT_DRAWS, count=particles, seed=seed)
    found = {
        policy: climb(demo_rigs, make, chances, start, policy=policy, seed=seed, model=model)
        for policy in ("fixed", "prior", "learn")
    }
    # An oracle knows how every rig would end and takes the cheapest that reaches.
    ends = {n: make(n, 0).reached for n in RIGS}
    costs = [demo_rigs.options[n].minutes + TRY_MIN for n in RIGS if ends[n]]
    found["oracle"] = Way(min(costs, default=STOPPING_MIN), bool(costs), int(bool(costs)))
    return found


@dataclass(frozen=True)
class World:
    """Nature as it plays: by default the model's own."""

    middle: tuple[tuple[str, float], ...] = ()
    """Inputs whose truth lies about another place than the prior's, in its standard deviations."""
    stick_slip: float = 0.0
    """Spread of a push that sticks afresh at every depth, of its logarithm; it can only add."""
    wall_mm: float = 0.0
    """How far the heart's beat moves the wall along the device: the highest push within that distance counts."""
    model: AttemptModel = field(default_factory=AttemptModel)

    def truth(self, rng: np.random.Generator) -> FloatArray:
        z = rng.standard_normal((1, len(DEFAULT_DRAWS)))
        for name, shift in self.middle:
            z[0, [spec.name for spec in DEFAULT_DRAWS].index(name)] = shift + 0.5 * rng.standard_normal()
        return z

    def way(self, way: WayIn, rng: np.random.Generator) -> WayIn:
        if not self.stick_slip and not self.wall_mm:
            return way
        sticks = np.exp(self.stick_slip * np.abs(rng.standard_normal(way.peaks_N.shape)))
        peaks = np.maximum.accumulate(way.peaks_N * sticks, axis=1)
        ahead = round(self.wall_mm / 1.6)
        if ahead:
            peaks = np.concatenate([peaks[:, ahead:], np.repeat(peaks[:, -1:], ahead, axis=1)], axis=1)
        return replace(way, peaks_N=peaks)


WORLDS = {
    "the model's own": World(),
    "sticks and slips": World(stick_slip=0.25),
    "walls that move 3 mm": World(wall_mm=3.2),
    "a guide that holds half": World(middle=(("guide_hold_N", -1.4),)),
    "rubs more, lesions stiffer": World(middle=(("friction_wall", 1.5), ("lesion_factor", 1.5))),
    "all of these": World(
        middle=(("guide_hold_N", -1.0), ("friction_wall", 1.0), ("lesion_factor", 1.0)),
        stick_slip=0.25,
        wall_mm=3.2,
    ),
}


def pooled_labs(rigs: Rigs, labs: int = LABS, cases: int = LAB_CASES, first_seed: int = 81_000) -> FloatArray:
    """Return (truth - estimate) / error of every lab part (labs, rows), and the part of its prior error that is gone."""
    sets = [pool_particles(DEFAULT_DRAWS, count=POOL_PARTICLES, seed=first_seed + 500 + k) for k in range(8)]
    ways = [{n: way_in(rig, draws_at(DEFAULT_DRAWS, z)) for n, rig in rigs.items()} for z in sets]
    return np.array(
        side_by_side(lambda lab: _one_lab(rigs, sets, ways, cases, first_seed + lab), range(labs))
    )


def _one_lab(
    rigs: Rigs, sets: Sequence[FloatArray], ways: Sequence[dict[str, WayIn]], cases: int, seed: int
) -> FloatArray:
    rng, model, names = np.random.default_rng(seed), AttemptModel(), [s.name for s in DEFAULT_DRAWS]
    lab = {name: np.sqrt(share) * rng.standard_normal() for name, share in LAB_SHARE.items()}
    told, order = [], list(rigs)
    for c in range(cases):
        z = rng.standard_normal((1, len(names)))
        for name, share in LAB_SHARE.items():
            z[0, names.index(name)] = lab[name] + np.sqrt(1.0 - share) * z[0, names.index(name)]
        k, logs = c % len(sets), np.zeros(POOL_PARTICLES)
        for m in range(1 + c % 3):
            name = order[(c + m) % len(order)]
            made = simulate(
                rigs[name], way_in(rigs[name], draws_at(DEFAULT_DRAWS, z)), rng=rng, model=model, name=name
            )
            logs += np.log(likelihood(made, rigs[name], ways[k][name], model))
        told.append(PoolCase(sets[k], logs, "severe"))
    found = pool(told, DEFAULT_DRAWS, seed=1)
    return np.array([[(lab[row.name] - row.middle) / row.error, row.shrunk] for row in found.rows])


def study(root: Path) -> list[str]:
    """Do the studies and return the section."""
    shown = demo(root)
    return [*_calibration(shown), *_advice(shown), *_pooling(shown)]


def _calibration(shown: Demo) -> list[str]:
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


def _advice(shown: Demo) -> list[str]:
    lines = [
        f"**Advice** on {ADVISED} simulated cases for each world. A fixed order ({', '.join(FIXED_ORDER)}; common practice, no source) "
        "against the move of least cost now by the chances before any try, and by the chances after each try. Minutes with standard "
        f"errors; failing in the end counts {STOPPING_MIN:.0f}. The oracle knows how every rig would end. The worlds are played by the "
        "model's own shapes with what each names added; an independent exact rod was not played: one rig takes it minutes.",
        "",
        "| world | fixed | without learning | learning | oracle | learning saves | reached: fixed, learning | tries |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, world in WORLDS.items():
        seeds = [91_000 + k for k in range(ADVISED)]
        found = side_by_side(lambda seed, w=world: advised(shown, seed, world=w), seeds)  # type: ignore[misc]
        minutes = {
            p: np.array([one[p].minutes for one in found]) for p in ("fixed", "prior", "learn", "oracle")
        }  # type: ignore[index]
        saved = minutes["fixed"] - minutes["learn"]
        error = float(saved.std(ddof=1) / np.sqrt(len(saved)))
        share = {p: float(np.mean([one[p].reached for one in found])) for p in ("fixed", "learn")}  # type: ignore[index]
        tries = {p: float(np.mean([one[p].tries for one in found])) for p in ("fixed", "learn")}  # type: ignore[index]
        cells = [f"{m.mean():.1f} +- {m.std(ddof=1) / np.sqrt(len(m)):.1f}" for m in minutes.values()]
        lines.append(
            f"| {name} | {' | '.join(cells)} | {saved.mean():.1f} +- {error:.1f} | {share['fixed']:.2f}, {share['learn']:.2f} | "
            f"{tries['fixed']:.2f}, {tries['learn']:.2f} |"
        )
    return [*lines, ""]


def _pooling(shown: Demo) -> list[str]:
    found = pooled_labs(shown.rigs)
    names = list(LAB_SHARE)
    inside = np.abs(found[:, :, 0]) < 1.2816
    rows = [
        f"| {name} | {np.mean(inside[:, k]):.2f} | {found[:, k, 0].std():.2f} | {found[:, k, 1].mean():.2f} |"
        for k, name in enumerate(names)
    ]
    few = pooled_labs(shown.rigs, labs=4, cases=2, first_seed=82_000)
    return [
        f"**Pooling**: {LABS} labs whose own parts were drawn from the prior, {LAB_CASES} cases each with one to three attempts "
        f"(seeds from 81000). Share of known values inside the nominal 80 % interval: {inside.mean():.2f} of {inside.size}. "
        f"With 2 cases a lab the prior's error shrinks by {few[:, :, 1].mean():.2f} on average, "
        f"at most {few[:, :, 1].max():.2f}: below {IDENTIFIED} nothing is "
        "claimed.",
        "",
        "| input | inside the 80 % interval | spread of error over stated error | error gone |",
        "|---|---|---|---|",
        *rows,
        "",
    ]
