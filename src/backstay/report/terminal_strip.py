"""The path strip in letters: push needed against backup along the way in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from rich.text import Text

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.identifiers import Calcium
from backstay.report.axes import round_up, ticks
from backstay.report.words import number

LEVELS = 10
_MARGIN = 6


@dataclass(frozen=True)
class Letters:
    """The letters used; one set for terminals that hold only ASCII."""

    need: str
    need_range: str
    backup: str
    backup_range: str
    both: str
    wall: str
    plaque: str
    calcified: str
    branch: str
    device: str
    extension: str
    wire: str
    stop: str
    land: str
    prolapse: str
    beads: tuple[str, str]
    bar: str


BLOCKS = Letters("█", "▒", "━", "░", "▓", "─", "▞", "▚", "┴", "■", "═", "╌", "✗", "│", "·", ("●", "○"), "█")
ASCII = Letters("#", "+", "=", ".", "%", "-", "x", "X", "^", "O", "=", "-", "X", "|", "*", ("o", "."), "#")

Row = list[tuple[str, str]]


def letters_for(encoding: str) -> Letters:
    """Return the letters an encoding can write."""
    every = "".join("".join(value) for value in vars(BLOCKS).values())
    try:
        every.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return ASCII
    return BLOCKS


def strip_lines(plan: PlanDocument, rig: RigResult, *, width: int, letters: Letters) -> list[Text]:
    """Return the strip, one `Text` a line, `width` columns wide."""
    end = min(max([plan.target.tip_mm, *(x.to_mm for x in plan.lesions)]) + 8.0, plan.path.length_mm + 8.0)
    columns = width - _MARGIN
    places = np.linspace(0.0, end, columns)
    top_N = _top_N(rig)
    lines = [*_vessel(plan, rig, places, letters), *_force(plan, rig, places, top_N, letters)]
    return [*lines, _share(rig, places, letters), _axis(places), _legend(letters)]


def _top_N(rig: RigResult) -> float:
    needs = [n for n in rig.curve.need_p50_N if n is not None]
    return round_up(
        1.1 * max([rig.curve.backup_p90_N, min(max(needs, default=0.0), 2.0 * rig.curve.backup_p90_N)])
    )


def _line(label: str, cells: Row) -> Text:
    text = Text(f"{label:>{_MARGIN - 1}} ", style="default", no_wrap=True)
    for letter, style in cells:
        text.append(letter, style=style)
    return text


def _vessel(plan: PlanDocument, rig: RigResult, places: np.ndarray, letters: Letters) -> list[Text]:
    wall: Row = []
    for at in places:
        lesion = next((x for x in plan.lesions if x.from_mm <= at <= x.to_mm), None)
        hard = lesion is not None and lesion.calcium in (Calcium.MODERATE, Calcium.SEVERE)
        wall.append((letters.wall if lesion is None else letters.calcified if hard else letters.plaque, ""))
    step = places[1] - places[0]
    top = list(wall)
    for branch in plan.branches:
        if branch.at_mm <= places[-1]:
            top[round(branch.at_mm / step)] = (letters.branch, "bold")
    lying: Row = [(" ", "")] * len(places)
    marks = {
        "wire": letters.wire,
        "extension": letters.extension,
        "shaft": letters.wire,
        "device": letters.device,
    }
    for kind, mark in marks.items():
        for item in (x for x in rig.lying if x.kind == kind):
            for i, at in enumerate(places):
                if item.from_mm <= at <= item.to_mm:
                    lying[i] = (mark, "bold" if kind == "device" else "")
    return [_line("", top), _line("", lying), _line("", wall)]


def _at(rig: RigResult, values: Sequence[float | None], at: float) -> float | None:
    """Return a curve's value at a place; None outside it and where it is not reached."""
    known = [(x, v) for x, v in zip(rig.curve.tip_mm, values, strict=True) if v is not None]
    if not known or not known[0][0] <= at <= known[-1][0]:
        return None
    return float(np.interp(at, [x for x, _ in known], [v for _, v in known]))


def _force(
    plan: PlanDocument, rig: RigResult, places: np.ndarray, top_N: float, letters: Letters
) -> list[Text]:
    per_level = top_N / LEVELS
    rows: list[Row] = [[] for _ in range(LEVELS)]
    landing, stop = _column(places, plan.target.tip_mm), None
    if rig.stops_at_mm is not None:
        stop = _column(places, rig.stops_at_mm)
    for i, at in enumerate(places):
        low, middle, high = (
            _at(rig, v, at) for v in (rig.curve.need_p10_N, rig.curve.need_p50_N, rig.curve.need_p90_N)
        )
        for level, row in enumerate(rows):
            bottom = (LEVELS - 1 - level) * per_level
            cell = _cell(rig, (low, middle, high), (bottom, bottom + per_level), letters)
            if cell[0] == " " and i == landing:
                cell = (letters.land, "")
            if i == stop:
                cell = (letters.stop, "bold magenta") if cell[0] == letters.need else cell
            row.append(cell)
    labels = {LEVELS - 1 - round(v / per_level - 0.5): v for v in ticks(0.0, top_N, most=4) if v > 0.0}
    return [
        _line(f"{number(labels[i])}" if i in labels else "N" if i == 0 else "", row)
        for i, row in enumerate(rows)
    ]


def _column(places: np.ndarray, at: float) -> int:
    return int(np.argmin(np.abs(places - at)))


def _cell(
    rig: RigResult,
    need: tuple[float | None, float | None, float | None],
    level: tuple[float, float],
    letters: Letters,
) -> tuple[str, str]:
    low, middle, high = need
    c = rig.curve
    if middle is not None and level[0] <= middle < level[1]:
        return letters.need, "bold yellow"
    in_need = low is not None and low < level[1] and (high is None or high >= level[0])
    if level[0] <= c.backup_p50_N < level[1]:
        return letters.backup, "bold cyan"
    in_backup = c.backup_p10_N < level[1] and c.backup_p90_N >= level[0]
    if in_need and in_backup:
        return letters.both, "yellow"
    if in_need:
        return letters.need_range, "yellow"
    return (letters.backup_range, "cyan") if in_backup else (" ", "")


def _share(rig: RigResult, places: np.ndarray, letters: Letters) -> Text:
    """Mark places where draws prolapse: one letter from a tenth on, a digit of tenths from two tenths on."""
    row: Row = []
    for at in places:
        share = _at(rig, rig.curve.prolapsed, at)
        tenths = 0 if share is None else round(10.0 * share)
        row.append((str(min(tenths, 9)) if tenths >= 1 else " ", "magenta"))
    return _line("bows", row)


def _axis(places: np.ndarray) -> Text:
    cells = [" "] * (len(places) + 4)
    for at in ticks(0.0, float(places[-1]), most=8):
        words, i = number(at, 0), _column(places, at)
        for j, letter in enumerate(words):
            cells[i + j] = letter
    return _line("mm", [(cell, "") for cell in cells[: len(places)]])


def _legend(letters: Letters) -> Text:
    words = (
        f"{letters.need} push needed (median), {letters.need_range} its 8 of 10 draws · "
        f"{letters.backup} backup (median), {letters.backup_range} its 8 of 10 draws · {letters.both} both · "
        f"{letters.stop} stops · {letters.land} landing · bows: tenths of the draws that prolapse · "
        f"{letters.calcified} calcified lesion, {letters.plaque} other lesion"
    )
    return Text(words)
