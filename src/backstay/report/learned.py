"""What attempts teach, in words: the same for terminal and page."""

from __future__ import annotations

from backstay.adapters.learned_file import (
    AttemptRow,
    LearnedDocument,
    Reranked,
    RungChange,
    RungRow,
    Shift,
    Spread,
    UnknownRow,
)
from backstay.app.event_words import LIMITED_BY, PUSHES
from backstay.core.inference.chance_words import chance_words
from backstay.report.words import number, percent

TITLE = "What the attempts taught"
RUNG_HEAD = ("what to try", "chance by itself now", "before", "tried", "cost", "mind")
UNKNOWN_HEAD = ("unknown", "before any attempt", "now", "narrower by", "of the doubt: then, now")
CHANGES = "What the last attempt changed in the ladder"
CHANGE_HEAD = ("move", "rung before", "rung now", "by itself before", "now")
BY_ITSELF = (
    "By itself: the chance with nothing else done first. On the ladder a chance is that of the rung once all above it is done and has "
    "failed, so the two differ."
)
PAST_LIMITS = "Left out, a limit does not allow them"
ATTEMPT_HEAD = ("attempt", "with", "how it ended", "expected")
DOUBT_NOTE = (
    "Of the doubt: the share of the doubt about the next move that an unknown carries by itself; what only several decide together is in "
    "none of them."
)
_SHOWN_BITS = 0.02
_MOVED_SD = 0.15
_LEAST_SHOWN = 3
_LISTED = 8
# What a shift upwards or downwards means, where plain words say it better than the input's own label.
_PLAIN = {
    "friction_wall": ("the wall rubs more", "the wall rubs less"),
    "friction_wire": ("the wire rubs more in its lumen", "the wire rubs less in its lumen"),
    "friction_extension": ("the extension's lining rubs more", "the extension's lining rubs less"),
    "friction_guide": ("the guide's lining rubs more", "the guide's lining rubs less"),
    "bed_MPa": ("the vessel lies in a stiffer bed", "the vessel lies in a softer bed"),
    "lesion_factor": ("the lesion is stiffer", "the lesion is softer"),
    "ledge_factor": ("the ledges are steeper", "the ledges are flatter"),
    "device_stiffness_factor": ("the device is stiffer", "the device is more flexible"),
    "wire_stiffness_factor": ("the wires are stiffer", "the wires are softer"),
    "radius_shift_sd": ("the lumen is wider than measured", "the lumen is narrower than measured"),
    "curvature_factor": ("the bends are tighter than measured", "the bends are wider than measured"),
    "guide_hold_N": ("the guide holds more", "the guide holds less"),
    "retreat_mm": ("the guide backs further before it is lost", "the guide is lost sooner"),
    "extension_factor": ("an extension adds more", "an extension adds less"),
    "wire_hold_factor": ("a free wire holds more", "a free wire holds less"),
    "anchor_factor": ("an anchor balloon holds more", "an anchor balloon holds less"),
    "trapped_factor": ("a trapped wire holds more", "a trapped wire holds less"),
    "hand_push_N": ("the hand gives more push", "the hand gives less push"),
    "shaft_factor": ("the shaft is stiffer", "the shaft is softer"),
}


def plain(row: UnknownRow | Shift) -> str:
    """Return what a shift means, e.g. "the guide holds less"."""
    up, down = _PLAIN.get(row.name, (f"more: {row.label}", f"less: {row.label}"))
    return up if row.moved_sd > 0.0 else down


def shown(doc: LearnedDocument) -> list[UnknownRow]:
    """Return the unknowns worth a line: what was learnt about, the rest left in the data."""
    told = [row for row in doc.unknowns if row.bits >= _SHOWN_BITS]
    some = [row for row in doc.unknowns if row.bits > 0.0]
    return told if len(told) >= _LEAST_SHOWN else some[:_LEAST_SHOWN]


def listed(doc: LearnedDocument) -> list[RungRow]:
    """Return the rigs worth a line: the best, and, however low their chance, those tried and the first of the ladder."""
    first = "" if doc.reranked is None or not doc.reranked.ladder.rungs else doc.reranked.ladder.rungs[0].id
    wanted = [row.id for row in doc.rungs if row.tried or row.id == first]
    best = [row.id for row in doc.rungs if row.id not in wanted][: max(_LISTED - len(wanted), 0)]
    return [row for row in doc.rungs if row.id in wanted or row.id in best]


def headline(doc: LearnedDocument) -> str:
    """Return the one sentence that matters: what to try next, or that nothing is left within the limits."""
    free = [row for row in doc.rungs if not row.barred]
    if not free:
        return "Nothing on the list is left within the limits of contrast, dose and time: stop, or change the limits with reason."
    best = free[0]
    chance = f"{best.change}, {best.words}{_change_words(best)}."
    if doc.reranked is None:
        return f"Best chance now: {chance}"
    rungs = doc.reranked.ladder.rungs
    return f"First on the ladder: {rungs[0].change if rungs else 'stop'}. Best chance by itself: {chance}"


def _change_words(row: RungRow) -> str:
    then, now = chance_words(row.previous), chance_words(row.after)
    return "" if then == now else f" ({then} before the last attempt)"


def why(doc: LearnedDocument) -> str:
    """Return why chances changed, or "" where nothing moved by much."""
    moved = [row for row in doc.unknowns if abs(row.moved_sd) >= _MOVED_SD and row.bits >= _SHOWN_BITS]
    moved.sort(key=lambda row: -row.doubt_before * abs(row.moved_sd))
    if not moved:
        return "The attempts moved no single unknown by much."
    return f"What changed: it seems that {'; '.join(plain(row) for row in moved[:3])}."


def change_summary(part: Reranked) -> str:
    """Return whether the first rung is another one since the last attempt, and why."""
    was = next((row for row in part.changes if row.place_before == 1), None)
    now = next((row for row in part.changes if row.place == 1), None)
    first = "stop" if now is None else now.change
    if (was and was.id) == (now and now.id):
        said = f"First as before the last attempt: {first}."
    else:
        said = f"First now: {first}; before the last attempt: {'stop' if was is None else was.change}."
    if not part.shifts:
        return f"{said} The last attempt moved no single unknown by much."
    return f"{said} Why: the last attempt says that {'; '.join(plain(row) for row in part.shifts[:3])}."


def change_row(row: RungChange) -> tuple[str, ...]:
    """Return what became of one move as cells."""
    places = ["-" if place is None else str(place) for place in (row.place_before, row.place)]
    chances = ["" if chance is None else percent(chance) for chance in (row.chance_before, row.chance)]
    return (row.change, *places, *chances)


def doubt_words(doc: LearnedDocument) -> str:
    """Return what is left of the doubt about the next move."""
    if doc.next is None:
        return ""
    before, after = doc.next.before_bits, doc.next.after_bits
    if before <= 0.0:
        return ""
    if after <= before:
        return f"Of the doubt about {doc.next.change}, {percent(1.0 - after / before)} is gone since before any attempt."
    return f"The attempts made it harder to say whether {doc.next.change} will go: what was thought before is in question."


def question_words(doc: LearnedDocument) -> list[str]:
    """Return the open questions about the last attempt, the one that would tell most first."""
    return [
        f"{row.words}: would take away about {percent(row.share)} of the doubt"
        for row in doc.questions
        if row.share >= 0.005
    ]


def spread_words(spread: Spread, unit: str) -> str:
    """Return median and range."""
    digits = 3 if max(abs(spread.p10), abs(spread.p90)) < 0.3 else 2
    return f"{number(spread.p50, digits)} ({number(spread.p10, digits)} to {number(spread.p90, digits)}) {unit}".strip()


def unknown_row(row: UnknownRow) -> tuple[str, ...]:
    """Return one unknown as cells."""
    narrower = "wider" if row.narrowed < -0.005 else percent(max(row.narrowed, 0.0))
    return (
        row.label.split(" (")[0],
        spread_words(row.before, row.unit),
        spread_words(row.after, row.unit),
        narrower,
        f"{percent(row.doubt_before)}, {percent(row.doubt_after)}",
    )


def rung_row(row: RungRow) -> tuple[str, ...]:
    """Return one rig as cells."""
    cost = f"{row.minutes:.0f} min, {row.contrast_mL:.0f} mL, {row.air_kerma_mGy:.0f} mGy"
    return (
        row.change,
        f"{row.words} ({percent(row.after)})",
        percent(row.before),
        "" if row.tried == 0 else f"{row.tried} x, failed",
        cost,
        "; ".join(row.barred),
    )


def attempt_row(number_: int, row: AttemptRow) -> tuple[str, ...]:
    """Return one attempt as cells."""
    if row.reached:
        ended = "reached its place"
    else:
        ended = "stopped" + ("" if row.stopped_at_mm is None else f" at {row.stopped_at_mm:g} mm")
        ended += "" if row.limited_by is None else f": {LIMITED_BY[row.limited_by]}"
    ended += "" if row.push is None else f", {PUSHES[row.push]}"
    if row.left_out:
        expected = f"left out: {row.left_out}"
    elif row.expected is None:
        expected = ""
    else:
        expected = "NOT EXPECTED" if row.surprise else "as expected"
        expected += f" ({percent(row.expected)} of ends no likelier)"
    return f"{number_}  {row.device}", row.rig, ended, expected


def engine_words(doc: LearnedDocument) -> str:
    """Return what the numbers rest on."""
    lowest = [row.lowest_share for row in doc.attempts if row.lowest_share is not None]
    share = f", at least {percent(min(lowest))} effective on the way" if lowest else ""
    seen = (
        ""
        if doc.anatomies == 1
        else f" The vessel was seen {doc.anatomies} times; what is bound to it is fresh since the last."
    )
    return (
        f"{doc.particles} particles{share}, {percent(doc.distinct)} of them different at the end, seed {doc.seed}.{seen} "
        "Chances include the spread from try to try."
    )
