"""The force part of the path strip: push needed against backup, and the share of draws that prolapse."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from backstay.report.axes import Scale, round_up, ticks
from backstay.report.scene import Line, Paint, Point, Rect, Shape, Text, band
from backstay.report.strip_frame import Frame
from backstay.report.words import digits_N, number, percent, quantity

SHARE_HEIGHT = 34.0
_LABEL_APART = 62.0
_MOST_BACKUPS = 2.5


class Force:
    """The force part, laid out downwards from `top`."""

    def __init__(self, frame: Frame, top: float, *, height: float | None = None) -> None:
        self.f, self.c = frame, frame.rig.curve
        self.title_y = top + 16.0
        self.top = self.title_y + 14.0
        self.bottom = self.top + (height or (290.0 if frame.narrow else 350.0))
        self.highest_N = self._highest_N()
        self.up = Scale(0.0, self.highest_N, self.bottom, self.top)
        self.share_top = self.bottom + 30.0
        self.share_bottom = self.share_top + SHARE_HEIGHT
        self.end = self.share_bottom + 44.0

    def _highest_N(self) -> float:
        """Return the top of the axis; what goes past it is shown with an arrow and its number."""
        needs = [n for n in (*self.c.need_p50_N, *self.c.need_p90_N) if n is not None]
        most = max([*needs, self.c.backup_p90_N])
        return round_up(1.12 * min(most, _MOST_BACKUPS * self.c.backup_p90_N))

    def shapes(self) -> list[Shape]:
        """Return everything in drawing order."""
        return [
            *self._axes(),
            *self._backup(),
            *self._never(),
            *self._need(),
            *self._share(),
            *self._marks(),
            *self._labels(),
        ]

    def _axes(self) -> list[Shape]:
        f, left, right = self.f, self.f.along.start, self.f.along.end
        shapes: list[Shape] = [self._axis_title()]
        for value in ticks(0.0, self.highest_N, most=5):
            y = self.up(value)
            shapes.append(Line(((left, y), (right, y)), Paint(stroke="line", width=0.8)))
            words = number(value, 0 if self.highest_N >= 5.0 else 1)
            shapes.append(Text(left - 8.0, y + 4.5, words, f.small + 1, "ink", "end"))
        for at in ticks(0.0, min(f.along.high, f.vessel_end_mm), most=5 if f.narrow else 10):
            x = f.along(at)
            shapes.append(Line(((x, self.share_bottom), (x, self.share_bottom + 6.0)), Paint(stroke="ink")))
            shapes.append(Text(x, self.share_bottom + 20.0, number(at, 0), f.small + 1, "ink", "middle"))
        words = (
            "device tip, mm from the ostium" if f.narrow else "place of the device's tip, mm from the ostium"
        )
        shapes.append(Text(f.along(0.0), self.share_bottom + 38.0, words, f.small, "soft"))
        return shapes

    def _axis_title(self) -> Text:
        # Inside the plot, where the push is still small and the marks of stop and landing do not come.
        x, y = self.f.along.start + 4.0, self.top + 15.0
        return Text(x, y, "push at the guide's tip, N", self.f.small, "soft", halo="ground")

    def _backup(self) -> list[Shape]:
        left, right = self.f.along(0.0), self.f.along.end
        high, middle, low = (
            self.up(v) for v in (self.c.backup_p90_N, self.c.backup_p50_N, self.c.backup_p10_N)
        )
        box = ((left, high), (right, high), (right, low), (left, low))
        return [
            Line(box, Paint("backup", hatch="ruled", opacity=0.55), closed=True, kind="backup-range"),
            Line(((left, high), (right, high)), Paint(stroke="backup", width=1.0)),
            Line(((left, low), (right, low)), Paint(stroke="backup", width=1.0)),
            Line(
                ((left, middle), (right, middle)),
                Paint(stroke="backup", width=3.0, dash="12 6"),
                kind="backup",
            ),
        ]

    # Push needed

    def _runs(self, values: Sequence[float | None]) -> list[list[Point]]:
        """Return the line in pieces, broken where it is not reached; past the top it runs along the top."""
        runs: list[list[Point]] = [[]]
        for at, value in zip(self.c.tip_mm, values, strict=True):
            if value is None:
                runs.append([])
            else:
                runs[-1].append((self.f.along(at), self.up(min(value, self.highest_N))))
        return [run for run in runs if run]

    def _need(self) -> list[Shape]:
        shapes: list[Shape] = []
        high = dict(point for run in self._runs(self.c.need_p90_N) for point in run)
        for low in self._runs(self.c.need_p10_N):
            # Where fewer than nine draws in ten get there, the band is open upwards.
            top = [(x, high.get(x, self.top)) for x, _ in low]
            shapes.append(band(top, low, Paint("need", opacity=0.30), kind="need-range"))
            shapes += [Line(tuple(line), Paint(stroke="need", width=1.2)) for line in (low, top)]
        for middle in self._runs(self.c.need_p50_N):
            shapes.append(Line(tuple(middle), Paint(stroke="ground", width=7.0)))
            shapes.append(Line(tuple(middle), Paint(stroke="need", width=4.0), kind="need"))
        return [*shapes, *self._off_the_top()]

    def _off_the_top(self) -> list[Shape]:
        found = [n for n in self.c.need_p90_N if n is not None and n > self.highest_N]
        if not found:
            return []
        first = next(
            x
            for x, n in zip(self.c.tip_mm, self.c.need_p90_N, strict=True)
            if n is not None and n > self.highest_N
        )
        words = f"↑ up to {number(max(found))} N"
        return [
            Text(
                self.f.along(first) - 6.0, self.top + 14.0, words, self.f.small, "need", "end", halo="ground"
            )
        ]

    def _never(self) -> list[Shape]:
        """Dots where more than half of the draws prolapse: there is no median need there."""
        stretches = self._unreached()
        shapes: list[Shape] = []
        for start, end in stretches:
            paint = Paint("stop", "stop", hatch="dotted", opacity=0.6)
            shapes.append(Rect(start, self.top, end - start, self.bottom - self.top, paint))
        if stretches:
            start, end = stretches[-1]
            early = end < self.f.along(0.5 * self.c.tip_mm[-1])
            x, anchor = (end + 5.0, "start") if early else (end - 5.0, "end")
            shapes += [
                Text(x, self.top + down, line, self.f.small, "stop", anchor, True, halo="ground")
                for line, down in (("more than half", 34.0), ("prolapse here", 50.0))
            ]
        return shapes

    def _unreached(self) -> list[tuple[float, float]]:
        """Return the stretches (px) without a median need, each half a step wider than its places."""
        tips = self.c.tip_mm
        edges = [tips[0], *(0.5 * (a + b) for a, b in pairwise(tips)), tips[-1]]
        found: list[tuple[float, float]] = []
        for i, need in enumerate(self.c.need_p50_N):
            if need is not None:
                continue
            start, end = self.f.along(edges[i]), self.f.along(edges[i + 1])
            if found and abs(found[-1][1] - start) < 1e-6:
                found[-1] = (found[-1][0], end)
            else:
                found.append((start, end))
        return found

    # Share that prolapses

    def _share(self) -> list[Shape]:
        f, up = self.f, Scale(0.0, 1.0, self.share_bottom, self.share_top)
        line = [(f.along(at), up(share)) for at, share in zip(self.c.tip_mm, self.c.prolapsed, strict=True)]
        area = ((line[0][0], self.share_bottom), *line, (line[-1][0], self.share_bottom))
        last = self.c.prolapsed[-1]
        words = "prolapse, share of draws" if f.narrow else "share of draws that prolapse"
        at_end = percent(last) if f.narrow else f"{percent(last)} at {number(self.c.tip_mm[-1], 0)} mm"
        left, right = f.along.start, f.along.end
        return [
            Rect(
                left,
                self.share_top,
                f.along(self.c.tip_mm[-1]) - left,
                SHARE_HEIGHT,
                Paint("panel", "line", 0.8),
            ),
            Line(area, Paint("stop", hatch="dotted"), closed=True, kind="prolapse"),
            Line(tuple(line), Paint(stroke="stop", width=1.8)),
            Text(left, self.share_top - 7.0, words, f.small, "soft"),
            Text(left - 6.0, self.share_top + 10.0, "all", f.small, "soft", "end"),
            Text(left - 6.0, self.share_bottom, "0", f.small, "soft", "end"),
            Text(line[-1][0] + 8.0, self.share_bottom - 10.0, at_end, f.small + 0.5, "stop", bold=True),
            Line(((left, self.share_bottom), (right, self.share_bottom)), Paint(stroke="ink", width=1.2)),
        ]

    # Stop, landing, numbers

    def _marks(self) -> list[Shape]:
        f = self.f
        land = f.along(f.landing_mm)
        shapes: list[Shape] = [
            Line(
                ((land, self.top - 8.0), (land, self.share_bottom)),
                Paint(stroke="ink", width=1.6, dash="3 4"),
            ),
            Text(land + 6.0, self.title_y, f"landing {number(f.landing_mm, 0)} mm", f.small + 1, bold=True),
        ]
        if f.stop_mm is None:
            return shapes
        x = f.along(f.stop_mm)
        words = f"stops {number(f.stop_mm, 0)} mm"
        shapes += [
            Line(((x, self.top - 8.0), (x, self.share_bottom)), Paint(stroke="stop", width=3.0), kind="stop"),
            Text(x - 6.0, self.title_y, words, f.small + 2, "stop", "end", True, halo="ground"),
        ]
        return [*shapes, *self._cross(x)]

    def _cross(self, x: float) -> list[Shape]:
        need = [(at, n) for at, n in zip(self.c.tip_mm, self.c.need_p50_N, strict=True) if n is not None]
        if not need or self.f.stop_mm is None:
            return []
        value = float(np.interp(self.f.stop_mm, [at for at, _ in need], [n for _, n in need]))
        y, arm = self.up(min(value, self.highest_N)), 9.0
        strokes = [((x - arm, y - arm), (x + arm, y + arm)), ((x - arm, y + arm), (x + arm, y - arm))]
        wide = [Line(s, Paint(stroke="ground", width=8.0)) for s in strokes]
        return [*wide, *(Line(s, Paint(stroke="stop", width=4.0)) for s in strokes)]

    def _labels(self) -> list[Shape]:
        need = self.c.need_p50_N[-1]
        y_need = self.top + 26.0 if need is None else self.up(min(need, self.highest_N))
        y_backup = self.up(self.c.backup_p50_N)
        y_need, y_backup = self._apart(y_need, y_backup)
        x = self.f.along(self.c.tip_mm[-1]) + 10.0
        ranges = (
            (self.c.need_p10_N[-1], self.c.need_p90_N[-1]),
            (self.c.backup_p10_N, self.c.backup_p90_N),
        )
        name = "push needed" if self.f.narrow else "push needed at landing"
        return [
            *self._label(x, y_need, name, need, ranges[0], "need"),
            *self._label(x, y_backup, "backup", self.c.backup_p50_N, ranges[1], "backup"),
        ]

    def _apart(self, first: float, second: float) -> tuple[float, float]:
        """Return two places inside the plot that are far enough apart for their labels, in the same order."""
        upper, lower = sorted((first, second))
        middle = 0.5 * (upper + lower)
        if lower - upper < _LABEL_APART:
            upper, lower = middle - 0.5 * _LABEL_APART, middle + 0.5 * _LABEL_APART
        highest, lowest = self.top + 34.0, self.bottom - 28.0
        lower = min(max(lower, highest + _LABEL_APART), lowest)
        upper = max(min(upper, lower - _LABEL_APART), highest)
        return (upper, lower) if first <= second else (lower, upper)

    def _label(
        self,
        x: float,
        y: float,
        name: str,
        middle: float | None,
        ends: tuple[float | None, float | None],
        role: str,
    ) -> list[Shape]:
        f = self.f
        big = 17.0 if f.narrow else 24.0
        digits = digits_N(self.f.rig)
        low, high = (number(v, digits) for v in ends)
        words = f"{low} to {high}" if f.narrow else f"{low} to {high} in 8 of 10 draws"
        if middle is None:
            words = "in 9 of 10 draws" if ends[0] is None else f"best tenth of draws {low} N"
        elif ends[1] is None:
            words = f"{low} N to {high}"
        if f.narrow and ends[0] is not None and ends[1] is None:
            words = f"from {low} N"
        back = Rect(x - 4.0, y - 33.0, f.along.end - x + 4.0, 60.0, Paint("ground", opacity=0.88), corner=4.0)
        return [
            back,
            Text(x, y - 18.0, name, f.small + 1, role, bold=True),
            Text(
                x,
                y + 5.0,
                quantity(middle, "N", digits),
                big if middle is not None else f.small + 3,
                role,
                bold=True,
            ),
            Text(x, y + 22.0, words, f.small, role),
        ]
