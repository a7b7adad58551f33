"""The path strip of the treatment: vessel, lesions, reference ticks, and what is planned, all to one scale."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from backstay.adapters.treatment_file import MeasuredLesion, PlannedBalloon, PlannedStent, TreatmentDocument
from backstay.identifiers import Calcium
from backstay.report.axes import Scale, ticks
from backstay.report.labels import ROW, Label, draw, place, row_count
from backstay.report.scene import Line, Paint, Rect, Scene, Shape, Text, band, text_width, wrap
from backstay.report.treatment import USES, headline
from backstay.report.words import number

WIDE = 1120.0
PHONE = 372.0
NARROW = 620.0
_EXAGGERATIONS = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20)
_TALLEST = 104.0
_BEYOND_MM = 18.0
_GAP = 9.0
_PLAQUE = {
    Calcium.NONE: Paint("line", "wall"),
    Calcium.MILD: Paint("soft", "wall", hatch="dotted"),
    Calcium.MODERATE: Paint("soft", "wall", hatch="crossed"),
    Calcium.SEVERE: Paint("ink", "ink", hatch="crossed", width=1.4),
}


@dataclass(frozen=True)
class _Bar:
    """Something planned, drawn under the vessel."""

    from_mm: float
    to_mm: float
    diameter_mm: float
    words: str
    paint: Paint
    kind: str


class _Strip:
    def __init__(self, doc: TreatmentDocument, width: float) -> None:
        self.doc, self.width, self.narrow = doc, width, width < NARROW
        self.small = 11.5 if self.narrow else 13.0
        s = np.asarray(doc.picture.s_mm)
        last = max(
            [x.landing_to_mm for x in doc.lesions] + [x.to_mm for x in doc.stretches], default=float(s[-1])
        )
        end = min(last + _BEYOND_MM, float(s[-1]))
        self.shown = s <= end + 1e-9
        self.s = s[self.shown]
        self.reference = np.asarray(doc.picture.reference_mm)[self.shown]
        self.lumen = np.minimum(np.asarray(doc.picture.lumen_mm)[self.shown], 1.15 * self.reference)
        self.along = Scale(float(s[0]), end, 16.0, width - 16.0)
        natural = float(self.reference.max()) * self.along.per_unit
        fitting = [e for e in _EXAGGERATIONS if e * natural <= _TALLEST]
        self.exaggeration = fitting[-1] if fitting else 1
        self.across = self.exaggeration * self.along.per_unit

    def scene(self) -> Scene:
        heading, top = self._heading()
        above = place(self._labels_above(), size=self.small, left=8.0, right=self.width - 8.0)
        half = 0.5 * float(max(self.reference.max(), self.lumen.max())) * self.across
        vessel_top = top + row_count(above) * ROW + 8.0
        axis = vessel_top + half + 8.0
        above = [replace(p, label=replace(p.label, y=axis - half)) for p in above]
        edge = axis + half + 10.0
        below = place(self._labels_below(axis), size=self.small, left=8.0, right=self.width - 8.0)
        bars, bottom = self._bars(edge + row_count(below) * ROW + 16.0)
        scale, end = self._scale(bottom + 8.0)
        shapes = [
            *heading,
            *self._vessel(axis),
            *self._stents_inside(axis),
            *draw(above, edge=vessel_top + 2.0, size=self.small, above=True),
            *self._reference_ticks(axis),
            *draw(below, edge=edge, size=self.small, above=False),
            *bars,
            *scale,
        ]
        return Scene(
            name=f"treatment-{'narrow' if self.narrow else 'wide'}",
            title="Path strip of the treatment",
            description=headline(self.doc),
            width=self.width,
            height=end,
            shapes=tuple(shapes),
        )

    def _heading(self) -> tuple[list[Shape], float]:
        size = 16.0 if self.narrow else 21.0
        y, shapes = 4.0, []
        for line in wrap(headline(self.doc), size, self.width - 16.0, bold=True):
            y += 1.2 * size
            shapes.append(Text(8.0, y, line, size, "ink", bold=True))
        return [*shapes], y + 10.0

    # The vessel

    def _walls(self, keep: np.ndarray, diameter: np.ndarray, axis: float):  # type: ignore[no-untyped-def]
        x = [self.along(float(v)) for v in self.s[keep]]
        r = 0.5 * diameter[keep] * self.across
        upper = [(a, axis - float(b)) for a, b in zip(x, r, strict=True)]
        lower = [(a, axis + float(b)) for a, b in zip(x, r, strict=True)]
        return upper, lower

    def _vessel(self, axis: float) -> list[Shape]:
        whole = np.ones(self.s.shape, dtype=bool)
        upper, lower = self._walls(whole, self.lumen, axis)
        shapes: list[Shape] = [band(upper, lower, Paint("lumen"), kind="lumen")]
        for branch in self.doc.branches:
            if branch.at_mm <= self.along.high:
                shapes.append(self._mouth(branch.at_mm, branch.diameter_mm, axis))
        shapes += [Line(tuple(wall), Paint(stroke="wall", width=2.0)) for wall in (upper, lower)]
        for lesion in self.doc.lesions:
            shapes += self._plaque(lesion, axis)
        return shapes

    def _mouth(self, at_mm: float, diameter_mm: float, axis: float) -> Shape:
        x, half = self.along(at_mm), 0.5 * diameter_mm * self.along.per_unit
        wall = axis - 0.5 * float(np.interp(at_mm, self.s, self.lumen)) * self.across
        points = (
            (x - half, wall + 1.0),
            (x - half, wall - 7.0),
            (x + half, wall - 7.0),
            (x + half, wall + 1.0),
        )
        return Line(points, Paint("lumen", "wall", 1.5), kind="branch")

    def _plaque(self, lesion: MeasuredLesion, axis: float) -> list[Shape]:
        keep = (self.s >= lesion.from_mm.value) & (self.s <= lesion.to_mm.value)
        if keep.sum() < 2:
            return []
        outer = self._walls(keep, np.maximum(self.reference, self.lumen), axis)
        inner = self._walls(keep, self.lumen, axis)
        paint = _PLAQUE[lesion.calcium or Calcium.NONE]
        return [
            band(outside, inside, p, kind="plaque")
            for outside, inside in zip(outer, inner, strict=True)
            for p in (Paint("lumen"), paint)
        ]

    def _stents_inside(self, axis: float) -> list[Shape]:
        """Outline every stent at its opened size, to scale across as well."""
        shapes: list[Shape] = []
        for stent in self._stents():
            half = 0.5 * (stent.opened_mm or stent.label_mm) * self.across
            x, end = self.along(stent.from_mm), self.along(stent.to_mm)
            paint = Paint(None, "backup", 2.2, dash="6 3")
            shapes.append(Rect(x, axis - half, end - x, 2 * half, paint, tip=stent.name))
        return shapes

    def _stents(self) -> list[PlannedStent]:
        return [x for s in self.doc.stretches if s.best is not None for x in s.best.stents]

    # Words

    def _labels_above(self) -> list[Label]:
        labels = []
        for lesion in self.doc.lesions:
            words = f"lesion {lesion.number}: {number(lesion.diameter_percent.value, 0)} %, {number(lesion.least_mm.value, 2)} mm"
            labels.append(Label(self.along(lesion.narrowest_at_mm), 0.0, words))
        for branch in self.doc.branches:
            if branch.at_mm <= self.along.high:
                words = f"{branch.name} {number(branch.diameter_mm)} mm"
                labels.append(Label(self.along(branch.at_mm), 0.0, words, "soft"))
        return labels

    def _labels_below(self, axis: float) -> list[Label]:
        labels = []
        for tick in self.doc.ticks:
            y = axis + 0.5 * tick.diameter_mm.value * self.across
            words = f"reference {number(tick.diameter_mm.value, 2)} mm"
            if not self.narrow:
                low, high = number(tick.diameter_mm.low, 2), number(tick.diameter_mm.high, 2)
                words += f" ({low}–{high})"
            labels.append(Label(self.along(tick.at_mm), y, words, "ink"))
        return labels

    def _reference_ticks(self, axis: float) -> list[Shape]:
        shapes: list[Shape] = []
        for tick in self.doc.ticks:
            x, r = self.along(tick.at_mm), 0.5 * tick.diameter_mm.value * self.across
            shapes.append(Line(((x, axis - r), (x, axis + r)), Paint(stroke="ink", width=1.6), kind="tick"))
            shapes += [
                Line(((x - 5.0, y), (x + 5.0, y)), Paint(stroke="ink", width=1.6))
                for y in (axis - r, axis + r)
            ]
        return shapes

    # What is planned

    def _bars(self, top: float) -> tuple[list[Shape], float]:
        shapes: list[Shape] = []
        y = top
        for bar in self._planned():
            height = max(bar.diameter_mm * self.across * 0.5, 7.0)
            x, end = self.along(bar.from_mm), self.along(bar.to_mm)
            shapes.append(Text(8.0, y + self.small, bar.words, self.small, "soft"))
            room = 8.0 + text_width(bar.words, self.small) + 8.0 > x
            y += 1.3 * self.small + 2.0 if room or self.narrow else 0.0
            shapes.append(
                Rect(
                    x,
                    y,
                    end - x,
                    height,
                    bar.paint,
                    corner=3.0 if bar.kind != "stent" else 0.0,
                    tip=bar.words,
                )
            )
            y += height + _GAP if room or self.narrow else max(height, 1.3 * self.small) + _GAP
        return shapes, y

    def _planned(self) -> list[_Bar]:
        bars = []
        for stent in self._stents():
            at = "" if stent.pressure_atm is None else f", {number(stent.pressure_atm, 0)} atm"
            opened = stent.opened_mm or stent.label_mm
            words = f"stent {number(stent.label_mm, 2)} × {number(stent.length_mm, 0)} mm{at}"
            bars.append(
                _Bar(
                    stent.from_mm,
                    stent.to_mm,
                    opened,
                    words,
                    Paint("backup", "backup", 1.5, hatch="crossed"),
                    "stent",
                )
            )
        for stretch in self.doc.stretches:
            bars += [self._balloon(b) for b in stretch.after if b.diameter_mm is not None]
        return bars

    def _balloon(self, b: PlannedBalloon) -> _Bar:
        words = f"{USES[b.use]} {number(b.diameter_mm or 0.0, 2)} mm, {number(b.pressure_atm or 0.0, 0)} atm"
        return _Bar(
            b.from_mm,
            b.to_mm,
            b.diameter_mm or 0.0,
            words,
            Paint("need", "need", 1.5, hatch="ruled"),
            "balloon",
        )

    def _scale(self, top: float) -> tuple[list[Shape], float]:
        shapes: list[Shape] = [Line(((self.along.start, top), (self.along.end, top)), Paint(stroke="line"))]
        for at in ticks(self.along.low, self.along.high, most=5 if self.narrow else 10):
            x = self.along(at)
            shapes.append(Line(((x, top), (x, top + 5.0)), Paint(stroke="soft")))
            shapes.append(Text(x, top + 6.0 + self.small, number(at, 0), self.small, "soft", "middle"))
        y = top + 6.0 + 2.5 * self.small
        words = (
            f"Place on the path, mm. Along the vessel to scale; across it {self.exaggeration} times as wide, vessel and stents alike; "
            "the bars below at half that. Ticks are references, dashes a stent as opened."
        )
        for line in wrap(words, self.small, self.width - 16.0):
            shapes.append(Text(8.0, y, line, self.small, "soft"))
            y += 1.35 * self.small
        return shapes, y + 2.0


def treatment_strip(doc: TreatmentDocument, *, width: float = WIDE) -> Scene:
    """Return the path strip of the treatment; below 620 px it takes the form for a phone."""
    return _Strip(doc, width).scene()
