"""The facts of where a case stands, whatever came last: what is in place, what is used up, what an end leaves behind."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from backstay.core.rules import Value
from backstay.core.safety.body import SUFFICE_ALONE
from backstay.core.safety.heparin import targets_s
from backstay.core.safety.now import Inside, Now
from backstay.core.safety.setting import Setting
from backstay.identifiers import BodyItem, Complication, Drug, StepKind

FactDict = dict[str, Value | None]

NO_EVENT = "none"
_TIPS = ("main_vessel", "large_branch", "small_branch", "looped", "out_of_view")
"""Where a wire's tip can be seen to lie, the worst last."""


_NEEDS_A_WAY = frozenset(
    {
        Complication.DISSECTION,
        Complication.PERFORATION,
        Complication.TAMPONADE,
        Complication.STENT_LOST,
        Complication.BURR_STUCK,
        Complication.DEVICE_STUCK,
        Complication.PART_LOST,
    }
)
"""What is treated over the wire that lies there."""


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
        **standing_facts(now, setting),
        **used_facts(now, now, at_s, setting),
        "step": StepKind.STAND,
        "event": NO_EVENT,
        "moment": "event",
        "moves": frozenset(),
        "new_kerma_notice": (now.air_kerma_mGy or 0.0) >= notice_mGy,
        **(left_behind(now, setting, counted=now.counted) if now.ended else {}),
    }


def standing_facts(now: Now, setting: Setting) -> FactDict:
    """Return what is in place and what is known.

    Parameters
    ----------
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.


    Returns
    -------
    dict
        Facts by name.
    """
    here = [one for one in now.inside if not one.presumed_out]
    kinds = [one.item for one in here]
    wires = [one for one in here if one.item is BodyItem.WIRE]
    rails = [one for one in wires if one.role == "rail"]
    buddies = [one for one in wires if one.role == "buddy"]
    rail = setting.wire(rails[-1].device) if rails else None
    in_vessel = [one.device for one in (*rails, *buddies)]
    return {
        "wires_in_place": float(len(wires)),
        "buddies_in_place": float(len(buddies)),
        "buddy_in_place": bool(buddies),
        "branch_wires_in_place": float(len(wires) - len(rails) - len(buddies)),
        "rail_in_place": bool(rails),
        "wire_stiffness_Nmm2": _stiffest_Nmm2(in_vessel, setting),
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
        "dissection_open": Complication.DISSECTION in now.not_over,
        "dissection_known": now.dissection or any(x.dissected for x in setting.lesions),
        "perforation_known": now.perforation,
        "way_needed": not now.not_over.isdisjoint(_NEEDS_A_WAY),
        "leak_known": now.bleeds,
        "tamponade_known": Complication.TAMPONADE in now.unsettled,
        "burr_is_stuck": Complication.BURR_STUCK in now.not_over,
        "not_over": frozenset(one.value for one in now.not_over),
        "heparin_reversed": now.reversed,
        "lesion_opened_fully": setting.opened_fully(now),
        "anticoagulated": now.anticoagulated,
        "other_agent_given": not now.drugs.isdisjoint(SUFFICE_ALONE),
        "fondaparinux_alone": Drug.FONDAPARINUX in now.drugs and not now.anticoagulated,
        "equipment_in": any(kind is not BodyItem.STENT for kind in kinds),
        "exchanged_since_flush": now.exchanged,
        "limited_by": now.limited_by,
        "failed_hard_pushes": float(now.hard_failures),
    }


def _stiffest_Nmm2(wires: Sequence[str], setting: Setting) -> float | None:
    """Return the stiffness of the stiffest wire; None while one that is not known could be it, and none known is stiff."""
    found = [wire.core_stiffness_Nmm2 for wire in map(setting.wire, wires) if wire is not None]
    stiffest = max(found, default=None)
    stiff = stiffest is not None and stiffest >= setting.protocol.hazards.stiff_wire_Nmm2
    return stiffest if stiff or len(found) == len(wires) else None


def _worst_tip(wires: Sequence[Inside]) -> str | None:
    """Return where the tip of a wire other than the rail was last seen, the worst of them; a branch's own wire may lie in it."""
    tips = [one.tip for one in wires if one.role != "rail" and not (one.branch and one.tip == "small_branch")]
    return max((tip for tip in tips if tip), key=_TIPS.index, default=None)


def clotting_facts(act_s: float | None, now: Now, setting: Setting) -> FactDict:
    """Return a clotting time and its targets; bivalirudin is given by weight and not by the clotting time.

    Parameters
    ----------
    act_s : float or None
        The value.
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.


    Returns
    -------
    dict
        Facts by name.
    """
    targets = targets_s(setting.protocol.heparin, glycoprotein_inhibitor=inhibitor_given(now, setting))
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


def inhibitor_given(now: Now, setting: Setting) -> bool:
    """Return whether a glycoprotein inhibitor was given, or is to be.

    Parameters
    ----------
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.


    Returns
    -------
    bool
    """
    return setting.agreed.glycoprotein_inhibitor or Drug.GLYCOPROTEIN_INHIBITOR in now.drugs


def used_facts(before: Now, now: Now, at_s: float, setting: Setting) -> FactDict:
    """Return what is used up and how old things are.

    Parameters
    ----------
    before, now : Now
        Where the case stood before the step, and where it stands with it; the same where nothing is done.
    at_s : float
        When.
    setting : Setting
        Devices, vessel, patient, limits, protocol.


    Returns
    -------
    dict
        Facts by name.
    """
    times = [t for t in (before.act_at_s, before.heparin_at_s) if t is not None]
    heparin = Drug.BIVALIRUDIN not in now.drugs
    limit = setting.agreed.contrast_mL
    return {
        **clotting_facts(before.act_s, now, setting),
        "act_age_min": (at_s - max(times)) / 60.0 if times and heparin else None,
        "contrast_mL": now.contrast_mL,
        "contrast_share": now.contrast_mL / limit if limit else None,
        "air_kerma_mGy": now.air_kerma_mGy,
        "kap_Gycm2": now.kap_Gycm2,
        "fluoroscopy_min": now.fluoroscopy_min,
        "skin_mGy": now.skin_mGy,
        "minutes": None if now.started_s is None else (at_s - now.started_s) / 60.0,
        "blocked_s": 0.0 if before.blocked_at_s is None else at_s - before.blocked_at_s,
    }


def left_behind(now: Now, setting: Setting, *, counted: bool) -> FactDict:
    """Return what an end leaves behind.

    Parameters
    ----------
    now : Now
        Where the case stands.
    setting : Setting
        Devices, vessel, patient, limits, protocol.
    counted : bool
        What is in the body was counted, and agreed.


    Returns
    -------
    dict
        Facts by name.
    """
    inside, presumed = now.to_come_out, now.to_be_counted
    return {
        "presumed_out": float(len(presumed)),
        "presumed": _named(presumed, setting),
        "troubles": float(len(now.unsettled)),
        "trouble": frozenset(one.replace("_", " ") for one in now.unsettled),
        "devices_inside": float(len(inside)),
        "still_inside": _named(inside, setting),
        "counted": counted,
    }


def _named(inside: Sequence[Inside], setting: Setting) -> frozenset[str]:
    """Return things by the name on the shelf, what they are where the name does not say it, and how many of each."""
    found = Counter[str]()
    for one in inside:
        device, item = setting.devices.get(one.device), one.item.value.replace("_", " ")
        name = one.device if device is None else device.name
        found[name if item in name.lower() else f"{name} ({item})"] += 1
    return frozenset(name if count == 1 else f"{count} x {name}" for name, count in found.items())


STANDING = frozenset({*standing_facts(Now(), Setting()), "act_s", "act_is_old"})
"""Facts of where a case stands: a hazard that rests on one of them ends where it changes."""
