"""Moves are deliveries too: what a move places, whether it gets there, and what it takes to bring it back."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.app.carrying import (
    Carried,
    SolvedCarry,
    carried_by,
    own_deliveries,
    solve_carried,
    solve_own,
    trapped_caution,
)
from backstay.app.loading import LoadedCase, load_case
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.rigging.devices import Burr, Extension, Microcatheter, Stent
from backstay.core.rigging.move_table import single_moves
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import TrappedWire
from backstay.core.withdrawal.draws import with_way_back
from backstay.core.withdrawal.things import Laid, rear_edge_mm
from backstay.identifiers import MoveId


@pytest.fixture(scope="module")
def case(demo_dir: Path) -> LoadedCase:
    return load_case(demo_dir / "case.toml")


@pytest.fixture(scope="module")
def start(case: LoadedCase) -> Situation:
    return Situation(
        rig=case.rig, device=case.device, shelf=case.shelf, path=case.path, lesions=case.lesions, branches=case.branches,
        target_from_mm=case.target_from_mm, target_to_mm=case.target_to_mm,
    )  # fmt: skip


@pytest.fixture(scope="module")
def moves(start: Situation) -> dict[str, Alternative]:
    return {option.id: option for option in single_moves(start)}


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_way_back(sample(DEFAULT_DRAWS, count=256, seed=3), seed=3)


@pytest.fixture(scope="module")
def extensions(start: Situation, moves: dict[str, Alternative], draws: DrawSet) -> list[SolvedCarry]:
    """The extension to each of its depths: one solve."""
    wanted = [
        one for name, o in moves.items() if name.startswith("extension_") for one in carried_by(start, o)
    ]
    return solve_carried(start, wanted, draws)


def test_every_move_that_places_something_names_it(start: Situation, moves: dict[str, Alternative]) -> None:
    placed = {name: carried_by(start, option) for name, option in moves.items()}
    assert {kind for name, some in placed.items() for kind in [type(one.device) for one in some]} >= {
        Laid,
        Microcatheter,
        Burr,
    }
    for name, some in placed.items():
        assert bool(some) == name.startswith(("extension_", "rail_", "anchor_", "prepare_")), name
    burr = placed["prepare_atherectomy"][0]
    assert burr.tip_mm == start.lesions[0].from_mm  # it works from there on: it is not pushed through
    branch = next(o for name, o in moves.items() if name.startswith("anchor_")).rig.anchor
    assert branch is not None
    assert next(some for name, some in placed.items() if name.startswith("anchor_"))[0].tip_mm == branch.at_mm


def test_an_extension_in_place_is_not_placed_again(start: Situation, moves: dict[str, Alternative]) -> None:
    deep = moves["extension_20mm"].rig
    inside = replace(start, rig=deep)
    later = replace(moves["extension_20mm"], rig=deep.with_buddy(deep.rail), moves=(MoveId.BUDDY_WIRE,))
    assert carried_by(inside, later) == ()
    assert isinstance(deep.extension, Extension)
    farther = replace(later, rig=deep.with_extension(deep.extension, 28.0))
    assert [one.tip_mm for one in carried_by(inside, farther)] == [28.0]


def test_over_a_balloon_the_tube_lands_where_it_would_alone(
    start: Situation, moves: dict[str, Alternative]
) -> None:
    plain = moves["extension_20mm"]
    (bare,) = carried_by(start, plain)
    (led,) = carried_by(start, replace(plain, moves=(MoveId.EXTENSION_OVER_BALLOON,)))
    assert bare.tip_mm == 20.0 and "bare" in bare.aim and "balloon" in led.aim
    assert led.tip_mm - led.device.nose_mm == 20.0 and led.device.nose_mm > 0.0
    assert led.device.name.startswith(bare.device.name + " over ")


def test_the_trap_carries_its_proximal_stent(start: Situation, draws: DrawSet) -> None:
    stent = next(d for d in start.shelf.devices.values() if isinstance(d, Stent))
    trapped = TrappedWire(start.rig.rail, 30.0, 30.0 + stent.working_mm)
    option = Alternative(
        "trap", "trap", (MoveId.TRAPPED_WIRE,), replace(start.rig, trapped=trapped), start.device, start.lesions, 0.0, 0.0, 0.0,
        "", (), (), tool=stent,
    )  # fmt: skip
    (one,) = carried_by(start, option)
    assert one.device is stent and one.tip_mm == pytest.approx(stent.landing_tip_mm(trapped.to_mm))
    (said,) = trapped_caution(option, draws)
    assert "slips out in" in said and "order" in said
    assert trapped_caution(replace(option, rig=start.rig), draws) == ()


def test_a_shallower_place_is_reached_at_least_as_often(
    extensions: list[SolvedCarry], draws: DrawSet
) -> None:
    arrivals = sorted((one.answer(draws) for one in extensions), key=lambda a: a.carried.tip_mm)
    assert len({id(one.transfers) for one in extensions}) == 1
    assert len(arrivals) >= 3
    for near, far in itertools.pairwise(arrivals):
        assert np.all(near.arrives | ~far.arrives)
        assert np.all(near.need_N <= far.need_N)
        assert np.all(near.reach_mm <= far.reach_mm + 1e-9)
    assert arrivals[0].chance > arrivals[-1].chance > 0.0  # the bend takes its share


def test_reach_is_a_place_up_to_its_own(extensions: list[SolvedCarry], draws: DrawSet) -> None:
    for one in extensions:
        reach, need = one.reach(draws)
        assert reach.shape == need.shape == (draws.count,)
        assert np.all((reach >= 0.0) & (reach <= one.carried.tip_mm))
        # who is stopped was stopped by a need beyond the backup, so a guide that holds without end stops nobody who was not prolapsed
        sure = replace(
            draws,
            values={
                **draws.values,
                "guide_hold_N": np.full(draws.count, 1e3),
                "hand_push_N": np.full(draws.count, 1e3),
            },
        )
        assert np.all(one.reach(sure)[0][np.isfinite(need)] == one.carried.tip_mm)


def test_the_device_that_comes_back_into_an_extension_is_told_of(
    extensions: list[SolvedCarry], draws: DrawSet
) -> None:
    steep = replace(draws, values={**draws.values, "rim_slope": np.full(draws.count, 1.6)})
    for one in extensions:
        usual, locked = one.answer(draws), one.answer(steep)
        assert locked.caught > 0.9 >= usual.caught
        assert any(
            "drawn back undeployed" in text and "extension's mouth" in text for text in locked.warnings()
        )
        assert one.returning is not None and one.carried.returns is not None
        rear_mm = rear_edge_mm(one.carried.returns.device)
        assert rear_mm is not None
        meets = one.returning[0].tips_mm - rear_mm
        assert np.any(np.isclose(meets, one.carried.tip_mm))  # solved with the edge at the mouth itself


def test_the_way_in_alone_needs_no_draws_of_the_way_back(extensions: list[SolvedCarry]) -> None:
    plain = sample(DEFAULT_DRAWS, count=64, seed=5)
    assert extensions[0].reach(plain)[0].shape == (64,)


def test_what_does_not_fit_goes_nowhere(start: Situation, draws: DrawSet) -> None:
    burr = next(d for d in start.shelf.devices.values() if isinstance(d, Burr))
    wide = replace(burr, crossing_diameter_mm=3.0, tip_diameter_mm=2.0)
    (one,) = solve_carried(start, [Carried(wide, start.rig, 20.0, "reaches the lesion")], draws)
    arrival = one.answer(draws)
    assert not arrival.fits and arrival.chance == 0.0
    assert "does not fit" in arrival.words() and arrival.warnings() == ()


def test_the_plan_says_it_in_the_conditions(
    case: LoadedCase, start: Situation, moves: dict[str, Alternative], draws: DrawSet
) -> None:
    as_it_is = replace(
        moves["extension_10mm"], id="as_it_is", rig=start.rig, moves=(MoveId.AS_IT_IS,), tool=None
    )
    options = [as_it_is, moves["extension_10mm"], moves["seat_5mm"]]
    found = own_deliveries(options, solve_own(case, options, draws), draws)
    assert list(found) == ["extension_10mm", "seat_5mm"]
    (row,) = found["extension_10mm"]["carried"]
    assert row.tip_mm == 10.0 and row.chance > 0.9 and row.push_N.p50 is not None
    assert row.words in found["extension_10mm"]["conditions"]
    assert found["seat_5mm"]["carried"] == []
    assert found["seat_5mm"]["conditions"] == list(moves["seat_5mm"].conditions)
