"""The lunge: what jumps, how far and with what energy, when a resistance yields under a spring held in tension or compression."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_STEP_MM: Final = 0.25


@dataclass(frozen=True)
class Jump:
    """What happens when a resistance yields.

    Attributes
    ----------
    comes_to_rest_mm : ndarray, shape (count,)
        How far it jumps where something damps it: to where the relaxed spring no longer beats the resistance.
    at_most_mm : ndarray, shape (count,)
        How far it goes where nothing but the resistance takes the energy up.
    released_mJ : ndarray, shape (count,)
        Elastic energy let go over the first of them [N mm, which is mJ].
    moving_mJ : ndarray, shape (count,)
        The part of it that is motion at most: what the resistance itself did not take up.
    """

    comes_to_rest_mm: FloatArray
    at_most_mm: FloatArray
    released_mJ: FloatArray
    moving_mJ: FloatArray


def in_series_N_per_mm(*springs_N_per_mm: FloatArray | float) -> FloatArray:
    """Return the stiffness of springs one after another.

    Parameters
    ----------
    *springs_N_per_mm : ndarray or float
        Stiffness of each [N/mm].

    Returns
    -------
    ndarray
        1 / sum of 1 / k [N/mm].

    Examples
    --------
    >>> float(in_series_N_per_mm(1.0, 1.0))
    0.5
    """
    return np.asarray(1.0 / sum(1.0 / np.asarray(k, dtype=np.float64) for k in springs_N_per_mm))


def sudden_drop(*, before_N: FloatArray, after_N: FloatArray | float, spring_N_per_mm: FloatArray) -> Jump:
    """Return the jump where a resistance falls at once from one value to another and stays there.

    Parameters
    ----------
    before_N, after_N : ndarray, shape (count,)
        Resistance before it yields, and after [N].
    spring_N_per_mm : ndarray, shape (count,)
        What is stretched or pressed between the hand and the resistance [N/mm].

    Returns
    -------
    Jump
        Spring and slider: rest after (F1 - F2)/k, at most twice that; (F1^2 - F2^2)/(2 k) let go, (F1 - F2)^2/(2 k) of it in motion.

    Examples
    --------
    >>> jump = sudden_drop(before_N=np.array([1.0]), after_N=0.5, spring_N_per_mm=np.array([0.1]))
    >>> jump.comes_to_rest_mm.tolist(), jump.at_most_mm.tolist()
    ([5.0], [10.0])
    >>> jump.released_mJ.round(9).tolist(), jump.moving_mJ.round(9).tolist()
    ([3.75], [1.25])
    """
    after = np.minimum(np.asarray(after_N, dtype=np.float64), before_N)
    rest = (before_N - after) / spring_N_per_mm
    return Jump(
        rest,
        2.0 * rest,
        (before_N**2 - after**2) / (2.0 * spring_N_per_mm),
        (before_N - after) ** 2 / (2.0 * spring_N_per_mm),
    )


def along(
    *,
    gone_mm: FloatArray,
    resistance_N: FloatArray,
    start: NDArray[np.int64],
    held_N: FloatArray,
    spring_N_per_mm: FloatArray,
) -> Jump:
    """Return the jump along a resistance that changes with the way gone.

    Parameters
    ----------
    gone_mm : ndarray, shape (d,)
        Way gone [mm], increasing.
    resistance_N : ndarray, shape (count, d)
        Resistance there once something has yielded [N]; straight between the places.
    start : ndarray of int, shape (count,)
        Index at which each draw stands when it yields.
    held_N : ndarray, shape (count,)
        Force at which it yields [N]; the resistance at the start where nothing is lost at once.
    spring_N_per_mm : ndarray, shape (count,)
        What is stretched or pressed [N/mm].

    Returns
    -------
    Jump
        It comes to rest where the spring's line F1 - k x meets the resistance, and goes at most to where their energies balance; the end of
        the places where neither happens on the way.

    Notes
    -----
    A resistance that falls more slowly than the spring relaxes gives no jump: the classical condition for snapping under a soft machine.
    Way and energies are found on a grid of 0.25 mm.
    """
    count, end = len(resistance_N), gone_mm[-1] - gone_mm
    x = np.arange(0.0, float(gone_mm[-1] - gone_mm[0]) + 0.5 * _STEP_MM, _STEP_MM)
    rest, most, released, moving = (np.zeros(count) for _ in range(4))
    for i in range(count):
        first = float(gone_mm[start[i]])
        way = x[x <= end[start[i]] + 1e-9]
        against = np.interp(first + way, gone_mm, resistance_N[i])
        k, top = float(spring_N_per_mm[i]), float(held_N[i])
        beats = top - k * way - against
        gained = np.concatenate([[0.0], np.cumsum(0.5 * (beats[1:] + beats[:-1]) * _STEP_MM)])
        if len(way) < 2 or beats[1] <= 0.0:
            continue
        rest[i] = _falls_to_zero(way, beats)
        most[i] = _falls_to_zero(way, gained)
        released[i] = top * rest[i] - 0.5 * k * rest[i] ** 2
        moving[i] = float(gained.max())
    return Jump(rest, most, released, moving)


def _falls_to_zero(way_mm: FloatArray, value: FloatArray) -> float:
    """Return where a curve that rises from zero first comes back to it; the last place where it does not."""
    down = np.flatnonzero((value[1:] <= 0.0) & (np.arange(1, len(value)) > 1))
    if down.size == 0:
        return float(way_mm[-1])
    j = int(down[0]) + 1
    share = value[j - 1] / (value[j - 1] - value[j])
    return float(way_mm[j - 1] + share * (way_mm[j] - way_mm[j - 1]))
