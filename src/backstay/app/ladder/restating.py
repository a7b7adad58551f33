"""The numbers of a ladder from as many draws as they need: more of the same sequence, followed down the rungs alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from backstay.app.ladder.climbing import Climbed, arrivals, opened_by
from backstay.app.ladder.landings import Landings, part_ways, some_draws
from backstay.app.ladder.states import RigKey, State
from backstay.core.inference.draws import DrawSet, sample
from backstay.core.inference.ladder import FEWEST_DRAWS, Choice
from backstay.core.inference.opening import with_opening

MOST_BLOCKS = 12
"""So many times the draws of the search at most."""


@dataclass
class Count:
    """What became of the draws that came to a rung, by weight; `draws` is what they are worth."""

    draws: float = 0.0
    weight: float = 0.0
    opened: float = 0.0
    landed: float = 0.0


@dataclass
class Restated:
    """Counts by rung, and what they come to.

    Attributes
    ----------
    counts : dict of int to Count
        By the identity of the policy's choice.
    total : float
        Weight of all draws.
    draw_count : int
        Their number.
    """

    counts: dict[int, Count]
    total: float
    draw_count: int

    def of(self, choice: Choice[State]) -> Count:
        """Return the counts of a rung."""
        return self.counts[id(choice)]

    def known(self, choice: Choice[State]) -> bool:
        """Return whether enough draws stand behind a rung."""
        return id(choice) in self.counts and self.of(choice).draws >= FEWEST_DRAWS


def restate(c: Climbed) -> Restated:
    """Return the counts of a ladder's rungs, with more draws until each rung has enough or no more are to be had.

    Weighted draws cannot be added to: their counts are those of the search.
    """
    counts: dict[int, Count] = {}
    draws = c.landings.draws
    _count_search(c, c.best, counts)
    found = Restated(counts, c.best.weight, draws.count)
    weighted = bool(c.ladder.weighing.squares)
    block = 0
    while not weighted and c.seed is not None and block < MOST_BLOCKS and _short(found, c.best):
        block += 1
        more = sample(draws.specs, count=draws.count * (block + 1), seed=c.seed)
        part = with_opening(some_draws(more, np.arange(draws.count * block, more.count)), block=block)
        _follow(c, c.best, part, counts)
        found = Restated(counts, counts[id(c.best)].weight, more.count)
    return found


def _rungs(choice: Choice[State] | None) -> list[Choice[State]]:
    if choice is None or choice.step is None:
        return []
    return [choice, *_rungs(choice.then), *_rungs(choice.if_not)]


def _short(found: Restated, best: Choice[State]) -> bool:
    return any(not found.known(one) for one in _rungs(best))


def _count_search(c: Climbed, choice: Choice[State], counts: dict[int, Count]) -> None:
    for one in _rungs(choice):
        opened = one.weight if one.opens is None else one.opens * one.weight
        counts[id(one)] = Count(one.draws, one.weight, opened, (one.lands or 0.0) * one.weight)


def _follow(c: Climbed, choice: Choice[State] | None, draws: DrawSet, counts: dict[int, Count]) -> None:
    """Follow more draws down a policy."""
    if choice is None or choice.step is None or draws.count == 0:
        return
    count, step = counts[id(choice)], choice.step
    opened = np.ones(draws.count, dtype=bool)
    if step.opens is not None:
        opened = _opened(c, choice, draws)
    landed = np.zeros(draws.count, dtype=bool)
    if opened.any():
        pushed = some_draws(draws, np.flatnonzero(opened))
        landed[opened] = _landed(c, step.then.at, pushed)
    count.draws += draws.count
    count.weight += draws.count
    count.opened += int(opened.sum())
    count.landed += int(landed.sum())
    _follow(c, choice.then, some_draws(draws, np.flatnonzero(opened & ~landed)), counts)
    _follow(c, choice.if_not, some_draws(draws, np.flatnonzero(~opened)), counts)


def _bits(mask: int, count: int) -> np.ndarray:
    """Return a set of draws as truth values."""
    raw = np.frombuffer(mask.to_bytes((count + 7) // 8, "little"), dtype=np.uint8)
    return np.unpackbits(raw, count=count, bitorder="little").astype(bool)


def _opened(c: Climbed, choice: Choice[State], draws: DrawSet) -> np.ndarray:
    assert choice.step is not None
    before = c.tree.met[choice.state.at].situation
    option = c.tree.taken[choice.state.at, choice.step.name]
    things = c.carried.get(option.id)
    mask = opened_by(before, option, draws, arrivals(things, draws) if things else None)
    return _bits(mask or 0, draws.count)


def _landed(c: Climbed, at: RigKey, draws: DrawSet) -> np.ndarray:
    """Return the draws in which the device lands with a rig of the ladder."""
    way = c.tree.way_to(at)
    names = {name for k, own in enumerate(way) for name in (own, *part_ways(c.tree, way[:k], own))}
    arrives = {name: arrivals(things, draws) for name in names if (things := c.carried.get(name))}
    landings = Landings(c.landings.case, c.tree, draws, c.landings.solved, arrives, c.landings.depths)
    landings.close()
    landings.take([at] if not landings.unsolved([at]) else [])
    return _bits(landings.lands(at), draws.count)
