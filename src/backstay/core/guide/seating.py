"""A guide brought to rest with its tip seated: the state that is pushed back from."""

from __future__ import annotations

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
FEED_STEP_MM, SHORTEST_FEED_MM, MOST_FEED_MM = 1.0, 0.05, 30.0
PRESS_WITHIN_N = 0.003
STARTS_MM = (0.0, 8.0, -6.0)
"""Shaft fed at the start of the search for a seat; several, for a guide can lie in several ways. A child takes the first."""
SHORT_WEIGHT_MM = 100.0
"""What a tip that presses less than it should counts for against elastic energy."""
FAR_MM = 22.0
"""Beyond the guide's tip by this much a child feels the vessel alone."""
FINE_MM, COARSE_MM, FINE_LENGTH_MM = 1.25, 3.0, 110.0
NO_LOAD = np.zeros(3)


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
    snug_share: float = 0.5


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
    arc = 0.25 * np.arange(len(where.vessel))
    inside = where.vessel[arc <= tip_depth_mm][:: max(1, int(2.0 / 0.25))]
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
    """Bring a guide to rest with its tip seated and no push on it.

    Parameters
    ----------
    setup : Setup
        What is solved.

    Returns
    -------
    Seated
        The state: without friction, the shaft fed so far that the tip neither presses into the vessel nor pulls out.

    Raises
    ------
    NotConverged
        No state of rest was found.
    """
    depth = setup.seat_mm if setup.child is None else max(setup.child.depth_mm, setup.seat_mm)
    where = place(
        setup.aorta,
        access=setup.access,
        coronary=setup.coronary,
    )
    course = _guess(setup, where, depth)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(course, axis=0), axis=1))])
    length = _spacing(float(along[-1]), FINE_LENGTH_MM + depth)
    nodes = np.concatenate([[0.0], np.cumsum(length)])
    x = np.stack([np.interp(nodes, along, course[:, k]) for k in range(3)], axis=1)
    rod = rod_of(setup, length, vessel_piece=where.vessel_piece)
    q = frames_along(np.diff(x, axis=0), np.array([0.0, 0.0, 1.0]))
    n = len(length)
    state = State(x, q, q[0].copy(), np.zeros((n + 1, 3)), np.zeros(n + 1))
    last = (
        where.vessel[min(int(depth / 0.25) + 1, len(where.vessel) - 1)] - where.vessel[int(depth / 0.25) - 1]
    )
    axis = last / np.linalg.norm(last)
    hold = Hold(n, axis, float(x[-1] @ axis), HOLD_N_PER_MM, NO_LOAD)
    state = _best_seat(rod, where, state, hold, setup)
    ahead = 0.0 if setup.child is None else setup.child.depth_mm - setup.seat_mm
    behind = (nodes[-1] - nodes) - ahead
    return Seated(rod, state, hold, where, int(np.argmin(np.abs(behind))), behind)


def _best_seat(rod: Rod, where: Place, begun: State, hold: Hold, setup: Setup) -> State:
    """Return the seated state of least elastic energy among those reached from several lengths of shaft in the aorta."""
    push_N = setup.snug_share * float(rod.bending_Nmm2[0, 0]) / setup.aorta.root_diameter_mm**2
    feeding = _Feeding(rod, where, begun, hold)
    best, least, failed = None, np.inf, None
    for start_mm in STARTS_MM if setup.child is None else STARTS_MM[:1]:
        state = begun.moved_base(start_mm * feeding.inwards)
        try:
            for share in (0.0, 0.4, 0.7, 1.0):
                state = _relaxed(replace(rod, rest=share * rod.rest), where, state, hold)
            state = _settled_in(feeding, state, push_N)
        except NotConverged as error:
            failed = error
            continue
        short_N = max(push_N - feeding.press_N(state) - PRESS_WITHIN_N, 0.0)
        cost = settle(rod, where.lumen, state, hold, friction=0.0).energy_Nmm + SHORT_WEIGHT_MM * short_N
        if cost < least:
            best, least = state, cost
    if best is None:
        raise failed or NotConverged(
            "the guide did not come to rest in the aorta", iterations=0, residual=np.nan
        )
    return best


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
        self.rod, self.lumen, self.hold = rod, where.lumen, hold
        inwards = state.x[1] - state.x[0]
        self.inwards = inwards / np.linalg.norm(inwards)

    def press_N(self, state: State) -> float:
        """Return the force with which the tip presses into the vessel."""
        return -self.hold.force_N(state)

    def moved(self, state: State, by_mm: float) -> State:
        """Return the state of rest with the shaft moved."""
        residual = np.nan
        for drag, most in ((0.0, 25), (1.0, 200), (8.0, 400)):
            moved = state.moved_base(by_mm * self.inwards)
            found = settle(
                self.rod, self.lumen, moved, self.hold, friction=0.0, drag_N_per_mm=drag, most=most
            )
            if found.found:
                return found.state
            residual = found.residual_N
        raise NotConverged("the guide did not come to rest when fed", iterations=400, residual=residual)


def _settled_in(feeding: _Feeding, state: State, push_N: float) -> State:
    """Draw the shaft back until the tip is slack, then feed it until the tip presses with a given force, or as near to it as it goes."""
    state = _slack(feeding, state, 0.25 * push_N)
    step, moved = FEED_STEP_MM, 0.0
    if feeding.press_N(state) > push_N + PRESS_WITHIN_N:
        step = -step
    while (
        abs(feeding.press_N(state) - push_N) > PRESS_WITHIN_N
        and moved < MOST_FEED_MM
        and abs(step) > SHORTEST_FEED_MM
    ):
        trial = feeding.moved(state, step)
        if abs(feeding.press_N(trial) - push_N) < abs(feeding.press_N(state) - push_N):
            state, moved = trial, moved + abs(step)
        else:
            step *= 0.5
    return replace(state, rubs_N=np.zeros_like(state.rubs_N))


def _slack(feeding: _Feeding, state: State, push_N: float) -> State:
    """Draw the shaft back until the tip presses less than a given force; where drawing back presses it more, the least seen."""
    best = state
    for _ in range(int(MOST_FEED_MM / FEED_STEP_MM)):
        if feeding.press_N(best) < push_N:
            break
        try:
            state = feeding.moved(state, -FEED_STEP_MM)
        except NotConverged:
            break
        if feeding.press_N(state) < feeding.press_N(best):
            best = state
        elif feeding.press_N(state) > 1.3 * feeding.press_N(best):
            break
    return best
