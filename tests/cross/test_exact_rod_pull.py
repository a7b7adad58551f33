"""The solver in tension against the independent geometrically exact rod drawn back (exact_rod/pull.py beside its data)."""

from __future__ import annotations

import json
import runpy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from backstay.core.mechanics.elastic import Load, tube, workspace
from backstay.core.mechanics.march import PUSH, READINGS
from backstay.core.withdrawal.sweep import march_back

HERE = Path(__file__).parent
IN = runpy.run_path(str(HERE / "test_exact_rod.py"))
CASES = {case["id"]: case for case in IN["CASES"]}
BACK = json.loads((HERE / "exact_rod" / "pull.json").read_text())["cases"]
# The bars of the way in, taken over unchanged.
RELATIVE, ABSOLUTE_N = IN["NEED_RELATIVE"], IN["NEED_ABSOLUTE_N"]
GRID_MM = IN["GRID_MM"]


def pull(case: dict[str, Any], loads_N: list[float], *, spacing_mm: float = 1.0) -> np.ndarray:
    """Pull at the guide under the loads, from the solver under test."""
    points, t, n1, n2 = IN["_vessel"](case["path"], spacing_mm)
    nodes = len(points)
    lumen, wall = np.full(nodes, float(case["lumen_radius_mm"])), np.full(nodes, float(case["wall_MPa"]))
    lumen[0], wall[0] = 0.0, 1e4  # the reference's base is fixed
    wire, device = case["wire"], case["device"]
    grid = GRID_MM * np.arange(-1, int(nodes * spacing_mm / GRID_MM) + 8)
    ahead = grid < 0.0
    share = np.zeros(nodes)
    at = case["tip_mm"] / spacing_mm
    share[int(at)], share[int(at) + 1] = -(1.0 - (at - int(at))), -(at - int(at))
    load = Load(
        np.where(ahead, 0.0, np.interp(grid, device["behind_tip_mm"], device["stiffness_Nmm2"])),
        np.where(ahead, wire["radius_mm"], np.interp(grid, device["behind_tip_mm"], device["radius_mm"])),
        GRID_MM,
        np.full(nodes, float(wire["stiffness_Nmm2"])),
        np.zeros(nodes),
        share,
        -float(case["friction"]),
        float(case["tip_mm"]),
    )
    vessel = tube(points, n1, n2, lumen_mm=lumen, wall_MPa=wall, entry=t[0], spacing_mm=spacing_mm)
    out, slopes = np.zeros((len(loads_N), READINGS)), np.zeros((len(loads_N), 1))
    m = min(int((case["tip_mm"] + wire["beyond_mm"]) / spacing_mm), nodes - 1)
    march_back(
        vessel, load, load.static_Nmm2, 3.0, 0, np.array(loads_N), m, np.zeros((nodes, 2)), np.zeros(nodes), workspace(nodes), out,
        ((vessel, load),), slopes,
    )  # fmt: skip
    return -out[:, PUSH]


@pytest.mark.parametrize("back", BACK, ids=lambda back: back["id"])
def test_pull_agrees_with_exact_rod(back: dict[str, Any]) -> None:
    mine = pull(CASES[back["id"]], back["loads_N"])
    for load, found, exact in zip(back["loads_N"], mine, back["pull_N"], strict=True):
        assert exact is not None
        assert found == pytest.approx(exact, rel=RELATIVE, abs=ABSOLUTE_N), f"at {load} N"


def test_every_case_is_drawn_back_too() -> None:
    assert {back["id"] for back in BACK} == set(CASES)
    assert max(back["pull_change_N"] for back in BACK) < 0.005  # the reference's own two link lengths


def test_a_wrong_friction_is_noticed_in_tension() -> None:
    back = next(b for b in BACK if b["id"] == "helix-friction")
    row = back["loads_N"].index(1.0)
    wrong = pull({**CASES[back["id"]], "friction": 1.3 * CASES[back["id"]]["friction"]}, back["loads_N"])
    assert abs(wrong[row] - back["pull_N"][row]) > max(RELATIVE * back["pull_N"][row], ABSOLUTE_N)
