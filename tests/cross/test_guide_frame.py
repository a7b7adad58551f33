"""The guide's rod against a general-purpose finite-element library for frames (frame_rod/generate.py beside its data).

What may differ: 320 and 240 corotational elements there, 160 and 240 edges with the same stretch here, and the hold on the end (200 N/mm).
"""

from __future__ import annotations

import json
import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.core.guide.lumen import Course, joined
from backstay.core.guide.rod import Hold, Rod, State, settle
from backstay.core.guide.seating import frames_along

HERE = Path(__file__).parent
DATA = json.loads((HERE / "frame_rod" / "reference.json").read_text())
RODS = runpy.run_path(str(HERE.parent / "guide_rods.py"))
X, Y, Z = np.eye(3)
HOOK_WITHIN_MM = 0.05
"""Of a hook of 81 mm whose tip moves by up to 80 mm."""
PUSH_WITHIN, WALL_WITHIN_N = 0.01, 0.01


def hook_points(edges: int) -> np.ndarray:
    """Return the hook's nodes: 30 mm straight, 120 degrees on 15 mm, 20 mm straight."""
    lengths = np.array([30.0, 15.0 * np.radians(120.0), 20.0])
    s = np.linspace(0.0, lengths.sum(), edges + 1)
    angle = np.clip((0.5 * (s[1:] + s[:-1]) - 30.0) / 15.0, 0.0, np.radians(120.0))
    step = np.diff(s)[:, None] * np.stack([np.cos(angle), np.sin(angle), 0.0 * angle], axis=1)
    return np.vstack([np.zeros(3), np.cumsum(step, axis=0)])


def hook_tips(edges: int, *, bending_Nmm2: float) -> dict[float, np.ndarray]:
    """Return the tip's place by load."""
    rod = RODS["bare"](
        hook_points(edges), bending=bending_Nmm2, twist=bending_Nmm2, stretch=DATA["stretch_N"]
    )
    rod = RODS["clamped"](rod, 0.0)
    free, load = rod.free(), np.zeros(6 * edges + 3)
    free[2::6] = free[3::6] = free[5::6] = False
    tips = {}
    for share in np.arange(1, 81) * 0.005:
        load[6 * edges + 1] = -share
        assert rod.solve(load, free)
        tips[round(float(share), 3)] = rod.x[-1].copy()
    return tips


def test_a_hook_swung_through_a_large_angle() -> None:
    tips = hook_tips(160, bending_Nmm2=DATA["bending_Nmm2"])
    for row in DATA["hook"]:
        x, y, _ = tips[row["load_N"]]
        assert x == pytest.approx(row["x_mm"], abs=HOOK_WITHIN_MM)
        assert y == pytest.approx(row["y_mm"], abs=HOOK_WITHIN_MM)


def test_hook_twin() -> None:
    """Twin: a hook one per cent stiffer ends elsewhere."""
    tips = hook_tips(160, bending_Nmm2=1.01 * DATA["bending_Nmm2"])
    row = DATA["hook"][2]
    assert abs(tips[row["load_N"]][0] - row["x_mm"]) > HOOK_WITHIN_MM


def channel_rows(*, wall_MPa: float, edges: int = 240) -> np.ndarray:
    """Return place, push, load on the upper and on the lower wall, step by step."""
    case, radius = DATA["channel"], 1.0
    length = np.full(edges, case["length_mm"] / edges)
    bore = case["clearance_mm"] + radius
    course = Course(-30.0 * X, X, Y)
    course.straight(200.0, (bore, bore))
    lumen = joined([course], rim_mm=1.0)
    bend, stretch = DATA["bending_Nmm2"], DATA["stretch_N"]
    share = np.concatenate([[0.0], length[1:], [0.5 * length[-1]]])
    rod = Rod(
        length,
        np.zeros((edges, 3)),
        np.tile([bend, bend, bend], (edges, 1)),
        np.tile([1e6, 1e6, stretch], (edges, 1)),
        np.full(edges + 1, radius),
        wall_MPa * share,
        np.zeros(edges + 1, dtype=np.int64),
        True,
    )
    x = np.zeros((edges + 1, 3))
    x[1:, 0] = np.cumsum(length)
    q = frames_along(np.diff(x, axis=0), Z)
    state = State(x, q, q[0].copy(), np.zeros_like(x), np.zeros(edges + 1))
    hold = Hold(edges, X, case["length_mm"], 2000.0, case["side_N"] * Y)
    rows = []
    for pushed in np.arange(0, 125) * 0.025:
        target = replace(hold, place_mm=case["length_mm"] - pushed)
        reached = settle(rod, lumen, state, target, friction=0.0, drag_N_per_mm=0.0, most=60)
        if not reached.found:
            reached = settle(rod, lumen, state, target, friction=0.0, drag_N_per_mm=1.0, most=400)
        assert reached.found
        state = reached.state
        upper = state.normal_N[state.x[:, 1] > 0.0].sum()
        rows.append(
            [case["length_mm"] - state.x[-1, 0], -target.force_N(state), upper, state.normal_N.sum() - upper]
        )
    return np.array(rows)


def at(rows: np.ndarray, pushed_mm: float) -> np.ndarray:
    """Return push and loads on both walls at a place between steps."""
    return np.array([np.interp(pushed_mm, rows[:, 0], rows[:, k]) for k in (1, 2, 3)])


@pytest.fixture(scope="module")
def channel() -> np.ndarray:
    return channel_rows(wall_MPa=DATA["channel"]["wall_MPa"])


@pytest.mark.parametrize("row", DATA["channel"]["rows"])
def test_a_rod_pushed_in_a_channel_buckles_and_rests_on_both_walls(
    channel: np.ndarray, row: dict[str, float]
) -> None:
    push, upper, lower = at(channel, row["pushed_mm"])
    assert push == pytest.approx(row["push_N"], rel=PUSH_WITHIN)
    assert upper == pytest.approx(row["upper_N"], abs=WALL_WITHIN_N)
    assert lower == pytest.approx(row["lower_N"], abs=WALL_WITHIN_N)


def test_channel_twin() -> None:
    """Twin: a wall a fifth as stiff is not it."""
    row = DATA["channel"]["rows"][-1]
    push, _, _ = at(channel_rows(wall_MPa=0.2), row["pushed_mm"])
    assert push != pytest.approx(row["push_N"], rel=PUSH_WITHIN)
