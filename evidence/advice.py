"""Advice from learning against a fixed order, in the model's own world and in others; and pooling of invented labs.

Sizes, seeds and what is compared stand here and were fixed before the studies were run.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.app.ladder import LADDER_DRAWS_PER_DRAW
from backstay.app.ladder.climbing import FEWEST_CHOSEN
from backstay.app.plan import DEFAULT_DRAW_COUNT
from backstay.core.inference.attempts import Attempt, AttemptModel, likelihood, simulate
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet
from backstay.core.inference.ladder import Choice, Ladder, Step, Weighing, as_mask
from backstay.core.inference.learning import Posterior, before_any, draws_at, let_in
from backstay.core.inference.pooling import IDENTIFIED, LAB_SHARE, PoolCase, pool, pool_particles
from backstay.core.inference.quick import WayIn, way_in
from backstay.core.rigging.moves import Alternative
from evidence.learning import PARTICLES, RIGS, Demo, Rigs, demo, side_by_side

FloatArray = NDArray[np.float64]

FIXED_ORDER = RIGS
"""Common practice, no source: what is easiest first, another guide last."""
POOLED = ((8, 2, 82_000), (16, 30, 81_000), (12, 120, 86_000))
"""Labs, cases of each, and first seed; other labs than those by which the allowance for Gaussian factors was set."""
_EIGHTY = 1.2816
POOL_PARTICLES = 8192
STOPPING_MIN = 120.0
TRY_MIN = 2.0
ADVISED = 80
"""Cases on which advice is held against the fixed order."""
POLICIES = ("fixed", "first", "learn")


@dataclass(frozen=True)
class Way:
    """How one policy did on one case."""

    minutes: float
    reached: bool
    tries: int
    harm_per_1000: float = 0.0
    """Known rates of harm of the moves made, added up; a move without a figure adds nothing."""


@dataclass(frozen=True)
class Rungs:
    """The rigs of an order as a ladder climbs them, a state being what was tried so far, the last of it now."""

    options: Mapping[str, Alternative]
    landing: Mapping[str, int]

    def steps(self, state: tuple[str, ...]) -> list[Step[tuple[str, ...]]]:
        """Return every rig that was not tried yet."""
        return [
            Step(name, self.options[name].minutes, (*state, name), TRY_MIN)
            for name in self.landing
            if name not in state
        ]

    def lands(self, state: tuple[str, ...]) -> int:
        """Return the draws in which the device lands with the rig tried last."""
        return self.landing[state[-1]]


def first_rung(demo_rigs: Demo, left: Sequence[str], draws: DrawSet) -> Choice[tuple[str, ...]]:
    """Return the ladder over the rigs left, as a plan finds it: the same search over the same kind of draws."""
    ways = {name: way_in(demo_rigs.rigs[name], draws) for name in left}
    landing = {name: as_mask(way.peaks_N[:, -1] <= way.limits_N.min(axis=1)) for name, way in ways.items()}
    fewest = FEWEST_CHOSEN * draws.count / (LADDER_DRAWS_PER_DRAW * DEFAULT_DRAW_COUNT)
    ladder = Ladder(Rungs(demo_rigs.options, landing), Weighing.of(draws.count), STOPPING_MIN, fewest)
    return ladder.best((), depth=len(left))


def climb(
    demo_rigs: Demo,
    make: Callable[[str, int], Attempt],
    start: Posterior,
    *,
    policy: str,
    seed: int,
    model: AttemptModel,
    order: Sequence[str] = FIXED_ORDER,
    before: Callable[[str, Posterior], None] | None = None,
) -> Way:
    """Return how a policy does: the "fixed" order, the "first" ladder down its rungs, or to "learn": a new ladder after every try.

    `before` is called with the rig and what is believed when a try is about to be made.
    """
    left, posterior, minutes, harm = [n for n in order if n in demo_rigs.rigs], start, 0.0, 0.0
    choice = None if policy == "fixed" else first_rung(demo_rigs, left, start.draws)
    for k in range(len(left)):
        if choice is None:
            name = left[0]
        elif choice.step is None:
            return Way(minutes + STOPPING_MIN, False, k, harm)
        else:
            name = choice.step.name
        left.remove(name)
        minutes += demo_rigs.options[name].minutes + TRY_MIN
        harm += sum(one.per_1000 or 0.0 for one in demo_rigs.options[name].harm)
        if before is not None:
            before(name, posterior)
        attempt = make(name, k)
        if attempt.reached:
            return Way(minutes, True, k + 1, harm)
        if not left:
            break
        if policy == "learn":
            posterior = let_in(
                posterior, attempt, demo_rigs.rigs, rng=np.random.default_rng([seed, k]), model=model
            )
            choice = first_rung(demo_rigs, left, posterior.draws)
        elif choice is not None:
            choice = choice.then or replace(choice, step=None)
    return Way(minutes + STOPPING_MIN, False, k + 1, harm)


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

    start = before_any(DEFAULT_DRAWS, count=particles, seed=seed)
    found = {
        policy: climb(demo_rigs, make, start, policy=policy, seed=seed, model=model) for policy in POLICIES
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


def pooled_labs(rigs: Rigs, *, labs: int, cases: int, first_seed: int) -> FloatArray:
    """Return (truth - estimate) / error of every lab part, the part of its prior error that is gone, and whether it is claimed.

    Shape (labs, rows, 3). Every case has particles of its own, as `backstay pool` draws them.
    """
    return np.array(side_by_side(lambda lab: _one_lab(rigs, cases, first_seed + lab), range(labs)))


def _one_lab(rigs: Rigs, cases: int, seed: int) -> FloatArray:
    rng, model, names = np.random.default_rng(seed), AttemptModel(), [s.name for s in DEFAULT_DRAWS]
    lab = {name: np.sqrt(share) * rng.standard_normal() for name, share in LAB_SHARE.items()}
    told, order = [], list(rigs)
    for c in range(cases):
        z = rng.standard_normal((1, len(names)))
        for name, share in LAB_SHARE.items():
            z[0, names.index(name)] = lab[name] + np.sqrt(1.0 - share) * z[0, names.index(name)]
        scores, logs = (
            pool_particles(DEFAULT_DRAWS, count=POOL_PARTICLES, seed=1000 * seed + c),
            np.zeros(POOL_PARTICLES),
        )
        draws = draws_at(DEFAULT_DRAWS, scores)
        for m in range(1 + c % 3):
            name = order[(c + m) % len(order)]
            true = way_in(rigs[name], draws_at(DEFAULT_DRAWS, z))
            made = simulate(rigs[name], true, rng=rng, model=model, name=name)
            logs += np.log(likelihood(made, rigs[name], way_in(rigs[name], draws), model))
        told.append(PoolCase(scores, logs, "severe"))
    found = pool(told, DEFAULT_DRAWS, seed=1)
    return np.array(
        [[(lab[row.name] - row.middle) / row.error, row.shrunk, row.identified] for row in found.rows]
    )


def study(root: Path) -> list[str]:
    """Do the studies and return the section."""
    shown = demo(root)
    return [*_advice(shown), *_pooling(shown)]


def _advice(shown: Demo) -> list[str]:
    lines = [
        f"**Advice** on {ADVISED} simulated cases for each world. A fixed order ({', '.join(FIXED_ORDER)}; common practice, no source) "
        "against the ladder as a plan finds it (the same search for least expected minutes; every rig once): the first one down its "
        "rungs, and one found anew from what each try taught. Minutes with standard errors; failing in the end counts "
        f"{STOPPING_MIN:.0f}. The oracle knows how every rig would end. The worlds are played by the model's own shapes with what each "
        "names added; an independent exact rod plays in the section after this one.",
        "",
        "| world | fixed | first ladder | learning | oracle | learning saves | reached: fixed, learning | tries "
        "| harm per 1000 | saves |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name, world in WORLDS.items():
        seeds = [91_000 + k for k in range(ADVISED)]
        found = side_by_side(lambda seed, w=world: advised(shown, seed, world=w), seeds)  # type: ignore[misc]
        minutes = {p: np.array([one[p].minutes for one in found]) for p in (*POLICIES, "oracle")}  # type: ignore[index]
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
    names = [spec.name for spec in DEFAULT_DRAWS if spec.name in LAB_SHARE]
    lines = [
        "**Pooling**: invented labs whose own parts were drawn from the prior, one to three attempts a case. Share of known values inside "
        f"the nominal 80 % interval, of all and of those claimed (an error narrowed by {IDENTIFIED:.0%} of the prior's); root mean square "
        "of error over stated error, 1 where the statement is right; part of the prior's error that is gone.",
        "",
        "| labs | cases each | input | inside | claimed | of them inside | error over stated error | error gone |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for labs, cases, first_seed in POOLED:
        found = pooled_labs(shown.rigs, labs=labs, cases=cases, first_seed=first_seed)
        for name, rows in [*((n, found[:, k]) for k, n in enumerate(names)), ("all", found.reshape(-1, 3))]:
            inside, claimed = np.abs(rows[:, 0]) < _EIGHTY, rows[:, 2] > 0.5
            held = f"{inside[claimed].mean():.2f}" if claimed.any() else "-"
            lines.append(
                f"| {labs} | {cases} | {name} | {inside.mean():.2f} | {claimed.sum()} of {len(rows)} | {held} | "
                f"{np.sqrt(np.mean(rows[:, 0] ** 2)):.2f} | {rows[:, 1].mean():.2f} |"
            )
    return [*lines, ""]
