"""In which draws the device lands with a rig: from its solve, or, until it is solved, from the rigs it is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from backstay.app.ladder.states import RigKey, Tree
from backstay.app.loading import LoadedCase
from backstay.app.progress import Progress
from backstay.app.solving import (
    levels_for,
    passage_for,
    solve_all,
    solver_key,
    tips_for,
)
from backstay.core.inference.chance import (
    Outcome,
    crossing_load_N,
    lesion_load_N,
    need_from_curves,
    push_that_arrives_N,
)
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.ladder import as_mask
from backstay.core.inference.surface import Curves, Surface, design, scores_of, surface
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.delivery import Transfer
from backstay.core.rigging.fit import check_fit
from backstay.core.rigging.moves import Alternative, Situation
from backstay.identifiers import MoveId, Verdict

FloatArray = NDArray[np.float64]
ShapeKey = tuple[object, ...]

HOPE = 0.05
"""A rig that is not solved yet is taken to need so much less than the product of its moves says: a better order that hides behind
the approximation is then looked at, not overlooked."""
HIGHEST_NEED_N = 20.0
"""A prolapsed draw counts as this need where needs are compared; no rig has that backup."""
CHUNK = 1024
LADDER_DEPTHS = 20
"""Depths at which a ladder's rigs are solved and read: half of the plan's. Chances then differ from the plan's by the thinning alone."""


def situation_option(s: Situation, name: str) -> Alternative:
    """Return a situation as the solver takes it."""
    return Alternative(name, name, (), s.rig, s.device, s.lesions, 0.0, 0.0, 0.0, "", (), ())


@dataclass
class Landings:
    """Answers for every rig of a tree.

    Attributes
    ----------
    case : LoadedCase
        The case.
    tree : Tree
        What is climbed.
    draws : DrawSet
        The draws.
    solved : dict
        Solves by solver key: a rig whose shape is solved needs no other.
    arrives : dict of str to int
        Draws in which what a move places gets to its place, by move.
    depths : int
        Depths at which rigs are solved and read.
    closed : bool
        No more shapes are solved.
    need_N : dict
        Highest need on the way in of every draw, by rig answered.
    """

    case: LoadedCase
    tree: Tree
    draws: DrawSet
    solved: dict[ShapeKey, Sequence[Transfer]]
    arrives: dict[str, int] = field(default_factory=dict)
    depths: int = LADDER_DEPTHS
    closed: bool = False
    need_N: dict[RigKey, FloatArray] = field(default_factory=dict)
    _masks: dict[RigKey, int] = field(default_factory=dict)
    _exact: dict[RigKey, int] = field(default_factory=dict)
    _limits: dict[object, FloatArray] = field(default_factory=dict)
    _surfaces: dict[ShapeKey, Surface] = field(default_factory=dict)
    _fits: dict[object, bool] = field(default_factory=dict)
    _ratios: dict[str, FloatArray] = field(default_factory=dict)
    _landed: dict[RigKey, int] = field(default_factory=dict)
    _shaped: dict[RigKey, bool] = field(default_factory=dict)
    _own_only: bool = False

    def passage(self, at: RigKey) -> Passage:
        """Return the problem of a rig."""
        s = self.tree.met[at].situation
        return passage_for(self.case.path, s.lesions, situation_option(s, "state"), self.landing_mm(at))

    def landing_mm(self, at: RigKey) -> float:
        """Return where the device's tip stands at its landing place [mm from the ostium]."""
        return self.tree.met[at].situation.device.landing_tip_mm(self.case.target_to_mm)

    def is_exact(self, at: RigKey) -> bool:
        """Return whether a rig's answer is its own, or it is left out."""
        return at in self._exact or (self.closed and not self._has_shape(at))

    def fits(self, at: RigKey) -> bool:
        """Return whether everything passes."""
        key = at[:6]
        if key not in self._fits:
            s = self.tree.met[at].situation
            fit = check_fit(s.rig, s.device, landing_tip_mm=self.landing_mm(at), shelf=s.shelf)
            self._fits[key] = fit.verdict is not Verdict.NO
        return self._fits[key]

    def lands(self, at: RigKey) -> int:
        """Return the draws in which the device lands, by the solve or by the approximation.

        In every draw the rig is the one that came about: a move whose thing does not get to its place is left out, an extension
        stands at the deepest of the depths offered that it reaches.
        """
        found = self._landed.get(at)
        if found is None:
            way = self.tree.way_to(at)
            came = any(name in self.arrives for name in way) and not self._is_left_out(at)
            found = self._as_it_came(way, 0) if came else self._if_all_arrive(at)
            self._landed[at] = found
        return found

    def _as_it_came(self, way: tuple[str, ...], k: int) -> int:
        """Return the draws in which the device lands after moves of which those from the k-th on arrive, get part of the way, or do not."""
        while k < len(way) and way[k] not in self.arrives:
            k += 1
        if k == len(way):
            return self._if_all_arrive(self._nearest(way))
        before, after = way[:k], way[k + 1 :]
        came, found = self.arrives[way[k]], 0
        left = ~came
        if came:
            found = self._as_it_came(way, k + 1) & came
        for shallower in part_ways(self.tree, before, way[k]):
            came = self.arrives.get(shallower, 0) & left
            if came:
                found |= self._as_it_came((*before, shallower, *after), k + 1) & came
                left &= ~came
        if left & self._everything:
            found |= self._as_it_came((*before, *after), k) & left
        return found

    @property
    def _everything(self) -> int:
        return (1 << self.draws.count) - 1

    def _nearest(self, way: tuple[str, ...]) -> RigKey:
        """Return the rig of a way; once nothing more is solved, that of its first moves that is."""
        at = self.tree.along(way)
        while way and self._is_left_out(at):
            way = way[:-1]
            at = self.tree.along(way)
        return at

    def _is_left_out(self, at: RigKey) -> bool:
        return self.closed and at not in self._exact and not self._has_shape(at)

    def _has_shape(self, at: RigKey) -> bool:
        """Return whether a rig can be answered without a solve; one that does not fit can."""
        found = self._shaped.get(at)
        if found is None:
            fits = self.fits(at) if self._own_only else self._fits.get(at[:6], True)
            found = self._shaped[at] = not fits or solver_key(self.passage(at)) in self.solved
        return found

    def _if_all_arrive(self, at: RigKey) -> int:
        found = self._exact.get(at, self._masks.get(at))
        if found is None and self._is_left_out(at):
            return 0
        if found is None and self._own_only:
            self.take([at])
            found = self._exact[at]
        if found is None:
            # Whether all passes takes long to tell with many wires: it is asked only of rigs that matter.
            found = as_mask(self._approximate(at) <= self.limit_N(at)) if self._fits.get(at[:6], True) else 0
            self._masks[at] = found
        return found

    def limit_N(self, at: RigKey) -> FloatArray:
        """Return the least of backup, push that arrives and shaft buckling: no solve is needed for them."""
        key = at[:6]
        if key not in self._limits:
            s, tip = self.tree.met[at].situation, self.landing_mm(at)
            path = self.case.path
            hold = backup_N(
                s.rig,
                self.draws,
                path_length_mm=path.length_mm,
                device_tip_mm=tip,
                bend_beyond_rad=path.bend_rad(min(tip, path.length_mm), path.length_mm),
            )
            self._limits[key] = np.minimum(
                hold, np.minimum(*push_that_arrives_N(self.passage(at), self.draws))
            )
        return self._limits[key]

    def _approximate(self, at: RigKey) -> FloatArray:
        """Return the need of a rig that is not solved: that of the rig before it, times what its last move does elsewhere."""
        moved = self.tree.met[at]
        if moved.reached_from is None:
            return self.need_N[at]
        before = self.need_N.get(moved.reached_from)
        before = self._approximate(moved.reached_from) if before is None else before
        return np.minimum(before * self._ratio(moved.by) * (1.0 - HOPE), HIGHEST_NEED_N)

    def _ratio(self, by: str) -> FloatArray | float:
        """Return what a move does to the need where both sides of it are solved; 1 where they nowhere are."""
        return self._ratios.get(by, 1.0)

    def close(self) -> None:
        """Solve no more, and leave out what is not solved: from now on every answer is a rig's own."""
        self._own_only = True
        self.solve_no_more()

    def solve_no_more(self) -> None:
        """Leave out rigs whose shape is not solved from now on; of the others some are still approximated."""
        self.closed = True
        self._shaped.clear()
        self._masks.clear()
        self._landed.clear()

    def take(self, rigs: Sequence[RigKey]) -> None:
        """Answer rigs whose shapes are solved, from their solves."""
        fresh: set[RigKey] = set()
        learnt: set[str] = set()
        for at in rigs:
            if at in self._exact:
                continue
            fresh.add(at)
            if self.fits(at):
                self.need_N[at] = self._need_N(at)
                self._exact[at] = as_mask(self.need_N[at] <= self.limit_N(at))
            else:
                self._exact[at] = 0
            moved = self.tree.met[at]
            if at in self.need_N and moved.reached_from in self.need_N and moved.by not in self._ratios:
                self._ratios[moved.by] = self.need_N[at] / self.need_N[moved.reached_from]
                learnt.add(moved.by)
        self._landed.clear()
        self._masks = {at: mask for at, mask in self._masks.items() if not self._rests_on(at, fresh, learnt)}

    def adopt(self, at: RigKey, outcome: Outcome | None) -> None:
        """Take a rig's answer as it was given elsewhere over the same draws; without one nothing lands with it."""
        self._landed.clear()
        if outcome is None:
            self.need_N[at], self._exact[at] = np.full(self.draws.count, HIGHEST_NEED_N), 0
            return
        self.need_N[at] = np.minimum(outcome.highest_need_N, HIGHEST_NEED_N)
        self._exact[at] = as_mask(outcome.stopped == len(outcome.tips_mm))
        moved = self.tree.met[at]
        if moved.reached_from in self.need_N:
            self._ratios[moved.by] = self.need_N[at] / self.need_N[moved.reached_from]

    def _rests_on(self, at: RigKey, fresh: set[RigKey], learnt: set[str]) -> bool:
        """Return whether a rig's approximation rests on rigs or moves that were just solved."""
        on: RigKey | None = at
        while on is not None:
            moved = self.tree.met[on]
            if on in fresh or moved.by in learnt:
                return True
            on = None if on in self._exact else moved.reached_from
        return False

    def _need_N(self, at: RigKey) -> FloatArray:
        """Return the highest need on the way in for every draw, in parts that keep memory low."""
        passage = self.passage(at)
        found = []
        for first in range(0, self.draws.count, CHUNK):
            part = DrawSet(
                {name: v[first : first + CHUNK] for name, v in self.draws.values.items()},
                min(CHUNK, self.draws.count - first),
                self.draws.specs,
            )
            curves = self.curves(at, part)
            load, locked = lesion_load_N(
                passage, part, curves, crossing_load_N(passage, part, curves.tips_mm)
            )
            need, _ = need_from_curves(part, curves, load, locked)
            found.append(need.max(axis=1))
        return np.asarray(np.minimum(np.concatenate(found), HIGHEST_NEED_N))

    def curves(self, at: RigKey, draws: DrawSet) -> Curves:
        """Return a solved rig's curves for some draws, at the ladder's depths."""
        key = solver_key(self.passage(at))
        if key not in self._surfaces:
            transfers = [thinned(one, self.depths) for one in self.solved[key]]
            self._surfaces[key] = surface(
                transfers, draws.specs, design(), search_to_N=transfers[0].levels_N[:, -1]
            )
        return self._surfaces[key].curves(scores_of(draws.specs, draws))

    def unsolved(self, rigs: Sequence[RigKey]) -> list[RigKey]:
        """Return the rigs that need a solve."""
        return [
            at
            for at in rigs
            if at not in self._exact and self.fits(at) and solver_key(self.passage(at)) not in self.solved
        ]

    def solve(self, rigs: Sequence[RigKey], progress: Progress | None = None) -> None:
        """Solve the shapes of rigs that were not, and answer them all."""
        passages: dict[ShapeKey, Passage] = {}
        tips, levels = dict[ShapeKey, FloatArray](), dict[ShapeKey, FloatArray]()
        few = first_draws(self.draws, CHUNK)
        for at in self.unsolved(rigs):
            passage = self.passage(at)
            key = solver_key(passage)
            passages.setdefault(key, passage)
            tips[key] = tips_for(passage, self.landing_mm(at), self.depths)
            wanted = levels_for(crossing_load_N(passage, few, tips[key]))
            levels[key] = np.maximum(levels[key], wanted) if key in levels else wanted
        if passages:
            self.solved.update(
                solve_all(passages, self.draws.specs, tips=tips, levels=levels, progress=progress)
            )
        self.take(rigs)


def part_ways(tree: Tree, before: Sequence[str], name: str) -> list[str]:
    """Return the moves that leave a move's extension at less depth, the deepest first; none for another move."""
    at = tree.along(before)
    option = tree.taken.get((at, name))
    extension = None if option is None else option.rig.extension
    if option is None or extension is None or MoveId.EXTENSION not in option.moves:
        return []
    less = [
        other
        for other, _ in tree.offered(at)
        if other.moves == option.moves
        and other.rig.extension == extension
        and other.rig.extension_depth_mm < option.rig.extension_depth_mm
    ]
    return [other.id for other in sorted(less, key=lambda o: -o.rig.extension_depth_mm)]


def thinned(transfer: Transfer, depths: int) -> Transfer:
    """Return a solve at about so many of its depths, the last among them."""
    count = len(transfer.tips_mm)
    if count <= depths:
        return transfer
    kept = np.unique(np.round(np.linspace(count - 1, 0, depths)).astype(np.int64))
    return replace(
        transfer,
        tips_mm=transfer.tips_mm[kept],
        levels_N=transfer.levels_N[kept],
        readings=transfer.readings[kept],
        slopes=transfer.slopes[kept],
        prolapse_N=transfer.prolapse_N[kept],
    )


def first_draws(draws: DrawSet, count: int) -> DrawSet:
    """Return the first draws of a set."""
    return some_draws(draws, np.arange(min(count, draws.count)))


def some_draws(draws: DrawSet, which: NDArray[np.int64]) -> DrawSet:
    """Return some of a set of draws, by number."""
    return DrawSet({name: v[which] for name, v in draws.values.items()}, len(which), draws.specs)


def by_shape(solved: Sequence[tuple[Passage, Sequence[Transfer]]]) -> dict[ShapeKey, Sequence[Transfer]]:
    """Return solves by what the solver tells apart."""
    return {solver_key(passage): transfers for passage, transfers in solved}
