"""What is long to make of a case beside its plan: guides compared, a lesson. Loaded when first asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from backstay.adapters.export_check import refuse_survivors, survivors_in_page
from backstay.adapters.guides_document import GuidesDocument
from backstay.adapters.teaching_file import author_path, read_author
from backstay.app.guides import compare_guides
from backstay.app.loading import LoadedCase
from backstay.app.mending import recorded
from backstay.app.teaching import teach_case
from backstay.errors import InputError
from backstay.report import guides, teaching_page
from backstay.web.desks import Desks, Extra, Progress
from backstay.web.models import LessonView, MadeView


def guides_view(desks: Desks, case: str) -> MadeView:
    """Return the shelf's guides compared."""
    found = desks.extra(case, "guides", None, compare_guides)
    made = found.made
    html = "".join(guides.sections(made)) if isinstance(made, GuidesDocument) else ""
    return MadeView(ready=made is not None, problem=found.problem, html=html)


@dataclass(frozen=True)
class Lesson:
    """A lesson that holds no identifier, and what must be read of it."""

    page: str
    decisions: int
    removed: int
    to_read: tuple[str, ...]


def lesson_view(desks: Desks, case: str) -> LessonView:
    """Return how far the lesson of a case is made."""
    found = _lesson(desks, case)
    made = found.made if isinstance(found.made, Lesson) else Lesson("", 0, 0, ())
    return LessonView(
        ready=found.made is not None,
        problem=found.problem,
        decisions=made.decisions,
        removed=made.removed,
        to_read=list(made.to_read),
    )


def lesson_page(desks: Desks, case: str) -> str:
    """Return the lesson of a case.

    Raises
    ------
    InputError
        It is not made yet.
    """
    made = _lesson(desks, case).made
    if not isinstance(made, Lesson):
        raise InputError("the lesson is not made yet", field="lesson", allowed="a moment later")
    return made.page


def _lesson(desks: Desks, case: str) -> Extra:
    count = len(desks.entries(case))
    return desks.extra(case, "lesson", count, partial(_make_lesson, draws=desks.draws))


def _make_lesson(case: LoadedCase, progress: Progress, *, draws: int) -> Lesson:
    beside = author_path(case.file)
    written = read_author(beside) if beside.exists() else None
    events = recorded(case.file)
    lesson, read = teach_case(case, events, written, draws=draws, progress=progress)
    page = teaching_page.html(lesson)
    refuse_survivors(survivors_in_page(page, read.known), where="teaching-case.html")
    kept = tuple(f"{where}: {text}" for where, text in read.kept.items())
    return Lesson(page, len(lesson.steps), lesson.removed, kept)
