"""The first rung so far: from the rigs that a plan has solved, before the rest is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from backstay.app.ladder.climbing import FEWEST_CHOSEN, Pushes, first_words, tree_of
from backstay.app.ladder.landings import Landings
from backstay.app.ladder.states import State, rig_key
from backstay.app.loading import LoadedCase
from backstay.app.safety import CaseSafety
from backstay.app.solving import Answer
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.ladder import Ladder, Weighing
from backstay.core.inference.opening import with_opening

DEPTH = 2
"""Moves looked ahead; one preparation more while the gate is shut."""


def provisional_rung(
    case: LoadedCase, safety: CaseSafety, draws: DrawSet, answers: Sequence[Answer], *, told: bool = False
) -> str:
    """Return the first rung in words, by a plan's own rigs: nothing is solved for it.

    Parameters
    ----------
    case, safety : LoadedCase, CaseSafety
        The case, and what of its limits is used.
    draws : DrawSet
        The draws that `answers` were given over.
    answers : sequence of Answer
        The plan's rigs. Moves that lead to none of them are left out, and what a move places is taken to arrive.
    told : bool
        The draws are what attempts left of them.
    """
    draws = with_opening(draws)
    tree = tree_of(case, safety, draws, {})
    landings = Landings(case, tree, draws, {})
    start = tree.met[tree.start.at].situation
    solved = {
        rig_key(replace(start, rig=o.rig, device=o.device, lesions=o.lesions)): a
        for a in answers
        for o in (a.alternative,)
    }
    for at in (tree.start.at, *(at for _, at in tree.offered(tree.start.at))):
        landings.adopt(at, solved[at].outcome if at in solved else None)
    ladder: Ladder[State] = Ladder(
        Pushes(tree, landings, told), Weighing.of(draws.count), case.weights.stopping, FEWEST_CHOSEN
    )
    return first_words(tree, ladder.best(tree.start, depth=DEPTH + tree.start.shut))
