"""The skin unrolled: where the beams went in, as contours on 5 mm patches."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from backstay.adapters.limits_file import SkinPart
from backstay.report.scene import Line, Paint, Rect, Scene, Shape, Text
from backstay.report.words import number

Along = Callable[[float], float]

WIDTH = 640.0
_LEFT, _TOP, _RIGHT, _BOTTOM = 46.0, 30.0, 150.0, 40.0
_LEVELS_Gy = (0.1, 0.2, 0.5, 1.0, 2.0, 3.0, 5.0, 10.0, 15.0)
_SHOWN = 5
"""So many contours, the highest that are reached."""
_TICK_mm = 100.0


def skin_scene(part: SkinPart) -> Scene:
    """Return the map: back and flanks unrolled, spine in the middle, head up, left at the right as on an angiogram."""
    x, z, dose = part.around_mm, part.height_mm, part.dose_mGy
    if not x or not z:
        return _empty(part)
    pitch_x, pitch_z = x[1] - x[0], z[1] - z[0]
    wide, high = pitch_x * len(x), pitch_z * len(z)
    scale = min((WIDTH - _LEFT - _RIGHT) / wide, 420.0 / high)
    height = _TOP + high * scale + _BOTTOM

    def px(i: float) -> float:
        return _LEFT + i * pitch_x * scale

    def py(j: float) -> float:
        return _TOP + (len(z) - j) * pitch_z * scale

    reached = [level for level in _LEVELS_Gy if 1000.0 * level <= max(max(row) for row in dose)][-_SHOWN:]
    shapes: list[Shape] = [Rect(_LEFT, _TOP, wide * scale, high * scale, Paint("panel", "line", 1.0))]
    shapes += _fills(dose, px, py)
    for k, level in enumerate(reached):
        paint = Paint(None, "stop" if level >= 2.0 else "ink", 0.6 + 0.9 * k)
        edges = _edges([[d >= 1000.0 * level for d in row] for row in dose])
        shapes += [Line(((px(a), py(b)), (px(c), py(d))), paint, kind="contour") for a, b, c, d in edges]
    shapes += _axes(x, z, px, py)
    shapes += _peak(part, dose, px, py)
    shapes += _legend(part, reached, WIDTH - _RIGHT + 14.0)
    return Scene(
        name="skin-dose",
        title="Dose to the skin, unrolled",
        description=peak_words(part),
        width=WIDTH,
        height=max(height, _TOP + 190.0),
        shapes=tuple(shapes),
    )


def peak_words(part: SkinPart) -> str:
    """Return the peak with its band and place."""
    if not part.where:
        return f"no event placed; worst case, all in one field: up to {number(part.worst_case_Gy, 2)} Gy"
    return f"peak {number(part.peak_Gy, 2)} Gy ({band_words(part)}), {part.where}"


def band_words(part: SkinPart) -> str:
    """Return the band about the peak."""
    return f"{number(part.low_Gy, 2)} to {number(part.high_Gy, 2)} Gy"


def at_least(part: SkinPart) -> str:
    """Return what stands before a grade that goes by less than all the kerma there was."""
    return "not all kerma is known, at least " if part.kerma_unknown else ""


def _empty(part: SkinPart) -> Scene:
    said = Text(_LEFT, 40.0, "No event could be placed on the skin.")
    worst = Text(_LEFT, 60.0, f"All in one field: up to {number(part.worst_case_Gy, 2)} Gy.")
    return Scene("skin-dose", "Dose to the skin", "no event could be placed", WIDTH, 90.0, (said, worst))


def _fills(dose: Sequence[Sequence[float]], px: Along, py: Along) -> list[Shape]:
    """Return the hatched skin at or above 2 Gy, and at or above 5 Gy, run by run along the body."""
    shapes: list[Shape] = []
    for floor, hatch in ((2000.0, "dotted"), (5000.0, "crossed")):
        for i, row in enumerate(dose):
            for start, stop in _runs([d >= floor for d in row]):
                left, right = px(i), px(i + 1)
                top, bottom = py(stop), py(start)
                shapes.append(
                    Rect(left, top, right - left, bottom - top, Paint("stop", None, 0.0, hatch=hatch))
                )
    return shapes


def _runs(flags: Sequence[bool]) -> Iterator[tuple[int, int]]:
    """Yield the stretches that are true."""
    start: int | None = None
    for k, flag in enumerate([*flags, False]):
        if flag and start is None:
            start = k
        elif not flag and start is not None:
            yield start, k
            start = None


def _edges(inside: Sequence[Sequence[bool]]) -> Iterator[tuple[int, int, int, int]]:
    """Yield the border of a region along the patches' sides, in runs."""
    n, m = len(inside), len(inside[0])

    def at(i: int, j: int) -> bool:
        return 0 <= i < n and 0 <= j < m and inside[i][j]

    for i in range(n + 1):
        for start, stop in _runs([at(i - 1, j) != at(i, j) for j in range(m)]):
            yield i, start, i, stop
    for j in range(m + 1):
        for start, stop in _runs([at(i, j - 1) != at(i, j) for i in range(n)]):
            yield start, j, stop, j


def _axes(x: Sequence[float], z: Sequence[float], px: Along, py: Along) -> list[Shape]:
    shapes: list[Shape] = []
    line, bottom = Paint(None, "line", 1.0), py(0)
    for at in _ticks(x):
        at_px = px((at - x[0]) / (x[1] - x[0]) + 0.5)
        words = "spine" if at == 0.0 else f"{abs(at) / 10:.0f} cm {'L' if at > 0 else 'R'}"
        shapes += [
            Line(((at_px, _TOP), (at_px, bottom)), line),
            Text(at_px, bottom + 16.0, words, 12.0, "soft", "middle"),
        ]
    for at in _ticks(z):
        at_py = py((at - z[0]) / (z[1] - z[0]) + 0.5)
        right = px(len(x))
        shapes += [
            Line(((_LEFT, at_py), (right, at_py)), line),
            Text(_LEFT - 5.0, at_py + 4.0, f"{at / 10:.0f}", 12.0, "soft", "end"),
        ]
    shapes.append(
        Text(
            _LEFT,
            18.0,
            "Skin unrolled, patient's left at the right as on the screen; head up; cm",
            12.0,
            "soft",
        )
    )
    return shapes


def _ticks(values: Sequence[float]) -> list[float]:
    first = int(values[0] // _TICK_mm) + (values[0] % _TICK_mm > 0.0)
    return [_TICK_mm * k for k in range(first, int(values[-1] // _TICK_mm) + 1)]


def _peak(part: SkinPart, dose: Sequence[Sequence[float]], px: Along, py: Along) -> list[Shape]:
    top = max(max(row) for row in dose)
    i, j = next((i, j) for i, row in enumerate(dose) for j, d in enumerate(row) if d == top)
    x, y = px(i + 0.5), py(j + 0.5)
    mark = Paint(None, "stop", 2.0)
    cross = [Line(((x - 6, y), (x + 6, y)), mark), Line(((x, y - 6), (x, y + 6)), mark)]
    return [
        *cross,
        Text(x + 9.0, y - 5.0, f"{number(part.peak_Gy, 2)} Gy", 13.0, "ink", "start", True, "panel"),
        Text(x + 9.0, y + 10.0, band_words(part), 12.0, "ink", "start", False, "panel"),
    ]


def _legend(part: SkinPart, reached: Sequence[float], x: float) -> list[Shape]:
    shapes: list[Shape] = [Text(x, _TOP + 8.0, "contours, Gy", 12.0, "soft")]
    y = _TOP + 28.0
    for k, level in enumerate(reached):
        paint = Paint(None, "stop" if level >= 2.0 else "ink", 0.6 + 0.9 * k)
        shapes += [Line(((x, y - 4.0), (x + 26.0, y - 4.0)), paint), Text(x + 34.0, y, f"{level:g}", 12.0)]
        y += 18.0
    for hatch, words, area in (
        ("dotted", "2 Gy and more", part.area_above_2Gy_cm2),
        ("crossed", "5 Gy and more", part.area_above_5Gy_cm2),
    ):
        if area > 0.0:
            shapes.append(Rect(x, y - 11.0, 26.0, 12.0, Paint("stop", None, 0.0, hatch=hatch)))
            shapes += [
                Text(x + 34.0, y, words, 12.0),
                Text(x + 34.0, y + 14.0, f"{area:.0f} cm2", 12.0, "soft"),
            ]
            y += 34.0
    return shapes
