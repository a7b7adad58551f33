"""Parts of the plan for a screen that shows one rig at a time, with its device anywhere on the way in."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.app.plan_desk import Place
from backstay.identifiers import Verdict
from backstay.report import page
from backstay.report.answers import Next, next_step
from backstay.report.html import box, element, items, table
from backstay.report.ladder import ladder_section
from backstay.report.learned_page import learned_section
from backstay.report.limits import limits_section
from backstay.report.rungs import chance_pips, cost_words
from backstay.report.strip import PHONE, WIDE, path_strip
from backstay.report.strip_frame import frame
from backstay.report.treatment_page import treatment_section
from backstay.report.way_back import way_back_section
from backstay.report.words import (
    VERDICTS,
    chance_range,
    digits_N,
    fit_words,
    main_limit,
    number,
    own_conditions,
    percent,
    quantity,
    spread,
    unvalidated,
)


@dataclass(frozen=True)
class RungWords:
    """One rig in the list of choices.

    Attributes
    ----------
    change, chance, detail : str
        What it is, its chance in words, and fit, stop and cost in a line.
    pips : str
        Its chance as a picture.
    """

    change: str
    chance: str
    detail: str
    pips: str


def rung_words(rig: RigResult) -> RungWords:
    """Return one rig as the list of choices shows it."""
    fits = rig.fits.verdict is not Verdict.NO
    stop = "lands" if rig.stops_at_mm is None else f"stops at {number(rig.stops_at_mm, 0)} mm"
    limit = "" if rig.stops_at_mm is None else f", {main_limit(rig)}"
    detail = f"{stop}{limit} · {cost_words(rig)}" if fits else fit_words(rig.fits)
    return RungWords(
        change=rig.change,
        chance=f"{rig.chance.words} ({chance_range(rig.chance)})" if fits else VERDICTS[Verdict.NO],
        detail=detail,
        pips=chance_pips(rig.chance, name=f"choice-{rig.id}").svg(None) if fits else "",
    )


def answers(plan: PlanDocument, rig: RigResult) -> str:
    """Return the three answers for one rig: will it go, if not what next, what must not be done."""
    step = Next(None, "", "") if plan.ladder is None else next_step(plan)
    return page.will_it_go(plan, rig) + _what_next(plan, step) + _must_not(plan, rig, step)


def _what_next(plan: PlanDocument, step: Next) -> str:
    """Return the second answer: nothing is said of the others before all of them are worked out."""
    if plan.ladder is None:
        waits = "The other rigs are being worked out; none is named before all are."
        return box("section", [element("h2", "If not, what next?"), element("p", waits, "fact")])
    return page.what_next(step)


def _must_not(plan: PlanDocument, rig: RigResult, step: Next) -> str:
    if rig.in_place:
        return page.must_not(plan, step)
    first = [f"Make sure first: {condition}" for condition in own_conditions(plan, rig)]
    inner = [
        element("h2", "What must I not do?"),
        element("p", f"With: {rig.change}", "soft"),
        items([*rig.cautions, *first], "not"),
        element("p", "What holds for every rig stands under Cautions.", "soft"),
    ]
    return box("section", inner)


def strip_at(plan: PlanDocument, rig: RigResult, place: Place, *, narrow: bool) -> str:
    """Return the path strip of one rig, its device at a place."""
    return path_strip(plan, rig.id, width=_width(narrow), tip_mm=place.tip_mm).svg(None)


def tips_on_strip(plan: PlanDocument, rig: RigResult, *, narrow: bool) -> tuple[float, float]:
    """Return where the first and the last place of the device's tip stand on a strip, as shares of its width."""
    f, tips = frame(plan, rig, _width(narrow)), rig.curve.tip_mm
    return f.along(tips[0]) / f.width, f.along(tips[-1]) / f.width


def _width(narrow: bool) -> float:
    return PHONE if narrow else WIDE


def place_rows(rig: RigResult, place: Place) -> list[tuple[str, str]]:
    """Return what holds with the device's tip at one place, a line each."""
    digits = digits_N(rig)
    return [
        ("tip at", quantity(place.tip_mm, "mm", 0)),
        ("push needed", spread(place.need_N, "N", digits)),
        ("backup", spread(place.backup_N, "N", digits)),
        ("margin", spread(place.margin_N, "N", digits)),
        ("prolapses here", percent(place.prolapsed)),
        ("gets this far", f"{place.gets_here.words} ({chance_range(place.gets_here)})"),
    ]


def place_words(rig: RigResult, place: Place) -> str:
    """Return the same in one sentence, for a slider's value."""
    rows = dict(place_rows(rig, place))
    return (
        f"Tip at {rows['tip at']}: push needed {rows['push needed']}, gets this far {rows['gets this far']}"
    )


def beneath(plan: PlanDocument, rig: RigResult) -> str:
    """Return what stands under the strip of one rig: the numbers, why, fit, what it asks first and rests on."""
    facts = [
        ["rig", rig.rig],
        ["device", rig.device],
        ["cost", f"{cost_words(rig)} ({rig.costs.source})"],
        ["unvalidated", "; ".join(unvalidated([rig]))],
    ]
    said = box("section", [element("h2", "This rig"), table(["what", "value"], facts, style="stack")])
    return (
        page.strip_numbers(rig)
        + page.fit_section(plan, rig, "Does it fit?", "h2")
        + page.why_push(rig, "Why it needs that push", "h2")
        + said
    )


def around(plan: PlanDocument) -> dict[str, str]:
    """Return the parts of a plan that hold for every rig, by name."""
    parts = {"inputs": page.inputs_section(plan), "cautions": page.cautions_section(plan)}
    if plan.ladder is not None:
        parts["ladder"] = ladder_section(plan.ladder)
    if plan.learned is not None:
        parts["learned"] = learned_section(plan.learned)
    if plan.way_back is not None:
        parts["way_back"] = way_back_section(plan.way_back)
    if plan.limits is not None:
        parts["limits"] = limits_section(plan.limits)
    if plan.treatment is not None:
        parts["treatment"] = treatment_section(plan.treatment)
    return parts
