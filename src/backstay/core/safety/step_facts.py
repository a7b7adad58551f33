"""The facts of one step, logged or only thought of: where the case stands, and what the step does to it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Balloon, Burr, Guide, OverWireDevice, Stent
from backstay.core.safety.heparin import MOST_mg_PER_kg, heparin_dose_U_per_kg, read_act
from backstay.core.safety.now import Inside, Now
from backstay.core.safety.radiation import notices_passed
from backstay.core.safety.setting import Setting
from backstay.core.safety.stand_facts import (
    NO_EVENT,
    FactDict,
    clotting_facts,
    inhibitor_given,
    left_behind,
    standing_facts,
    used_facts,
)
from backstay.identifiers import BodyItem, Complication, DeviceKind, Drug, EventKind, Preparation, StepKind

_TIP_mm = 10.0
"""The last stretch of a wire before its soft section begins to stiffen, as in its profile."""
_AT_EDGE_mm = 2.0
"""From here on a tip counts as meeting an edge; judgement, no source."""
_WIRE_TRAPPERS = frozenset({"buddy"})

_STEPS = {
    EventKind.WIRE_IN: StepKind.PLACE_WIRE,
    EventKind.WIRE_OUT: StepKind.TAKE_OUT_WIRE,
    EventKind.GUIDE_IN: StepKind.SEAT,
    EventKind.GUIDE_OUT: StepKind.TAKE_OUT_GUIDE,
    EventKind.INFLATION: StepKind.INFLATE,
    EventKind.DEFLATION: StepKind.LET_DOWN,
    EventKind.STENT: StepKind.OPEN_STENT,
    EventKind.ATTEMPT: StepKind.PUSH,
    EventKind.DEVICE_IN: StepKind.PUSH,
    EventKind.DEVICE_OUT: StepKind.WITHDRAW,
    EventKind.CONTRAST: StepKind.INJECT,
    EventKind.HEPARIN: StepKind.GIVE,
    EventKind.DRUG: StepKind.GIVE,
    EventKind.END: StepKind.END,
}


def step_facts(before: Now, then: Now, entry: Entry, setting: Setting) -> FactDict:
    """Return the facts by which one step is judged, before it is taken.

    Parameters
    ----------
    before, then : Now
        Where the case stands, and where it would stand after the step.
    entry : Entry
        The step, as the event it is or would be.
    setting : Setting
        Devices, vessel, patient, limits, protocol.

    Returns
    -------
    dict
        Facts by name. What is in place is as before the step; what is used up is as after it.
    """
    facts: FactDict = dict(setting.fixed)
    facts.update(standing_facts(before, setting))
    facts.update(used_facts(before, then, entry.at_s, setting))
    facts["new_kerma_notice"] = (
        _passes_notice(before, then, setting) if entry.kind is EventKind.DOSE else None
    )
    facts["step"] = _STEPS.get(entry.kind, StepKind.REPORT)
    facts["event"] = entry.kind
    facts["moves"] = frozenset(str(move) for move in entry.values.get("moves") or ())
    facts["moment"] = "end" if entry.kind is EventKind.END else "event"
    facts.update(_OF.get(entry.kind, _nothing)(before, entry, setting))
    return facts


def plan_facts(
    now: Now, setting: Setting, *, device: OverWireDevice | None = None, to_mm: float | None = None
) -> FactDict:
    """Return the facts by which a plan is judged before anything is done.

    Parameters
    ----------
    now : Now
        What is in place.
    setting : Setting
        Devices, vessel, patient, limits, protocol.
    device : OverWireDevice or None
        What is to be delivered.
    to_mm : float or None
        Where its working section is to end [mm].

    Returns
    -------
    dict
        Facts by name.
    """
    guide = next((setting.devices.get(one.device) for one in now.of(BodyItem.GUIDE)), None)
    size = guide.size_fr if isinstance(guide, Guide) else None
    facts: FactDict = {**setting.fixed, **standing_facts(now, setting)}
    if Drug.P2Y12_INHIBITOR in now.drugs:
        facts["p2y12_loaded"] = True
    return {
        **facts,
        "step": StepKind.PLAN,
        "event": NO_EVENT,
        "moment": "plan",
        "guide_size_fr": size,
        "contrast_mL": now.contrast_mL,
        "blocked_s": 0.0,
        "moves": frozenset(),
        "device_kind": None if device is None else device.kind.value,
        **_sizes(device, setting.diameter_beyond_mm(to_mm), None),
    }


def _passes_notice(before: Now, now: Now, setting: Setting) -> bool:
    r = setting.protocol.radiation
    passed = [
        notices_passed(x, first=r.first_notice_mGy, step=r.next_notice_mGy)
        for x in (before.air_kerma_mGy or 0.0, now.air_kerma_mGy or 0.0)
    ]
    return passed[1] > passed[0]


def _nothing(before: Now, entry: Entry, setting: Setting) -> FactDict:
    return {}


def _sizes(device: object, vessel_mm: float | None, branch_mm: float | None) -> FactDict:
    """Return the sizes of a balloon, stent or burr against vessel and branch."""
    if not isinstance(device, OverWireDevice):
        return {}
    diameter = device.nominal_diameter_mm
    rated = device.rated_burst_atm if isinstance(device, Balloon | Stent) else None
    return {
        "balloon_diameter_mm": diameter,
        "rated_burst_atm": rated,
        "vessel_diameter_mm": vessel_mm,
        "branch_diameter_mm": branch_mm,
        "balloon_to_vessel": diameter / vessel_mm if vessel_mm else None,
        "balloon_to_branch": diameter / branch_mm if branch_mm else None,
    }


def _stretch(before: Now, entry: Entry, setting: Setting) -> FactDict:
    """Return what lies in the stretch of an inflation, a stent or a burr."""
    from_mm, to_mm = entry.number("from_mm"), entry.number("to_mm")
    if from_mm is None or to_mm is None:
        return {}
    stents = [one for one in before.of(BodyItem.STENT) if one.overlaps(from_mm, to_mm)]
    limits = [
        d.expansion_limit_mm for one in stents if isinstance(d := setting.devices.get(one.device), Stent)
    ]
    trapped = before.of(BodyItem.TRAPPED_WIRE)
    depth = before.extension_depth_mm
    return {
        "in_new_stent": bool(stents),
        "stent_limit_mm": min(limits, default=None),
        "over_trapped_wire": any(one.overlaps(from_mm, to_mm) for one in trapped),
        "lesion_in_stretch": any(x.from_mm < to_mm and from_mm < x.to_mm for x in setting.lesions),
        "narrowing_in_stretch": any(from_mm <= at <= to_mm for at in before.narrowings_mm),
        "extension_in_stretch": depth is not None and depth > from_mm,
    }


def _inflation(before: Now, entry: Entry, setting: Setting) -> FactDict:
    branch = entry.text("branch")
    branch_mm = setting.branch_diameter_mm(branch)
    # After the stent a balloon may have the size of its own place: at the near end of a vessel that tapers it is wider.
    size_of = setting.diameter_at_mm if entry.text("purpose") == "after_stent" else setting.diameter_beyond_mm
    vessel_mm = branch_mm if branch else size_of(entry.number("to_mm"))
    return {
        **_stretch(before, entry, setting),
        **_sizes(setting.devices.get(entry.text("device") or ""), vessel_mm, branch_mm),
        "purpose": entry.text("purpose"),
        "pressure_atm": entry.number("pressure_atm"),
        "duration_s": entry.number("duration_s"),
    }


def _stent(before: Now, entry: Entry, setting: Setting) -> FactDict:
    traps = list(entry.values.get("traps") or ())
    beside = [one for one in before.wires(*_WIRE_TRAPPERS) if one.device not in traps]
    wires = [wire for wire in (setting.wire(name) for name in traps) if wire is not None]
    jailed = _jailed(before, entry, setting)
    from_mm, to_mm = entry.number("from_mm"), entry.number("to_mm")
    length = None if from_mm is None or to_mm is None else to_mm - from_mm
    return {
        **_stretch(before, entry, setting),
        **_sizes(setting.devices.get(entry.text("device") or ""), setting.diameter_beyond_mm(to_mm), None),
        "pressure_atm": entry.number("pressure_atm"),
        "duration_s": entry.number("duration_s"),
        "purpose": "stent",
        "device_kind": DeviceKind.STENT.value,
        "branch_wires_under": float(len(jailed)),
        "free_wires_beside": float(len(beside)),
        "wires_to_trap": float(len(traps)),
        "trapped_length_mm": length if traps else None,
        "trapped_soft_mm": min((w.floppy_mm + _TIP_mm for w in wires), default=None),
        "trapped_coating": wires[0].coating if wires else None,
    }


def _jailed(before: Now, entry: Entry, setting: Setting) -> list[Inside]:
    """Return the wires in branches that the stent covers."""
    from_mm, to_mm = entry.number("from_mm"), entry.number("to_mm")
    if from_mm is None or to_mm is None:
        return []
    at_mm = setting.branch_at_mm
    return [w for w in before.wires("branch") if w.branch in at_mm and from_mm <= at_mm[w.branch] <= to_mm]


def _prepared(before: Now, entry: Entry, setting: Setting) -> FactDict:
    burr = entry.text("what") == Preparation.ATHERECTOMY
    device = setting.devices.get(entry.text("device") or "")
    return {
        **_stretch(before, entry, setting),
        **_sizes(device, setting.diameter_beyond_mm(entry.number("to_mm")), None),
        "step": StepKind.RUN_BURR if burr else StepKind.INFLATE,
        "purpose": None if burr else "preparation",
        "run_s": entry.number("longest_run_s"),
    }


def _push(before: Now, entry: Entry, setting: Setting) -> FactDict:
    name = entry.text("device") or ""
    device, what = setting.devices.get(name), entry.text("what")
    kind = device.kind.value if device is not None else what
    target_mm = max((x.to_mm for x in setting.lesions), default=None)
    sizes = _sizes(device, setting.diameter_beyond_mm(target_mm), None) if isinstance(device, Burr) else {}
    stop = entry.number("stopped_at_mm")
    return {
        **sizes,
        "device_kind": kind,
        "imaging_catheter": what == "imaging_catheter",
        "narrowing_in_stretch": any(stop is None or abs(at - stop) <= 10.0 for at in before.narrowings_mm),
        "in_new_stent": _in_new_stent(before, setting),
    }


def _in_new_stent(before: Now, setting: Setting) -> bool:
    """Return whether a stent of this case lies in one of the lesions."""
    stents = before.of(BodyItem.STENT)
    return any(one.overlaps(x.from_mm, x.to_mm) for one in stents for x in setting.lesions)


def _wire_in(before: Now, entry: Entry, setting: Setting) -> FactDict:
    wire = setting.wire(entry.text("device"))
    branch_mm = setting.branch_diameter_mm(entry.text("branch"))
    return {
        "wire_role": entry.text("role"),
        "tip_load_N": wire.tip_load_N if wire else None,
        "branch_diameter_mm": branch_mm,
    }


def _wire_out(before: Now, entry: Entry, setting: Setting) -> FactDict:
    name, guide, role = entry.text("device"), entry.text("guide"), entry.text("role")
    trapped = any(one.device == name for one in before.of(BodyItem.TRAPPED_WIRE))
    free = any(one.device == name for one in before.of(BodyItem.WIRE))
    no_guide = not before.of(BodyItem.GUIDE)
    return {
        "wire_is_trapped": trapped and role == "trapped" if role else None if trapped and free else trapped,
        "was_inside": trapped or free,
        "wire_is_last": [one.device for one in before.wires("rail", "buddy")] == [name],
        "guide_disengaged": True if no_guide else None if guide is None else guide == "disengaged",
    }


def _extension(before: Now, entry: Entry, setting: Setting) -> FactDict:
    depth = entry.number("depth_mm")
    if depth is None:
        return {"step": StepKind.TAKE_OUT_EXTENSION, "was_inside": bool(before.of(BodyItem.EXTENSION))}
    deeper = depth > (before.extension_depth_mm or 0.0)
    meets = deeper and any(_reaches(one, depth) for one in before.of(BodyItem.STENT))
    return {"step": StepKind.EXTEND, "extension_depth_mm": depth, "extension_meets_stent": meets}


def _reaches(stent: Inside, tip_mm: float) -> bool:
    return stent.from_mm is not None and tip_mm >= stent.from_mm - _AT_EDGE_mm


def _guide_in(before: Now, entry: Entry, setting: Setting) -> FactDict:
    seat = entry.number("seat_mm") or 0.0
    holes = entry.values.get("side_holes")
    meets = seat > before.seat_mm and any(_reaches(one, seat) for one in before.of(BodyItem.STENT))
    return {
        "seat_mm": seat,
        "guide_meets_stent": meets,
        "side_holes": holes if isinstance(holes, bool) else before.side_holes,
    }


def _guide_out(before: Now, entry: Entry, setting: Setting) -> FactDict:
    wanted = bool(entry.values.get("wanted"))
    return {
        "wanted": wanted,
        "was_inside": bool(before.of(BodyItem.GUIDE)),
        "wire_is_last": wanted and bool(before.wires("rail", "buddy")),
    }


def _withdrawal(before: Now, entry: Entry, setting: Setting) -> FactDict:
    name = entry.text("device")
    undeployed = any(one.device == name for one in before.inside if one.item is BodyItem.STENT_ON_BALLOON)
    return {
        "was_inside": any(one.device == name and not one.stays for one in before.inside),
        "stent_undeployed": undeployed,
        "drawn_into": entry.text("drawn_into"),
        "came_out_whole": bool(entry.values.get("whole", True)),
    }


def _heparin(before: Now, entry: Entry, setting: Setting) -> FactDict:
    weight, dose = setting.patient.weight_kg, entry.number("dose_U")
    allowed = heparin_dose_U_per_kg(glycoprotein_inhibitor=inhibitor_given(before, setting))
    tested = before.heparin_at_s is None or (before.act_at_s is not None and not before.act_is_old)
    return {
        "drug": "heparin",
        "heparin_untested": not tested,
        "dose_U_per_kg": dose / weight if weight and dose is not None else None,
        "dose_low_U_per_kg": allowed.low,
        "dose_high_U_per_kg": allowed.high,
    }


def _act(before: Now, entry: Entry, setting: Setting) -> FactDict:
    facts = clotting_facts(entry.number("act_s"), before, setting)
    return {**facts, "act_is_old": False, **_at_the_sheath(entry, before, setting)}


def _at_the_sheath(entry: Entry, before: Now, setting: Setting) -> FactDict:
    """Return what a value drawn from the guide would be at the sheath, and whether that is another verdict."""
    act_s = entry.number("act_s")
    if act_s is None or entry.text("sampled_from") != "guide" or Drug.BIVALIRUDIN in before.drugs:
        return {"act_site_doubt": False}
    reading = read_act(
        act_s,
        age_min=0.0,
        site="guide",
        glycoprotein_inhibitor=inhibitor_given(before, setting),
        protocol=setting.protocol.heparin,
    )
    return {
        "act_site_doubt": reading.site_doubt,
        "act_sheath_s": None if reading.sheath_s is None else reading.sheath_s[1],
    }


def _pressure(before: Now, entry: Entry, setting: Setting) -> FactDict:
    damped = entry.values.get("damped")
    known = {} if damped is None else {"pressure_damped": bool(damped)}
    return {**known, "systolic_mmHg": entry.number("systolic_mmHg")}


def _dose(before: Now, entry: Entry, setting: Setting) -> FactDict:
    said, is_reset = entry.number("air_kerma_mGy"), entry.values.get("reset") is True
    counted_from = (before.air_kerma_mGy or 0.0) if is_reset else before.reset_kerma_mGy
    return {"kerma_said_mGy": None if said is None else counted_from + said}


def _drug(before: Now, entry: Entry, setting: Setting) -> FactDict:
    drug, dose, weight = entry.text("drug"), entry.number("dose"), setting.patient.weight_kg
    at_once = dose is not None and entry.text("unit") == "mg" and bool(weight)
    return {
        "drug": drug,
        "heparin_acts": before.heparinised,
        "dose_mg_per_kg": dose / weight if at_once else None,  # type: ignore[operator]  # both are there
        "dose_most_mg_per_kg": MOST_mg_PER_kg.get(drug or ""),
    }


def _complication(before: Now, entry: Entry, setting: Setting) -> FactDict:
    code = entry.text("code")
    return {"complication": None if code is None or entry.values.get("settled") else Complication(code)}


def _end(before: Now, entry: Entry, setting: Setting) -> FactDict:
    return left_behind(before, setting, counted=bool(entry.values.get("counted")))


_OF: Mapping[EventKind, Callable[[Now, Entry, Setting], FactDict]] = {
    EventKind.INFLATION: _inflation,
    EventKind.STENT: _stent,
    EventKind.PREPARED: _prepared,
    EventKind.ATTEMPT: _push,
    EventKind.DEVICE_IN: _push,
    EventKind.WIRE_IN: _wire_in,
    EventKind.WIRE_OUT: _wire_out,
    EventKind.EXTENSION: _extension,
    EventKind.GUIDE_IN: _guide_in,
    EventKind.GUIDE_OUT: _guide_out,
    EventKind.DEVICE_OUT: _withdrawal,
    EventKind.HEPARIN: _heparin,
    EventKind.ACT: _act,
    EventKind.DOSE: _dose,
    EventKind.PRESSURE: _pressure,
    EventKind.DRUG: _drug,
    EventKind.COMPLICATION: _complication,
    EventKind.END: _end,
}
