"""Hazards of atherectomy.

Sources: [@rotablation2015; @pawlowski2021; @perforation2016; @iturbe2012].
"""

from __future__ import annotations

from backstay.core.rules import (
    COMMON_PRACTICE,
    Level,
    Rule,
    above,
    all_of,
    any_of,
    is_one_of,
    is_true,
    unless_sure,
)
from backstay.identifiers import Complication, StepKind

_BURR = any_of(
    is_one_of("step", StepKind.RUN_BURR),
    all_of(is_one_of("step", StepKind.PUSH), is_one_of("device_kind", "burr")),
)

BURR = (
    Rule(
        id="burr_after_dissection",
        when=all_of(_BURR, is_true("dissection_known")),
        say="no atherectomy over a known dissection",
        level=Level.BLOCK,
        source="rotablation2015",
    ),
    Rule(
        id="burr_beside_second_wire",
        when=all_of(_BURR, any_of(above("wires_in_place", 1), above("trapped_in_place", 0))),
        say="a burr cuts or winds up any wire beside its own: all others out first",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="burr_in_new_stent",
        when=all_of(_BURR, is_true("in_new_stent")),
        say="no atherectomy inside a stent of this case",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="burr_too_large",
        when=all_of(_BURR, above("balloon_to_vessel", "burr_ratio")),
        say="burr {balloon_diameter_mm:.2f} mm is {balloon_to_vessel:.2f} of the vessel, above {burr_ratio:.2f}: start with a smaller one",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
        edge="burr_ratio",
    ),
    Rule(
        id="burr_run_too_long",
        when=all_of(is_one_of("step", StepKind.RUN_BURR), above("run_s", "burr_run_limit_s")),
        say="a run of {run_s:.0f} s: short runs with pauses, or the burr heats and sticks",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
        edge="burr_run_limit_s",
    ),
    Rule(
        id="burr_through_extension",
        when=all_of(_BURR, is_true("extension_in")),
        say="free width is not enough for a burr in an extension: one of the 6 Fr ones stopped a 1.25 mm burr",
        level=Level.NOTE,
        source="pawlowski2021",
    ),
    Rule(
        id="burr_again_while_stuck",
        when=all_of(_BURR, is_true("burr_is_stuck")),
        say="a burr is stuck, and the record does not say that it came free: none runs now",
        level=Level.BLOCK,
        source="iturbe2012",
    ),
    Rule(
        id="burr_without_rescue_kit",
        when=all_of(
            _BURR,
            any_of(
                unless_sure(is_true("covered_stent_ready")), unless_sure(is_true("pericardiocentesis_ready"))
            ),
        ),
        say="perforation in up to 3 % with ablative devices: covered stent and pericardiocentesis set in the room first",
        level=Level.PAUSE,
        source="perforation2016",
    ),
    Rule(
        id="burr_stuck",
        when=any_of(
            all_of(is_one_of("step", StepKind.REPORT), is_one_of("complication", Complication.BURR_STUCK)),
            all_of(is_one_of("step", StepKind.STAND), is_true("burr_is_stuck")),
        ),
        say="stuck burr: no spinning, no hard pull; a wire and small balloon beside it, an extension over the shaft; call the surgeon",
        level=Level.BLOCK,
        source="iturbe2012",
    ),
)
