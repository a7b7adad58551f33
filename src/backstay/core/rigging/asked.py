"""A rig or device of the user's own choosing, as an alternative to what is in place.

What changed decides which moves it takes, and with them its costs, its conditions and its cautions.
"""

from __future__ import annotations

from backstay.core.rigging import move_facts
from backstay.core.rigging.devices import OverWireDevice
from backstay.core.rigging.move_facts import MoveFacts
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Rig
from backstay.identifiers import MoveId

Change = tuple[MoveId, MoveFacts, str]


def asked(
    situation: Situation, name: str, *, rig: Rig, device: OverWireDevice, target_moved: bool = False
) -> Alternative:
    """Return a rig and device of the user's choosing as an alternative.

    Parameters
    ----------
    situation : Situation
        What is in place, and the target asked for.
    name : str
        Its id.
    rig : Rig
        What is to be in place instead.
    device : OverWireDevice
        What is to be pushed instead.
    target_moved : bool
        The device is to land elsewhere than the case says.

    Returns
    -------
    Alternative
        With the moves that lead from what is in place to it; those that only take something away cost nothing here.
    """
    found = changes(situation, rig, device)
    said = [words for _, _, words in found]
    if target_moved:
        said.append(f"landing at {situation.target_from_mm:g} to {situation.target_to_mm:g} mm")
    if _took_away(situation.rig, rig) and not found:
        said.append("less support than in place")
    return situation.alternative(
        name,
        f"own choice: {', '.join(said) or 'as it is'}",
        [move for move, _, _ in found] or [MoveId.AS_IT_IS],
        [facts for _, facts, _ in found] or [move_facts.AS_IT_IS],
        rig=rig,
        device=device,
    )


def changes(situation: Situation, rig: Rig, device: OverWireDevice) -> list[Change]:
    """Return the moves between what is in place and another rig and device, each with what is said of it.

    Parameters
    ----------
    situation : Situation
        What is in place.
    rig : Rig
        The other rig.
    device : OverWireDevice
        The other device.

    Returns
    -------
    list of (MoveId, MoveFacts, str)
        In the order in which they would be made.
    """
    old, found = situation.rig, list[Change]()
    if rig.guide.id != old.guide.id:
        found.append((MoveId.OTHER_GUIDE, move_facts.OTHER_GUIDE, rig.guide.name))
    if rig.seat_mm > old.seat_mm:
        found.append((MoveId.SEAT_DEEPER, move_facts.SEAT_DEEPER, f"guide seated {rig.seat_mm:g} mm deep"))
    if rig.rail.id != old.rail.id:
        found.append((MoveId.STIFFER_RAIL, move_facts.STIFFER_RAIL, f"rail: {rig.rail.name}"))
    if rig.extension is not None and (rig.extension, rig.extension_depth_mm) != (
        old.extension,
        old.extension_depth_mm,
    ):
        words = f"{rig.extension.name} to {rig.extension_depth_mm:g} mm"
        found.append((MoveId.EXTENSION, move_facts.EXTENSION, words))
    kinds = (MoveId.BUDDY_WIRE, MoveId.SECOND_BUDDY_WIRE)
    for k, wire in enumerate(rig.buddies):
        if k >= len(old.buddies) or wire.id != old.buddies[k].id:
            found.append((kinds[min(k, 1)], move_facts.BUDDY_WIRE, f"buddy: {wire.name}"))
    if rig.anchor is not None and rig.anchor != old.anchor:
        words = f"anchor balloon in {rig.anchor.branch}"
        found.append((MoveId.SIDE_BRANCH_ANCHOR, move_facts.SIDE_BRANCH_ANCHOR, words))
    if device.id != situation.device.id:
        found.append((MoveId.OTHER_DEVICE, move_facts.OTHER_DEVICE, device.name))
    return found


def _took_away(old: Rig, new: Rig) -> bool:
    return (
        (old.extension is not None and new.extension is None)
        or len(new.buddies) < len(old.buddies)
        or new.seat_mm < old.seat_mm
        or (old.anchor is not None and new.anchor is None)
    )
