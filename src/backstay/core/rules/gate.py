"""The gate before a stent: one rule, for the step that is taken and for the move that is only thought of."""

from __future__ import annotations

from backstay.core.rules import (
    COMMON_PRACTICE,
    Level,
    Rule,
    all_of,
    any_of,
    is_false,
    is_one_of,
    is_true,
    unless_sure,
)
from backstay.identifiers import Calcium, DeviceKind, StepKind

HARD = (Calcium.MODERATE, Calcium.SEVERE)
"""Calcium from which a lesion must be seen to open first."""

STENT_WAITS = all_of(
    is_one_of("device_kind", DeviceKind.STENT),
    any_of(is_one_of("lesion_calcium", *HARD), is_false("lesion_opened_fully")),
    unless_sure(is_true("lesion_opened_fully")),
    unless_sure(is_true("leak_known")),
)
"""A stent is to be pushed at a calcified lesion, or at one a balloon did not open, and nobody has seen it open. A lesion that cannot be
dilated keeps every stent out, whatever its chance to get there. While blood leaks out the stent is a covered one, and does not wait."""

GATE = Rule(
    id="stent_before_balloon_opened",
    when=all_of(is_one_of("step", StepKind.PUSH), STENT_WAITS),
    say="calcified or resistant, and no balloon of the distal reference's size is known to have opened fully in two views: no stent yet",
    level=Level.BLOCK,
    source=COMMON_PRACTICE,
)
GATE_ASKS = "a balloon sized to the distal reference has opened fully in two views before any stent goes (common practice, no source)"
