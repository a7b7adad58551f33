"""Hazards of a plan, of each move that could come next, and of a step that is only thought of."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from backstay.adapters.limits_file import HazardRow
from backstay.app.safety.setting import CaseSafety
from backstay.core.record.entries import Entry
from backstay.core.rigging.moves import Alternative
from backstay.core.rules import Findings, Fired, Value, evaluate, strongest_first
from backstay.core.safety.attention import Moment, along, attended, judged, standing
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import Now
from backstay.core.safety.setting import Setting
from backstay.core.safety.step_facts import plan_facts
from backstay.identifiers import PREPARING, EventKind, Level, MoveId, Preparation
from backstay.sources import all_sources, source


def hazard_row(fired: Fired, setting: Setting) -> HazardRow:
    """Return a hazard as it leaves the program, with whoever set the level it goes by."""
    whose = setting.source_of(fired.rule)
    return HazardRow(
        id=fired.rule.id,
        level=fired.rule.level.value,
        text=fired.text,
        source=whose,
        confirmed=confirmed(whose),
        because={name: words(value) for name, value in fired.facts.items()},
    )


def confirmed(whose: str) -> bool:
    """Return whether a source was read at all: what is from memory was not."""
    return whose not in all_sources() or source(whose).read_as != "memory"


def words(value: Value | None) -> str:
    """Return a fact's value in words."""
    if value is None:
        return "not known"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    return ", ".join(sorted(value)) if isinstance(value, frozenset) else str(value).replace("_", " ")


def plan_findings(safety: CaseSafety) -> Findings:
    """Return what the hazards say of a plan before anything is done."""
    case = safety.case
    facts = plan_facts(safety.now, safety.setting, device=case.device, to_mm=case.target_to_mm)
    return evaluate(HAZARDS, facts)


def current(safety: CaseSafety) -> tuple[tuple[Fired, ...], tuple[Fired, ...]]:
    """Return the hazards to show now and those that wait.

    Before the first step they are the plan's; afterwards those of the last step, and of where the case stands:
    what is past a level stays past it whatever is done next, and so does what a dose report puts past it.
    """
    if not safety.recorded and not safety.reports:
        return attended(plan_findings(safety).fired)
    stand = standing(safety.now, safety.setting)
    if not safety.recorded:
        both = strongest_first([*plan_findings(safety).fired, *stand])
        return attended(both)
    known = {one.rule.id for one in stand}
    of_step = [one for one in moments(safety)[-1].shown if one.rule.id not in known]
    waits = [one for one in moments(safety)[-1].suppressed if one.rule.id not in known]
    urgent = [
        one for one in stand if one.rule.level is Level.BLOCK
    ]  # before what the step itself must not be
    rest = [one for one in stand if one.rule.level is not Level.BLOCK]
    shown, more = attended(strongest_first([*urgent, *of_step, *rest]))
    return shown, (*more, *waits)


def moments(safety: CaseSafety) -> tuple[Moment, ...]:
    """Return what the hazards say along the record."""
    return along(safety.entries, safety.setting, start=safety.start)


def judge_step(safety: CaseSafety, step: Entry) -> tuple[HazardRow, ...]:
    """Return the hazards of a step that is only thought of.

    Parameters
    ----------
    safety : CaseSafety
        Where the case stands.
    step : Entry
        The step, as the event it would be.
    """
    return tuple(hazard_row(one, safety.setting) for one in judged(safety.now, step, safety.setting))


def move_hazards(safety: CaseSafety, option: Alternative) -> tuple[HazardRow, ...]:
    """Return the hazards of a move: of each step it takes, and of the push that follows.

    Parameters
    ----------
    safety : CaseSafety
        Where the case stands.
    option : Alternative
        What could be tried.
    """
    now, found = safety.now, dict[str, Fired]()
    # Before the first entry nobody has logged heparin yet; the time-out sheet asks for it.
    planned = not safety.recorded
    for step in steps_of(option, safety):
        for one in judged(now, step, safety.setting):
            if not (planned and one.rule.id == "no_anticoagulation"):
                found.setdefault(one.rule.id, one)
        now = safety.setting.then(now, step)
    return tuple(hazard_row(one, safety.setting) for one in strongest_first(found.values()))


def steps_of(option: Alternative, safety: CaseSafety) -> list[Entry]:
    """Return the steps a move is made of, as the events they would be, the push last."""
    at_s = safety.now.last_s or 0.0
    made: list[tuple[EventKind, dict[str, Any]]] = []
    for move in option.moves:
        made += _steps(move, option, safety.now)
    if not PREPARING.intersection(option.moves):  # a look comes before the push
        made.append((EventKind.ATTEMPT, {"device": option.device.id, "outcome": "reached"}))
    moves = {"moves": [move.value for move in option.moves]}
    return [
        Entry(f"step{k}", kind, at_s, "operator", values={**moves, **values})
        for k, (kind, values) in enumerate(made)
    ]


def _steps(move: MoveId, option: Alternative, now: Now) -> Sequence[tuple[EventKind, dict[str, Any]]]:
    rig = option.rig
    if move is MoveId.EXTENSION and rig.extension is not None:
        return [(EventKind.EXTENSION, {"device": rig.extension.id, "depth_mm": rig.extension_depth_mm})]
    if move is MoveId.SEAT_DEEPER:
        return [(EventKind.GUIDE_IN, {"device": rig.guide.id, "seat_mm": rig.seat_mm})]
    if move is MoveId.STIFFER_RAIL:
        rails = [(EventKind.WIRE_OUT, {"device": one.device}) for one in now.wires("rail")]
        return [*rails, (EventKind.WIRE_IN, {"device": rig.rail.id, "role": "rail"})]
    if move in (MoveId.BUDDY_WIRE, MoveId.SECOND_BUDDY_WIRE) and rig.buddies:
        return [(EventKind.WIRE_IN, {"device": rig.buddies[-1].id, "role": "buddy"})]
    if move is MoveId.SIDE_BRANCH_ANCHOR and rig.anchor is not None:
        a = rig.anchor
        said = {
            "device": a.balloon.id,
            "purpose": "anchor",
            "branch": a.branch,
            "pressure_atm": a.pressure_atm,
        }
        return [
            (EventKind.INFLATION, {**said, "from_mm": a.at_mm, "to_mm": a.at_mm + 1.0, "duration_s": 60.0})
        ]
    if move is MoveId.TRAPPED_WIRE and rig.trapped is not None:
        t = rig.trapped
        return [
            (EventKind.STENT, {"device": "", "from_mm": t.from_mm, "to_mm": t.to_mm, "traps": [t.wire.id]})
        ]
    if move is MoveId.OTHER_GUIDE:
        return [(EventKind.GUIDE_OUT, {"wanted": True}), (EventKind.GUIDE_IN, {"device": rig.guide.id})]
    if move in PREPARING:
        return _preparations(option)
    return []


def _preparations(option: Alternative) -> list[tuple[EventKind, dict[str, Any]]]:
    """Return what a move adds to the lesions' preparation, as it may be told from a case: the last of each."""
    last = [(x, x.prepared[-1]) for x in option.lesions if x.prepared]
    return [
        (EventKind.PREPARED, {"what": what.value, "from_mm": x.from_mm, "to_mm": x.to_mm})
        for x, what in last
        if what in (Preparation.ATHERECTOMY, Preparation.SCORING, Preparation.LITHOTRIPSY)
    ]
