"""The treatment in words: one list of rows and sentences for page, terminal and sheet."""

from __future__ import annotations

from backstay.adapters.treatment_file import (
    BranchAdvice,
    Expected,
    MeasuredLesion,
    PlannedBalloon,
    PreparationStep,
    Spread,
    StentRow,
    Stretch,
    TreatmentDocument,
    Worth,
)
from backstay.core.inference.chance_words import chance_words
from backstay.core.treatment.balloons import DRUG_OVERLAP_MM
from backstay.identifiers import BalloonUse, BranchingLaw, SizedBy
from backstay.report.words import CALCIUM, number, percent, quantity, reading, source_words

TITLE = "What would treat it"
LESION_HEAD = ("no.", "where", "length", "least lumen", "reference", "stenosis", "type")
STENT_HEAD = ("stents", "where", "opened at", "beyond the need", "overlap", "covers", "score")
STEP_HEAD = ("prepare", "with", "to", "why")
BALLOON_HEAD = ("after the stent", "with", "where", "to", "mind")
LOSS_HEAD = ("lesion", "now", "friction", "jet", "at the least result", "opened to its reference")
INTERVALS = "Ranges in brackets hold 95 of 100 draws of the measurement's error."
SERIES = "Series of others, for information: no device is chosen larger for it."

BY = {
    SizedBy.ANGIOGRAPHY: "angiography alone: label within a tenth of the distal reference",
    SizedBy.LUMEN: "the lumen imaging measured: label 0 to 0.25 mm above it",
    SizedBy.OUTER_WALL: "the outer wall imaging measured: the smaller one, rounded down",
}
USES = {
    BalloonUse.PREPARATION: "preparation",
    BalloonUse.STENT: "stent",
    BalloonUse.AFTER_STENT: "post-dilatation",
    BalloonUse.PROXIMAL_OPTIMISATION: "proximal optimisation",
    BalloonUse.KISSING: "kissing balloons",
    BalloonUse.DRUG: "drug-coated balloon",
}
LAWS = {BranchingLaw.HUO_KASSAB: "Huo–Kassab", BranchingLaw.FINET: "Finet", BranchingLaw.MURRAY: "Murray"}


def ranged(spread: Spread, unit: str, digits: int) -> str:
    """Return a number with its interval, e.g. "2.93 mm (2.39–3.37)"."""
    low, high = number(spread.low, digits), number(spread.high, digits)
    return f"{quantity(spread.value, unit, digits)} ({low}–{high})"


def lesion_row(lesion: MeasuredLesion) -> list[str]:
    """Return one lesion's row under `LESION_HEAD`."""
    kind = (
        "not described"
        if lesion.kind is None
        else f"{lesion.kind}: {', '.join(lesion.reasons) or 'none of B or C'}"
    )
    return [
        str(lesion.number),
        f"{number(lesion.from_mm.value, 0)} to {number(lesion.to_mm.value, 0)} mm",
        ranged(lesion.length_mm, "mm", 0),
        ranged(lesion.least_mm, "mm", 2),
        ranged(lesion.reference_mm, "mm", 2),
        f"{ranged(lesion.diameter_percent, '%', 0)}, {number(lesion.area_percent.value, 0)} % by area",
        kind,
    ]


def lesion_notes(lesion: MeasuredLesion) -> list[str]:
    """Return what else to know of a lesion, conflicts first."""
    found = [
        f"Conflict, {c.what}: angiography {c.angiography}, imaging {c.imaging}. "
        f"{c.counts.capitalize()} counts{': ' if c.so else ''}{c.so}."
        for c in lesion.conflicts
    ]
    calcium = "" if lesion.calcium is None else f"{CALCIUM[lesion.calcium]}, "
    bend = f"turns {number(lesion.bend_deg, 0)}° within it"
    score = "" if lesion.oct_score is None else f"; calcium score {lesion.oct_score} of 4"
    words = f"{calcium}{lesion.extent}, {bend}{score}"
    found.append(words[:1].upper() + words[1:] + ".")
    return [f"Lesion {lesion.number}: {text}" for text in [*found, *lesion.notes]]


def stretch_title(stretch: Stretch) -> str:
    """Return the heading of a stretch."""
    names = " and ".join(str(n) for n in stretch.lesions)
    plural = "s" if len(stretch.lesions) > 1 else ""
    return f"Lesion{plural} {names}: landing zones at {number(stretch.from_mm, 0)} and {number(stretch.to_mm, 0)} mm"


def size_words(stretch: Stretch) -> str:
    """Return which labels are allowed, and why."""
    s = stretch.size
    label = (
        f"Label {number(s.low_mm, 2)} to {number(s.high_mm, 2)} mm at the distal landing zone, by {BY[s.by]}."
    )
    if not stretch.imaged_at_mm:
        return label
    places = " and ".join(number(at, 0) for at in stretch.imaged_at_mm)
    return (
        f"{label} Imaging's lumen is the reference at {places} mm; beyond, angiography's comes back over "
        f"{number(stretch.reach_mm, 0)} mm (judgement, no source)."
    )


def step_row(step: PreparationStep) -> list[str]:
    """Return one way to prepare under `STEP_HEAD`."""
    to = (
        ""
        if step.pressure_atm is None
        else f"{number(step.pressure_atm, 0)} atm, {number(step.diameter_mm or 0.0, 2)} mm"
    )
    with_what = step.name if not step.missing else f"missing: {step.missing}"
    kind = step.kind.value.replace("non_compliant", "non-compliant").replace(
        "semi_compliant", "semi-compliant"
    )
    return [kind.replace("_", " "), with_what, to, step.why]


def stent_row(row: StentRow) -> list[str]:
    """Return one choice of stents under `STENT_HEAD`."""
    names = "; ".join(f"{number(s.label_mm, 2)} × {number(s.length_mm, 0)} mm" for s in row.stents)
    where = "; ".join(f"{number(s.from_mm, 0)}–{number(s.to_mm, 0)} mm" for s in row.stents)
    opened = "; ".join(
        "–"
        if s.pressure_atm is None
        else f"{number(s.pressure_atm, 0)} atm, {number(s.opened_mm or 0.0, 2)} mm"
        for s in row.stents
    )
    return [
        names,
        where,
        opened,
        f"{number(row.beyond_mm, 1)} mm",
        f"{number(row.overlap_mm, 0)} mm" if len(row.stents) > 1 else "none",
        percent(row.covers),
        number(row.score, 1),
    ]


def stent_table(stretch: Stretch) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of every choice, the best first; price and chance only where one is known."""
    choices = [*([] if stretch.best is None else [stretch.best]), *stretch.other]
    head, rows = list(STENT_HEAD), [stent_row(row) for row in choices]
    prices, chances = [row.price for row in choices], [row.chance for row in choices]
    if any(p is not None for p in prices):
        head.append("price")
        rows = [[*r, "–" if p is None else number(p, 0)] for r, p in zip(rows, prices, strict=True)]
    if any(c is not None for c in chances):
        head.append("chance that all arrive")
        rows = [[*r, "–" if c is None else chance_words(c)] for r, c in zip(rows, chances, strict=True)]
    return head, rows


def objective_words(stretch: Stretch) -> list[str]:
    """Return what the choices are ordered by, and what their chances come to."""
    w = stretch.weights
    price = f", {number(w.per_price, 2)} for each unit of price" if w.per_price else ""
    found = [
        f"Least score first, in minutes' worth by the case's weights: {number(w.per_mm, 1)} for each mm of stent beyond the landing zones "
        f"(overlap included), {number(w.per_joint, 1)} for each further stent, {number(w.per_size_mm, 0)} for each mm a label lies below "
        f"the size wanted and {number(w.per_oversize_mm, 0)} for each mm above{price} (judgement, no source)."
    ]
    choices = [*([] if stretch.best is None else [stretch.best]), *stretch.other]
    asked = [row for row in choices if row.expected_cost is not None]
    if not asked:
        return [
            *found,
            "Whether one long stent or two shorter ones are likelier to arrive: backstay size CASE --chance.",
        ]
    least = min(asked, key=lambda row: row.expected_cost or 0.0)
    costs = "; ".join(f"{_stents(row)} {number(row.expected_cost or 0.0, 0)}" for row in asked)
    first = "and so stays first" if least is stretch.best else "and would come first by it"
    found.append(
        f"Score with what stopping costs as often as not all arrive: {costs}. {_stents(least)} costs least {first}."
    )
    return found


def _stents(row: StentRow) -> str:
    return " with ".join(f"{number(s.label_mm, 2)} × {number(s.length_mm, 0)} mm" for s in row.stents)


def balloon_row(balloon: PlannedBalloon) -> list[str]:
    """Return a balloon under `BALLOON_HEAD`."""
    to = "–"
    if balloon.pressure_atm is not None:
        to = (
            f"{number(balloon.pressure_atm, 0)} atm, {number(balloon.diameter_mm or 0.0, 2)} mm; not above "
            f"{number(balloon.at_most_mm, 2)} mm"
        )
    where = f"{number(balloon.from_mm, 0)}–{number(balloon.to_mm, 0)} mm"
    return [USES[balloon.use], balloon.name, where, to, balloon.note]


def expected_words(e: Expected) -> list[str]:
    """Return the minimum acceptable result, the other criteria and what series found."""
    found = [
        f"Minimum acceptable result, to be said before the stent goes in: least stent area {number(e.least_area_mm2, 1)} mm² "
        f"(80 % of the mean reference, {reading('raber2018')}; a circle of {number(e.least_diameter_mm, 2)} mm), TIMI 3 flow, no "
        f"dissection that limits flow{f'; {e.least_note}' if e.least_note else ''}.",
        f"Absolute floors outside the left main, {reading('raber2018')}: "
        f"{number(e.floor_ivus_mm2, 1)} mm² by IVUS, {number(e.floor_oct_mm2, 1)} mm² by OCT"
        + (
            ", beyond what this vessel gives at full expansion."
            if min(e.reference_areas_mm2) < e.floor_oct_mm2
            else "."
        ),
        f"After a chart size of {number(e.chart_mm, 2)} mm at the distal end, a published series found "
        f"{number(e.series_least_mm, 2)} mm on average, of it {number(e.series_recoil_mm, 2)} mm recoil. {SERIES}",
    ]
    if e.measured_verdict:
        found.append(f"Measured: {number(e.measured_area_mm2 or 0.0, 1)} mm², {e.measured_verdict}.")
    found += [f"Measured: {text}." for text in e.measured_findings]
    for group in e.left_main:
        areas = ", ".join(f"{place} {number(area, 1)}" for place, area in group["areas_mm2"])
        found.append(f"Left main, {group['name']}: {areas} mm² ({source_words(group['source'])}).")
    if e.left_main:
        found.append("These sets for the left main disagree; none is preferred here.")
    return found


def branch_words(b: BranchAdvice) -> list[str]:
    """Return what to do about a branch."""
    limbs = "" if b.medina is None else f", Medina {','.join(str(x) for x in b.medina)}"
    why = f" ({'; '.join(b.reasons)})" if b.reasons else ""
    found = [f"{b.name}, {number(b.diameter_mm)} mm at {number(b.at_mm, 0)} mm{limbs}: {b.approach}{why}."]
    laws = ", ".join(f"{LAWS[law]} {number(value, 2)}" for law, value in b.mother_mm.items())
    found.append(
        f"Main vessel before it: {number(b.reference_before_mm, 2)} mm measured; by the laws that hold for it {laws} mm."
    )
    if b.kissing is not None:
        k = b.kissing
        found.append(
            f"Kissing balloons, if it comes to that: {k.main} at {number(k.main_atm, 0)} atm with {k.side} at {number(k.side_atm, 0)} atm; "
            f"{number(k.area_mm, 2)} mm by area, {number(k.hull_mm, 2)} mm by the band round both, which the platform has to bear; "
            f"{number(k.width_mm, 1)} mm the longer way across, oval: optimise it proximally again (common practice, no source)."
        )
    elif b.no_kissing:
        found.append(f"Kissing balloons, if it comes to that: none within the limits; {b.no_kissing}.")
    return [*found, *(f"{b.name}: {note}." for note in b.notes)]


def drug_words(stretch: Stretch) -> list[str]:
    """Return the drug-coated balloon as an option, or nothing."""
    d = stretch.drug
    if not d.offered:
        return []
    with_what = d.name if d.device is None else f"{d.name} at {number(d.pressure_atm or 0.0, 0)} atm"
    if d.count > 1:
        with_what += (
            f", {d.count} of them one after another, each used once, overlapping by {number(DRUG_OVERLAP_MM, 0)} mm (common practice, no "
            f"source): {number(d.covers_mm, 0)} mm for a stretch of {number(stretch.to_mm - stretch.from_mm, 0)} mm"
        )
    name = "Drug-coated balloons" if d.count > 1 else "A drug-coated balloon"
    return [f"{name} instead: {d.why}; {with_what}. {'; '.join(d.conditions)}."]


def loss_rows(worth: Worth) -> list[list[str]]:
    """Return the pressure lost per lesion under `LOSS_HEAD`, mmHg."""
    return [
        [
            str(row.lesion) if row.planned else f"{row.lesion}, not planned",
            ranged(row.before_mmHg, "mmHg", 0),
            number(row.viscous_mmHg, 0),
            number(row.separation_mmHg, 0),
            quantity(row.least_result_mmHg, "mmHg", 0),
            quantity(row.as_sized_mmHg, "mmHg", 0),
        ]
        for row in worth.rows
    ]


def worth_words(worth: Worth) -> list[str]:
    """Return what goes with the table."""
    found = []
    if worth.flow_before_mL_min is not None:
        found.append(
            f"Flow at hyperaemia: {number(worth.flow_before_mL_min, 0)} mL/min now, "
            f"{number(worth.flow_after_mL_min or 0.0, 0)} at the least acceptable result, "
            f"{number(worth.normal_mL_min or 0.0, 0)} taken for the vessel without lesions."
        )
    if worth.tandem_proximal is not None and worth.tandem_distal is not None:
        found.append(
            f"From the pressures measured: with the proximal lesion alone the ratio would be {number(worth.tandem_proximal, 2)}, with the "
            f"distal one alone {number(worth.tandem_distal, 2)} (equations {reading('debruyne2000')} in print; checked against a circuit)."
        )
    if worth.tandem_note:
        found.append(f"Pressures were measured, but {worth.tandem_note}.")
    laws = ", ".join(source_words(key) for key in ("young1973", "seeley1976"))
    return [*found, f"Friction and jet by one published law: {laws}.", worth.note]


def sources_words(doc: TreatmentDocument) -> str:
    """Return every source the document rests on; one that was not read itself is marked."""
    return f"Sources: {'; '.join(source_words(key) for key in doc.sources)}."


def headline(doc: TreatmentDocument) -> str:
    """Return the answer in one sentence."""
    parts = []
    for stretch in doc.stretches:
        if stretch.best is None:
            parts.append(f"nothing on the shelf suits lesion {stretch.lesions[0]}")
        else:
            names = " and ".join(s.name for s in stretch.best.stents)
            first, last = stretch.best.stents[0].from_mm, stretch.best.stents[-1].to_mm
            parts.append(f"{names}, from {number(first, 0)} to {number(last, 0)} mm")
    if not parts:
        return "The case file names no lesion to treat, or none that is narrowed."
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."
