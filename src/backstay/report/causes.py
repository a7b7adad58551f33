"""Why a rig needs the push it needs: its parts as one bar that sums to the need."""

from __future__ import annotations

from backstay.adapters.plan_file import RigResult
from backstay.report.labels import ROW, Label, draw, place, row_count
from backstay.report.scene import Paint, Rect, Scene, Shape, Text
from backstay.report.words import CAUSES, number, percent

_LOOKS = (
    Paint("need", "ground", 2.0),
    Paint("need", "need", 1.5, hatch="ruled"),
    Paint("soft", "ground", 2.0),
    Paint("need", "need", 1.5, hatch="crossed"),
    Paint("soft", "soft", 1.5, hatch="dotted"),
    Paint("ink", "ground", 2.0),
    Paint("soft", "soft", 1.5, hatch="ruled"),
)
_BAR = 34.0


def cause_rows(rig: RigResult) -> list[tuple[str, float, float]]:
    """Return (words, N, share of the need) of each part, largest first; parts of nothing are left out."""
    total = sum(rig.causes.values()) or 1.0  # all nothing: no rows remain
    ranked = sorted(rig.causes.items(), key=lambda item: -item[1])
    return [
        (CAUSES[cause], value, value / total) for cause, value in ranked if abs(value) >= 0.005 * abs(total)
    ]


def cause_digits(rig: RigResult) -> int:
    """Return how many decimals the parts are given with: small ones need three."""
    return 3 if sum(rig.causes.values()) < 0.5 else 2


def where_words(rig: RigResult) -> str:
    """Return the sum and where it holds."""
    total = number(sum(rig.causes.values()), cause_digits(rig))
    return f"{total} N at {number(rig.causes_at_mm, 0)} mm, where the median need is highest"


def causes_bar(rig: RigResult, *, width: float = 700.0) -> Scene:
    """Return the parts of the need as one bar with a numbered list beneath."""
    rows, digits = cause_rows(rig), cause_digits(rig)
    shapes: list[Shape] = [Text(4.0, 16.0, where_words(rig), 14.0, bold=True)]
    room, x = width - 8.0, 4.0
    whole = sum(abs(value) for _, value, _ in rows)
    labels = []
    boxes: list[tuple[float, float]] = []
    for i, (_, value, _) in enumerate(rows):
        wide = abs(value) / whole * room
        boxes.append((x, wide))
        labels.append(Label(x + 0.5 * wide, 0.0, str(i + 1), bold=True))
        x += wide
    placed = place(labels, size=15.0, left=0.0, right=width)
    top = 30.0 + ROW * row_count(placed)
    moved = [type(p)(Label(p.label.x, top, p.label.text, bold=True), p.row, p.middle) for p in placed]
    shapes += draw(moved, edge=top - 4.0, size=15.0, above=True)
    shapes += [
        Rect(left, top, wide, _BAR, _LOOKS[i % len(_LOOKS)], tip=rows[i][0])
        for i, (left, wide) in enumerate(boxes)
    ]
    y = top + _BAR + 12.0
    for i, (words, value, share) in enumerate(rows):
        y += 21.0
        shapes.append(Rect(4.0, y - 12.0, 22.0, 14.0, _LOOKS[i % len(_LOOKS)]))
        shapes.append(Text(34.0, y, str(i + 1), 14.0, bold=True))
        shapes.append(Text(52.0, y, words, 13.5 if width >= 420.0 else 12.0))
        shapes.append(
            Text(
                width - 4.0, y, f"{number(value, digits)} N, {percent(share)}", 13.0, anchor="end", bold=True
            )
        )
    name = f"causes-{rig.id}-{'wide' if width >= 420.0 else 'narrow'}"
    said = "; ".join(f"{words} {number(value, digits)} N" for words, value, _ in rows)
    return Scene(name, f"Why it needs that push, {rig.change}", said, width, y + 12.0, tuple(shapes))
