"""Writes examples/demo/path.csv: the centreline and radius of an invented right coronary artery.

The vessel is built from bends, each with an angle, a place and a direction, then sampled and given the small
errors a measured vessel has. Nothing in it was measured on anyone. Change a number, run this, and see
`backstay check`.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LENGTH_MM = 130.0
STEP_MM = 1.5
FINE_MM = 0.05
SEED = 20
POINT_SD_MM = 0.05
RADIUS_SD_MM = 0.12

# Bends: begin and end [mm], by how much the vessel turns [deg], and towards where [deg round its axis].
BENDS = (
    (4.0, 31.0, 112.0, 90.0),  # rises from the ostium and turns down like a shepherd's crook
    (29.0, 40.0, 34.0, 215.0),
    (39.0, 65.0, 62.0, 130.0),  # the bend the lesion lies in
    (66.0, 78.0, 24.0, 300.0),
    (80.0, 103.0, 74.0, 60.0),  # round the acute margin
    (106.0, 124.0, 38.0, 190.0),
)

# Lumen diameter [mm] by place [mm]: reference tapering 3.4 to 2.4, the lesion as a small balloon has left it.
DIAMETER_AT_MM = (
    (0.0, 3.40),
    (20.0, 3.28),
    (33.0, 3.10),
    (36.5, 1.75),
    (40.0, 1.10),
    (44.0, 1.22),
    (49.0, 0.84),
    (52.0, 0.78),
    (55.0, 0.94),
    (58.5, 1.40),
    (62.5, 2.86),
    (80.0, 2.74),
    (105.0, 2.56),
    (130.0, 2.40),
)


def curvature_per_mm(s_mm: FloatArray) -> FloatArray:
    """Return the two components of the curvature vector; each bend swells and fades as a raised cosine."""
    total = np.zeros((s_mm.size, 2))
    for begin, end, angle_deg, towards_deg in BENDS:
        u = np.clip((s_mm - begin) / (end - begin), 0.0, 1.0)
        # Flat in the middle half, so that the bend has one radius there.
        shape = np.where(
            u < 0.25,
            0.5 * (1.0 - np.cos(4.0 * math.pi * u)),
            np.where(u > 0.75, 0.5 * (1.0 - np.cos(4.0 * math.pi * (1.0 - u))), 1.0),
        )
        # The shape's mean is three quarters.
        size = math.radians(angle_deg) / (0.75 * (end - begin))
        towards = math.radians(towards_deg)
        total += size * shape[:, None] * np.array([math.cos(towards), math.sin(towards)])
    return total


def centreline_mm() -> tuple[FloatArray, FloatArray]:
    """Return places and points along the vessel, by turning a frame step by step without twist."""
    s = np.arange(0.0, LENGTH_MM + 0.5 * FINE_MM, FINE_MM)
    curvature = curvature_per_mm(s + 0.5 * FINE_MM)
    tangent, n1, n2 = np.array([0.55, 0.2, 0.81]), np.array([1.0, 0.0, 0.0]), np.zeros(3)
    tangent /= np.linalg.norm(tangent)
    n1 -= (n1 @ tangent) * tangent
    n1 /= np.linalg.norm(n1)
    n2 = np.cross(tangent, n1)
    points = np.zeros((s.size, 3))
    for i in range(1, s.size):
        points[i] = points[i - 1] + FINE_MM * tangent
        turn = FINE_MM * (curvature[i - 1, 0] * n2 - curvature[i - 1, 1] * n1)
        tangent, n1, n2 = (rotated(v, -turn) for v in (tangent, n1, n2))
    return s, points


def rotated(vector: FloatArray, turn_rad: FloatArray) -> FloatArray:
    """Return a vector turned about an axis, both given by `turn_rad`."""
    angle = float(np.linalg.norm(turn_rad))
    if angle == 0.0:
        return vector
    axis = turn_rad / angle
    across = np.cross(axis, vector)
    result: FloatArray = (
        vector * math.cos(angle) + across * math.sin(angle) + axis * (axis @ vector) * (1 - math.cos(angle))
    )
    return result


def table() -> FloatArray:
    """Return the rows of the file: x, y, z, radius, its error [mm]."""
    s, points = centreline_mm()
    rng = np.random.default_rng(SEED)
    places = np.arange(0.0, LENGTH_MM + 0.5 * STEP_MM, STEP_MM)
    places = np.unique(np.append(places[places <= LENGTH_MM], LENGTH_MM))
    xyz = np.stack([np.interp(places, s, points[:, k]) for k in range(3)], axis=1)
    at, diameter = np.array(DIAMETER_AT_MM).T
    radius = 0.5 * np.interp(places, at, diameter)
    xyz[1:] += rng.normal(0.0, POINT_SD_MM, xyz[1:].shape)
    radius += rng.normal(0.0, 0.012, radius.shape)
    return np.column_stack([xyz, radius, np.full(radius.shape, RADIUS_SD_MM)])


def text() -> str:
    rows = [",".join([f"{v:.3f}" for v in row[:4]] + [f"{row[4]:.2f}"]) for row in table()]
    return "\n".join(["x_mm,y_mm,z_mm,radius_mm,radius_sd_mm", *rows]) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    default = Path(__file__).resolve().parents[1] / "examples" / "demo" / "path.csv"
    parser.add_argument("--into", type=Path, default=default, help="file to write")
    parser.parse_args().into.write_text(text(), encoding="utf-8")


if __name__ == "__main__":
    main()
