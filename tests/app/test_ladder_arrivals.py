"""What a move places may not arrive, or only part of the way: each draw is credited with the rig that came about in it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.app.ladder.climbing import tree_of
from backstay.app.ladder.landings import Landings, part_ways
from backstay.app.ladder.states import RigKey, Tree
from backstay.app.loading import LoadedCase, load_case
from backstay.app.safety import case_safety
from backstay.app.sketching import demo_folder
from backstay.core.inference.chance import Outcome
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.ladder import as_mask
from backstay.core.inference.opening import with_opening
from backstay.identifiers import MoveId

COUNT = 256
KEPT = {"guide-6-sr", "ext-6", "wire-workhorse", "bal-nc-275-15", "stent-275-33"}


@pytest.fixture(scope="module")
def case() -> LoadedCase:
    demo = load_case(demo_folder() / "case.toml")
    kept = {k: d for k, d in demo.shelf.devices.items() if k in KEPT}
    return replace(demo, shelf=replace(demo.shelf, devices=kept))


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_opening(sample(DEFAULT_DRAWS, count=COUNT, seed=8))


@pytest.fixture
def tree(case: LoadedCase, draws: DrawSet) -> Tree:
    return tree_of(case, case_safety(case, []), draws, {})


def flags(seed: int, share: float) -> np.ndarray:
    return np.random.default_rng(seed).random(COUNT) < share


def adopted(landings: Landings, at: RigKey, lands: np.ndarray) -> None:
    """Give a rig's answer outright."""
    none = np.full(COUNT, None, dtype=object)
    blank, need = np.zeros((COUNT, 1)), np.ones((COUNT, 1))
    stopped = lands.astype(np.int64)
    landings.adopt(at, Outcome(np.array([50.0]), need, blank[:, 0], stopped, none, blank.astype(bool), blank))


@pytest.fixture
def extensions(tree: Tree) -> list[str]:
    """The extension's depths that the demo offers, the deepest first."""
    offered = [o for o, _ in tree.offered(tree.start.at) if o.moves == (MoveId.EXTENSION,)]
    found = [o.id for o in sorted(offered, key=lambda o: -o.rig.extension_depth_mm)]
    assert len(found) >= 3
    return found


def test_less_depth_of_the_same_extension_is_part_of_the_way(tree: Tree, extensions: list[str]) -> None:
    assert part_ways(tree, (), extensions[0]) == extensions[1:]
    assert part_ways(tree, (), extensions[-1]) == []
    buddy = next(o.id for o, _ in tree.offered(tree.start.at) if o.moves == (MoveId.BUDDY_WIRE,))
    assert part_ways(tree, (), buddy) == []


def test_an_extension_counts_for_the_depth_it_reaches(
    case: LoadedCase, draws: DrawSet, tree: Tree, extensions: list[str]
) -> None:
    deep, middle, shallow = extensions[0], extensions[1], extensions[-1]
    reach = np.random.default_rng(1).uniform(size=COUNT)
    gets_to = {deep: reach > 0.7, middle: reach > 0.4, shallow: reach > 0.2}
    lands = {name: flags(k, 0.4 + 0.1 * k) for k, name in enumerate(("", shallow, middle, deep))}
    landings = Landings(case, tree, draws, {}, {name: as_mask(flag) for name, flag in gets_to.items()})
    for name, flag in lands.items():
        adopted(landings, tree.along((name,) if name else ()), flag)
    expected = [
        lands[next((name for name in (deep, middle, shallow) if gets_to[name][i]), "")][i]
        for i in range(COUNT)
    ]
    assert landings.lands(tree.along((deep,))) == as_mask(np.array(expected))
    # Part of the way is worth something here: neither all nor nothing is the same.
    whole = np.where(gets_to[deep], lands[deep], lands[""])
    assert not np.array_equal(expected, whole) and not np.array_equal(expected, lands[deep])


def test_a_later_move_finds_the_rig_that_came_about(
    case: LoadedCase, draws: DrawSet, tree: Tree, extensions: list[str]
) -> None:
    """After an extension that did not get there a buddy wire lies beside no extension."""
    deep = extensions[0]
    buddy = next(o.id for o, _ in tree.offered(tree.start.at) if o.moves == (MoveId.BUDDY_WIRE,))
    came = flags(2, 0.6)
    with_both, only_buddy = flags(3, 0.9), flags(4, 0.5)
    landings = Landings(case, tree, draws, {}, {deep: as_mask(came)})
    at = tree.along((deep, buddy))
    assert at not in (tree.along((deep,)), tree.along((buddy,)))
    adopted(landings, at, with_both)
    adopted(landings, tree.along((buddy,)), only_buddy)
    assert landings.lands(at) == as_mask(np.where(came, with_both, only_buddy))


def test_once_nothing_more_is_solved_the_first_moves_that_are_count(
    case: LoadedCase, draws: DrawSet, tree: Tree, extensions: list[str]
) -> None:
    deep = extensions[0]
    buddy = next(o.id for o, _ in tree.offered(tree.start.at) if o.moves == (MoveId.BUDDY_WIRE,))
    came, start, both = flags(2, 0.6), flags(5, 0.3), flags(3, 0.9)
    landings = Landings(case, tree, draws, {}, {deep: as_mask(came)})
    at = tree.along((deep, buddy))
    adopted(landings, tree.start.at, start)
    adopted(landings, at, both)
    landings.close()
    assert landings.lands(at) == as_mask(np.where(came, both, start))
    assert landings.lands(tree.along((buddy,))) == 0


def test_what_always_arrives_changes_nothing(
    case: LoadedCase, draws: DrawSet, tree: Tree, extensions: list[str]
) -> None:
    deep, every = extensions[0], as_mask(np.ones(COUNT, dtype=bool))
    lands = flags(6, 0.5)
    for arrives in ({}, {deep: every}):
        landings = Landings(case, tree, draws, {}, arrives)
        adopted(landings, tree.along((deep,)), lands)
        assert landings.lands(tree.along((deep,))) == as_mask(lands)
