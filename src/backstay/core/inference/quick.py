"""A solved rig packed for many evaluations: what the way in asks of every draw, a tenth of the time of the full answer.

The answer of `chance` is exact and allocates every reading at every depth and load. Learning and pooling ask one rig for
thousands of draws many times over and need only how the highest push so far grows on the way. The polynomials are those
that `surface` fits, read off it; the sums are those of `chance`, in one compiled loop. A test holds the two equal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.chance import NO_STATE_N, push_that_arrives_N
from backstay.core.inference.draws import DrawSet, DrawSpec
from backstay.core.inference.surface import design, scores_of, surface
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.compiled import compiled, inlined
from backstay.core.mechanics.crossing import TAPER_STEP_MM, lesion_fields
from backstay.core.mechanics.delivery import Transfer
from backstay.core.mechanics.march import (
    EDGE_LOAD,
    EDGE_SLOPE,
    SLEEVE_LOAD,
    SLEEVE_TURN,
    TIP_LOAD,
    TIP_SLOPE,
    WIRE_LOAD,
    WIRE_TURN,
)

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

READ = (TIP_LOAD, TIP_SLOPE, EDGE_LOAD, EDGE_SLOPE, WIRE_LOAD, WIRE_TURN, SLEEVE_LOAD, SLEEVE_TURN)
"""Readings the sums need besides the push, in the order the loop knows them."""
PASSED, PROLAPSED, LOCKED = 0, 1, 2
"""What ends the way in without a limit: nothing, the assembly bows out, an edge locks."""
NOT_HELD, MAY_PROLAPSE, NEVER_PROLAPSES = 0, 1, 2
_INPUTS = (
    "radius_shift_sd",
    "friction_wall",
    "lesion_factor",
    "ledge_factor",
    "friction_wire",
    "friction_extension",
    "lumen_roundness",
)


class Tables(NamedTuple):
    """What the compiled loop reads.

    Attributes
    ----------
    levels_N : ndarray, shape (d, k)
        Loads.
    push_N : ndarray, shape (d, k, 28)
        Quadratics of the push_N.
    linear : ndarray, shape (d, k, 8, 7)
        Linear fits of the square roots of the other readings.
    prolapse : ndarray, shape (d, 7)
        Linear fits of the prolapse load's logarithm.
    state : ndarray of int8, shape (d,)
        Whether a depth is held at all, and whether a prolapse load is known.
    begins : ndarray of int, shape (d + 1,)
        Where each depth's tight places begin.
    places : ndarray, shape (p, 6)
        Of every tight place, as `_tight_places` gives them.
    ledges : ndarray, shape (d, 2)
        Slopes under the device's tip and its front edge.
    """

    levels_N: FloatArray
    push_N: FloatArray
    linear: FloatArray
    prolapse: FloatArray
    state: NDArray[np.int8]
    begins: IntArray
    places: FloatArray
    ledges: FloatArray


@dataclass(frozen=True)
class QuickRig:
    """A solved rig, packed.

    Attributes
    ----------
    passage : Passage
        Vessel, rig and device, the path starting at the guide's tip.
    path_length_mm, landing_tip_mm, bend_beyond_rad : float
        Of the whole vessel: length, where the device's tip lands, bend beyond that place.
    passes : bool
        Whether everything fits through what it must pass.
    tips_mm : ndarray, shape (d,)
        Depths, from the guide's tip [mm].
    tables : Tables
        Polynomials and tight places of every depth.
    """

    passage: Passage
    path_length_mm: float
    landing_tip_mm: float
    bend_beyond_rad: float
    passes: bool
    tips_mm: FloatArray
    tables: Tables

    @property
    def seat_mm(self) -> float:
        """Return where the guide's tip stands from the ostium [mm]."""
        return self.passage.rig.seat_mm


@dataclass(frozen=True)
class WayIn:
    """What the way in asks of every draw, and what there is to give.

    Attributes
    ----------
    peaks_N : ndarray, shape (count, d)
        Highest push needed up to each depth; infinite from where nothing gets past.
    ends : ndarray of int8, shape (count,)
        `PROLAPSED` or `LOCKED` where the peak becomes infinite, else `PASSED`.
    limits_N : ndarray, shape (count, 3)
        Backup, push that arrives, shaft buckling.
    """

    peaks_N: FloatArray
    ends: NDArray[np.int8]
    limits_N: FloatArray


def pack(
    passage: Passage,
    transfers: Sequence[Transfer],
    specs: tuple[DrawSpec, ...],
    *,
    path_length_mm: float,
    landing_tip_mm: float,
    bend_beyond_rad: float,
    passes: bool,
) -> QuickRig:
    """Return a solved rig packed.

    Parameters
    ----------
    passage : Passage
        The problem solved.
    transfers : sequence of Transfer
        One per design point.
    specs : tuple of DrawSpec
        The uncertain inputs it was solved for.
    path_length_mm, landing_tip_mm, bend_beyond_rad : float
        Of the whole vessel [mm, mm, rad].
    passes : bool
        Whether everything fits.

    Returns
    -------
    QuickRig
    """
    fitted = surface(transfers, specs, design(), search_to_N=transfers[0].levels_N[:, -1])
    held = fitted.held
    linear = np.where(held[:, None, None], fitted.linear[..., list(READ)], 0.0)
    push_N = np.where(held[:, None], fitted.push_N, 0.0)
    ends = np.where(fitted.prolapses, MAY_PROLAPSE, NEVER_PROLAPSES)
    tables = Tables(
        np.ascontiguousarray(fitted.levels_N),
        np.ascontiguousarray(np.moveaxis(push_N, 0, -1)),
        np.ascontiguousarray(np.moveaxis(linear, 0, -1)),
        np.ascontiguousarray(fitted.log_prolapse.T),
        np.where(held, ends, NOT_HELD).astype(np.int8),
        *_tight_places(passage, fitted.tips_mm),
        _ledges(passage, fitted.tips_mm),
    )
    return QuickRig(
        passage, path_length_mm, landing_tip_mm, bend_beyond_rad, passes, fitted.tips_mm.copy(), tables
    )


def _tight_places(passage: Passage, tips_mm: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return where each depth's places begin, and what there is of each place.

    Its columns: outer radius where wires beside give way like a belt, what a lumen that stays round adds to it, lumen, its SD, stiffness
    times step, taper.
    """
    path, s = passage.path, passage.path.s_mm
    stiffness, _ = lesion_fields(s, passage.lesions)
    depth = passage.rig.extension_depth_mm if passage.rig.extension is not None else -1.0
    profile, step = passage.device.profile, TAPER_STEP_MM
    begins, rows = [0], []
    for tip in tips_mm:
        behind = tip - s
        outer = profile.radius_at_mm(behind) + passage.beside_mm
        near = (s <= tip) & (s > depth) & (s > 0.0) & (outer > path.radius_mm - 4.0 * path.radius_sd_mm)
        at = behind[near]
        fall = profile.radius_at_mm(at + step) - profile.radius_at_mm(np.maximum(at - step, 0.0))
        taper = np.maximum(fall / (2.0 * step), 0.0)
        radius, sd = path.radius_mm[near], path.radius_sd_mm[near]
        belt = outer[near] - passage.beside_mm + passage.beside_belt_mm
        stiff = stiffness[near] * path.spacing_mm
        rows.append(np.stack([belt, outer[near] - belt, radius, sd, stiff, taper], axis=1))
        begins.append(begins[-1] + int(near.sum()))
    return np.array(begins, dtype=np.int64), np.ascontiguousarray(np.vstack(rows))


def _ledges(passage: Passage, tips_mm: FloatArray) -> FloatArray:
    """Return the slope of the ledge under the device's tip and under its front edge at every depth, shape (d, 2)."""
    s = passage.path.s_mm
    _, slope = lesion_fields(s, passage.lesions)
    return np.stack([np.interp(tips_mm - back, s, slope) for back in (0.0, passage.device.nose_mm)], axis=1)


def way_in(rig: QuickRig, draws: DrawSet, *, enough: float = np.inf) -> WayIn:
    """Return what the way in asks of every draw.

    Parameters
    ----------
    rig : QuickRig
        The rig.
    draws : DrawSet
        Draws from the specs it was solved for.
    enough : float
        A draw is followed no further once its peak is this many times its lowest limit; the peak stays.

    Returns
    -------
    WayIn
    """
    hold = backup_N(
        rig.passage.rig,
        draws,
        path_length_mm=rig.path_length_mm,
        device_tip_mm=rig.landing_tip_mm,
        bend_beyond_rad=rig.bend_beyond_rad,
    )
    limits_N = np.stack([hold, *push_that_arrives_N(rig.passage, draws)], axis=1)
    peaks_N, ends = np.empty((draws.count, len(rig.tips_mm))), np.zeros(draws.count, dtype=np.int8)
    inputs = np.stack([draws.values[name] for name in _INPUTS], axis=1)
    _follow(scores_of(draws.specs, draws), inputs, enough * limits_N.min(axis=1), rig.tables, peaks_N, ends)
    return WayIn(peaks_N, ends, limits_N)


@inlined
def _line(table: FloatArray, j: int, k: int, r: int, f: float, z: FloatArray) -> float:
    """Return a reading at a depth and a load `f` of the way from level k to the next, from its root's fits; not below 0."""
    low, high = table[j, k, r, 0], table[j, k + 1, r, 0]
    for t in range(6):
        low += table[j, k, r, t + 1] * z[t]
        high += table[j, k + 1, r, t + 1] * z[t]
    low, high = max(low, 0.0) ** 2, max(high, 0.0) ** 2
    return float(max(low + f * (high - low), 0.0))


@inlined
def _fill_basis(z: FloatArray, basis: FloatArray) -> None:
    """Fill the terms of the quadratic."""
    basis[0] = 1.0
    n = 7
    for a in range(6):
        basis[a + 1] = z[a]
        for b in range(a, 6):
            basis[n] = z[a] * z[b]
            n += 1


@inlined
def _level(levels_N: FloatArray, j: int, load_N: float) -> tuple[int, float]:
    """Return the level below a load, the last but one at most, and how far the load is on the way to the next."""
    k = 0
    while k < levels_N.shape[1] - 2 and load_N > levels_N[j, k + 1]:
        k += 1
    return k, (load_N - levels_N[j, k]) / (levels_N[j, k + 1] - levels_N[j, k])


@inlined
def _drag_N(begins: IntArray, places: FloatArray, j: int, shift: float, mu: float, roundness: float) -> float:
    """Return the drag in tight places for a lesion as stiff as its class says."""
    drag_N = 0.0
    for p in range(begins[j], begins[j + 1]):
        outer = places[p, 0] + roundness * places[p, 1]
        over = outer - max(places[p, 2] + shift * places[p, 3], 0.1)
        if over > 0.0:
            drag_N += places[p, 4] * over * (mu + places[p, 5])
    return drag_N


@inlined
def _with_edges(
    levels_N: FloatArray,
    linear: FloatArray,
    ledges: FloatArray,
    j: int,
    drag_N: float,
    mu: float,
    steep: float,
    z: FloatArray,
) -> tuple[float, bool]:
    """Return the load with what the leading edges add, by three substitutions, and whether one locks."""
    load_N, locked = drag_N, False
    if ledges[j, 0] <= 0.0 and ledges[j, 1] <= 0.0:
        return load_N, locked
    for _ in range(3):
        extra, locked = 0.0, False
        k, f = _level(levels_N, j, load_N)
        for e in range(2):
            slope = ledges[j, e] * steep
            if slope <= 0.0:
                continue
            normal = _line(linear, j, k, 2 * e, f, z)
            angle = _line(linear, j, k, 2 * e + 1, f, z) + slope + np.arctan(mu)
            if angle >= 0.5 * np.pi - 1e-3:
                locked = locked or normal > 0.0
            else:
                extra += max(normal * (np.tan(angle) - mu), 0.0)
        load_N = drag_N if locked else drag_N + extra
    return load_N, locked


@inlined
def _push_N(
    levels_N: FloatArray,
    push_N: FloatArray,
    linear: FloatArray,
    j: int,
    load_N: float,
    mu_wire: float,
    mu_sleeve: float,
    z: FloatArray,
    basis: FloatArray,
) -> float:
    """Return the push needed at the guide's tip for a load at the lesion."""
    k, f = _level(levels_N, j, load_N)
    low, high = 0.0, 0.0
    for t in range(basis.shape[0]):
        low += push_N[j, k, t] * basis[t]
        high += push_N[j, k + 1, t] * basis[t]
    need = max(low + f * (high - low), 0.0)
    turn = _line(linear, j, k, 5, f, z) * mu_wire
    share = np.expm1(turn) / turn if turn > 1e-9 else 1.0
    need += mu_wire * _line(linear, j, k, 4, f, z) * share
    need += need * np.expm1(mu_sleeve * _line(linear, j, k, 7, f, z))
    return float(need + mu_sleeve * _line(linear, j, k, 6, f, z))


@compiled
def _follow(
    scores: FloatArray,
    inputs: FloatArray,
    enough_N: FloatArray,
    tables: Tables,
    peaks_N: FloatArray,
    ends: NDArray[np.int8],
) -> None:
    """Fill the peaks and the ends, draw by draw."""
    levels_N, push_N, linear, prolapse, state, begins, places, ledges = tables
    basis = np.empty(push_N.shape[2])
    for i in range(scores.shape[0]):
        z = scores[i]
        _fill_basis(z, basis)
        shift, mu, lesion, steep, mu_wire, mu_sleeve, roundness = inputs[i]
        peak = -np.inf
        for j in range(levels_N.shape[0]):
            end, need = PROLAPSED, np.inf
            if state[j] != NOT_HELD:
                drag_N = lesion * _drag_N(begins, places, j, shift, mu, roundness)
                load_N, locked = _with_edges(levels_N, linear, ledges, j, drag_N, mu, steep, z)
                held = prolapse[j, 0]
                for t in range(6):
                    held += prolapse[j, t + 1] * z[t]
                if state[j] == NEVER_PROLAPSES or load_N <= np.exp(held):
                    end = LOCKED if locked else PASSED
                if end == PASSED:
                    need = _push_N(levels_N, push_N, linear, j, load_N, mu_wire, mu_sleeve, z, basis)
                    if not need <= NO_STATE_N:
                        end, need = PROLAPSED, np.inf
            peak = max(peak, need)
            peaks_N[i, j] = peak
            if end != PASSED or peak > enough_N[i]:
                ends[i] = end
                peaks_N[i, j + 1 :] = peak
                break
