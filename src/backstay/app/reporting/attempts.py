"""Attempts, and what the plan had said of the rig they were made with."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.adapters.quantiles import Quantiles
from backstay.adapters.report_file import Attempt, Beforehand, Spread
from backstay.app.event_words import LIMITED_BY
from backstay.app.reporting.told import Told
from backstay.core.record.entries import Entry
from backstay.core.safety.body import Now
from backstay.errors import FileFormatError
from backstay.identifiers import PREPARING, BodyItem, EventKind, MoveId, Verdict

NO_PLAN = "no plan was given (--plan FILE names one)"
NO_RIG = "the plan has no such rig with this device"
FAR_MM = 10.0
"""An extension this far from where the plan had it is another rig; judgement, no source."""


@dataclass(frozen=True)
class _Rig:
    """What lay in the vessel, by names: enough to find the rig of a plan."""

    guide: str | None
    rail: str | None
    buddies: tuple[str, ...]
    extension: str | None
    extension_mm: float | None
    anchored: bool
    trapped: bool


def check_plan(plan: PlanDocument, told_title: str, vessel: str, path_mm: float, *, where: str) -> None:
    """Refuse a plan of another case.

    Raises
    ------
    FileFormatError
        Its title, vessel or path differ.
    """
    for field, found, wanted in (
        ("title", plan.title, told_title),
        ("vessel", plan.vessel, vessel),
        ("path.length_mm", f"{plan.path.length_mm:.3f}", f"{path_mm:.3f}"),
    ):
        if found != wanted:
            raise FileFormatError(
                "a plan of another case, or of this one before it was changed",
                field=field,
                value=found,
                allowed=wanted,
                where=where,
            )


def attempts(told: Told) -> list[Attempt]:
    """Return every attempt that stands, by time."""
    return [_attempt(told, entry) for entry in told.of(EventKind.ATTEMPT)]


def _attempt(told: Told, entry: Entry) -> Attempt:
    device = entry.text("device") or ""
    before, missing = _beforehand(told, entry)
    return Attempt(
        at=told.at(entry.at_s),
        device=device,
        name=told.name(device),
        moves=[MoveId(move) for move in entry.values.get("moves", [])],
        words=told.words(entry),
        reached=entry.text("outcome") == "reached",
        stopped_at_mm=entry.number("stopped_at_mm"),
        beforehand=before,
        beforehand_missing=missing,
    )


def _beforehand(told: Told, entry: Entry) -> tuple[Beforehand | None, str]:
    if told.plan is None:
        return None, NO_PLAN
    tried = _rig_of(told, told.now_before(entry))
    name, again = told.name(entry.text("device") or ""), _prepared_since(told, entry)
    found = [
        rig
        for rig in told.plan.rigs
        if rig.device == name and _same(tried, _rig_in(rig)) and rig.fits.verdict is not Verdict.NO
    ]
    if not found:
        return None, NO_RIG

    def order(rig: RigResult) -> tuple[bool, float]:
        return bool(PREPARING.intersection(rig.moves)) != again, _apart_mm(tried, _rig_in(rig))

    best = min(found, key=order)
    return _said_of(best, tried, prepared=again), ""


def _prepared_since(told: Told, entry: Entry) -> bool:
    """Return whether the lesion was prepared in the record before this attempt."""
    for one in told.entries:
        if one is entry:
            return False
        if one.kind is EventKind.PREPARED or one.text("purpose") == "preparation":
            return True
    return False


def _rig_of(told: Told, now: Now) -> _Rig:
    def name(*items: BodyItem) -> str | None:
        found = now.of(*items)
        return told.name(found[-1].device) if found else None

    rails = now.wires("rail")
    return _Rig(
        guide=name(BodyItem.GUIDE),
        rail=told.name(rails[-1].device) if rails else None,
        buddies=tuple(sorted(told.name(w.device) for w in now.wires("buddy"))),
        extension=name(BodyItem.EXTENSION),
        extension_mm=now.extension_depth_mm,
        anchored=bool(now.of(BodyItem.ANCHOR_BALLOON)),
        trapped=any(not one.unplanned for one in now.of(BodyItem.TRAPPED_WIRE)),
    )


def _rig_in(rig: RigResult) -> _Rig:
    def name(kind: str) -> str | None:
        return next((x.name for x in rig.lying if x.kind == kind), None)

    extension = [x.to_mm for x in rig.lying if x.kind == "extension"]
    return _Rig(
        guide=name("guide"),
        rail=name("wire"),
        buddies=tuple(sorted(x.name for x in rig.lying if x.kind == "buddy")),
        extension=name("extension"),
        extension_mm=extension[0] if extension else None,
        anchored=name("anchor") is not None,
        trapped=name("trapped") is not None,
    )


def _same(tried: _Rig, planned: _Rig) -> bool:
    """Return whether a rig of the plan is the one tried; what the record does not say is not held against it."""
    return (
        tried.guide in (None, planned.guide)
        and tried.rail in (None, planned.rail)
        and tried.buddies == planned.buddies
        and tried.extension == planned.extension
        and _apart_mm(tried, planned) <= FAR_MM
        and (tried.anchored, tried.trapped) == (planned.anchored, planned.trapped)
    )


def _apart_mm(tried: _Rig, planned: _Rig) -> float:
    if tried.extension_mm is None or planned.extension_mm is None:
        return 0.0
    return abs(tried.extension_mm - planned.extension_mm)


def _said_of(rig: RigResult, tried: _Rig, *, prepared: bool) -> Beforehand:
    notes = []
    planned = _rig_in(rig)
    if _apart_mm(tried, planned) > 0.0:
        notes.append(f"the plan has the extension's tip at {planned.extension_mm:g} mm")
    if prepared and not PREPARING.intersection(rig.moves):
        notes.append("the plan has the lesion as it was before it was prepared again")
    limited = max(rig.limited_by, key=lambda kind: rig.limited_by[kind], default=None)
    return Beforehand(
        rig=rig.rig,
        change=rig.change,
        chance=round(rig.chance.value, 2),
        chance_low=round(rig.chance.low, 2),
        chance_high=round(rig.chance.high, 2),
        chance_words=rig.chance.words,
        need_N=_spread(rig.need_N),
        backup_N=_spread(rig.backup_N),
        stops_at_mm=rig.stops_at_mm,
        limited_by="" if limited is None else LIMITED_BY[limited],
        note="; ".join(notes),
    )


def _spread(q: Quantiles) -> Spread:
    return Spread(**{name: None if v is None else round(v, 2) for name, v in q.model_dump().items()})
