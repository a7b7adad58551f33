"""The picture of a measurement: the frames with what was found on them, and under them the lumen laid straight."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image as Pillow

from backstay.app.measure import Measured
from backstay.app.views import view_name
from backstay.core.imaging.lumen import Lumen
from backstay.core.imaging.measuring import Vessel
from backstay.report.axes import Scale, step_for, ticks
from backstay.report.measured_words import headline
from backstay.report.scene import Circle, Image, Line, Paint, Point, Rect, Scene, Shape, Text, band, wrap

FloatArray = NDArray[np.float64]

WIDTH, MARGIN, GAP = 1080.0, 24.0, 16.0
PANEL = (WIDTH - 2 * MARGIN - GAP) / 2
SMALL = 12.0
CAUTION = (
    "Planning and teaching aid, not validated for clinical decisions. Diameters depend on the frame, the contrast and "
    "the calibration: look at the edges before using a number."
)


def measured_picture(measured: Measured) -> Scene:
    """Return the picture of a measurement."""
    shapes: list[Shape] = []
    top = MARGIN + 22.0
    title = measured.document.vessel or "Measured vessel"
    invented = " (invented phantom, no person)" if measured.document.invented else ""
    shapes.append(Text(MARGIN, MARGIN + 8.0, title + invented, 17.0, bold=True))
    bottoms = [
        _panel(shapes, measured, k, MARGIN + k * (PANEL + GAP), top) for k in range(len(measured.runs))
    ]
    if len(measured.runs) == 1:
        _side_text(shapes, measured, MARGIN + PANEL + GAP, top)
    names = [branch.name for branch in measured.document.result.branch] if measured.document.result else []
    bottom = _strip(shapes, measured.vessel, names, max(bottoms) + 34.0)
    bottom = _words(shapes, measured, bottom + 30.0)
    r = measured.document.result
    assert r is not None
    description = f"Length {r.length_mm:.1f} mm, {len(r.stenosis)} narrowings, from {r.views} view{'s' if r.views > 1 else ''}."
    return Scene("measured", title, description, WIDTH, bottom + MARGIN, tuple(shapes))


def frame_picture(grey: NDArray[np.uint16], title: str) -> Scene:
    """Return one frame with rulers in pixels, from which clicks are read."""
    rows, columns = grey.shape
    scale = 2.0 if max(grey.shape) <= 640 else 1.0
    left, top = 52.0, 52.0
    across, down = (
        Scale(0, columns - 1, left, left + scale * (columns - 1)),
        Scale(0, rows - 1, top, top + scale * (rows - 1)),
    )
    half = 0.5 * scale
    shapes: list[Shape] = [
        Text(left, 20.0, title, 14.0, bold=True),
        Text(left, 38.0, "row, column: rows are numbered down, columns across, from 0", SMALL, "soft"),
        Image(left - half, top - half, scale * columns, scale * rows, png(window(grey))),
    ]
    step = step_for(max(rows, columns), 12)
    for value in ticks(0, columns - 1, most=int(columns / step)):
        shapes += [
            Line(
                ((across(value), top), (across(value), top + scale * rows)),
                Paint(None, "bend", 0.5, opacity=1),
            ),
            Text(across(value), top - 4.0, f"{value:g}", 11.0, "soft", "middle"),
        ]
    for value in ticks(0, rows - 1, most=int(rows / step)):
        shapes += [
            Line(((left, down(value)), (left + scale * columns, down(value))), Paint(None, "bend", 0.5)),
            Text(left - 6.0, down(value) + 4.0, f"{value:g}", 11.0, "soft", "end"),
        ]
    size = (left + scale * columns + 16.0, top + scale * rows + 16.0)
    return Scene("frame", title, "One frame with rulers in pixels.", *size, tuple(shapes))


def window(
    grey: NDArray[np.uint16] | FloatArray, box: tuple[int, int, int, int] | None = None
) -> NDArray[np.uint8]:
    """Return grey values stretched so that the middle 98 % of what matters is seen."""
    part = grey if box is None else grey[box[0] : box[1], box[2] : box[3]]
    low, high = np.percentile(part, (1.0, 99.0))
    shown = (part.astype(np.float64) - low) / max(float(high - low), 1e-9)
    return np.asarray(np.clip(np.round(255.0 * shown), 0, 255), dtype=np.uint8)


def png(grey: NDArray[np.uint8]) -> bytes:
    """Return a grey picture as PNG."""
    out = BytesIO()
    Pillow.fromarray(grey).save(out, format="PNG", optimize=True)
    return out.getvalue()


def _panel(shapes: list[Shape], measured: Measured, k: int, x: float, y: float) -> float:
    """Draw one frame, cut to the vessel, with centreline, edges and marks; return where it ends."""
    run, table, lumen = measured.runs[k], measured.document.run[k], measured.vessel.lumens[k]
    r0, r1, c0, c1 = _box(lumen, run.rows, run.columns)
    scale = PANEL / (c1 - c0)
    height = scale * (r1 - r0)

    def at(places: FloatArray) -> tuple[Point, ...]:
        return tuple((x + scale * (c - c0 + 0.5), y + scale * (r - r0 + 0.5)) for r, c in places)

    used = measured.document.result.used[k] if measured.document.result else None
    name = view_name(used.primary_deg, used.secondary_deg) if used else ""
    shapes.append(Image(x, y, PANEL, height, png(window(run.frame(table.frame), (r0, r1, c0, c1)))))
    left, right = lumen.edges_px()
    for edge in (left, right):
        shapes.append(Line(at(edge), Paint(None, "need", 1.4)))
    shapes.append(Line(at(lumen.line_px), Paint(None, "backup", 1.0, "5 4")))
    shapes += [Circle(px, py, 4.0, Paint(None, "stop", 1.6)) for px, py in at(np.array(table.clicks))]
    for branch in table.branch:
        ((bx, by),) = at(np.array([branch.at]))
        shapes += [
            Circle(bx, by, 4.0, Paint("panel", "ink", 1.4)),
            Text(bx + 8.0, by - 6.0, branch.name, SMALL, "ink", halo="panel"),
        ]
    for stenosis in measured.vessel.stenoses:
        row = float(np.interp(stenosis.at_mm, measured.vessel.s_mm, measured.vessel.rows_at[k]))
        i = int(np.clip(np.searchsorted(lumen.along_px, row), 0, len(left) - 1))
        px, py = at(right[i : i + 1])[0]
        text = f"{stenosis.least_diameter_mm:.1f} mm"
        shapes.append(
            Text(min(px + 14.0, x + PANEL - 60.0), py + 4.0, text, SMALL + 1, "stop", bold=True, halo="panel")
        )
    shapes.append(Rect(x, y, PANEL, height, Paint(None, "line")))
    shapes.append(Text(x, y + height + 17.0, f"{name} · frame {table.frame} of {run.frames}", 13.0))
    return y + height + 20.0


def _box(lumen: Lumen, rows: int, columns: int) -> tuple[int, int, int, int]:
    """Return the part of the image to show: the vessel with room round it, as wide as 1.25 times its height."""
    low, high = lumen.line_px.min(axis=0) - 36.0, lumen.line_px.max(axis=0) + 36.0
    middle, size = 0.5 * (low + high), high - low
    tall = max(size[0], size[1] / 1.25, 60.0)
    half = np.array([0.5 * tall, 0.5 * 1.25 * tall])
    r0, c0 = np.maximum(np.floor(middle - half), 0).astype(int)
    r1, c1 = np.minimum(np.ceil(middle + half).astype(int), (rows, columns))
    return int(r0), int(r1), int(c0), int(c1)


def _side_text(shapes: list[Shape], measured: Measured, x: float, y: float) -> None:
    lines = wrap(measured.vessel.remarks[0].text, 13.0, PANEL)
    shapes += [Text(x, y + 18.0 + 18.0 * k, line, 13.0, "stop") for k, line in enumerate(lines)]


def lumen_strip(vessel: Vessel, names: Sequence[str]) -> Scene:
    """Return the picture of a measured lumen laid straight, with its error, its reference and its narrowings.

    `names` are those of the vessel's landmarks, in their order.
    """
    shapes: list[Shape] = []
    bottom = _strip(shapes, vessel, names, 26.0)
    least = 2.0 * float(vessel.radius_mm.min())
    description = (
        f"{vessel.length_mm:.1f} mm long, least diameter {least:.2f} mm, {len(vessel.stenoses)} narrowings."
    )
    return Scene("lumen", "The lumen laid straight", description, WIDTH, bottom + 8.0, tuple(shapes))


def _strip(shapes: list[Shape], v: Vessel, names: Sequence[str], top: float) -> float:
    """Draw the lumen laid straight, to one scale along and another across; return where it ends."""
    along = Scale(0.0, max(v.length_mm, 1.0), MARGIN + 44.0, WIDTH - MARGIN - 12.0)
    widest = float((v.radius_mm + v.radius_sd_mm).max()) * 1.1
    half = 62.0
    axis = top + half + 10.0
    across = half / widest

    def line(radius: FloatArray, sign: float) -> list[Point]:
        return [(along(s), axis + sign * r * across) for s, r in zip(v.s_mm, radius, strict=True)]

    outer, inner = v.radius_mm + v.radius_sd_mm, np.maximum(v.radius_mm - v.radius_sd_mm, 0.0)
    shapes.append(
        band(line(v.radius_mm, -1.0), line(v.radius_mm, 1.0), Paint("lumen", "wall", 1.4), kind="lumen")
    )
    for sign in (-1.0, 1.0):
        shapes.append(band(line(outer, sign), line(inner, sign), Paint("wall", opacity=0.35), kind="spread"))
        shapes.append(
            Line(tuple(line(0.5 * v.reference_mm, sign)), Paint(None, "soft", 1.0, "6 4"), kind="reference")
        )
    for s in ticks(0.0, v.length_mm, most=12):
        shapes += [
            Line(((along(s), axis + half + 8.0), (along(s), axis + half + 13.0)), Paint(None, "soft")),
            Text(along(s), axis + half + 27.0, f"{s:g}", SMALL, "soft", "middle"),
        ]
    shapes.append(
        Text(
            along.end,
            axis + half + 42.0,
            "mm along the vessel; dashed: reference; grey: error",
            SMALL,
            "soft",
            "end",
        )
    )
    _diameter_ticks(shapes, axis, across, widest, along.start - 8.0)
    for stenosis in v.stenoses:
        x = along(stenosis.at_mm)
        reach = 0.5 * stenosis.reference_mm * across
        shapes += [
            Line(((x, axis - reach - 10.0), (x, axis + reach)), Paint(None, "stop", 1.2)),
            Text(
                x, axis - reach - 14.0, f"{stenosis.stenosis_percent:.0f} % (±{stenosis.stenosis_sd_percent:.0f})",
                13.0, "stop", "middle", bold=True, halo="ground",
            ),
        ]  # fmt: skip
    for name, place in zip(names, v.landmarks_at_mm, strict=True):
        shapes += [
            Circle(along(place), axis, 4.0, Paint("panel", "ink", 1.4)),
            Text(along(place) + 8.0, axis + 4.0, name, SMALL, "ink", halo="lumen"),
        ]
    return axis + half + 44.0


def _diameter_ticks(shapes: list[Shape], axis: float, across: float, widest: float, x: float) -> None:
    for d in ticks(0.0, 2.0 * widest, most=3):
        if d > 0.0:
            reach = 0.5 * d * across
            shapes += [
                Line(((x, axis - reach), (x + 5.0, axis - reach)), Paint(None, "soft")),
                Line(((x, axis + reach), (x + 5.0, axis + reach)), Paint(None, "soft")),
                Text(x - 4.0, axis - reach + 4.0, f"{d:g}", SMALL, "soft", "end"),
            ]
    shapes.append(Text(x - 4.0, axis + 4.0, "mm", SMALL, "soft", "end"))


def _words(shapes: list[Shape], measured: Measured, top: float) -> float:
    y = top
    for text, role, bold in [
        (headline(measured.document), "ink", True),
        *((f"{'Accepted: ' if r.stops else ''}{r.text}", "stop", False) for r in measured.vessel.remarks),
        (CAUTION, "soft", False),
    ]:
        for line in wrap(text, 13.0, WIDTH - 2 * MARGIN, bold=bold):
            shapes.append(Text(MARGIN, y, line, 13.0, role, bold=bold))
            y += 18.0
        y += 3.0
    return y - 18.0
