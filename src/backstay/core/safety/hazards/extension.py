"""Hazards of guide and guide extension: depth, injection, edges at stents, what is drawn back into them.

Sources: [@klaudel2024; @waterbury2016; @damping; @prabhu2012; @deformation2012; @wallforce2020; @shah2011].
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
from backstay.identifiers import EventKind, StepKind

_INJECTS = is_one_of("step", StepKind.INJECT)
_EXTENDS = is_one_of("step", StepKind.EXTEND)
_WITHDRAWS_STENT = all_of(is_one_of("step", StepKind.WITHDRAW), is_true("stent_undeployed"))

EXTENSION = (
    Rule(
        id="injection_with_damped_pressure",
        when=all_of(
            any_of(
                is_one_of("step", StepKind.INJECT, StepKind.STAND), is_one_of("event", EventKind.PRESSURE)
            ),
            is_true("pressure_damped"),
        ),
        say="pressure was damped when last looked at: draw back, look for a kink or air, look at the curve again, then inject",
        level=Level.BLOCK,
        source="damping",
    ),
    Rule(
        id="injection_through_deep_extension",
        when=all_of(
            _INJECTS,
            not_(below("extension_depth_mm", "deep_extension_mm")),
            unless_sure(is_false("pressure_damped")),
            unless_sure(is_true("pressure_damped")),  # that has a rule of its own
        ),
        say="the extension stands at {extension_depth_mm:.0f} mm and its pressure was not looked at: look first, then inject gently",
        level=Level.BLOCK,
        source="damping",
    ),
    Rule(
        id="side_holes_hide_damping",
        when=all_of(
            is_one_of("step", StepKind.SEAT, StepKind.EXTEND),
            is_true("side_holes"),
            is_false("pressure_damped"),
        ),
        say="side holes can hide a damped pressure: a good curve does not prove flow",
        level=Level.NOTE,
        source="damping",
    ),
    Rule(
        id="deep_seat",
        when=all_of(is_one_of("step", StepKind.SEAT), above("seat_mm", 5.0)),
        say="seated {seat_mm:.0f} mm deep: a main trigger of catheter-caused dissection; draw back as soon as the device has passed",
        level=Level.NOTE,
        source="klaudel2024",
    ),
    Rule(
        id="guide_tip_at_new_stent",
        when=all_of(is_one_of("step", StepKind.SEAT), is_true("guide_meets_stent")),
        say="the guide's tip comes to the edge of a new stent: half a newton shortens it",
        level=Level.PAUSE,
        source="deformation2012",
    ),
    Rule(
        id="extension_edge_at_new_stent",
        when=all_of(_EXTENDS, is_true("extension_meets_stent")),
        say="the extension's edge meets a new stent: only over an inflated balloon or a centred shaft; half a newton shortens it",
        level=Level.BLOCK,
        source="prabhu2012",
    ),
    Rule(
        id="extension_advanced_deep",
        when=all_of(
            _EXTENDS,
            not_(below("extension_depth_mm", "deep_extension_mm")),
            is_false("extension_meets_stent"),
        ),
        say="deep: over a balloon or an anchor, not bare; its edge dissected in 3.3 %, and a stent was deformed at it in 2.2 %",
        level=Level.NOTE,
        source="waterbury2016",
    ),
    Rule(
        id="extension_in_stretch_to_stent",
        when=all_of(is_one_of("step", StepKind.OPEN_STENT), is_true("extension_in_stretch")),
        say="the extension's tip lies in the stretch to be stented: draw it back before the stent is opened",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="stent_through_extension",
        when=all_of(
            is_one_of("step", StepKind.PUSH),
            is_one_of("device_kind", "stent"),
            is_true("extension_in"),
            is_one_of("limited_by", "collar_catch", "edge_lock"),
        ),
        say="it caught at the collar or an edge before: look at the stent on its balloon; collars strip and deform stents",
        level=Level.PAUSE,
        source="waterbury2016",
    ),
    Rule(
        id="undeployed_stent_into_extension",
        when=all_of(_WITHDRAWS_STENT, is_one_of("drawn_into", "extension")),
        say="an undeployed stent strips at the extension's mouth: bring stent, extension and guide back as one, over the wire",
        level=Level.BLOCK,
        source="deformation2012",
    ),
    Rule(
        id="undeployed_stent_into_guide",
        when=all_of(
            _WITHDRAWS_STENT,
            unless_sure(is_one_of("drawn_into", "extension", "sheath")),
            not_(is_true("extension_in")),
        ),
        say="an undeployed stent is crushed at the guide's tip: in line, slowly, and as one unit if there is any resistance",
        level=Level.PAUSE,
        source="deformation2012",
    ),
    Rule(
        id="undeployed_stent_withdrawn_with_extension_in",
        when=all_of(
            _WITHDRAWS_STENT,
            is_true("extension_in"),
            unless_sure(is_one_of("drawn_into", "extension", "sheath")),
        ),
        say="an extension is in: an undeployed stent must not be drawn into its mouth; as one unit",
        level=Level.PAUSE,
        source="deformation2012",
    ),
    Rule(
        id="imaging_catheter_through_new_stent",
        when=all_of(
            is_one_of("step", StepKind.PUSH), is_true("imaging_catheter"), above("stents_in_place", 0)
        ),
        say="imaging catheters catch at stent edges and shorten stents: do not push against resistance",
        level=Level.NOTE,
        source="deformation2012",
    ),
    Rule(
        id="hard_push_feels_little",
        when=all_of(
            is_one_of("step", StepKind.PUSH),
            above("failed_hard_pushes", 1),
            not_(is_true("extension_in")),
        ),
        say="{failed_hard_pushes:.0f} hard pushes failed: wall force can be high while little is felt; change something before the next",
        level=Level.PAUSE,
        source="wallforce2020",
    ),
    Rule(
        id="hard_push_through_extension",
        when=all_of(
            is_one_of("step", StepKind.PUSH), above("failed_hard_pushes", 0), is_true("extension_in")
        ),
        say="a shaft that cannot buckle passes all force to its tip: in pig hearts it perforated four times sooner at equal force",
        level=Level.PAUSE,
        source="shah2011",
    ),
    Rule(
        id="air_after_exchange",
        when=all_of(_INJECTS, is_true("exchanged_since_flush")),
        say="something was exchanged since the guide was last bled back and flushed: air; bleed back, flush, then inject",
        level=Level.PAUSE,
        source="airembolism",
    ),
    Rule(
        id="injection_into_dissection",
        when=all_of(
            _INJECTS, is_true("dissection_open"), any_of(is_true("extension_in"), above("seat_mm", 5.0))
        ),
        say="a dissection is known and the tip stands deep: a jet extends it; draw back, inject little",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
)
