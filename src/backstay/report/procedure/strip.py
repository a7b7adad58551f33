"""The path strip of a report: the vessel as found, and with what was left in it, to one scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.report_file import FoundLesion, LeftIn, ReportContent
from backstay.app.event_words import plain
from backstay.identifiers import BodyItem, Calcium
from backstay.report.axes import Scale, ticks
from backstay.report.labels import ROW, Label, draw, place, row_count
from backstay.report.scene import Line, Paint, Point, Scene, Shape, Text, band, wrap
from backstay.report.words import CALCIUM, number

FloatArray = NDArray[np.float64]

WIDE = 960.0
PHONE = 372.0
_NARROW = 620.0
_EXAGGERATIONS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20)
_TALLEST = 92.0
_BEYOND_MM = 22.0
_PLAQUE = {
    Calcium.NONE: Paint("line", "wall"),
    Calcium.MILD: Paint("soft", "wall", hatch="dotted"),
    Calcium.MODERATE: Paint("soft", "wall", hatch="crossed"),
    Calcium.SEVERE: Paint("ink", "ink", hatch="crossed", width=1.4),
}


def before_strip(content: ReportContent, *, width: float = WIDE) -> Scene:
    """Return the vessel as found; below 620 px it takes the form for a phone."""
    return _Strip(content, width).before()


def after_strip(content: ReportContent, *, width: float = WIDE) -> Scene:
    """Return the vessel with what was left in it, and where devices stopped and complications lay."""
    return _Strip(content, width).after()


class _Strip:
    def __init__(self, content: ReportContent, width: float) -> None:
        self.c, self.width, self.narrow = content, width, width < _NARROW
        self.small = 11.5 if self.narrow else 13.0
        picture = content.findings.picture
        s = np.asarray(picture.s_mm)
        last = max(
            [x.to_mm for x in content.findings.lesions] + [x.to_mm or 0.0 for x in content.left_in],
            default=float(s[-1]),
        )
        end = min(last + _BEYOND_MM, float(s[-1]))
        shown = s <= end + 1e-9
        self.s, self.reference = s[shown], np.asarray(picture.reference_mm)[shown]
        self.lumen = np.minimum(np.asarray(picture.lumen_mm)[shown], 1.15 * self.reference)
        self.along = Scale(float(s[0]), end, 16.0, width - 16.0)
        opened = max([self._size_mm(x) for x in content.left_in], default=0.0)
        self.widest_mm = max(float(self.reference.max()), float(self.lumen.max()), opened)
        natural = self.widest_mm * self.along.per_unit
        fitting = [e for e in _EXAGGERATIONS if e * natural <= _TALLEST]
        self.exaggeration = fitting[-1] if fitting else 1
        self.across = self.exaggeration * self.along.per_unit

    def before(self) -> Scene:
        return self._scene("before", "As found", self._lesion_labels(), self._width_labels(), self._plaques)

    def after(self) -> Scene:
        return self._scene("after", "As left", self._event_labels(), self._left_labels(), self._left)

    def _scene(
        self,
        name: str,
        title: str,
        above: list[Label],
        below: list[Label],
        inside: Callable[[float], list[Shape]],
    ) -> Scene:
        half = 0.5 * self.widest_mm * self.across + 4.0
        rows = place(above, size=self.small, left=8.0, right=self.width - 8.0)
        top = 8.0 + row_count(rows) * ROW + 8.0
        axis = top + half
        rows = [replace(p, label=replace(p.label, y=self._wall(p.label.x, axis))) for p in rows]
        edge = axis + half + 10.0
        under = place(below, size=self.small, left=8.0, right=self.width - 8.0)
        under = [replace(p, label=replace(p.label, y=axis + p.label.y)) for p in under]
        scale, end = self._scale(edge + row_count(under) * ROW + 12.0)
        return Scene(
            name=f"vessel-{name}-{'narrow' if self.narrow else 'wide'}",
            title=f"Path strip, {title.lower()}",
            description="; ".join(label.text for label in [*above, *below]) or title,
            width=self.width,
            height=end,
            shapes=(
                *self._vessel(axis),
                *inside(axis),
                *draw(rows, edge=top + 2.0, size=self.small, above=True),
                *draw(under, edge=edge, size=self.small, above=False),
                *scale,
            ),
        )

    # The vessel

    def _at(self, x: float) -> float:
        return self.along.low + (x - self.along.start) / self.along.per_unit

    def _wall(self, x: float, axis: float) -> float:
        return axis - 0.5 * float(np.interp(self._at(x), self.s, self.lumen)) * self.across

    def _walls(
        self, keep: NDArray[np.bool_], diameter: FloatArray, axis: float
    ) -> tuple[list[Point], list[Point]]:
        x = [self.along(float(v)) for v in self.s[keep]]
        r = 0.5 * diameter[keep] * self.across
        upper = [(a, axis - float(b)) for a, b in zip(x, r, strict=True)]
        return upper, [(a, axis + float(b)) for a, b in zip(x, r, strict=True)]

    def _vessel(self, axis: float) -> list[Shape]:
        upper, lower = self._walls(np.ones(self.s.shape, dtype=bool), self.lumen, axis)
        shapes: list[Shape] = [band(upper, lower, Paint("lumen"), kind="lumen")]
        shapes += [
            self._mouth(b.at_mm, b.diameter_mm, axis)
            for b in self.c.findings.branches
            if b.at_mm <= self.along.high
        ]
        return [*shapes, *(Line(tuple(wall), Paint(stroke="wall", width=2.0)) for wall in (upper, lower))]

    def _mouth(self, at_mm: float, diameter_mm: float, axis: float) -> Shape:
        x, half = self.along(at_mm), 0.5 * diameter_mm * self.along.per_unit
        wall = self._wall(x, axis)
        points = ((x - half, wall + 1), (x - half, wall - 7), (x + half, wall - 7), (x + half, wall + 1))
        return Line(points, Paint("lumen", "wall", 1.5), kind="branch")

    def _plaques(self, axis: float) -> list[Shape]:
        return [shape for lesion in self.c.findings.lesions for shape in self._plaque(lesion, axis)]

    def _plaque(self, lesion: FoundLesion, axis: float) -> list[Shape]:
        keep = (self.s >= lesion.from_mm) & (self.s <= lesion.to_mm)
        if keep.sum() < 2:
            return []
        outer = self._walls(keep, np.maximum(self.reference, self.lumen), axis)
        inner = self._walls(keep, self.lumen, axis)
        return [
            band(outside, within, paint, kind="plaque")
            for outside, within in zip(outer, inner, strict=True)
            for paint in (Paint("lumen"), _PLAQUE[lesion.calcium or Calcium.NONE])
        ]

    def _left(self, axis: float) -> list[Shape]:
        """Draw stents at their size by chart, wires left behind them, and where devices stopped."""
        shapes: list[Shape] = []
        for one in self.c.left_in:
            if one.from_mm is None or one.to_mm is None:
                continue
            x, end = self.along(one.from_mm), self.along(min(one.to_mm, self.along.high))
            if one.item is BodyItem.STENT:
                shapes += self._stent(one, axis)
            else:
                y = axis + 0.5 * self.widest_mm * self.across
                shapes.append(
                    Line(((x - 20.0, y), (end + 20.0, y)), Paint(stroke="stop", width=2.4, dash="7 3"))
                )
        return [*shapes, *self._stops(axis)]

    def _pieces(self, one: LeftIn) -> list[tuple[float, float, float]]:
        """Return stretches with their diameter: by chart, else the label's, else the vessel's own."""
        if one.by_chart:
            return [(piece.from_mm, piece.to_mm, piece.diameter_mm) for piece in one.by_chart]
        from_mm, to_mm = one.from_mm or 0.0, one.to_mm or 0.0
        own_mm = float(np.interp(0.5 * (from_mm + to_mm), self.s, self.reference))
        return [(from_mm, to_mm, one.label_mm or own_mm)]

    def _size_mm(self, one: LeftIn) -> float:
        return max(size for *_, size in self._pieces(one))

    def _stent(self, one: LeftIn, axis: float) -> list[Shape]:
        """Return a stent piece by piece, each as wide as its chart says."""
        points = [
            (self.along(min(at, self.along.high)), 0.5 * size * self.across)
            for start, end, size in self._pieces(one)
            for at, size in ((start, size), (end, size))
        ]
        outline = (*((x, axis - r) for x, r in points), *((x, axis + r) for x, r in reversed(points)))
        paints = (Paint("lumen"), Paint("backup", "backup", 2.0, hatch="crossed"))
        return [Line(outline, paint, closed=True, kind="stent", tip=one.name) for paint in paints]

    def _stops(self, axis: float) -> list[Shape]:
        half = 0.5 * self.widest_mm * self.across
        return [
            Line(
                ((self.along(at), axis - half), (self.along(at), axis + half)),
                Paint(stroke="stop", width=2.2, dash="3 3"),
            )
            for at in dict.fromkeys(_stopped(self.c))
            if at <= self.along.high
        ]

    # Words

    def _lesion_labels(self) -> list[Label]:
        labels = []
        for x in self.c.findings.lesions:
            words = f"lesion {x.number}: {plain(x.diameter_percent.value)} %"
            if not self.narrow and x.calcium is not None:
                words += f", {CALCIUM[x.calcium]}"
            labels.append(Label(self.along(x.narrowest_at_mm), 0.0, words, bold=True))
        return labels + self._branch_labels()

    def _branch_labels(self) -> list[Label]:
        return [
            Label(self.along(b.at_mm), 0.0, f"{b.name} {plain(b.diameter_mm)} mm", "soft")
            for b in self.c.findings.branches
            if b.at_mm <= self.along.high
        ]

    def _width_labels(self) -> list[Label]:
        labels = []
        for x in self.c.findings.lesions:
            r = 0.5 * x.least_mm.value * self.across
            labels.append(Label(self.along(x.narrowest_at_mm), r, f"{plain(x.least_mm.value)} mm"))
            at = max(x.from_mm - 4.0, 0.0)
            r = 0.5 * float(np.interp(at, self.s, self.lumen)) * self.across
            labels.append(Label(self.along(at), r, f"reference {plain(x.reference_mm.value)} mm", "soft"))
        return labels

    def _event_labels(self) -> list[Label]:
        labels = [
            Label(self.along(at), 0.0, f"stopped at {plain(at)} mm", "stop")
            for at in dict.fromkeys(_stopped(self.c))
            if at <= self.along.high
        ]
        for one in self.c.complications:
            if one.at_mm is not None and one.at_mm <= self.along.high:
                labels.append(Label(self.along(one.at_mm), 0.0, f"! {one.text[:40]}", "stop", bold=True))
        return labels + self._branch_labels()

    def _left_labels(self) -> list[Label]:
        labels = []
        for one in self.c.left_in:
            if one.from_mm is None or one.to_mm is None:
                continue
            middle = self.along(0.5 * (one.from_mm + one.to_mm))
            if one.item is BodyItem.STENT:
                words = (
                    f"stent {plain(one.label_mm)} x {plain(one.length_mm)} mm" if one.label_mm else one.name
                )
                sizes = sorted({piece.diameter_mm for piece in one.by_chart})
                if sizes and not self.narrow:
                    words += (
                        f", {' to '.join(plain(s) for s in dict.fromkeys((sizes[0], sizes[-1])))} mm by chart"
                    )
                labels.append(
                    Label(middle, 0.5 * self._size_mm(one) * self.across, words, "backup", bold=True)
                )
            else:
                labels.append(
                    Label(middle, 0.5 * self.widest_mm * self.across, "wire behind the stent", "stop")
                )
        return labels

    def _scale(self, top: float) -> tuple[list[Shape], float]:
        shapes: list[Shape] = [Line(((self.along.start, top), (self.along.end, top)), Paint(stroke="line"))]
        for at in ticks(self.along.low, self.along.high, most=5 if self.narrow else 10):
            x = self.along(at)
            shapes.append(Line(((x, top), (x, top + 5.0)), Paint(stroke="soft")))
            shapes.append(Text(x, top + 6.0 + self.small, number(at, 0), self.small, "soft", "middle"))
        y = top + 6.0 + 2.4 * self.small
        words = f"mm from the ostium; across the vessel {self.exaggeration} times as wide"
        for line in wrap(words, self.small, self.width - 16.0):
            shapes.append(Text(8.0, y, line, self.small, "soft"))
            y += 1.35 * self.small
        return shapes, y


def _stopped(content: ReportContent) -> Sequence[float]:
    return [x.stopped_at_mm for x in content.attempts if x.stopped_at_mm is not None]
