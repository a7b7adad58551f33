"""What must be ready, what to do first when something went wrong, and what must not stay behind.

First steps are reminders in the trade's words; they replace no protocol. Sources: [@perforation2016; @noreflow]
[@wirefracture; @airembolism; @stentloss2023; @iturbe2012; @domaradzki2018; @ctoentrapment2024; @covered5f; @tamponadecto; @dissection2023].
"""

from __future__ import annotations

from backstay.core.rules import (
    COMMON_PRACTICE,
    Condition,
    Level,
    Rule,
    above,
    all_of,
    any_of,
    below,
    includes,
    is_false,
    is_one_of,
    is_true,
    not_,
    unless_sure,
)
from backstay.identifiers import Complication, EventKind, StepKind

_PLAN = is_one_of("step", StepKind.PLAN)
_ENDED = is_one_of("step", StepKind.END, StepKind.STAND)
"""At the end, and where a case stands that was ended: only then are there facts of what it leaves behind."""
_RISKY = any_of(is_one_of("lesion_calcium", "severe"), is_true("chronic_occlusion"))


def _went_wrong(*codes: Complication) -> Condition:
    """Return the condition that it is said now, or was and is not said to be over."""
    return any_of(
        all_of(is_one_of("step", StepKind.REPORT), is_one_of("complication", *codes)),
        all_of(is_one_of("step", StepKind.STAND), includes("not_over", *codes)),
    )


RESCUE = (
    Rule(
        id="covered_stent_not_ready",
        when=all_of(_PLAN, _RISKY, unless_sure(is_true("covered_stent_ready"))),
        say="severe calcium or an occlusion is planned: is a covered stent of the vessel's size in the room?",
        level=Level.PAUSE,
        source="perforation2016",
    ),
    Rule(
        id="pericardiocentesis_not_ready",
        when=all_of(_PLAN, _RISKY, unless_sure(is_true("pericardiocentesis_ready"))),
        say="severe calcium or an occlusion is planned: is a pericardiocentesis set in the room?",
        level=Level.PAUSE,
        source="tamponadecto",
    ),
    Rule(
        id="snare_not_ready",
        when=all_of(
            any_of(
                includes("moves", "trapped_wire", "side_branch_anchor"),
                all_of(is_one_of("step", StepKind.OPEN_STENT), above("wires_to_trap", 0)),
            ),
            unless_sure(is_true("snare_ready")),
        ),
        say="a wire is to be trapped or a branch anchored: is a snare in the room?",
        level=Level.NOTE,
        source="ctoentrapment2024",
    ),
    Rule(
        id="covered_stent_through_small_guide",
        when=all_of(_PLAN, not_(above("guide_size_fr", 5.0)), _RISKY),
        say="a covered stent through {guide_size_fr:.0f} Fr is reported once only",
        level=Level.NOTE,
        source="covered5f",
    ),
    Rule(
        id="dissection",
        when=_went_wrong(Complication.DISSECTION),
        say="dissection: keep the wire where it is, inject little, no atherectomy; cover it if flow is threatened",
        level=Level.PAUSE,
        source="dissection2023",
    ),
    Rule(
        id="perforation",
        when=_went_wrong(Complication.PERFORATION),
        say="perforation, not sealed by the record: a balloon for 5 to 10 min now; echo; covered stent or coils; no reversal while "
        "equipment is in",
        level=Level.BLOCK,
        source="perforation2016",
    ),
    Rule(
        id="tamponade",
        when=_went_wrong(Complication.TAMPONADE),
        say="tamponade, not drained by the record: drain now; keep the leak sealed; surgeon informed",
        level=Level.BLOCK,
        source="tamponadecto",
    ),
    Rule(
        id="slow_flow",
        when=_went_wrong(Complication.SLOW_FLOW),
        say="slow flow: pressure first; rule out dissection, clot, air; vasodilator through a microcatheter by the local protocol",
        level=Level.PAUSE,
        source="noreflow",
    ),
    Rule(
        id="air_embolism",
        when=_went_wrong(Complication.AIR_EMBOLISM),
        say="air: aspirate or flush with force, 100 % oxygen, support the pressure",
        level=Level.BLOCK,
        source="airembolism",
    ),
    Rule(
        id="stent_lost",
        when=_went_wrong(Complication.STENT_LOST),
        say="stent off its balloon: keep the wire in it; a small balloon through it, a snare, or open or crush it where it is",
        level=Level.PAUSE,
        source="stentloss2023",
    ),
    Rule(
        id="stuck",
        when=_went_wrong(Complication.DEVICE_STUCK, Complication.WIRE_STUCK),
        say="stuck: stop pulling (3 of 4 trapped devices went to surgery); a balloon beside it, an extension over it",
        level=Level.BLOCK,
        source="iturbe2012",
    ),
    Rule(
        id="wire_broken",
        when=_went_wrong(Complication.WIRE_BROKEN),
        say="broken wire: leave what holds the rest; of 67 reported 43 % went to surgery, 42 % were snared, 15 % left in place",
        level=Level.PAUSE,
        source="wirefracture",
    ),
    Rule(
        id="stent_deformed",
        when=_went_wrong(Complication.STENT_DEFORMED),
        say="deformed stent: keep the wire inside it, look with imaging, open it again before anything else passes",
        level=Level.PAUSE,
        source="deformation2012",
    ),
    Rule(
        id="wire_position_lost",
        when=_went_wrong(Complication.WIRE_POSITION_LOST),
        say="the wire's place is lost: no push; re-cross with a soft wire, and in a dissection only in the true lumen",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="clot",
        when=_went_wrong(Complication.THROMBUS),
        say="clot: a clotting time now, heparin by it; aspirate, or an inhibitor by the local protocol; push nothing through it",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="branch_lost",
        when=_went_wrong(Complication.BRANCH_LOST),
        say="branch lost: leave any wire that lies in it; flow, pressure, ECG; re-cross and open it if it is large or the patient suffers",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="ischaemia",
        when=_went_wrong(Complication.ISCHAEMIA),
        say="ischaemia: let down and draw back what blocks the flow; support the pressure; look for dissection, clot, air, a lost branch",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="pressure_low",
        when=all_of(is_one_of("event", EventKind.PRESSURE), below("systolic_mmHg", 90.0)),
        say="systolic {systolic_mmHg:.0f} mmHg: damping, bleeding, tamponade, dissection, air or clot? Find out before the next step",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="way_given_up",
        when=all_of(
            is_one_of("step", StepKind.TAKE_OUT_WIRE, StepKind.TAKE_OUT_GUIDE),
            is_true("wire_is_last"),
            is_true("way_needed"),
        ),
        say="a dissection, a leak or something lost or stuck is not over by the record: the wire is the way to treat it, leave it in",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="no_wire_in",
        when=all_of(
            is_one_of("step", StepKind.PUSH, StepKind.INFLATE, StepKind.OPEN_STENT, StepKind.RUN_BURR),
            is_false("rail_in_place"),
            unless_sure(is_one_of("device_kind", "snare", "other")),  # those need none
        ),
        say="by the record no wire lies in the main vessel: log the wire, or stop",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="was_not_in",
        when=all_of(
            is_one_of(
                "step",
                StepKind.WITHDRAW,
                StepKind.TAKE_OUT_WIRE,
                StepKind.TAKE_OUT_EXTENSION,
                StepKind.TAKE_OUT_GUIDE,
            ),
            is_false("was_inside"),
        ),
        say="by the record this was not in: which one came out? The count at the end goes by it",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="went_on_after_perforation",
        when=all_of(
            is_one_of("step", StepKind.OPEN_STENT, StepKind.RUN_BURR, StepKind.EXTEND),
            is_true("perforation_known"),
        ),
        say="a perforation is known: is it sealed?",
        level=Level.PAUSE,
        source="perforation2016",
    ),
    Rule(
        id="device_not_whole",
        when=all_of(is_one_of("step", StepKind.WITHDRAW), is_false("came_out_whole")),
        say="it did not come out whole: find the rest before anything moves",
        level=Level.BLOCK,
        source="domaradzki2018",
    ),
    Rule(
        id="still_inside_at_end",
        when=all_of(_ENDED, not_(below("devices_inside", 1))),
        say="by the record still inside: {still_inside}",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="trouble_not_settled",
        when=all_of(_ENDED, above("troubles", 0)),
        say="by the record not over: {trouble}; say that it is, or what is done about it",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="presumed_out_at_end",
        when=all_of(is_one_of("step", StepKind.END), above("presumed_out", 0)),
        say="out by inference alone, no record says so: {presumed}; count them",
        level=Level.NOTE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="not_counted",
        when=all_of(is_one_of("step", StepKind.END), unless_sure(is_true("counted"))),
        say="count what is in the body, aloud, before the case ends",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
)
