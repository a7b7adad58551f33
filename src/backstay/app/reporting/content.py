"""The content of a report, from the case and its record alone: no clock, no store."""

from __future__ import annotations

import platform
from datetime import datetime
from importlib import metadata

from backstay.adapters.event_models import OpenedEvent
from backstay.adapters.record_entries import entry_of
from backstay.adapters.report_file import (
    CitedSource,
    ContrastUsed,
    Corrected,
    Fact,
    LeftIn,
    Outcome,
    ReportContent,
    Step,
    Trouble,
)
from backstay.app.event_words import instead_words, plain
from backstay.app.reporting.attempts import attempts
from backstay.app.reporting.findings import findings
from backstay.app.reporting.outcome import outcome
from backstay.app.reporting.told import Told
from backstay.app.reporting.used import clotting, contrast, left_in, not_out, radiation, used
from backstay.core.record.entries import Entry
from backstay.core.record.state import NOT_DONE_IN_THE_ROOM
from backstay.identifiers import BodyItem, Complication, EventKind
from backstay.sources import all_sources

DISCLAIMER = (
    "Made from the record by a planning and teaching aid that is not a medical device and not validated for "
    "clinical decisions. The licensed operator is answerable for the report; the devices' instructions for "
    "use and local protocols come first."
)
CONTENT_SOURCE = "sanborn2014"
_ACCESS = (EventKind.ACCESS, EventKind.GUIDE_IN)


def content(told: Told) -> ReportContent:
    """Return the content of a report."""
    changed = changed_inputs(told)
    opened = _opened(told)
    stated = None if opened is None else told.case.file.name not in changed
    result = outcome(told, stated_beforehand=stated)
    left, gave = left_in(told), contrast(told)
    done = [e for e in told.entries if e.kind not in NOT_DONE_IN_THE_ROOM]
    end = told.of(EventKind.END)
    parts = {
        "title": told.case.title,
        "invented": told.case.invented,
        "vessel": told.case.vessel_name,
        "record": "" if opened is None else opened.record,
        "began": told.at(done[0].at_s) if done else None,
        "ended": told.at(end[-1].at_s) if end else None,
        "minutes": round((done[-1].at_s - done[0].at_s) / 60.0) if done else None,
        "summary": _summary(told, left, gave, result),
        "patient": _patient(told),
        "indication": told.noted("indication"),
        "access": told.said(told.of(*_ACCESS)),
        "findings": findings(told),
        "steps": [_step(told, e, done[0]) for e in done],
        "left_in": left,
        "not_out": not_out(told),
        "counted": told.now.counted if end else None,
        "used": used(told),
        "attempts": attempts(told),
        "plan_note": _plan_note(told),
        "outcome": result,
        "contrast": gave,
        "clotting": clotting(told),
        "radiation": radiation(told),
        "complications": [_trouble(told, e) for e in told.of(EventKind.COMPLICATION)],
        "follow_up": told.noted("plan"),
        "information": _information(told, left),
        "other_notes": told.noted(None),
        "corrections": _corrections(told),
        "cautions": _cautions(told, left, changed),
        "disclaimer": DISCLAIMER,
        "versions": {
            "backstay": metadata.version("backstay"),
            "python": platform.python_version(),
        },
        "inputs": dict(told.inputs),
        "changed_inputs": changed,
    }
    found = ReportContent.model_validate({**parts, "not_recorded": [], "unconfirmed": [], "sources": []})
    cited = _cited(found)
    return found.model_copy(
        update={
            "not_recorded": _not_recorded(found),
            "unconfirmed": _unconfirmed(found, cited),
            "sources": cited,
        }
    )


def _opened(told: Told) -> OpenedEvent | None:
    return next((event for event in told.events if isinstance(event, OpenedEvent)), None)


def changed_inputs(told: Told) -> list[str]:
    """Return the files of the case that are not as they were when the record was opened."""
    opened = _opened(told)
    before = {} if opened is None else opened.inputs
    return [name for name, sha256 in told.inputs.items() if before.get(name, sha256) != sha256]


def _step(told: Told, entry: Entry, first: Entry) -> Step:
    return Step(
        at=told.at(entry.at_s),
        minute=round((entry.at_s - first.at_s) / 60.0),
        kind=entry.kind,
        author_role=entry.author_role,
        words=told.words(entry),
    )


def _trouble(told: Told, entry: Entry) -> Trouble:
    code = entry.text("code")
    return Trouble(
        at=told.at(entry.at_s),
        code=None if code is None else Complication(code),
        text=entry.text("what") or "",
        at_mm=entry.number("at_mm"),
    )


def _corrections(told: Told) -> list[Corrected]:
    """Return what was put right in the record or taken back, in the order written."""
    written = {event.id: event for event in told.events}
    return [
        Corrected(
            at=told.at(written[event.supersedes].at.timestamp()),
            first=told.words(entry_of(written[event.supersedes])),
            instead=instead_words(entry_of(event), told.names, again=event.restores is not None),
            author_role=event.author_role,
        )
        for event in told.events
        if event.supersedes is not None
    ]


def _plan_note(told: Told) -> str:
    if told.plan is None:
        return ""
    return (
        f"held against a plan of this case with {told.plan.draw_count} draws, seed {told.plan.seed}; it is computed "
        "from the case file alone, so that no attempt has gone into it"
    )


# In brief


def _summary(told: Told, left: list[LeftIn], gave: ContrastUsed, result: Outcome) -> list[Fact]:
    stents = [one for one in left if one.item is BodyItem.STENT]
    done = "; ".join(f"{one.name}, {_place(one)}" for one in stents) or "no stent opened"
    wires = [f"{one.name} held behind a stent" for one in left if one.item is BodyItem.TRAPPED_WIRE]
    kerma = told.safety.now.air_kerma_mGy
    trouble = "; ".join(dict.fromkeys(e.text("what") or "" for e in told.of(EventKind.COMPLICATION)))
    return [
        Fact(what="stents", text=done),
        Fact(what="result", text="; ".join(one.text for one in result.measured)),
        Fact(what="complications", text=trouble or "none recorded"),
        *([Fact(what="also left in the body", text="; ".join(wires))] if wires else []),
        Fact(what="contrast", value=gave.used_mL, unit="mL"),
        Fact(what="air kerma", value=None if kerma is None else round(kerma, 1), unit="mGy"),
    ]


def _place(one: LeftIn) -> str:
    return f"{plain(one.from_mm)} to {plain(one.to_mm)} mm"


# The patient


def _patient(told: Told) -> list[Fact]:
    p = told.case.patient
    said = [
        Fact(what="age", value=p.age_y, unit="years"),
        Fact(what="sex", text=p.sex or ""),
        Fact(what="weight", value=p.weight_kg, unit="kg"),
        Fact(what="height", value=p.height_cm, unit="cm"),
        Fact(what="creatinine", value=p.creatinine_mg_dL, unit="mg/dL"),
    ]
    if told.safety.egfr is not None:
        said.append(
            Fact(what="eGFR", value=round(told.safety.egfr), unit="mL/min/1.73 m2", source="inker2021")
        )
    said += [
        Fact(what="haemoglobin", value=p.hemoglobin_g_dL, unit="g/dL"),
        Fact(what="platelets", value=p.platelets_1e9_L, unit="10^9/L"),
        Fact(what="ejection fraction", value=p.lvef_percent, unit="%"),
        Fact(what="conditions", text=", ".join(p.conditions)),
        Fact(what="allergies", text=_listed(p.allergies)),
        Fact(what="P2Y12 inhibitor", text=p.p2y12 or ""),
    ]
    return said


def _listed(words: list[str] | None) -> str:
    return "" if words is None else ", ".join(words) or "none known"


# For the follow-up, and what to beware of


def _information(told: Told, left: list[LeftIn]) -> list[str]:
    found = []
    if any(one.item is BodyItem.STENT for one in left):
        found += [f"two antiplatelet drugs: {row}" for row in told.limits.bleeding.durations]
    past = [row.what for row in told.limits.radiation if row.past_substantial]
    skin = told.limits.skin
    if past:
        found.append(
            f"radiation: past the substantial level ({', '.join(past)}); follow-up by the local protocol"
        )
    if skin is not None and skin.may_be_past_substantial and skin.advice:
        found.append(f"skin: {skin.advice} ({skin.advice_source})")
    return found


def _cautions(told: Told, left: list[LeftIn], changed: list[str]) -> list[str]:
    now, found = told.now, []
    if any(one.item is BodyItem.TRAPPED_WIRE and one.unplanned for one in left):
        found.append(
            "a wire lay where a stent was opened, and nothing says that was meant or that it came out"
        )
    if now.unsettled:
        trouble = ", ".join(sorted(one.replace("_", " ") for one in now.unsettled))
        found.append(f"by the record not over: {trouble}")
    if told.of(EventKind.STENT) and now.opened_fully is not True and not now.prepared:
        found.append("the record does not say that a balloon opened fully in two views before the stent")
    if told.limits.contrast.over_mL > 0.0 and told.of(EventKind.CONTRAST):
        found.append(f"contrast passed its limit by {plain(round(told.limits.contrast.over_mL, 1))} mL")
    if changed:
        found.append(
            f"changed since the record was opened: {', '.join(changed)}; findings and limits are as the files say now"
        )
    return found


# What is missing, and what rests on memory


def _not_recorded(c: ReportContent) -> list[str]:
    absent = {
        "indication": not c.indication,
        "access": not any("access" in said.text for said in c.access),
        "result": not c.outcome.measured,
        "contrast": c.contrast.used_mL is None,
        "heparin": c.clotting.heparin_U is None and not c.clotting.drugs,
        "clotting time": not c.clotting.acts,
        "air kerma": all(row.value is None for row in c.radiation.levels),
        "dose to the skin": c.radiation.skin is None,
        "what the model said before the attempts": any(one.beforehand is None for one in c.attempts),
        "plan for afterwards": not c.follow_up,
        "end of the case": c.ended is None,
        "count at the end": c.counted is not True,
    }
    return [what for what, missing in absent.items() if missing]


def _cited(c: ReportContent) -> list[CitedSource]:
    text = c.model_dump_json()
    keys = [
        key
        for key in all_sources()
        if key == CONTENT_SOURCE or any(mark in text for mark in (f'"{key}"', f"[{key},", f"({key})"))
    ]
    return [
        CitedSource(key=key, citation=all_sources()[key].citation, read_as=all_sources()[key].read_as)
        for key in keys
    ]


def _unconfirmed(c: ReportContent, cited: list[CitedSource]) -> list[str]:
    """Return what in the report rests on a source nobody could read, on judgement or on common practice."""
    found = [f"{row.what}: {row.source}" for row in c.outcome.criteria if not row.confirmed]
    found += [f"{row.what}: {row.source}" for row in c.contrast.ratios if not row.confirmed]
    found += [f"levels of {row.what}: {row.source}" for row in c.radiation.levels if not row.confirmed]
    if c.radiation.skin is not None:
        found.append("dose to the skin: backscatter, tissue and table factors from memory or judgement")
    if any(one.beforehand is not None for one in c.attempts):
        found.append("chances, push needed and backup of the plan: absolute scale unvalidated")
    if any(one.by_chart for one in c.left_in):
        found.append("diameters by chart: the shelf's own tables, not measured in this vessel")
    found += [f"{one.key}: read second-hand" for one in cited if one.read_as == "secondary"]
    return list(dict.fromkeys(found))


def began_at(c: ReportContent) -> datetime | None:
    """Return when the procedure began, None where nothing was recorded as done."""
    return None if c.began is None else datetime.fromisoformat(c.began)
