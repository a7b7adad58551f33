"""The vessel of the path strip: lumen, plaque, branches, bends, and the assembly lying in it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from backstay.adapters.plan_file import LesionPicture, Lying
from backstay.identifiers import Calcium
from backstay.report.axes import Scale
from backstay.report.labels import ROW, Label, draw, place, row_count
from backstay.report.scene import Line, Paint, Point, Rect, Shape, Text, band
from backstay.report.strip_frame import BEFORE_MM, Frame
from backstay.report.words import CALCIUM, LYING, number

_HATCH = {
    Calcium.NONE: Paint("line", "wall"),
    Calcium.MILD: Paint("soft", "wall", hatch="dotted"),
    Calcium.MODERATE: Paint("soft", "wall", hatch="crossed"),
    Calcium.SEVERE: Paint("ink", "ink", hatch="crossed", width=1.4),
}
_THINNEST_PLAQUE_MM = 0.12
BENDS_HEIGHT = 38.0


class Vessel:
    """The vessel part, laid out downwards from `top`."""

    def __init__(self, frame: Frame, top: float) -> None:
        self.f, self.top = frame, top
        s = np.asarray(frame.plan.path.s_mm)
        self.s = s[s <= frame.vessel_end_mm + 1e-9]
        self.radius = np.asarray(frame.plan.path.radius_mm)[: len(self.s)]
        right = frame.along.end
        self.above = place(self._labels_above(), size=frame.small, left=frame.along.start - 20, right=right)
        self.half = float(self.radius.max()) * frame.across + 6.0
        self.vessel_top = top + row_count(self.above) * ROW + 10.0
        self.axis = self.vessel_top + self.half
        self.above = [replace(p, label=replace(p.label, y=self._root(p.label.x))) for p in self.above]
        self.below_edge = self.axis + self.half + 12.0
        self.below = place(self._labels_below(), size=frame.small, left=frame.along.start - 20, right=right)
        self.bends_top = self.below_edge + row_count(self.below) * ROW + 24.0
        self.bottom = self.bends_top + BENDS_HEIGHT

    def shapes(self) -> list[Shape]:
        """Return everything in drawing order."""
        return [
            *self._lumen(),
            *self._plaques(),
            *self._assembly(),
            *draw(self.above, edge=self.vessel_top + 2.0, size=self.f.small, above=True),
            *self._diameters(),
            *draw(self.below, edge=self.below_edge, size=self.f.small, above=False),
            *self._bends(),
        ]

    # The lumen and what narrows it

    def _y(self, offset_mm: float) -> float:
        return self.axis + offset_mm * self.f.across

    def _walls(self, places: Sequence[float], radii: Sequence[float]) -> tuple[list[Point], list[Point]]:
        x = [self.f.along(float(s)) for s in places]
        upper = [(a, self._y(-float(r))) for a, r in zip(x, radii, strict=True)]
        lower = [(a, self._y(float(r))) for a, r in zip(x, radii, strict=True)]
        return upper, lower

    def _lumen(self) -> list[Shape]:
        upper, lower = self._walls(list(self.s), list(self.radius))
        shapes: list[Shape] = [band(upper, lower, Paint("lumen"), kind="lumen")]
        for branch in self.f.plan.branches:
            if branch.at_mm <= self.f.vessel_end_mm:
                shapes.append(self._branch_mouth(branch.at_mm, branch.diameter_mm))
        shapes += [Line(tuple(wall), Paint(stroke="wall", width=2.0)) for wall in (upper, lower)]
        return shapes

    def _branch_mouth(self, at_mm: float, diameter_mm: float) -> Shape:
        x, half = self.f.along(at_mm), 0.5 * diameter_mm * self.f.along.per_unit
        wall = self._y(-self.f.radius_mm(at_mm))
        points = (
            (x - half, wall + 1.0),
            (x - half, wall - 7.0),
            (x + half, wall - 7.0),
            (x + half, wall + 1.0),
        )
        return Line(points, Paint("lumen", "wall", 1.5), kind="branch")

    def _plaques(self) -> list[Shape]:
        return [shape for lesion in self.f.plan.lesions for shape in self._plaque(lesion)]

    def _plaque(self, lesion: LesionPicture) -> list[Shape]:
        places = np.linspace(lesion.from_mm, lesion.to_mm, 25)
        lumen = np.array([self.f.radius_mm(s) for s in places])
        ends = [self.f.radius_mm(lesion.from_mm - 3.0), self.f.radius_mm(lesion.to_mm + 3.0)]
        whole = np.interp(places, [places[0], places[-1]], ends)
        whole = np.maximum(whole, lumen + _THINNEST_PLAQUE_MM)
        inner, outer = self._walls(list(places), list(lumen)), self._walls(list(places), list(whole))
        paint = _HATCH[lesion.calcium]
        return [
            band(outside, inside, p, kind="plaque")
            for outside, inside in zip(outer, inner, strict=True)
            for p in (Paint("lumen"), paint)
        ]

    # Words above: lesions and branches

    def _labels_above(self) -> list[Label]:
        labels = []
        for lesion in self.f.plan.lesions:
            labels.append(
                Label(self.f.along(0.5 * (lesion.from_mm + lesion.to_mm)), 0.0, self._lesion_words(lesion))
            )
        for branch in self.f.plan.branches:
            if branch.at_mm <= self.f.vessel_end_mm:
                words = f"{branch.name} {number(branch.diameter_mm)} mm"
                labels.append(Label(self.f.along(branch.at_mm), 0.0, words, "soft"))
        return labels

    def _root(self, x: float) -> float:
        """Return where a leader from above meets the upper wall (once the rows of labels are counted)."""
        along = self.f.along
        at = along.low + (x - along.start) / along.per_unit
        return self._y(-self.f.radius_mm(at))

    def _lesion_words(self, lesion: LesionPicture) -> str:
        words = f"lesion, {CALCIUM[lesion.calcium]}"
        if lesion.dissected:
            words += ", dissected"
        if self.f.narrow:
            return words
        done = ", ".join(item.replace("_", " ") for item in lesion.prepared)
        return f"{words}; prepared: {done}" if done else f"{words}; not prepared"

    # The assembly

    def _assembly(self) -> list[Shape]:
        order = {
            "guide": 0,
            "extension": 1,
            "trapped": 2,
            "buddy": 2,
            "wire": 3,
            "shaft": 4,
            "device": 5,
            "anchor": 6,
        }
        shapes: list[Shape] = []
        beside = 0
        for item in sorted(self.f.rig.lying, key=lambda lying: order[lying.kind]):
            if item.kind in ("buddy", "trapped"):
                shapes += self._beside(item, -1.0 if beside % 2 else 1.0)
                beside += 1
            elif item.kind in ("guide", "extension"):
                shapes += self._tube(item)
            elif item.kind == "anchor":
                shapes += self._anchor(item)
            elif item.kind == "device":
                shapes += self._device(item)
            else:
                shapes.append(self._rod(self._moved(item)))
        return shapes

    def _moved(self, item: Lying) -> Lying:
        """Return the device and its shaft where they stop."""
        if item.kind not in ("device", "shaft") or self.f.short_mm == 0.0:
            return item
        back = self.f.short_mm
        start = item.from_mm if item.kind == "shaft" else item.from_mm - back
        return item.model_copy(update={"from_mm": start, "to_mm": item.to_mm - back})

    def _span(self, item: Lying) -> tuple[float, float]:
        end = max(min(item.to_mm, float(self.s[-1])), -BEFORE_MM)
        return self.f.along(min(max(item.from_mm, -BEFORE_MM), end)), self.f.along(end)

    def _tube(self, item: Lying) -> list[Shape]:
        start, end = self._span(item)
        thick = 5.0 if item.kind == "guide" else 3.0
        y = item.radius_mm * self.f.across
        walls = [
            Rect(start, wall, end - start, thick, Paint("device"), tip=item.name)
            for wall in (self.axis - y, self.axis + y - thick)
        ]
        return [Rect(start, self.axis - y, end - start, 2 * y, Paint("lumen")), *walls]

    def _rod(self, item: Lying) -> Shape:
        start, end = self._span(item)
        half = item.radius_mm * self.f.across
        fill = "lumen" if item.kind == "shaft" else "ink"
        return Rect(start, self.axis - half, end - start, 2 * half, Paint(fill, "device", 1.5), tip=item.name)

    def _device(self, item: Lying) -> list[Shape]:
        """Draw the device where it stops, and its outline where it was to land."""
        shapes: list[Shape] = []
        if self.f.short_mm > 0.0:
            shapes.append(
                self._body(item, self.f.landing_mm, Paint(stroke="soft", width=1.6, dash="5 4"), "landing")
            )
        tip_mm = self.f.landing_mm - self.f.short_mm
        return [*shapes, self._body(self._moved(item), tip_mm, Paint("device", "ink", 1.5), "device")]

    def _body(self, item: Lying, tip_mm: float, paint: Paint, kind: str) -> Line:
        start, front = self._span(item)
        tip, half = self.f.along(max(tip_mm, item.to_mm)), item.radius_mm * self.f.across
        points = (
            (start, self.axis - half),
            (front, self.axis - half),
            (tip, self.axis - 0.45 * half),
            (tip, self.axis + 0.45 * half),
            (front, self.axis + half),
            (start, self.axis + half),
        )
        return Line(points, paint, closed=True, kind=kind, tip=item.name)

    def _beside(self, item: Lying, side: float) -> list[Shape]:
        """A wire beside the rest follows the wall, clear of what lies in the middle where there is room."""
        places = np.arange(max(item.from_mm, -BEFORE_MM), min(item.to_mm, float(self.s[-1])) + 0.5, 1.0)
        r = item.radius_mm
        bulk = max((x.radius_mm for x in self.f.rig.lying if x.kind in ("device", "shaft")), default=0.0)
        bore = min((x.radius_mm for x in self.f.rig.lying if x.kind == "guide"), default=np.inf)
        room = np.array([self.f.radius_mm(s) if s >= 0.0 else bore for s in places]) - r
        offset = side * np.minimum(np.maximum(room, 0.0), bulk + 2.0 * r)
        line = [(self.f.along(float(s)), self._y(float(o))) for s, o in zip(places, offset, strict=True)]
        half = r * self.f.across
        upper = [(x, y - half) for x, y in line]
        lower = [(x, y + half) for x, y in line]
        dash = "7 3" if item.kind == "trapped" else ""
        fill = "lumen" if item.kind == "anchor" else "soft"
        return [band(upper, lower, Paint(fill, "ink", 1.2, dash=dash), kind=item.kind)]

    def _anchor(self, item: Lying) -> list[Shape]:
        """Draw the anchor's shaft up to its branch, and its balloon in the branch's mouth."""
        at = item.to_mm
        branch = min(self.f.plan.branches, key=lambda b: abs(b.at_mm - at), default=None)
        half = 0.5 * (2.0 if branch is None else branch.diameter_mm) * self.f.along.per_unit
        wall = self._y(-self.f.radius_mm(at))
        paint = Paint("ink", "ink", 1.5, hatch="ruled")
        x = self.f.along(at)
        balloon = Rect(x - half, wall - 14.0, 2 * half, 18.0, paint, corner=0.6 * half, tip=item.name)
        return [*self._beside(item, -1.0), balloon]

    # Words below: what lies there, and sizes

    def _labels_below(self) -> list[Label]:
        labels = []
        for item in self.f.rig.lying:
            if item.kind == "guide" and self.f.narrow:
                continue
            if item.kind != "shaft":
                labels.append(self._lying_label(item))
        for at in self._measured():
            words = f"{number(2.0 * self.f.radius_mm(at))} mm wide"
            y = self._y(self.f.radius_mm(at))
            labels.append(Label(self.f.along(at), y, words, "soft"))
        return labels

    def _lying_label(self, item: Lying) -> Label:
        words = LYING[item.kind]
        if item.kind == "extension":
            words += f" to {number(item.to_mm, 0)} mm"
        start, end = self._span(self._moved(item))
        x = 0.5 * (start + end)
        y = self.axis + item.radius_mm * self.f.across
        if item.kind == "wire":
            x = end - 30.0
        elif item.kind in ("buddy", "trapped"):
            x = end - 90.0 if not self.f.narrow else end - 40.0
        elif item.kind == "extension":
            x = end - 8.0
        elif item.kind == "anchor":
            x, y = end - 30.0, self.axis
        return Label(x, y, words, "ink", bold=item.kind == "device")

    def _measured(self) -> list[float]:
        """Return the places whose width is given: a reference before, the tightest, a reference after."""
        if not self.f.plan.lesions:
            return []
        target = self.f.plan.target
        inside = self.s[(self.s >= target.from_mm) & (self.s <= target.to_mm)]
        tightest = min((float(s) for s in inside), key=self.f.radius_mm, default=target.to_mm)
        after = min(max(self.f.landing_mm, target.to_mm) + 6.0, self.f.vessel_end_mm)
        return [max(target.from_mm - 6.0, 0.0), tightest, after]

    def _diameters(self) -> list[Shape]:
        shapes: list[Shape] = []
        for at in self._measured():
            x, r = self.f.along(at), self.f.radius_mm(at)
            shapes.append(
                Line(((x, self._y(-r)), (x, self._y(r))), Paint(stroke="soft", width=1.2, dash="2 3"))
            )
        return shapes

    # Bends

    def _bends(self) -> list[Shape]:
        f = self.f
        bend = np.asarray(f.plan.path.bend_deg_per_mm)[: len(self.s)]
        top = max(float(bend.max()), 1.0)
        up = Scale(0.0, top, self.bottom, self.bends_top)
        line = [(f.along(float(s)), up(float(b))) for s, b in zip(self.s, bend, strict=True)]
        area = ((line[0][0], self.bottom), *line, (line[-1][0], self.bottom))
        step = np.diff(self.s, prepend=self.s[0])
        total = float((bend * step)[self.s <= f.landing_mm].sum())
        sharpest = f"sharpest {number(float(bend.max()))}°/mm"
        words = f"bends: {number(total, 0)}° in all up to the landing place, {sharpest}"
        if f.narrow:
            words = f"bends: {number(total, 0)}° to landing, {sharpest}"
        return [
            Line(area, Paint("bend", "wall", 1.0, opacity=0.75), closed=True, kind="bends"),
            Line(((f.along.start, self.bottom), (f.along.end, self.bottom)), Paint(stroke="line")),
            Text(f.along.start, self.bends_top - 6.0, words, f.small, "soft"),
        ]
