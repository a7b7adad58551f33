"""Hazards of balloons, anchors and stents: sizes, pressures, and flow blocked too long.

Sources: [@anchorbench2020; @anchorfailed; @dissection2023; @deformation2012; @perforation2022].
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
    not_,
)
from backstay.core.rules.gate import GATE, STENT_WAITS
from backstay.identifiers import StepKind

_ANCHORS = all_of(is_one_of("step", StepKind.INFLATE), is_one_of("purpose", "anchor"))
_OPENS = is_one_of("step", StepKind.OPEN_STENT)
_OPENS_OR_PLANS = any_of(_OPENS, all_of(is_one_of("step", StepKind.PLAN), is_one_of("device_kind", "stent")))
_INFLATES = all_of(is_one_of("step", StepKind.INFLATE), not_(is_one_of("purpose", "anchor", "trapping")))

BALLOONS = (
    Rule(
        id="above_rated_burst",
        when=all_of(
            is_one_of("step", StepKind.INFLATE, StepKind.OPEN_STENT), above("pressure_atm", "rated_burst_atm")
        ),
        say="{pressure_atm:.0f} atm is above the rated burst pressure ({rated_burst_atm:.0f} atm)",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="balloon_too_large",
        when=all_of(_INFLATES, above("balloon_to_vessel", "oversize_ratio")),
        say="a {balloon_diameter_mm:.2f} mm balloon in a {vessel_diameter_mm:.2f} mm vessel: balloons cause three perforations in ten",
        level=Level.PAUSE,
        source="perforation2022",
    ),
    Rule(
        id="stent_too_large",
        when=all_of(_OPENS_OR_PLANS, above("balloon_to_vessel", "oversize_ratio")),
        say="a {balloon_diameter_mm:.2f} mm stent in a {vessel_diameter_mm:.2f} mm vessel: its edge may dissect",
        level=Level.PAUSE,
        source="dissection2023",
    ),
    Rule(
        id="beyond_stent_platform",
        when=all_of(_INFLATES, is_true("in_new_stent"), above("balloon_diameter_mm", "stent_limit_mm")),
        say="a {balloon_diameter_mm:.2f} mm balloon in a stent whose platform opens to {stent_limit_mm:.2f} mm",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
        ask="a balloon in a stent of this case: how far its platform opens is not known",
    ),
    Rule(
        id="anchor_too_large",
        when=all_of(_ANCHORS, above("balloon_to_branch", 1.05)),
        say="{balloon_diameter_mm:.2f} mm anchor, {branch_diameter_mm:.2f} mm branch: pressure and length hold, a larger label does not",
        level=Level.BLOCK,
        source="anchorbench2020",
        ask="an anchor balloon: how wide is its branch? A larger label does not hold better",
    ),
    Rule(
        id="anchor_hard_in_small_branch",
        when=all_of(
            _ANCHORS,
            above("pressure_atm", "anchor_atm"),
            not_(above("branch_diameter_mm", "small_branch_mm")),
        ),
        say="{pressure_atm:.0f} atm in a {branch_diameter_mm:.1f} mm branch: let it down to {anchor_atm:.0f} atm or less",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
        edge="anchor_atm",
        ask="an anchor balloon, and its pressure or its branch is not said: {anchor_atm:.0f} atm or less in a small branch",
    ),
    Rule(
        id="anchor_off_axis",
        when=all_of(_ANCHORS, is_one_of("limited_by", "guide_out")),
        say="an anchor off the guide's axis may not hold the guide: one along it did where the first had failed",
        level=Level.NOTE,
        source="anchorfailed",
    ),
    Rule(
        id="long_ischaemia",
        when=any_of(
            all_of(
                is_one_of("step", StepKind.INFLATE, StepKind.OPEN_STENT),
                not_(is_one_of("purpose", "sealing", "trapping")),
                above("duration_s", "blocked_limit_s"),
            ),
            all_of(
                not_(is_one_of("step", StepKind.LET_DOWN)),
                above("blocked_s", "blocked_limit_s"),
            ),
        ),
        say="flow has been blocked for more than {blocked_limit_s:.0f} s: let the balloon down unless it is sealing a leak",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
        edge="blocked_limit_s",
    ),
    Rule(
        id="anchor_left_inflated",
        when=all_of(
            is_one_of("step", StepKind.OPEN_STENT, StepKind.WITHDRAW, StepKind.END), is_true("anchor_inflated")
        ),
        say="the anchor balloon is still inflated: let it down",
        level=Level.PAUSE,
        source=COMMON_PRACTICE,
    ),
    GATE,
    Rule(
        id="stent_opened_before_balloon",
        when=all_of(_OPENS, STENT_WAITS),
        say="no balloon of the distal reference's size is known to have opened fully: a stent opened here may stay too small for good",
        level=Level.BLOCK,
        source=COMMON_PRACTICE,
    ),
    Rule(
        id="balloon_after_stent_may_deform",
        when=all_of(
            is_one_of("step", StepKind.PUSH), is_one_of("device_kind", "balloon"), above("stents_in_place", 0),
            is_one_of("limited_by", "edge_lock"),
        ),
        say="a balloon that catches at a stent's edge shortens the stent: rotate, re-wire or take a smaller one, do not push",
        level=Level.PAUSE,
        source="deformation2012",
    ),
)  # fmt: skip
