"""The way back out: as a section of the plan's page and of its terminal form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from backstay.adapters.way_back_file import BackItem, JumpRow, TrappedRow, WayBackDocument
from backstay.core.withdrawal.warn import CATCHES, ENDS
from backstay.identifiers import BodyItem
from backstay.report.html import box, details, element, items, table
from backstay.report.words import number, percent, spread

if TYPE_CHECKING:
    from backstay.report.terminal import Terminal

TITLE = "The way back out"
HEADS = ["what comes back", "pull", "guide drawn in", "edge may catch", "if it gives at once"]
KINDS = {
    BodyItem.STENT_ON_BALLOON: "undeployed, from where it stops",
    BodyItem.BALLOON: "let down, from where it stops",
    BodyItem.ANCHOR_BALLOON: "let down; its part in the main vessel",
    BodyItem.BURR: "from where it stops",
    BodyItem.MICROCATHETER: "from where it stops",
    BodyItem.WIRE: "alone, from its tip's place",
    BodyItem.TRAPPED_WIRE: "behind the stent",
    BodyItem.EXTENSION: "over the rail",
}
NOTE = (
    "The highest pull at the guide's tip on the way back, with everything else of the rig left where it lies; "
    "median, and in brackets the range of 8 in 10 draws. The guide's hub is held. Scale unvalidated."
)


def item_row(item: BackItem, doc: WayBackDocument) -> list[str]:
    """Return one thing as a row of the table."""
    deep = f"{percent(item.guide_in_deep)} beyond {number(doc.deep_mm, 0)} mm"
    catches = [
        f"{CATCHES[c.what]} ({number(c.at_mm, 0)} mm): {percent(c.chance)}"
        for c in item.catches
        if c.chance > 0.0
    ]
    if item.catches and not catches:
        catches.append("nowhere in any draw")
    if item.stripped:
        catches.append(f"stent off its balloon if pulled on: {percent(item.stripped)}")
    if item.trapped is not None:
        catches = trapped_words(item.trapped)
    place = f", tip at {number(item.from_mm.p50, 0)} mm" if item.from_mm.p50 is not None else ""
    return [
        f"{item.name}: {KINDS.get(item.kind, 'from where it stops')}{place}",
        spread(item.pull_N, "N", 2),
        f"{spread(item.guide_in_mm, 'mm', 0)}; {deep}",
        "; ".join(catches) or "–",
        jump_words(item.jump, "back"),
    ]


def trapped_words(row: TrappedRow) -> list[str]:
    """Return what gives first when a trapped wire is pulled."""
    return [f"{ENDS[end]} first: {percent(share)}" for end, share in row.ends.items()]


def jump_words(row: JumpRow, way: str) -> str:
    """Return how far and with what energy a thing jumps."""
    if not row.rest_mm.p90:
        return "no jump"
    return (
        f"jumps {way} {spread(row.rest_mm, 'mm', 0)}, up to {number(row.at_most_mm.p90, 0)} mm undamped, "
        f"with up to {number(row.moving_mJ.p90, 1)} mJ"
    )


def way_back_lines(doc: WayBackDocument) -> list[str]:
    """Return the warnings, each with the thing it belongs to."""
    return [f"{item.name}: {text}" for item in doc.items for text in item.warnings]


def jump_in_words(doc: WayBackDocument) -> str:
    """Return what jumps forwards on the way in."""
    return f"On the way in, when the lesion yields at the hardest place, the device {jump_words(doc.jump_in, 'forwards')}."


def way_back_section(doc: WayBackDocument) -> str:
    """Return the section of the page."""
    inner = [
        element("h2", TITLE),
        items(way_back_lines(doc), "not"),
        table(HEADS, [item_row(item, doc) for item in doc.items], style="stack"),
        element("p", NOTE, "soft"),
        element("p", jump_in_words(doc)),
        items(doc.cautions),
        details("Unvalidated here", [items(doc.unvalidated)]),
    ]
    return box("section", inner)


def way_back_terminal(t: Terminal, doc: WayBackDocument) -> None:
    """Print the section."""
    t.heading(TITLE)
    t.bullets(way_back_lines(doc), mark="!", style="bold")
    t.table(HEADS, [item_row(item, doc) for item in doc.items], (20, 14, 18, 20, 22))
    t.say(NOTE)
    t.say(jump_in_words(doc))
    t.bullets(doc.cautions)
    t.say("Unvalidated: " + "; ".join(doc.unvalidated))
