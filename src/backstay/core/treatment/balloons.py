"""Which balloon, and to what pressure: the largest that stays within a size, from the shelf's own tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from backstay.core.rigging.devices import Balloon, Burr
from backstay.core.treatment.compliance import Inflation, inflation_to
from backstay.errors import InputError

LITHOTRIPSY_ATM = (4.0, 6.0)
"""Working pressure of a lithotripsy balloon [@lithoprotocol]."""
BURR_RATIOS = (0.4, 0.6)
"""Burr over artery as used now, from memory; a trial used 0.6 to 0.85 [@burrratio1996]."""

DRUG_OVERLAP_MM = 2.0
"""Drug-coated balloons one after another overlap by this much: common practice, no source."""
SAME_SIZE_MM = 0.05
"""Of balloons this near to each other length and stiffness decide: judgement, no source."""


@dataclass(frozen=True)
class Sized:
    """A balloon with its pressure.

    Attributes
    ----------
    balloon : Balloon
        The device.
    inflation : Inflation
        Pressure and size by its table.
    """

    balloon: Balloon
    inflation: Inflation


def choose_balloon(
    balloons: Sequence[Balloon],
    balloon_type: str,
    *,
    at_most_mm: float,
    longest_mm: float,
    between_atm: tuple[float, float] | None = None,
    least_mm: float = 0.0,
) -> Sized | None:
    """Return the balloon of a type that opens widest without passing a size, and the pressure for it.

    Parameters
    ----------
    balloons : sequence of Balloon
        The shelf's.
    balloon_type : str
        Of the shelf.
    at_most_mm : float
        Size not to pass [mm].
    longest_mm : float
        Length not to pass [mm], so that it stays inside what is or will be stented; where every balloon is
        longer, the shortest counts.
    between_atm : tuple of float, optional
        Lowest and highest pressure it works at, besides rated burst [atm].
    least_mm : float
        Size below which it is of little use [mm]; where none that is short enough reaches it, the shortest of those
        that do counts, or of the widest where none does.

    Returns
    -------
    Sized or None
        The widest within 0.05 mm, not below the least size where one reaches it; of these the longest that fits,
        then the one at the higher share of its rated burst, so that it is stiff. None where none stays within the size.
    """
    kind = [b for b in balloons if b.balloon_type == balloon_type]
    every = [found for b in kind if (found := _sized(b, at_most_mm, between_atm)) is not None]
    shortest_mm = min((b.working_mm for b in kind), default=0.0)
    room_mm = max(longest_mm + 1e-9, shortest_mm)
    sized = [x for x in every if x.balloon.working_mm <= room_mm]
    useful_mm = _useful_mm(every, least_mm)
    if least_mm > 0.0 and not any(x.inflation.diameter_mm >= useful_mm for x in sized):
        useful = [x for x in every if x.inflation.diameter_mm >= useful_mm]
        room_mm = min((x.balloon.working_mm for x in useful), default=0.0)
        sized = [x for x in useful if x.balloon.working_mm <= room_mm]
    if not sized:
        return None
    widest = max(x.inflation.diameter_mm for x in sized)
    near = [x for x in sized if x.inflation.diameter_mm >= max(widest - SAME_SIZE_MM, min(least_mm, widest))]
    return max(near, key=_preferred)


def _useful_mm(every: Sequence[Sized], least_mm: float) -> float:
    """Return the size that counts as useful: the least, or that of the widest where none reaches it."""
    widest = max((x.inflation.diameter_mm for x in every), default=0.0)
    return least_mm if widest >= least_mm else widest - SAME_SIZE_MM


def _sized(balloon: Balloon, at_most_mm: float, between_atm: tuple[float, float] | None) -> Sized | None:
    found = inflation_to(balloon, at_most_mm, between_atm=between_atm)
    return None if found is None else Sized(balloon, found)


def _preferred(sized: Sized) -> tuple[float, float, float, str]:
    share = sized.inflation.pressure_atm / sized.balloon.rated_burst_atm
    return sized.balloon.working_mm, share, -sized.balloon.crossing_diameter_mm, sized.balloon.id


def in_a_row(*, working_mm: float, length_mm: float) -> tuple[int, float]:
    """Return how many drug-coated balloons of a length cover a stretch one after another, and what they cover.

    Parameters
    ----------
    working_mm : float
        Length of one [mm], above the overlap of 2 mm.
    length_mm : float
        Stretch to cover [mm].

    Returns
    -------
    tuple of (int, float)
        Their number, each used once, and their length together [mm], overlaps taken off.

    Raises
    ------
    InputError
        They are no longer than the overlap.

    Examples
    --------
    >>> in_a_row(working_mm=20.0, length_mm=54.0), in_a_row(working_mm=20.0, length_mm=20.0)
    ((3, 56.0), (1, 20.0))
    """
    if working_mm <= DRUG_OVERLAP_MM:
        raise InputError(
            "balloons in a row are longer than their overlap",
            field="working_mm",
            value=working_mm,
            allowed=f"above {DRUG_OVERLAP_MM:g} mm",
        )
    step_mm = working_mm - DRUG_OVERLAP_MM
    count = max(1, math.ceil((length_mm - DRUG_OVERLAP_MM) / step_mm - 1e-9))
    return count, DRUG_OVERLAP_MM + count * step_mm


def choose_burr(burrs: Sequence[Burr], *, artery_mm: float) -> Burr | None:
    """Return the largest burr that stays within 0.4 to 0.6 of the artery.

    Parameters
    ----------
    burrs : sequence of Burr
        The shelf's.
    artery_mm : float
        Distal reference [mm].

    Returns
    -------
    Burr or None
        None where every burr lies outside.

    References
    ----------
    [@burrratio1996]
    """
    low, high = (ratio * artery_mm for ratio in BURR_RATIOS)
    fitting = [b for b in burrs if low - 1e-9 <= b.nominal_diameter_mm <= high + 1e-9]
    return max(fitting, key=lambda b: b.nominal_diameter_mm, default=None)
