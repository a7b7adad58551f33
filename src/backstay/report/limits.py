"""The limits of a case in words, and as a section of the plan's page."""

from __future__ import annotations

from collections.abc import Iterable

from backstay.adapters.limits_file import (
    ContrastPart,
    HazardRow,
    InsideRow,
    LevelRow,
    LimitsDocument,
    MoveCost,
)
from backstay.app.safety.clotting import target_words
from backstay.identifiers import BudgetState, Whose
from backstay.report.html import box, details, element, figure, items, scroll, table
from backstay.report.scene import xml_text
from backstay.report.skin import at_least, peak_words, skin_scene
from backstay.report.words import FROM_MEMORY, number, reading, source_words

LEVELS = {"block": "STOP", "pause": "PAUSE", "note": "mind"}
STATES = {
    BudgetState.NO_LIMIT: "no limit known",
    BudgetState.WITHIN: "within",
    BudgetState.NEAR: "near the limit",
    BudgetState.PAST: "PAST THE LIMIT",
}


def hazard_words(row: HazardRow) -> str:
    """Return a hazard in one line: how strongly, what, and on whose word."""
    return f"{LEVELS[row.level]}: {row.text} ({source_words(row.source, confirmed=row.confirmed)})"


def summary_rows(d: LimitsDocument) -> list[tuple[str, str]]:
    """Return what is used and left, a line each."""
    return [
        *_contrast_rows(d),
        *_clotting_rows(d),
        *_radiation_rows(d),
        *_skin_rows(d),
        ("bleeding risk", _bleeding_words(d)),
        *(
            [("time", f"{d.minutes:.0f} of {d.minutes_limit:.0f} min")]
            if d.minutes is not None and d.minutes_limit
            else []
        ),
    ]


def _contrast_rows(d: LimitsDocument) -> list[tuple[str, str]]:
    c = d.contrast
    kidney = ", ".join(
        f"{q.what} {number(q.value, 1)} {q.unit}{f' ({source_words(q.source)})' if reading(q.source) else ''}"
        for q in d.kidney
        if q.value is not None
    )
    judged = any(q.value is not None for q in d.kidney if q.what != "creatinine")
    if c.limit_mL is None or c.left_mL is None:
        return [("kidney", kidney or "not known"), ("contrast", f"{c.used_mL:.0f} mL used, no limit known")]
    left = f"{c.over_mL:.0f} mL past it" if c.over_mL > 0.0 else f"{c.left_mL:.0f} mL left"
    left += "" if judged else "; THE KIDNEY IS NOT KNOWN"
    unjudged = not judged and c.state is BudgetState.WITHIN
    state = "within what was agreed, not judged against the kidney" if unjudged else STATES[c.state]
    used = f"{c.used_mL:.0f} of {c.limit_mL:.0f} mL ({c.limit_is}{_unread(c)}), {left}: {state}"
    rows = [("kidney", kidney or "not known"), ("contrast", used)]
    if c.score is not None:
        s = c.score
        edge = f"; {s.disputed}" if s.disputed else ""
        absent = f"; counted as absent: {', '.join(s.unknown)}" if s.unknown else ""
        rows.append(
            (
                "nephropathy, 2004 score",
                f"{s.points} points at {s.volume_mL:.0f} mL: {s.nephropathy_percent:g} % ({source_words('mehran2004')}){edge}{absent}",
            )
        )
    return rows


def _unread(part: ContrastPart) -> str:
    """Return the mark of the ceiling that binds, where its source was not read itself."""
    lowest = next((one for one in part.ceilings if one.binds), None)
    words = "" if lowest is None else source_words(lowest.source, confirmed=lowest.confirmed)
    return f"; {words}" if words.endswith("unconfirmed") else ""


def ceiling_rows(d: LimitsDocument) -> list[list[str]]:
    """Return every ceiling for contrast, a row each."""
    return [
        [
            c.what,
            f"{c.volume_mL:.0f} mL",
            "binds" if c.binds else "shown only",
            source_words(c.source, confirmed=c.confirmed),
        ]
        for c in d.contrast.ceilings
    ]


def ratio_words(d: LimitsDocument) -> list[str]:
    """Return which edges of volume over kidney function have been reached."""
    return [
        f"{r.what} {r.used:.2f}: {r.reached} ({source_words(r.source, confirmed=r.confirmed)})"
        for r in d.contrast.ratios
        if r.reached
    ]


def _clotting_rows(d: LimitsDocument) -> list[tuple[str, str]]:
    a, rows = d.anticoagulation, list[tuple[str, str]]()
    inhibitor = " with a glycoprotein inhibitor" if a.glycoprotein_inhibitor else ""
    if a.first_dose is None:
        rows.append((a.agent, f"{a.per_kg}: the weight is not known"))
    elif a.agent == "heparin":
        low, high = a.first_dose
        rows.append(("heparin", f"first dose {low:.0f} to {high:.0f} U{inhibitor}; given {a.given_U:.0f} U"))
    else:
        note = f"; {a.infusion_note}" if a.infusion_note else ""
        rows.append(
            ("bivalirudin", f"{a.first_dose[0]:.0f} mg, then {a.infusion_mg_h:.0f} mg/h{inhibitor}{note}")
        )
    if a.target_s is not None:
        target = f"target {target_words(a.target_s)} ({a.target_note or f'instrument: {a.instrument}'})"
        if a.act is not None:
            t = a.act
            due = (
                "OVERDUE"
                if t.overdue
                else "due now"
                if t.due_in_min <= 0
                else f"next in {t.due_in_min:.0f} min"
            )
            verdict = f"{t.verdict} {target}" + ("; BEFORE THE LAST HEPARIN" if t.before_heparin else "")
            target = (
                f"{t.act_s:.0f} s, {t.age_min:.0f} min old, {verdict}; {due} ({_interval(a.interval_source)})"
            )
        rows.append(("clotting time", target))
    return rows


def _interval(whose: str) -> str:
    return f"interval {whose}" if whose == Whose.LAB else f"interval {FROM_MEMORY}"


def _levels_whose(level: LevelRow) -> str:
    """Return whose the levels of one quantity are, marked where the source was not read itself."""
    substantial, notices = (
        source_words(whose, confirmed=confirmed) if confirmed else FROM_MEMORY
        for whose, confirmed in (
            (level.source, level.confirmed),
            (level.notice_source, level.notice_confirmed),
        )
    )
    same = substantial == notices
    return f" (levels {notices})" if same else f" (notices {notices}; substantial level {substantial})"


def _radiation_rows(d: LimitsDocument) -> list[tuple[str, str]]:
    rows = []
    for level in d.radiation:
        if level.value is None:
            continue
        mark = _levels_whose(level)
        past = "; PAST the substantial level" if level.past_substantial else ""
        said = f"{level.value:.0f} {level.unit}; next notice {level.next_notice:.0f}, substantial {level.substantial:.0f}{past}{mark}"
        rows.append((level.what, said))
    if d.kerma_limit_mGy is not None:
        rows.append(("air kerma agreed", f"{d.kerma_limit_mGy:.0f} mGy: {STATES[d.kerma_state]}"))
    return rows


def _skin_rows(d: LimitsDocument) -> list[tuple[str, str]]:
    if d.skin is None:
        return []
    s = d.skin
    rows = [("skin dose (estimate)", peak_words(s))]
    if s.may_be_past_substantial:
        past = "PAST" if s.past_substantial else "may be past"
        rows.append(
            (
                "",
                f"{past} the substantial level of {s.substantial_Gy:g} Gy ({source_words(s.substantial_source)})",
            )
        )
    if round(s.unplaced_Gy, 2) > 0.0:
        worst = f"{s.unplaced_Gy:.2f} Gy of kerma could not be placed: in the same field, up to {s.worst_case_Gy:.2f} Gy"
        rows.append(("", worst))
    if s.where:
        rows.append(("moved by 5 cm", f"{s.anchor_low_Gy:.2f} to {s.anchor_high_Gy:.2f} Gy"))
    rows.append(("follow-up", f"{at_least(s)}grade {s.grade}: {s.effect}; {s.advice} ({s.advice_source})"))
    better = [v for v in s.other_views[1:] if v.peak_Gy < s.other_views[0].peak_Gy]
    if better:
        rows.append(
            (
                "another projection",
                "; ".join(_view_words(v.primary_deg, v.secondary_deg, v.peak_Gy) for v in better[:2]),
            )
        )
    return rows


def _view_words(primary_deg: float, secondary_deg: float, peak_Gy: float) -> str:
    side = f"{'LAO' if primary_deg >= 0 else 'RAO'} {abs(primary_deg):.0f}"
    tilt = f"{'cranial' if secondary_deg >= 0 else 'caudal'} {abs(secondary_deg):.0f}"
    return f"{side}, {tilt}: peak {peak_Gy:.2f} Gy after 0.5 Gy more"


def _bleeding_words(d: LimitsDocument) -> str:
    b = d.bleeding
    met = (
        "; ".join([*(f"major: {x}" for x in b.major), *(f"minor: {x}" for x in b.minor)])
        or "no criterion met"
    )
    verdict = {True: "HIGH", False: "not high", None: "open"}[b.high]
    return f"{verdict} ({met})" + (f"; not known: {', '.join(b.unknown)}" if b.unknown else "")


def inside_words(row: InsideRow) -> str:
    """Return one thing in the body in words."""
    doubt = (
        "; presumed out"
        if row.presumed_out
        else "; NOT PLANNED"
        if row.unplanned
        else "; stays"
        if row.stays
        else ""
    )
    where = f", {row.where}" if row.where else ""
    return f"{row.item.value.replace('_', ' ')}: {row.name}{where}{doubt}"


def move_rows(d: LimitsDocument) -> list[list[str]]:
    """Return what each move would take, a row each; what every move shares is said once, above them."""
    shared = {row.id for row in d.every_move}
    return [
        _move_row(m.model_copy(update={"hazards": [h for h in m.hazards if h.id not in shared]}))
        for m in d.moves
    ]


def every_move_words(d: LimitsDocument) -> list[str]:
    """Return what holds for every push, and whose the moves' costs are."""
    costs = ", ".join(sorted({move.source for move in d.moves}))
    whose = [f"contrast and air kerma of each move: {costs}"] if costs else []
    return [*(f"before any push: {hazard_words(row)}" for row in d.every_move), *whose]


def _move_row(move: MoveCost) -> list[str]:
    left = "-" if move.contrast_left_mL is None else f"{move.contrast_left_mL:.0f} mL left"
    worst = move.hazards[0] if move.hazards else None
    more = f" (+{len(move.hazards) - 1} more)" if len(move.hazards) > 1 else ""
    return [
        move.move,
        f"{move.contrast_mL:.0f} mL, {left}"
        + ("" if move.contrast_state is BudgetState.WITHIN else f": {STATES[move.contrast_state]}"),
        f"{move.air_kerma_mGy:.0f} mGy",
        "-" if worst is None else f"{LEVELS[worst.level]}: {worst.text}{more}",
    ]


CEILING_HEADS = ["ceiling", "volume", "", "source"]
MOVE_HEADS = ["next move", "contrast", "air kerma", "hazard"]


def _open(d: LimitsDocument) -> list[str]:
    if not d.not_known:
        return []
    return [f"not known, so some hazards stay open: {', '.join(d.not_known)}"]


def open_words(d: LimitsDocument) -> list[str]:
    """Return what is not known and so leaves hazards open."""
    return [f"not known, so some hazards stay open: {', '.join(d.not_known)}"] if d.not_known else []


# The section of the plan's page


def limits_section(d: LimitsDocument) -> str:
    """Return the limits as a section of a page."""
    used = table(["what", "where it stands"], [list(row) for row in summary_rows(d)], style="stack")
    inner = [
        element("h2", "Limits"),
        element("p", d.disclaimer, "care"),
        element("p", f"Protocol: {d.protocol}", "soft"),
        _hazard_list(d.hazards, "not"),
        details(f"{len(d.hazards_waiting)} more that apply", [_hazard_list(d.hazards_waiting, "")])
        if d.hazards_waiting
        else "",
        used,
        items(d.anticoagulation.suggestions) if d.anticoagulation.suggestions else "",
        _skin_box(d),
        items(ratio_words(d)) if ratio_words(d) else "",
        details("Ceilings for contrast", [table(CEILING_HEADS, ceiling_rows(d), style="stack")]),
        details(
            "What the next move would take",
            [items(every_move_words(d)), scroll(table(MOVE_HEADS, move_rows(d), style="stack"))],
        ),
        details(
            "In the body now", [items([inside_words(row) for row in d.inside] or ["nothing is recorded"])]
        ),
        details("Two antiplatelet drugs: guidelines side by side", [items(d.bleeding.durations)]),
    ]
    mind = [*d.notes, *(d.skin.notes if d.skin else []), *open_words(d)]
    if mind:
        inner.append(details("About these limits", [items(mind)]))
    return box("section", inner, "limits")


def _hazard_list(rows: Iterable[HazardRow], style: str) -> str:
    texts = [hazard_words(row) for row in rows]
    return items(texts, style) if texts else ""


def _skin_box(d: LimitsDocument) -> str:
    if d.skin is None:
        return ""
    return box("div", [figure(skin_scene(d.skin)), element("p", xml_text(peak_words(d.skin)), "soft")])
