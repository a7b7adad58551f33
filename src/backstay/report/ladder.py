"""The ladder in words: what first, what when that fails, and when to leave a rung; in the terminal here, elsewhere as HTML and PDF."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from backstay.adapters.ladder_file import ClosedBy, ClosedRow, Harm, LadderPart, LadderRow, LadderRung
from backstay.report.html import box, details, element, items, table
from backstay.report.words import number, tenths

if TYPE_CHECKING:
    from backstay.report.terminal import Terminal

TITLE = "The ladder: what first, and what when that fails"
WHEN = {"first": "first", "not_landed": "if {} does not land", "not_opened": "if {} does not open the lesion"}
UNVALIDATED = "Backup, stiffness of the lesion and costs are judged: read the order, not the odds."
NOT_TRADED = "Harm stands apart: it is not weighed against minutes."


@dataclass(frozen=True)
class RungWords:
    """One rung as rows of words."""

    mark: str
    when: str
    change: str
    chance: str
    so_far: str
    cost: str
    give_up: str
    harm: str
    rival: str
    check_first: tuple[str, ...]
    cautions: tuple[str, ...]


def rung_words(rungs: list[LadderRung]) -> list[RungWords]:
    """Return rungs in words."""
    return [_words(rung) for rung in rungs]


def _words(rung: LadderRung) -> RungWords:
    return RungWords(
        mark=rung.mark,
        when=WHEN[rung.when].format(rung.after),
        change=rung.change,
        chance=chance_words(rung),
        so_far=f"{tenths(rung.chance_so_far)} in 10",
        cost=cost_words(rung),
        give_up=_give_up(rung),
        harm="; ".join(harm_words(one) for one in rung.harm) or "no figure",
        rival=rival_words(rung),
        check_first=tuple(rung.check_first),
        cautions=tuple(rung.cautions),
    )


def chance_words(rung: LadderRung) -> str:
    """Return the chance of a rung once it is come to."""
    arrives = (
        "" if rung.arrives is None or rung.opens is not None else f"gets there {tenths(rung.arrives)} in 10"
    )
    opened = "" if rung.opens is None else f"opens {tenths(rung.opens)} in 10"
    lands = "" if rung.chance is None else f"lands {tenths(rung.chance)} in 10"
    return ", ".join(part for part in (arrives, opened, lands) if part)


def cost_words(rung: LadderRung) -> str:
    """Return what a rung takes, its push counted in."""
    parts = ((rung.minutes, "min"), (rung.contrast_mL, "mL"), (rung.air_kerma_mGy, "mGy"))
    return ", ".join(f"{number(value, 0)}\u00a0{unit}" for value, unit in parts)


def _give_up(rung: LadderRung) -> str:
    after = "" if rung.give_up_min is None else f"after {number(rung.give_up_min, 0)} min"
    return "; ".join(part for part in (after, rung.give_up) if part)


def harm_words(harm: Harm) -> str:
    """Return one harm with its figure."""
    return (
        harm.what
        if harm.per_1000 is None
        else f"{harm.what} {number(harm.per_1000, 1 if harm.per_1000 < 10.0 else 0)} in 1000"
    )


def rival_words(rung: LadderRung) -> str:
    """Return what comes second and how close it is."""
    rival = rung.runner_up
    if rival is None:
        return ""
    about = "about " if rival.approximate else ""
    return f"{rival.change}: {about}{number(rival.more, 1)} minutes' worth more"


def summary(part: LadderPart) -> str:
    """Return what the whole ladder comes to."""
    return (
        f"Lands in the end in {tenths(part.chance)} of 10. Expected cost {number(part.expected_cost, 0)}, stopping at once "
        f"{number(part.stopping, 0)}, in minutes' worth by the case's weights. {NOT_TRADED} {UNVALIDATED}"
    )


HEADS = ("", "rung", "chance here", "so far", "cost", "leave it", "runner-up")
IF_NOT_OPENED = "Where a preparation does not open the lesion"
BLOCKED = "Not now, and why"
CLOSED = "Why there is no rung: what closes each move"
CLOSED_BY = {
    ClosedBy.COST: "costs more than stopping",
    ClosedBy.OPENS_NOTHING: "shows no opening",
    ClosedBy.DRAWS: "unknown",
    ClosedBy.LIMIT: "a limit",
    ClosedBy.GATE: "the gate",
    ClosedBy.NEED: "a precondition",
    ClosedBy.SHELF: "shelf or room",
}
UNRANKED = "Not ranked, and why"
CHANGED_BY = "What would change the first rung"
HARM = "What each rung may do, in 1000 procedures, and what to check and mind"


def table_rows(rungs: list[LadderRung]) -> list[list[str]]:
    """Return rungs as rows of a table under `HEADS`."""
    return [
        [w.mark, f"{w.when}: {w.change}", w.chance, w.so_far, w.cost, w.give_up, w.rival]
        for w in rung_words(rungs)
    ]


def mind_rows(part: LadderPart) -> list[tuple[str, str]]:
    """Return every rung, those after a lesion that did not open too, with harm, what to check and what to mind."""
    every = {rung.id: rung for rung in [*part.rungs, *part.not_opened]}
    return [
        (rung.change, _mind(w)) for rung, w in zip(every.values(), rung_words([*every.values()]), strict=True)
    ]


def _mind(w: RungWords) -> str:
    parts = [f"harm: {w.harm}"]
    parts += [f"check first: {'; '.join(w.check_first)}"] if w.check_first else []
    parts += [f"mind: {'; '.join(w.cautions)}"] if w.cautions else []
    return ". ".join(parts)


def reason_rows(rows: list[LadderRow]) -> list[tuple[str, str]]:
    """Return moves that are no rungs with their reasons."""
    return [(row.words, "; ".join(row.why)) for row in rows]


def closed_rows(rows: list[ClosedRow]) -> list[tuple[str, str]]:
    """Return what closes each move where there is no rung."""
    return [(row.words, f"{CLOSED_BY[row.by]}: {'; '.join(row.why)}") for row in rows]


def blocked_rows(part: LadderPart) -> list[tuple[str, str]]:
    """Return moves that cannot be made now with their reasons; nothing where every move is told of already."""
    return [] if part.closed else reason_rows(part.blocked)


def fact_rows(part: LadderPart) -> list[tuple[str, str]]:
    """Return what would change the first rung, and to what."""
    return [
        (fact.fact, fact.then if fact.share is None else f"{fact.then} ({tenths(fact.share)} in 10)")
        for fact in part.changed_by
    ]


def below(part: LadderPart) -> list[str]:
    """Return what stands below the rungs."""
    return [f"Then: {part.ends}.", *part.notes, *preparing_words(part), *error_words(part)]


def preparing_words(part: LadderPart) -> list[str]:
    """Return where the choice of a preparation is explained, as one line; nothing where no rung prepares."""
    if all(rung.opens is None for rung in part.rungs):
        return []
    return ["Preparation stands here by its cost in minutes; what the calcium asks for: backstay size CASE."]


def error_words(part: LadderPart) -> list[str]:
    """Return how far the ladder's quick ways may put its chances off, as one line."""
    if part.quick_error is None or part.rare_error is None or not part.rungs:
        return []
    return [
        f"Chances here come by quick ways: within {number(100.0 * part.quick_error, 0)} in 100 of the same rungs solved in full on "
        "the demo and three invented cases where at least 1 in 10 comes to the rung, further down within "
        f"{number(100.0 * part.rare_error, 0)}: read those as guesses. What the model itself errs comes on top."
    ]


def render(t: Terminal, part: LadderPart) -> None:
    """Print the ladder and what stands behind it."""
    render_rungs(t, part)
    _pairs(t, CHANGED_BY, fact_rows(part))
    _pairs(t, BLOCKED, blocked_rows(part))
    _pairs(t, UNRANKED, reason_rows(part.unranked))


def render_brief(t: Terminal, part: LadderPart) -> None:
    """Print each rung on a line of its own, with when to leave it."""
    t.heading(TITLE)
    t.bullets(
        [
            f"{w.mark} {w.change}: {w.chance}; leave it {w.give_up}"
            if w.give_up
            else f"{w.mark} {w.change}: {w.chance}"
            for w in rung_words(part.rungs)
        ]
    )
    t.say(" ".join([f"Then: {part.ends}.", *preparing_words(part), NOT_TRADED, UNVALIDATED]))


def render_rungs(t: Terminal, part: LadderPart) -> None:
    """Print the rungs, and what each may do."""
    t.heading(TITLE)
    t.say(summary(part))
    if part.gate:
        t.say(f"Gate: {part.gate}", "bold")
    _rungs(t, part.rungs)
    for text in below(part):
        t.say(text)
    _pairs(t, CLOSED, closed_rows(part.closed))
    if part.not_opened:
        t.say(f"{IF_NOT_OPENED}:", "bold")
        _rungs(t, part.not_opened)
    _pairs(t, HARM, mind_rows(part))


def _pairs(t: Terminal, title: str, rows: list[tuple[str, str]]) -> None:
    if rows:
        t.say(f"{title}:", "bold")
        t.bullets([f"{what}: {text}" for what, text in rows])


def _rungs(t: Terminal, rungs: list[LadderRung]) -> None:
    """Say the rungs one below the other: as columns they would not be read across a narrow window."""
    for w in rung_words(rungs):
        t.say(f"{w.mark}  {w.when}: {w.change}", "bold")
        t.say(f"{w.chance}; so far {w.so_far}; {w.cost}", indent=3)
        t.say(f"leave it {w.give_up}", indent=3)
        t.say(f"runner-up {w.rival}", indent=3)


def ladder_section(part: LadderPart) -> str:
    """Return the ladder as a section of a page, its detail folded away."""
    gate = [element("p", f"Gate: {part.gate}", "care")] if part.gate else []
    folded = [
        (IF_NOT_OPENED, [_html_table(part.not_opened)] if part.not_opened else []),
        (CHANGED_BY, _definitions(fact_rows(part))),
        (HARM, _definitions(mind_rows(part))),
        (BLOCKED, _definitions(blocked_rows(part))),
        (UNRANKED, _definitions(reason_rows(part.unranked))),
    ]
    inner = [
        element("h2", TITLE),
        element("p", summary(part), "soft"),
        *gate,
        _html_table(part.rungs) if part.rungs else "",
        *(element("p", text) for text in below(part)),
        *_closed(part),
        *(details(title, content) for title, content in folded if content),
    ]
    return box("section", inner)


def _closed(part: LadderPart) -> list[str]:
    """Return why there is no rung, in sight: nothing else stands there."""
    rows = _definitions(closed_rows(part.closed))
    return [element("p", f"{CLOSED}:"), *rows] if rows else []


def _html_table(rungs: list[LadderRung]) -> str:
    return table(HEADS, table_rows(rungs), style="stack")


def _definitions(rows: list[tuple[str, str]]) -> list[str]:
    return [items(f"{what}: {text}" for what, text in rows)] if rows else []


def sheet_parts(part: LadderPart) -> dict[str, Any]:
    """Return the ladder as the printed plan sets it."""
    return {
        "title": TITLE,
        "summary": summary(part),
        "gate": f"Gate: {part.gate}" if part.gate else "",
        "head": list(HEADS),
        "rungs": table_rows(part.rungs),
        "below": below(part),
        "not_opened_title": IF_NOT_OPENED,
        "not_opened": table_rows(part.not_opened),
        "pairs": [
            {"title": title, "rows": [list(row) for row in rows]}
            for title, rows in (
                (CLOSED, closed_rows(part.closed)),
                (CHANGED_BY, fact_rows(part)),
                (HARM, mind_rows(part)),
                (BLOCKED, blocked_rows(part)),
                (UNRANKED, reason_rows(part.unranked)),
            )
            if rows
        ],
    }
