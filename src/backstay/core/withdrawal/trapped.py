"""A wire trapped behind a stent, pulled: it slips, it takes the stent along, or its soft end breaks."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.mechanics.holds import trapped_hold_N
from backstay.core.rigging.rig import TrappedWire
from backstay.identifiers import TrappedEnd

FloatArray = NDArray[np.float64]

ON_STENT_SHARE = 0.5
"""Share of the hold that the stent takes: it presses on one side of the wire, the wall on the other."""


@dataclass(frozen=True)
class TrappedPull:
    """What gives first when a trapped wire is pulled, for every draw.

    Attributes
    ----------
    ends : ndarray of object, shape (count,)
        `TrappedEnd` of every draw.
    at_N : ndarray, shape (count,)
        Pull at the stent at which that happens.
    slips_N : ndarray, shape (count,)
        Pull at the stent at which it would slip.
    """

    ends: NDArray[np.object_]
    at_N: FloatArray
    slips_N: FloatArray

    def chance(self, end: TrappedEnd) -> float:
        """Return the share of draws that end so."""
        return float(np.mean(self.ends == end))


def slips_N(trapped: TrappedWire, draws: DrawSet) -> FloatArray:
    """Return the pull at which a trapped wire slips, whatever its strength.

    Parameters
    ----------
    trapped : TrappedWire
        Wire and the stretch behind the stent.
    draws : DrawSet
        Uncertain inputs.

    Returns
    -------
    ndarray, shape (count,)
        The hold per millimetre of the backup model times the trapped length [N]; unvalidated.
    """
    one = replace(trapped, from_mm=0.0, to_mm=1.0)
    return np.asarray(trapped_hold_N(one, draws) * max(trapped.to_mm - trapped.from_mm, 0.0))


def pull_trapped(trapped: TrappedWire, draws: DrawSet) -> TrappedPull:
    """Return what gives first.

    Parameters
    ----------
    trapped : TrappedWire
        Wire and the stretch behind the stent.
    draws : DrawSet
        Uncertain inputs, those of the way back among them.

    Returns
    -------
    TrappedPull
        The least of three: the hold is overcome; half of it, which the stent carries, moves or shortens the stent; the soft end breaks.

    Notes
    -----
    All three are orders of magnitude. The stent's limit is the load with which a caught catheter tip shortens a fresh stent, 0.49 N
    [@prabhu2012], spread by a factor of two either way; a trapped wire has pulled a stent out [@kumar2023], 135 jailed ones came out
    without a break [@villanueva2015], and the longer the trapped length the more wires were damaged [@pan2016].
    """
    slip = slips_N(trapped, draws)
    limits = np.stack([slip, draws["stent_gives_N"] / ON_STENT_SHARE, draws["wire_end_strength_N"]], axis=1)
    which = np.argmin(limits, axis=1)
    names = np.array([TrappedEnd.SLIPS, TrappedEnd.MOVES_STENT, TrappedEnd.BREAKS], dtype=object)
    return TrappedPull(names[which], limits[np.arange(draws.count), which], slip)
