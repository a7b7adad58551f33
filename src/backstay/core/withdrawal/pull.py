"""From curves drawn back to the answer: pull at the guide's tip for every draw and place, and where an edge catches."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.chance import at_load, crossing_load_N, extension_part_N, wire_part_N
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.crossing import BACK, edge_load_N, lesion_fields
from backstay.core.mechanics.march import PUSH
from backstay.core.rigging.devices import Stent
from backstay.core.withdrawal.sweep import MOUTH_LOAD, MOUTH_TILT, REAR_ATTACK, REAR_LOAD

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

CATCHES_N = 0.49
"""An edge is said to catch where it adds this to the pull, or locks: the load that shortens a fresh stent [@prabhu2012]."""
FOLDED_BALLOON = 0.5
"""Slope of a folded balloon's rear shoulder at a rim, against that of a crimped stent's edge: judgement, no source."""
NEAR_MM = 1.0
"""An edge meets a stent's end within this distance of it."""


@dataclass(frozen=True)
class Pull:
    """The way back of one thing, for every draw.

    Attributes
    ----------
    tips_mm : ndarray, shape (d,)
        Places of its tip, from the guide's tip.
    pull_N : ndarray, shape (count, d)
        Pull at the guide's tip; infinite where an edge locks.
    wall_N : ndarray, shape (count, d)
        The part that the vessel holds, which is what draws the guide in; without friction on wire and lining, and without the mouth's rim.
    edge_N : ndarray, shape (count, d)
        What an edge adds; infinite where it locks.
    free_N : ndarray, shape (count, d)
        Pull once tight places and edges have let go.
    at_mouth : ndarray of bool, shape (d,)
        Whether the edge stands at the mouth it returns into there.
    """

    tips_mm: FloatArray
    pull_N: FloatArray
    wall_N: FloatArray
    edge_N: FloatArray
    free_N: FloatArray
    at_mouth: BoolArray

    def on_the_way(self, from_mm: FloatArray) -> BoolArray:
        """Return which places each draw passes on its way back from `from_mm` (count,), shape (count, d); the nearest at least."""
        passed = self.tips_mm[None, :] <= np.asarray(from_mm)[:, None] + 1e-6
        passed[:, 0] = True
        return np.asarray(passed)

    def highest_N(self, from_mm: FloatArray) -> FloatArray:
        """Return the highest pull on the way back from `from_mm` (count,) [N], shape (count,)."""
        return np.asarray(np.where(self.on_the_way(from_mm), self.pull_N, -np.inf).max(axis=1))

    def highest_wall_N(self, from_mm: FloatArray) -> FloatArray:
        """Return the highest pull of the vessel on the way back from `from_mm` (count,) [N], shape (count,)."""
        return np.asarray(np.where(self.on_the_way(from_mm), self.wall_N, 0.0).max(axis=1))

    def highest_edge_N(self, from_mm: FloatArray, *, mouth: bool) -> FloatArray:
        """Return the most an edge adds on the way back from `from_mm` (count,) [N]: at the mouth, or anywhere else."""
        there = self.on_the_way(from_mm) & (self.at_mouth == mouth)[None, :]
        return np.asarray(np.where(there, self.edge_N, 0.0).max(axis=1))


def tips_back(
    *, to_mm: float, rear_mm: float | None, edges_mm: tuple[float, ...], count: int, first_mm: float = 4.0
) -> FloatArray:
    """Return the places of a tip at which the way back is solved.

    Parameters
    ----------
    to_mm : float
        Farthest place of the tip [mm].
    rear_mm : float or None
        Distance of the rear edge behind the tip [mm].
    edges_mm : tuple of float
        Places that the rear edge is to meet exactly: mouths, ends of stents [mm].
    count : int
        How many places beside those.
    first_mm : float
        The nearest [mm].

    Returns
    -------
    ndarray
        Increasing, 0.5 mm apart at least.

    Examples
    --------
    >>> tips_back(to_mm=40.0, rear_mm=20.0, edges_mm=(10.0,), count=3).tolist()
    [4.0, 22.0, 30.0, 40.0]
    """
    regular = np.linspace(min(first_mm, to_mm), to_mm, count)
    exact = [] if rear_mm is None else [e + rear_mm for e in edges_mm if regular[0] < e + rear_mm < to_mm]
    kept = [t for t in regular if all(abs(t - e) >= 0.5 for e in exact)]
    return np.array(sorted([*kept, *exact]))


def mouth_mm(passage: Passage) -> float:
    """Return where the thing drawn back enters a tube again: the extension's end, else the guide's tip [mm from the guide's tip].

    Parameters
    ----------
    passage : Passage
        Vessel, rig and what is drawn back.

    Returns
    -------
    float
        Place [mm].
    """
    return passage.rig.extension_depth_mm if passage.rig.extension is not None else 0.0


def pull_back(
    passage: Passage,
    draws: DrawSet,
    curves: Curves,
    *,
    rear_mm: float | None,
    stent_ends_mm: tuple[float, ...] = (),
) -> Pull:
    """Return the pull of every draw at every place.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and what is drawn back.
    draws : DrawSet
        The uncertain inputs, those of the way back among them.
    curves : Curves
        Curves drawn back of every draw.
    rear_mm : float or None
        Distance of the rear edge behind the tip [mm]; None where there is no edge.
    stent_ends_mm : tuple of float
        Far ends of stents already open, which the rear edge meets [mm].

    Returns
    -------
    Pull
        For every draw and place.

    Notes
    -----
    The load in tight places is the drag, and what the rear edge adds where it lies on a ledge of the lesion or at a stent's end, by the
    law of a leading edge on the way in. At the mouth the rim carries the part of the tension across its axis; what the edge adds there
    stays between device and tube. Friction on the wire and in an extension's lining is added to the pull, not to what draws the guide in.
    """
    drag = crossing_load_N(passage, draws, curves.tips_mm, going=BACK)
    ledge = np.zeros_like(drag)
    for _ in range(3):  # the edge's own load presses it on: its share is small and rises slowly
        ledge = _ledge_N(
            passage, draws, curves, drag + np.where(np.isinf(ledge), 0.0, ledge), rear_mm, stent_ends_mm
        )
    load = drag + np.where(np.isinf(ledge), 0.0, ledge)
    wall, pull = _pulls_N(draws, curves, load)
    free = _pulls_N(draws, curves, np.zeros_like(load))[1]
    rim, at_mouth = _rim_N(passage, draws, curves, load, rear_mm)
    pull = pull + np.where(np.isinf(ledge), np.inf, rim)
    return Pull(curves.tips_mm, pull, wall, np.maximum(ledge, rim), free, at_mouth)


def _pulls_N(draws: DrawSet, curves: Curves, load_N: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what the vessel holds and the whole pull at the guide's tip under a load (count, d)."""
    wall = np.maximum(-at_load(curves.levels_N, curves.readings[..., PUSH], load_N), 0.0)
    pull = wall + wire_part_N(draws, curves, load_N)
    return wall, pull + extension_part_N(draws, curves, load_N, pull)


def _ledge_N(
    passage: Passage,
    draws: DrawSet,
    curves: Curves,
    load_N: FloatArray,
    rear_mm: float | None,
    stent_ends_mm: tuple[float, ...],
) -> FloatArray:
    """Return what the rear edge adds on ledges and stent ends, (count, d); infinite where it locks."""
    if rear_mm is None:
        return np.zeros_like(load_N)
    edge_mm = curves.tips_mm - rear_mm
    _, slope = lesion_fields(passage.path.s_mm, passage.lesions)
    outside = edge_mm > mouth_mm(passage) + NEAR_MM
    field = np.where(outside, np.interp(edge_mm, passage.path.s_mm, slope), 0.0)
    steep = field[None, :] * draws["ledge_factor"][:, None]
    for end in stent_ends_mm:
        there = outside & (np.abs(edge_mm - end) <= NEAR_MM)
        steep = steep + np.where(there[None, :], draws["stent_end_slope"][:, None], 0.0)
    normal = np.maximum(at_load(curves.levels_N, curves.readings[..., REAR_LOAD], load_N), 0.0)
    attack = np.maximum(at_load(curves.levels_N, curves.readings[..., REAR_ATTACK], load_N), 0.0)
    return edge_load_N(
        normal_N=normal, attack_rad=attack, slope_rad=steep, friction=draws["friction_wall"][:, None]
    )


def _rim_N(
    passage: Passage, draws: DrawSet, curves: Curves, load_N: FloatArray, rear_mm: float | None
) -> tuple[FloatArray, BoolArray]:
    """Return what the rim of the mouth adds where the rear edge returns into it, and at which places that is."""
    if rear_mm is None:
        return np.zeros_like(load_N), np.zeros(len(curves.tips_mm), dtype=bool)
    at_mouth = np.abs(curves.tips_mm - rear_mm - mouth_mm(passage)) <= 0.5 * NEAR_MM
    normal = np.maximum(at_load(curves.levels_N, curves.readings[..., MOUTH_LOAD], load_N), 0.0)
    tilt = np.maximum(at_load(curves.levels_N, curves.readings[..., MOUTH_TILT], load_N), 0.0)
    share = 1.0 if isinstance(passage.device, Stent) else FOLDED_BALLOON
    rim = edge_load_N(
        normal_N=normal,
        attack_rad=tilt,
        slope_rad=(share * draws["rim_slope"])[:, None],
        friction=draws["friction_extension"][:, None],
    )
    return np.where(at_mouth[None, :], rim, 0.0), np.asarray(at_mouth)


def pull_under_load_N(curves: Curves, draws: DrawSet, load_N: FloatArray) -> FloatArray:
    """Return the pull at the guide's tip that puts a given pull on a thing's far end, where it lies deepest.

    Parameters
    ----------
    curves : Curves
        Curves drawn back of every draw.
    draws : DrawSet
        The uncertain inputs.
    load_N : ndarray, shape (count,)
        Pull at its far end [N].

    Returns
    -------
    ndarray, shape (count,)
        Pull [N], with what the bends on the way add.
    """
    load = np.repeat(load_N[:, None], len(curves.tips_mm), axis=1)
    return _pulls_N(draws, curves, load)[1][:, -1]
