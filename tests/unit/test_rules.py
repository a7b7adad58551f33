"""The rule engine: three-valued conditions, what made a rule fire, what is missing."""

from __future__ import annotations

from itertools import product

import pytest

from backstay.core.rules import (
    COMMON_PRACTICE,
    Condition,
    Facts,
    Rule,
    above,
    all_of,
    any_of,
    below,
    evaluate,
    includes,
    is_false,
    is_one_of,
    is_true,
    known,
    not_,
    unless_sure,
)
from backstay.errors import InputError
from backstay.identifiers import Level


def rule(when: Condition, *, id: str = "one", say: str = "mind", level: Level = Level.NOTE) -> Rule:
    return Rule(id=id, when=when, say=say, level=level, source=COMMON_PRACTICE)


A, B = "extension_in", "anchor_inflated"


@pytest.mark.parametrize(("a", "b"), list(product((True, False, None), repeat=2)))
def test_joined_conditions_follow_the_strong_logic_of_three_values(a: bool | None, b: bool | None) -> None:
    """False settles a conjunction and true a disjunction whatever is unknown (Kleene's tables, from memory)."""
    facts: Facts = {A: a, B: b}
    rank = {False: 0, None: 1, True: 2}
    back = {0: False, 1: None, 2: True}
    assert all_of(is_true(A), is_true(B)).holds(facts) is back[min(rank[a], rank[b])]
    assert any_of(is_true(A), is_true(B)).holds(facts) is back[max(rank[a], rank[b])]
    assert not_(is_true(A)).holds(facts) is back[2 - rank[a]]
    assert unless_sure(is_true(A)).holds(facts) is (a is not True)
    assert known(A).holds(facts) is (a is not None)
    assert is_false(A).holds(facts) is (None if a is None else not a)


@pytest.mark.parametrize(
    ("condition", "facts", "expected"),
    [
        (above("seat_mm", 5.0), {"seat_mm": 5.1}, True),
        (above("seat_mm", 5.0), {"seat_mm": 5.0}, False),
        (below("seat_mm", 5.0), {"seat_mm": 4.9}, True),
        (below("seat_mm", 5.0), {"seat_mm": 5.0}, False),
        (above("lesion_length_mm", "seat_mm", times=2.0), {"lesion_length_mm": 21.0, "seat_mm": 10.0}, True),
        (above("lesion_length_mm", "seat_mm", times=2.0), {"lesion_length_mm": 20.0, "seat_mm": 10.0}, False),
        (above("lesion_length_mm", "seat_mm"), {"lesion_length_mm": 20.0}, None),
        (is_one_of("lesion_calcium", "moderate", "severe"), {"lesion_calcium": "severe"}, True),
        (is_one_of("lesion_calcium", "moderate", "severe"), {"lesion_calcium": "mild"}, False),
        (includes("moves", "extension", "buddy_wire"), {"moves": frozenset({"buddy_wire"})}, True),
        (includes("moves", "extension"), {"moves": frozenset()}, False),
        (includes("moves", "extension"), {}, None),
    ],
)
def test_single_conditions(condition: Condition, facts: Facts, expected: bool | None) -> None:
    assert condition.holds(facts) is expected


def test_a_rule_that_fires_says_what_made_it_fire_and_only_that() -> None:
    one = rule(
        any_of(is_true(A), above("seat_mm", 5.0)), say="seat {seat_mm:.0f} mm, {moves}, {lesion_calcium}"
    )
    facts = {A: False, "seat_mm": 12.4, "moves": frozenset({"b", "a"}), B: True}
    fired = evaluate([one], facts).fired[0]
    assert fired.facts == {"seat_mm": 12.4}
    assert fired.text == "seat 12 mm, a, b, unknown"


def test_an_undecided_rule_names_only_what_is_missing() -> None:
    one = rule(all_of(is_true(A), is_true(B), above("lesion_length_mm", "seat_mm")))
    found = evaluate([one], {A: True, "seat_mm": 3.0})
    assert found.fired == ()
    assert found.undecided[0].missing == (B, "lesion_length_mm")


def test_a_rule_that_asks_to_be_sure_fires_while_the_fact_is_unknown() -> None:
    gate = rule(unless_sure(is_true("lesion_opened_fully")))
    assert evaluate([gate], {}).fired[0].facts == {"lesion_opened_fully": None}
    assert evaluate([gate], {"lesion_opened_fully": False}).fired
    assert evaluate([gate], {"lesion_opened_fully": True}) == evaluate([], {})


def test_the_strongest_stands_first_and_equals_keep_their_order() -> None:
    levels = (Level.NOTE, Level.BLOCK, Level.PAUSE, Level.BLOCK)
    rules = [rule(is_true(A), id=f"{k}", level=level) for k, level in enumerate(levels)]
    found = evaluate(rules, {A: True})
    assert [one.rule.id for one in found.fired] == ["1", "3", "2", "0"]
    assert [one.rule.id for one in found.at(Level.BLOCK)] == ["1", "3"]


@pytest.mark.parametrize("make", [is_true, is_false, known, lambda n: above(n, 1.0), lambda n: above(A, n)])
def test_a_name_that_is_no_fact_is_refused_when_the_rule_is_written(make: object) -> None:
    with pytest.raises(InputError, match="no such fact"):
        make("extension_inn")  # type: ignore[operator]
    with pytest.raises(InputError, match="no such fact"):
        rule(is_true(A), say="at {seat:.0f} mm")
