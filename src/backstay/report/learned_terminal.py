"""What attempts taught, in a terminal."""

from __future__ import annotations

from rich.console import Console

from backstay.adapters.learned_file import LearnedDocument, Reranked
from backstay.report import ladder
from backstay.report import learned as words
from backstay.report.terminal import Terminal


def render_learned(doc: LearnedDocument, console: Console) -> None:
    """Print what was learnt, as a report of its own."""
    t = Terminal(console)
    t.say(doc.title, "bold")
    if doc.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(doc.disclaimer, "bold")
    if doc.reranked is not None:
        reranked_part(t, doc.reranked)
    learned_part(t, doc)
    t.say("unvalidated: " + "; ".join(doc.unvalidated))


def reranked_part(t: Terminal, part: Reranked) -> None:
    """Print the ladder as it now is, and what the last attempt changed in it."""
    ladder.render_rungs(t, part.ladder)
    t.heading(words.CHANGES)
    t.say(words.change_summary(part), "bold")
    t.table(
        list(words.CHANGE_HEAD), [list(words.change_row(row)) for row in part.changes], (42, 12, 12, 18, 8)
    )
    t.say(words.BY_ITSELF)
    if part.past_limits:
        t.say(f"{words.PAST_LIMITS}:", "bold")
        t.bullets(part.past_limits)


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
        [list(words.rung_row(row)) for row in words.listed(doc)],
        (28, 20, 10, 10, 22, 10),
    )
    t.table(
        list(words.UNKNOWN_HEAD),
        [list(words.unknown_row(row)) for row in words.shown(doc)],
        (30, 22, 22, 13, 15),
    )
    t.say(words.DOUBT_NOTE)
    t.say(words.engine_words(doc))
