"""What hands can do beside pushing: the rail held in tension, the guide turned to and fro, a deep breath held.

Each goes with any push and takes next to nothing. What it does to the push is in the model; how hard, how fast and how much is
judged, wide, and unvalidated: no measurement of any of them was found.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.chance import at_load, need_from_curves
from backstay.core.inference.draws import DrawSet, DrawSpec
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.march import WIRE_TURN
from backstay.identifiers import Evidence

FloatArray = NDArray[np.float64]

_JUDGEMENT = Evidence.JUDGEMENT.value
_SEED = 20_240_917

HANDLING_DRAWS: tuple[DrawSpec, ...] = (
    DrawSpec(
        "wire_pull_N", "pull on the rail at the hub", "N", 0.3, 0.6, "lognormal", _JUDGEMENT, _JUDGEMENT
    ),
    # Turned by hand to and fro at about 1.5 rad/s, the shaft 0.9 mm off its axis, pushed at about 2 mm/s.
    DrawSpec(
        "turn_ratio",
        "speed of a turned guide's lining across the shaft, against the shaft's along it",
        "",
        0.7,
        0.6,
        "lognormal",
        _JUDGEMENT,
        _JUDGEMENT,
    ),
    # The heart goes down with the diaphragm and the arteries on it are drawn out; by how much was not found.
    DrawSpec(
        "breath_straightens",
        "part of the path's turning that a deep breath takes away",
        "",
        0.05,
        0.6,
        "lognormal",
        _JUDGEMENT,
        _JUDGEMENT,
    ),
)


def with_handling(draws: DrawSet, *, block: int = 0) -> DrawSet:
    """Return draws with how hands are used beside them.

    Parameters
    ----------
    draws : DrawSet
        Uncertain inputs.
    block : int
        Number of the part of a longer sequence that they are; every part has values of its own.

    Returns
    -------
    DrawSet
        The same draws with the inputs of `HANDLING_DRAWS`; their specs stay as they are.
    """
    rng = np.random.default_rng((_SEED, block))
    own = {spec.name: spec.at(rng.standard_normal(draws.count)) for spec in HANDLING_DRAWS}
    return replace(draws, values={**draws.values, **own})


def axial_share(turn_ratio: FloatArray) -> FloatArray:
    """Return the part of sliding friction that resists along the axis when the surfaces slide in a helix.

    Parameters
    ----------
    turn_ratio : ndarray
        Speed across the axis against speed along it.

    Returns
    -------
    ndarray
        1 / sqrt(1 + ratio^2): friction keeps its size and acts against the slip, so only its axial part resists.

    Examples
    --------
    >>> axial_share(np.array([0.0, 1.0])).round(4).tolist()
    [1.0, 0.7071]
    """
    return np.asarray(1.0 / np.sqrt(1.0 + np.square(turn_ratio)))


def with_guide_turned(draws: DrawSet) -> DrawSet:
    """Return draws in which the guide is turned to and fro round the shaft while it is pushed.

    Parameters
    ----------
    draws : DrawSet
        Uncertain inputs, with `with_handling`.

    Returns
    -------
    DrawSet
        The shaft's friction in the guide times its axial part. Whether the tip comes to lie better in line is not in it.
    """
    eased = draws["friction_guide"] * axial_share(draws["turn_ratio"])
    return replace(draws, values={**draws.values, "friction_guide": eased})


def with_deep_breath(draws: DrawSet) -> DrawSet:
    """Return draws in which a deep breath draws the vessel out.

    Parameters
    ----------
    draws : DrawSet
        Uncertain inputs, with `with_handling`.

    Returns
    -------
    DrawSet
        The path's turning less the part that the breath takes away, at most half of it.
    """
    left = 1.0 - np.minimum(draws["breath_straightens"], 0.5)
    return replace(draws, values={**draws.values, "curvature_factor": draws["curvature_factor"] * left})


def need_with_wire_held_N(
    draws: DrawSet,
    curves: Curves,
    lesion_N: FloatArray,
    locked: NDArray[np.bool_],
    *,
    pull_N: FloatArray,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the push needed with the rail held in tension, and where the assembly prolapses all the same.

    Parameters
    ----------
    draws : DrawSet
        Uncertain inputs.
    curves : Curves
        Transfer curves of every draw, without tension.
    lesion_N, locked : ndarray, shape (count, d)
        As in `need_from_curves`.
    pull_N : ndarray, shape (count,)
        Tension that the rail takes beyond what the shaft drags on it [N]: no more than its own hold beyond the device, else it slides out.

    Returns
    -------
    need_N : ndarray, shape (count, d)
        Push needed [N]; infinite where prolapsed or locked.
    prolapsed : ndarray of bool, shape (count, d)
        As in `need_from_curves`.

    Notes
    -----
    The shape feels the push less the tension, Q - T, along the whole assembly. So the curves without tension hold at the load
    L - T: need(L) = need_0(L - T) + T e^(mu turn), the last with the wire's own friction on the bends the shaft takes it round. A
    capstan of turn theta without wire friction is eased by T (e^(mu theta) - 1), and the assembly prolapses T later. More
    tension than the load it meets is not credited, nor is what tension does to the wire ahead of the device.
    """
    held = np.minimum(pull_N[:, None], lesion_N)
    need, prolapsed = need_from_curves(draws, curves, lesion_N - held, locked)
    turn = np.maximum(at_load(curves.levels_N, curves.readings[..., WIRE_TURN], lesion_N - held), 0.0)
    wound = np.minimum(draws["friction_wire"][:, None] * turn, 10.0)
    return np.where(np.isfinite(need), need + held * np.exp(wound), np.inf), prolapsed
