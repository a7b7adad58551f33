"""The plan as a PDF: the page's content on A4."""

from __future__ import annotations

from typing import Any

from backstay.adapters.plan_file import FitLine, PlanDocument, RigResult
from backstay.identifiers import Verdict
from backstay.report.answers import Next, next_step, not_to_do
from backstay.report.causes import causes_bar
from backstay.report.fit_card import pdf as fit_card_pdf
from backstay.report.ladder import sheet_parts
from backstay.report.limits import summary_rows
from backstay.report.rungs import TITLE, Rung, chance_pips, cost_words, note_words, rungs
from backstay.report.section import cross_section
from backstay.report.strip import path_strip
from backstay.report.theme import PRINT
from backstay.report.typeset import compile_template, png
from backstay.report.words import (
    BACKUP_UNVALIDATED,
    DISCLAIMER,
    RANGES,
    UNSOURCED,
    VERDICTS,
    answer_rows,
    chance_range,
    fit_words,
    general_cautions,
    limits,
    number,
    percent,
    quantity,
    stop_words,
    unvalidated,
)

__all__ = ["fit_card_pdf", "pdf", "png"]


def pdf(plan: PlanDocument) -> bytes:
    """Return the sheet."""
    return compile_template("sheet.typ", sheet_data(plan))


def sheet_data(plan: PlanDocument) -> dict[str, Any]:
    """Return everything the template sets, as plain data."""
    here, step = plan.in_place, next_step(plan)
    found, notes = not_to_do(plan, step), _notes(plan)
    return {
        "font": PRINT.font,
        "colours": PRINT.colours,
        "title": plan.title,
        "invented": plan.invented,
        "invented_words": "INVENTED CASE",
        "about": (
            f"{plan.vessel} · {plan.target.device}, to lie from {number(plan.target.from_mm, 0)} to "
            f"{number(plan.target.to_mm, 0)} mm · in place: {here.rig}"
        ),
        "disclaimer": DISCLAIMER,
        "made": _made(plan),
        "go": _go(plan, here),
        "next": _next(step),
        "not_to_do": list(found.now),
        "not_then": list(found.then),
        "not_more": f"{found.left} more with the other rigs" if found.left else "",
        "strips": _strips(plan, here, step),
        "ladder": sheet_parts(plan.ladder) if plan.ladder is not None else {},
        "rungs_title": TITLE,
        "rungs_note": note_words(plan),
        "rungs_head": ["change", "chance", "stops at", "what limits it", "fit", "cost", "mind (below)"],
        "rungs": [_rung(rung, notes) for rung in rungs(plan)],
        "notes": [{"mark": f"{mark}", "text": text} for text, mark in notes.items()],
        "causes": causes_bar(here, width=480.0).svg(PRINT),
        "limits": [
            f"{words}: {percent(share)} of the draws that stop short" for words, share in limits(here)
        ],
        "used": [list(row) for row in summary_rows(plan.limits)] if plan.limits is not None else [],
        "fit": _fit(plan, here),
        "backup_words": BACKUP_UNVALIDATED,
        "unvalidated": [f"unvalidated: {item}" for item in unvalidated([here])],
        "warnings": [f"about this case's inputs: {item}" for item in plan.warnings],
        "draws_head": ["uncertain input", "median", "spread", "evidence", "source"],
        "draws": _draws(plan),
        # The cautions of each rig stand in its row.
        "cautions": list(dict.fromkeys([plan.disclaimer, *general_cautions(plan)])),
        "sources": f"Sources: {', '.join(plan.sources)}." if plan.sources else "",
    }


def _made(plan: PlanDocument) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in plan.versions.items())
    return f"{versions} · {plan.draw_count} draws, seed {plan.seed}, {plan.depths} depths, {plan.loads} loads"


def _go(plan: PlanDocument, rig: RigResult) -> dict[str, Any]:
    fits = rig.fits.verdict is not Verdict.NO
    words = rig.chance.words
    fix = f" Nearest change that fits: {rig.fits.nearest_fix}." if rig.fits.nearest_fix else ""
    return {
        "big": words[:1].upper() + words[1:] if fits else "No: it does not fit",
        "pips": chance_pips(rig.chance, name="go").svg(PRINT) if fits else "",
        "range": f"range {chance_range(rig.chance)}, scale unvalidated" if fits else "",
        "stops": stop_words(rig) + ("" if fits else fix),
        "forces": [list(row) for row in answer_rows(rig)] if fits else [],
        "ranges": RANGES if fits else "",
    }


def _next(step: Next) -> dict[str, Any]:
    rig = step.rig
    if rig is None:
        empty = {key: "" for key in ("pips", "chance", "range", "costs", "runner_up")}
        return {"big": step.headline, "conditions": [], **empty}
    return {
        "big": step.headline,
        "pips": chance_pips(rig.chance, name="next").svg(PRINT),
        "chance": f"{rig.chance.words[:1].upper()}{rig.chance.words[1:]} that it lands",
        "range": f"range {chance_range(rig.chance)}, scale unvalidated",
        "costs": f"{_no_mark(fit_words(rig.fits))} · {cost_words(rig)}",
        "conditions": list(step.conditions),
        "runner_up": step.runner_up,
    }


def _no_mark(words: str) -> str:
    """Return fit words without their mark: the letters of the PDF do not hold it."""
    return words.split(" ", 1)[1]


def _strips(plan: PlanDocument, here: RigResult, step: Next) -> list[dict[str, str]]:
    shown = [("In place now", here)]
    if step.rig is not None:
        shown.append((f"With: {step.rig.change}", step.rig))
    return [
        {
            "title": title,
            "rig": rig.rig,
            "svg": path_strip(plan, rig.id, width=960.0, force_height=215.0).svg(PRINT),
        }
        for title, rig in shown
    ]


def _notes(plan: PlanDocument) -> dict[str, int]:
    """Return a number for each caution and condition of the rows, in reading order: many rigs share them."""
    rows = rungs(plan)
    texts = [text for rung in rows for text in (*rung.cautions, *(f"first: {c}" for c in rung.conditions))]
    return {text: i for i, text in enumerate(dict.fromkeys(texts), 1)}


def _rung(rung: Rung, notes: dict[str, int]) -> dict[str, Any]:
    texts = [*rung.cautions, *(f"first: {c}" for c in rung.conditions)]
    return {
        "change": rung.change,
        "pips": chance_pips(rung.rig.chance, name=f"row-{rung.rig.id}").svg(PRINT)
        if rung.chance_range
        else "",
        "chance": rung.chance,
        "range": rung.chance_range.removesuffix(" in 10"),
        "stops": rung.stops,
        "limited": rung.limited,
        "fits": _no_mark(rung.fits),
        "costs": rung.costs,
        "notes": ", ".join(str(mark) for mark in sorted(notes[text] for text in texts)),
    }


def fit_line(line: FitLine) -> str:
    """Return one check of what passes through what, in one line."""
    spare = "" if line.spare_mm is None else f", free width {quantity(line.spare_mm, 'mm', 2)}"
    note = f" ({line.note})" if line.note else ""
    return f"{line.what} through {line.through}: {VERDICTS[line.verdict]}{spare}{note}"


def _fit(plan: PlanDocument, rig: RigResult) -> dict[str, Any]:
    f = rig.fits
    fix = [f"nearest change that fits: {f.nearest_fix}"] if f.nearest_fix else []
    return {
        "words": f"{_no_mark(fit_words(f))} – tightest: {f.where}",
        "svg": cross_section(plan, rig.id).svg(PRINT),
        "lines": [*(fit_line(line) for line in f.lines), *fix],
    }


def _draws(plan: PlanDocument) -> list[list[str]]:
    return [
        [
            d.label,
            f"{d.median:g} {d.unit}".strip(),
            f"{d.spread:g} ({d.kind})",
            f"{d.evidence} (unvalidated)" if d.evidence in UNSOURCED else d.evidence,
            d.source,
        ]
        for d in plan.draws
    ]
