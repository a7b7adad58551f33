"""The teaching case as one self-contained page: no request, no script, light and dark, answers by keyboard.

A question is a group of radio buttons; once one is chosen the answer can be opened, and only then does the page go
on. All of it is plain HTML and one style sheet, which the page's own content policy names by its digest.
"""

from __future__ import annotations

import base64
import hashlib
from dataclasses import replace
from importlib import resources

from backstay.adapters.plan_file import RigResult
from backstay.adapters.teaching_file import OpenMove, Said, TeachingDocument, TeachingStep
from backstay.identifiers import Verdict
from backstay.report.causes import causes_bar, where_words
from backstay.report.html import box, cell, element, figure, items, table
from backstay.report.page import css
from backstay.report.rungs import chance_pips, cost_words
from backstay.report.scene import Scene, xml_text
from backstay.report.strip import PHONE, path_strip
from backstay.report.teaching_strip import anatomy_strip
from backstay.report.teaching_words import NO_POINTS, outcome_title, said_rows, why_words
from backstay.report.words import (
    BACKUP_UNVALIDATED,
    DISCLAIMER,
    VERDICTS,
    chance_range,
    fit_words,
    general_cautions,
    main_limit,
    spread,
)

CHOOSE = "Choose an answer; what was done then opens below."
REVEAL = "Show what was done, and the model's numbers"


def html(doc: TeachingDocument) -> str:
    """Return the page."""
    style = _style(doc)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; style-src 'sha256-{digest}'; img-src data:; base-uri 'none'; form-action 'none'"
    )
    parts = [_anatomy(doc), *(_decision(doc, step) for step in doc.steps), _end(doc)]
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="referrer" content="no-referrer">\n'
        f"{element('title', f'{doc.title} – teaching case')}\n<style>{style}</style>\n</head>\n<body>\n"
        f"{element('p', DISCLAIMER, 'rule')}\n{_header(doc)}\n<main>\n" + "\n".join(parts) + "\n</main>\n"
        f"{_footer(doc)}\n</body>\n</html>\n"
    )


def _style(doc: TeachingDocument) -> str:
    own = resources.files("backstay.report").joinpath("teaching.css").read_text(encoding="utf-8")
    yours = [
        f"#d{step.number}:has(#d{step.number}-{k}:checked) .m{k} .yours {{ display: inline; }}"
        for step in doc.steps
        for k in range(len(step.moves))
    ]
    return f"\n{css()}{own}" + "\n".join(yours) + "\n"


def _header(doc: TeachingDocument) -> str:
    mark = element("span", "INVENTED CASE", "mark") if doc.invented else ""
    line = " · ".join(part for part in (doc.vessel, doc.patient) if part)
    lead = f"{len(doc.steps)} decision{'s' if len(doc.steps) != 1 else ''}. {CHOOSE}"
    return box(
        "header", [element("h1", doc.title), mark, element("p", line, "soft"), element("p", lead)], "top"
    )


def _anatomy(doc: TeachingDocument) -> str:
    plan = doc.steps[0].plan
    strip = anatomy_strip(plan)
    path = plan.path
    lesions = [
        [
            f"{x.from_mm:g} to {x.to_mm:g} mm",
            x.calcium.value,
            ", ".join(p.replace("_", " ") for p in x.prepared) or "nothing yet",
        ]
        for x in plan.lesions
    ]
    inner = [
        element("h2", "The anatomy"),
        element(
            "p", f"To be delivered: {doc.aim}. Bends over the whole path: {path.total_bend_deg:.0f} degrees."
        ),
        figure(strip, anatomy_strip(plan, width=PHONE)),
        table(["lesion", "calcium", "prepared with"], lesions, style="stack") if lesions else "",
    ]
    return box("section", inner)


# Decisions


def _decision(doc: TeachingDocument, step: TeachingStep) -> str:
    n = step.number
    later = " later" if n > 1 else ""
    inner = [
        f'<h2 id="d{n}-title">Decision {n} of {len(doc.steps)}, minute {step.minute:.0f}</h2>',
        _told(step.before),
        element("p", f"In place: {step.in_place}. To be pushed: {step.device}.", "soft"),
        _question(step),
        element("p", CHOOSE, "hint soft"),
        box("details", [element("summary", REVEAL), _answer(step)], "reveal"),
    ]
    return (
        f'<section class="decision{later}" id="d{n}" aria-labelledby="d{n}-title">{"".join(inner)}</section>'
    )


def _told(said: list[Said]) -> str:
    if not said:
        return ""
    rows = [
        f'<li><span class="minute">{xml_text(f"{one.minute:.0f} min")}</span> {xml_text(one.words)}</li>'
        for one in said
    ]
    return f'<ol class="told">{"".join(rows)}</ol>'


def _question(step: TeachingStep) -> str:
    rows = [
        f'<label class="choice"><input type="radio" name="d{step.number}" id="d{step.number}-{k}"> '
        f"<span>{xml_text(move.words)}</span></label>"
        for k, move in enumerate(step.moves)
    ]
    return f"<fieldset>{element('legend', step.question)}{''.join(rows)}</fieldset>"


def _answer(step: TeachingStep) -> str:
    done = next(move for move in step.moves if move.done)
    rig = _rig(step, done)
    inner = [
        element("h3", f"What was done: {done.words}"),
        _told(step.since),
        element("p", f"{outcome_title(step)} {step.outcome_words}", "verdict"),
        element("h3", "The model's numbers for every answer"),
        element("p", BACKUP_UNVALIDATED, "soft"),
        _numbers(step),
    ]
    if step.left_out:
        inner.append(element("p", f"In the record and not in the model: {'; '.join(step.left_out)}.", "care"))
    if rig is not None and (rig.conditions or rig.cautions):
        inner += [element("h3", "Before it, and to mind with it"), items([*rig.conditions, *rig.cautions])]
    inner += _pictures(step, rig)
    return "".join(inner)


def _rig(step: TeachingStep, move: OpenMove) -> RigResult | None:
    return next((rig for rig in step.plan.rigs if rig.id == move.rig), None)


def _numbers(step: TeachingStep) -> str:
    heads = ("answer", "chance", "push needed, N", "backup, N", "what limits it", "fit", "setting it up")
    top = "".join(f'<th scope="col">{h}</th>' for h in heads)
    rows = "".join(_row(step, k, move) for k, move in enumerate(step.moves))
    return f'<table class="rungs stack numbers"><thead><tr>{top}</tr></thead><tbody>{rows}</tbody></table>'


def _row(step: TeachingStep, k: int, move: OpenMove) -> str:
    marks = '<span class="tag yours">your answer</span>'
    marks += '<span class="tag done">what was done</span>' if move.done else ""
    first = f'<th scope="row" class="change">{xml_text(move.words)} {marks}</th>'
    rig = _rig(step, move)
    if rig is None:
        cells = [cell("the model does not weigh stopping", "chance"), *(cell("", h) for h in "abcde")]
        return f'<tr class="m{k}">{first}{"".join(cells)}</tr>'
    fits = rig.fits.verdict is not Verdict.NO
    pips = chance_pips(rig.chance, name=f"d{step.number}-{k}").svg(None)
    chance = (
        f'<div class="pips">{pips}</div><b>{xml_text(rig.chance.words)}</b>'
        f'<div class="soft">range {xml_text(chance_range(rig.chance))}</div>'
        if fits
        else xml_text(VERDICTS[Verdict.NO])
    )
    cells = [
        cell(chance, "chance", "chance"),
        cell(xml_text(spread(rig.need_N, "", 2)), "push needed, N"),
        cell(xml_text(spread(rig.backup_N, "", 2)), "backup, N"),
        cell(xml_text(main_limit(rig)), "what limits it"),
        cell(xml_text(fit_words(rig.fits)), "fit"),
        cell(xml_text(cost_words(rig)), "setting it up"),
    ]
    return f'<tr class="m{k}{" here" if move.done else ""}">{first}{"".join(cells)}</tr>'


def _pictures(step: TeachingStep, done: RigResult | None) -> list[str]:
    here = step.plan.in_place
    inner = [element("h3", "Push needed against backup, as things stood"), _strip(step, here)]
    if done is not None and done.id != here.id:
        inner += [element("h3", f"With what was done: {done.rig}"), _strip(step, done, after=True)]
    shown = here if done is None else done
    bar = _named(causes_bar(shown), step), _named(causes_bar(shown, width=PHONE), step)
    inner += [
        element("h3", "What the push is spent on"),
        element("p", where_words(shown), "soft"),
        figure(*bar),
    ]
    return inner


def _strip(step: TeachingStep, rig: RigResult, *, after: bool = False) -> str:
    plan = step.plan.model_copy(update={"lesions": step.lesions_done}) if after else step.plan
    wide, narrow = path_strip(plan, rig.id), path_strip(plan, rig.id, width=PHONE)
    return figure(_named(wide, step), _named(narrow, step))


def _named(scene: Scene, step: TeachingStep) -> Scene:
    """Return a picture under a name of its own: the same rig is drawn in several decisions."""
    return replace(scene, name=f"d{step.number}-{scene.name}")


# The end


def _end(doc: TeachingDocument) -> str:
    head = ["decision", "what was done", "the model's chance", "how it went"]
    inner = [
        element("h2", "What worked, and why"),
        table(head, said_rows(doc), style="stack"),
        *(element("p", words) for words in why_words(doc)),
    ]
    if doc.result:
        inner += [element("h3", "Result"), items(doc.result)]
    inner.append(element("h2", "To take home"))
    inner.append(items(doc.points, "points") if doc.points else element("p", NO_POINTS, "soft"))
    cautions = dict.fromkeys(c for step in doc.steps for c in general_cautions(step.plan))
    inner += [element("h2", "Cautions"), element("p", DISCLAIMER, "care"), items(cautions)]
    return box("section", inner, "later end")


def _footer(doc: TeachingDocument) -> str:
    plan = doc.steps[0].plan
    versions = ", ".join(f"{name} {version}" for name, version in plan.versions.items())
    made = f"{plan.draw_count} draws, seed {plan.seed}. {versions}."
    sources = list(dict.fromkeys(key for step in doc.steps for key in step.plan.sources))
    dates = "Times are minutes from the first entry of the record; no date is shown."
    taken = f"Identifiers taken out of its texts: {doc.removed}."
    texts = [DISCLAIMER, dates, taken, made, f"Sources: {', '.join(sources)}." if sources else ""]
    return box("footer", [element("p", text) for text in texts if text])
