"""The treatment in a terminal."""

from __future__ import annotations

from rich.console import Console

from backstay.adapters.treatment_file import Stretch, TreatmentDocument
from backstay.report import treatment as words
from backstay.report.terminal import Terminal
from backstay.report.words import DISCLAIMER, number


def render_treatment(doc: TreatmentDocument, console: Console) -> None:
    """Print the treatment."""
    t = Terminal(console)
    t.say(doc.title, "bold")
    if doc.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(DISCLAIMER, "bold")
    t.heading(words.TITLE)
    t.say(words.headline(doc), "bold")
    t.bullets([*doc.alerts, *doc.target], "!", "bold")
    t.bullets(doc.attempts, "!")
    t.heading("Lesions")
    t.table(list(words.LESION_HEAD), [words.lesion_row(x) for x in doc.lesions], (6, 11, 13, 16, 16, 20, 22))
    t.say(words.INTERVALS)
    t.bullets([note for lesion in doc.lesions for note in words.lesion_notes(lesion)])
    for stretch in doc.stretches:
        _stretch(t, stretch)
    _worth(t, doc)
    t.heading("What it rests on")
    t.bullets([*doc.warnings, *(f"unvalidated: {item}" for item in doc.unvalidated)])
    t.say(
        f"Error of a diameter: {number(doc.noise_mm, 2)} mm from row to row, {number(doc.common_mm, 2)} mm common to all. Seed {doc.seed}."
    )
    t.say(words.sources_words(doc))
    t.heading("Cautions")
    t.bullets(doc.cautions, "!")


def _stretch(t: Terminal, stretch: Stretch) -> None:
    t.heading(words.stretch_title(stretch))
    if stretch.preparation:
        t.table(list(words.STEP_HEAD), [words.step_row(x) for x in stretch.preparation], (16, 26, 16, 34))
        t.bullets(list(dict.fromkeys(c for x in stretch.preparation for c in x.cautions)), "!")
    t.bullets([stretch.gate] if stretch.gate else [], "!", "bold")
    t.say(words.size_words(stretch))
    if stretch.best is None:
        t.say("NOTHING ON THE SHELF SUITS", "bold")
        t.bullets([f"missing: {item}" for item in stretch.missing], "!", "bold")
    else:
        head, rows = words.stent_table(stretch)
        t.table(head, rows, (16, 14, 17, 10, 12, 10, 9, 12)[: len(head)])
        t.bullets(stretch.missed, "!", "bold")
        for text in words.objective_words(stretch):
            t.say(text)
        t.table(list(words.BALLOON_HEAD), [words.balloon_row(b) for b in stretch.after], (14, 22, 12, 18, 26))
    t.bullets([text for b in stretch.branches for text in words.branch_words(b)])
    t.bullets(words.drug_words(stretch))
    t.bullets(words.expected_words(stretch.expected))


def _worth(t: Terminal, doc: TreatmentDocument) -> None:
    if doc.worth is None:
        return
    t.heading("Pressure lost, an estimate")
    if doc.worth.rows:
        t.table(list(words.LOSS_HEAD), words.loss_rows(doc.worth), (8, 22, 12, 10, 20, 20))
    t.bullets(words.worth_words(doc.worth))
