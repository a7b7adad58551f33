"""Two rods solved with a general-purpose finite-element library for frames (openseespy 3.7): writes reference.json beside this file.

Corotational elastic beams in the plane. `python -m venv v && v/bin/pip install openseespy && v/bin/python generate.py`;
it needs the system's BLAS and LAPACK. Nothing of the project is used.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import openseespy.opensees as ops

BENDING_NMM2, STRETCH_N = 500.0, 2.0e4
HOOK_EDGES, CHANNEL_EDGES = 320, 240
HOOK_LOADS_N = (0.05, 0.1, 0.2, 0.4)
CHANNEL = {"length_mm": 120.0, "clearance_mm": 7.0, "wall_MPa": 1.0, "side_N": 0.02}
PUSHED_MM = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0)


def hook_points(edges: int) -> np.ndarray:
    """Return a stress-free hook: 30 mm straight, an arc of 120 degrees on 15 mm, 20 mm straight."""
    lengths = np.array([30.0, 15.0 * np.radians(120.0), 20.0])
    ends = np.cumsum(lengths)
    s = np.linspace(0.0, ends[-1], edges + 1)
    middle = 0.5 * (s[1:] + s[:-1])
    angle = np.clip((middle - ends[0]) / 15.0, 0.0, np.radians(120.0))
    step = np.diff(s)[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.vstack([np.zeros(2), np.cumsum(step, axis=0)])


def frame(points: np.ndarray) -> None:
    ops.wipe()
    ops.model("basic", "-ndm", 2, "-ndf", 3)
    for i, (x, y) in enumerate(points):
        ops.node(i, float(x), float(y))
    ops.fix(0, 1, 1, 1)
    ops.geomTransf("Corotational", 1)
    for i in range(len(points) - 1):
        ops.element("elasticBeamColumn", i, i, i + 1, STRETCH_N, 1.0, BENDING_NMM2, 1)
    ops.system("UmfPack")
    ops.numberer("RCM")
    ops.constraints("Transformation")
    ops.algorithm("Newton")
    ops.test("NormUnbalance", 1e-6, 100)


def hook() -> list[dict[str, float]]:
    """Return the tip's place under a load across the hook's first straight, by size of the load."""
    points = hook_points(HOOK_EDGES)
    frame(points)
    tip = len(points) - 1
    ops.timeSeries("Linear", 1)
    ops.pattern("Plain", 1, 1)
    ops.load(tip, 0.0, -1.0, 0.0)
    ops.integrator("LoadControl", 0.01)
    ops.analysis("Static")
    found, at = [], 0.0
    for load in HOOK_LOADS_N:
        while at < load - 1e-9:
            assert ops.analyze(1) == 0
            at += 0.01
        x, y = (float(points[tip, k] + ops.nodeDisp(tip, k + 1)) for k in (0, 1))
        found.append({"load_N": load, "x_mm": round(x, 4), "y_mm": round(y, 4)})
    return found


def channel() -> list[dict[str, float]]:
    """Return the push on the free end of a straight rod in a channel, and its load on the upper and lower wall.

    How far it is pushed counts from the straight rod; a small load across holds the end on the upper wall.
    """
    length, edges = CHANNEL["length_mm"], CHANNEL_EDGES
    points = np.stack([np.linspace(0.0, length, edges + 1), np.zeros(edges + 1)], axis=1)
    frame(points)
    tip, share = edges, length / edges
    for side in (1, -1):
        for i in range(1, edges + 1):
            width = 0.5 * share if i == edges else share
            k, tag = CHANNEL["wall_MPa"] * width, 10_000 * (2 + side) + i
            ops.uniaxialMaterial("ElasticPPGap", tag, k, side * 1e6, side * CHANNEL["clearance_mm"])
            ops.node(tag, float(points[i, 0]), 0.0)
            ops.fix(tag, 1, 1, 1)
            ops.element("zeroLength", tag, tag, i, "-mat", tag, "-dir", 2)
    ops.timeSeries("Constant", 1)
    ops.pattern("Plain", 1, 1)
    ops.load(tip, 0.0, CHANNEL["side_N"], 0.0)
    ops.integrator("LoadControl", 0.0)
    ops.analysis("Static")
    assert ops.analyze(1) == 0
    ops.timeSeries("Linear", 2)
    ops.pattern("Plain", 2, 2)
    ops.load(tip, -1.0, 0.0, 0.0)
    step = 0.01
    ops.integrator("DisplacementControl", tip, 1, -step)
    found = []
    for pushed in PUSHED_MM:
        while -ops.nodeDisp(tip, 1) < pushed:
            assert ops.analyze(1) == 0
        loads = {1: 0.0, -1: 0.0}
        for side in (1, -1):
            for i in range(1, edges + 1):
                loads[side] += abs(ops.eleForce(10_000 * (2 + side) + i, 5))
        found.append(
            {
                "pushed_mm": round(-ops.nodeDisp(tip, 1), 5),
                "push_N": round(float(ops.getLoadFactor(2)), 5),
                "upper_N": round(loads[1], 5),
                "lower_N": round(loads[-1], 5),
                "tip_y_mm": round(float(ops.nodeDisp(tip, 2)), 4),
            }
        )
    return found


if __name__ == "__main__":
    data = {
        "bending_Nmm2": BENDING_NMM2,
        "stretch_N": STRETCH_N,
        "hook": hook(),
        "channel": {**CHANNEL, "rows": channel()},
    }
    target = Path(__file__).with_name("reference.json")
    target.write_text(json.dumps(data, indent=1) + "\n")
    print(target.read_text())
