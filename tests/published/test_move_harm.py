"""Rates of harm that moves show, against the printed numbers they come from."""

from __future__ import annotations

import pytest

from backstay.core.rigging import move_facts
from backstay.core.rigging.move_facts import Harm, MoveFacts

# facts, the harm's source, printed rate per 1000, what was printed
PRINTED: list[tuple[MoveFacts, str, str, float]] = [
    # 12 of 363 dissected, 8 of 363 stents deformed with an extension [waterbury2016].
    (move_facts.EXTENSION, "dissection", "waterbury2016", 1000.0 * 12 / 363),
    (move_facts.EXTENSION, "a stent deformed", "waterbury2016", 1000.0 * 8 / 363),
    # 96 of 76 104 dissected by a catheter [klaudel2024].
    (
        move_facts.SEAT_DEEPER,
        "dissection by the catheter, seated deep or not: more here",
        "klaudel2024",
        1000.0 * 96 / 76_104,
    ),
    # Dissection in 1.4 %: wire 30 %, balloon 20 %, engagement of the guide 18 % [dissection2023].
    (move_facts.BUDDY_WIRE, "dissection by a wire", "dissection2023", 14.0 * 0.30),
    (move_facts.NON_COMPLIANT, "dissection by a balloon", "dissection2023", 14.0 * 0.20),
    (move_facts.OTHER_GUIDE, "dissection by engaging a guide", "dissection2023", 14.0 * 0.18),
    # Perforation in 0.39 %: the wire's exit 37 %, a balloon 28 % [perforation2022].
    (move_facts.STIFFER_RAIL, "perforation at the wire's exit", "perforation2022", 3.9 * 0.37),
    (move_facts.SCORING, "perforation by a balloon", "perforation2022", 3.9 * 0.28),
    # Up to 3 % with ablative devices [perforation2016].
    (move_facts.ATHERECTOMY, "perforation, up to", "perforation2016", 30.0),
    # A wire trapped in 0.08 %, printed from 2 of 2338; a stent lost in 0.21 % [iturbe2012].
    (move_facts.TRAPPED_WIRE, "a wire that cannot be drawn out", "iturbe2012", 1000.0 * 2 / 2338),
    (move_facts.AS_IT_IS, "a stent lost", "iturbe2012", 2.1),
    # 53.0 % of jailed wires without a polymer jacket were damaged [villanueva2015].
    (move_facts.TRAPPED_WIRE, "the wire damaged, without a jacket", "villanueva2015", 530.0),
]


def shown(facts: MoveFacts, what: str) -> Harm:
    return next(harm for harm in facts.harm if harm.what == what)


def agrees(harm: Harm, printed: float) -> bool:
    """Return whether a rate is the printed one rounded to three digits."""
    assert harm.per_1000 is not None
    return harm.per_1000 == pytest.approx(printed, rel=0.01)


@pytest.mark.parametrize(("facts", "what", "source", "printed"), PRINTED, ids=[row[1] for row in PRINTED])
def test_a_rate_is_the_printed_one(facts: MoveFacts, what: str, source: str, printed: float) -> None:
    harm = shown(facts, what)
    assert harm.source == source
    assert agrees(harm, printed)


@pytest.mark.parametrize(("facts", "what", "source", "printed"), PRINTED, ids=[row[1] for row in PRINTED])
def test_a_rate_from_one_tenth_more_cases_does_not_agree(
    facts: MoveFacts, what: str, source: str, printed: float
) -> None:
    assert not agrees(shown(facts, what), 1.1 * printed)
