"""What attempts taught, in a terminal."""

from __future__ import annotations

from rich.console import Console

from backstay.adapters.learned_file import LearnedDocument
from backstay.report import learned as words
from backstay.report.terminal import Terminal

_RUNGS = 8


def render_learned(doc: LearnedDocument, console: Console) -> None:
    """Print what was learnt, as a report of its own."""
    t = Terminal(console)
    t.say(doc.title, "bold")
    if doc.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(doc.disclaimer, "bold")
    learned_part(t, doc)
    t.say("unvalidated: " + "; ".join(doc.unvalidated))


def learned_part(t: Terminal, doc: LearnedDocument) -> None:
    """Print what was learnt, as part of a report."""
    t.heading(words.TITLE)
    t.say(words.headline(doc), "bold")
    t.say(words.why(doc))
    t.say(words.doubt_words(doc))
    t.bullets(doc.warnings, "!", "bold")
    asked = words.question_words(doc)
    if asked:
        t.say("Worth asking now:")
        t.bullets(asked)
    t.table(
        list(words.ATTEMPT_HEAD),
        [list(words.attempt_row(k, row)) for k, row in enumerate(doc.attempts, 1)],
        (24, 24, 34, 22),
    )
    t.table(
        list(words.RUNG_HEAD),
        [list(words.rung_row(row)) for row in doc.rungs[:_RUNGS]],
        (28, 16, 10, 10, 22, 14),
    )
    t.table(
        list(words.UNKNOWN_HEAD),
        [list(words.unknown_row(row)) for row in words.shown(doc)],
        (30, 22, 22, 13, 15),
    )
    t.say(words.DOUBT_NOTE)
    t.say(words.engine_words(doc))
