"""What hands can do with any push, put into numbers: how many more of the first push on a ladder land."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.app.ladder.climbing import Climbed
from backstay.app.ladder.landings import Landings, first_draws
from backstay.app.ladder.states import RigKey, State
from backstay.core.inference.chance import (
    crossing_load_N,
    lesion_load_N,
    need_from_curves,
    push_that_arrives_N,
)
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.handling import (
    need_with_wire_held_N,
    with_deep_breath,
    with_guide_turned,
    with_handling,
)
from backstay.core.inference.ladder import Choice
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.holds import free_wire_hold_N
from backstay.identifiers import MoveId

COUNT = 1024
JUDGED = {
    MoveId.HOLD_WIRE_IN_TENSION: "the rail takes no more than its own hold beyond the device; how hard it is pulled is judged",
    MoveId.ROTATE_GUIDE: "only by friction in the guide, turned all the while; whether its tip lies better in line is not in the model",
    MoveId.DEEP_INSPIRATION: "by bends drawn out; how far is judged",
}


def handling_words(c: Climbed) -> dict[MoveId, str]:
    """Return what each way of using the hands does to the first push of a ladder, or to a push as it is where there is none."""
    at = _first_push(c)
    if not c.landings.is_exact(at) or not c.landings.fits(at):
        return {}
    hands = _Hands(c.landings, at, with_handling(first_draws(c.landings.draws, COUNT)))
    before = hands.lands(hands.draws).mean()
    with_it = {
        MoveId.HOLD_WIRE_IN_TENSION: hands.lands(hands.draws, pull_N=hands.pull_N()),
        MoveId.ROTATE_GUIDE: hands.lands(with_guide_turned(hands.draws)),
        MoveId.DEEP_INSPIRATION: hands.lands(with_deep_breath(hands.draws)),
    }
    return {
        move: f"by the model the first push (lesion opened or not) then lands in {100.0 * lands.mean():.1f} of 100, "
        f"else in {100.0 * before:.1f}: {JUDGED[move]}"
        for move, lands in with_it.items()
    }


def _first_push(c: Climbed) -> RigKey:
    """Return the rig in which the device is first pushed."""
    choice: Choice[State] | None = c.best
    while choice is not None and choice.step is not None:
        if choice.opens != 0.0:
            return choice.step.then.at
        choice = choice.if_not
    return c.tree.start.at


@dataclass(frozen=True)
class _Hands:
    """One rig and the draws it is pushed in."""

    landings: Landings
    at: RigKey
    draws: DrawSet

    def pull_N(self) -> NDArray[np.float64]:
        """Return the tension the rail takes, (count,)."""
        path, tip = self.landings.case.path, self.landings.landing_mm(self.at)
        hold = free_wire_hold_N(
            self.landings.tree.met[self.at].situation.rig.rail,
            self.draws,
            beyond_mm=max(path.length_mm - tip, 0.0),
            bend_rad=path.bend_rad(min(tip, path.length_mm), path.length_mm),
        )
        return np.minimum(self.draws["wire_pull_N"], hold)

    def lands(self, draws: DrawSet, pull_N: NDArray[np.float64] | None = None) -> NDArray[np.bool_]:
        """Return in which draws the device lands, (count,)."""
        passage, curves = self.landings.passage(self.at), self.landings.curves(self.at, draws)
        load, locked = lesion_load_N(passage, draws, curves, crossing_load_N(passage, draws, curves.tips_mm))
        if pull_N is None:
            need, _ = need_from_curves(draws, curves, load, locked)
        else:
            need, _ = need_with_wire_held_N(draws, curves, load, locked, pull_N=pull_N)
        path, tip = self.landings.case.path, self.landings.landing_mm(self.at)
        hold = backup_N(
            self.landings.tree.met[self.at].situation.rig,
            draws,
            path_length_mm=path.length_mm,
            device_tip_mm=tip,
            bend_beyond_rad=path.bend_rad(min(tip, path.length_mm), path.length_mm),
        )
        limit = np.minimum(hold, np.minimum(*push_that_arrives_N(passage, draws)))
        return np.asarray(need.max(axis=1) <= limit)
