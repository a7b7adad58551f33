"""The guide's rod and its wall against closed forms, conservation, symmetry and the observed order of convergence."""

from __future__ import annotations

import runpy
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from backstay.core.guide.aorta import ordinary_aorta
from backstay.core.guide.lumen import Course, joined
from backstay.core.guide.ordinary import ordinary_setup
from backstay.core.guide.pushback import pushed
from backstay.core.guide.rod import Hold, Rod, Settled, State, settle
from backstay.core.guide.seating import frames_along, seat
from backstay.identifiers import Access, Coronary, GuideShape

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "guide_rods.py"))
X, Y, Z = np.eye(3)


def tip_drop(edges: int) -> float:
    rod = RODS["bare"](RODS["straight"](edges), bending=1.0, twist=1.0, stretch=1e7)
    load = np.zeros(6 * edges + 3)
    load[6 * edges + 1] = 2.0
    assert rod.solve(load, rod.free())
    return float(rod.x[-1, 1])


def test_second_order() -> None:
    """Halving the edges at least quarters the error of a cantilever's drop."""
    a, b, c = (tip_drop(edges) for edges in (50, 100, 200))
    assert 1.95 < np.log2((b - a) / (c - b)) < 2.3


def test_curved_rod_under_a_small_load() -> None:
    """A quarter circle clamped at one end, loaded at the other along the radius there: pi P R^3 / 4 EI along it, P R^3 / 2 EI across."""
    edges, radius, load_N = 200, 10.0, 1e-4
    rod = RODS["clamped"](
        RODS["bare"](RODS["arc"](edges, radius, np.pi / 2), bending=500.0, twist=500.0, stretch=1e7), 0.0
    )
    begun = rod.x[-1].copy()
    load = np.zeros(6 * edges + 3)
    load[6 * edges] = load_N  # along the start's direction: the radius at the far end
    assert rod.solve(load, rod.free())
    moved = (rod.x[-1] - begun) * 500.0 / (load_N * radius**3)
    assert moved[0] == pytest.approx(np.pi / 4, rel=2e-3)
    assert abs(moved[1]) == pytest.approx(0.5, rel=2e-3)


def test_a_moment_adds_to_the_rest_curvature() -> None:
    """A couple at the tip bends a naturally curved rod to kappa_0 + M / EI all along."""
    edges, radius, moment = 60, 20.0, 12.0
    rod = RODS["clamped"](
        RODS["bare"](RODS["arc"](edges, radius, 1.2), bending=400.0, twist=400.0, stretch=1e6), 0.0
    )
    load = np.zeros(6 * edges + 3)
    load[6 * (edges - 1) + 4] = moment
    assert rod.solve(load, rod.free())
    turn = np.unwrap(np.arctan2(np.diff(rod.x[:, 1]), np.diff(rod.x[:, 0])))
    step = rod.length[0]
    expected = 2.0 * np.arctan(0.5 * step * (rod.rest[5, 1] + moment / 400.0))
    # joints of 0.03 rad: strain and turn differ by (0.016)^2
    assert np.diff(turn) == pytest.approx(expected, rel=3e-4)


def test_turned_space_gives_the_turned_rod() -> None:
    """Rod and load turned together in space come to rest as the same shape, turned."""
    edges = 40
    rotation = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    rotation *= np.sign(np.linalg.det(rotation))
    tips = []
    for turn in (np.eye(3), rotation):
        points = RODS["arc"](edges, 15.0, 1.5) @ turn.T
        rod = RODS["bare"](points, bending=300.0, twist=220.0, stretch=1e6, up=turn @ Z)
        load = np.zeros(6 * edges + 3)
        load[6 * edges :] = turn @ np.array([0.3, -0.2, 0.4])
        assert rod.solve(load, rod.free())
        tips.append(turn.T @ rod.x[-1])
    assert tips[1] == pytest.approx(tips[0], abs=1e-7)


def straight_rod(
    points: np.ndarray, *, bending: float, radius_mm: float, wall_MPa: float
) -> tuple[Rod, State]:
    edges = np.diff(points, axis=0)
    n = len(edges)
    length = np.linalg.norm(edges, axis=1)
    share = np.concatenate([[0.0], np.full(n - 1, length[0]), [0.5 * length[0]]])
    rod = Rod(
        length,
        np.zeros((n, 3)),
        np.tile([bending, bending, bending], (n, 1)),
        np.tile([2000.0, 2000.0, 2000.0], (n, 1)),
        np.full(n + 1, radius_mm),
        wall_MPa * share,
        np.zeros(n + 1, dtype=np.int64),
        True,
    )
    q = frames_along(edges, Z)
    return rod, State(points.copy(), q, q[0].copy(), np.zeros((n + 1, 3)), np.zeros(n + 1))


@pytest.mark.parametrize("friction", [0.1, 0.3])
def test_a_limp_rod_pulled_round_a_bend_obeys_the_capstan(friction: float) -> None:
    """A rod without stiffness drawn round a right angle: pull in over pull out is exp(friction x angle)."""
    bend = np.pi / 2
    course = Course(np.array([-30.0, 0.0, 0.0]), X, Y)
    course.straight(30.0, (2.0, 2.0)).bend(bend, 60.0, (2.0, 2.0)).straight(40.0, (2.0, 2.0))
    along = course.points(0.5)
    arc_mm = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(along, axis=0), axis=1))])
    places = np.linspace(10.0, 30.0 + 60.0 * bend + 20.0, 110)
    points = np.stack([np.interp(places, arc_mm, along[:, k]) for k in range(3)], axis=1)
    rod, state = straight_rod(points, bending=0.02, radius_mm=1.9, wall_MPa=20.0)
    lumen = joined([course], rim_mm=1.0)
    n = len(rod.length_mm)
    tip = Hold(n, Y, 0.0, 0.0, 0.5 * Y)
    found = settle(rod, lumen, state, tip, friction=0.0, drag_N_per_mm=0.5, most=600)
    assert found.found
    state = found.state
    for _ in range(12):
        found = settle(rod, lumen, state.moved_base(-0.25 * X), tip, friction=friction, most=200)
        assert found.found
        state = found.state
    first = np.linalg.norm(state.x[1] - state.x[0]) / rod.length_mm[0] - 1.0
    # 1 %: the rod is of 110 straight edges and keeps a little stiffness.
    assert 2000.0 * first / 0.5 == pytest.approx(np.exp(friction * bend), rel=0.01)


@pytest.fixture(scope="module")
def seated_guide() -> tuple:
    setup = ordinary_setup(
        GuideShape.STANDARD_LEFT, Coronary.LEFT, Access.FEMORAL, size_fr=6.0, root_diameter_mm=34.0
    )
    return setup, seat(setup)


def test_energy_balance(seated_guide: tuple) -> None:
    """Without friction the work of the push is what rod and wall store."""
    _, begun = seated_guide

    def stored_Nmm(found: Settled) -> float:
        wall = begun.rod.wall_N_per_mm
        pressed = np.where(wall > 0.0, found.state.normal_N**2 / np.maximum(2.0 * wall, 1e-9), 0.0)
        return found.energy_Nmm + float(pressed.sum())

    hold = begun.hold
    found = settle(begun.rod, begun.place.lumen, begun.state, hold, friction=0.0)
    before, work, last = stored_Nmm(found), 0.0, -hold.force_N(found.state)
    for k in range(1, 41):
        target = replace(hold, place_mm=hold.place_mm - 0.05 * k)
        place = float(found.state.x[hold.node] @ hold.axis)
        found = settle(begun.rod, begun.place.lumen, found.state, target, friction=0.0)
        assert found.found
        push = -target.force_N(found.state)
        work += 0.5 * (push + last) * (place - float(found.state.x[hold.node] @ hold.axis))
        last = push
    # 1 %: the trapezoid rule over forty steps.
    assert stored_Nmm(found) - before == pytest.approx(work, rel=0.01)


def test_space_gives_the_plane_where_nothing_leaves_it(seated_guide: tuple) -> None:
    """With everything in the arch's plane the rod in space holds as the rod in the plane."""
    setup, begun = seated_guide
    free = replace(setup, planar=False)
    in_space = replace(begun, rod=replace(begun.rod, planar=False))
    assert pushed(free, in_space).backup_N == pytest.approx(pushed(setup, begun).backup_N, rel=1e-4)


def test_friction_never_lowers_the_first_push(seated_guide: tuple) -> None:
    setup, begun = seated_guide
    firsts = [pushed(replace(setup, friction=mu), begun).push_N[1] for mu in (0.0, 0.05, 0.1, 0.2)]
    assert all(a <= b + 1e-6 for a, b in pairwise(firsts))


def test_a_stiffer_guide_holds_in_proportion(seated_guide: tuple) -> None:
    """On a hard wall hold goes with bending stiffness: 7 Fr against 6 Fr within 6 % of the ratio of their sections."""
    holds = {}
    for size in (6.0, 7.0):
        setup = ordinary_setup(
            GuideShape.STANDARD_LEFT, Coronary.LEFT, Access.FEMORAL, size_fr=size, aorta=ordinary_aorta(34.0)
        )
        begun = seat(setup)
        holds[size] = pushed(setup, begun).backup_N / begun.rod.bending_Nmm2[0, 0]
    assert holds[7.0] == pytest.approx(holds[6.0], rel=0.06)
