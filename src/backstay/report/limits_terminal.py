"""The limits of a case in a terminal."""

from __future__ import annotations

from rich.console import Console

from backstay.adapters.limits_file import LimitsDocument
from backstay.report.limits import (
    CEILING_HEADS,
    MOVE_HEADS,
    ceiling_rows,
    every_move_words,
    hazard_words,
    inside_words,
    move_rows,
    open_words,
    ratio_words,
    summary_rows,
)
from backstay.report.terminal import Terminal


def render_limits(d: LimitsDocument, console: Console) -> None:
    """Print the limits."""
    t = Terminal(console)
    t.say(d.title, "bold")
    if d.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(d.disclaimer, "bold")
    t.say(f"Protocol: {d.protocol}")
    _render_hazards(d, t)
    t.heading("Used and left")
    t.table(["what", "where it stands"], [list(row) for row in summary_rows(d)], (1, 4))
    t.bullets(d.anticoagulation.suggestions)
    t.heading("Ceilings for contrast")
    t.table(CEILING_HEADS, ceiling_rows(d), (4, 1, 1, 3))
    t.bullets(ratio_words(d))
    t.heading("What the next move would take")
    t.bullets(every_move_words(d), mark="!")
    t.table(MOVE_HEADS, move_rows(d), (4, 3, 1, 4))
    t.heading("In the body now")
    t.bullets([inside_words(row) for row in d.inside] or ["nothing is recorded"])
    t.heading("Two antiplatelet drugs: guidelines side by side")
    t.bullets(d.bleeding.durations)
    if d.notes or d.not_known or d.skin:
        t.heading("Mind")
        t.bullets([*d.notes, *(d.skin.notes if d.skin else []), *open_words(d)])


def _render_hazards(d: LimitsDocument, t: Terminal) -> None:
    if not (d.hazards or d.hazards_waiting):
        return
    t.heading("What must I not do?")
    t.bullets([hazard_words(row) for row in d.hazards], mark="!", style="bold")
    if d.hazards_waiting:
        t.say(f"{len(d.hazards_waiting)} more apply or were said a short while ago:")
        t.bullets([hazard_words(row) for row in d.hazards_waiting])
