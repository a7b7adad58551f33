"""Pushing a seated guide's tip back out of the vessel: how much it holds, how, and where it rests."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.guide.rod import settle
from backstay.core.guide.seating import Seated, Setup, seat

FloatArray = NDArray[np.float64]

STEP_MM = 0.5
SHORTEST_MM = 0.05
LOST_MM = 15.0
"""Retreat at which guide and child count as lost with the child still in the vessel: the guide stands in the aorta (judgement)."""
SOFT_MM = 1.0
"""Retreat over which the stiffness at the beginning is read."""


@dataclass(frozen=True)
class PushBack:
    """What one push-back of one guide found.

    Attributes
    ----------
    seated : Seated
        The guide before the push.
    shapes_mm : tuple of ndarray
        Nodes at every step [mm].
    normals_N : tuple of ndarray
        Load of the wall on every node at every step.
    retreat_mm, push_N : ndarray, shape (k,)
        How far the tip has gone back, and the push on it there.
    backup_N : float
        Highest push before the guide is lost.
    at_mm : float
        Retreat at which it is lost.
    stiffness_N_per_mm : float
        Push per retreat over the first millimetre.
    complete : bool
        Whether the march came to its end; else the last states could not be found, and the backup is a lower bound.
    """

    seated: Seated
    shapes_mm: tuple[FloatArray, ...]
    normals_N: tuple[FloatArray, ...]
    retreat_mm: FloatArray
    push_N: FloatArray
    backup_N: float
    at_mm: float
    stiffness_N_per_mm: float
    complete: bool


def push_back(setup: Setup) -> PushBack:
    """Seat a guide and push its tip back along the vessel until it is lost.

    Parameters
    ----------
    setup : Setup
        Guide, aorta, way in.

    Returns
    -------
    PushBack
        The push against the retreat, and what follows from it.

    Raises
    ------
    NotConverged
        The guide could not be seated.

    Notes
    -----
    The tip (the child's where there is one) is moved by known steps along the vessel's direction there; what that takes is the push. The
    guide is lost when its tip has left the ostium; with a child, when the child's has, or at 15 mm. Backup is the highest push
    on the way.
    """
    return pushed(setup, seat(setup))


def pushed(setup: Setup, begun: Seated) -> PushBack:
    """Push a seated guide back; see `push_back`.

    Parameters
    ----------
    setup : Setup
        Guide, aorta, way in.
    begun : Seated
        The guide at rest.

    Returns
    -------
    PushBack
        The push against the retreat.
    """
    way = setup.seat_mm if setup.child is None else min(max(setup.child.depth_mm, setup.seat_mm), LOST_MM)
    state, hold = begun.state, begun.hold
    retreat, push = [0.0], [-hold.force_N(state)]
    shapes, normals = [state.x], [state.normal_N]
    gone, step = 0.0, STEP_MM
    complete = True
    while gone < way - 1e-9:
        step = min(step, way - gone)
        target = replace(hold, place_mm=begun.hold.place_mm - gone - step)
        found = settle(begun.rod, begun.place.lumen, state, target, friction=setup.friction, most=25)
        for drag, most in ((2.0, 150), (20.0, 400)):
            if found.found:
                break
            found = settle(
                begun.rod,
                begun.place.lumen,
                state,
                target,
                friction=setup.friction,
                drag_N_per_mm=drag,
                most=most,
            )
        if not found.found:
            step *= 0.5
            if step < SHORTEST_MM:
                complete = False
                break
            continue
        gone += step
        state = found.state
        retreat.append(gone)
        push.append(-target.force_N(state))
        shapes.append(state.x)
        normals.append(state.normal_N)
        step = min(2.0 * step, STEP_MM)
        if setup.child is not None and push[-1] < 0.8 * max(push):
            break
    r, p = np.array(retreat), np.array(push)
    best = int(np.argmax(p))
    return PushBack(
        begun,
        tuple(shapes),
        tuple(normals),
        r,
        p,
        float(p[best]),
        float(r[best]),
        float(np.interp(min(SOFT_MM, r[-1]), r, p) / min(SOFT_MM, max(r[-1], 1e-9))),
        complete,
    )
