"""Finds the ladder of a case, solving only the rigs that the best orders pass through."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.app.ladder.known import start_of
from backstay.app.ladder.landings import Landings, by_shape
from backstay.app.ladder.states import AS_IT_IS, Left, RigKey, State, Tree, Weights
from backstay.app.loading import LoadedCase
from backstay.app.safety import CaseSafety
from backstay.app.solving import Progress, SolvedRig
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.ladder import DEPTH, Choice, Ladder, Step, Weighing, as_mask
from backstay.core.inference.opening import opens
from backstay.core.rigging.devices import Balloon
from backstay.core.rigging.move_table import single_moves
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.needs import STENT_GATE, judge
from backstay.core.rules.gate import GATE_ASKS, HARD
from backstay.identifiers import Preparation, StepKind

MOST_SOLVES = 40
"""Shapes solved beyond the plan's own before the search settles for what it has."""
_SIZED = 0.9
"""A balloon of this part of the distal reference shows that the lesion opened; below it does not: judgement, no source."""


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


def climb(
    case: LoadedCase,
    safety: CaseSafety,
    draws: DrawSet,
    *,
    solved: Sequence[SolvedRig] = (),
    weights: NDArray[np.float64] | None = None,
    depth: int = DEPTH,
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
    weights : ndarray, shape (count,), optional
        Weights of the draws.
    depth : int
        Moves looked ahead.
    progress : callable, optional
        Called with what is being done and the share done.
    """
    start = start_of(case, safety)
    w = case.weights
    tree = Tree(
        start,
        single_moves,
        lambda s, option: _opens(s, option, draws),
        shut=bool(judge((STENT_GATE,), start.facts(StepKind.PUSH)).broken),
        weights=Weights(w.per_minute, w.per_mL, w.per_mGy),
        left=left_of(safety),
    )
    landings = Landings(case, tree, draws, by_shape([(x.passage, x.transfers) for x in solved]))
    return _search(tree, landings, Weighing.of(draws.count, weights), w.stopping, depth, progress)


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


def _opens(before: Situation, option: Alternative, draws: DrawSet) -> int | None:
    """Return the draws in which a move is seen to open the lesion; None for one that prepares nothing."""
    if option.lesions == before.lesions:
        return None
    if not shows_opening(before, option):
        return 0
    return as_mask(
        opens([x for x in option.lesions if x.calcium in HARD and x.from_mm < before.target_to_mm], draws)
    )


def shows_opening(before: Situation, option: Alternative) -> bool:
    """Return whether a move inflates a balloon of the distal reference's size, or comes after one that is inflated again."""
    sized_mm = _SIZED * before.reference_diameter_mm
    again = any(Preparation.NON_COMPLIANT in lesion.prepared for lesion in before.on_the_way)
    return again or (isinstance(option.tool, Balloon) and option.tool.nominal_diameter_mm >= sized_mm)


def _search(
    tree: Tree,
    landings: Landings,
    weighing: Weighing,
    stopping: float,
    depth: int,
    progress: Progress | None,
) -> Climbed:
    start = tree.start
    depth += 2 if start.shut else int(not start.pushed)
    singles = [start.at, *(at for _, at in tree.offered(start.at))]
    before = len(landings.solved)
    landings.solve(singles, progress)
    own = len(landings.solved)
    ladder: Ladder[State] = Ladder(_Climb(tree, landings), weighing, stopping)
    settled = False
    while True:
        best = ladder.best(start, depth=depth)
        if progress is not None:
            progress(f"first rung so far: {first_words(tree, best)}", 1.0)
        wanted = _wanted(best, ladder, depth)
        missing = [at for at in dict.fromkeys(wanted) if not landings.is_exact(at)]
        if not missing:
            settled = True
            break
        if len(landings.solved) - own >= MOST_SOLVES:
            break
        landings.solve(missing, progress)
    return Climbed(
        best,
        ladder,
        tree,
        landings,
        len(landings.solved) - before,
        settled,
        depth,
        GATE_ASKS if start.shut else "",
    )


@dataclass
class _Climb:
    tree: Tree
    landings: Landings

    def steps(self, state: State) -> list[Step[State]]:
        return self.tree.steps(state)

    def lands(self, state: State) -> int:
        return self.landings.lands(state.at)


def _wanted(best: Choice[State], ladder: Ladder[State], depth: int) -> list[RigKey]:
    """Return the rigs that the best order passes through, and those of the best that begins with the runner-up."""
    found = list(_rigs(best))
    if len(best.options) > 1:
        step = best.options[1][0]
        opened = best.alive if step.opens is None else best.alive & step.opens
        failed = opened & ~ladder.climb.lands(step.then)
        found += [step.then.at, *_rigs(ladder.best(step.then, alive=failed, depth=depth - 1))]
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
