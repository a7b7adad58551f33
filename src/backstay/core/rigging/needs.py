"""What must be true before a move: rules of the same kind as the hazards, some of them the hazards' own.

A need that is broken blocks its move, with the rule's words as the reason; one that an unknown fact leaves open is
shown as something to check first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from backstay.core.rules import (
    COMMON_PRACTICE,
    Condition,
    Facts,
    Level,
    Rule,
    above,
    below,
    evaluate,
    is_false,
    is_true,
)
from backstay.core.rules.gate import GATE, GATE_ASKS
from backstay.core.safety.hazards import HAZARDS

_HAZARD = {rule.id: rule for rule in HAZARDS}


@dataclass(frozen=True)
class Need:
    """One precondition.

    Attributes
    ----------
    rule : Rule
        Fires where it is broken.
    ask : str
        What to check where nobody knows.
    """

    rule: Rule
    ask: str


@dataclass(frozen=True)
class Judged:
    """What the needs of a move come to.

    Attributes
    ----------
    broken : tuple of Need
        What blocks it.
    open : tuple of Need
        What to check first.
    reasons : tuple of str
        Why what is broken blocks, in words.
    """

    broken: tuple[Need, ...]
    open: tuple[Need, ...]
    reasons: tuple[str, ...] = ()


def judge(needs: Sequence[Need], facts: Facts) -> Judged:
    """Return which needs are broken and which are open.

    Parameters
    ----------
    needs : sequence of Need
        The needs of a move.
    facts : mapping of str to value
        What is known.

    Returns
    -------
    Judged
        The rest are met.

    Examples
    --------
    >>> judge([NO_LEAK, NOT_DAMPED], {"leak_known": False}).open[0].ask
    'pressure at the tip is not damped'
    >>> judge([NOT_DAMPED], {"pressure_damped": True}).broken[0].rule.say
    'not while the pressure at the tip is damped'
    """
    by_id = {need.rule.id: need for need in needs}
    found = evaluate([need.rule for need in needs], facts)
    return Judged(
        tuple(by_id[one.rule.id] for one in found.fired),
        tuple(by_id[one.rule.id] for one in found.undecided),
        tuple(one.text for one in found.fired),
    )


def _need(id_: str, when: Condition, say: str, ask: str, source: str = COMMON_PRACTICE) -> Need:
    return Need(Rule(id=f"move_{id_}", when=when, say=say, level=Level.BLOCK, source=source), ask)


def _hazard(id_: str, ask: str) -> Need:
    return Need(_HAZARD[id_], ask)


STENT_GATE = Need(GATE, GATE_ASKS)
"""Of every move that ends with a stent being pushed."""

NO_LEAK = _need(
    "leak",
    is_true("leak_known"),
    "a perforation or tamponade is known, and not over by the record: that comes first",
    "no perforation or tamponade",
)
"""Of every move, and of a push as it is."""

NOT_DAMPED = _need(
    "damped",
    is_true("pressure_damped"),
    "not while the pressure at the tip is damped",
    "pressure at the tip is not damped",
    "damping",
)
COAXIAL = _need(
    "coaxial",
    is_false("guide_coaxial"),
    "not with the guide out of line with the vessel",
    "the guide lies in line; over a wire or balloon shaft, under the eye",
    "klaudel2024",
)
TOOL_ARRIVES = _need(
    "tool_arrives",
    is_false("tool_arrives"),
    "what it brings in does not get there",
    "what it brings in must itself get there",
)
WIRE_STAYS_IN_DISSECTION = _need(
    "rail_stays",
    is_true("dissection_known"),
    "a dissection is known: the wire that lies in the true lumen stays",
    "no dissection",
)
NO_SECOND_WIRE_INTO_DISSECTION = _need(
    "wire_into_dissection",
    is_true("dissection_known"),
    "a dissection is known: another wire may go into the false lumen",
    "no dissection",
)
CALCIUM_ALL_ROUND = _need(
    "calcium_all_round",
    below("calcium_arc_deg", 180.0),
    "calcium less than half round ({calcium_arc_deg:.0f} degrees): it is for calcium all round or nearly so",
    "calcium at least half round on imaging",
    "lithoprotocol",
)
BURR_NO_DISSECTION = _hazard("burr_after_dissection", "no dissection: look again before the burr goes")
BURR_ALONE = _hazard("burr_beside_second_wire", "its own wire beyond the lesion, and no other wire beside it")
BURR_NOT_IN_STENT = _hazard("burr_in_new_stent", "no stent of this case where it runs")
BUDDY_TO_TRAP = _need(
    "buddy_to_trap",
    is_false("buddy_in_place"),
    "only a wire that already lies beside the rail can be trapped",
    "a buddy wire lies beside the rail",
)
PROXIMAL_STENT_WANTED = _need(
    "proximal_stent_wanted",
    is_false("proximal_stent_wanted"),
    "no proximal stent is wanted: the lesion is short, and there is no second one",
    "a proximal stent is wanted anyway",
)
ONLY_SOFT_END_TRAPPED = _hazard("trapped_beyond_soft_end", "only the floppy end lies behind the stent")
NONE_TRAPPED = _need(
    "none_trapped",
    above("trapped_in_place", 0),
    "a wire is trapped already, and holds this guide",
    "no wire is trapped",
)
EXCHANGE_LENGTH = _need(
    "exchange_length",
    is_false("exchange_length_at_hand"),
    "nothing to hold the wire's place over",
    "a long wire or an extension piece to hold the place",
)
WIRES_WRAPPED = _need(
    "wires_wrapped",
    is_false("wires_wrapped"),
    "the wires are not wound round each other",
    "the wires are wound round each other: they move together",
)
BUDDY_TO_TAKE_OUT = _need(
    "buddy_to_take_out",
    is_false("buddy_in_place"),
    "no second wire lies beside the rail",
    "a second wire lies beside the rail",
)
ACCESS_AGREED = _need(
    "second_access_agreed",
    is_false("second_access_agreed"),
    "no second access was agreed",
    "a second access is agreed, and the patient can lie for it",
)
OPENED_FOR_DRUG = _need(
    "opened_for_drug",
    is_false("lesion_opened_fully"),
    "the lesion has not opened: a drug on it holds nothing open",
    "the lesion opened fully, with flow and without a long dissection",
    "ebc2022",
)
