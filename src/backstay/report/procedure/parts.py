"""The report as a list of parts in words: what paper, page and text all set, so that they cannot differ.

Numbers stand in words exactly as in the document. Free text passes through `shown`, which leaves it as it is but
for characters that would act instead of being read.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from backstay.adapters.report_file import (
    Attempt,
    Beforehand,
    Criterion,
    Fact,
    FoundLesion,
    LeftIn,
    Measured,
    ReportDocument,
    Said,
    Spread,
    Step,
)
from backstay.app.event_words import plain
from backstay.identifiers import BodyItem, BudgetState
from backstay.report.procedure.strip import PHONE, after_strip, before_strip
from backstay.report.scene import Scene
from backstay.report.skin import skin_scene
from backstay.report.words import CALCIUM

NOT_RECORDED = "not recorded"
UNCONFIRMED = " (unconfirmed)"
DRAFT = "DRAFT, NOT SIGNED"
INVENTED = "INVENTED CASE"
AS_LEFT = (
    "Vessel walls as found. Stents are drawn at their diameter by the shelf's charts at the pressures recorded, or at their "
    "label's where no chart reaches; not measured."
)
STATES = {
    BudgetState.NO_LIMIT: "no limit known",
    BudgetState.WITHIN: "within the limit",
    BudgetState.NEAR: "near the limit",
    BudgetState.PAST: "PAST THE LIMIT",
}
_ACTING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ufffe\uffff]")
"""Control characters, and those that turn the direction of text: shown as a mark, never obeyed."""


def shown(text: str) -> str:
    """Return free text as it may be set anywhere: every character itself, but those that act."""
    return _ACTING.sub("\ufffd", text.replace("\r\n", "\n"))


@dataclass(frozen=True)
class Rows:
    """Names and what is known of each; short ones may stand two abreast."""

    rows: tuple[tuple[str, str], ...]
    abreast: bool = False


@dataclass(frozen=True)
class Table:
    """A table; `widths` share the line. One by time keeps a row's beginning on one line on a phone."""

    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    widths: tuple[float, ...]
    timed: bool = False


@dataclass(frozen=True)
class Lines:
    """Paragraphs, or points of a list."""

    texts: tuple[str, ...]
    listed: bool = False
    soft: bool = False


@dataclass(frozen=True)
class Picture:
    """A picture, with a second form for a phone where there is one."""

    caption: str
    note: str
    wide: Callable[[], Scene]
    narrow: Callable[[], Scene] | None = None
    share: float = field(default=1.0)


Block = Rows | Table | Lines | Picture


@dataclass(frozen=True)
class Part:
    """One part of the report."""

    title: str
    blocks: tuple[Block, ...]
    is_urgent: bool = False


def parts(document: ReportDocument) -> list[Part]:
    """Return every part, in the order of reading."""
    c = document.content
    found = [
        Part("In brief", (_facts(c.summary),)),
        Part("The vessel before and after", tuple(_vessel(document))),
        Part("Patient", (Rows(_facts(c.patient).rows, abreast=True),)),
        Part("Indication", (_said(c.indication),)),
        Part("Access", (_said(c.access),)),
        Part("Findings before treatment", tuple(_findings(document))),
        Part("What was done", (_steps(c.steps),)),
        Part("Attempts, and what the model had said", tuple(_attempts(document))),
        Part("Result, against what was asked beforehand", tuple(_outcome(document))),
        Part("Left in the body", tuple(_left(document))),
        Part("Devices used", (_used(document),)),
        Part("Contrast and clotting", tuple(_contrast(document))),
        Part("Radiation", tuple(_radiation(document))),
        Part("Complications", (_complications(document),), bool(c.complications)),
        Part("Afterwards", tuple(_afterwards(document))),
    ]
    if c.other_notes:
        found.append(Part("Other notes", (_said(c.other_notes),)))
    found += [
        Part("Cautions", (Lines(tuple(map(shown, (*c.cautions, c.disclaimer))), listed=True),)),
        Part("Not recorded", (Lines(c_or(c.not_recorded, "nothing is missing"), listed=True),)),
        Part("Unconfirmed numbers", (Lines(c_or(c.unconfirmed, "none"), listed=True),)),
        Part("What this rests on", tuple(_rests_on(document))),
    ]
    return found


def c_or(texts: Sequence[str], otherwise: str) -> tuple[str, ...]:
    """Return texts as shown, or one that says there are none."""
    return tuple(map(shown, texts)) or (otherwise,)


# Small pieces


def clock(at: str) -> str:
    """Return the time of day of a time as the document writes it."""
    return at[11:16]


def day(at: str) -> str:
    """Return the day of a time as the document writes it."""
    return at[:10]


def amount(value: float | None, unit: str) -> str:
    """Return a number as it stands with its unit, or that there is none."""
    return NOT_RECORDED if value is None else f"{plain(value)} {unit}".strip()


def _fact(fact: Fact) -> str:
    if fact.value is None:
        return shown(fact.text) or NOT_RECORDED
    mark = "" if fact.confirmed else UNCONFIRMED
    source = f" [{fact.source}]" if fact.source else ""
    return f"{amount(fact.value, fact.unit)}{source}{mark}"


def _facts(facts: Iterable[Fact]) -> Rows:
    return Rows(tuple((fact.what, _fact(fact)) for fact in facts))


def _said(said: Sequence[Said]) -> Rows | Lines:
    """Return what was said with its time, word for word."""
    if not said:
        return Lines((NOT_RECORDED,))
    return Rows(tuple((f"{clock(one.at)} {one.author_role}", shown(one.text)) for one in said))


def _source(source: str, confirmed: bool) -> str:
    return f"[{source}]{'' if confirmed else UNCONFIRMED}"


def _measured(m: Measured, unit: str) -> str:
    return f"{plain(m.value)} {unit} ({plain(m.low)} to {plain(m.high)})"


# Findings


def _findings(document: ReportDocument) -> Iterable[Block]:
    f = document.content.findings
    yield _said(f.notes)
    yield Rows(
        (
            (
                "vessel",
                f"{shown(document.content.vessel)}, {plain(f.length_mm)} mm, bends {plain(f.bend_deg)} deg in all",
            ),
            ("measured from", shown(f.measured_from)),
            *((shown(b.name), _branch(b.at_mm, b.diameter_mm, b.stenosis_percent)) for b in f.branches),
        )
    )
    if f.lesions:
        head = ("lesion", "where", "length", "least lumen", "reference", "stenosis", "nature")
        rows = tuple(_lesion(x) for x in f.lesions)
        yield Table(head, rows, (0.5, 1.0, 1.25, 1.35, 1.35, 1.1, 2.0))
        yield Lines(
            ("In brackets the interval that holds 95 of 100 draws of the measurement's error.",), soft=True
        )
    else:
        yield Lines(("no lesion described",))


def _vessel(document: ReportDocument) -> Iterable[Block]:
    yield _strip("As found", "", document, before_strip)
    yield _strip("As left", AS_LEFT, document, after_strip)


def _strip(caption: str, note: str, document: ReportDocument, make: Callable[..., Scene]) -> Picture:
    c = document.content
    return Picture(caption, note, lambda: make(c), lambda: make(c, width=PHONE))


def _branch(at_mm: float, diameter_mm: float, stenosis_percent: float | None) -> str:
    stenosis = "" if stenosis_percent is None else f", {plain(stenosis_percent)} % at its mouth"
    return f"branch at {plain(at_mm)} mm, {plain(diameter_mm)} mm wide{stenosis}"


def _lesion(x: FoundLesion) -> tuple[str, ...]:
    nature = [] if x.calcium is None else [CALCIUM[x.calcium]]
    nature.append(f"turns {plain(x.bend_deg)} deg within it")
    nature += [f"type {x.kind} ({', '.join(x.reasons) or 'none of B or C'})"] if x.kind else []
    return (
        str(x.number),
        f"{plain(x.from_mm)} to {plain(x.to_mm)} mm",
        _measured(x.length_mm, "mm"),
        f"{_measured(x.least_mm, 'mm')} at {plain(x.narrowest_at_mm)} mm",
        _measured(x.reference_mm, "mm"),
        _measured(x.diameter_percent, "%"),
        shown("; ".join([*nature, *x.imaging])),
    )


# What was done


def _steps(steps: Sequence[Step]) -> Block:
    if not steps:
        return Lines((NOT_RECORDED,))
    rows = tuple((clock(x.at), plain(x.minute), x.author_role, shown(x.words)) for x in steps)
    return Table(("time", "min", "written by", "what"), rows, (0.6, 0.4, 1.0, 6.4), timed=True)


def _attempts(document: ReportDocument) -> Iterable[Block]:
    c = document.content
    if not c.attempts:
        yield Lines(("no attempt is recorded",))
        return
    rows = tuple((clock(x.at), shown(x.words), _said_before(x)) for x in c.attempts)
    yield Table(("time", "what happened", "what the model had said"), rows, (0.6, 3.4, 4.4))
    if c.plan_note:
        yield Lines((f"Attempts are {c.plan_note}.",), soft=True)


def _said_before(x: Attempt) -> str:
    if x.beforehand is None:
        return f"{NOT_RECORDED}: {x.beforehand_missing}"
    b = x.beforehand
    chance = f"chance {b.chance_words} ({plain(b.chance)}, range {plain(b.chance_low)} to {plain(b.chance_high)}){UNCONFIRMED}"
    forces = f"push needed {_range(b.need_N)} N, backup {_range(b.backup_N)} N{UNCONFIRMED}"
    return shown("; ".join(filter(None, (f"{b.rig} ({b.change})", chance, forces, _stop(b), b.note))))


def _range(s: Spread) -> str:
    """Return the median with its range of 8 in 10 draws."""
    low, middle, high = ("not reached" if v is None else plain(v) for v in (s.p10, s.p50, s.p90))
    return f"{middle} ({low} to {high})"


def _stop(b: Beforehand) -> str:
    if b.stops_at_mm is None:
        return "arrives in the median draw"
    why = f", {b.limited_by}" if b.limited_by else ""
    return f"stops at {plain(b.stops_at_mm)} mm in the median draw{why}"


# The result


def _outcome(document: ReportDocument) -> Iterable[Block]:
    o = document.content.outcome
    yield _said(o.measured)
    yield Table(
        ("criterion", "asked", "found", "verdict", "source"),
        tuple(_criterion(x) for x in o.criteria),
        (1.5, 2.2, 2.0, 1.1, 1.6),
    )
    yield Lines((_when_stated(o.stated, o.stated_beforehand),), soft=True)
    if o.notes:
        yield _said(o.notes)


def _when_stated(stated: str, beforehand: bool | None) -> str:
    if not stated:
        return "No least acceptable result was stated in the case file."
    if beforehand is None:
        return "Whether the team's words were there before the case is not known."
    if beforehand:
        return "The team's words stand in the case file, unchanged since the record was opened."
    return "The case file has changed since the record was opened: whether these words were there before is not known."


def _criterion(x: Criterion) -> tuple[str, ...]:
    source = _source(x.source, x.confirmed) if x.source != "case file" else x.source
    return (x.what, shown(x.asked), shown(x.found) or NOT_RECORDED, x.verdict, source)


# What is left


def _left(document: ReportDocument) -> Iterable[Block]:
    c = document.content
    if c.left_in:
        head = ("what", "where", "opened at", "by chart", "since")
        yield Table(head, tuple(_left_row(x) for x in c.left_in), (2.6, 1.8, 1.2, 1.2, 0.8))
    else:
        yield Lines(("no stent, and no wire behind one, is recorded",))
    count = {True: "agreed", False: "ended without a count", None: f"{NOT_RECORDED}: the end of the case"}
    still = ", ".join(c.not_out) or "nothing else"
    yield Rows((("went in, not recorded as out", shown(still)), ("count at the end", count[c.counted])))


def _left_row(x: LeftIn) -> tuple[str, ...]:
    place = (
        NOT_RECORDED if x.from_mm is None or x.to_mm is None else f"{plain(x.from_mm)} to {plain(x.to_mm)} mm"
    )
    name = x.name if x.item is BodyItem.STENT else f"{x.name}, held behind a stent"
    name += ", not recorded as meant" if x.unplanned else ""
    if x.item is not BodyItem.STENT:
        return (shown(name), place, "", "", clock(x.since))
    size = f"; label {plain(x.label_mm)} mm, {plain(x.length_mm)} mm long" if x.label_mm is not None else ""
    chart = _chart(x)
    return (shown(name + size), place, amount(x.pressure_atm, "atm"), chart, clock(x.since))


def _chart(x: LeftIn) -> str:
    """Return the diameters by chart along a stent, each once, in order of place."""
    sizes = list(dict.fromkeys(plain(piece.diameter_mm) for piece in x.by_chart))
    return f"{', '.join(sizes)} mm" if sizes else "no chart"


def _used(document: ReportDocument) -> Block:
    used = document.content.used
    if not used:
        return Lines((NOT_RECORDED,))
    return Lines(
        (
            "; ".join(f"{shown(x.name)} ({plain(x.times)})" for x in used)
            + ". In brackets how often the record names it.",
        )
    )


# Budgets


def _contrast(document: ReportDocument) -> Iterable[Block]:
    c, k = document.content.contrast, document.content.clotting
    limit = "" if c.limit_mL is None else f" of {plain(c.limit_mL)} mL ({c.limit_is}), {STATES[c.state]}"
    rows = [("contrast", f"{amount(c.used_mL, 'mL')}{limit if c.used_mL is not None else ''}")]
    for r in c.ratios:
        says = f": {r.says}" if r.says else ""
        rows.append((r.what, f"{plain(r.ratio)}{says} {_source(r.source, r.confirmed)}"))
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


def _radiation(document: ReportDocument) -> Iterable[Block]:
    r = document.content.radiation
    rows = []
    for x in r.levels:
        past = ", PAST IT" if x.past_substantial else ""
        level = f"; substantial level {plain(x.substantial)} {x.unit}{past} {_source(x.source, x.confirmed)}"
        rows.append((x.what, f"{amount(x.value, x.unit)}{level if x.value is not None else ''}"))
    if r.limit_mGy is not None:
        rows.append(("air kerma agreed", f"{plain(r.limit_mGy)} mGy, {STATES[r.state]}"))
    s = r.skin
    if s is None:
        yield Rows((*rows, ("dose to the skin", f"{NOT_RECORDED}: no dose report was given")))
        return
    where = f", {s.where}" if s.where else ""
    rows.append(
        (
            "dose to the skin",
            f"peak {plain(s.peak_Gy)} Gy ({plain(s.low_Gy)} to {plain(s.high_Gy)}){where}, estimate{UNCONFIRMED}",
        )
    )
    rows.append(
        (
            "at worst",
            f"{plain(s.worst_case_Gy)} Gy, with {plain(s.unplaced_Gy)} Gy of kerma not placed; "
            f"substantial level {plain(s.substantial_Gy)} Gy",
        )
    )
    rows.append(
        (
            "with the body moved 5 cm",
            f"{plain(s.anchor_low_Gy)} to {plain(s.anchor_high_Gy)} Gy; {plain(s.placed_events)} events placed",
        )
    )
    rows.append(
        (
            "skin above 2, 3, 5 Gy",
            ", ".join(
                f"{plain(a)} cm2" for a in (s.area_above_2Gy_cm2, s.area_above_3Gy_cm2, s.area_above_5Gy_cm2)
            ),
        )
    )
    rows.append(("grade", shown(f"{s.grade}: {s.effect}; {s.advice} [{s.advice_source}]")))
    yield Rows(tuple(rows))
    yield Picture("Dose to the skin, unrolled", "", lambda: skin_scene(s), None, 0.55)
    yield Lines(tuple(map(shown, s.notes)), listed=True, soft=True)


# After it


def _complications(document: ReportDocument) -> Block:
    found = document.content.complications
    if not found:
        return Lines(("none recorded",))
    rows = []
    for x in found:
        kind = "" if x.code is None else f" ({x.code.value.replace('_', ' ')})"
        at = "" if x.at_mm is None else f" at {plain(x.at_mm)} mm"
        rows.append((clock(x.at), shown(f"{x.text}{at}{kind}")))
    return Rows(tuple(rows))


def _afterwards(document: ReportDocument) -> Iterable[Block]:
    c = document.content
    yield _said(c.follow_up)
    if c.information:
        yield Lines(("For information, decided by nobody here:",), soft=True)
        yield Lines(tuple(map(shown, c.information)), listed=True, soft=True)


def _rests_on(document: ReportDocument) -> Iterable[Block]:
    c = document.content
    versions = ", ".join(f"{name} {version}" for name, version in c.versions.items())
    rows = [
        ("versions", versions),
        ("record", f"{shown(c.record) or NOT_RECORDED}, {plain(document.events)} events"),
    ]
    unchecked = (
        ""
        if document.head_checked
        else "; as signed, not checked here: this store took the record in from its file"
    )
    rows.append(("head of its chain", f"{document.head}{unchecked}"))
    rows.append(("digest of this report", document.content_sha256))
    rows += [(shown(name), sha256) for name, sha256 in c.inputs.items()]
    yield Rows(tuple(rows))
    yield Lines(
        tuple(f"[{x.key}] {shown(x.citation)} (read as: {x.read_as})" for x in c.sources),
        listed=True,
        soft=True,
    )


def heading(document: ReportDocument) -> list[str]:
    """Return the lines under the title: vessel, day and time, and whether anyone has signed."""
    c = document.content
    when = NOT_RECORDED if c.began is None else f"{day(c.began)}, {clock(c.began)}"
    if c.ended is not None:
        when += f" to {clock(c.ended)}"
    if c.minutes is not None:
        when += f", {plain(c.minutes)} min"
    return [f"{shown(c.vessel)} · {when}", signature_line(document)]


def signature_line(document: ReportDocument) -> str:
    """Return who signed and when, or that nobody has."""
    s = document.signature
    if s is None:
        return f"{DRAFT}. Name and number of the patient: not held here; write them in."
    return f"Signed by {shown(s.by)}, {day(s.at)} {clock(s.at)}"


def addenda(document: ReportDocument) -> list[tuple[str, str]]:
    """Return what was added after signing: when and by whom, and the words."""
    return [(f"{day(x.at)} {clock(x.at)}, {shown(x.by)}", shown(x.text)) for x in document.addenda]
