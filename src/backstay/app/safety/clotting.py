"""Heparin or bivalirudin in a case: doses, the clotting time aimed at, and what its last value says."""

from __future__ import annotations

from dataclasses import replace

from backstay.adapters.limits_file import ActPart, AnticoagulationPart
from backstay.app.safety.setting import CaseSafety
from backstay.core.safety.heparin import (
    TARGETS_s,
    act_target_s,
    bivalirudin_dose,
    enoxaparin_top_up_mg,
    heparin_dose_U,
    heparin_dose_U_per_kg,
    heparin_over_fondaparinux_U,
    read_act,
)
from backstay.identifiers import Drug, Evidence

_SECONDS_PER_MINUTE = 60.0


def anticoagulation(safety: CaseSafety) -> AnticoagulationPart:
    """Return what was given, what to aim at, and what could be done next."""
    now, weight = safety.now, safety.case.patient.weight_kg
    agent = "bivalirudin" if Drug.BIVALIRUDIN in now.drugs else safety.case.anticoagulation.agent
    heparin, inhibitor = agent == "heparin", _inhibitor(safety)
    protocol = safety.setting.protocol
    first, infusion, infusion_note = _doses(safety, heparin=heparin)
    target = act_target_s(protocol.heparin, glycoprotein_inhibitor=inhibitor) if heparin else None
    act = _act(safety) if heparin else None
    return AnticoagulationPart(
        agent="heparin" if heparin else "bivalirudin",
        glycoprotein_inhibitor=inhibitor,
        first_dose=first,
        first_dose_unit="U" if heparin else "mg",
        per_kg=None if weight is not None else _per_kg(safety, heparin=heparin),
        infusion_mg_h=infusion,
        infusion_note=infusion_note,
        target_s=None if target is None else (target.low, target.high),
        target_note=_target_note(safety) if heparin else "",
        instrument=protocol.heparin.instrument,
        interval_source=protocol.whose(
            "heparin.repeat_after_min", "heparin.overdue_after_min", otherwise=Evidence.COMMON_PRACTICE.value
        ),
        given_U=now.heparin_U,
        given_U_per_kg=None if weight is None else now.heparin_U / weight,
        act=act,
        suggestions=_suggestions(safety, act, first) if heparin else [_NOT_GUIDED],
    )


def target_words(target_s: tuple[float, float]) -> str:
    """Return a target in words: one number where only one is left."""
    low, high = target_s
    return f"{low:.0f} s" if low == high else f"{low:.0f} to {high:.0f} s"


_NOT_GUIDED = "the clotting time does not guide the dose; for a stop in the infusion see the local protocol"


def _inhibitor(safety: CaseSafety) -> bool:
    return safety.setting.agreed.glycoprotein_inhibitor or Drug.GLYCOPROTEIN_INHIBITOR in safety.now.drugs


def _doses(safety: CaseSafety, *, heparin: bool) -> tuple[tuple[float, float] | None, float | None, str]:
    """Return the first dose, the infusion, and what makes the infusion what it is."""
    weight, clearance = safety.case.patient.weight_kg, safety.clearance_mL_min
    if weight is None:
        return None, None, ""
    if heparin:
        dose = heparin_dose_U(weight_kg=weight, glycoprotein_inhibitor=_inhibitor(safety))
        return (dose.low, dose.high), None, ""
    drug = bivalirudin_dose(weight_kg=weight, clearance_mL_min=clearance)
    note = ""
    if clearance is None:
        usual = f"{drug.usual_infusion_mg_h:.0f} mg/h if it is 30 mL/min or more"
        note = f"THE CLEARANCE IS NOT KNOWN, so the lower rate; {usual}"
    elif drug.reduced:
        note = f"the lower rate: clearance {clearance:.0f} mL/min"
    return (drug.bolus_mg, drug.bolus_mg), drug.infusion_mg_h, note


def _per_kg(safety: CaseSafety, *, heparin: bool) -> str:
    """Return the first dose by weight in words, for a patient whose weight is not known."""
    if heparin:
        each = heparin_dose_U_per_kg(glycoprotein_inhibitor=_inhibitor(safety))
        return f"{each.low:.0f} to {each.high:.0f} U/kg"
    one = bivalirudin_dose(weight_kg=1.0, clearance_mL_min=safety.clearance_mL_min)
    return f"{one.bolus_mg:.2f} mg/kg, then {one.infusion_mg_h:.2f} mg/kg/h"


def _disputed(safety: CaseSafety) -> bool:
    """Return whether the target hangs on the instrument, and the lab's is not said."""
    return safety.setting.protocol.heparin.instrument == "unknown" and not _inhibitor(safety)


def _target_note(safety: CaseSafety) -> str:
    if not _disputed(safety):
        return ""
    both = ", ".join(f"{t.low:.0f} to {t.high:.0f} s on a {name} one" for name, t in TARGETS_s.items())
    return f"instrument not said, so the stricter edges of both: {both}"


def _act(safety: CaseSafety) -> ActPart | None:
    now = safety.now
    if now.act_s is None or now.act_at_s is None or now.last_s is None:
        return None
    site = {"guide": "guide", "sheath": "sheath", "vein": "vein"}.get(now.act_site or "")
    reading = read_act(
        now.act_s,
        age_min=(now.last_s - now.act_at_s) / _SECONDS_PER_MINUTE,
        site=site,  # type: ignore[arg-type]  # one of the three words, or None
        glycoprotein_inhibitor=_inhibitor(safety),
        protocol=safety.setting.protocol.heparin,
    )
    return ActPart(
        act_s=reading.act_s,
        age_min=reading.age_min,
        verdict=reading.verdict,
        sampled_from=now.act_site,
        sheath_s=reading.sheath_s,
        site_doubt=reading.site_doubt,
        before_heparin=now.act_is_old,
        due_in_min=reading.due_in_min,
        overdue=reading.overdue,
    )


def _suggestions(safety: CaseSafety, act: ActPart | None, first: tuple[float, float] | None) -> list[str]:
    """Return what could be done next about clotting; the operator decides."""
    now, found = safety.now, list[str]()
    if now.bleeds:
        return [
            "blood leaks out, by the record not sealed: no more heparin; protamine only once everything is out"
        ]
    found += _beside(safety)
    if safety.recorded and not now.anticoagulated and not found:
        found.append("heparin was reversed with protamine" if now.reversed else "no heparin is recorded")
    if safety.setting.protocol.heparin.instrument == "unknown":
        found.append("which family of instrument the lab has is not said: name it in the lab's protocol file")
    if act is None:
        return found
    doubt = _family_doubt(safety, act.act_s)
    if act.before_heparin:
        found.append("the value is from before the last heparin: another one tells what that did")
    elif doubt:
        found.append(doubt)
    elif act.verdict == "below":
        room = "" if first is None else f"; given {now.heparin_U:.0f} U, first dose up to {first[1]:.0f} U"
        found.append(f"below target: more heparin by the local protocol, then another value{room}")
    if act.site_doubt:
        found.append(
            "sampled from the guide, which reads about 43 s more than the sheath: the verdict hangs on it"
        )
    if act.overdue or act.due_in_min <= 0.0:
        found.append(f"the value is {act.age_min:.0f} min old: repeat it")
    return found


def _beside(safety: CaseSafety) -> list[str]:
    """Return what other agents on board ask for."""
    now, weight, found = safety.now, safety.case.patient.weight_kg, list[str]()
    if Drug.FONDAPARINUX in now.drugs and not now.anticoagulated:
        inhibitor = _inhibitor(safety)
        each = heparin_over_fondaparinux_U(weight_kg=1.0, glycoprotein_inhibitor=inhibitor)
        dose = "" if weight is None else f"{each * weight:.0f} U, "
        found.append(f"fondaparinux is never enough alone: heparin {dose}{each:.0f} U/kg (nsteacs2014)")
    if Drug.ENOXAPARIN in now.drugs:
        dose = "" if weight is None else f"{enoxaparin_top_up_mg(weight_kg=weight):.0f} mg, "
        found.append(
            f"enoxaparin on board: {dose}0.3 mg/kg more into the vein after fewer than two doses under the skin, or 8 to 12 h "
            "after the last (nsteacs2014); the clotting time does not show what it does"
        )
    return found


def _family_doubt(safety: CaseSafety, act_s: float) -> str:
    """Return what each family of instrument would make of a value, where the lab's is not said and they differ."""
    if not _disputed(safety):
        return ""
    protocol = safety.setting.protocol.heparin
    lower, higher = (
        act_target_s(replace(protocol, instrument=one), glycoprotein_inhibitor=False).verdict(act_s)
        for one in ("lower reading", "higher reading")
    )
    if lower == higher:
        return ""
    return (
        f"the instrument decides: {lower} target on a lower reading one, {higher} on a higher reading one; "
        "settle that before more heparin, and before anything else goes in"
    )
