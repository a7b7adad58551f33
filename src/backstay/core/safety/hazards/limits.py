"""Hazards of what runs down or is overdue: clotting time, contrast, radiation, time; and drugs that do not go together.

Sources: [@stemi2013; @nsteacs2014; @ctoact; @actsite2024; @gurm2011; @cigarroa1989; @aapm2022; @ncrp168].
"""

from __future__ import annotations

from backstay.core.rules import (
    COMMON_PRACTICE,
    Level,
    Rule,
    above,
    all_of,
    any_of,
    below,
    is_false,
    is_one_of,
    is_true,
    not_,
    unless_sure,
)
from backstay.identifiers import Drug, EventKind, StepKind

_STAND = is_one_of("step", StepKind.STAND)
"""Not of a step: where the case stands."""
_DOSE = any_of(_STAND, all_of(is_one_of("step", StepKind.REPORT), is_one_of("event", EventKind.DOSE)))
_NOTICE = all_of(is_one_of("step", StepKind.REPORT, StepKind.STAND), is_true("new_kerma_notice"))
_INJECTED = is_one_of("step", StepKind.INJECT, StepKind.STAND)
_IN_THE_VESSEL = is_one_of(
    "step",
    StepKind.PLACE_WIRE,
    StepKind.EXTEND,
    StepKind.PUSH,
    StepKind.INFLATE,
    StepKind.OPEN_STENT,
    StepKind.RUN_BURR,
)
_CLOTTING = any_of(_IN_THE_VESSEL, all_of(_STAND, is_true("equipment_in")))
_LOW_MATTERS = all_of(
    any_of(_IN_THE_VESSEL, _STAND, is_one_of("event", EventKind.ACT)), is_true("equipment_in")
)
_VALUE_READ = any_of(
    is_one_of("event", EventKind.ACT, EventKind.HEPARIN), all_of(_STAND, is_true("equipment_in"))
)
"""Too long a time changes what heparin is given next, and no other step."""
_NOT_BLEEDING = not_(is_true("leak_known"))
"""While blood leaks out, nothing asks for more anticoagulation."""
_GIVES_HEPARIN = all_of(is_one_of("step", StepKind.GIVE), is_one_of("drug", "heparin"))

LIMITS = (
    Rule(
        id="no_anticoagulation",
        when=all_of(
            _IN_THE_VESSEL,
            unless_sure(is_true("anticoagulated")),
            not_(is_true("fondaparinux_alone")),
            _NOT_BLEEDING,
        ),
        say="no heparin, bivalirudin or enoxaparin is recorded, and something is in or goes into the vessel",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="fondaparinux_alone",
        when=all_of(_IN_THE_VESSEL, is_true("fondaparinux_alone"), _NOT_BLEEDING),
        say="fondaparinux is never enough alone: heparin 85 U/kg, 60 with a glycoprotein inhibitor",
        level=Level.BLOCK,
        source="nsteacs2014",
    ),
    Rule(
        id="act_overdue",
        when=all_of(_CLOTTING, above("act_age_min", "act_overdue_min")),
        say="the last clotting time or heparin is {act_age_min:.0f} min old: take one",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
        edge="act_overdue_min",
    ),
    Rule(
        id="act_low",
        when=all_of(_LOW_MATTERS, below("act_s", "act_low_s"), is_false("act_is_old"), _NOT_BLEEDING),
        say="clotting time {act_s:.0f} s is below the target from {act_low_s:.0f} s",
        level=Level.PAUSE,
        source="stemi2013",
    ),
    Rule(
        id="act_hangs_on_site",
        when=all_of(is_one_of("event", EventKind.ACT), is_true("act_site_doubt"), is_true("equipment_in")),
        say="{act_s:.0f} s from the guide is about {act_sheath_s:.0f} s at the sheath, another verdict: draw it there",
        level=Level.NOTE,
        source="actsite2024",
    ),
    Rule(
        id="act_before_heparin",
        when=all_of(_CLOTTING, below("act_s", "act_low_s"), is_true("act_is_old"), _NOT_BLEEDING),
        say="clotting time {act_s:.0f} s was below the target and heparin was given since: the next value tells",
        level=Level.NOTE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="act_high",
        when=all_of(_VALUE_READ, above("act_s", "act_high_s")),
        say="clotting time {act_s:.0f} s is above the target up to {act_high_s:.0f} s: no more heparin",
        level=Level.NOTE,
        source="stemi2013",
    ),
    Rule(
        id="act_hangs_on_instrument",
        when=all_of(
            any_of(_STAND, all_of(is_one_of("event", EventKind.ACT), is_true("act_doubt_is_new"))),
            is_true("equipment_in"),
            is_true("act_hangs_on_instrument"),
        ),
        say="{act_s:.0f} s: enough on one family of instruments, too little on the other, and the lab's is not said: settle it",
        level=Level.PAUSE,
        source="stemi2013",
    ),
    Rule(
        id="act_outside_occlusion_range",
        when=all_of(
            _IN_THE_VESSEL, is_true("chronic_occlusion"), any_of(below("act_s", 200.0), above("act_s", 400.0))
        ),
        say="clotting time {act_s:.0f} s: outside 200 to 400 s adverse events doubled in work on occlusions",
        level=Level.PAUSE,
        source="ctoact",
    ),
    Rule(
        id="heparin_above_range",
        when=all_of(_GIVES_HEPARIN, above("dose_U_per_kg", "dose_high_U_per_kg")),
        say="{dose_U_per_kg:.0f} U/kg in one dose is above the range of {dose_low_U_per_kg:.0f} to {dose_high_U_per_kg:.0f}",
        level=Level.PAUSE,
        source="stemi2013",
        ask="the weight is not in the case: is this dose within {dose_low_U_per_kg:.0f} to {dose_high_U_per_kg:.0f} U/kg?",
    ),
    Rule(
        id="heparin_untested",
        when=all_of(_GIVES_HEPARIN, is_true("heparin_untested")),
        say="heparin again, and no clotting time since the last dose: take one first",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="heparin_while_bleeding",
        when=all_of(_GIVES_HEPARIN, is_true("leak_known")),
        say="blood leaks out, by the record not sealed: no more heparin",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="heparin_on_another_agent",
        when=all_of(_GIVES_HEPARIN, is_true("other_agent_given")),
        say="bivalirudin or enoxaparin is on board: is heparin on top of it meant? Two agents bleed more than one",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="another_agent_on_heparin",
        when=all_of(
            is_one_of("step", StepKind.GIVE),
            is_one_of("drug", Drug.BIVALIRUDIN, Drug.ENOXAPARIN),
            is_true("heparin_acts"),
        ),
        say="heparin was given: is {drug} on top of it meant? Two agents bleed more than one",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="agent_above_dose",
        when=all_of(
            is_one_of("step", StepKind.GIVE), above("dose_mg_per_kg", "dose_most_mg_per_kg", times=1.05)
        ),
        say="{dose_mg_per_kg:.2f} mg/kg of {drug} at once is above the usual {dose_most_mg_per_kg:.2f}: is the number right?",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="protamine_with_equipment_in",
        when=any_of(
            all_of(
                is_one_of("step", StepKind.GIVE),
                is_one_of("drug", Drug.PROTAMINE),
                unless_sure(is_false("equipment_in")),
            ),
            all_of(_STAND, is_true("heparin_reversed"), is_true("equipment_in")),
        ),
        say="protamine never while guide, wire or balloon is in: it clots on them",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="contrast_near_ceiling",
        when=all_of(
            _INJECTED,
            not_(below("contrast_share", "contrast_near_share")),
            not_(above("contrast_mL", "contrast_limit_mL")),
        ),
        say="contrast {contrast_mL:.0f} mL of {contrast_limit_mL:.0f} mL",
        level=Level.NOTE,
        source="gurm2011",
        edge="contrast_limit_mL",
    ),
    Rule(
        id="contrast_past_ceiling",
        when=all_of(_INJECTED, above("contrast_mL", "contrast_limit_mL")),
        say="contrast {contrast_mL:.0f} mL is past the ceiling of {contrast_limit_mL:.0f} mL: stop and decide whether to go on",
        level=Level.PAUSE,
        source="gurm2011",
        edge="contrast_limit_mL",
    ),
    Rule(
        id="contrast_allergy",
        when=all_of(is_one_of("step", StepKind.PLAN, StepKind.INJECT), is_true("contrast_allergy"), not_(above("contrast_mL", 30.0))),
        say="allergy to contrast: was it prepared for?",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="kidney_poor",
        when=all_of(is_one_of("step", StepKind.PLAN), below("egfr", 30.0)),
        say="eGFR {egfr:.0f}: fluids, the least contrast, bivalirudin at the lower rate; agree on the stop",
        level=Level.NOTE,
        source="stemi2013",
    ),
    Rule(
        id="kerma_notice",
        when=all_of(_NOTICE, below("air_kerma_mGy", "substantial_mGy")),
        say="air kerma {air_kerma_mGy:.0f} mGy: notice; move the beam, collimate, fewer frames",
        level=Level.NOTE,
        source="aapm2022",
        edge="kerma_notice_mGy",
    ),
    Rule(
        id="kerma_substantial",
        when=all_of(_NOTICE, not_(below("air_kerma_mGy", "substantial_mGy"))),
        say="air kerma {air_kerma_mGy:.0f} mGy, substantial from {substantial_mGy:.0f}: go on only for good reason, from another angle",
        level=Level.PAUSE,
        source="aapm2022",
        edge="substantial_mGy",
    ),
    Rule(
        id="kerma_past_agreed",
        when=all_of(_DOSE, above("air_kerma_mGy", "kerma_limit_mGy")),
        say="air kerma {air_kerma_mGy:.0f} mGy is past the {kerma_limit_mGy:.0f} agreed for this case: stop and decide",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
        edge="kerma_limit_mGy",
    ),
    Rule(
        id="dose_fell",
        when=all_of(is_one_of("event", EventKind.DOSE), below("kerma_said_mGy", "air_kerma_mGy")),
        say="air kerma {kerma_said_mGy:.0f} mGy is less than the {air_kerma_mGy:.0f} logged, which counts: correct it or log a reset",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="skin_substantial",
        when=all_of(_STAND, not_(below("skin_mGy", "substantial_skin_mGy"))),
        say="peak of the skin about {skin_mGy:.0f} mGy, substantial from {substantial_skin_mGy:.0f}: no more from this angle; follow-up",
        level=Level.PAUSE,
        source="aapm2022",
        edge="substantial_skin_mGy",
    ),
    Rule(
        id="kap_notice",
        when=all_of(
            _DOSE, not_(below("kap_Gycm2", "kap_notice_Gycm2")), below("kap_Gycm2", "substantial_kap_Gycm2")
        ),
        say="{kap_Gycm2:.0f} Gy cm2: past the first notice of {kap_notice_Gycm2:.0f}; collimate, fewer frames",
        level=Level.NOTE,
        source="ncrp168",
        edge="kap_notice_Gycm2",
    ),
    Rule(
        id="fluoroscopy_notice",
        when=all_of(
            _DOSE,
            not_(below("fluoroscopy_min", "fluoroscopy_notice_min")),
            below("fluoroscopy_min", "substantial_fluoroscopy_min"),
        ),
        say="{fluoroscopy_min:.0f} min of fluoroscopy: past the first notice of {fluoroscopy_notice_min:.0f}",
        level=Level.NOTE,
        source="ncrp168",
        edge="fluoroscopy_notice_min",
    ),
    Rule(
        id="kap_substantial",
        when=all_of(_DOSE, not_(below("kap_Gycm2", "substantial_kap_Gycm2"))),
        say="{kap_Gycm2:.0f} Gy cm2: past the substantial level of {substantial_kap_Gycm2:.0f}",
        level=Level.NOTE,
        source="ncrp168",
        edge="substantial_kap_Gycm2",
    ),
    Rule(
        id="fluoroscopy_substantial",
        when=all_of(_DOSE, not_(below("fluoroscopy_min", "substantial_fluoroscopy_min"))),
        say="{fluoroscopy_min:.0f} min of fluoroscopy: past the substantial level of {substantial_fluoroscopy_min:.0f}",
        level=Level.NOTE,
        source="ncrp168",
        edge="substantial_fluoroscopy_min",
    ),
    Rule(
        id="time_past_agreed",
        when=all_of(is_one_of("step", StepKind.PUSH, StepKind.STAND), above("minutes", "minutes_limit")),
        say="{minutes:.0f} min, {minutes_limit:.0f} were agreed: decide whether to go on",
        level=Level.NOTE,
        source=COMMON_PRACTICE,
        edge="minutes_limit",
    ),
    Rule(
        id="no_p2y12_load",
        when=all_of(is_one_of("step", StepKind.PLAN), unless_sure(is_true("p2y12_loaded"))),
        say="no P2Y12 inhibitor is recorded as loaded",
        level=Level.NOTE,
        source=COMMON_PRACTICE,
    ),
)  # fmt: skip
