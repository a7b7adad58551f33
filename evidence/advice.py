"""Advice from learning against a fixed order, in the model's own world and in others; and pooling of invented labs.

Sizes, seeds and what is compared stand here and were fixed before the studies were run.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.attempts import Attempt, AttemptModel, likelihood, simulate
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.core.inference.insight import chance_per_draw
from backstay.core.inference.learning import Posterior, before_any, draws_at, let_in
from backstay.core.inference.pooling import IDENTIFIED, LAB_SHARE, PoolCase, pool, pool_particles
from backstay.core.inference.quick import WayIn, way_in
from evidence.learning import PARTICLES, RIGS, Demo, Rigs, demo, side_by_side

FloatArray = NDArray[np.float64]

FIXED_ORDER = RIGS
"""Common practice, no source: what is easiest first, another guide last."""
LABS, LAB_CASES = 16, 30
POOL_PARTICLES = 8192
STOPPING_MIN = 120.0
TRY_MIN = 2.0
ADVISED = 80
"""Cases on which advice is held against the fixed order."""


@dataclass(frozen=True)
class Way:
    """How one policy did on one case."""

    minutes: float
    reached: bool
    tries: int
    harm_per_1000: float = 0.0
    """Known rates of harm of the moves made, added up; a move without a figure adds nothing."""


def climb(
    demo_rigs: Demo,
    make: Callable[[str, int], Attempt],
    chances: Callable[[Posterior], dict[str, float]],
    start: Posterior,
    *,
    policy: str,
    seed: int,
    model: AttemptModel,
    order: Sequence[str] = FIXED_ORDER,
) -> Way:
    """Return how a policy does: "fixed" order, "prior" chances alone, or "learn" from every try."""
    order = [name for name in order if name in demo_rigs.rigs]
    left, posterior, minutes, harm = list(order), start, 0.0, 0.0
    prior = chances(start)
    for k in range(len(order)):
        now = chances(posterior) if policy == "learn" and k else prior
        if policy == "fixed":
            name = left[0]
        else:
            # Minutes over chance: least expected time to a success where tries are independent. A first rule, minutes plus the chance of
            # failing times the cost of stopping, lost 1.8 min to the fixed order on 40 cases with four rigs and was dropped.
            worth = {n: (demo_rigs.options[n].minutes + TRY_MIN) / max(now[n], 1e-9) for n in left}
            name = min(left, key=worth.__getitem__)
            if worth[name] >= STOPPING_MIN:
                return Way(minutes + STOPPING_MIN, False, k, harm)
        left.remove(name)
        minutes += demo_rigs.options[name].minutes + TRY_MIN
        harm += sum(one.per_1000 or 0.0 for one in demo_rigs.options[name].harm)
        attempt = make(name, k)
        if attempt.reached:
            return Way(minutes, True, k + 1, harm)
        if policy == "learn":
            posterior = let_in(
                posterior, attempt, demo_rigs.rigs, rng=np.random.default_rng([seed, k]), model=model
            )
    return Way(minutes + STOPPING_MIN, False, len(order), harm)


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
    ends = {n: make(n, 0).reached for n in demo_rigs.rigs}
    costs = [demo_rigs.options[n].minutes + TRY_MIN for n in ends if ends[n]]
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
    return [*_advice(shown), *_pooling(shown)]


def _advice(shown: Demo) -> list[str]:
    lines = [
        f"**Advice** on {ADVISED} simulated cases for each world. A fixed order ({', '.join(FIXED_ORDER)}; common practice, no source) "
        "against the move with the least minutes over chance, by the chances before any try, and after each. Minutes with standard "
        f"errors; failing in the end counts {STOPPING_MIN:.0f}. The oracle knows how every rig would end. The worlds are played by the "
        "model's own shapes with what each names added; an independent exact rod plays in the section after this one.",
        "",
        "| world | fixed | without learning | learning | oracle | learning saves | reached: fixed, learning | tries "
        "| harm per 1000 | saves |",
        "|---|---|---|---|---|---|---|---|---|---|",
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
            f"{tries['fixed']:.2f}, {tries['learn']:.2f} | {_harm(found, 'fixed')}, {_harm(found, 'learn')} | "
            f"{_harm(found, 'fixed', 'learn')} |"
        )
    return [*lines, ""]


def _harm(found: Sequence[object], policy: str, less: str = "") -> str:
    """Return the mean known harm of a policy with its standard error; less that of another on the same cases."""
    harm = np.array([one[policy].harm_per_1000 - (one[less].harm_per_1000 if less else 0.0) for one in found])  # type: ignore[index]
    return f"{harm.mean():.1f} +- {harm.std(ddof=1) / np.sqrt(len(harm)):.1f}"


def _pooling(shown: Demo) -> list[str]:
    found = pooled_labs(shown.rigs)
    names = [spec.name for spec in DEFAULT_DRAWS if spec.name in LAB_SHARE]
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
