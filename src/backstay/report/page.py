"""The plan as one self-contained HTML page: no requests, no script, light and dark."""

from __future__ import annotations

from importlib import resources

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.identifiers import Verdict
from backstay.report.answers import Next, next_step, not_to_do
from backstay.report.causes import cause_digits, cause_rows, causes_bar, where_words
from backstay.report.html import box, cell, details, element, figure, items, scroll, table
from backstay.report.ladder import ladder_section
from backstay.report.learned_page import learned_section
from backstay.report.limits import limits_section
from backstay.report.rungs import TITLE, Rung, chance_pips, cost_words, note_words, rungs
from backstay.report.scene import xml_text
from backstay.report.section import cross_section
from backstay.report.strip import PHONE, path_strip
from backstay.report.theme import DARK, LIGHT, css_variables
from backstay.report.treatment_page import treatment_section
from backstay.report.way_back import way_back_section
from backstay.report.words import (
    BACKUP_UNVALIDATED,
    DISCLAIMER,
    RANGES,
    UNSOURCED,
    VERDICT_MARKS,
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


def html(plan: PlanDocument) -> str:
    """Return the page."""
    here = plan.in_place
    step = next_step(plan)
    parts = [
        _answers(plan, here, step),
        _strips(plan, here, step),
        *([learned_section(plan.learned)] if plan.learned is not None else []),
        *([ladder_section(plan.ladder)] if plan.ladder is not None else []),
        *([treatment_section(plan.treatment)] if plan.treatment is not None else []),
        _rungs(plan),
        *([limits_section(plan.limits)] if plan.limits is not None else []),
        *([way_back_section(plan.way_back)] if plan.way_back is not None else []),
        why_push(here),
        fit_section(plan, here),
        inputs_section(plan),
        cautions_section(plan),
        _each(plan),
    ]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        f"{element('title', f'{plan.title} – plan')}\n<style>\n{css()}</style>\n</head>\n<body>\n"
        f"{element('p', DISCLAIMER, 'rule')}\n{_header(plan)}\n<main>\n" + "\n".join(parts) + "\n</main>\n"
        f"{_footer(plan)}\n</body>\n</html>\n"
    )


def css() -> str:
    """Return the style sheet of a page: the colours of both themes, and the rules."""
    sheet = resources.files("backstay.report").joinpath("page.css").read_text(encoding="utf-8")
    light, dark = css_variables(LIGHT), css_variables(DARK)
    return (
        f":root {{ {light} }}\n@media (prefers-color-scheme: dark) {{ :root {{ {dark} }} }}\n"
        f"@media print {{ :root {{ {light} }} }}\n{sheet}"
    )


def _header(plan: PlanDocument) -> str:
    mark = element("span", "INVENTED CASE", "mark") if plan.invented else ""
    line = (
        f"{plan.vessel} · {plan.target.device}, to lie from {number(plan.target.from_mm, 0)} to "
        f"{number(plan.target.to_mm, 0)} mm · in place: {plan.in_place.rig}"
    )
    return box("header", [element("h1", plan.title), mark, element("p", line, "soft")], "top")


# The three answers


def _answers(plan: PlanDocument, here: RigResult, step: Next) -> str:
    return box("div", [will_it_go(plan, here), what_next(step), must_not(plan, step)], "answers")


def will_it_go(plan: PlanDocument, rig: RigResult) -> str:
    """Return the first answer: will it go, with a rig."""
    if rig.fits.verdict is Verdict.NO:
        fix = f"Nearest change that fits: {rig.fits.nearest_fix}." if rig.fits.nearest_fix else ""
        inner = [element("p", "No: it does not fit", "big stop"), element("p", stop_words(rig), "fact")]
        return box("section", [element("h2", "Will it go?"), *inner, element("p", fix, "fact")])
    styles = {"push needed": "need", "backup": "backup"}
    forces = "".join(
        element("dt", words, styles.get(words, "")) + element("dd", value, styles.get(words, ""))
        for words, value in answer_rows(rig)
    )
    inner = [
        element("h2", "Will it go?"),
        element("p", capital(rig.chance.words), "big"),
        box("div", [chance_pips(rig.chance, name="answer-here").svg(None)], "pips"),
        element("p", f"range {chance_range(rig.chance)}, scale unvalidated", "soft"),
        element("p", stop_words(rig), "fact"),
        box("dl", [forces], "forces"),
        element("p", RANGES, "soft note"),
    ]
    return box("section", inner)


def what_next(step: Next) -> str:
    """Return the second answer: what to try next."""
    inner = [
        element("h2", "If not, what next?"),
        element("p", step.headline, "mid" if len(step.headline) <= 45 else "mid long"),
    ]
    if step.rig is not None:
        rig = step.rig
        inner += [
            element("p", f"{capital(rig.chance.words)} that it lands", "fact"),
            box("div", [chance_pips(rig.chance, name="answer-next").svg(None)], "pips"),
            element("p", f"range {chance_range(rig.chance)}, scale unvalidated", "soft"),
            element("p", f"{fit_words(rig.fits)} · {cost_words(rig)}"),
        ]
        if step.conditions:
            inner += [element("p", "First make sure:"), items(step.conditions)]
    inner += [element("p", step.runner_up, "soft")] if step.runner_up else []
    return box("section", inner)


def must_not(plan: PlanDocument, step: Next) -> str:
    """Return the third answer: what must not be done."""
    found = not_to_do(plan, step)
    inner = [element("h2", "What must I not do?"), items(found.now, "not")]
    if found.then:
        inner += [element("p", "With what comes next:"), items(found.then, "not")]
    if found.left:
        inner.append(element("p", f"{found.left} more with the other rigs, under Cautions", "soft"))
    return box("section", inner)


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


# The strips


def _strips(plan: PlanDocument, here: RigResult, step: Next) -> str:
    inner = [element("h2", "In place now"), element("p", here.rig, "soft"), _strip(plan, here)]
    if step.rig is not None:
        inner += [element("h2", f"With: {step.rig.change}"), element("p", step.rig.rig, "soft")]
        inner.append(_strip(plan, step.rig))
    return box("section", inner)


def _strip(plan: PlanDocument, rig: RigResult, *, first: bool = True) -> str:
    wide = path_strip(plan, rig.id)
    # A second form for every rig would double the page; further down the wide one scrolls on a phone.
    pictures = figure(wide, path_strip(plan, rig.id, width=PHONE)) if first else scroll(figure(wide))
    return pictures + strip_numbers(rig)


def strip_numbers(rig: RigResult) -> str:
    """Return the table behind a path strip."""
    c = rig.curve
    rows = [
        [number(at, 0), *(number(v, 2) for v in needs), percent(share)]
        for at, *needs, share in zip(
            c.tip_mm, c.need_p10_N, c.need_p50_N, c.need_p90_N, c.prolapsed, strict=True
        )
    ]
    head = ["device tip, mm", "push needed 10 %, N", "median, N", "90 %, N", "prolapse"]
    caption = (
        f"Backup 10 %, median, 90 %: {number(c.backup_p10_N, 2)}, {number(c.backup_p50_N, 2)}, "
        f"{number(c.backup_p90_N, 2)} N at every place"
    )
    numbers = scroll(table(head, rows, caption=caption, numbers=0))
    return details("The numbers behind this picture", [numbers])


# The rigs side by side


def _rungs(plan: PlanDocument) -> str:
    heads = ("change", "chance", "stops at", "what limits it", "fit", "cost", "mind")
    top = "".join(f'<th scope="col">{h}</th>' for h in heads)
    body = "".join(_rung_row(rung) for rung in rungs(plan))
    inner = [
        element("h2", TITLE),
        element("p", note_words(plan), "soft"),
        f'<table class="rungs stack"><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>',
    ]
    return box("section", inner)


def _rung_row(rung: Rung) -> str:
    chance = element("b", rung.chance)
    if rung.chance_range:
        pips = box("div", [chance_pips(rung.rig.chance, name=f"row-{rung.rig.id}").svg(None)], "pips")
        chance = pips + chance + element("div", f"range {rung.chance_range}", "soft")
    first = (
        element("span", "First: ", "soft") + xml_text("; ".join(rung.conditions)) if rung.conditions else ""
    )
    cells = [
        f'<th scope="row" class="change">{xml_text(rung.change)}</th>',
        cell(chance, style="chance"),
        cell(xml_text(rung.stops), "stops at"),
        cell(xml_text(rung.limited), "what limits it"),
        cell(xml_text(rung.fits), "fit"),
        cell(xml_text(rung.costs), "cost"),
        cell(items(rung.cautions) + first),
    ]
    return f"<tr{' class=' + chr(34) + 'here' + chr(34) if rung.rig.in_place else ''}>{''.join(cells)}</tr>"


# Why, fit, inputs


def why_push(rig: RigResult, heading: str = "Why it needs that push: rig in place", level: str = "") -> str:
    """Return what a rig's push is made of."""
    rows = [
        [words, number(value, cause_digits(rig)), percent(share)] for words, value, share in cause_rows(rig)
    ]
    said = table(["part", "N", "share"], rows, caption=where_words(rig), numbers=1)
    stops = [f"{words}: {percent(share)}" for words, share in limits(rig)]
    level = level or ("h2" if rig.in_place else "h3")
    inner = [
        element(level, heading),
        figure(causes_bar(rig), causes_bar(rig, width=PHONE)),
        details("The numbers behind this picture", [said]),
        *([element("p", "Of the draws that stop short:"), items(stops)] if stops else []),
    ]
    return box("section", inner)


def fit_section(
    plan: PlanDocument, rig: RigResult, heading: str = "Does it fit? Rig in place", level: str = ""
) -> str:
    """Return what passes through what, with the cross-section at the tightest place."""
    f = rig.fits
    rows = [
        [
            line.what,
            line.through,
            f"{VERDICT_MARKS[line.verdict]} {VERDICTS[line.verdict]}",
            "–" if line.spare_mm is None else quantity(line.spare_mm, "mm", 2),
            line.note,
        ]
        for line in f.lines
    ]
    said = table(["what", "through", "verdict", "free width", "note"], rows, style="stack")
    fix = f"Nearest change that fits: {f.nearest_fix}" if f.nearest_fix else ""
    level = level or ("h2" if rig.in_place else "h3")
    right = [
        element("p", f"{fit_words(f)} – tightest: {f.where}", "verdict"),
        element("p", fix) if fix else "",
        said,
    ]
    section = figure(cross_section(plan, rig.id))
    return box("section", [element(level, heading), box("div", [section, box("div", right)], "side")])


def inputs_section(plan: PlanDocument) -> str:
    """Return what the plan rests on."""
    rows = [
        [
            d.label,
            f"{d.median:g} {d.unit}".strip(),
            f"{d.spread:g} ({d.kind})",
            f"{d.evidence} (unvalidated)" if d.evidence in UNSOURCED else d.evidence,
            d.source,
        ]
        for d in plan.draws
    ]
    head = ["uncertain input", "median", "spread", "evidence", "source"]
    inner = [
        element("h2", "What the answer rests on"),
        element("p", BACKUP_UNVALIDATED, "care"),
        element("h3", "Unvalidated for the rig in place (each rig has its own list in full below)"),
        items(unvalidated([plan.in_place])),
        details(f"All {len(plan.draws)} uncertain inputs", [table(head, rows, style="stack")]),
    ]
    if plan.warnings:
        inner += [element("h3", "About the inputs of this case"), items(plan.warnings)]
    return box("section", inner)


def cautions_section(plan: PlanDocument) -> str:
    """Return the cautions of every rig."""
    per_rig = [
        box("li", [element("b", rig.change), items(rig.cautions)]) for rig in plan.rigs if rig.cautions
    ]
    inner = [
        element("h2", "Cautions"),
        element("p", DISCLAIMER, "care"),
        *([element("p", plan.disclaimer)] if plan.disclaimer not in DISCLAIMER else []),
        items(general_cautions(plan)),
        box("ul", per_rig) if per_rig else "",
    ]
    return box("section", inner)


def _each(plan: PlanDocument) -> str:
    inner = [_one(plan, rig) for rig in plan.rigs]
    return box("section", [element("h2", "Each rig in full"), *inner])


def _one(plan: PlanDocument, rig: RigResult) -> str:
    rows = [
        ["rig", rig.rig],
        ["device", rig.device],
        *([name, value] for name, value in answer_rows(rig)),
        ["cost", f"{cost_words(rig)} ({rig.costs.source})"],
        ["unvalidated", "; ".join(unvalidated([rig]))],
    ]
    shown = {plan.in_place.id, getattr(next_step(plan).rig, "id", None)}
    inner = [table(["what", "value"], rows, style="stack")]
    if rig.conditions:
        inner += [element("h3", "First make sure"), items(rig.conditions)]
    if rig.cautions:
        inner += [element("h3", "Cautions"), items(rig.cautions)]
    if rig.id not in shown:
        inner.append(_strip(plan, rig, first=False))
    if not rig.in_place:
        inner += [why_push(rig, "Why this push"), fit_section(plan, rig, "Fit")]
    return details(f"{rig.change} – {rig.chance.words}", inner, "rig")


def _footer(plan: PlanDocument) -> str:
    versions = ", ".join(f"{name} {version}" for name, version in plan.versions.items())
    made = (
        f"{plan.draw_count} draws, seed {plan.seed}; shapes solved for {plan.design_points} design points at "
        f"{plan.depths} depths and {plan.loads} loads. {versions}."
    )
    sources = f"Sources: {', '.join(plan.sources)}." if plan.sources else ""
    return box("footer", [element("p", text) for text in (DISCLAIMER, made, sources) if text])
