"""Which answers a question offers: one of each kind of move that stood open, and what was done among them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from backstay.core.rigging.moves import Alternative
from backstay.identifiers import MoveId

MOST_OFFERED = 6
"""Besides the rig as it is, what was done, and stopping: more than this nobody weighs."""
DONE_ID = "as_done"


def offered(
    options: Sequence[Alternative], done: Alternative | None, *, most: int = MOST_OFFERED
) -> tuple[Alternative, ...]:
    """Return what a question offers.

    Parameters
    ----------
    options : sequence of Alternative
        The rig in place first, then what the shelf and the anatomy allowed.
    done : Alternative or None
        What was done; None where the case ended.
    most : int
        How many besides the rig in place and what was done.

    Returns
    -------
    tuple of Alternative
        The rig in place first, then in the order of the list, so that the order gives nothing away. What was
        done stands where its own kind stands, under the id `DONE_ID`.
    """
    first, *others = options
    if done is not None and _same(done, first):
        done, first = None, replace(first, id=DONE_ID)
    kinds: dict[tuple[MoveId, ...], Alternative] = {}
    for one in others:
        kinds.setdefault(_kind(one.moves), one)
    mine = None if done is None else _kind(done.moves)
    kept = {kind: one for kind, one in _spread(kinds, most, mine).items()}
    if done is not None and mine is not None:
        same = next((one for one in others if _same(one, done)), None)
        # What the list knows of its costs and conditions counts; the words are those of what was done.
        kept[mine] = done if same is None else replace(same, id=DONE_ID, change=done.change)
    ordered = [kind for kind in kinds if kind in kept] + [kind for kind in kept if kind not in kinds]
    return (first, *(kept[kind] for kind in ordered))


def _spread(
    kinds: dict[tuple[MoveId, ...], Alternative], most: int, mine: tuple[MoveId, ...] | None
) -> dict[tuple[MoveId, ...], Alternative]:
    """Return at most so many kinds, single moves before combinations."""
    others = [kind for kind in kinds if kind != mine]
    chosen = sorted(others, key=len)[:most]
    return {kind: one for kind, one in kinds.items() if kind in chosen or kind == mine}


def _kind(moves: Sequence[MoveId]) -> tuple[MoveId, ...]:
    return tuple(sorted(set(moves)))


def _same(one: Alternative, other: Alternative) -> bool:
    """Return whether two are the same to the model: rig, device, and what is done to each lesion."""
    return (
        one.rig == other.rig
        and one.device.id == other.device.id
        and [set(x.prepared) for x in one.lesions] == [set(x.prepared) for x in other.lesions]
    )
