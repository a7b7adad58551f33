"""What the ladder's quick ways cost: its chances against the same combinations solved in full.

A ladder is found as a plan finds it: rigs at half of the plan's depths, what moves place solved on few depths and loads
and from the rig the ladder begins with, rigs that a draw comes to by a move that got only part of the way approximated
where nothing solved them. Here every rung's rig, and every rig that at least one in fifty draws comes to instead, is
solved at the plan's depths and loads, and every move's thing is brought to its place anew, from the rig in place at that
rung. The draws are the same, so the difference is the quick ways' alone. What the fit between solves errs has its own
section. Cases, seeds and sizes are fixed here.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path

import numpy as np

from backstay.app.carrying import Carried, SolvedCarry, carried_by, solve_carried
from backstay.app.holds import case_specs
from backstay.app.ladder.climbing import Climbed, Effort, arrivals, climb
from backstay.app.ladder.landings import Landings, part_ways
from backstay.app.ladder.states import AS_IT_IS, RigKey, State, Tree
from backstay.app.loading import LoadedCase, load_case
from backstay.app.plan import carry, options_of, way_back_draws
from backstay.app.safety import case_safety
from backstay.app.solving import DEPTHS, LEVEL_SHARES, solve_rigs
from backstay.core.inference.draws import sample
from backstay.core.inference.ladder import Choice
from backstay.core.rigging.moves import Situation
from evidence import ladder

CASES = (1, 7, 13)
"""Of the twenty invented cases; the demo comes first."""
SEED = 29
PLAN_DRAWS, DRAWS = 256, 2048
EFFORT = Effort(depth=3)
LEAST_SHARE = 0.02
FEWEST = 200
COMBINATIONS = 4


@dataclass(frozen=True)
class Rung:
    """One rung: its move, draws that come to it, and the chance that it lands there, quick and in full."""

    name: str
    draws: int
    quick: float
    full: float


@dataclass(frozen=True)
class Compared:
    """One case: rungs, the chance of landing in the end, and combinations the search only approximated."""

    name: str
    rungs: list[Rung]
    quick: float
    full: float
    guessed: list[tuple[float, float]]

    @property
    def rare(self) -> float:
        """Return the largest difference at rungs that fewer draws come to; 0 where there is none."""
        return max((abs(r.quick - r.full) for r in self.rungs if 0 < r.draws < FEWEST), default=0.0)

    @property
    def worst(self) -> float:
        """Return the largest difference of a rung's chance that a tenth of the draws comes to, and of the whole ladder's."""
        shown = [abs(r.quick - r.full) for r in self.rungs if r.draws >= FEWEST]
        return max([*shown, abs(self.quick - self.full)])


def study(root: Path) -> list[str]:
    """Do the study and return its lines."""
    with tempfile.TemporaryDirectory() as folder:
        invented = ladder.cases(Path(folder))
        rows = [compared("demo", load_case(root / "examples" / "demo" / "case.toml"))]
        rows += [compared(f"invented {k}", invented[k]) for k in CASES]
    worst, rare = max(row.worst for row in rows), max(row.rare for row in rows)
    guesses = [q - f for row in rows for q, f in row.guessed]
    return [
        f"Ladders of the demo and of {len(CASES)} invented cases ({', '.join(map(str, CASES))} of the twenty), found as a plan finds them "
        f"({EFFORT.depth} moves ahead, {DRAWS} draws, seed {SEED}), then every rung solved in full on the same draws: {DEPTHS} depths and "
        f"{len(LEVEL_SHARES)} loads, what a move places brought to its place from the rig then in place, an extension that got part "
        f"of the way solved there. Rungs that fewer than {FEWEST} draws come to (a tenth) are counted apart: there those are left in "
        "which quick ways and full ones differ.",
        "",
        f"**Largest difference of a rung's or a ladder's chance: {worst:.3f}; further down: {rare:.3f}.**",
        "",
        "| case | rung | draws | lands, quick | lands, in full |",
        "|---|---|---|---|---|",
        *(
            f"| {row.name} | {rung.name} | {rung.draws} | {rung.quick:.3f} | {rung.full:.3f} |"
            for row in rows
            for rung in row.rungs
        ),
        *(f"| {row.name} | all of it | {DRAWS} | {row.quick:.3f} | {row.full:.3f} |" for row in rows),
        "",
        f"Combinations of two moves that the search passed over without solving them ({len(guesses)}, drawn at random): approximated "
        f"chance less solved chance {_spread(guesses)}. It is meant to be hopeful, so that a better order is seen; where it lies below, "
        "a better order may have been passed over, though no number shown rests on it.",
    ]


def _spread(values: list[float]) -> str:
    if not values:
        return "nowhere asked"
    low, mid, high = np.quantile(values, [0.0, 0.5, 1.0])
    return f"{mid:+.3f} in the median ({low:+.3f} to {high:+.3f})"


def compared(name: str, case: LoadedCase, effort: Effort = EFFORT) -> Compared:
    """Return a case's ladder, quick and in full."""
    c = quick(case, effort)
    way = list(_way(c))
    in_full = fully(case, c, [choice.step.then.at for choice in way if choice.step is not None])
    rungs, quick_total, full_total = _followed(c, in_full, way)
    return Compared(name, rungs, quick_total, full_total, list(_guessed(c)))


def quick(case: LoadedCase, effort: Effort) -> Climbed:
    """Return the ladder as a plan finds it."""
    sampled = sample(case_specs(case), count=PLAN_DRAWS, seed=SEED)
    options = options_of(case)
    solved = solve_rigs(case, options, sampled)
    draws = sample(case_specs(case), count=DRAWS, seed=SEED)
    carried = carry(case, options, sampled, seed=SEED)
    return climb(case, case_safety(case, []), draws, solved=solved, carried=carried, effort=effort)


def _way(c: Climbed) -> Iterator[Choice[State]]:
    """Yield the choices down the ladder, after a lesion that shows no opening the next."""
    choice: Choice[State] | None = c.best
    while choice is not None and choice.step is not None:
        if choice.opens != 0.0:
            yield choice
        choice = choice.if_not if choice.opens == 0.0 else choice.then


def fully(case: LoadedCase, c: Climbed, rigs: Sequence[RigKey]) -> Landings:
    """Return answers for rigs, and for those that draws come to instead, all solved in full."""
    arrives: dict[str, int] = {}
    for at in rigs:
        arrives |= _arrivals_on(case, c, c.tree.way_to(at), arrives)
    found = Landings(case, c.tree, c.landings.draws, {}, arrives, DEPTHS)
    wanted = {c.tree.start.at: None} | {k: None for at in rigs for k in instead(c.tree, at, arrives, DRAWS)}
    found.solve(list(wanted))
    found.close()
    return found


def _arrivals_on(case: LoadedCase, c: Climbed, way: Sequence[str], known: dict[str, int]) -> dict[str, int]:
    """Return the draws in which what each move of a way places arrives, from the rig then in place, extensions at every depth."""
    found: dict[str, int] = {}
    for k, own in enumerate(way):
        at = c.tree.along(way[:k])
        s = c.tree.met[at].situation
        for name in (own, *part_ways(c.tree, way[:k], own)):
            if name in known or name == AS_IT_IS or name not in c.landings.arrives:
                continue
            things = in_full(s, carried_by(s, c.tree.taken[at, name]), case)
            if things:
                found[name] = arrivals(things, c.landings.draws)
    return found


def in_full(s: Situation, things: Sequence[Carried], case: LoadedCase) -> list[SolvedCarry]:
    """Return things solved on their way in at the plan's depths and loads."""
    few = way_back_draws(case, sample(case_specs(case), count=PLAN_DRAWS, seed=SEED), SEED)
    return solve_carried(s, things, few, depths=DEPTHS, level_shares=LEVEL_SHARES)


def instead(tree: Tree, at: RigKey, arrives: dict[str, int], count: int) -> list[RigKey]:
    """Return the rigs that at least one in fifty draws comes to on the way to a rig, that rig first."""
    way = tree.way_to(at)
    everything = (1 << count) - 1
    choices: list[list[tuple[str | None, int]]] = []
    for k, name in enumerate(way):
        if name not in arrives:
            choices.append([(name, everything)])
            continue
        left, here = everything, []
        for other in (name, *part_ways(tree, way[:k], name)):
            came = arrives.get(other, 0) & left
            here.append((other, came))
            left &= ~came
        choices.append([*here, (None, left)])
    found = [at]
    for picked in product(*choices):
        draws = everything
        for _, mask in picked:
            draws &= mask
        if draws.bit_count() >= LEAST_SHARE * count:
            found.append(tree.along([name for name, _ in picked if name is not None]))
    return list(dict.fromkeys(found))


def _followed(c: Climbed, full: Landings, way: Sequence[Choice[State]]) -> tuple[list[Rung], float, float]:
    """Return the rungs with both chances, each over the draws that come to it by its own account, and both totals."""
    everything = c.ladder.weighing.everything
    alive, alive_full = everything, everything
    rungs, landed, landed_full = [], 0, 0
    for choice in way:
        step = choice.step
        assert step is not None
        opened = everything if step.opens is None else step.opens
        at = step.then.at
        here, there = c.landings.lands(at), full.lands(at)
        rungs.append(
            Rung(
                step.name,
                (alive & opened).bit_count(),
                _share(here & opened & alive, opened & alive),
                _share(there & opened & alive_full, opened & alive_full),
            )
        )
        landed += (here & opened & alive).bit_count()
        landed_full += (there & opened & alive_full).bit_count()
        alive &= opened & ~here
        alive_full &= opened & ~there
    return rungs, landed / DRAWS, landed_full / DRAWS


def _share(some: int, of: int) -> float:
    return some.bit_count() / of.bit_count() if of else 0.0


def _guessed(c: Climbed) -> Iterator[tuple[float, float]]:
    """Yield approximated and solved chances of combinations of two moves drawn at random from those nobody solved."""
    tree, landings = c.tree, c.landings
    pairs = [
        then
        for _, at in tree.offered(tree.start.at)
        for _, then in tree.offered(at)
        if not landings.is_exact(then) and landings.fits(then)
    ]
    pairs = list(dict.fromkeys(pairs))
    rng = np.random.default_rng(SEED)
    chosen = [pairs[k] for k in rng.permutation(len(pairs))[:COMBINATIONS]]
    before = [landings.lands(at).bit_count() / DRAWS for at in chosen]
    landings.solve(chosen)
    for guess, at in zip(before, chosen, strict=True):
        yield guess, landings.lands(at).bit_count() / DRAWS
