"""Every move: one row each, with what it changes and what stands behind it.

A move whose effect a term of the model carries is ranked. What hands do with any push is no rung of its own: what the model
gives it stands in `core.inference.handling`. The others are listed with the reason, and no number is invented for them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from backstay.core.rigging import device_moves, guide_moves, move_facts, rig_moves
from backstay.core.rigging.move_facts import MoveFacts
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.needs import NO_LEAK, Judged, judge
from backstay.core.rules import Facts
from backstay.identifiers import MoveId

Effect = Callable[[Situation], Iterator[Alternative]]


@dataclass(frozen=True, kw_only=True)
class Move:
    """One move.

    Attributes
    ----------
    id : MoveId
        Which.
    words : str
        In the trade's words.
    facts : MoveFacts
        Cost, needs, cautions, harm.
    effects : tuple of callable
        Make the situation it leads to, one Alternative for each choice, the most useful first; empty where no term
        of the model stands behind it.
    why_unranked : str
        Why it has no place in the order; empty for one that is ranked.
    lacking : str
        What is missing where it has no choice.
    about : callable or None
        What is true of it in a situation, for its needs.
    ends : bool
        Ends the attempt to place a stent today.
    """

    id: MoveId
    words: str
    facts: MoveFacts
    effects: tuple[Effect, ...] = ()
    why_unranked: str = ""
    lacking: str = ""
    about: Callable[[Situation], Facts] | None = None
    ends: bool = False

    def judged(self, s: Situation) -> Judged:
        """Return which of its needs are broken and which are open in a situation."""
        about = {} if self.about is None else self.about(s)
        return judge((NO_LEAK, *self.facts.needs), s.facts(self.facts.step, about))


_SHELF = "the shelf has nothing for it that suits, or there is no room"

MOVES: tuple[Move, ...] = (
    Move(
        id=MoveId.EXTENSION,
        words="guide extension",
        facts=move_facts.EXTENSION,
        effects=(rig_moves.extend,),
        lacking="no extension that goes through this guide and reaches deeper, short of the lesion",
    ),
    Move(
        id=MoveId.STIFFER_RAIL,
        words="stiffer rail, exchanged over a microcatheter",
        facts=move_facts.STIFFER_RAIL,
        effects=(rig_moves.stiffer_rail,),
        lacking="no stiffer wire on the shelf, or no microcatheter to exchange it over",
    ),
    Move(
        id=MoveId.BUDDY_WIRE,
        words="buddy wire",
        facts=move_facts.BUDDY_WIRE,
        effects=(rig_moves.buddy_wire,),
        lacking="no room beside the device, or two lie there already",
    ),
    Move(
        id=MoveId.SIDE_BRANCH_ANCHOR,
        words="anchor balloon in a side branch",
        facts=move_facts.SIDE_BRANCH_ANCHOR,
        effects=(rig_moves.side_branch_anchor,),
        lacking="no branch of 1.5 mm or more before the lesion with a balloon for it, or one is inflated",
    ),
    Move(
        id=MoveId.TRAPPED_WIRE,
        words="trap the buddy wire behind a proximal stent",
        facts=move_facts.TRAPPED_WIRE,
        effects=(rig_moves.trapped_wire,),
        lacking="no stent is pushed",
        about=rig_moves.trap_facts,
    ),
    Move(
        id=MoveId.SEAT_DEEPER,
        words="seat the guide deeper",
        facts=move_facts.SEAT_DEEPER,
        effects=(guide_moves.seat_deeper,),
        lacking="the lumen is too narrow, too bent, diseased, or in use where the tip would go, or it sits 15 mm deep",
    ),
    Move(
        id=MoveId.PREPARE_AGAIN,
        words="prepare again with a balloon",
        facts=move_facts.NON_COMPLIANT,
        effects=(device_moves.plain_balloon, device_moves.non_compliant_balloon),
        lacking="it was done, or the shelf has no balloon up to the distal reference",
    ),
    Move(
        id=MoveId.SCORING_BALLOON,
        words="scoring or cutting balloon",
        facts=move_facts.SCORING,
        effects=(device_moves.scoring_balloon,),
        lacking="it was done, or the shelf has none up to the distal reference",
    ),
    Move(
        id=MoveId.LITHOTRIPSY,
        words="lithotripsy",
        facts=move_facts.LITHOTRIPSY,
        effects=(device_moves.lithotripsy,),
        lacking="no moderate or severe calcium, it was done, or the shelf has none up to the distal reference",
    ),
    Move(
        id=MoveId.ATHERECTOMY,
        words="rotational atherectomy",
        facts=move_facts.ATHERECTOMY,
        effects=(device_moves.atherectomy,),
        lacking="no moderate or severe calcium, it was done, or no burr suits vessel and guide",
    ),
    Move(
        id=MoveId.OTHER_DEVICE,
        words="a device of lower profile, more flexible, or shorter",
        facts=move_facts.OTHER_DEVICE,
        effects=(device_moves.other_device,),
        lacking="the shelf has none for the same job",
    ),
    Move(
        id=MoveId.TWO_SHORTER_STENTS,
        words="two shorter stents",
        facts=move_facts.TWO_SHORTER_STENTS,
        effects=(device_moves.two_shorter_stents,),
        lacking="no two stents on the shelf cover the target together",
    ),
    Move(
        id=MoveId.OTHER_GUIDE,
        words="more supportive or larger guide",
        facts=move_facts.OTHER_GUIDE,
        effects=(guide_moves.other_guide,),
        lacking="none on the shelf holds a tenth more for this artery and sheath",
    ),
    Move(
        id=MoveId.SECOND_ACCESS,
        words="second access, a guide by the femoral route",
        facts=move_facts.SECOND_ACCESS,
        effects=(guide_moves.second_access,),
        lacking="the guide comes by the femoral route already",
    ),
    Move(
        id=MoveId.TAKE_OUT_WRAPPED_WIRE,
        words="take a wrapped wire out",
        facts=move_facts.TAKE_OUT_WRAPPED_WIRE,
        effects=(rig_moves.take_out_wrapped_wire,),
        lacking=_SHELF,
    ),
    Move(
        id=MoveId.EXTENSION_OVER_BALLOON,
        words="guide extension tracked over a balloon",
        facts=move_facts.EXTENSION_OVER_BALLOON,
        why_unranked="in place it is the same as the extension; that the balloon leads its edge past steps of the wall is not in the model",
    ),
    Move(
        id=MoveId.HOLD_WIRE_IN_TENSION,
        words="hold the wire in tension while the device goes in",
        facts=move_facts.HOLD_WIRE_IN_TENSION,
        why_unranked="no rung of its own: it goes with any push and takes next to nothing",
    ),
    Move(
        id=MoveId.ROTATE_GUIDE,
        words="rotate the guide into line",
        facts=move_facts.ROTATE_GUIDE,
        why_unranked="no rung of its own: it goes with any push and takes next to nothing",
    ),
    Move(
        id=MoveId.DEEP_INSPIRATION,
        words="deep inspiration while the device goes in",
        facts=move_facts.DEEP_INSPIRATION,
        why_unranked="no rung of its own: it goes with any push and takes next to nothing",
    ),
    Move(
        id=MoveId.REWIRE,
        words="re-wire for another bias",
        facts=move_facts.REWIRE,
        why_unranked="which way a wire lies is not in the model; for an edge that catches",
    ),
    Move(
        id=MoveId.SOFT_BALLOON_BESIDE,
        words="a balloon inflated softly beside the stent's path",
        facts=move_facts.SOFT_BALLOON_BESIDE,
        why_unranked="what it deflects is not in the model; for an edge that catches",
    ),
    Move(
        id=MoveId.DISTAL_ANCHOR,
        words="anchor balloon beyond the lesion",
        facts=move_facts.DISTAL_ANCHOR,
        why_unranked="its shaft beside the device is not in the model; for an extension or a balloon",
    ),
    Move(
        id=MoveId.LONG_SHEATH,
        words="long sheath",
        facts=move_facts.LONG_SHEATH,
        why_unranked="no term of the model, and no bench that was read, stands behind it",
    ),
    Move(
        id=MoveId.DRUG_COATED_BALLOON,
        words="drug-coated balloon instead of a stent",
        facts=move_facts.DRUG_COATED_BALLOON,
        why_unranked="another aim than a stent: weigh what it leaves, not only whether it gets there",
        ends=True,
    ),
    Move(
        id=MoveId.ANOTHER_DAY,
        words="come back another day",
        facts=move_facts.ANOTHER_DAY,
        why_unranked="a way to stop: a dissection heals, contrast and dose start anew",
        ends=True,
    ),
    Move(
        id=MoveId.STOP,
        words="stop",
        facts=move_facts.STOP,
        why_unranked="the end of every ladder: it costs what the case file says",
        ends=True,
    ),
)
"""In the order they are listed: support before plaque change before other tools, then what is not ranked."""


def single_moves(s: Situation) -> tuple[Alternative, ...]:
    """Return every single move of a situation that nothing blocks.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Returns
    -------
    tuple of Alternative
        Row by row; combinations are left to whoever makes one move after another.
    """
    found = (one for move in MOVES for effect in move.effects for one in effect(s))
    return tuple({one.id: one for one in found if not one.blocked and len(one.moves) == 1}.values())
