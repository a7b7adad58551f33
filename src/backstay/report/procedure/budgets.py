"""Contrast, clotting and radiation as parts of a report."""

from __future__ import annotations

from collections.abc import Iterable

from backstay.adapters.limits_file import SkinPart
from backstay.adapters.report_file import ReportDocument
from backstay.app.event_words import plain
from backstay.identifiers import BudgetState
from backstay.report.procedure.blocks import (
    NOT_RECORDED,
    UNCONFIRMED,
    Block,
    Lines,
    Picture,
    Rows,
    amount,
    clock,
    shown,
    source_mark,
)
from backstay.report.skin import at_least, skin_scene

STATES = {
    BudgetState.NO_LIMIT: "no limit known",
    BudgetState.WITHIN: "within the limit",
    BudgetState.NEAR: "near the limit",
    BudgetState.PAST: "PAST THE LIMIT",
}


def contrast_blocks(document: ReportDocument) -> Iterable[Block]:
    c, k = document.content.contrast, document.content.clotting
    limit = "" if c.limit_mL is None else f" of {plain(c.limit_mL)} mL ({c.limit_is}), {STATES[c.state]}"
    rows = [("contrast", f"{amount(c.used_mL, 'mL')}{limit if c.used_mL is not None else ''}")]
    for r in c.ratios:
        says = f": {r.says}" if r.says else ""
        rows.append((r.what, f"{plain(r.ratio)}{says} {source_mark(r.source, r.confirmed)}"))
    per_kg = "" if k.heparin_U_per_kg is None else f", {plain(k.heparin_U_per_kg)} U/kg"
    rows.append(("heparin", f"{amount(k.heparin_U, 'U')}{per_kg}"))
    acts = "; ".join(
        f"{clock(a.at)} {plain(a.act_s)} s{f' from the {a.sampled_from}' if a.sampled_from else ''}"
        for a in k.acts
    )
    rows.append(("clotting time", acts or NOT_RECORDED))
    rows.append(("its target", k.target or "none: it does not guide the drug given"))
    rows += [(f"{clock(d.at)} drug", shown(d.text)) for d in k.drugs]
    yield Rows(tuple(rows))


def radiation_blocks(document: ReportDocument) -> Iterable[Block]:
    r = document.content.radiation
    rows = []
    for x in r.levels:
        past = ", PAST IT" if x.past_substantial else ""
        level = (
            f"; substantial level {plain(x.substantial)} {x.unit}{past} {source_mark(x.source, x.confirmed)}"
        )
        rows.append((x.what, f"{amount(x.value, x.unit)}{level if x.value is not None else ''}"))
    if r.limit_mGy is not None:
        rows.append(("air kerma agreed", f"{plain(r.limit_mGy)} mGy, {STATES[r.state]}"))
    s = r.skin
    if s is None:
        yield Rows((*rows, ("dose to the skin", f"{NOT_RECORDED}: no dose report was given")))
        return
    peak = f"peak {plain(s.peak_Gy)} Gy ({plain(s.low_Gy)} to {plain(s.high_Gy)}), {s.where}, estimate{UNCONFIRMED}"
    rows.append(("dose to the skin", peak if s.where else "no event could be placed: worst case only"))
    rows.append(
        (
            "at worst",
            f"{plain(s.worst_case_Gy)} Gy, with {plain(s.unplaced_Gy)} Gy of kerma not placed; "
            f"substantial level {plain(s.substantial_Gy)} Gy",
        )
    )
    if s.where:
        rows += _placed_rows(s)
    rows.append(("grade", shown(f"{at_least(s)}{s.grade}: {s.effect}; {s.advice} [{s.advice_source}]")))
    yield Rows(tuple(rows))
    yield Picture("Dose to the skin, unrolled", "", lambda: skin_scene(s), None, 0.55)
    yield Lines(tuple(map(shown, s.notes)), listed=True, soft=True)


def _placed_rows(s: SkinPart) -> Iterable[tuple[str, str]]:
    moved = (
        f"{plain(s.anchor_low_Gy)} to {plain(s.anchor_high_Gy)} Gy; {plain(s.placed_events)} events placed"
    )
    yield "with the body moved 5 cm", moved
    areas = (s.area_above_2Gy_cm2, s.area_above_3Gy_cm2, s.area_above_5Gy_cm2)
    yield "skin above 2, 3, 5 Gy", ", ".join(f"{plain(a)} cm2" for a in areas)
