"""The facts of one step, logged or only thought of: where the case stands, and what the step does to it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence

from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Balloon, Burr, Guide, OverWireDevice, Stent
from backstay.core.rules import Value
from backstay.core.safety.body import SUFFICE_ALONE
from backstay.core.safety.heparin import heparin_dose_U_per_kg, targets_s
from backstay.core.safety.now import Inside, Now
from backstay.core.safety.radiation import notices_passed
from backstay.core.safety.setting import Setting
from backstay.identifiers import BodyItem, Complication, DeviceKind, Drug, EventKind, Preparation, StepKind

FactDict = dict[str, Value | None]

_TIP_mm = 10.0
"""The last stretch of a wire before its soft section begins to stiffen, as in its profile."""
_AT_EDGE_mm = 2.0
"""From here on a tip counts as meeting an edge; judgement, no source."""
_NO_EVENT = "none"
_TIPS = ("main_vessel", "large_branch", "small_branch", "looped", "out_of_view")
"""Where a wire's tip can be seen to lie, the worst last."""
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
    facts.update(_standing(before, setting))
    facts.update(_used(before, then, entry.at_s, setting))
    facts["new_kerma_notice"] = (
        _passes_notice(before, then, setting) if entry.kind is EventKind.DOSE else None
    )
    facts["step"] = _STEPS.get(entry.kind, StepKind.REPORT)
    facts["event"] = entry.kind
    facts["moves"] = frozenset(str(move) for move in entry.values.get("moves") or ())
    facts["moment"] = "end" if entry.kind is EventKind.END else "event"
    facts.update(_OF.get(entry.kind, _nothing)(before, entry, setting))
    return facts


def stand_facts(now: Now, setting: Setting) -> FactDict:
    """Return the facts by which what runs down or is overdue is judged where a case stands, whatever came last.

    Parameters
    ----------
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.

    Returns
    -------
    dict
        Facts by name; what belongs to a step is unknown.
    """
    at_s = now.last_s if now.last_s is not None else 0.0
    notice_mGy = setting.protocol.radiation.first_notice_mGy
    return {
        **setting.fixed,
        **_standing(now, setting),
        **_used(now, now, at_s, setting),
        "step": StepKind.STAND,
        "event": _NO_EVENT,
        "moment": "event",
        "moves": frozenset(),
        "new_kerma_notice": (now.air_kerma_mGy or 0.0) >= notice_mGy,
    }


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
    facts: FactDict = {**setting.fixed, **_standing(now, setting)}
    if Drug.P2Y12_INHIBITOR in now.drugs:
        facts["p2y12_loaded"] = True
    return {
        **facts,
        "step": StepKind.PLAN,
        "event": _NO_EVENT,
        "moment": "plan",
        "guide_size_fr": size,
        "contrast_mL": now.contrast_mL,
        "blocked_s": 0.0,
        "moves": frozenset(),
        "device_kind": None if device is None else device.kind.value,
        **_sizes(device, setting.diameter_beyond_mm(to_mm), None),
    }


def _standing(now: Now, setting: Setting) -> FactDict:
    """Return what is in place and what is known."""
    here = [one for one in now.inside if not one.presumed_out]
    kinds = [one.item for one in here]
    wires = [one for one in here if one.item is BodyItem.WIRE]
    rails = [one for one in wires if one.role == "rail"]
    buddies = [one for one in wires if one.role == "buddy"]
    rail = setting.wire(rails[-1].device) if rails else None
    return {
        "wires_in_place": float(len(wires)),
        "buddies_in_place": float(len(buddies)),
        "buddy_in_place": bool(buddies),
        "branch_wires_in_place": float(len(wires) - len(rails) - len(buddies)),
        "rail_in_place": bool(rails),
        "rail_stiffness_Nmm2": rail.core_stiffness_Nmm2 if rail else None,
        "rail_length_cm": rail.length_cm if rail else None,
        "trapped_in_place": float(kinds.count(BodyItem.TRAPPED_WIRE)),
        "stents_in_place": float(kinds.count(BodyItem.STENT)),
        "extension_in": now.extension_depth_mm is not None,
        "extension_depth_mm": now.extension_depth_mm if now.extension_depth_mm is not None else 0.0,
        "anchor_inflated": BodyItem.ANCHOR_BALLOON in kinds,
        "seat_mm": now.seat_mm,
        "side_holes": now.side_holes,
        "pressure_damped": now.pressure_damped,
        "wire_tip": now.wire_tip,
        "other_wire_tip": _worst_tip(wires),
        "dissection_known": now.dissection or any(x.dissected for x in setting.lesions),
        "perforation_known": now.perforation,
        "leak_known": now.bleeds,
        "tamponade_known": Complication.TAMPONADE in now.unsettled,
        "burr_is_stuck": Complication.BURR_STUCK in now.unsettled,
        "lesion_opened_fully": setting.opened_fully(now),
        "anticoagulated": now.anticoagulated,
        "other_agent_given": not now.drugs.isdisjoint(SUFFICE_ALONE),
        "fondaparinux_alone": Drug.FONDAPARINUX in now.drugs and not now.anticoagulated,
        "equipment_in": any(kind is not BodyItem.STENT for kind in kinds),
        "exchanged_since_flush": now.exchanged,
        "limited_by": now.limited_by,
        "failed_hard_pushes": float(now.hard_failures),
    }


def _worst_tip(wires: Sequence[Inside]) -> str | None:
    """Return where the tip of a wire other than the rail was last seen, the worst of them; a branch's own wire may lie in it."""
    tips = [one.tip for one in wires if one.role != "rail" and not (one.branch and one.tip == "small_branch")]
    return max((tip for tip in tips if tip), key=_TIPS.index, default=None)


def _passes_notice(before: Now, now: Now, setting: Setting) -> bool:
    r = setting.protocol.radiation
    passed = [
        notices_passed(x, first=r.first_notice_mGy, step=r.next_notice_mGy)
        for x in (before.air_kerma_mGy or 0.0, now.air_kerma_mGy or 0.0)
    ]
    return passed[1] > passed[0]


def _clotting(act_s: float | None, now: Now, setting: Setting) -> FactDict:
    """Return a clotting time and its targets; bivalirudin is given by weight and not by the clotting time."""
    targets = targets_s(setting.protocol.heparin, glycoprotein_inhibitor=_inhibitor(now, setting))
    low_s, high_s = min(t.low for t in targets), max(t.high for t in targets)
    highest_low_s = max(t.low for t in targets)
    value = None if Drug.BIVALIRUDIN in now.drugs else act_s
    return {
        "act_s": value,
        "act_low_s": low_s,
        "act_high_s": high_s,
        "act_hangs_on_instrument": None if value is None else low_s <= value < highest_low_s,
        "act_is_old": now.act_is_old,
        "act_doubt_is_new": not any(low_s <= earlier < highest_low_s for earlier in now.acts_s),
    }


def _inhibitor(now: Now, setting: Setting) -> bool:
    return setting.agreed.glycoprotein_inhibitor or Drug.GLYCOPROTEIN_INHIBITOR in now.drugs


def _used(before: Now, now: Now, at_s: float, setting: Setting) -> FactDict:
    """Return what is used up and how old things are, the step counted in."""
    times = [t for t in (before.act_at_s, before.heparin_at_s) if t is not None]
    heparin = Drug.BIVALIRUDIN not in now.drugs
    limit = setting.agreed.contrast_mL
    return {
        **_clotting(before.act_s, now, setting),
        "act_age_min": (at_s - max(times)) / 60.0 if times and heparin else None,
        "contrast_mL": now.contrast_mL,
        "contrast_share": now.contrast_mL / limit if limit else None,
        "air_kerma_mGy": now.air_kerma_mGy,
        "kap_Gycm2": now.kap_Gycm2,
        "fluoroscopy_min": now.fluoroscopy_min,
        "minutes": None if now.started_s is None else (at_s - now.started_s) / 60.0,
        "blocked_s": 0.0 if before.blocked_at_s is None else at_s - before.blocked_at_s,
    }


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
    name, guide = entry.text("device"), entry.text("guide")
    trapped = any(one.device == name for one in before.of(BodyItem.TRAPPED_WIRE))
    free = any(one.device == name for one in before.of(BodyItem.WIRE))
    no_guide = not before.of(BodyItem.GUIDE)
    return {
        "wire_is_trapped": None if trapped and free else trapped,
        "guide_disengaged": True if no_guide else None if guide is None else guide == "disengaged",
    }


def _extension(before: Now, entry: Entry, setting: Setting) -> FactDict:
    depth = entry.number("depth_mm")
    if depth is None:
        return {"step": StepKind.TAKE_OUT_EXTENSION}
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
    return {"wanted": bool(entry.values.get("wanted"))}


def _withdrawal(before: Now, entry: Entry, setting: Setting) -> FactDict:
    name = entry.text("device")
    undeployed = any(one.device == name for one in before.inside if one.item is BodyItem.STENT_ON_BALLOON)
    return {
        "stent_undeployed": undeployed,
        "drawn_into": entry.text("drawn_into"),
        "came_out_whole": bool(entry.values.get("whole", True)),
    }


def _heparin(before: Now, entry: Entry, setting: Setting) -> FactDict:
    weight, dose = setting.patient.weight_kg, entry.number("dose_U")
    allowed = heparin_dose_U_per_kg(glycoprotein_inhibitor=_inhibitor(before, setting))
    tested = before.heparin_at_s is None or (before.act_at_s or 0.0) > before.heparin_at_s
    return {
        "drug": "heparin",
        "heparin_untested": not tested,
        "dose_U_per_kg": dose / weight if weight and dose is not None else None,
        "dose_low_U_per_kg": allowed.low,
        "dose_high_U_per_kg": allowed.high,
    }


def _act(before: Now, entry: Entry, setting: Setting) -> FactDict:
    return _clotting(entry.number("act_s"), before, setting)


def _dose(before: Now, entry: Entry, setting: Setting) -> FactDict:
    return {"kerma_said_mGy": entry.number("air_kerma_mGy")}


def _drug(before: Now, entry: Entry, setting: Setting) -> FactDict:
    return {"drug": entry.text("drug")}


def _complication(before: Now, entry: Entry, setting: Setting) -> FactDict:
    code = entry.text("code")
    return {"complication": None if code is None or entry.values.get("settled") else Complication(code)}


def _named(inside: Sequence[Inside], setting: Setting) -> frozenset[str]:
    """Return things by the name on the shelf, what they are where the name does not say it, and how many of each."""
    found = Counter[str]()
    for one in inside:
        device, item = setting.devices.get(one.device), one.item.value.replace("_", " ")
        name = one.device if device is None else device.name
        found[name if item in name.lower() else f"{name} ({item})"] += 1
    return frozenset(name if count == 1 else f"{count} x {name}" for name, count in found.items())


def _end(before: Now, entry: Entry, setting: Setting) -> FactDict:
    inside, presumed = before.to_come_out, before.to_be_counted
    return {
        "presumed_out": float(len(presumed)),
        "presumed": _named(presumed, setting),
        "troubles": float(len(before.unsettled)),
        "trouble": frozenset(one.replace("_", " ") for one in before.unsettled),
        "devices_inside": float(len(inside)),
        "still_inside": _named(inside, setting),
        "counted": bool(entry.values.get("counted")),
    }


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
    EventKind.DRUG: _drug,
    EventKind.COMPLICATION: _complication,
    EventKind.END: _end,
}
STANDING = frozenset({*_standing(Now(), Setting()), "act_s", "act_is_old"})
"""Facts of where a case stands: a hazard that rests on one of them ends where it changes."""
