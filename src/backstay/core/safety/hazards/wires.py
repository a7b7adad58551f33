"""Hazards of wires: their tips, buddies left behind, and wires trapped on purpose.

Sources: [@perforation2022; @pan2016; @villanueva2015; @jailedbench; @kumar2023; @wireretrieval; @danek2017]
[@rath2023; @dangoisse2014; @kaluski2007; @wirefracture; @dissection2023].
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
from backstay.identifiers import StepKind

_ALONG_THE_WIRE = is_one_of(
    "step", StepKind.PUSH, StepKind.INFLATE, StepKind.OPEN_STENT, StepKind.RUN_BURR, StepKind.EXTEND
)
_PULLS_TRAPPED = all_of(is_one_of("step", StepKind.TAKE_OUT_WIRE), is_true("wire_is_trapped"))
_TRAPS = all_of(is_one_of("step", StepKind.OPEN_STENT), above("wires_to_trap", 0))
_STIFF_IN_BENDS = all_of(
    not_(below("wire_stiffness_Nmm2", "stiff_wire_Nmm2")), above("bends_deg", "bend_limit_deg")
)

WIRES = (
    Rule(
        id="wire_tip_out_of_view",
        when=all_of(_ALONG_THE_WIRE, is_one_of("wire_tip", "out_of_view")),
        say="the wire's tip is out of view: bring it into view before anything moves along it",
        level=Level.PAUSE,
        source="perforation2022",
    ),
    Rule(
        id="wire_tip_in_small_branch",
        when=all_of(_ALONG_THE_WIRE, is_one_of("wire_tip", "small_branch", "looped")),
        say="the wire's tip lies in a small branch or is looped ({wire_tip}): draw it back first",
        level=Level.PAUSE,
        source="perforation2022",
    ),
    Rule(
        id="other_wire_tip",
        when=all_of(_ALONG_THE_WIRE, is_one_of("other_wire_tip", "out_of_view", "small_branch", "looped")),
        say="a second wire's tip was last seen {other_wire_tip}: it pierces like the first; draw it back into view",
        level=Level.PAUSE,
        source="perforation2022",
    ),
    Rule(
        id="heavy_wire_tip",
        when=all_of(is_one_of("step", StepKind.PLACE_WIRE), above("tip_load_N", 0.02)),
        say="a heavy tip pierces more easily, and wires cause three dissections in ten: keep it in the main vessel, under the eye",
        level=Level.NOTE,
        source="dissection2023",
    ),
    Rule(
        id="stent_over_wire_made_narrowing",
        when=all_of(
            any_of(
                is_one_of("step", StepKind.OPEN_STENT),
                all_of(is_one_of("step", StepKind.PUSH), is_one_of("device_kind", "stent")),
            ),
            is_true("narrowing_in_stretch"),
            _STIFF_IN_BENDS,
        ),
        say="this narrowing came with a stiff wire in bends ({bends_deg:.0f} degrees): draw back to the wire's soft end and look again",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
        ask="this narrowing came with the wire, and how stiff that is or how bent the vessel is not known: draw back and look again",
    ),
    Rule(
        id="buddy_left_under_stent",
        when=all_of(is_one_of("step", StepKind.OPEN_STENT), above("free_wires_beside", 0)),
        say="a buddy wire lies where the stent opens: take it out first, or say that it is to be trapped",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="branch_wire_jailed",
        when=all_of(is_one_of("step", StepKind.OPEN_STENT), above("branch_wires_under", 0)),
        say="a branch wire will be jailed: short length, no high pressure over it; jacketed ones were damaged least (1.1 against 53 %)",
        level=Level.NOTE,
        source="villanueva2015",
    ),
    Rule(
        id="trapped_beyond_soft_end",
        when=all_of(_TRAPS, above("trapped_length_mm", "trapped_soft_mm")),
        say="{trapped_length_mm:.0f} mm would lie trapped, the soft end is {trapped_soft_mm:.0f} mm: draw it back or use a shorter stent",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
        ask="a wire is to be trapped: how much of it, and how long is its soft end? Only that may lie behind the stent",
    ),
    Rule(
        id="trapped_wire_without_jacket",
        when=all_of(_TRAPS, is_one_of("trapped_coating", "hydrophilic", "hydrophobic")),
        say="a wire without a polymer jacket is damaged far more often when trapped; that jackets strip under pressure has no figure",
        level=Level.NOTE,
        source="pan2016",
    ),
    Rule(
        id="trapped_wire_with_jacket",
        when=all_of(_TRAPS, is_one_of("trapped_coating", "polymer_jacket")),
        say="a jacketed wire is damaged least when trapped; whether it strips under high pressure is open: keep the pressure low over it",
        level=Level.NOTE,
        source="villanueva2015",
    ),
    Rule(
        id="trapped_wire_scrapes_coating",
        when=all_of(
            _TRAPS,
            is_one_of("trapped_coating", "hydrophilic", "hydrophobic"),
            above("trapped_length_mm", 20.0),
        ),
        say="{trapped_length_mm:.0f} mm of a wire without a jacket: it scrapes the stent's coating, the more the longer it lies trapped",
        level=Level.NOTE,
        source="jailedbench",
    ),
    Rule(
        id="trap_behind_stent_not_wanted",
        when=all_of(_TRAPS, is_false("lesion_in_stretch")),
        say="trap a wire only behind a stent that is wanted anyway: no lesion is described in this stretch",
        level=Level.PAUSE,
        source="kaluski2007",
    ),
    Rule(
        id="trap_is_described_in_few_cases",
        when=_TRAPS,
        say="trapping a wire is described in chosen cases only (10 of 10 in one series): have the way back clear before it",
        level=Level.NOTE,
        source="dangoisse2014",
    ),
    Rule(
        id="high_pressure_over_trapped_wire",
        when=all_of(
            is_one_of("step", StepKind.INFLATE, StepKind.OPEN_STENT),
            is_true("over_trapped_wire"),
            not_(below("pressure_atm", "high_atm")),
        ),
        say="{pressure_atm:.0f} atm over a trapped wire: take the wire out first, or stay below {high_atm:.0f} atm",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
        ask="a trapped wire lies here, and the pressure is not said: stay below {high_atm:.0f} atm, or take the wire out first",
    ),
    Rule(
        id="stent_over_trapped_wire",
        when=all_of(
            is_one_of("step", StepKind.OPEN_STENT),
            is_true("over_trapped_wire"),
            below("pressure_atm", "high_atm"),
        ),
        say="a second stent over the trapped wire: earlier advice was to re-lay the wire between stents, others left it; decide now",
        level=Level.PAUSE,
        source="rath2023",
    ),
    Rule(
        id="trapped_wire_pulled_with_guide_engaged",
        when=all_of(_PULLS_TRAPPED, unless_sure(is_true("guide_disengaged"))),
        say="a trapped wire pulled with the guide engaged sucks the guide in: disengage it first, and watch it",
        level=Level.BLOCK,
        source="wireretrieval",
        ask="a wire of this name is trapped, and another is free: which comes out? The trapped one never with the guide engaged",
    ),
    Rule(
        id="trapped_wire_pulled",
        when=all_of(_PULLS_TRAPPED, is_true("guide_disengaged")),
        say="slowly, the stent in view: stop if the guide dives or the stent moves; one was pulled out this way",
        level=Level.PAUSE,
        source="kumar2023",
    ),
    Rule(
        id="wire_through_new_stent",
        when=all_of(
            is_one_of("step", StepKind.PLACE_WIRE),
            above("stents_in_place", 0),
            not_(is_one_of("wire_role", "rail")),
        ),
        say="wires break where they meet stents: make sure it runs inside the stent, not behind a strut",
        level=Level.NOTE,
        source="danek2017",
    ),
    Rule(
        id="wire_place_at_risk_in_guide_exchange",
        when=all_of(
            is_one_of("step", StepKind.TAKE_OUT_GUIDE),
            is_true("wanted"),
            is_true("rail_in_place"),
            unless_sure(above("rail_length_cm", 250.0)),
        ),
        say="a guide exchange over a short wire loses its place: a long wire, an extension piece or a trapped tip first",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="guide_lost",
        when=all_of(is_one_of("step", StepKind.TAKE_OUT_GUIDE), is_false("wanted")),
        say="the guide came out: stop pushing, look at the wire's tip, then re-engage over it",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="wrapped_wires",
        when=all_of(
            is_one_of("step", StepKind.PUSH),
            is_one_of("limited_by", "wire_wrap"),
            above("buddies_in_place", 0),
        ),
        say="the wires are wrapped: take the buddy out before the next push",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="wire_dragged",
        when=all_of(is_one_of("step", StepKind.PUSH), is_one_of("limited_by", "wire_dragged")),
        say="the wire went forward with the device: look where its tip is before the next push",
        level=Level.PAUSE,
        source="perforation2022",
    ),
)
