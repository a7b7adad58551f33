"""What a teaching case says in words: outcomes, the model's chance beside them, and why the last one went."""

from __future__ import annotations

from backstay.adapters.plan_file import RigResult
from backstay.adapters.teaching_file import TeachingDocument, TeachingStep
from backstay.identifiers import Verdict
from backstay.report.words import VERDICTS, chance_range, number, stop_words

NO_POINTS = "The author of this case wrote no take-home points."
_OUTCOMES = {
    "reached": "It went.",
    "stopped": "It did not go.",
    "did_not_open": "The lesion did not open.",
    "ended": "The case ended here.",
}


def outcome_title(step: TeachingStep) -> str:
    """Return how a step went, in one short sentence."""
    return _OUTCOMES[step.outcome]


def done_rig(step: TeachingStep) -> RigResult | None:
    """Return the model's answer for what was done; None where that was to stop."""
    done = next(move for move in step.moves if move.done)
    return next((rig for rig in step.plan.rigs if rig.id == done.rig), None)


def chance_text(rig: RigResult | None) -> str:
    """Return a chance with its range, in words."""
    if rig is None:
        return "–"
    if rig.fits.verdict is Verdict.NO:
        return VERDICTS[Verdict.NO]
    return f"{rig.chance.words} ({chance_range(rig.chance)})"


def said_rows(doc: TeachingDocument) -> list[list[str]]:
    """Return every decision as a row: what was done, what the model gave it, how it went."""
    rows = []
    for step in doc.steps:
        done = next(move for move in step.moves if move.done)
        rows.append([str(step.number), done.words, chance_text(done_rig(step)), outcome_title(step)])
    return rows


def why_words(doc: TeachingDocument) -> list[str]:
    """Return why the last try went, or did not, as far as the model tells."""
    tried = [step for step in doc.steps if done_rig(step) is not None]
    if not tried:
        return ["Nothing was tried that the model could answer for."]
    step = next((s for s in reversed(tried) if s.outcome == "reached"), None)
    if step is None:
        rig = done_rig(tried[-1])
        return ["Nothing reached its place in this record.", stop_words(rig) if rig is not None else ""]
    rig, here = done_rig(step), step.plan.in_place
    if rig is None or rig.id == here.id:
        return [
            f"It went in decision {step.number} with nothing changed: the model gave that {chance_text(rig)}. "
            "A chance is no promise either way."
        ]
    return [_compared(step, here, rig), _agreement(step, rig)]


def _compared(step: TeachingStep, here: RigResult, rig: RigResult) -> str:
    parts = []
    for words, old, new in (
        ("push needed", here.need_N.p50, rig.need_N.p50),
        ("backup", here.backup_N.p50, rig.backup_N.p50),
    ):
        if old is not None and new is not None:
            way = "up" if new > old * 1.02 else "down" if new < old * 0.98 else "unchanged"
            move = way if way == "unchanged" else f"{way} from {number(old, 2)} to {number(new, 2)} N"
            parts.append(f"{words} {move}")
    said = "; ".join(parts) or "no median push is reached in one of the two"
    return (
        f"In decision {step.number} the model has (medians of the highest push on the way in) {said}. "
        f"Its chance goes from {chance_text(here)} to {chance_text(rig)}."
    )


def _agreement(step: TeachingStep, rig: RigResult) -> str:
    if rig.chance.value >= 0.5:
        return "The model expected it to go, and it went. One case does not show that the model is right."
    return (
        "The model did not expect it to go, and it went: its scale is unvalidated, and one case does not settle "
        "which of its inputs was off."
    )
