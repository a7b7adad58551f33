"""A guide brought to rest with its tip seated: the state that is pushed back from."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from backstay.core.guide.aorta import Aorta, Place, place
from backstay.core.guide.rod import Hold, Rod, State, settle
from backstay.core.guide.section import Wall, tube_section
from backstay.core.guide.shapes import Curve, curve
from backstay.errors import NotConverged
from backstay.identifiers import Access, Coronary, GuideShape

FloatArray = NDArray[np.float64]

WALL_MPA = 1.0
"""Stiffness of aortic wall and bed per length of guide; judgement (the vessel bed's range is 0.03 to 3)."""
HOLD_N_PER_MM = 200.0
STARTS_MM = (0.0, 6.0, -6.0, 3.0, -3.0)
"""Shaft fed at the start; another where the guide does not come to rest."""
FEED_STEP_MM, SHORTEST_FEED_MM = 2.0, 0.05
MOST_BACK_MM, MOST_FEED_MM = 18.0, 60.0
COAXIAL_DEG = 30.0
"""A tip that stands farther from the vessel's direction is not seated: over 4 mm a 2 mm tip in a 4.5 mm ostium has room for 32 degrees."""
SNUG_SHARE = 0.4
"""A hand that feeds the shaft stops where it answers with this part of B / D^2 (B bending stiffness, D the root's diameter): 0.18 N for a
6 Fr guide in a root of 34 mm. Judgement, no source; set when the benches' ratios had been seen, so its effect is reported."""
FAR_MM = 22.0
"""Beyond the guide's tip by this much a child feels the vessel alone."""
FINE_MM, COARSE_MM, FINE_LENGTH_MM = 1.25, 1.5, 110.0
MORE_IN_SINUS_MM = 10.0
FROM_BELOW = (GuideShape.AMPLATZ_LEFT, GuideShape.AMPLATZ_RIGHT)
SPRINGS_SHARE = 0.1
NO_LOAD = np.zeros(3)
VESSEL_STEP_MM = 0.25


@dataclass(frozen=True)
class Child:
    """A catheter telescoped through the guide, held with it at the hub.

    Attributes
    ----------
    outer_mm, bore_mm : float
        Its tube.
    depth_mm : float
        How far its tip stands beyond the ostium.
    modulus_MPa : float
        Bending modulus; softer than a guide's (judgement).
    """

    outer_mm: float
    bore_mm: float
    depth_mm: float
    modulus_MPa: float = 1300.0


@dataclass(frozen=True)
class Setup:
    """Everything one solve of a guide stands on.

    Attributes
    ----------
    shape : GuideShape
        Shape family.
    size_mm : float
        Size of the curve.
    outer_mm, bore_mm : float
        The tube.
    access : Access
        Way in.
    coronary : Coronary
        Where it is seated.
    aorta : Aorta
        Root and arch.
    wall : Wall
        Material.
    seat_mm : float
        How far the tip stands in the vessel.
    friction : float
        On the wall.
    child : Child or None
        Catheter telescoped through it.
    planar : bool
        Everything in the arch's plane.
    wall_MPa : float
        Stiffness of wall and bed per length of guide.
    snug_share : float
        How firmly the shaft is fed; see `seat`.
    """

    shape: GuideShape
    size_mm: float
    outer_mm: float
    bore_mm: float
    access: Access
    coronary: Coronary
    aorta: Aorta = field(default_factory=Aorta)
    wall: Wall = field(default_factory=Wall)
    seat_mm: float = 4.0
    friction: float = 0.10
    child: Child | None = None
    planar: bool = True
    wall_MPa: float = WALL_MPA
    snug_share: float = SNUG_SHARE


@dataclass(frozen=True)
class Seated:
    """A guide at rest with its tip in the vessel.

    Attributes
    ----------
    rod, state, hold : Rod, State, Hold
        The rod, its state, and the hold on its tip.
    place : Place
        The space.
    tip_node : int
        Node at the guide's own tip (the child's may lie further).
    behind_tip_mm : ndarray, shape (n + 1,)
        Distance of each node behind the guide's tip; negative along a child beyond it.
    """

    rod: Rod
    state: State
    hold: Hold
    place: Place
    tip_node: int
    behind_tip_mm: FloatArray


def frames_along(edges: FloatArray, out_of_plane: FloatArray) -> FloatArray:
    """Return frames with the third axis along the edges and the second as near as can be to a direction.

    Parameters
    ----------
    edges : ndarray, shape (n, 3)
        Edge vectors.
    out_of_plane : ndarray, shape (3,)
        Direction of the second axis.

    Returns
    -------
    ndarray, shape (n, 4)
        Quaternions (w, x, y, z).
    """
    third = edges / np.linalg.norm(edges, axis=1, keepdims=True)
    second = out_of_plane - (third @ out_of_plane)[:, None] * third
    second /= np.linalg.norm(second, axis=1, keepdims=True)
    first = np.cross(second, third)
    matrix = np.stack([first, second, third], axis=2)
    found = Rotation.from_matrix(matrix).as_quat()
    q = np.concatenate([found[:, 3:], found[:, :3]], axis=1)
    for j in range(1, len(q)):
        if q[j] @ q[j - 1] < 0.0:
            q[j] = -q[j]
    return np.ascontiguousarray(q)


def _rounded(points: FloatArray, times: int = 4) -> FloatArray:
    """Return a polyline with its corners cut, ends kept."""
    for _ in range(times):
        a, b = points[:-1], points[1:]
        cut = np.empty((2 * len(a), points.shape[1]))
        cut[0::2], cut[1::2] = 0.75 * a + 0.25 * b, 0.25 * a + 0.75 * b
        points = np.vstack([points[:1], cut, points[-1:]])
    return points


def _guess(setup: Setup, where: Place, tip_depth_mm: float) -> FloatArray:
    """Return a rough course of the guide, from the base to the tip."""
    aorta, out = setup.aorta, where.outward
    up = np.array([0.0, 1.0, 0.0])
    radius, root = 0.5 * aorta.ascending_diameter_mm - 2.0, 0.5 * aorta.root_diameter_mm - 2.0
    height = aorta.ostium_height_mm
    shape = setup.shape
    if shape is GuideShape.STANDARD_LEFT:
        via = [-radius * out + (height + 32.0) * up, -0.9 * radius * out + (height + 18.0) * up]
    elif shape is GuideShape.EXTRA_BACKUP_LEFT:
        via = [
            -radius * out + (height + 30.0) * up,
            -root * out + (height + 12.0) * up,
            -0.6 * root * out + (height + 2.0) * up,
        ]
    elif shape in (GuideShape.AMPLATZ_LEFT, GuideShape.AMPLATZ_RIGHT):
        via = [
            -radius * out + (height + 28.0) * up,
            -root * out + (height + 2.0) * up,
            -0.5 * root * out + 3.0 * up,
            0.4 * root * out + 4.0 * up,
        ]
    else:
        via = [-0.3 * radius * out + (height + 40.0) * up, 0.5 * radius * out + (height + 8.0) * up]
    mouth = where.ostium - 5.0 * where.axis
    arc = VESSEL_STEP_MM * np.arange(len(where.vessel))
    inside = where.vessel[arc <= tip_depth_mm][:: int(2.0 / VESSEL_STEP_MM)]
    tip = np.array([np.interp(tip_depth_mm, arc, where.vessel[:, k]) for k in range(3)])
    return _rounded(np.vstack([where.way_in, *[np.atleast_2d(v) for v in via], mouth, inside, tip]))


def _spacing(length_mm: float, fine_mm: float) -> FloatArray:
    """Return edge lengths from the base to the tip: fine over `fine_mm` next to the tip, coarse behind."""
    fine = np.full(int(np.ceil(min(fine_mm, length_mm) / FINE_MM)), FINE_MM)
    rest = length_mm - fine.sum()
    if rest <= 0.5 * COARSE_MM:
        return np.asarray(fine * (length_mm / fine.sum()))
    count = max(round(rest / COARSE_MM), 1)
    return np.concatenate([np.full(count, rest / count), fine])


def rod_of(setup: Setup, length_mm: FloatArray, *, vessel_piece: int = 0) -> Rod:
    """Return the rod of a guide, and of a child with it, laid out on edges.

    Parameters
    ----------
    setup : Setup
        What is solved.
    length_mm : ndarray, shape (n,)
        Edge lengths, from the base to the tip (the child's, where there is one).
    vessel_piece : int
        First piece of the vessel in the lumen.

    Returns
    -------
    Rod
        Stiffness, rest curvature and radius along it. Where guide and child lie one in the other their stiffnesses add, and the rest
        curvature is the guide's times its share of the stiffness.
    """
    ahead = 0.0 if setup.child is None else setup.child.depth_mm - setup.seat_mm
    nodes = np.concatenate([[0.0], np.cumsum(length_mm)])
    behind = (nodes[-1] - nodes) - ahead
    n = len(length_mm)
    width = np.concatenate([[length_mm[0]], 0.5 * (length_mm[1:] + length_mm[:-1])])
    guide = tube_section(outer_mm=setup.outer_mm, bore_mm=setup.bore_mm, modulus_MPa=setup.wall.modulus_MPa)
    at_joint, at_edge = behind[:-1], 0.5 * (behind[:-1] + behind[1:])

    def laid(places: FloatArray) -> FloatArray:
        soft = np.where(places < setup.wall.tip_mm, setup.wall.tip_share, 1.0)
        return np.asarray(np.where(places >= 0.0, soft, 0.0))

    joint, edge = laid(at_joint), laid(at_edge)
    extra = (
        None
        if setup.child is None
        else tube_section(
            outer_mm=setup.child.outer_mm,
            bore_mm=setup.child.bore_mm,
            modulus_MPa=setup.child.modulus_MPa,
        )
    )
    own = guide.bending_Nmm2 * joint
    bend = own + (extra.bending_Nmm2 if extra else 0.0)
    twist = guide.twist_Nmm2 * joint + (extra.twist_Nmm2 if extra else 0.0)
    shear = guide.shear_N * edge + (extra.shear_N if extra else 0.0)
    stretch = guide.stretch_N * edge + (extra.stretch_N if extra else 0.0)
    side = 1.0 if setup.coronary is Coronary.LEFT else -1.0
    rest = np.zeros((n, 3))
    shaped: Curve = curve(setup.shape, size_mm=setup.size_mm)
    mean = shaped.mean_curvature_per_mm(at_joint, width) * side * own / bend
    rest[:, 1] = 2.0 * np.tan(0.5 * mean * width) / width
    radius = np.where(behind >= 0.0, guide.radius_mm, extra.radius_mm if extra else guide.radius_mm)
    share = np.concatenate([[0.0], 0.5 * (length_mm[1:] + length_mm[:-1]), [0.5 * length_mm[-1]]])
    return Rod(
        length_mm,
        rest,
        np.stack([bend, bend, twist], axis=1),
        np.stack([shear, shear, stretch], axis=1),
        radius,
        setup.wall_MPa * share,
        np.where(behind < -FAR_MM, vessel_piece, 0).astype(np.int64),
        setup.planar,
    )


def seat(setup: Setup) -> Seated:
    """Bring a guide to rest with its tip seated.

    Parameters
    ----------
    setup : Setup
        What is solved.

    Returns
    -------
    Seated
        The state, without friction.

    Raises
    ------
    NotConverged
        No state of rest was found.

    Notes
    -----
    The tip is kept at its depth in the vessel and the shaft is fed forward, as a hand does it: until the tip lies coaxially, and on from
    there until the shaft answers with `snug_share` B / D^2 or the tip would tilt out of the vessel's direction. An Amplatz type counts
    as coaxial only when its tip rises into the vessel from the sinus below (common practice, no source). Where the tip springs out at
    every length, the length at which it does so least is taken. A catheter telescoped through the guide comes afterwards, the shaft
    left where it is.
    """
    where = place(setup.aorta, access=setup.access, coronary=setup.coronary)
    alone = replace(setup, child=None)
    rod, nodes, state = _begun(alone, where)
    axis = _direction(where, setup.seat_mm)
    hold = Hold(len(nodes) - 1, axis, float(state.x[-1] @ axis), HOLD_N_PER_MM, NO_LOAD)
    state = _shaped(rod, where, state, hold)
    hub_N = setup.snug_share * float(rod.bending_Nmm2[0, 0]) / setup.aorta.root_diameter_mm**2
    state = _fed(_Feeding(rod, where, state, hold), state, hub_N, from_below=setup.shape in FROM_BELOW)
    return telescoped(setup, Seated(rod, state, hold, where, len(nodes) - 1, nodes[-1] - nodes))


def _begun(setup: Setup, where: Place) -> tuple[Rod, FloatArray, State]:
    """Return the rod, the places of its nodes along it, and a rough first state."""
    course = _guess(setup, where, setup.seat_mm)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(course, axis=0), axis=1))])
    length = _spacing(float(along[-1]), FINE_LENGTH_MM + setup.seat_mm)
    nodes = np.concatenate([[0.0], np.cumsum(length)])
    x = np.stack([np.interp(nodes, along, course[:, k]) for k in range(3)], axis=1)
    state = _state(x)
    if setup.shape in FROM_BELOW:
        state = state.moved_base(MORE_IN_SINUS_MM * (x[1] - x[0]) / np.linalg.norm(x[1] - x[0]))
    return rod_of(setup, length, vessel_piece=where.vessel_piece), nodes, state


def _state(x: FloatArray) -> State:
    q = frames_along(np.diff(x, axis=0), np.array([0.0, 0.0, 1.0]))
    return State(x, q, q[0].copy(), np.zeros_like(x), np.zeros(len(x)))


def _direction(where: Place, depth_mm: float) -> FloatArray:
    """Return the vessel's direction at a depth."""
    at = min(max(int(depth_mm / VESSEL_STEP_MM), 1), len(where.vessel) - 2)
    along = where.vessel[at + 1] - where.vessel[at - 1]
    return np.asarray(along / np.linalg.norm(along))


def _shaped(rod: Rod, where: Place, begun: State, hold: Hold) -> State:
    """Return the state of rest with the curve at once, from the first length of shaft at which it is found, or brought in step by step."""
    inwards = begun.x[1] - begun.x[0]
    inwards /= np.linalg.norm(inwards)
    for start_mm in STARTS_MM:
        state = begun.moved_base(start_mm * inwards)
        found = settle(rod, where.lumen, state, hold, friction=0.0, drag_N_per_mm=2.0, most=100)
        if found.found:
            return found.state
    state = begun
    for share in (0.2, 0.4, 0.6, 0.8, 1.0):
        state = _relaxed(replace(rod, rest=share * rod.rest), where, state, hold)
    return state


def _relaxed(rod: Rod, where: Place, state: State, hold: Hold) -> State:
    """Return the state of rest that an overdamped rod reaches from a state, without friction."""
    residual = np.nan
    for drag, most in ((2.0, 300), (20.0, 600), (200.0, 1200)):
        found = settle(rod, where.lumen, state, hold, friction=0.0, drag_N_per_mm=drag, most=most)
        if found.found:
            return found.state
        residual = found.residual_N
    raise NotConverged("the guide did not come to rest in the aorta", iterations=1200, residual=residual)


class _Feeding:
    """The shaft moved in and out at the base, the tip kept where it is, without friction."""

    def __init__(self, rod: Rod, where: Place, state: State, hold: Hold) -> None:
        self.rod, self.lumen, self.hold, self.axis = rod, where.lumen, hold, where.axis
        inwards = state.x[1] - state.x[0]
        self.inwards = inwards / np.linalg.norm(inwards)

    def press_N(self, state: State) -> float:
        """Return the force with which the tip presses into the vessel."""
        return -self.hold.force_N(state)

    def hub_N(self, state: State) -> float:
        """Return the push that keeps the shaft where it is."""
        edges = np.linalg.norm(np.diff(state.x[:4], axis=0), axis=1)
        return float(np.mean((1.0 - edges / self.rod.length_mm[:3]) * self.rod.stretch_N[:3, 2]))

    def coaxial(self, state: State, *, from_below: bool) -> bool:
        """Return whether the tip lies along the vessel."""
        tip = state.x[-1] - state.x[-3]
        along = float(tip @ self.axis / np.linalg.norm(tip))
        if from_below and tip[1] < along * np.linalg.norm(tip) * self.axis[1]:
            return False
        return along >= math.cos(math.radians(COAXIAL_DEG))

    def about(self, state: State, by_mm: float) -> State | None:
        """Return the state of rest with the shaft moved by as much, or a little more or less; None where none is found."""
        for share in (1.0, 0.85, 1.15, 0.5, 1.5):
            moved = state.moved_base(share * by_mm * self.inwards)
            for drag, most in ((0.0, 20), (1.0, 60)):
                found = settle(
                    self.rod, self.lumen, moved, self.hold, friction=0.0, drag_N_per_mm=drag, most=most
                )
                if found.found:
                    return found.state
        return None


def _fed(feeding: _Feeding, state: State, hub_N: float, *, from_below: bool) -> State:
    """Return the state at which a hand stops feeding; see `seat`."""
    state = _slack(feeding, state, hub_N, from_below=from_below)
    seated, fallback, fed, step = None, state, 0.0, FEED_STEP_MM
    while fed < MOST_FEED_MM and step > SHORTEST_FEED_MM:
        coaxial = feeding.coaxial(state, from_below=from_below)
        if coaxial and feeding.press_N(state) >= -SPRINGS_SHARE * hub_N and feeding.hub_N(state) <= hub_N:
            seated = state
        elif seated is not None:
            step *= 0.5
        elif coaxial and feeding.press_N(state) > feeding.press_N(fallback):
            fallback = state
        fed += step
        moved = feeding.about(state if seated is None else seated, step)
        if moved is None:
            if seated is None:
                break
            step *= 0.5
        else:
            state = moved
    found = fallback if seated is None else seated
    return replace(found, rubs_N=np.zeros_like(found.rubs_N))


def _slack(feeding: _Feeding, state: State, hub_N: float, *, from_below: bool) -> State:
    """Draw the shaft back until the tip begins to be pulled out; a guide that rises from the sinus, until the shaft is slack enough."""
    for _ in range(int(MOST_BACK_MM / FEED_STEP_MM)):
        if feeding.hub_N(state) <= hub_N if from_below else feeding.press_N(state) < 0.0:
            break
        moved = feeding.about(state, -FEED_STEP_MM)
        if moved is None:
            break
        state = moved
    return state


def telescoped(setup: Setup, alone: Seated) -> Seated:
    """Telescope a catheter through a seated guide, the shaft left where it is.

    Parameters
    ----------
    setup : Setup
        What is solved, with the catheter.
    alone : Seated
        The guide without it.

    Returns
    -------
    Seated
        Guide and catheter at rest, without friction.

    Raises
    ------
    NotConverged
        No state of rest was found.
    """
    if setup.child is None or setup.child.depth_mm <= setup.seat_mm:
        return alone
    where = alone.place
    ahead = setup.child.depth_mm - setup.seat_mm
    more = np.full(max(round(ahead / FINE_MM), 1), 0.0)
    more[:] = ahead / len(more)
    length = np.concatenate([alone.rod.length_mm, more])
    depth = setup.seat_mm + np.cumsum(more)
    arc = VESSEL_STEP_MM * np.arange(len(where.vessel))
    beyond = np.stack([np.interp(depth, arc, where.vessel[:, k]) for k in range(3)], axis=1)
    state = replace(_state(np.vstack([alone.state.x, beyond])), base_frame=alone.state.base_frame)
    axis = _direction(where, setup.child.depth_mm)
    hold = Hold(len(length), axis, float(state.x[-1] @ axis), HOLD_N_PER_MM, NO_LOAD)
    for share in (0.3, 1.0):
        soft = replace(setup.child, modulus_MPa=share * setup.child.modulus_MPa)
        rod = rod_of(replace(setup, child=soft), length, vessel_piece=where.vessel_piece)
        state = _relaxed(rod, where, state, hold)
    return Seated(
        rod, state, hold, where, alone.tip_node, np.concatenate([alone.behind_tip_mm, setup.seat_mm - depth])
    )
