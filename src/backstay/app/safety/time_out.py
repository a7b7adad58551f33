"""The time-out sheet: one page for the team, from the case file, its limits and, where there is one, a plan."""

from __future__ import annotations

from backstay.adapters.ladder_file import LadderRung
from backstay.adapters.limits_file import HazardRow, LimitsDocument
from backstay.adapters.plan_file import PlanDocument
from backstay.adapters.time_out_file import Line, TimeOutDocument
from backstay.app.safety.clotting import target_words
from backstay.app.safety.hazards import hazard_row, plan_findings
from backstay.app.safety.limits import DISCLAIMER, limits_of
from backstay.app.safety.patient_words import p2y12_loaded
from backstay.app.safety.setting import CaseSafety
from backstay.app.treatment.least import minimum_results
from backstay.core.inference.chance_words import chance_words
from backstay.errors import InputError
from backstay.identifiers import Evidence, Ready, Whose
from backstay.sources import all_sources

_READY = {
    Ready.COVERED_STENT: "covered stent",
    Ready.PERICARDIOCENTESIS_SET: "pericardiocentesis set",
    Ready.SNARE: "snare",
}
_LEVELS = {"block": "STOP", "pause": "PAUSE", "note": "mind"}


def time_out(safety: CaseSafety, plan: PlanDocument | None = None) -> TimeOutDocument:
    """Return the time-out sheet of a case.

    Parameters
    ----------
    safety : CaseSafety
        The case.
    plan : PlanDocument, optional
        A plan of the same case, for the ladder.

    Raises
    ------
    InputError
        The plan is of another case.
    """
    case, table = safety.case, safety.case.time_out
    if plan is not None and (plan.title, plan.vessel) != (case.title, case.vessel_name):
        raise InputError("the plan is of another case", field="--plan", value=plan.title, allowed=case.title)
    limits = limits_of(safety)
    patient, access = _patient(safety, limits), _access(safety)
    stops = _stops(safety, limits)
    ladder, note = _ladder(plan)
    least = minimum_results(case) + ([table.minimum_result] if table.minimum_result else [])
    said = [*patient, *access, *stops, Line(what="least acceptable result", text=" ".join(least))]
    return TimeOutDocument(
        schema=1,
        title=case.title,
        invented=case.invented,
        disclaimer=DISCLAIMER,
        patient=patient,
        access=access,
        plan=table.plan or _plan(safety),
        ladder=ladder,
        ladder_note=note,
        minimum_result=least,
        stops=stops,
        hazards=_hazards(safety, limits),
        kit=table.kit or _kit(safety),
        bail_out_kit=list(table.bail_out_kit),
        ready=_ready(safety),
        missing=[line.what for line in said if not line.text],
    )


def _number(value: float | None, unit: str, digits: int = 0) -> str:
    return "" if value is None else f"{value:.{digits}f} {unit}"


def _patient(safety: CaseSafety, limits: LimitsDocument) -> list[Line]:
    p = safety.case.patient
    who = ", ".join(
        part
        for part in (
            _number(p.age_y, "y"),
            p.sex or "",
            _number(p.weight_kg, "kg"),
            _number(p.height_cm, "cm"),
        )
        if part
    )
    allergies = "" if p.allergies is None else ", ".join(p.allergies) or "none known"
    bleeding = {True: "HIGH", False: "not high", None: "open: not all is known"}[limits.bleeding.high]
    return [
        Line(what="patient", text=who),
        *([Line(what="sex", text="")] if p.sex is None and who else []),
        *([Line(what="age", text="")] if p.age_y is None and who else []),
        Line(what="conditions", text=", ".join(p.conditions)),
        Line(what="allergy", text=allergies),
        Line(what="P2Y12 inhibitor", text=_p2y12(p.p2y12)),
        Line(what="haemoglobin", text=_number(p.hemoglobin_g_dL, "g/dL", 1)),
        Line(what="platelets", text=_number(p.platelets_1e9_L, "10⁹/L")),
        Line(what="eGFR", text=_number(safety.egfr, "mL/min/1.73 m2")),
        Line(what="LVEF", text=_number(p.lvef_percent, "%")),
        Line(what="bleeding risk", text=bleeding),
    ]


def _p2y12(text: str | None) -> str:
    """Return what is said of the inhibitor; that none was loaded stands out, and what nobody knows is a gap."""
    loaded = p2y12_loaded(text)
    return "" if text is None or loaded is None else text if loaded else f"NOT LOADED ({text})"


def _access(safety: CaseSafety) -> list[Line]:
    rig = safety.case.rig
    route = f"{rig.access.route.value.replace('_', ' ')}, {rig.access.sheath_fr:g} Fr sheath"
    return [
        Line(what="access", text=route),
        Line(what="second access", text=safety.case.time_out.second_access or ""),
    ]


def _plan(safety: CaseSafety) -> list[str]:
    """Return the plan as the case file implies it, where the team wrote none."""
    case = safety.case
    return [
        f"{case.vessel_name}: {case.device.name}, from {case.target_from_mm:.0f} to {case.target_to_mm:.0f} mm",
        f"rig: {case.rig.describe()}",
    ]


def _ladder(plan: PlanDocument | None) -> tuple[list[str], str]:
    """Return the rungs of a plan's ladder in words, or why there are none."""
    if plan is None:
        return [], "not computed: backstay plan CASE --json F, then --plan F here"
    ladder = plan.ladder
    if ladder is None:
        return [], "the plan has no ladder"
    rungs = [_rung(rung) for rung in ladder.rungs]
    shut = [_rung(rung) for rung in ladder.not_opened]
    return [*rungs, *shut], ladder.ends if rungs else f"no rung: {ladder.ends}"


def _rung(rung: LadderRung) -> str:
    opens = "" if rung.opens is None else f"opens {chance_words(rung.opens)}"
    lands = "" if rung.chance is None else f"lands {chance_words(rung.chance)}"
    leave = "" if rung.give_up_min is None else f"leave it after {rung.give_up_min:.0f} min"
    shut = f" (where {rung.after} does not open the lesion)" if rung.when == "not_opened" else ""
    return f"{rung.mark}{shut} {rung.change}: {', '.join(part for part in (opens, lands, leave) if part)}"


def _stops(safety: CaseSafety, limits: LimitsDocument) -> list[Line]:
    c, a, case = limits.contrast, limits.anticoagulation, safety.case
    lowest = next((one for one in c.ceilings if one.binds), None)
    whose = "" if lowest is None else _mark(lowest.source, lowest.confirmed)
    if (
        lowest is not None and "clearance" in lowest.what
    ):  # its own source may be less well read than the ceiling's
        whose = whose or _mark(next(q.source for q in limits.kidney if "clearance" in q.what), confirmed=True)
    contrast = "" if c.limit_mL is None else f"{c.limit_mL:.0f} mL ({c.limit_is}){whose}"
    contrast += "; THE KIDNEY IS NOT KNOWN" if contrast and safety.egfr is None else ""
    radiation = safety.setting.protocol.radiation
    kerma = _number(case.limits.air_kerma_mGy, "mGy")
    notice = (
        f"told at {radiation.first_notice_mGy:.0f} mGy, substantial from {radiation.substantial_mGy:.0f} mGy"
    )
    level = limits.radiation[0]
    if Whose.LAB not in (level.source, level.notice_source):
        notice += ", second-hand, unconfirmed"
    elif level.source != level.notice_source:
        second = "notices" if level.source == Whose.LAB else "substantial level"
        notice += f", the {second} second-hand, unconfirmed"
    dose = "" if a.per_kg is None else f"{a.per_kg}: the weight is not known"
    if a.first_dose is not None:
        low, high = a.first_dose
        dose = (
            f"{low:.0f} to {high:.0f} U"
            if a.agent == "heparin"
            else f"{low:.0f} mg, then {a.infusion_mg_h:.0f} mg/h"
        )
        dose += f" ({a.infusion_note})" if a.infusion_note else ""
    target = "" if a.target_s is None else f"; clotting time {target_words(a.target_s)}"
    target += f" ({a.target_note})" if a.target_note else ""
    return [
        Line(what="who calls the stop", text=case.time_out.stop_called_by or ""),
        Line(what="stop at contrast", text=contrast),
        Line(what="stop at air kerma", text=f"{kerma} ({notice})" if kerma else ""),
        Line(what="stop at time", text=_number(case.limits.minutes, "min")),
        Line(what=a.agent, text=f"{dose}{target}" if dose else ""),
    ]


def _hazards(safety: CaseSafety, limits: LimitsDocument) -> list[str]:
    """Return the hazards of the plan, and those of every push."""
    rows = [hazard_row(one, safety.setting) for one in plan_findings(safety).fired]
    known = {row.id for row in rows}
    rows = [*(row for row in limits.every_move if row.id not in known), *rows]
    return [_words(row) for row in rows]


def _words(row: HazardRow) -> str:
    unsourced = row.source == Evidence.COMMON_PRACTICE.value
    mark = f" ({row.source})" if unsourced else _mark(row.source, row.confirmed)
    return f"{_LEVELS[row.level]}: {row.text}{mark}"


def _mark(whose: str, confirmed: bool) -> str:
    """Return the mark of a source that was not read itself."""
    if not confirmed:
        return " (from memory)"
    known = all_sources().get(whose)
    return " (second-hand)" if known is not None and known.read_as == "secondary" else ""


def _kit(safety: CaseSafety) -> list[str]:
    """Return what the plan opens first, where the team wrote no list."""
    rig, device = safety.case.rig, safety.case.device
    named = [rig.guide.name, rig.rail.name, *(wire.name for wire in rig.buddies)]
    named += [rig.extension.name] if rig.extension is not None else []
    return list(dict.fromkeys([*named, device.name]))


def _ready(safety: CaseSafety) -> list[Line]:
    listed = safety.case.time_out.ready
    return [
        Line(what=name, text="" if listed is None else "in the room" if one in listed else "NOT in the room")
        for one, name in _READY.items()
    ]
