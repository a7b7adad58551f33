"""Labels that stand beside what they name and never on each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from backstay.report.scene import Line, Paint, Shape, Text, text_width

ROW = 19.0
_GAP = 12.0


@dataclass(frozen=True)
class Label:
    """A label wanted at x; its leader starts at y."""

    x: float
    y: float
    text: str
    role: str = "ink"
    bold: bool = False


@dataclass(frozen=True)
class Placed:
    """A label with its row (0 is nearest to the picture) and its middle."""

    label: Label
    row: int
    middle: float


def place(labels: Sequence[Label], *, size: float, left: float, right: float) -> list[Placed]:
    """Return every label in the first row where it is free of the others, kept between left and right."""
    rows: list[list[tuple[float, float]]] = []
    placed = []
    for label in sorted(labels, key=lambda item: item.x):
        half = 0.5 * text_width(label.text, size, bold=label.bold)
        middle = max(left + half, min(right - half, label.x))
        span = (middle - half - _GAP, middle + half + _GAP)
        row = next((i for i, taken in enumerate(rows) if all(_free(span, t) for t in taken)), len(rows))
        if row == len(rows):
            rows.append([])
        rows[row].append((middle - half, middle + half))
        placed.append(Placed(label, row, middle))
    return placed


def _free(span: tuple[float, float], taken: tuple[float, float]) -> bool:
    return span[1] <= taken[0] or span[0] >= taken[1]


def row_count(placed: Sequence[Placed]) -> int:
    """Return how many rows are used."""
    return max((p.row + 1 for p in placed), default=0)


def draw(placed: Sequence[Placed], *, edge: float, size: float, above: bool) -> list[Shape]:
    """Return leaders and texts in rows away from `edge` (px), upwards or downwards."""
    shapes: list[Shape] = []
    for p in placed:
        middle = edge - (p.row + 0.5) * ROW if above else edge + (p.row + 0.5) * ROW
        end = middle + 0.32 * size if above else middle - 0.5 * size
        half = 0.5 * text_width(p.label.text, size, bold=p.label.bold)
        foot = max(p.middle - half, min(p.middle + half, p.label.x))
        points = ((p.label.x, p.label.y), (p.label.x, edge), (foot, end))
        shapes.append(Line(points, Paint(stroke=p.label.role, width=1.0)))
    for p in placed:
        middle = edge - (p.row + 0.5) * ROW if above else edge + (p.row + 0.5) * ROW
        shapes.append(
            Text(
                p.middle,
                middle + 0.32 * size,
                p.label.text,
                size,
                p.label.role,
                "middle",
                p.label.bold,
                halo="ground",
            )
        )
    return shapes
