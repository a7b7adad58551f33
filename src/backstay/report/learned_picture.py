"""Two pictures of what attempts taught: where each unknown was and is, and how the chances changed."""

from __future__ import annotations

from backstay.adapters.learned_file import LearnedDocument, RungRow, UnknownRow
from backstay.report import learned as words
from backstay.report.scene import Circle, Line, Paint, Rect, Scene, Shape, Text, wrap
from backstay.report.words import percent

WIDE, PHONE = 760.0, 360.0
_ROW, _TOP, _MARGIN = 46.0, 34.0, 12.0
_BAR = 9.0
_REACH_SD = 2.2
_MOST = 6


def moved_picture(doc: LearnedDocument, *, width: float = WIDE) -> Scene:
    """Return where each unknown was before any attempt (ruled) and is now (solid), in its own standard deviations before."""
    rows = words.shown(doc)[:_MOST]
    name_width = 0.42 * width
    left, right = name_width + _MARGIN, width - _MARGIN
    middle, scale = 0.5 * (left + right), 0.5 * (right - left) / _REACH_SD
    height = _TOP + _ROW * len(rows) + 22.0
    shapes: list[Shape] = [
        Text(left, 16.0, "less", 12.0, "soft"),
        Text(middle, 16.0, "as thought before", 12.0, "soft", "middle"),
        Text(right, 16.0, "more", 12.0, "soft", "end"),
        _upright(middle, 22.0, height - 20.0, "soft", "3 3"),
    ]
    for k, row in enumerate(rows):
        shapes += _unknown(row, _TOP + _ROW * k, name_width, middle, scale)
    shapes.append(
        Text(_MARGIN, height - 6.0, "bars: 8 in 10; ruled before any attempt, solid now", 11.0, "soft")
    )
    said = "; ".join(f"{row.label}: {percent(max(row.narrowed, 0.0))} narrower" for row in rows)
    return Scene(f"learnt-{width:.0f}", "What was learnt of the unknowns", said, width, height, tuple(shapes))


def _unknown(row: UnknownRow, top: float, name_width: float, middle: float, scale: float) -> list[Shape]:
    name = wrap(
        words.plain(row) if abs(row.moved_sd) >= 0.05 else row.label.split(" (")[0],
        13.0,
        name_width - _MARGIN,
    )
    lines: list[Shape] = [Text(_MARGIN, top + 14.0 + 15.0 * i, text, 13.0) for i, text in enumerate(name[:2])]
    # 8 in 10 of a normal lie within 1.28 standard deviations.
    before, now = 1.2816, 1.2816 * (1.0 - row.narrowed)
    low, high = (min(max(row.moved_sd + side * now, -_REACH_SD), _REACH_SD) for side in (-1.0, 1.0))
    at = middle + scale * min(max(row.moved_sd, -_REACH_SD), _REACH_SD)
    tip = f"{words.spread_words(row.before, row.unit)} before; {words.spread_words(row.after, row.unit)} now"
    return [
        *lines,
        Rect(
            middle - scale * before,
            top + 4.0,
            2.0 * scale * before,
            _BAR,
            Paint("soft", "soft", hatch="ruled"),
            tip=tip,
        ),
        Rect(middle + scale * low, top + 18.0, scale * (high - low), _BAR, Paint("need"), 2.0, tip=tip),
        Line(((at, top + 14.0), (at, top + 31.0)), Paint(stroke="ink", width=2.0)),
    ]


def chances_picture(doc: LearnedDocument, *, width: float = WIDE) -> Scene:
    """Return every rig's chance before any attempt (open) and now (full), the one to try next on top."""
    rows = words.listed(doc)
    name_width = 0.46 * width
    left, right = name_width + _MARGIN, width - 2.0 * _MARGIN
    height = _TOP + 34.0 * len(rows) + 26.0
    shapes: list[Shape] = [Text(_MARGIN, height - 6.0, "open: before any attempt; full: now", 11.0, "soft")]
    for tenth in (0, 5, 10):
        x = left + (right - left) * tenth / 10.0
        shapes += [
            Text(x, 16.0, f"{tenth} in 10", 12.0, "soft", "middle"),
            _upright(x, 22.0, height - 24.0, "line", ""),
        ]
    for k, row in enumerate(rows):
        shapes += _chance(row, _TOP + 34.0 * k + 12.0, name_width, left, right)
    said = "; ".join(f"{row.change}: {percent(row.before)} before, {percent(row.after)} now" for row in rows)
    return Scene(
        f"chances-{width:.0f}", "Chances before the attempts and now", said, width, height, tuple(shapes)
    )


def _chance(row: RungRow, y: float, name_width: float, left: float, right: float) -> list[Shape]:
    role = "stop" if row.barred else "ink"
    name = wrap(f"✗ {row.change}: past a limit" if row.barred else row.change, 12.0, name_width - _MARGIN)
    shapes: list[Shape] = [
        Text(_MARGIN, y + 4.0 + 13.0 * i, text, 12.0, role) for i, text in enumerate(name[:2])
    ]
    before, now = (left + (right - left) * v for v in (row.before, row.after))
    tip = f"{percent(row.before)} before any attempt, {percent(row.after)} now"
    return [
        *shapes,
        Line(((before, y), (now, y)), Paint(stroke="soft", width=2.0)),
        Circle(before, y, 5.0, Paint("panel", "soft", 2.0), tip=tip),
        Circle(now, y, 6.0, Paint("backup", "backup"), tip=tip),
    ]


def _upright(x: float, top: float, bottom: float, role: str, dash: str) -> Line:
    return Line(((x, top), (x, bottom)), Paint(stroke=role, width=1.0, dash=dash))
