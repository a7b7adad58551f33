"""What attempts taught as a section of the plan page."""

from __future__ import annotations

from backstay.adapters.learned_file import LearnedDocument, Reranked
from backstay.report import learned as words
from backstay.report.html import box, details, element, figure, items, table
from backstay.report.learned_picture import PHONE, chances_picture, moved_picture


def learned_section(doc: LearnedDocument) -> str:
    """Return the section."""
    asked = words.question_words(doc)
    inner = [
        element("h2", words.TITLE),
        element("p", words.headline(doc), "big"),
        items(doc.warnings, "not"),
        element("p", f"{words.why(doc)} {words.doubt_words(doc)}"),
        *([element("h3", "Worth asking now"), items(asked)] if asked else []),
        *(_changes(doc.reranked) if doc.reranked is not None else []),
        figure(chances_picture(doc), chances_picture(doc, width=PHONE)),
        figure(moved_picture(doc), moved_picture(doc, width=PHONE)),
        table(
            words.ATTEMPT_HEAD,
            [words.attempt_row(k, row) for k, row in enumerate(doc.attempts, 1)],
            style="stack",
        ),
        details(
            "Chances and unknowns as numbers",
            [
                table(words.RUNG_HEAD, [words.rung_row(row) for row in doc.rungs], style="stack"),
                table(words.UNKNOWN_HEAD, [words.unknown_row(row) for row in doc.unknowns], style="stack"),
                element("p", words.DOUBT_NOTE, "soft"),
            ],
        ),
        element("p", words.engine_words(doc), "soft"),
        items([f"unvalidated: {text}" for text in doc.unvalidated]),
    ]
    return box("section", inner)


def _changes(part: Reranked) -> list[str]:
    """Return what the last attempt changed in the ladder, which stands in a section of its own."""
    left_out = [element("p", f"{words.PAST_LIMITS}:"), items(part.past_limits)] if part.past_limits else []
    return [
        element("h3", words.CHANGES),
        element("p", words.change_summary(part)),
        table(words.CHANGE_HEAD, [words.change_row(row) for row in part.changes], style="stack"),
        element("p", words.BY_ITSELF, "soft"),
        *left_out,
    ]
