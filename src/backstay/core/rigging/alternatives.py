"""What else could be tried: a short list of rigs, preparations and devices beside what is in place."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.rigging import device_moves, guide_moves, move_facts, rig_moves
from backstay.core.rigging.devices import OverWireDevice, Shelf
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Rig
from backstay.core.rules import Facts
from backstay.identifiers import MoveId

__all__ = ["MOST_ALTERNATIVES", "Alternative", "alternatives"]

MOST_ALTERNATIVES = 20
"""How many are listed unless asked otherwise, the rig in place included."""

# In the order they are listed, support before plaque change before other tools; each yields its most useful
# form first.
_GROUPS: tuple[Callable[[Situation], Iterator[Alternative]], ...] = (
    rig_moves.extend,
    rig_moves.stiffer_rail,
    rig_moves.buddy_wire,
    rig_moves.with_extension,
    rig_moves.side_branch_anchor,
    rig_moves.trapped_wire,
    guide_moves.seat_deeper,
    device_moves.plain_balloon,
    device_moves.non_compliant_balloon,
    device_moves.scoring_balloon,
    device_moves.lithotripsy,
    device_moves.atherectomy,
    device_moves.other_device,
    device_moves.two_shorter_stents,
    guide_moves.other_guide,
)
# The depth of an extension matters more than a second choice of anything else.
_TWO_AT_A_TIME = rig_moves.extend


def alternatives(
    rig: Rig,
    device: OverWireDevice,
    *,
    shelf: Shelf,
    path: LumenPath,
    lesions: tuple[Lesion, ...],
    branches: tuple[Branch, ...],
    target_from_mm: float,
    target_to_mm: float,
    most: int = MOST_ALTERNATIVES,
    known: Facts | None = None,
) -> tuple[Alternative, ...]:
    """Return the rig in place and what else could be tried with this shelf in this vessel.

    Parameters
    ----------
    rig : Rig
        What is in place.
    device : OverWireDevice
        What is pushed.
    shelf : Shelf
        What the lab has.
    path : LumenPath
        The vessel from the ostium.
    lesions, branches : tuple of Lesion, tuple of Branch
        What lies along it.
    target_from_mm, target_to_mm : float
        Where the device's working section is to lie [mm].
    most : int
        How many to list, the rig in place included.
    known : mapping of str to value, optional
        What record and case file say, for the moves' needs.

    Returns
    -------
    tuple of Alternative
        The rig in place first ("as_it_is"), then the moves that nothing blocks, kind by kind. Where
        there are more than `most`, every kind keeps its first (an extension its first two depths) before any
        keeps a second.

    Raises
    ------
    InputError
        The target does not lie on the path.
    """
    situation = Situation(
        rig=rig,
        device=device,
        shelf=shelf,
        path=path,
        lesions=tuple(lesions),
        branches=tuple(branches),
        target_from_mm=target_from_mm,
        target_to_mm=target_to_mm,
        known=known or {},
    )
    as_it_is = situation.alternative("as_it_is", "as it is", [MoveId.AS_IT_IS], [move_facts.AS_IT_IS])
    groups = _unique([[one for one in group(situation) if not one.blocked] for group in _GROUPS])
    kept = {one.id for one in _by_turns(groups)[: most - 1]}
    return (as_it_is, *(one for group in groups for one in group if one.id in kept))


def _by_turns(groups: list[list[Alternative]]) -> list[Alternative]:
    """Return all alternatives in the order in which a short list keeps them: each kind in turn."""
    at_a_time = [2 if group is _TWO_AT_A_TIME else 1 for group in _GROUPS]
    turns = max(len(group) for group in groups)
    return [
        one
        for turn in range(turns)
        for group, count in zip(groups, at_a_time, strict=True)
        for one in group[turn * count : (turn + 1) * count]
    ]


def _unique(groups: list[list[Alternative]]) -> list[list[Alternative]]:
    """Return the groups with repeated ids told apart by a number (two branches may bear the same name)."""
    seen: dict[str, int] = {}
    renamed: list[list[Alternative]] = []
    for group in groups:
        renamed.append([])
        for one in group:
            seen[one.id] = seen.get(one.id, 0) + 1
            renamed[-1].append(one if seen[one.id] == 1 else replace(one, id=f"{one.id}_{seen[one.id]}"))
    return renamed
