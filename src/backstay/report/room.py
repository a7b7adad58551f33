"""The room's display: large words, two colours of meaning, nothing to press. Read at 2.5 m, in the dark."""

from __future__ import annotations

from collections import Counter

from backstay.adapters.ladder_file import ClosedBy
from backstay.adapters.limits_file import HazardRow, InsideRow
from backstay.adapters.plan_file import PlanDocument
from backstay.app.room import RoomDocument, Seen, Spent
from backstay.identifiers import BodyItem, MoveId
from backstay.report.html import box, element
from backstay.report.ladder import rung_words
from backstay.report.limits import LEVELS, STATES
from backstay.report.words import DISCLAIMER, number, quantity

STOP_WHEN = "Stop trying it: the guide backs out, the wire's tip moves, or two firm pushes gain nothing (common practice, no source)."
VERDICTS = {"below": "BELOW TARGET", "within": "in target", "above": "ABOVE TARGET"}
_SHORT = {
    BodyItem.GUIDE: "guide",
    BodyItem.WIRE: "wire",
    BodyItem.TRAPPED_WIRE: "trapped wire",
    BodyItem.EXTENSION: "extension",
}


def room_html(
    room: RoomDocument, plan: PlanDocument | None, *, weighing: bool = False, first_rung: str = ""
) -> str:
    """Return the display's content.

    Parameters
    ----------
    room : RoomDocument
        The case at this moment.
    plan : PlanDocument or None
        The plan as it was last weighed; None before it is whole.
    weighing : bool
        The record holds more than the plan was weighed by: its advice is old.
    first_rung : str
        The next move as far as it is known, while the plan is weighed anew.
    """
    return "".join(
        [
            box(
                "div",
                [_weighing(first_rung) if weighing and plan is not None else _next(plan), _inside(room)],
                "column",
            ),
            box("div", [_blocks(room), box("div", _numbers(room), "tiles")], "column"),
            element("p", _foot(room), "foot"),
        ]
    )


def _tile(name: str, value: str, note: str = "", style: str = "") -> str:
    inner = [element("h2", name), element("p", value, "value")]
    inner += [element("p", note, "note")] if note else []
    return box("section", inner, f"tile {style}".strip())


def _weighing(first_rung: str) -> str:
    """Return the next move's tile while it is not known any more: what was advised before the last try is not shown."""
    value = f"So far: {first_rung}" if first_rung else "Wait"
    return _tile("Next move", value, f"Being weighed anew by what was recorded. {STOP_WHEN}", "next old")


def _next(plan: PlanDocument | None) -> str:
    if plan is None:
        return _tile("Next move", "Being worked out", STOP_WHEN, "next")
    rungs = [] if plan.ladder is None else plan.ladder.rungs
    rung = next((one for one in rungs if one.id != MoveId.AS_IT_IS), None)
    if rung is None:
        return _no_move(plan)
    said = rung_words([rung])[0]
    landing = f"{said.chance}, scale unvalidated" if said.chance else ""
    inner = [
        element("h2", "Next move"),
        element("p", said.change[:1].upper() + said.change[1:], "value"),
        *([element("p", landing, "note strong")] if landing else []),
        element("p", f"Leave it {said.give_up}" if said.give_up else STOP_WHEN, "note strong"),
        *(element("p", f"First: {text}", "note") for text in said.check_first[:1]),
        element("p", f"As it is: {plan.in_place.chance.words}.", "note"),
    ]
    return box("section", inner, "tile next")


def _no_move(plan: PlanDocument) -> str:
    """Return the next move's tile where the ladder only stops: what bars the moves, where one thing bars most."""
    closed = [] if plan.ladder is None else plan.ladder.closed
    barred = Counter(why for row in closed if row.by is ClosedBy.NEED for why in row.why)
    why, count = barred.most_common(1)[0] if barred else ("", 0)
    if 2 * count > len(closed):
        return _tile("Next move", "Stop", f"{why[:1].upper()}{why[1:]}. No move is open before.", "next")
    here = f"As it is: {plan.in_place.chance.words}. {STOP_WHEN}"
    return _tile("Next move", "Stop: no move is worth its cost", here, "next")


def _blocks(room: RoomDocument) -> str:
    if not room.blocks:
        return _tile("Not now", "No block known", "Nothing in the record calls for a stop.", "blocks")
    inner = [element("h2", "Not now"), *(_hazard(row) for row in room.blocks)]
    inner += [element("p", f"{room.waiting} more in the control room", "note")] if room.waiting else []
    return box("section", inner, "tile blocks")


def _hazard(row: HazardRow) -> str:
    return box("p", [element("b", LEVELS[row.level]), " ", element("span", row.text)], f"hazard {row.level}")


def _numbers(room: RoomDocument) -> list[str]:
    return [
        _spent("Contrast", room.contrast),
        _spent("Air kerma", room.kerma),
        _act(room),
        _blocked(room),
        _seen("Flow", room.flow),
        _seen("Wire tip", room.wire_tip),
    ]


def _spent(name: str, spent: Spent) -> str:
    name = f"{name}, {spent.unit}"
    if spent.used is None:
        return _tile(name, "–", "none logged")
    used = number(spent.used, 0)
    value = used if spent.limit is None else f"{used} / {number(spent.limit, 0)}"
    return _tile(name, value, STATES[spent.state], spent.state.value)


def _act(room: RoomDocument) -> str:
    if room.agent != "heparin":
        return _tile("Clotting time", "–", f"{room.agent}: not guided by it")
    if room.act is None:
        return _tile("Clotting time", "–", "no value logged")
    late = ", REPEAT IT" if room.act.overdue else ""
    note = f"{VERDICTS[room.act.verdict]}, {age(room.act.age_min)}{late}"
    style = "near" if room.act.overdue or room.act.verdict != "within" else ""
    return _tile("ACT", quantity(room.act.act_s, "s", 0), note, style)


def _blocked(room: RoomDocument) -> str:
    if room.blocked_s is None:
        return _tile("Ischaemia", "no balloon up", "")
    minutes, seconds = divmod(int(room.blocked_s), 60)
    return _tile("Ischaemia", f"{minutes}:{seconds:02d}", "since the balloon went up", "near")


def _seen(name: str, seen: Seen | None) -> str:
    if seen is None:
        return _tile(name, "–", "not logged")
    if not seen.danger:
        return _tile(name, seen.what, age(seen.age_min))
    return _tile(name, seen.what, f"{seen.danger}, {age(seen.age_min)}", "past")


def _inside(room: RoomDocument) -> str:
    same = Counter((_kind(row), _inside_words(row)) for row in room.inside if not row.presumed_out)
    rows = [
        box("li", [element("b", kind if count == 1 else f"{count} x {kind}"), " ", element("span", words)])
        for (kind, words), count in same.items()
    ]
    body = box("ul", rows) if rows else element("p", "nothing logged", "value")
    return box("section", [element("h2", "In the body"), body], "tile inside")


def _kind(row: InsideRow) -> str:
    return _SHORT.get(row.item, row.item.value.replace("_", " "))


def _inside_words(row: InsideRow) -> str:
    return f"{row.name}{', ' + row.where if row.where else ''}"


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
