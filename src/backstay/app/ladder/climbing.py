"""Finds the ladder of a case, solving only the rigs that the best orders pass through."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from backstay.app.carrying import SolvedCarry
from backstay.app.ladder.known import start_of
from backstay.app.ladder.landings import LADDER_DEPTHS, Landings, ShapeKey, by_shape
from backstay.app.ladder.states import AS_IT_IS, Left, Options, RigKey, State, Tree, Weights
from backstay.app.loading import LoadedCase
from backstay.app.progress import FIRST_RUNG, Progress
from backstay.app.safety import CaseSafety
from backstay.app.solving import SolvedRig
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.ladder import DEPTH, FEWEST_DRAWS, Choice, Ladder, Step, Weighing, as_mask
from backstay.core.inference.opening import opens, with_opening
from backstay.core.mechanics.delivery import Transfer
from backstay.core.rigging.devices import Balloon
from backstay.core.rigging.move_table import single_moves
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.needs import NO_LEAK, STENT_GATE, Need, judge
from backstay.core.rules.gate import HARD
from backstay.identifiers import Preparation, StepKind

MOST_SOLVES = 14
"""Shapes solved beyond the plan's own before the search settles for what it has."""
FEWEST_CHOSEN = 0.25 * FEWEST_DRAWS
WORTH_A_TRY = 0.1
"""With this chance and no attempt behind it the rig in place is pushed before anything is changed: common practice, no source."""
_SIZED = 0.9
"""A balloon of this part of the distal reference shows that the lesion opened; below it does not: judgement, no source."""


@dataclass(frozen=True)
class Effort:
    """How far a ladder looks and how finely.

    Attributes
    ----------
    depth : int
        Moves looked ahead; a push as it is, or one more preparation while the gate is shut, comes on top.
    depths : int
        Depths at which rigs are solved and read.
    most_solves : int
        Shapes solved beyond those of single moves.
    fewest : float
        Draws that must be left for a move to be chosen. What is shown stands on more: see `restating`.
    """

    depth: int = DEPTH
    depths: int = LADDER_DEPTHS
    most_solves: int = MOST_SOLVES
    fewest: float = FEWEST_CHOSEN


@dataclass
class Climbed:
    """A ladder and what it was found with.

    Attributes
    ----------
    best : Choice
        The policy.
    ladder, tree, landings : Ladder, Tree, Landings
        What it was searched in.
    solves : int
        Shapes solved for it.
    settled : bool
        The best order, and the runner-up's first rung, stand on solved rigs alone, and no other could be better
        by more than the approximation's allowance.
    """

    best: Choice[State]
    ladder: Ladder[State]
    tree: Tree
    landings: Landings
    solves: int
    settled: bool
    depth: int
    gate: str
    carried: Mapping[str, Sequence[SolvedCarry]] = field(default_factory=dict)
    seed: int | None = None


def climb(
    case: LoadedCase,
    safety: CaseSafety,
    draws: DrawSet,
    *,
    solved: Sequence[SolvedRig] = (),
    carried: Mapping[str, Sequence[SolvedCarry]] | None = None,
    weights: NDArray[np.float64] | None = None,
    effort: Effort | None = None,
    told: bool = False,
    seed: int | None = None,
    shapes: Mapping[ShapeKey, Sequence[Transfer]] | None = None,
    options: Options = single_moves,
    progress: Progress | None = None,
) -> Climbed:
    """Return the ladder of a case.

    Parameters
    ----------
    case, safety : LoadedCase, CaseSafety
        The case, and what of its limits is used.
    draws : DrawSet
        The uncertain inputs, or what attempts left of them.
    solved : sequence of SolvedRig
        Rigs solved already, for the same inputs.
    carried : mapping of str to sequence of SolvedCarry, optional
        What moves place, by move, solved on its own way in: where it does not arrive, its move changes nothing. A move
        that is not named is taken to arrive.
    weights : ndarray, shape (count,), optional
        Weights of the draws.
    effort : Effort, optional
        How far and how finely to look.
    told : bool
        The draws are what attempts left of them; weighted ones always are.
    seed : int, optional
        Seed of the draws, where they are the first of a sequence: more of it are then drawn for numbers that too few
        stand behind.
    shapes : mapping, optional
        What another climb of the same case solved (`Landings.solved`).
    options : callable
        The single moves of a situation.
    progress : callable, optional
        Called with what is being done and the share done.
    """
    draws = with_opening(draws)
    arrives = {name: arrivals(things, draws) for name, things in (carried or {}).items() if things}
    tree = tree_of(case, safety, draws, arrives, options)
    effort = effort or Effort()
    known = {**(shapes or {}), **by_shape([(x.passage, x.transfers) for x in solved])}
    landings = Landings(case, tree, draws, known, arrives, effort.depths)
    weighing = Weighing.of(draws.count, weights)
    view = Pushes(tree, landings, told or bool(weighing.squares))
    found = _search(view, weighing, case.weights.stopping, effort, progress)
    return replace(found, carried=carried or {}, seed=seed)


def tree_of(
    case: LoadedCase,
    safety: CaseSafety,
    draws: DrawSet,
    arrives: Mapping[str, int],
    options: Options = single_moves,
) -> Tree:
    """Return what a case's ladder climbs; `arrives` are the draws in which what a move places gets to its place, by move."""
    start, w = start_of(case, safety), case.weights
    return Tree(
        start,
        options,
        lambda s, option: opened_by(s, option, draws, arrives.get(option.id)),
        shut=barred(start) is not None,
        weights=Weights(w.per_minute, w.per_mL, w.per_mGy),
        left=left_of(safety),
    )


def barred(s: Situation) -> Need | None:
    """Return what keeps the device from being pushed at all; None where nothing does."""
    return next(iter(judge((NO_LEAK, STENT_GATE), s.facts(StepKind.PUSH)).broken), None)


def left_of(safety: CaseSafety) -> Left:
    """Return what is left of the case's limits."""
    limits, now, agreed = safety.case.limits, safety.now, safety.setting.agreed
    minutes = limits.minutes
    if minutes is not None and now.started_s is not None and now.last_s is not None:
        minutes -= (now.last_s - now.started_s) / 60.0
    contrast, kerma = agreed.contrast_mL, limits.air_kerma_mGy
    return Left(
        None if minutes is None else max(minutes, 0.0),
        None if contrast is None else max(contrast - now.contrast_mL, 0.0),
        None if kerma is None else max(kerma - (now.air_kerma_mGy or 0.0), 0.0),
    )


def arrivals(things: Sequence[SolvedCarry], draws: DrawSet) -> int:
    """Return the draws in which everything that a move places gets to its place."""
    found = np.ones(draws.count, dtype=bool)
    for one in things:
        found &= one.reach(draws)[0] >= one.carried.tip_mm - 1e-6
    return as_mask(found)


def opened_by(before: Situation, option: Alternative, draws: DrawSet, arrives: int | None) -> int | None:
    """Return the draws in which a move is seen to open the lesion; None for one that prepares nothing."""
    if option.lesions == before.lesions:
        return None
    if not shows_opening(before, option):
        return 0
    hard = [x for x in option.lesions if x.calcium in HARD and x.from_mm < before.target_to_mm]
    found = as_mask(opens(hard, draws))
    return found if arrives is None else found & arrives


def shows_opening(before: Situation, option: Alternative) -> bool:
    """Return whether a move inflates a balloon of the distal reference's size, or comes after one that is inflated again."""
    sized_mm = _SIZED * before.reference_diameter_mm
    again = any(Preparation.NON_COMPLIANT in lesion.prepared for lesion in before.on_the_way)
    return again or (isinstance(option.tool, Balloon) and option.tool.nominal_diameter_mm >= sized_mm)


def _search(
    view: Pushes,
    weighing: Weighing,
    stopping: float,
    effort: Effort,
    progress: Progress | None,
) -> Climbed:
    tree, landings = view.tree, view.landings
    start = tree.start
    depth = effort.depth + (start.shut or not start.pushed)
    singles = [start.at, *(at for _, at in tree.offered(start.at))]
    before = len(landings.solved)
    landings.solve(singles, progress)
    own = len(landings.solved)
    ladder: Ladder[State] = Ladder(view, weighing, stopping, effort.fewest)
    settled = False
    while not settled:
        best = ladder.best(start, depth=depth)
        if progress is not None:
            progress(f"{FIRST_RUNG}{first_words(tree, best)}", 1.0)
        missing = [at for at in dict.fromkeys(_wanted(best, ladder, depth)) if not landings.is_exact(at)]
        settled = not missing
        if landings.unsolved(missing) and len(landings.solved) - own >= effort.most_solves:
            landings.solve_no_more()
        else:
            landings.solve(missing, progress)
    bar = barred(tree.met[start.at].situation)
    gate = "" if bar is None else bar.ask
    solves = len(landings.solved) - before
    return Climbed(best, ladder, tree, landings, solves, not landings.closed, depth, gate)


@dataclass
class Pushes:
    """A tree with the draws in which the device, pushed, lands; `told` by attempts or not."""

    tree: Tree
    landings: Landings
    told: bool

    def steps(self, state: State) -> list[Step[State]]:
        """Return the moves of a state; a push as it is alone where that is worth a try."""
        found = self.tree.steps(state)
        # To push as it is harms no one more than any other push: minutes saved by leaving it out do not count.
        untried = [step for step in found if step.name == AS_IT_IS]
        here = self.landings.lands(state.at).bit_count() / self.landings.draws.count if untried else 0.0
        return untried if here >= WORTH_A_TRY and not self.told else found

    def lands(self, state: State) -> int:
        """Return the draws in which the device lands in a state."""
        return self.landings.lands(state.at)


def _wanted(best: Choice[State], ladder: Ladder[State], depth: int) -> list[RigKey]:
    """Return the rigs that the best order passes through, and those of the best that begins with the runner-up.

    The runners-up of the rungs below come with them: one round of solving then settles more.
    """
    found = list(_rigs(best))
    if len(best.options) > 1:
        step = best.options[1][0]
        opened = best.alive if step.opens is None else best.alive & step.opens
        failed = opened & ~ladder.climb.lands(step.then)
        found += [step.then.at, *_rigs(ladder.best(step.then, alive=failed, depth=depth - 1))]
    below: Choice[State] | None = best.then
    while below is not None and below.step is not None:
        found += [step.then.at for step, _ in below.options[1:2]]
        below = below.then
    return found


def _rigs(choice: Choice[State]) -> list[RigKey]:
    """Return the rigs of a policy in which the device is pushed."""
    found = []
    if choice.step is not None:
        found.append(choice.step.then.at)
        for later in (choice.then, choice.if_not):
            found += _rigs(later) if later is not None else []
    return found


def first_words(tree: Tree, best: Choice[State]) -> str:
    """Return the first rung in words."""
    if best.step is None:
        return "stop"
    if best.step.name == AS_IT_IS:
        return "as it is"
    return tree.taken[best.state.at, best.step.name].change
