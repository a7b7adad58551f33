"""What moves need: each has facts that break it, a near miss that does not, and stays open where nobody knows."""

from __future__ import annotations

import pytest

from backstay.core.rigging import needs
from backstay.core.rigging.move_table import MOVES
from backstay.core.rigging.needs import Need, judge
from backstay.core.rules import COMMON_PRACTICE, Value
from backstay.core.rules.gate import GATE
from backstay.core.safety.hazards import HAZARDS
from backstay.identifiers import MoveId, StepKind
from backstay.sources import all_sources

Known = dict[str, Value | None]
RUN = StepKind.RUN_BURR
TRAPS: Known = {"step": StepKind.OPEN_STENT, "wires_to_trap": 1.0}

# need, what breaks it, what only nearly breaks it
CASES: list[tuple[Need, Known, Known]] = [
    (needs.NO_LEAK, {"leak_known": True}, {"leak_known": False}),
    (needs.NOT_DAMPED, {"pressure_damped": True}, {"pressure_damped": False}),
    (needs.COAXIAL, {"guide_coaxial": False}, {"guide_coaxial": True}),
    (needs.TOOL_ARRIVES, {"tool_arrives": False}, {"tool_arrives": True}),
    (needs.WIRE_STAYS_IN_DISSECTION, {"dissection_known": True}, {"dissection_known": False}),
    (needs.NO_SECOND_WIRE_INTO_DISSECTION, {"dissection_known": True}, {"dissection_known": False}),
    (needs.CALCIUM_ALL_ROUND, {"calcium_arc_deg": 179.9}, {"calcium_arc_deg": 180.0}),
    (
        needs.BURR_NO_DISSECTION,
        {"step": RUN, "dissection_known": True},
        {"step": RUN, "dissection_known": False},
    ),
    (
        needs.BURR_ALONE,
        {"step": RUN, "wires_in_place": 2.0, "trapped_in_place": 0.0},
        {"step": RUN, "wires_in_place": 1.0, "trapped_in_place": 0.0},
    ),
    (needs.BURR_NOT_IN_STENT, {"step": RUN, "in_new_stent": True}, {"step": RUN, "in_new_stent": False}),
    (needs.BUDDY_TO_TRAP, {"buddy_in_place": False}, {"buddy_in_place": True}),
    (needs.PROXIMAL_STENT_WANTED, {"proximal_stent_wanted": False}, {"proximal_stent_wanted": True}),
    (
        needs.ONLY_SOFT_END_TRAPPED,
        TRAPS | {"trapped_length_mm": 70.1, "trapped_soft_mm": 70.0},
        TRAPS | {"trapped_length_mm": 70.0, "trapped_soft_mm": 70.0},
    ),
    (needs.NONE_TRAPPED, {"trapped_in_place": 1.0}, {"trapped_in_place": 0.0}),
    (needs.EXCHANGE_LENGTH, {"exchange_length_at_hand": False}, {"exchange_length_at_hand": True}),
    (needs.WIRES_WRAPPED, {"wires_wrapped": False}, {"wires_wrapped": True}),
    (needs.BUDDY_TO_TAKE_OUT, {"buddy_in_place": False}, {"buddy_in_place": True}),
    (needs.ACCESS_AGREED, {"second_access_agreed": False}, {"second_access_agreed": True}),
    (needs.OPENED_FOR_DRUG, {"lesion_opened_fully": False}, {"lesion_opened_fully": True}),
]
_STENT: Known = {"step": StepKind.PUSH, "device_kind": "stent"}
GATE_CASES: list[tuple[Known, Known]] = [
    (
        {"lesion_calcium": "severe", "lesion_opened_fully": None},
        {"lesion_calcium": "severe", "lesion_opened_fully": True},
    ),
    (
        {"lesion_calcium": "moderate", "lesion_opened_fully": False},
        {"lesion_calcium": "mild", "lesion_opened_fully": None},
    ),
    (
        {"lesion_calcium": "none", "lesion_opened_fully": False},
        {"lesion_calcium": "none", "lesion_opened_fully": True},
    ),
]


@pytest.mark.parametrize(("need", "breaks", "passes"), CASES, ids=[case[0].rule.id for case in CASES])
def test_a_need_is_broken_met_or_open(need: Need, breaks: Known, passes: Known) -> None:
    broken, met = judge([need], breaks), judge([need], passes)
    assert broken.broken == (need,) and broken.reasons[0]
    assert met.broken == () and met.open == ()
    step = {"step": passes["step"]} if "step" in passes else {}
    assert judge([need], {**step, **({"wires_to_trap": 1.0} if "wires_to_trap" in passes else {})}).open == (
        need,
    )


def test_every_need_of_every_move_is_covered_above() -> None:
    used = {need.rule.id for move in MOVES for need in move.facts.needs} | {needs.NO_LEAK.rule.id}
    assert used == {need.rule.id for need, _, _ in CASES}


@pytest.mark.parametrize(("shut", "open_"), GATE_CASES)
def test_the_gate_keeps_a_stent_out_and_a_near_miss_in(shut: Known, open_: Known) -> None:
    assert judge([needs.STENT_GATE], {**_STENT, **shut}).broken == (needs.STENT_GATE,)
    assert judge([needs.STENT_GATE], {**_STENT, **open_}).broken == ()
    balloon = {**_STENT, **shut, "device_kind": "balloon"}
    assert judge([needs.STENT_GATE], balloon).broken == ()


def test_hazards_and_moves_ask_the_same_rule_objects() -> None:
    by_id = {rule.id: rule for rule in HAZARDS}
    assert by_id["stent_before_balloon_opened"] is GATE is needs.STENT_GATE.rule
    shared = [
        needs.BURR_NO_DISSECTION,
        needs.BURR_ALONE,
        needs.BURR_NOT_IN_STENT,
        needs.ONLY_SOFT_END_TRAPPED,
    ]
    for need in shared:
        assert by_id[need.rule.id] is need.rule


def test_the_table_has_every_move_once_and_says_where_its_words_come_from() -> None:
    every = [move.id for move in MOVES]
    assert len(every) == len(set(every))
    assert set(MoveId) - set(every) == {MoveId.AS_IT_IS, MoveId.SECOND_BUDDY_WIRE}
    known = {*all_sources(), COMMON_PRACTICE, "judgement, no source"}
    for move in MOVES:
        assert bool(move.effects) != bool(move.why_unranked)
        assert move.lacking or not move.effects
        assert all(harm.source in known for harm in move.facts.harm)
        assert all(harm.per_1000 is None or 0.0 < harm.per_1000 < 1000.0 for harm in move.facts.harm)
        assert all(need.rule.source in known for need in move.facts.needs)
        if move.effects:
            assert move.facts.minutes > 0.0 and move.facts.give_up
