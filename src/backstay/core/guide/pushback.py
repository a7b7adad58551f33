"""Pushing a seated guide's tip back out of the vessel: how much it holds, how, and where it rests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.guide.rod import Hold, State, settle
from backstay.core.guide.seating import Seated, Setup, seat

FloatArray = NDArray[np.float64]

STEP_MM = 0.5
SHORTEST_MM = 0.1
LEAST_FALL = 0.02
"""A push that falls by this part within one step has passed its highest: the step is halved, so that the highest is met closely."""
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

    @property
    def work_Nmm(self) -> float:
        """Return the work of the push until the guide is lost."""
        last = int(np.argmax(self.push_N)) + 1
        return float(np.trapezoid(np.maximum(self.push_N[:last], 0.0), self.retreat_mm[:last]))


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


@dataclass(frozen=True)
class Spring:
    """What ties the guide's tip to the vessel besides itself: an anchor balloon, a trapped wire, a wire held in tension.

    Attributes
    ----------
    stiffness_N_per_mm : float
        Pull per retreat.
    held_N : float
        Pull before the guide has moved.
    slips_N : float
        Pull at which it slips.
    """

    stiffness_N_per_mm: float
    held_N: float
    slips_N: float


def with_springs(found: PushBack, springs: Sequence[Spring]) -> PushBack:
    """Return a push-back with springs on the guide's tip.

    Parameters
    ----------
    found : PushBack
        The guide alone.
    springs : sequence of Spring
        What pulls its tip into the vessel.

    Returns
    -------
    PushBack
        The same states with the push that they take now.

    Notes
    -----
    Exact for springs that pull along the vessel's direction at the tip: the guide is then loaded by the push
    less the springs' pull, so at each retreat the two add. A wire in tension along the guide's bore presses it
    by tension x curvature, which is what the difference of the two axial loads is; nothing more.
    """
    total = found.push_N + sum(
        np.minimum(s.held_N + s.stiffness_N_per_mm * found.retreat_mm, s.slips_N) for s in springs
    )
    best = int(np.argmax(total))
    soft = min(SOFT_MM, float(found.retreat_mm[-1]))
    return replace(
        found,
        push_N=total,
        backup_N=float(total[best]),
        at_mm=float(found.retreat_mm[best]),
        stiffness_N_per_mm=float(np.interp(soft, found.retreat_mm, total) / max(soft, 1e-9)),
    )


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
        target = replace(hold, place_mm=hold.place_mm - gone - step)
        found = _stepped(begun, state, target, friction=setup.friction)
        fell = (
            found is not None
            and push[-1] == max(push)
            and -target.force_N(found) < (1.0 - LEAST_FALL) * push[-1]
        )
        if (found is None or fell) and step > SHORTEST_MM:
            step *= 0.5
            continue
        if found is None:
            complete = False
            break
        gone, state = gone + step, found
        retreat.append(gone)
        push.append(-target.force_N(state))
        shapes.append(state.x)
        normals.append(state.normal_N)
        step = STEP_MM if fell else min(2.0 * step, STEP_MM)
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


def _stepped(begun: Seated, state: State, target: Hold, *, friction: float) -> State | None:
    """Return the state with the tip moved, None where it is not found."""
    for drag, most in ((0.0, 25), (2.0, 80), (20.0, 120)):
        found = settle(
            begun.rod,
            begun.place.lumen,
            state,
            target,
            friction=friction,
            drag_N_per_mm=drag,
            most=most,
        )
        if found.found:
            return found.state
    return None
