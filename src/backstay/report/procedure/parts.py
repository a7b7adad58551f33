"""The report as a list of parts in words: what paper, page and text all set, so that they cannot differ.

Numbers stand in words exactly as in the document. Free text passes through `shown`, which leaves it as it is but
for characters that would act instead of being read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from backstay.adapters.report_file import (
    Attempt,
    Beforehand,
    Corrected,
    Criterion,
    Fact,
    FoundLesion,
    LeftIn,
    Measured,
    ReportDocument,
    Spread,
    Step,
)
from backstay.app.event_words import plain
from backstay.identifiers import BodyItem
from backstay.report.procedure.blocks import (
    NOT_RECORDED,
    UNCONFIRMED,
    Block,
    Lines,
    Part,
    Picture,
    Rows,
    Table,
    amount,
    clock,
    day,
    listed_or,
    said_rows,
    shown,
    source_mark,
)
from backstay.report.procedure.budgets import contrast_blocks, radiation_blocks
from backstay.report.procedure.strip import PHONE, after_strip, before_strip
from backstay.report.scene import Scene
from backstay.report.words import CALCIUM

DRAFT = "DRAFT, NOT SIGNED"
INVENTED = "INVENTED CASE"
AS_LEFT = (
    "Vessel walls as found. Stents are drawn at their diameter by the shelf's charts at the pressures recorded, or at their "
    "label's where no chart reaches; not measured."
)


def parts(document: ReportDocument) -> list[Part]:
    """Return every part, in the order of reading."""
    c = document.content
    found = [
        Part("In brief", (_facts(c.summary),)),
        Part("The vessel before and after", tuple(_vessel(document))),
        Part("Patient", (Rows(_facts(c.patient).rows, abreast=True),)),
        Part("Indication", (said_rows(c.indication),)),
        Part("Access", (said_rows(c.access),)),
        Part("Findings before treatment", tuple(_findings(document))),
        Part("What was done", (_steps(c.steps),)),
        Part("Attempts, and what the model had said", tuple(_attempts(document))),
        Part("Result, against what was asked beforehand", tuple(_outcome(document))),
        Part("Left in the body", tuple(_left(document))),
        Part("Devices used", (_used(document),)),
        Part("Contrast and clotting", tuple(contrast_blocks(document))),
        Part("Radiation", tuple(radiation_blocks(document))),
        Part("Complications", (_complications(document),), bool(c.complications)),
        Part("Afterwards", tuple(_afterwards(document))),
    ]
    if c.other_notes:
        found.append(Part("Other notes", (said_rows(c.other_notes),)))
    if c.corrections:
        found.append(Part("Put right in the record", (_corrections(c.corrections),)))
    found += [
        Part("Cautions", (Lines(tuple(map(shown, (*c.cautions, c.disclaimer))), listed=True),)),
        Part("Not recorded", (Lines(listed_or(c.not_recorded, "nothing is missing"), listed=True),)),
        Part("Unconfirmed numbers", (Lines(listed_or(c.unconfirmed, "none"), listed=True),)),
        Part("What this rests on", tuple(_rests_on(document))),
    ]
    return found


def _fact(fact: Fact) -> str:
    if fact.value is None:
        return shown(fact.text) or NOT_RECORDED
    mark = "" if fact.confirmed else UNCONFIRMED
    source = f" {source_mark(fact.source, fact.confirmed)}" if fact.source else mark
    return f"{amount(fact.value, fact.unit)}{source}"


def _facts(facts: Iterable[Fact]) -> Rows:
    return Rows(tuple((fact.what, _fact(fact)) for fact in facts))


def _measured(m: Measured, unit: str) -> str:
    return f"{plain(m.value)} {unit} ({plain(m.low)} to {plain(m.high)})"


# Findings


def _findings(document: ReportDocument) -> Iterable[Block]:
    f = document.content.findings
    yield said_rows(f.notes)
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


def _corrections(corrected: Sequence[Corrected]) -> Block:
    rows = tuple((clock(x.at), shown(x.first), shown(x.instead), x.author_role) for x in corrected)
    return Table(("time", "written first", "instead", "by"), rows, (0.6, 3.4, 3.4, 1.0), timed=True)


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
    yield said_rows(o.measured)
    yield Table(
        ("criterion", "asked", "found", "verdict", "source"),
        tuple(_criterion(x) for x in o.criteria),
        (1.5, 2.2, 2.0, 1.1, 1.6),
    )
    yield Lines((_when_stated(o.stated, o.stated_beforehand),), soft=True)
    if o.notes:
        yield said_rows(o.notes)


def _when_stated(stated: str, beforehand: bool | None) -> str:
    if not stated:
        return "No least acceptable result was stated in the case file."
    if beforehand is None:
        return "Whether the team's words were there before the case is not known."
    if beforehand:
        return "The team's words stand in the case file, unchanged since the record was opened."
    return "The case file has changed since the record was opened: whether these words were there before is not known."


def _criterion(x: Criterion) -> tuple[str, ...]:
    source = source_mark(x.source, x.confirmed) if x.source != "case file" else x.source
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
    name = f"{x.name}, held behind a stent" if x.item is BodyItem.TRAPPED_WIRE else x.name
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
    # How often it is named, not how many were used: one device is named when it is tried, and when it is opened.
    named = (f"{shown(x.name)} (named {plain(x.times)} {'time' if x.times == 1 else 'times'})" for x in used)
    return Lines(("; ".join(named),))


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
    yield said_rows(c.follow_up)
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
    return (
        f"Signed by {shown(s.by)}, {day(s.at)} {clock(s.at)}. Name and number of the patient: not held here."
    )


def addenda(document: ReportDocument) -> list[tuple[str, str]]:
    """Return what was added after signing: when and by whom, and the words."""
    return [(f"{day(x.at)} {clock(x.at)}, {shown(x.by)}", shown(x.text)) for x in document.addenda]
