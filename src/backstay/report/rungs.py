"""The rigs side by side: what each changes, its chance, what stops it, what it costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.adapters.plan_file import Chance, PlanDocument, RigResult
from backstay.identifiers import Verdict
from backstay.report.axes import Scale
from backstay.report.scene import Circle, Line, Paint, Scene, Shape, slug
from backstay.report.words import (
    BACKUP_UNVALIDATED,
    VERDICTS,
    chance_range,
    fit_words,
    limits,
    number,
    own_conditions,
    percent,
    shared_conditions,
)

TITLE = "Ways to close the gap"
ORDER_NOTE = "The rig in place first, then by chance. The order is not a recommendation to try them in turn."
_PIP = 20.0


@dataclass(frozen=True)
class Rung:
    """One rig as a row of words.

    Attributes
    ----------
    rig : RigResult
        The rig.
    change, chance, chance_range, stops, limited, fits, costs : str
        Cells; the range is "" where the rig does not fit.
    cautions, conditions : tuple of str
        What to mind, and what must be true first.
    """

    rig: RigResult
    change: str
    chance: str
    chance_range: str
    stops: str
    limited: str
    fits: str
    costs: str
    cautions: tuple[str, ...]
    conditions: tuple[str, ...]


def note_words(plan: PlanDocument) -> str:
    """Return what is said above the rows."""
    shared = shared_conditions(plan)
    first = f" Before any of them: {'; '.join(shared)}." if shared else ""
    return f"{ORDER_NOTE} {BACKUP_UNVALIDATED}{first}"


def rungs(plan: PlanDocument) -> tuple[Rung, ...]:
    """Return every rig as a row, in the plan's order."""
    return tuple(_rung(plan, rig) for rig in plan.rigs)


def _rung(plan: PlanDocument, rig: RigResult) -> Rung:
    fits = rig.fits.verdict is not Verdict.NO
    stops = "lands" if rig.stops_at_mm is None else f"{number(rig.stops_at_mm, 0)} mm"
    return Rung(
        rig=rig,
        change=f"{rig.change} (in place)" if rig.in_place else rig.change,
        chance=rig.chance.words if fits else VERDICTS[Verdict.NO],
        chance_range=chance_range(rig.chance) if fits else "",
        stops=stops if fits else "–",
        limited=_limited(rig),
        fits=fit_words(rig.fits),
        costs=cost_words(rig),
        cautions=tuple(rig.cautions),
        conditions=tuple(own_conditions(plan, rig)),
    )


def _limited(rig: RigResult) -> str:
    """Return what stops it at least once in ten of the draws that stop, commonest first."""
    shown = [f"{words} {percent(share)}" for words, share in limits(rig) if share >= 0.1]
    return "; ".join(shown) or "–"


def cost_words(rig: RigResult) -> str:
    """Return minutes, contrast and dose of a rig."""
    if rig.in_place:
        return "in place"
    c = rig.costs
    parts = ((c.minutes, "min"), (c.contrast_mL, "mL"), (c.air_kerma_mGy, "mGy"))
    return ", ".join(f"{number(value, 0)}\u00a0{unit}" for value, unit in parts)


def _partly(x: float, y: float, radius: float, share: float) -> Shape:
    """Return a bead filled from the left to this share of its width."""
    half = math.acos(1.0 - 2.0 * share)
    angles = [math.pi - half + 2.0 * half * i / 16 for i in range(17)]
    return Line(
        tuple((x + radius * math.cos(a), y + radius * math.sin(a)) for a in angles), Paint("ink"), closed=True
    )


def chance_pips(chance: Chance, *, name: str) -> Scene:
    """Return a chance as ten beads on a rail, filled from the left, with its range as a bracket beneath."""
    along = Scale(0.0, 1.0, 4.0, 4.0 + 10.0 * _PIP)
    radius, y = 0.5 * _PIP - 2.5, 12.0
    shapes: list[Shape] = []
    for i in range(10):
        x = along(0.1 * i + 0.05)
        shapes.append(Circle(x, y, radius, Paint("panel", "soft", 1.5)))
        share = min(max(10.0 * chance.value - i, 0.0), 1.0)
        if share > 0.97:
            shapes.append(Circle(x, y, radius, Paint("ink")))
        elif share > 0.03:
            shapes.append(_partly(x, y, radius, share))
    low, high = along(chance.low), along(chance.high)
    shapes += [
        Line(
            ((low, 24.0), (low, 29.0), (high, 29.0), (high, 24.0)),
            Paint(stroke="soft", width=2.0),
            kind="range",
        ),
    ]
    words = f"{chance.words}, range {chance_range(chance)}"
    return Scene(
        f"pips-{slug(name)}", f"Chance: {chance.words}", words, 8.0 + 10.0 * _PIP, 32.0, tuple(shapes)
    )
