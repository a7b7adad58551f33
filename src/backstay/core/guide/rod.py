"""The rod in the lumen: its state, its balance of forces, and the search for a state at rest."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dgbsv

from backstay.core.guide.elements import BAND, DOFS, elastic, put, turned
from backstay.core.guide.lumen import Lumen, press
from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

BALANCED_N = 1e-5
"""Largest force (and moment over 1 mm) left out of balance in an accepted state."""
MOST_STEPS = 60
LONGEST_MM, LONGEST_RAD = 2.0, 0.35
"""Longest step of a node and of a frame in one correction."""
_FINITE_mm = 1e-6


@dataclass(frozen=True)
class Rod:
    """A rod at rest and the stiffness of what surrounds it.

    Attributes
    ----------
    length_mm : ndarray, shape (n,)
        Edge lengths, from the base to the tip.
    rest : ndarray, shape (n, 3)
        Rest curvature about the two cross axes, and twist, of the joint before each edge [1/mm].
    bending_Nmm2 : ndarray, shape (n, 3)
        Stiffness of that joint in bending about the cross axes and in twist.
    stretch_N : ndarray, shape (n, 3)
        Stiffness of each edge in shear along the cross axes, and in stretch.
    radius_mm : ndarray, shape (n + 1,)
        Radius at each node.
    wall_N_per_mm : ndarray, shape (n + 1,)
        Stiffness of the wall for each node; 0 where the wall is not felt.
    first_piece : ndarray of int, shape (n + 1,)
        First piece of the lumen each node can touch: what lies far down a vessel cannot touch the aorta beside it.
    planar : bool
        Keep the rod in the plane z = 0.
    """

    length_mm: FloatArray
    rest: FloatArray
    bending_Nmm2: FloatArray
    stretch_N: FloatArray
    radius_mm: FloatArray
    wall_N_per_mm: FloatArray
    first_piece: NDArray[np.int64]
    planar: bool

    def free(self) -> BoolArray:
        """Return which unknowns are free: all but the base, and in a plane only what stays in it."""
        free = np.ones(DOFS * len(self.length_mm) + 3, dtype=bool)
        free[:3] = False
        if self.planar:
            for lost in (2, 3, 5):
                free[lost::DOFS] = False
        return free


@dataclass(frozen=True)
class State:
    """Where the rod is.

    Attributes
    ----------
    x : ndarray, shape (n + 1, 3)
        Nodes [mm].
    q : ndarray, shape (n, 4)
        Frames of the edges.
    base_frame : ndarray, shape (4,)
        Frame that the base is clamped in.
    rubs_N : ndarray, shape (n + 1, 3)
        Friction at each node.
    normal_N : ndarray, shape (n + 1,)
        Load of the wall on each node.
    """

    x: FloatArray
    q: FloatArray
    base_frame: FloatArray
    rubs_N: FloatArray
    normal_N: FloatArray

    def moved_base(self, by_mm: FloatArray) -> State:
        """Return the state with the base's place moved; it is then out of balance."""
        x = self.x.copy()
        x[0] = x[0] + by_mm
        return replace(self, x=x)


@dataclass(frozen=True)
class Hold:
    """A stiff hold on one node along one direction: how a tip is pushed by a known way.

    Attributes
    ----------
    node : int
        Which node.
    axis : ndarray, shape (3,)
        Unit direction.
    place_mm : float
        Where along the axis the node is held.
    stiffness_N_per_mm : float
        Of the hold; 0 leaves the node free.
    load_N : ndarray, shape (3,)
        A dead load on the node instead or as well.
    """

    node: int
    axis: FloatArray
    place_mm: float
    stiffness_N_per_mm: float
    load_N: FloatArray

    def force_N(self, state: State) -> float:
        """Return the force of the hold on the node along its axis."""
        return float(self.stiffness_N_per_mm * (self.place_mm - state.x[self.node] @ self.axis))


@compiled
def wall(
    x: FloatArray,
    free: BoolArray,
    pieces: FloatArray,
    tube: NDArray[np.int64],
    rim_mm: float,
    first_piece: NDArray[np.int64],
    was: FloatArray,
    held_N: FloatArray,
    radius_mm: FloatArray,
    wall_N_per_mm: FloatArray,
    friction: float,
    slope: FloatArray,
    band: FloatArray,
    rubs: FloatArray,
    normal_N: FloatArray,
) -> None:
    """Add the wall's forces and stiffness.

    Parameters
    ----------
    x : ndarray, shape (n + 1, 3)
        Nodes [mm].
    free : ndarray of bool, shape (6 n + 3,)
        Which unknowns are free.
    pieces, tube, rim_mm : ndarray, ndarray of int, float
        The lumen.
    first_piece : ndarray of int, shape (n + 1,)
        First piece each node can touch.
    was, held_N : ndarray, shape (n + 1, 3)
        Nodes [mm] and friction [N] of the last accepted state.
    radius_mm, wall_N_per_mm : ndarray, shape (n + 1,)
        Radius and wall stiffness by node.
    friction : float
        Coefficient.
    slope : ndarray, shape (6 n + 3,)
        Forces out of balance are added here.
    band : ndarray, shape (3 * BAND + 1, 6 n + 3)
        Stiffness is added here.
    rubs : ndarray, shape (n + 1, 3)
        Receives the friction.
    normal_N : ndarray, shape (n + 1,)
        Receives the load of the wall.
    """
    up, down, spare, moved = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3)
    for i in range(x.shape[0]):
        rubs[i] = 0.0
        normal_N[i] = 0.0
        k, first = wall_N_per_mm[i], first_piece[i]
        if k == 0.0:
            continue
        normal_N[i] = press(
            pieces, tube, rim_mm, first, x[i], was[i], held_N[i], radius_mm[i], k, friction, up, rubs[i]
        )
        if normal_N[i] == 0.0:
            continue
        base = DOFS * i
        for a in range(3):
            slope[base + a] -= up[a]
        for b in range(3):
            moved[:] = x[i]
            moved[b] += _FINITE_mm
            press(pieces, tube, rim_mm, first, moved, was[i], held_N[i], radius_mm[i], k, friction, up, spare)
            moved[b] -= 2.0 * _FINITE_mm
            press(
                pieces, tube, rim_mm, first, moved, was[i], held_N[i], radius_mm[i], k, friction, down, spare
            )
            for a in range(3):
                put(band, base + a, base + b, -(up[a] - down[a]) / (2.0 * _FINITE_mm), free)


@compiled
def balance(
    x: FloatArray,
    q: FloatArray,
    base_frame: FloatArray,
    length_mm: FloatArray,
    rest: FloatArray,
    bending_Nmm2: FloatArray,
    stretch_N: FloatArray,
    free: BoolArray,
    pieces: FloatArray,
    tube: NDArray[np.int64],
    rim_mm: float,
    first_piece: NDArray[np.int64],
    was: FloatArray,
    held_N: FloatArray,
    radius_mm: FloatArray,
    wall_N_per_mm: FloatArray,
    friction: float,
    node: int,
    axis: FloatArray,
    place_mm: float,
    hold_N_per_mm: float,
    load_N: FloatArray,
    slope: FloatArray,
    band: FloatArray,
    rubs: FloatArray,
    normal_N: FloatArray,
) -> float:
    """Fill the out-of-balance forces and the stiffness of a state.

    Parameters
    ----------
    x, q, base_frame : ndarray
        The state.
    length_mm, rest, bending_Nmm2, stretch_N, free : ndarray
        The rod.
    pieces, tube, rim_mm : ndarray, ndarray of int, float
        The lumen.
    first_piece : ndarray of int, shape (n + 1,)
        First piece each node can touch.
    was, held_N : ndarray, shape (n + 1, 3)
        Nodes [mm] and friction [N] of the last accepted state.
    radius_mm, wall_N_per_mm : ndarray, shape (n + 1,)
        Radius and wall stiffness by node.
    friction : float
        Coefficient.
    node, axis, place_mm, hold_N_per_mm, load_N : int, ndarray, float, float, ndarray
        The hold.
    slope : ndarray, shape (6 n + 3,)
        Receives the forces out of balance.
    band : ndarray, shape (3 * BAND + 1, 6 n + 3)
        Receives the stiffness.
    rubs : ndarray, shape (n + 1, 3)
        Receives the friction.
    normal_N : ndarray, shape (n + 1,)
        Receives the load of the wall.

    Returns
    -------
    float
        Elastic energy [N mm].
    """
    slope[:] = 0.0
    band[:, :] = 0.0
    energy = elastic(x, q, base_frame, length_mm, rest, bending_Nmm2, stretch_N, free, slope, band)
    wall(
        x, free, pieces, tube, rim_mm, first_piece, was, held_N, radius_mm, wall_N_per_mm, friction,
        slope, band, rubs, normal_N,
    )  # fmt: skip
    base = DOFS * node
    short = place_mm - (x[node, 0] * axis[0] + x[node, 1] * axis[1] + x[node, 2] * axis[2])
    for a in range(3):
        slope[base + a] -= hold_N_per_mm * short * axis[a] + load_N[a]
        for b in range(3):
            put(band, base + a, base + b, hold_N_per_mm * axis[a] * axis[b], free)
    for i in range(len(free)):
        if not free[i]:
            slope[i] = 0.0
            band[2 * BAND, i] = 1.0
    return energy


@compiled
def advance(x: FloatArray, q: FloatArray, step: FloatArray, share: float) -> None:
    """Move nodes and turn frames by a share of a step.

    Parameters
    ----------
    x, q : ndarray
        The state, changed in place.
    step : ndarray, shape (6 n + 3,)
        Moves [mm] and turns [rad].
    share : float
        Part of the step to take.
    """
    frame, turn = np.zeros(4), np.zeros(3)
    for i in range(x.shape[0]):
        for a in range(3):
            x[i, a] += share * step[DOFS * i + a]
    for j in range(q.shape[0]):
        for a in range(3):
            turn[a] = share * step[DOFS * j + 3 + a]
        turned(q[j], turn, frame)
        size = np.sqrt(frame[0] ** 2 + frame[1] ** 2 + frame[2] ** 2 + frame[3] ** 2)
        for a in range(4):
            q[j, a] = frame[a] / size


@dataclass(frozen=True)
class Settled:
    """The outcome of a search for rest.

    Attributes
    ----------
    state : State
        The state reached.
    found : bool
        Whether it is at rest.
    steps : int
        Corrections taken.
    energy_Nmm : float
        Elastic energy.
    residual_N : float
        Largest force left out of balance.
    """

    state: State
    found: bool
    steps: int
    energy_Nmm: float
    residual_N: float


def settle(
    rod: Rod,
    lumen: Lumen,
    state: State,
    hold: Hold,
    *,
    friction: float,
    drag_N_per_mm: float = 0.0,
    most: int = MOST_STEPS,
) -> Settled:
    """Find the state of rest near a state.

    Parameters
    ----------
    rod : Rod
        The rod.
    lumen : Lumen
        The space.
    state : State
        Where to begin; friction is followed from here.
    hold : Hold
        What holds or loads a node.
    friction : float
        Coefficient of friction on the wall.
    drag_N_per_mm : float
        Resistance to motion that the search begins with and sheds as the forces come into balance: 0 is Newton's method, more follows the
        way an overdamped rod would take, which leads past a snap to the next stable state.
    most : int
        Most corrections.

    Returns
    -------
    Settled
        State, and whether it is at rest.
    """
    n = len(rod.length_mm)
    size = DOFS * n + 3
    free = rod.free()
    x, q = state.x.copy(), state.q.copy()
    slope, band = np.zeros(size), np.zeros((3 * BAND + 1, size))
    rubs, normal = np.zeros((n + 1, 3)), np.zeros(n + 1)
    weight = np.ones(size)
    for a in range(3):
        weight[3 + a :: DOFS] = rod.length_mm
    drag, last = drag_N_per_mm, np.inf
    for count in range(1, most + 1):
        energy = balance(
            x, q, state.base_frame, rod.length_mm, rod.rest, rod.bending_Nmm2, rod.stretch_N, free,
            lumen.pieces, lumen.tube, lumen.rim_mm, rod.first_piece, state.x, state.rubs_N, rod.radius_mm, rod.wall_N_per_mm,
            friction, hold.node, hold.axis, hold.place_mm, hold.stiffness_N_per_mm, hold.load_N,
            slope, band, rubs, normal,
        )  # fmt: skip
        off = float(np.max(np.abs(slope)))
        if not np.isfinite(off):
            break
        if off < BALANCED_N:
            return Settled(
                State(x, q, state.base_frame, rubs.copy(), normal.copy()), True, count, energy, off
            )
        if drag > 0.0:
            drag *= min(max(off / last, 0.2), 2.0) if np.isfinite(last) else 1.0
            drag = drag if drag > 1e-4 * drag_N_per_mm else 0.0
        last = off
        band[2 * BAND] += drag * weight
        _, _, step, info = dgbsv(BAND, BAND, band, -slope)
        if info != 0:
            break
        largest = max(
            float(np.max(np.abs(step.reshape(-1)[_places(n)]))) / LONGEST_MM,
            float(np.max(np.abs(step[_turns(n)]))) / LONGEST_RAD,
        )
        advance(x, q, step, 1.0 / max(largest, 1.0))
    return Settled(State(x, q, state.base_frame, rubs.copy(), normal.copy()), False, most, np.nan, last)


def _places(n: int) -> NDArray[np.int64]:
    return (DOFS * np.arange(n + 1)[:, None] + np.arange(3)).ravel()


def _turns(n: int) -> NDArray[np.int64]:
    return (DOFS * np.arange(n)[:, None] + 3 + np.arange(3)).ravel()
