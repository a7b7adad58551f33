"""What must always hold on the way back, and how its parts are put together."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.surface import Curves, curves_for_draws, design, factors_at, scores_of
from backstay.core.mechanics.assembly import Passage, ShapeFactors, Vessel, prepare
from backstay.core.mechanics.elastic import Work, lay_assembly, lay_edges, push_terms, workspace
from backstay.core.mechanics.march import PUSH, READINGS
from backstay.core.rigging.devices import AccessRoute, Extension, Guide, Stent, Wire
from backstay.core.rigging.rig import Rig, TrappedWire
from backstay.core.withdrawal.draws import with_way_back
from backstay.core.withdrawal.guide_in import drawn_in_mm, guide_springs_N_per_mm
from backstay.core.withdrawal.pull import Pull, pull_back, pull_under_load_N, tips_back
from backstay.core.withdrawal.sweep import load_back, march_back, transfer_back
from backstay.core.withdrawal.things import NO_WIRE, bare, rear_edge_mm, spring_N_per_mm, tube, without_wire
from backstay.core.withdrawal.trapped import pull_trapped, slips_N
from backstay.core.withdrawal.warn import (
    BREAK_SHARE,
    CATCH_SHARE,
    DEEP_SHARE,
    STENT_MOVES_SHARE,
    STRIPPED_SHARE,
    way_back_warnings,
)
from backstay.identifiers import Access, Calcium, Catch, GuideShape, TrappedEnd

FEW = settings(max_examples=20)
WIRE = Wire(
    id="w", name="wire", diameter_mm=0.356, length_cm=190.0, core_stiffness_Nmm2=5.0, tip_stiffness_Nmm2=0.3,
    floppy_mm=30.0, tip_load_N=0.01, coating="hydrophilic",
)  # fmt: skip
GUIDE = Guide(
    id="g", name="guide", size_fr=6.0, inner_diameter_mm=1.8, length_cm=100.0, shape=GuideShape.STANDARD_RIGHT
)
STENT = Stent(
    id="s", name="stent", tip_diameter_mm=0.5, nose_mm=4.0, working_mm=18.0, crossing_diameter_mm=1.05,
    working_stiffness_Nmm2=28.0, nose_stiffness_Nmm2=2.0, shaft_stiffness_Nmm2=8.0, shaft_diameter_mm=0.85,
    wire_lumen_mm=0.42, rapid_exchange_mm=250.0, proximal_shaft_diameter_mm=0.65, length_cm=140.0,
    nominal_diameter_mm=2.75, expansion_limit_mm=3.75, nominal_atm=11.0, rated_burst_atm=16.0,
)  # fmt: skip
EXTENSION = Extension(
    id="e", name="extension", for_guide_fr=6.0, inner_diameter_mm=1.45, outer_diameter_mm=1.7, tube_length_mm=250.0,
    collar_inner_diameter_mm=1.45, push_rod_diameter_mm=0.5, length_cm=150.0, stiffness_Nmm2=40.0,
)  # fmt: skip
RIG = Rig(access=AccessRoute(Access.RIGHT_RADIAL, 6.0), guide=GUIDE, rail=WIRE)
REAR_MM = 22.0


def passage(rig: Rig = RIG, *, dissected: bool = True) -> Passage:
    s = np.arange(101.0)
    curvature = np.stack([0.05 * np.sin(s / 17.0), 0.04 * np.sin(s / 11.0 + 1.0)], axis=1)
    radius = 1.6 - 1.15 * np.exp(-(((s - 40.0) / 6.0) ** 2))
    path = LumenPath.from_curvature(curvature, radius, radius_sd_mm=0.08, spacing_mm=1.0)
    return Passage(path, (Lesion(28.0, 52.0, Calcium.SEVERE, (), dissected),), rig, STENT, 95.0)


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_way_back(sample(DEFAULT_DRAWS, count=128, seed=2), seed=2)


def curves_of(p: Passage, draws: DrawSet, tips_mm: np.ndarray) -> Curves:
    transfers = [
        transfer_back(
            p,
            factors_at(draws.specs, z),
            tips_mm=tips_mm,
            levels_N=np.array([0.0, 0.3, 1.0, 2.0]),
            rear_mm=REAR_MM,
        )
        for z in design()
    ]
    return curves_for_draws(
        transfers,
        draws.specs,
        design(),
        at=scores_of(draws.specs, draws),
        search_to_N=transfers[0].levels_N[:, -1],
    )


@pytest.fixture(scope="module")
def solved(draws: DrawSet) -> tuple[Passage, Curves]:
    p = passage()
    return p, curves_of(p, draws, tips_back(to_mm=70.0, rear_mm=REAR_MM, edges_mm=(0.0, 45.0), count=8))


def pulled(solved: tuple[Passage, Curves], draws: DrawSet, **changes: np.ndarray) -> Pull:
    p, curves = solved
    return pull_back(
        p, replace(draws, values={**draws.values, **changes}), curves, rear_mm=REAR_MM, stent_ends_mm=(45.0,)
    )


# Monotone laws: nothing that resists more makes the way back easier


@pytest.mark.parametrize(
    "name",
    ["friction_wire", "friction_extension", "lesion_factor", "ledge_factor", "rim_slope", "stent_end_slope"],
)
def test_more_resistance_never_needs_less_pull(
    solved: tuple[Passage, Curves], draws: DrawSet, name: str
) -> None:
    less = pulled(solved, draws)
    more = pulled(solved, draws, **{name: 1.4 * draws[name]})
    assert np.all(more.pull_N >= less.pull_N - 1e-9)
    if name != "friction_extension":  # nothing slides in an extension here but at the rim
        assert np.any(more.pull_N > less.pull_N + 1e-4)


@pytest.fixture(scope="module")
def shape() -> tuple[Vessel, np.ndarray, Work, int]:
    """One shape in tension, with its work arrays laid."""
    vessel = prepare(passage(), ShapeFactors(friction_wall=0.08, bed_MPa=0.15))
    nodes = len(vessel.path.s_mm)
    work, w, q = workspace(nodes), np.zeros((nodes, 2)), np.zeros(nodes)
    out, slopes = np.zeros((3, READINGS)), np.zeros((3, 1))
    load, m = load_back(vessel, 60.0, REAR_MM), nodes - 10
    march_back(
        vessel.tube, load, vessel.wire_Nmm2, REAR_MM, 0, np.array([0.0, 0.3, 0.8]), m, w, q, work, out, ((vessel.tube, load),), slopes
    )  # fmt: skip
    assert np.all(np.isfinite(out[:, PUSH]))
    lay_edges(vessel.tube, w, m, work)
    lay_assembly(vessel.tube, load, m, work)
    return vessel, w, work, m


@FEW
@given(st.floats(0.0, 0.5), st.floats(0.0, 0.5), st.floats(0.0, 2.0))
def test_more_friction_at_the_same_shape_never_needs_less_pull(
    shape: tuple[Vessel, np.ndarray, Work, int], a: float, b: float, load_N: float
) -> None:
    vessel, w, work, m = shape
    found = []
    for friction in sorted((a, b)):
        load = load_back(vessel, 60.0, REAR_MM)._replace(friction=-friction)
        q = np.zeros(len(w))
        for i in range(m - 1, 0, -1):  # from the free end, which carries none, back to the guide
            q[i - 1] = q[i] + sum(push_terms(vessel.tube, load, w, i, m, load_N, work))
        found.append(-q[0])
    assert found[1] >= found[0] - 1e-12
    if max(a, b) > min(a, b) + 1e-3:
        assert found[1] > found[0]


def test_the_parts_of_a_pull_are_in_order(solved: tuple[Passage, Curves], draws: DrawSet) -> None:
    pull = pulled(solved, draws)
    assert np.all(pull.wall_N >= 0.0) and np.all(pull.pull_N >= pull.wall_N - 1e-12)
    assert np.all(pull.free_N <= pull.pull_N + 1e-9)
    assert pull.at_mouth.sum() == 1 and pull.tips_mm[pull.at_mouth] == pytest.approx(REAR_MM)
    assert np.all(pull.edge_N[:, pull.tips_mm < REAR_MM - 1.0] == 0.0)  # there the edge is in the guide


def test_from_farther_out_the_highest_pull_is_no_less(solved: tuple[Passage, Curves], draws: DrawSet) -> None:
    pull = pulled(solved, draws)
    rows = [pull.highest_N(np.full(draws.count, at)) for at in (0.0, 10.0, 30.0, 50.0, 70.0)]
    assert np.all(np.diff(rows, axis=0) >= 0.0)
    assert np.array_equal(rows[-1], pull.pull_N.max(axis=1))


def test_an_edge_on_a_steep_end_locks(solved: tuple[Passage, Curves], draws: DrawSet) -> None:
    pull = pulled(solved, draws, stent_end_slope=np.full(draws.count, 1.57))
    there = np.abs(pull.tips_mm - REAR_MM - 45.0) <= 1.0
    lies_on_it = pull.edge_N[:, there] > 0.0
    assert lies_on_it.any() and np.all(np.isinf(pull.pull_N[:, there][lies_on_it]))
    assert np.all(np.isfinite(pull.wall_N))


# The guide


@FEW
@given(st.floats(0.0, 3.0), st.floats(1.0, 3.0))
def test_a_harder_pull_draws_the_guide_farther_in(wall_N: float, times: float) -> None:
    draws = with_way_back(sample(DEFAULT_DRAWS, count=16, seed=4), seed=4)
    less, more = (drawn_in_mm(RIG, draws, wall_N=np.full(16, w)) for w in (wall_N, wall_N * times))
    assert np.all(more >= less)


def test_only_the_guides_own_curve_holds_it_out(draws: DrawSet) -> None:
    out, inwards = guide_springs_N_per_mm(RIG, draws)
    assert np.array_equal(inwards, out * draws["guide_in_share"])
    crowded = RIG.with_extension(EXTENSION, 30.0).with_buddy(WIRE)
    assert np.array_equal(guide_springs_N_per_mm(crowded, draws)[1], inwards)
    strong = replace(RIG, guide=replace(GUIDE, shape=GuideShape.AMPLATZ_RIGHT))
    assert np.all(guide_springs_N_per_mm(strong, draws)[1] > inwards)


# A trapped wire


@FEW
@given(st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_a_shorter_trapped_length_never_holds_more(a_mm: float, b_mm: float) -> None:
    draws = with_way_back(sample(DEFAULT_DRAWS, count=16, seed=4), seed=4)
    short, long = (pull_trapped(TrappedWire(WIRE, 5.0, 5.0 + x), draws) for x in sorted((a_mm, b_mm)))
    assert np.all(short.slips_N <= long.slips_N)
    assert np.all(short.at_N <= long.at_N)


def test_the_least_of_three_gives_first(draws: DrawSet) -> None:
    one = pull_trapped(TrappedWire(WIRE, 0.0, 20.0), draws)
    slip = slips_N(TrappedWire(WIRE, 0.0, 20.0), draws)
    assert np.all(one.at_N <= slip)
    assert np.all((one.ends == TrappedEnd.SLIPS) == (one.at_N == slip))
    assert sum(one.chance(end) for end in TrappedEnd) == pytest.approx(1.0)
    for end, name in ((TrappedEnd.MOVES_STENT, "stent_gives_N"), (TrappedEnd.BREAKS, "wire_end_strength_N")):
        weak = replace(draws, values={**draws.values, name: np.full(draws.count, 1e-3)})
        assert pull_trapped(TrappedWire(WIRE, 0.0, 20.0), weak).chance(end) == 1.0


def test_bends_add_to_a_pull_on_the_far_end(solved: tuple[Passage, Curves], draws: DrawSet) -> None:
    _, curves = solved
    none, some, more = (
        pull_under_load_N(curves, draws, np.full(draws.count, load)) for load in (0.0, 0.5, 1.5)
    )
    assert np.all(some - none > 0.5 - 0.02) and np.all(more - some > 1.0)


# The things


def test_rear_edges() -> None:
    assert rear_edge_mm(STENT) == 22.0
    assert rear_edge_mm(tube(EXTENSION)) is None and rear_edge_mm(bare(WIRE)) is None
    assert rear_edge_mm(replace(STENT, shaft_diameter_mm=1.03)) is None


def test_a_tube_over_a_balloon_is_stiffer_and_leads_with_its_nose() -> None:
    alone, led = tube(EXTENSION), tube(EXTENSION, over=STENT)
    far = np.array([40.0])
    assert (
        led.profile.stiffness_at_Nmm2(far)
        == alone.profile.stiffness_at_Nmm2(far) + STENT.shaft_stiffness_Nmm2
    )
    assert led.profile.radius_at_mm(np.array([0.0])) < alone.profile.radius_at_mm(np.array([0.0]))
    assert led.profile.radius_at_mm(far) == alone.profile.radius_at_mm(far) == 0.85


def test_springs_of_things() -> None:
    assert spring_N_per_mm(tube(EXTENSION)) > spring_N_per_mm(bare(WIRE)) > 0.0
    assert 0.0 < spring_N_per_mm(STENT) < spring_N_per_mm(tube(EXTENSION))


def test_the_wire_that_moves_does_not_lie_still_as_well() -> None:
    stiff = replace(WIRE, id="stiff", core_stiffness_Nmm2=20.0)
    both = RIG.with_buddy(stiff)
    assert without_wire(both, WIRE).rail is stiff and without_wire(both, WIRE).buddies == ()
    assert without_wire(both, stiff).rail is WIRE and without_wire(both, stiff).buddies == ()
    ghost = without_wire(RIG, WIRE).rail
    assert ghost.id == NO_WIRE and ghost.core_stiffness_Nmm2 < 0.01 * WIRE.core_stiffness_Nmm2
    assert bare(WIRE, beside=(stiff,)).profile.radius_mm[0] == pytest.approx(0.356)
    assert bare(WIRE).profile.radius_mm[0] == pytest.approx(0.178)


def test_places_that_an_edge_must_meet_are_among_those_solved() -> None:
    tips = tips_back(to_mm=70.0, rear_mm=22.0, edges_mm=(0.0, 30.0, 60.0), count=9)
    assert {22.0, 52.0} <= set(tips) and 82.0 not in tips
    assert np.all(np.diff(tips) >= 0.5) and tips[-1] == 70.0


# What is said, and what is not yet


SAID = {
    "pull": ({"pull_N": 0.61}, {"pull_N": 0.60}),
    "catch": ({"catches": {Catch.GUIDE_TIP: CATCH_SHARE}}, {"catches": {Catch.GUIDE_TIP: CATCH_SHARE - 1e-6}}),
    "deep": ({"guide_in_share": DEEP_SHARE}, {"guide_in_share": DEEP_SHARE - 1e-6}),
    "stripped": ({"stripped_share": STRIPPED_SHARE}, {"stripped_share": STRIPPED_SHARE - 1e-6}),
    "breaks": ({"trapped": {TrappedEnd.BREAKS: BREAK_SHARE}}, {"trapped": {TrappedEnd.BREAKS: BREAK_SHARE - 1e-6}}),
    "stent moves": (
        {"trapped": {TrappedEnd.MOVES_STENT: STENT_MOVES_SHARE}},
        {"trapped": {TrappedEnd.MOVES_STENT: STENT_MOVES_SHARE - 1e-6}},
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(SAID))
def test_a_worse_way_back_is_said_and_a_near_miss_is_not(name: str) -> None:
    quiet = {"pull_N": 0.3, "push_N": 0.6, "catches": {}, "guide_in_share": 0.0}
    bad, near = SAID[name]
    assert way_back_warnings(**quiet) == ()  # type: ignore[arg-type]
    assert len(way_back_warnings(**(quiet | bad))) == 1  # type: ignore[arg-type]
    assert way_back_warnings(**(quiet | near)) == ()  # type: ignore[arg-type]
