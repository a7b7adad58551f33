"""Hazards along a record, and which of them are shown: at most two at once, and never the same one over and over."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Set
from dataclasses import dataclass

from backstay.core.record.entries import Entry
from backstay.core.rules import Facts, Fired, Level, Rule, Value, firing, possible
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import Now
from backstay.core.safety.setting import Setting
from backstay.core.safety.stand_facts import STANDING, stand_facts
from backstay.core.safety.step_facts import step_facts
from backstay.identifiers import EventKind, StepKind

MOST_AT_ONCE = 2
QUIET_s = 600.0
"""A note or pause that was shown is not shown again for so long, unless it ended or has another cause; judgement, no source.
What blocks is not kept quiet."""
_NEW_EACH_TIME = frozenset(
    {EventKind.HEPARIN, EventKind.DRUG, EventKind.COMPLICATION, EventKind.DEVICE_OUT, EventKind.END}
)
"""Steps that are something new however soon they follow: a second dose, another thing that went wrong."""
_NEVER_QUIET = frozenset({"kerma_notice", "kerma_substantial", "dose_fell"})
"""Each tells of a level passed just now."""
_RUNS_ON = frozenset(
    {
        *("step", "event", "act_age_min", "contrast_mL", "contrast_share", "air_kerma_mGy"),
        *("kap_Gycm2", "fluoroscopy_min", "skin_mGy", "minutes", "blocked_s"),
    }
)
"""Facts that change from step to step of themselves: no new cause."""


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
    facts = step_facts(before, setting.then(before, entry), entry, setting)
    return firing(_BY_STEP[StepKind(str(facts["step"]))], facts)


# Most hazards speak of one kind of step only; the rest of them need not be asked at the others.
_BY_STEP: dict[StepKind, tuple[Rule, ...]] = {kind: possible(HAZARDS, {"step": kind}) for kind in StepKind}


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
    fired: Iterable[Fired], *, quiet: Set[str] = frozenset()
) -> tuple[tuple[Fired, ...], tuple[Fired, ...]]:
    """Return which hazards are shown now and which are kept back.

    Parameters
    ----------
    fired : iterable of Fired
        What applies, strongest first.
    quiet : set of str
        Ids of those that were said not long ago.

    Returns
    -------
    tuple of (tuple of Fired, tuple of Fired)
        Shown, at most two; and suppressed, which a screen names by their number.
    """
    shown: list[Fired] = []
    kept: list[Fired] = []
    for one in fired:
        (kept if one.rule.id in quiet or len(shown) == MOST_AT_ONCE else shown).append(one)
    return tuple(shown), tuple(kept)


class _SaidLately:
    """What was said when, and for what cause."""

    def __init__(self) -> None:
        self._said: dict[str, tuple[float, Mapping[str, Value | None]]] = {}

    def forget_ended(self, facts: Facts) -> None:
        """Forget what rested on something that is not so any more."""
        ended = [
            name
            for name, (_, cause) in self._said.items()
            if any(fact in STANDING and facts.get(fact) != value for fact, value in cause.items())
        ]
        for name in ended:
            del self._said[name]

    def quiet(self, fired: Iterable[Fired], at_s: float) -> Set[str]:
        """Return which of the hazards were said within ten minutes for the same cause."""
        return {one.rule.id for one in fired if self._is_known(one, at_s)}

    def _is_known(self, one: Fired, at_s: float) -> bool:
        if one.rule.level is Level.BLOCK or one.rule.id in _NEVER_QUIET or one.rule.id not in self._said:
            return False
        said_s, cause = self._said[one.rule.id]
        return at_s - said_s < QUIET_s and _cause(one) == cause

    def note(self, shown: Iterable[Fired], at_s: float) -> None:
        """Remember what was shown."""
        self._said.update({one.rule.id: (at_s, _cause(one)) for one in shown})


def _cause(one: Fired) -> dict[str, Value | None]:
    return {name: value for name, value in one.facts.items() if name not in _RUNS_ON}


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
    now, said, found = start or Now(), _SaidLately(), list[Moment]()
    for entry in entries:
        then = setting.then(now, entry)
        facts = step_facts(now, then, entry, setting)
        fired = firing(_BY_STEP[StepKind(str(facts["step"]))], facts)
        said.forget_ended(facts)
        quiet = frozenset[str]() if entry.kind in _NEW_EACH_TIME else said.quiet(fired, entry.at_s)
        shown, kept = attended(fired, quiet=quiet)
        said.note(shown, entry.at_s)
        found.append(Moment(entry, shown, kept))
        now = then
    return tuple(found)
