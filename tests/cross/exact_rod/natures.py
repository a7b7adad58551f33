"""Write natures.json: the push that the independent rod (generate.py beside this file) needs in invented vessels with a lesion.

What the rod is given beyond the cases of reference.json: the wire's stiffness and the lumen vary along the vessel, each by the
place of the node. A lumen that narrows bounds the rod sideways; that it also resists being wedged open belongs to the drag, which
is the load at the tip.

A nature is a vessel and what nobody knows of it: friction, bed, stiffness of device and wires, error of the bends and of the
lumen. Half of the natures are spread about the middle of what a planner may believe (`TABLE`), half about a place away from it. A
rig changes where the rod begins (a guide seated deeper, the mouth of an extension) or what lies beside it (a second wire).

    OPENBLAS_NUM_THREADS=1 python natures.py

takes about six minutes of one core; natures already in the file are kept, so that it can be stopped and run again.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from scipy.special import ndtri

sys.path.insert(0, str(Path(__file__).parent))
import generate as rod

Array = np.ndarray

LINK_MM, FINER_MM = 0.5, 0.25
LOADS_N = [0.0, 0.15, 0.4, 0.75, 1.2]
BEYOND_MM = 22.0
SEED = 20_270_301
NATURES = 10
FILE = Path(__file__).parent / "natures.json"

# A generic stent of 16 mm and a generic wire, radius [mm] and stiffness [N mm2] behind their tips.
DEVICE = {
    "behind_mm": [0.0, 2.5, 5.0, 21.0, 22.0],
    "radius_mm": [0.23, 0.375, 0.52, 0.52, 0.42],
    "stiffness_Nmm2": [2.5, 2.5, 22.0, 22.0, 8.0],
}
WIRE = {"behind_mm": [0.0, 10.0, 70.0], "stiffness_Nmm2": [0.06, 0.06, 4.8], "radius_mm": 0.178}
LANDING_MM = 54.0
"""Where the device's tip lands, from the ostium; its working part then lies from 33 to 49 mm."""
WIRE_TIP_MM = LANDING_MM + 40.0
LUMEN = {"at_mm": [0.0, 29.0, 33.0, 49.0, 53.0], "radius_mm": [1.5, 1.5, 0.55, 0.55, 1.5], "sd_mm": 0.1}
LESION_MM = [31.0, 51.0]
VESSELS = {
    "crook": [rod.line(8.0), rod.arc(14.0, 75.0), rod.line(4.0), rod.arc(16.0, 85.0, 150.0), rod.line(45.0)],
    "two bends": [
        rod.line(14.0),
        rod.arc(20.0, 60.0),
        rod.line(6.0),
        rod.arc(11.0, 70.0, 90.0),
        rod.line(45.0),
    ],
}
RIGS = {
    "plain": {"from_mm": 0.0, "wires": 1, "tips_mm": [18.0, 32.0, 40.0, 47.0, 54.0]},
    "buddy": {"from_mm": 0.0, "wires": 2, "tips_mm": [18.0, 32.0, 40.0, 47.0, 54.0]},
    "seat_5mm": {"from_mm": 5.0, "wires": 1, "tips_mm": [18.0, 32.0, 40.0, 47.0, 54.0]},
    "extension_10mm": {"from_mm": 10.0, "wires": 1, "tips_mm": [22.0, 32.0, 40.0, 47.0, 54.0]},
    "extension_28mm": {"from_mm": 28.0, "wires": 1, "tips_mm": [36.0, 40.0, 47.0, 54.0]},
}
# Median, spread of the logarithm (of the value itself for the lumen), and where the other half of the natures lies, in spreads.
TABLE = {
    "friction_wall": (0.08, 0.45, 1.3),
    "bed_MPa": (0.15, 0.70, -1.0),
    "device_stiffness_factor": (1.0, 0.15, 1.0),
    "wire_stiffness_factor": (1.0, 0.15, 0.0),
    "radius_shift_sd": (0.0, 1.0, -0.7),
    "curvature_factor": (1.0, 0.10, 1.0),
}


def truths() -> list[dict[str, object]]:
    """Return the natures: vessel, whether it lies away from the middle, and the inputs' values, spread evenly over their chances."""
    rng, found, half = np.random.default_rng(SEED), [], NATURES // 2
    even = ndtri((np.arange(half) + 0.5) / half)
    scores = {name: [rng.permutation(even) for _ in range(2)] for name in TABLE}
    for k in range(NATURES):
        away, values = k % 2 == 1, {}
        for name, (median, spread, place) in TABLE.items():
            z = scores[name][k % 2][k // 2]
            z = place + 0.5 * z if away else z
            plain = name == "radius_shift_sd"
            values[name] = round(float(median + spread * z if plain else median * np.exp(spread * z)), 6)
        found.append({"vessel": list(VESSELS)[k // 2 % 2], "away": away, "values": values})
    return found


def pieces_from(
    pieces: list[dict[str, float | str]], start_mm: float, bends: float
) -> list[dict[str, float | str]]:
    """Return what is left of a vessel beyond a place, its arcs turning so many times as far in the same length."""
    left, found = start_mm, []
    for piece in pieces:
        straight = piece["kind"] == "line"
        length = (
            float(piece["length_mm"]) if straight else float(piece["radius_mm"]) * float(piece["angle_rad"])
        )
        kept, left = max(length - left, 0.0), max(left - length, 0.0)
        if kept <= 0.0:
            continue
        if straight:
            found.append(rod.line(kept))
        else:
            radius = float(piece["radius_mm"]) / bends
            found.append({**piece, "radius_mm": radius, "angle_rad": kept / radius})
    return found


class InVessel(rod.Chain):
    """A chain whose lumen and wires vary along the vessel; the case holds functions of the place from the ostium."""

    lumen_at = staticmethod(lambda s: s)
    wires_at = staticmethod(lambda s: s)
    begins_mm = 0.0

    def __init__(self, case: rod.Case, link: float) -> None:
        """Set up the chain and the wires' stiffness at its nodes."""
        super().__init__(case, link)
        self.case.wire_b = self.wires_at(self.begins_mm + self.link * np.arange(self.count + 1))

    def geometry(self, x: Array, guess: Array) -> dict[str, Array]:
        """As the parent's; sets the lumen at the nodes."""
        found = super().geometry(x, guess)
        self.case.lumen = self.lumen_at(self.begins_mm + found["s"])
        return found


def solved(nature: dict[str, object], rig: dict[str, object], tip_mm: float, link: float) -> rod.Trace:
    """Return the rod's push with the device's tip at one place, under every load."""
    v, begins = nature["values"], float(rig["from_mm"])
    beside = {1: 0.0, 2: 2.0 * WIRE["radius_mm"] * 0.5}[rig["wires"]]
    case = rod.Case(
        "nature",
        pieces_from(VESSELS[nature["vessel"]], begins, v["curvature_factor"]),
        1.5,
        v["bed_MPa"],
        v["friction_wall"],
        1.0,
        WIRE["radius_mm"] * rig["wires"],
        DEVICE["behind_mm"],
        [v["device_stiffness_factor"] * b for b in DEVICE["stiffness_Nmm2"]],
        [r + beside for r in DEVICE["radius_mm"]],
        tip_mm - begins,
        loads=LOADS_N,
        beyond=BEYOND_MM,
    )
    widths = np.array(LUMEN["radius_mm"]) + v["radius_shift_sd"] * LUMEN["sd_mm"]
    wires = rig["wires"] * v["wire_stiffness_factor"]
    kind = type(
        "OneVessel",
        (InVessel,),
        {
            "begins_mm": begins,
            "lumen_at": staticmethod(lambda s: np.interp(s, LUMEN["at_mm"], widths)),
            "wires_at": staticmethod(
                lambda s: wires * np.interp(WIRE_TIP_MM - s, WIRE["behind_mm"], WIRE["stiffness_Nmm2"])
            ),
        },
    )
    return rod.trace(case, link, top=LOADS_N[-1], max_step=0.3, of=kind)


def record(nature: dict[str, object]) -> dict[str, object]:
    """Return a nature with what every rig needs at every place under every load."""
    rigs = {}
    for name, rig in RIGS.items():
        traces = [solved(nature, rig, tip, LINK_MM) for tip in rig["tips_mm"]]
        rigs[name] = {
            "need_N": [rod.rounded(one.need, 5) for one in traces],
            "prolapse_N": rod.rounded([one.prolapse for one in traces], 5),
        }
    fine = solved(nature, RIGS["plain"], LANDING_MM, FINER_MM)
    change = rod.change(fine.need, rigs["plain"]["need_N"][-1])
    return {**nature, "rigs": rigs, "change_with_half_the_link_N": change}


def main() -> None:
    """Write natures.json beside this file."""
    have = json.loads(FILE.read_text())["natures"] if FILE.is_file() else []
    for nature in truths()[len(have) :]:
        have.append(record(nature))
        head = {
            "note": "push in the guide [N] by place of the tip and load; null where no state is held; see natures.py",
            "vessels": VESSELS,
            "rigs": RIGS,
            "loads_N": LOADS_N,
            "lumen": LUMEN,
            "lesion_mm": LESION_MM,
            "landing_mm": LANDING_MM,
            "device": DEVICE,
            "wire": WIRE,
        }
        FILE.write_text(json.dumps({**head, "natures": have}, indent=1) + "\n")


if __name__ == "__main__":
    main()
