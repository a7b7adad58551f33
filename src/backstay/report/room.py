"""The room's display: large words, two colours of meaning, nothing to press. Read at 2.5 m, in the dark.

A screen cannot be scrolled by who stands scrubbed before it. So each text has a length it is cut at, visibly, and each
list a number of lines, with a count of what is left over; the style sheet gives each its place, the caution's first.
"""

from __future__ import annotations

import re
from collections import Counter
from math import ceil

from backstay.adapters.ladder_file import ClosedBy, LadderRung
from backstay.adapters.limits_file import HazardRow, InsideRow
from backstay.adapters.plan_file import PlanDocument
from backstay.app.room import RoomDocument, Seen, Spent
from backstay.core.inference.chance_words import chance_words
from backstay.identifiers import BodyItem, MoveId
from backstay.report.html import box, element
from backstay.report.ladder import rung_words
from backstay.report.limits import LEVELS, STATES
from backstay.report.words import DISCLAIMER, number, quantity

STOP_WHEN = "Stop trying it: the guide backs out, the wire's tip moves, or two firm pushes gain nothing (common practice, no source)."
VERDICTS = {"below": "BELOW TARGET", "within": "in target", "above": "ABOVE TARGET"}
ALARMS = {
    "TIMI 0": "NO FLOW SEEN",
    "TIMI 1": "ALMOST NO FLOW",
    "TIMI 2": "SLOW FLOW",
    "out of view": "TIP NOT SEEN",
    "small branch": "SMALL BRANCH",
    "looped": "TIP LOOPED",
}
"""What a grade of flow or a place of the wire's tip comes to, and no more than that: neither says why."""
WEIGHING = "More was logged after the last advice was weighed."
_KINDS = {
    BodyItem.GUIDE: "guide",
    BodyItem.WIRE: "wire",
    BodyItem.TRAPPED_WIRE: "trapped wire",
    BodyItem.EXTENSION: "guide extension",
}

LONG_MOVE, LONG_BLOCKS = 56, 190
"""Letters from which the next move, and what blocks, are set in a smaller size."""
MOST_IN_MOVE, MOST_IN_LEAVE, MOST_IN_CHECK, MOST_IN_HAZARD = 100, 150, 90, 150
INSIDE_LINES, INSIDE_LETTERS = 10, 44
"""Lines that the list of what is in the body has, and letters that go on one."""
REST = " … (rest in the control room)"


def room_html(
    room: RoomDocument, plan: PlanDocument | None, *, weighing: bool = False, first_rung: str = ""
) -> str:
    """Return the display's content.

    Parameters
    ----------
    room : RoomDocument
        The case at this moment.
    plan : PlanDocument or None
        The plan as last weighed; None while it is worked out for the first time.
    weighing : bool
        The record holds more than the plan was weighed by: its advice is shown as old.
    first_rung : str
        The next move as far as it is known, while it is weighed anew.
    """
    return "".join(
        [
            _arrived(room.arrived)
            if room.arrived
            else _weighing(plan, first_rung)
            if weighing
            else _next(plan),
            _blocks(room),
            box("div", [_spent("Contrast", room.contrast), _spent("Air kerma", room.kerma)], "pair"),
            box("div", [_act(room), _blocked(room)], "pair"),
            box("div", [_seen("Flow", room.flow), _seen("Wire tip", room.wire_tip)], "pair"),
            _inside(room),
            element("p", _foot(room), "foot"),
        ]
    )


def _tile(name: str, value: str, note: str = "", style: str = "") -> str:
    inner = [element("h2", name), element("p", value, "value")]
    inner += [element("p", note, "note")] if note else []
    return box("section", inner, f"tile {style}".strip())


def _cut(text: str, most: int) -> str:
    """Return a text, cut at a word where it is longer than its place, and said to be."""
    if len(text) <= most:
        return text
    kept = text[: most - len(REST)].rsplit(" ", 1)[0]
    return f"{kept.rstrip(' ,;:')}{REST}"


def _rung(plan: PlanDocument) -> LadderRung | None:
    rungs = [] if plan.ladder is None else plan.ladder.rungs
    return next((one for one in rungs if one.id != MoveId.AS_IT_IS), None)


def _move(rung: LadderRung | None) -> str:
    if rung is None:
        return "Stop"
    return _cut(rung.change[:1].upper() + rung.change[1:], MOST_IN_MOVE)


def _next(plan: PlanDocument | None) -> str:
    if plan is None:
        return _tile("Next move", "Being worked out", STOP_WHEN, "next")
    rung = _rung(plan)
    here = f"Now, with what is in place: {plan.in_place.chance.words} that it lands, scale unvalidated."
    if rung is None:
        why = _barred(plan)
        stops = f"{why}. No move is open before." if why else f"No move is worth its cost. {STOP_WHEN}"
        inner, here = [element("p", stops, "note strong")], "" if why else here
    else:
        said = rung_words([rung])[0]
        leave = f"Leave it {said.give_up}" if said.give_up else STOP_WHEN
        chance = _chance(rung)
        inner = [
            *([element("p", chance, "note strong chance")] if chance else []),
            element("p", _cut(leave, MOST_IN_LEAVE), "note strong"),
            *_first(rung.check_first),
        ]
    value = element("p", _move(rung), "value")
    return _next_tile(
        [value, *inner, *([element("p", here, "note here")] if here else [])],
        long=len(_move(rung)) > LONG_MOVE,
    )


def _arrived(words: str) -> str:
    note = "How it is opened and looked at stands in the treatment plan."
    return _next_tile([element("p", _cut(words, MOST_IN_MOVE), "value"), element("p", note, "note strong")])


def _barred(plan: PlanDocument) -> str:
    """Return what bars most moves of a ladder that only stops; empty where they cost more than they are worth."""
    closed = [] if plan.ladder is None else plan.ladder.closed
    barred = Counter(why for row in closed if row.by is ClosedBy.NEED for why in row.why)
    why, count = barred.most_common(1)[0] if barred else ("", 0)
    return f"{why[:1].upper()}{why[1:]}" if 2 * count > len(closed) else ""


def _next_tile(inner: list[str], *, long: bool = False, style: str = "") -> str:
    return box("section", [element("h2", "Next move"), *inner], f"tile next{' long' if long else ''}{style}")


def _chance(rung: LadderRung) -> str:
    """Return the one chance that the move is made for; how it comes about stands on the plan page."""
    asked = (
        (rung.chance, "lands"),
        (rung.opens, "opens the lesion"),
        (rung.arrives, "gets to its place"),
    )
    for value, what in asked:
        if value is not None:
            words = chance_words(value)
            return f"{words[:1].upper()}{words[1:]} that it {what}, scale unvalidated"
    return ""


def _first(check_first: list[str]) -> list[str]:
    if not check_first:
        return []
    count = "" if len(check_first) == 1 else f" (1 of {len(check_first)})"
    return [element("p", f"Check first{count}: {_cut(check_first[0], MOST_IN_CHECK)}", "note")]


def _weighing(plan: PlanDocument | None, first_rung: str) -> str:
    """Return the tile while advice is weighed anew: of the old one the move alone, for its numbers held before."""
    inner = [element("p", "Being weighed anew", "value"), element("p", WEIGHING, "note strong")]
    if first_rung:
        inner.append(element("p", f"So far: {_cut(first_rung, MOST_IN_MOVE)}", "note strong"))
    elif plan is not None:
        inner.append(
            box(
                "p", [element("b", "OLD ADVICE, before it:"), " ", element("span", _move(_rung(plan)))], "old"
            )
        )
    return _next_tile([*inner, element("p", STOP_WHEN, "note")], style=" near")


def _blocks(room: RoomDocument) -> str:
    if not room.blocks:
        return _tile("Not now", "No block known", "Nothing in the record calls for a stop.", "blocks")
    inner = [element("h2", "Not now"), *(_hazard(row) for row in room.blocks)]
    inner += [element("p", f"{room.waiting} more in the control room", "note")] if room.waiting else []
    long = sum(len(row.text) for row in room.blocks) > LONG_BLOCKS
    return box("section", inner, f"tile blocks{' long' if long else ''}")


def _hazard(row: HazardRow) -> str:
    said = _cut(row.text, MOST_IN_HAZARD)
    return box("p", [element("b", LEVELS[row.level]), " ", element("span", said)], f"hazard {row.level}")


def _spent(name: str, spent: Spent) -> str:
    if spent.used is None:
        return _tile(name, "–", "none logged")
    used = number(spent.used, 0)
    value = (
        f"{used} {spent.unit}" if spent.limit is None else f"{used} / {number(spent.limit, 0)} {spent.unit}"
    )
    return _tile(name, value, STATES[spent.state], spent.state.value)


def _act(room: RoomDocument) -> str:
    if room.agent != "heparin":
        return _tile("Clotting time", "–", f"{room.agent}: not guided by it")
    if room.act is None:
        return _tile("Clotting time", "–", "no value logged")
    late = ", REPEAT IT" if room.act.overdue else ""
    old = room.act.before_heparin
    style = "near" if old or room.act.overdue or room.act.verdict != "within" else ""
    name = f"ACT, {age(room.act.age_min)}"
    return _tile(
        name,
        quantity(room.act.act_s, "s", 0),
        f"{'before heparin' if old else VERDICTS[room.act.verdict]}{late}",
        style,
    )


def _blocked(room: RoomDocument) -> str:
    if room.blocked_s is None:
        return _tile("Ischaemia", "no balloon up", "")
    minutes, seconds = divmod(int(room.blocked_s), 60)
    return _tile("Ischaemia", f"{minutes}:{seconds:02d}", "since the balloon went up", "near")


def _seen(name: str, seen: Seen | None) -> str:
    if seen is None:
        return _tile(name, "–", "not logged")
    alarm = ALARMS.get(seen.what) if seen.state else None
    if alarm is None:
        return _tile(name, seen.what, age(seen.age_min), seen.state)
    what = "" if alarm.lower() == seen.what else f"{seen.what}, "
    return _tile(name, alarm, f"{what}{age(seen.age_min)}", seen.state)


def _inside(room: RoomDocument) -> str:
    shown = [row for row in room.inside if not row.presumed_out]
    presumed = len(room.inside) - len(shown)
    note = [element("p", f"presumed out, not logged as out: {presumed}", "note")] if presumed else []
    if not shown:
        body = element("p", "nothing known to be in" if presumed else "nothing logged", "value")
        return box("section", [element("h2", "In the body"), body, *note], "tile inside")
    whole, _ = _inside_lines(shown, most=None)
    lines, hidden = _inside_lines(shown)
    if not hidden:
        return box("section", [element("h2", "In the body"), _list(whole), *note], "tile inside")
    # Where a thing lies gives way before the thing itself. Beside the recorder all of it is shown.
    lines, hidden = _inside_lines(shown, places=False)
    if hidden:
        lines.append(element("b", f"and {hidden} more: see the control room's list"))
    title = box("h2", ["In the body", element("span", " (where: control room)", "few")])
    return box("section", [title, _list(whole, "every"), _list(lines, "few"), *note], "tile inside")


def _list(lines: list[str], style: str = "") -> str:
    return box("ul", [box("li", [one]) for one in lines], style)


def _inside_lines(
    shown: list[InsideRow], *, places: bool = True, most: int | None = INSIDE_LINES
) -> tuple[list[str], int]:
    """Return a line for each thing, like ones together, what must come out before what stays, and how many found no place."""
    count = Counter((row.stays, _kind(row), _inside_words(row, places=places)) for row in shown)
    ordered = sorted(count.items(), key=lambda one: one[0][0])
    lines: list[str] = []
    took, hidden = 0, 0
    for k, ((_, kind, words), times) in enumerate(ordered):
        said = f"{words} ×{times}" if times > 1 else words
        takes = ceil(len(f"{kind} {said}") / INSIDE_LETTERS)
        # A line is kept for the count of the rest, unless this is the last.
        if most is not None and (hidden or took + takes > most - (k + 1 < len(ordered))):
            hidden += times
            continue
        took += takes
        lines.append(f"{element('b', kind)} {element('span', said)}")
    return lines, hidden


def _kind(row: InsideRow) -> str:
    return _KINDS.get(row.item, row.item.value.replace("_", " "))


def _inside_words(row: InsideRow, *, places: bool) -> str:
    """Return what and where it is; what its kind has said is not said again."""
    name = re.sub(rf"\b{re.escape(_kind(row).split()[-1])}\b", "", row.name, count=1, flags=re.IGNORECASE)
    if row.item is BodyItem.EXTENSION:
        name = re.sub(r"\bguide\b", "", name, count=1, flags=re.IGNORECASE)
    name = re.sub(r" +(?=,|$)|(?<= ) +|^ +", "", name)
    parts = (name, row.where if places else "", "UNPLANNED" if row.unplanned else "")
    return ", ".join(part for part in parts if part)


def age(minutes: float) -> str:
    """Return how long ago something was."""
    return "just now" if minutes < 1.0 else f"{minutes:.0f} min ago"


def _foot(room: RoomDocument) -> str:
    stage = "Case ended" if room.ended else "Case running" if room.begun else "Not begun"
    clock = ""
    if room.minutes is not None:
        limit = f" of {number(room.minutes_limit, 0)}" if room.minutes_limit else ""
        clock = f", {number(room.minutes, 0)}{limit} min"
    return f"{stage}{clock}. {DISCLAIMER}"
