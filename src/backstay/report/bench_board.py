"""The board to measure hold on: an ordinary root and arch at full size, to print and to lay tubing along."""

from __future__ import annotations

import numpy as np

from backstay.core.guide.aorta import Place, ordinary_aorta, place
from backstay.core.guide.lumen import piece_walls
from backstay.identifiers import Access, Coronary
from backstay.report.scene import Circle, Line, Paint, Scene, Shape, Text
from backstay.report.theme import PRINT
from backstay.report.typeset import compile_template
from backstay.report.words import DISCLAIMER

ROOT_MM = 34.0
PX_PER_MM = 96.0 / 25.4
LEFT_MM, RIGHT_MM, LOW_MM, TOP_MM = -70.0, 100.0, -34.0, 150.0
RULER_MM, TICK_MM = 100.0, 10.0
VESSEL_MM = 24.0
STEPS = (
    "For the bench only: no device that has been on it goes into a patient. How to measure is in docs/bench-protocol.md.",
    "Print at full size. Both rulers must measure 100 mm, across and along; if they do not, print again without fitting to the page.",
    "Lay strips of wood or clear tubing along the solid lines; for a radial way in, along its dashed or dotted ones too.",
)


def board_picture() -> Scene:
    """Return the board at full size."""
    root = ordinary_aorta(ROOT_MM)
    left = place(root, access=Access.FEMORAL, coronary=Coronary.LEFT)
    right = place(root, access=Access.FEMORAL, coronary=Coronary.RIGHT)
    shapes: list[Shape] = [*_walls(left, 0, ""), _floor(left)]
    for access, dash in ((Access.RIGHT_RADIAL, "6 4"), (Access.LEFT_RADIAL, "2 4")):
        shapes += _walls(place(root, access=access, coronary=Coronary.LEFT), 1, dash)
    for space, name in ((left, "left ostium"), (right, "right ostium")):
        shapes += _walls(space, 1, "", vessel=True)
        x, y = _at(space.ostium)
        shapes.append(Circle(x, y, 3.0, Paint(fill="stop")))
        outside = x + (34.0 if space is left else -34.0)
        shapes.append(Text(outside, y - 14.0, name, 11.0, anchor="middle", halo="ground"))
    shapes += _ruler((-60.0, -20.0), (1.0, 0.0)) + _ruler((-66.0, 28.0), (0.0, 1.0))
    for words, spot in (
        ("right radial (dashed)", (-44.0, 144.0)),
        ("left radial (dotted)", (62.0, 144.0)),
        ("femoral", (66.0, -14.0)),
        ("ascending aorta 31 mm", (-14.0, 60.0)),
        (f"root {ROOT_MM:.0f} mm", (-8.0, 4.0)),
        ("vessel 4.5 mm", (22.0, 8.0)),
    ):
        px, py = _at(np.array(spot))
        shapes.append(Text(px, py, words, 11.0, role="soft"))
    return Scene(
        "board",
        "Board for measuring hold",
        f"Root of {ROOT_MM:.0f} mm, ascending aorta, arch and the beginnings of both coronary arteries at full size.",
        (RIGHT_MM - LEFT_MM) * PX_PER_MM,
        (TOP_MM - LOW_MM) * PX_PER_MM,
        tuple(shapes),
    )


def _at(point: np.ndarray) -> tuple[float, float]:
    return PX_PER_MM * (float(point[0]) - LEFT_MM), PX_PER_MM * (TOP_MM - float(point[1]))


def _ruler(start: tuple[float, float], along: tuple[float, float]) -> list[Shape]:
    """Return a ruler of 100 mm with a tick every 10 mm."""
    begun, way = np.array(start), np.array(along)
    across = np.array([-way[1], way[0]])
    paint = Paint(stroke="ink", width=1.5)
    found: list[Shape] = [Line((_at(begun), _at(begun + RULER_MM * way)), paint, kind="ruler")]
    for mm in np.arange(0.0, RULER_MM + 1.0, TICK_MM):
        size = 3.0 if mm in (0.0, RULER_MM) else 1.5
        spot = begun + mm * way
        found.append(Line((_at(spot), _at(spot + size * across)), paint, kind="tick"))
    x, y = _at(begun - (5.0 if along[0] else 0.0) * np.array([0.0, 1.0]) - (0.0 if along[0] else 5.0) * way)
    found.append(Text(x, y, "100 mm: measure it", 11.0))
    return found


def _floor(space: Place) -> Line:
    """Return the bottom of the root."""
    middle, radius = space.lumen.pieces[0][0:3], space.lumen.pieces[0][11]
    turn = np.linspace(np.pi, 2.0 * np.pi, 60)
    arc = middle[:2] + radius * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    return Line(tuple(_at(point) for point in arc), Paint(stroke="ink", width=1.4), kind="wall")


def _walls(space: Place, tube: int, dash: str, *, vessel: bool = False) -> list[Shape]:
    """Return both walls of one tube, as far as they are on the sheet; of a vessel, what lies beyond the ostium."""
    found: list[Shape] = []
    for row in space.lumen.pieces[space.lumen.tube == tube]:
        for wall in piece_walls(row):
            depth = (wall - space.ostium[:2]) @ space.axis[:2]
            on_sheet = [
                _at(w)
                for w, d in zip(wall, depth, strict=True)
                if LEFT_MM < w[0] < RIGHT_MM
                and LOW_MM + 22.0 < w[1] < TOP_MM
                and not (vessel and not 0.0 <= d <= VESSEL_MM)
            ]
            if len(on_sheet) > 1:
                found.append(Line(tuple(on_sheet), Paint(stroke="ink", width=1.4, dash=dash), kind="wall"))
    return found


def pdf() -> bytes:
    """Return the board on one A4 sheet."""
    return compile_template(
        "bench_board.typ",
        {
            "font": PRINT.font,
            "title": "Board for measuring what a guide holds",
            "disclaimer": DISCLAIMER,
            "steps": list(STEPS),
            "svg": board_picture().svg(PRINT),
            "width_mm": RIGHT_MM - LEFT_MM,
        },
    )
