"""The treatment as a section of the plan page, or as a page of its own."""

from __future__ import annotations

from backstay.adapters.treatment_file import Stretch, TreatmentDocument
from backstay.report import treatment as words
from backstay.report.html import box, details, element, figure, items, table
from backstay.report.treatment_strip import PHONE, treatment_strip


def treatment_section(doc: TreatmentDocument) -> str:
    """Return the section."""
    wide, narrow = treatment_strip(doc), treatment_strip(doc, width=PHONE)
    inner = [
        element("h2", words.TITLE),
        items([*doc.alerts, *doc.target, *doc.attempts], "not"),
        figure(wide, narrow),
        table(words.LESION_HEAD, [words.lesion_row(x) for x in doc.lesions], style="stack"),
        element("p", words.INTERVALS, "soft"),
        items(note for lesion in doc.lesions for note in words.lesion_notes(lesion)),
        *(_stretch(stretch) for stretch in doc.stretches),
        *_worth(doc),
        details(
            "What the treatment rests on",
            [items([*doc.warnings, *doc.unvalidated, words.sources_words(doc), *doc.cautions])],
        ),
    ]
    return box("section", inner)


def _stretch(stretch: Stretch) -> str:
    inner = [element("h3", words.stretch_title(stretch))]
    if stretch.preparation:
        inner.append(table(words.STEP_HEAD, [words.step_row(x) for x in stretch.preparation], style="stack"))
        inner.append(items(dict.fromkeys(c for x in stretch.preparation for c in x.cautions)))
    inner += [element("p", stretch.gate[:1].upper() + stretch.gate[1:] + ".", "care")] if stretch.gate else []
    inner.append(element("p", words.size_words(stretch)))
    if stretch.best is None:
        inner += [element("p", "Nothing on the shelf suits", "big stop"), items(stretch.missing, "not")]
    else:
        inner += [
            table(*words.stent_table(stretch), style="stack"),
            items(stretch.missed, "not"),
            *(element("p", text, "soft") for text in words.objective_words(stretch)),
            table(words.BALLOON_HEAD, [words.balloon_row(b) for b in stretch.after], style="stack"),
        ]
    inner += [
        items(text for b in stretch.branches for text in words.branch_words(b)),
        items(words.drug_words(stretch)),
        items(words.expected_words(stretch.expected)),
    ]
    return "".join(inner)


def _worth(doc: TreatmentDocument) -> list[str]:
    if doc.worth is None:
        return []
    rows = words.loss_rows(doc.worth)
    return [
        element("h3", "Pressure lost, an estimate"),
        table(words.LOSS_HEAD, rows, style="stack") if rows else "",
        items(words.worth_words(doc.worth)),
    ]
