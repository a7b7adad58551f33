"""What was changed from one moment to another, in the trade's words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from backstay.core.record.setup import Setup
from backstay.core.rigging import move_facts
from backstay.core.rigging.devices import OverWireDevice
from backstay.core.rigging.move_facts import MoveFacts
from backstay.identifiers import MoveId, Preparation

_PREPARED = {
    "small_balloon": "a small balloon",
    "semi_compliant_balloon": "a semi-compliant balloon",
    "non_compliant_balloon": "a non-compliant balloon",
    "scoring_balloon": "a scoring balloon",
    "lithotripsy": "lithotripsy",
    "atherectomy": "atherectomy",
}


def changes(
    before: Setup,
    pushed_before: OverWireDevice,
    after: Setup,
    pushed: OverWireDevice,
    *,
    prepared_with: Sequence[str] = (),
) -> tuple[tuple[MoveId, ...], str]:
    """Return the moves that make the later setup of the earlier one, and the change in words.

    Parameters
    ----------
    before : Setup
        A moment of a record.
    pushed_before : OverWireDevice
        The device pushed then.
    after : Setup
        A later moment.
    pushed : OverWireDevice
        The device pushed then.
    prepared_with : sequence of str
        Names of what prepared the lesion in between; the kind of preparation is named where there is none.

    Returns
    -------
    tuple of (tuple of MoveId, str)
        `AS_IT_IS` and "push it as things stand" where nothing changed.
    """
    found = [*_of_rig(before, after), *_of_lesions(before, after, prepared_with)]
    if pushed.id != pushed_before.id:
        found.append((MoveId.OTHER_DEVICE, f"{pushed.name} in place of {pushed_before.name}"))
    if not found:
        return (MoveId.AS_IT_IS,), "push it as things stand"
    return tuple(move for move, _ in found), "; ".join(words for _, words in found)


def _of_rig(before: Setup, after: Setup) -> list[tuple[MoveId, str]]:
    old, new = before.rig, after.rig
    found = []
    if new.guide.id != old.guide.id:
        found.append((MoveId.OTHER_GUIDE, f"{new.guide.name} in place of {old.guide.name}"))
    if new.seat_mm > old.seat_mm:
        found.append((MoveId.SEAT_DEEPER, f"seat the guide {new.seat_mm:.0f} mm deep"))
    if new.extension is not None and (
        old.extension is None or new.extension_depth_mm != old.extension_depth_mm
    ):
        found.append((MoveId.EXTENSION, f"{new.extension.name} to {new.extension_depth_mm:.0f} mm"))
    if new.rail.id != old.rail.id:
        found.append((MoveId.STIFFER_RAIL, f"exchange the rail for {new.rail.name}"))
    added = list((Counter(w.id for w in new.buddies) - Counter(w.id for w in old.buddies)).elements())
    names = {wire.id: wire.name for wire in new.buddies}
    found += [(MoveId.BUDDY_WIRE, f"buddy wire: {names[one]}") for one in added]
    if new.anchor is not None and old.anchor is None:
        found.append((MoveId.SIDE_BRANCH_ANCHOR, f"anchor balloon in {new.anchor.branch}"))
    if new.trapped is not None and old.trapped is None:
        found.append((MoveId.TRAPPED_WIRE, f"trap {new.trapped.wire.name} behind a stent"))
    return found + _taken_out(before, after)


def _taken_out(before: Setup, after: Setup) -> list[tuple[MoveId, str]]:
    old, new, found = before.rig, after.rig, []
    if old.extension is not None and new.extension is None:
        found.append("the extension out")
    gone = sum((Counter(w.id for w in old.buddies) - Counter(w.id for w in new.buddies)).values())
    if gone and new.trapped is None:
        found.append("the buddy wire out")
    if old.anchor is not None and new.anchor is None:
        found.append("the anchor balloon down")
    return [(MoveId.AS_IT_IS, words) for words in found]


def _of_lesions(before: Setup, after: Setup, prepared_with: Sequence[str]) -> list[tuple[MoveId, str]]:
    done = added_preparations(before, after)
    named = prepared_with or [_PREPARED.get(one, one) for one in done]
    words = " and ".join(dict.fromkeys(named))
    return [(_PREPARED_BY.get(done[-1], MoveId.PREPARE_AGAIN), f"prepare with {words}")] if done else []


_PREPARED_BY = {
    Preparation.SCORING: MoveId.SCORING_BALLOON,
    Preparation.LITHOTRIPSY: MoveId.LITHOTRIPSY,
    Preparation.ATHERECTOMY: MoveId.ATHERECTOMY,
}
_FACTS = {
    MoveId.SEAT_DEEPER: move_facts.SEAT_DEEPER,
    MoveId.EXTENSION: move_facts.EXTENSION,
    MoveId.STIFFER_RAIL: move_facts.STIFFER_RAIL,
    MoveId.BUDDY_WIRE: move_facts.BUDDY_WIRE,
    MoveId.SIDE_BRANCH_ANCHOR: move_facts.SIDE_BRANCH_ANCHOR,
    MoveId.TRAPPED_WIRE: move_facts.TRAPPED_WIRE,
    MoveId.OTHER_GUIDE: move_facts.OTHER_GUIDE,
    MoveId.OTHER_DEVICE: move_facts.OTHER_DEVICE,
}
_PREPARATION_FACTS = {
    Preparation.SMALL_BALLOON: move_facts.SMALL_BALLOON,
    Preparation.SEMI_COMPLIANT: move_facts.PLAIN_BALLOON,
    Preparation.NON_COMPLIANT: move_facts.NON_COMPLIANT,
    Preparation.SCORING: move_facts.SCORING,
    Preparation.LITHOTRIPSY: move_facts.LITHOTRIPSY,
    Preparation.ATHERECTOMY: move_facts.ATHERECTOMY,
}


def added_preparations(before: Setup, after: Setup) -> list[Preparation]:
    """Return what was done to the lesions from one moment to another, each once.

    Parameters
    ----------
    before, after : Setup
        Two moments of a record.

    Returns
    -------
    list of Preparation
    """
    pairs = zip(before.lesions, after.lesions, strict=True)
    return list(dict.fromkeys(one for old, new in pairs for one in new.prepared[len(old.prepared) :]))


def facts_of(kinds: Sequence[MoveId], prepared: Sequence[Preparation]) -> list[MoveFacts]:
    """Return what is said of moves and what setting them up takes.

    Parameters
    ----------
    kinds : sequence of MoveId
        The moves.
    prepared : sequence of Preparation
        What the lesion was prepared with, where it was.

    Returns
    -------
    list of MoveFacts
    """
    found = [_FACTS[kind] for kind in kinds if kind in _FACTS]
    return [*found, *(_PREPARATION_FACTS[one] for one in prepared)] or [move_facts.AS_IT_IS]
