"""A finished case made into a lesson: decisions as questions, the model's numbers, nothing that identifies anyone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from backstay.adapters.event_models import Event
from backstay.adapters.plan_file import PlanDocument
from backstay.adapters.record_entries import entries_of
from backstay.adapters.teaching_file import AuthorFile, OpenMove, Said, TeachingDocument, TeachingStep
from backstay.app.event_words import event_words
from backstay.app.loading import LoadedCase
from backstay.app.moments import Course, course_of, open_then, plans_at, situation_at
from backstay.app.plan import DEFAULT_DRAW_COUNT, DEFAULT_SEED
from backstay.app.plan_document import DISCLAIMER, lesion_picture
from backstay.app.progress import Progress
from backstay.app.reviewing import Review, known_of
from backstay.core.record.entries import Entry
from backstay.core.record.setup import Setup
from backstay.core.rigging.devices import OverWireDevice
from backstay.core.rigging.moves import Alternative
from backstay.core.teaching.changes import added_preparations, changes, facts_of
from backstay.core.teaching.decisions import Decision, decisions, went
from backstay.core.teaching.open_moves import DONE_ID, MOST_OFFERED, offered
from backstay.errors import InputError
from backstay.identifiers import EventKind

STOP_ID = "stop"
Names = Mapping[str, str]
Outcome = Literal["reached", "stopped", "did_not_open", "ended"]
_NOT_TOLD = frozenset(
    {EventKind.OPENED, EventKind.SIGNED, EventKind.ADDENDUM, EventKind.FLUSH, EventKind.VIEW}
)
_OLDEST_BY_DECADE_Y = 89
"""Older than this counts as one group [@hipaa164514]."""


@dataclass(frozen=True)
class _Asked:
    """A question before the model has answered it."""

    decision: Decision
    before: Setup
    after: Setup
    device: OverWireDevice
    options: tuple[Alternative, ...]
    done: str


def teach_case(
    case: LoadedCase,
    events: Sequence[Event],
    author: AuthorFile | None = None,
    *,
    most: int = MOST_OFFERED,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> tuple[TeachingDocument, Review]:
    """Make a lesson of a case and its record.

    Parameters
    ----------
    case : LoadedCase
        The case as it began.
    events : sequence of Event
        Its record, as written.
    author : AuthorFile or None
        Title, take-home points, and what to look for in every text.
    most : int
        How many answers a question offers besides what stands, what was done, and stopping.
    seed, draws : int
        Of the model.
    progress : callable, optional
        Called with what is being done and the share done.

    Returns
    -------
    tuple of (TeachingDocument, Review)
        The lesson, every text of it cleaned; and what a person reads before it is handed out.

    Raises
    ------
    InputError
        The record shows no try, or nobody said which names to look for in a case that is not invented.
    """
    review = Review(known_of(author, invented=case.invented, where=str(case.file)))
    course = course_of(case, entries_of(events))
    names = {device.id: device.name for device in case.shelf.devices.values()}
    found = decisions(course.entries)
    if not found:
        raise InputError(
            "the record shows no device tried: nothing to ask about",
            field="events",
            allowed="at least one attempt, stent or balloon that did not open",
            where=str(case.file),
        )
    asked = [_ask(course, decision, most) for decision in found]
    plans = plans_at(case, [one.options for one in asked], seed=seed, draws=draws, progress=progress)
    lasts = [None, *(one.decision for one in asked)]
    steps = [
        _step(course, k, one, last, plan, names)
        for k, (one, last, plan) in enumerate(zip(asked, lasts[:-1], plans, strict=True), 1)
    ]
    document = _document(course, steps, author, names)
    return TeachingDocument.model_validate(_cleaned(document, review)), review


# Questions


def _ask(course: Course, decision: Decision, most: int) -> _Asked:
    """Return a question: what stood, what was open then, what was done."""
    case, entries = course.case, course.entries
    before = course.setup(decision.after)
    tried_before = entries[decision.after - 1] if decision.after else None
    following = None if decision.tried is None else entries[decision.tried]
    pushed_next = case.device if following is None else _pushed(course, following)
    pushed = (
        _pushed(course, tried_before)
        if tried_before is not None and tried_before.kind is EventKind.ATTEMPT
        else pushed_next
    )
    options = open_then(case, before, pushed)
    if following is None or decision.tried is None:
        return _Asked(decision, before, before, pushed, offered(options, None, most=most), "stop here")
    after = course.setup(decision.tried + (following.kind is EventKind.INFLATION))
    named = course.named.get(following.id)
    if named is not None:
        after = Setup(named.rig, named.lesions, after.left_out)
    between = entries[decision.after : decision.tried + 1]
    kinds, words = changes(before, pushed, after, pushed_next, prepared_with=_prepared_with(course, between))
    facts = facts_of(kinds, added_preparations(before, after))
    done = situation_at(case, before, pushed).alternative(
        DONE_ID, words, kinds, facts, rig=after.rig, device=pushed_next, lesions=after.lesions
    )
    return _Asked(decision, before, after, pushed, offered(options, done, most=most), words)


def _pushed(course: Course, entry: Entry) -> OverWireDevice:
    """Return the device a try was made for: a balloon that prepares is tried for the case's own device."""
    return course.case.device if entry.kind is EventKind.INFLATION else course.device(entry)


def _step(
    course: Course, number: int, one: _Asked, last: Decision | None, plan: PlanDocument, names: Names
) -> TeachingStep:
    entries, decision = course.entries, one.decision
    told_from = 0 if last is None or last.tried is None else last.tried + 1
    following = None if decision.tried is None else entries[decision.tried]
    outcome, words = _outcome(course, following, names)
    shown = [
        OpenMove(id=option.id, words=_words(option), rig=option.id, done=option.id == DONE_ID)
        for option in one.options
    ]
    shown.append(OpenMove(id=STOP_ID, words="Stop here", rig=None, done=following is None))
    upto = len(entries) if decision.tried is None else decision.tried
    return TeachingStep(
        number=number,
        minute=course.minute(entries[max(decision.after - 1, 0)]),
        before=_told(course, told_from, decision.after, names),
        in_place=one.before.rig.describe(),
        device=one.device.name,
        question="What would you do first?" if last is None else "What would you do next?",
        moves=shown,
        done=one.done,
        since=_told(course, decision.after, upto, names),
        outcome=outcome,
        outcome_words=words,
        left_out=list(one.after.left_out),
        lesions_done=[lesion_picture(lesion) for lesion in one.after.lesions],
        plan=plan,
    )


def _prepared_with(course: Course, entries: Sequence[Entry]) -> list[str]:
    """Return the names of what prepared the lesion, as the shelf has them."""
    shelf = course.case.shelf.devices
    used = [
        e.text("device") or e.text("what") or ""
        for e in entries
        if e.kind is EventKind.PREPARED
        or (e.kind is EventKind.INFLATION and e.text("purpose") == "preparation")
    ]
    return [shelf[name].name if name in shelf else name.replace("_", " ") for name in used]


def _words(option: Alternative) -> str:
    words = "push it as things stand" if option.change == "as it is" else option.change
    return words[:1].upper() + words[1:]


def _told(course: Course, start: int, end: int, names: Names) -> list[Said]:
    return [
        Said(minute=course.minute(entry), words=event_words(entry, names))
        for entry in course.entries[start:end]
        if entry.kind not in _NOT_TOLD and entry.text("topic") not in ("teaching", "result")
    ]


def _outcome(course: Course, entry: Entry | None, names: Names) -> tuple[Outcome, str]:
    if entry is None:
        return "ended", "No further try was made."
    words = f"{event_words(entry, names)}."
    if entry.kind is EventKind.INFLATION:
        return "did_not_open", words
    return ("reached" if went(entry) else "stopped"), words


# The document


def _document(
    course: Course, steps: list[TeachingStep], author: AuthorFile | None, names: Names
) -> TeachingDocument:
    case, entries = course.case, course.entries
    written = [] if author is None else list(author.points)
    noted = [e.text("text") or "" for e in entries if e.text("topic") == "teaching"]
    results = [
        event_words(e, names)
        for e in entries
        if e.kind in (EventKind.RESULT, EventKind.COMPLICATION) or e.text("topic") == "result"
    ]
    title = author.title if author is not None and author.title else case.title
    return TeachingDocument(
        schema=1,
        title=title,
        invented=case.invented,
        vessel=case.vessel_name,
        patient=patient_words(case),
        aim=f"{case.device.name}, to lie from {case.target_from_mm:g} to {case.target_to_mm:g} mm",
        steps=steps,
        result=results,
        points=[*written, *(text for text in noted if text)],
        removed=0,
        disclaimer=DISCLAIMER,
    )


def patient_words(case: LoadedCase) -> str:
    """Return who, by decade of age and sex: enough for the lesson."""
    age, sex = case.patient.age_y, case.patient.sex
    who = {"female": "woman", "male": "man", None: "patient"}[sex]
    decade = (
        ""
        if age is None
        else "90 or older"
        if age > _OLDEST_BY_DECADE_Y
        else f"in the {int(age // 10) * 10}s"
    )
    words = " ".join(part for part in (who, decade) if part) if age is not None or sex is not None else ""
    return ", ".join(part for part in (words, *case.patient.conditions) if part)


def _cleaned(document: TeachingDocument, review: Review) -> dict[str, object]:
    """Return the document with every text cleaned; what a person wrote is listed for reading."""
    data = document.model_dump(mode="json", by_alias=True)
    for where, text in _written(document):
        review.text(text, where, free=True)
    counted = len(review.found)
    review.found.clear()
    clean: dict[str, object] = review.tree(data)
    clean["removed"] = max(counted, len(review.found))
    return clean


def _written(document: TeachingDocument) -> list[tuple[str, str]]:
    """Return the texts that a person may have written, by where they stand."""
    found = [("title", document.title), ("vessel", document.vessel), ("patient", document.patient)]
    found += [(f"points#{k}", text) for k, text in enumerate(document.points, 1)]
    found += [(f"result#{k}", text) for k, text in enumerate(document.result, 1)]
    for step in document.steps:
        said = [*step.before, *step.since]
        found += [(f"step {step.number}, minute {one.minute:g}", one.words) for one in said]
    return found
