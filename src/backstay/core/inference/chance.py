"""From transfer curves and draws to the answer: push needed at every depth, where each draw stops and why, and the chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.compiled import compiled
from backstay.core.mechanics.crossing import IN, drag_density_N_per_mm, edge_load_N, lesion_fields
from backstay.core.mechanics.march import (
    BENDING,
    EDGE_LOAD,
    EDGE_SLOPE,
    FRICTION,
    PULL,
    PUSH,
    SLEEVE_LOAD,
    SLEEVE_TURN,
    TIP_LOAD,
    TIP_SLOPE,
    WIRE_LOAD,
    WIRE_TURN,
)
from backstay.identifiers import Access, Cause, LimitedBy

FloatArray = NDArray[np.float64]

GUIDE_BENDS_RAD: dict[Access, float] = {
    Access.FEMORAL: 3.5,
    Access.RIGHT_RADIAL: 4.5,
    Access.LEFT_RADIAL: 4.2,
}
"""Bends of the guide between hand and tip: judgement, no source."""
ARCH_RADIUS_MM = 40.0
"""Radius of the guide's main bend, for the shaft's buckling inside it: judgement, no source."""
MOST_WOUND = 50.0
"""Friction times turn in a capstan's exponent at most: beyond it a curve was carried on too far."""
NO_STATE_N = 1e3
"""A need beyond this is no state's: it counts as prolapse."""


@dataclass(frozen=True)
class Outcome:
    """What every draw does on the way in.

    Attributes
    ----------
    tips_mm : ndarray, shape (d,)
        Places of the device's tip.
    need_N : ndarray, shape (count, d)
        Push needed at the guide's tip; infinite where the assembly prolapses or an edge locks.
    limit_N : ndarray, shape (count,)
        The least of backup, push that arrives and shaft buckling.
    stopped : ndarray of int, shape (count,)
        Index of the depth at which the draw stops; d where it passes.
    reason : ndarray of object, shape (count,)
        LimitedBy of a draw that stops, None of one that passes.
    prolapsed : ndarray of bool, shape (count, d)
        Prolapse at that depth.
    lesion_N : ndarray, shape (count, d)
        Load at the lesion.
    """

    tips_mm: FloatArray
    need_N: FloatArray
    limit_N: FloatArray
    stopped: NDArray[np.int64]
    reason: NDArray[np.object_]
    prolapsed: NDArray[np.bool_]
    lesion_N: FloatArray

    @property
    def chance(self) -> float:
        """Return the share of draws that reach the landing point.

        >>> tips_mm, need_N = np.array([4.0, 8.0]), np.array([[0.5, 0.9], [0.5, 2.0]])
        >>> reason = np.array([None, LimitedBy.GUIDE_OUT], dtype=object)
        >>> no = np.zeros((2, 2), dtype=bool)
        >>> Outcome(tips_mm, need_N, np.ones(2), np.array([2, 1]), reason, no, np.zeros((2, 2))).chance
        0.5
        """
        return float(np.mean(self.stopped == len(self.tips_mm)))

    @property
    def highest_need_N(self) -> FloatArray:
        """Return the highest need on the way to the landing point, shape (count,); infinite for prolapsed draws."""
        highest_N: FloatArray = np.max(self.need_N, axis=1)
        return highest_N


def crossing_load_N(passage: Passage, draws: DrawSet, tips_mm: FloatArray, *, going: int = IN) -> FloatArray:
    """Return the drag in tight places for every draw and depth, pushed in or drawn back.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    draws : DrawSet
        The uncertain inputs.
    tips_mm : ndarray, shape (d,)
        Places of the device's tip [mm].
    going : int
        `crossing.IN` (1) or `crossing.BACK` (-1).

    Returns
    -------
    ndarray, shape (count, d)
        Load [N].
    """
    path, s = passage.path, passage.path.s_mm
    stiffness, _ = lesion_fields(s, passage.lesions)
    shift = draws.values["radius_shift_sd"][:, None]
    friction = draws.values["friction_wall"][:, None]
    beside = passage.beside_where_mm(draws.values["lumen_roundness"])[:, None]
    depth = passage.rig.extension_depth_mm if passage.rig.extension is not None else -1.0
    out = np.zeros((draws.count, len(tips_mm)))
    narrowest = path.radius_mm - 4.0 * path.radius_sd_mm
    for j, tip in enumerate(tips_mm):
        radius = passage.device.profile.radius_at_mm(tip - s) + passage.beside_mm
        near = np.flatnonzero((s <= tip) & (s > depth) & (s > 0.0) & (radius > narrowest))
        if near.size == 0:
            continue
        lumen = np.maximum(path.radius_mm[near] + shift * path.radius_sd_mm[near], 0.1)
        density = drag_density_N_per_mm(
            behind_tip_mm=tip - s[near],
            lumen_mm=lumen,
            stiffness_MPa=stiffness[near],
            profile=passage.device.profile,
            beside_mm=beside,
            friction=friction,
            going=going,
        )
        out[:, j] = density.sum(axis=1) * path.spacing_mm * draws.values["lesion_factor"]
    return out


def at_load(levels_N: FloatArray, rows: FloatArray, load_N: FloatArray) -> FloatArray:
    """Return readings at each draw's load, linear between levels and carried on beyond the last.

    Parameters
    ----------
    levels_N : ndarray, shape (d, k)
        Loads solved at, by depth [N].
    rows : ndarray, shape (count, d, k)
        One reading of every draw there.
    load_N : ndarray, shape (count, d)
        Loads asked for [N].

    Returns
    -------
    ndarray, shape (count, d)
        The reading.

    Examples
    --------
    >>> levels_N = np.array([[0.0, 1.0, 2.0]] * 3)
    >>> at_load(levels_N, np.array([[[1.0, 2.0, 4.0]] * 3]), np.array([[0.0, 1.5, 3.0]])).tolist()
    [[1.0, 3.0, 6.0]]
    """
    out = np.empty(load_N.shape)
    _read_at(levels_N, rows, load_N, out)
    return out


@compiled
def _read_at(levels_N: FloatArray, rows: FloatArray, load_N: FloatArray, out: FloatArray) -> None:
    """Do the work of `at_load`."""
    for draw in range(load_N.shape[0]):
        for d in range(load_N.shape[1]):
            load, k = load_N[draw, d], 0
            while k < levels_N.shape[1] - 2 and load > levels_N[d, k + 1]:
                k += 1
            f = (load - levels_N[d, k]) / (levels_N[d, k + 1] - levels_N[d, k])
            low = rows[draw, d, k]
            out[draw, d] = low + f * (rows[draw, d, k + 1] - low)


def lesion_load_N(
    passage: Passage, draws: DrawSet, curves: Curves, crossing_N: FloatArray
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the load at the lesion with the leading edges' part, and where an edge locks.

    The edge's load depends on how hard the assembly presses it on the wall, which depends on the load: solved by three substitutions
    (the edge's share is small and rises slowly with the load).

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    draws : DrawSet
        The uncertain inputs.
    curves : Curves
        Transfer curves of every draw.
    crossing_N : ndarray, shape (count, d)
        Drag in tight places [N].

    Returns
    -------
    load_N : ndarray, shape (count, d)
        Drag plus what the edges add [N]; the drag alone where an edge locks.
    locked : ndarray of bool, shape (count, d)
        Where an edge locks.
    """
    s = passage.path.s_mm
    _, slope = lesion_fields(s, passage.lesions)
    mu = draws.values["friction_wall"][:, None]
    places = ((TIP_LOAD, TIP_SLOPE, 0.0), (EDGE_LOAD, EDGE_SLOPE, passage.device.nose_mm))
    ledges = [np.interp(curves.tips_mm - back, s, slope) for _, _, back in places]
    load, locked = crossing_N.copy(), np.zeros(crossing_N.shape, dtype=bool)
    near = np.flatnonzero(np.any(np.array(ledges) > 0.0, axis=0))  # elsewhere the edges meet no step
    if near.size == 0:
        return load, locked
    levels, readings = curves.levels_N[near], curves.readings[:, near]
    here = load[:, near]
    for _ in range(3):
        extra = np.zeros_like(here)
        for (force, angle, _), ledge in zip(places, ledges, strict=True):
            normal = np.maximum(at_load(levels, readings[..., force], here), 0.0)
            attack = np.maximum(at_load(levels, readings[..., angle], here), 0.0)
            steep = ledge[near] * draws.values["ledge_factor"][:, None]
            extra += edge_load_N(normal_N=normal, attack_rad=attack, slope_rad=steep, friction=mu)
        locks = np.isinf(extra)
        here = crossing_N[:, near] + np.where(locks, 0.0, extra)
    load[:, near], locked[:, near] = here, locks
    return load, locked


def need_from_curves(
    draws: DrawSet, curves: Curves, lesion_N: FloatArray, locked: NDArray[np.bool_]
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the push needed at the guide's tip, and where the assembly prolapses.

    Parameters
    ----------
    draws : DrawSet
        The uncertain inputs.
    curves : Curves
        Transfer curves of every draw.
    lesion_N : ndarray, shape (count, d)
        Load at the lesion [N].
    locked : ndarray of bool, shape (count, d)
        Where an edge locks.

    Returns
    -------
    need_N : ndarray, shape (count, d)
        Push at the shape's load, plus friction on the wire and in an extension [N]; infinite where prolapsed or locked.
    prolapsed : ndarray of bool, shape (count, d)
        Where the load exceeds the prolapse load, or no state is held at all.

    Notes
    -----
    Curves are read up to the prolapse load only: beyond it there is no state, and carried on they grow without bound.
    """
    held_N = np.minimum(lesion_N, curves.prolapse_N)
    push = np.maximum(at_load(curves.levels_N, curves.readings[..., PUSH], held_N), 0.0)
    need = push + wire_part_N(draws, curves, held_N)
    need += extension_part_N(draws, curves, held_N, need)
    prolapsed = (lesion_N > curves.prolapse_N) | ~(need <= NO_STATE_N) | (curves.prolapse_N <= 0.0)
    return np.where(prolapsed | locked, np.inf, need), np.asarray(prolapsed)


def wire_part_N(draws: DrawSet, curves: Curves, lesion_N: FloatArray) -> FloatArray:
    """Return the friction of the shaft on its wire.

    Parameters
    ----------
    draws : DrawSet
        The uncertain inputs.
    curves : Curves
        Transfer curves of every draw.
    lesion_N : ndarray, shape (count, d)
        Load at the lesion [N].

    Returns
    -------
    ndarray, shape (count, d)
        mu L (e^(mu turn) - 1) / (mu turn), with L the load between shaft and wire [N].
    """
    mu = draws.values["friction_wire"][:, None]
    load = np.maximum(at_load(curves.levels_N, curves.readings[..., WIRE_LOAD], lesion_N), 0.0)
    turn = np.maximum(at_load(curves.levels_N, curves.readings[..., WIRE_TURN], lesion_N), 0.0) * mu
    return mu * load * np.where(turn > 1e-9, _grows_by(turn) / np.maximum(turn, 1e-9), 1.0)


def extension_part_N(draws: DrawSet, curves: Curves, lesion_N: FloatArray, push_N: FloatArray) -> FloatArray:
    """Return the friction in an extension's lining.

    Parameters
    ----------
    draws : DrawSet
        The uncertain inputs.
    curves : Curves
        Transfer curves of every draw.
    lesion_N : ndarray, shape (count, d)
        Load at the lesion [N].
    push_N : ndarray, shape (count, d)
        Push needed without it [N].

    Returns
    -------
    ndarray, shape (count, d)
        Q (e^(mu turn) - 1) + mu L, with Q the push and L the load between shaft and lining [N].
    """
    mu = draws.values["friction_extension"][:, None]
    turn = np.maximum(at_load(curves.levels_N, curves.readings[..., SLEEVE_TURN], lesion_N), 0.0)
    load = np.maximum(at_load(curves.levels_N, curves.readings[..., SLEEVE_LOAD], lesion_N), 0.0)
    return push_N * _grows_by(mu * turn) + mu * load


def _grows_by(wound: FloatArray) -> FloatArray:
    """Return e^wound - 1, what a capstan adds to a force, with the exponent held at `MOST_WOUND`."""
    return np.asarray(np.expm1(np.minimum(wound, MOST_WOUND)))


def push_that_arrives_N(passage: Passage, draws: DrawSet) -> tuple[FloatArray, FloatArray]:
    """Return the push that reaches the guide's tip from the hand, and the push at which the shaft buckles in the guide.

    The hand's push falls by the capstan factor of the guide's bends [@euler1762]; the shaft gives way at the helical buckling load of a
    rod in a curved tube, 8 B / (r R) [@he1995], with its own clearance r.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    draws : DrawSet
        The uncertain inputs.

    Returns
    -------
    arrives_N, kink_N : ndarray, shape (count,)
        Push that arrives, and push at which the shaft buckles [N].
    """
    device, guide = passage.device, passage.rig.guide
    bends = GUIDE_BENDS_RAD[passage.rig.access.route]
    arrives = draws.values["hand_push_N"] * np.exp(-draws.values["friction_guide"] * bends)
    stiffness = device.shaft_stiffness_Nmm2 + passage.rig.rail.core_stiffness_Nmm2
    clearance = max(0.5 * (guide.inner_diameter_mm - device.shaft_diameter_mm), 0.05)
    kink = draws.values["shaft_factor"] * 8.0 * stiffness / (clearance * ARCH_RADIUS_MM)
    return arrives, kink


def outcome(
    passage: Passage,
    draws: DrawSet,
    curves: Curves,
    *,
    backup_N: FloatArray,
    crossing_N: FloatArray,
    passes: bool,
) -> Outcome:
    """Follow every draw down the vessel.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    draws : DrawSet
        The uncertain inputs.
    curves : Curves
        Transfer curves of every draw.
    backup_N : ndarray, shape (count,)
        Push at which the guide backs out [N].
    crossing_N : ndarray, shape (count, d)
        Drag in tight places [N].
    passes : bool
        Whether the assembly fits through what it must pass.

    Returns
    -------
    Outcome
        Need, stops and reasons.
    """
    lesion_N, locked = lesion_load_N(passage, draws, curves, crossing_N)
    need, prolapsed = need_from_curves(draws, curves, lesion_N, locked)
    arrives, kink = push_that_arrives_N(passage, draws)
    limits = np.stack([backup_N, arrives, kink], axis=1)
    which = np.argmin(limits, axis=1)
    limit = limits[np.arange(draws.count), which]
    beyond = need > limit[:, None]
    depths = len(curves.tips_mm)
    stopped = np.where(beyond.any(axis=1), beyond.argmax(axis=1), depths)
    if not passes:
        stopped = np.zeros(draws.count, dtype=np.int64)
    reason = np.full(draws.count, None, dtype=object)
    names = (LimitedBy.GUIDE_OUT, LimitedBy.PUSH_LOST, LimitedBy.SHAFT_KINK)
    for i in np.flatnonzero(stopped < depths):
        d = stopped[i]
        if not passes:
            reason[i] = LimitedBy.NO_PASSAGE
        elif prolapsed[i, d]:
            reason[i] = LimitedBy.PROLAPSE
        elif locked[i, d]:
            reason[i] = LimitedBy.EDGE_LOCK
        else:
            reason[i] = names[which[i]]
    return Outcome(curves.tips_mm, need, limit, stopped, reason, prolapsed, lesion_N)


def causes_N(
    draws: DrawSet, curves: Curves, result: Outcome, crossing_N: FloatArray, depth: int
) -> dict[Cause, float]:
    """Return the parts of the push needed at one depth for the first draw in `draws`; they sum to it.

    Parameters
    ----------
    draws : DrawSet
        The inputs; only the first draw is used (give the median case).
    curves : Curves
        Its transfer curves, from a solve (not from the fit), so that the parts are the solver's own.
    result : Outcome
        Its outcome.
    crossing_N : ndarray, shape (count, d)
        Its drag.
    depth : int
        Index of the depth.

    Returns
    -------
    dict of Cause to float
        Parts [N].
    """
    load = result.lesion_N
    rows = curves.readings
    at = {
        name: float(at_load(curves.levels_N, rows[..., name], load)[0, depth])
        for name in (PUSH, BENDING, FRICTION, PULL)
    }
    wire = wire_part_N(draws, curves, load)
    push = np.maximum(at_load(curves.levels_N, rows[..., PUSH], load), 0.0)
    sleeve = float(extension_part_N(draws, curves, load, push + wire)[0, depth])
    crossing = min(float(crossing_N[0, depth]), float(load[0, depth]))
    return {
        Cause.BENDING: at[PUSH] - at[FRICTION] - at[PULL] - float(load[0, depth]),
        Cause.WALL_FRICTION: at[FRICTION],
        Cause.BENDS_PULL: at[PULL],
        Cause.CROSSING: crossing,
        Cause.LEADING_EDGE: float(load[0, depth]) - crossing,
        Cause.EXTENSION: sleeve,
        Cause.WIRE: float(wire[0, depth]),
    }
