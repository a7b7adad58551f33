"""Hazards along a record, and which of them are shown: at most two at once, and never the same one over and over."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from backstay.core.record.entries import Entry
from backstay.core.rules import Fired, Level, Rule, firing, possible
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import Now
from backstay.core.safety.setting import Setting
from backstay.core.safety.step_facts import stand_facts, step_facts
from backstay.identifiers import EventKind, StepKind

MOST_AT_ONCE = 2
QUIET_s = 600.0
"""A note or pause that was shown is not shown again for so long; judgement, no source. What blocks is not kept quiet."""
_NEW_EACH_TIME = frozenset(
    {EventKind.HEPARIN, EventKind.DRUG, EventKind.COMPLICATION, EventKind.DEVICE_OUT, EventKind.END}
)
"""Steps that are something new however soon they follow: a second dose, another thing that went wrong."""
_NEVER_QUIET = frozenset({"kerma_notice", "kerma_substantial", "dose_fell"})
"""Each tells of a level passed just now."""


@dataclass(frozen=True)
class Moment:
    """What the hazards say of one step.

    Attributes
    ----------
    entry : Entry
        The step.
    shown : tuple of Fired
        At most two.
    suppressed : tuple of Fired
        Applied as well: said not long ago, or more than two at once.
    """

    entry: Entry
    shown: tuple[Fired, ...]
    suppressed: tuple[Fired, ...]


def judged(before: Now, entry: Entry, setting: Setting) -> tuple[Fired, ...]:
    """Return every hazard of one step, logged or only thought of.

    Parameters
    ----------
    before : Now
        Where the case stands.
    entry : Entry
        The step.
    setting : Setting
        Devices, vessel, patient, limits, protocol.

    Returns
    -------
    tuple of Fired
        What blocks first.
    """
    return _fired(before, setting.then(before, entry), entry, setting)


# Most hazards speak of one kind of step only; the rest of them need not be asked at the others.
_BY_STEP: dict[StepKind, tuple[Rule, ...]] = {kind: possible(HAZARDS, {"step": kind}) for kind in StepKind}


def _fired(before: Now, then: Now, entry: Entry, setting: Setting) -> tuple[Fired, ...]:
    facts = step_facts(before, then, entry, setting)
    return firing(_BY_STEP[StepKind(str(facts["step"]))], facts)


def standing(now: Now, setting: Setting) -> tuple[Fired, ...]:
    """Return the hazards of where a case stands, whatever the last step was: what is past a level or overdue.

    Parameters
    ----------
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.

    Returns
    -------
    tuple of Fired
        What blocks first.
    """
    return firing(_BY_STEP[StepKind.STAND], stand_facts(now, setting))


def attended(
    fired: Iterable[Fired], *, at_s: float, last_shown_s: dict[str, float]
) -> tuple[tuple[Fired, ...], tuple[Fired, ...]]:
    """Return which hazards are shown now and which are kept back.

    Parameters
    ----------
    fired : iterable of Fired
        What applies, strongest first.
    at_s : float
        Now [s].
    last_shown_s : dict of str to float
        When each hazard was last shown, by id [s].

    Returns
    -------
    tuple of (tuple of Fired, tuple of Fired)
        Shown, at most two; and suppressed, which a screen names by their number.
    """
    shown: list[Fired] = []
    kept: list[Fired] = []
    for one in fired:
        said = one.rule.id in last_shown_s and at_s - last_shown_s[one.rule.id] < QUIET_s
        quiet = said and one.rule.level is not Level.BLOCK and one.rule.id not in _NEVER_QUIET
        (kept if quiet or len(shown) == MOST_AT_ONCE else shown).append(one)
    return tuple(shown), tuple(kept)


def along(entries: Iterable[Entry], setting: Setting, *, start: Now | None = None) -> tuple[Moment, ...]:
    """Return what the hazards say along a record.

    Parameters
    ----------
    entries : iterable of Entry
        What stands, by time.
    setting : Setting
        Devices, vessel, patient, limits, protocol.
    start : Now or None
        What was in place before the record began.

    Returns
    -------
    tuple of Moment
        One for each entry.
    """
    now, shown_s, found = start or Now(), dict[str, float](), list[Moment]()
    for entry in entries:
        then = setting.then(now, entry)
        fired = _fired(now, then, entry, setting)
        said_s = {} if entry.kind in _NEW_EACH_TIME else shown_s
        shown, kept = attended(fired, at_s=entry.at_s, last_shown_s=said_s)
        shown_s.update({one.rule.id: entry.at_s for one in shown})
        found.append(Moment(entry, shown, kept))
        now = then
    return tuple(found)
