"""Which diameter: from the outer wall, from the lumen, or from angiography; and what published series found after.

Shortfall and recoil are information: nothing here makes a device larger because of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.errors import InputError
from backstay.identifiers import SizedBy

LABEL_STEP_MM = 0.25
ABOVE_LUMEN_MM = 0.25
WALL_OVER_LUMEN = {"proximal": 1.32, "distal": 1.25}
SHORTFALL_RATIO = 0.272
SHORTFALL_SD_RATIO = 0.072
RECOIL_MM = 0.28
RECOIL_RATIOS = (0.0407, 0.0587)
"""Of the opened diameter, on the bench [@benchrecoil]."""
ANGIOGRAPHIC_RATIOS = (0.9, 1.1)
"""Label over distal reference by angiography: common practice, no source."""
AXIAL_MISS_RATIOS = (0.9, 1.3)
"""Balloon over artery outside which a stretch counts as missed across: from memory [@geographicmiss]."""


@dataclass(frozen=True)
class SizeRule:
    """Which labels are allowed.

    Attributes
    ----------
    low_mm, high_mm : float
        Smallest and largest label allowed.
    target_mm : float
        The label wanted.
    by : SizedBy
        What it rests on.
    source : str
        Source key or a word for evidence.
    """

    low_mm: float
    high_mm: float
    target_mm: float
    by: SizedBy
    source: str

    def allows(self, label_mm: float) -> bool:
        """Return whether a label lies in the range."""
        return self.low_mm - 1e-9 <= label_mm <= self.high_mm + 1e-9


def rounded_down_mm(diameter_mm: float) -> float:
    """Return a diameter rounded down to a quarter of a millimetre; an exact multiple stays.

    Parameters
    ----------
    diameter_mm : float
        Diameter [mm].

    Returns
    -------
    float
        The label [mm].

    Examples
    --------
    >>> [rounded_down_mm(d) for d in (3.34, 3.10, 2.99, 3.50)]
    [3.25, 3.0, 2.75, 3.5]
    """
    return math.floor(diameter_mm / LABEL_STEP_MM + 1e-9) * LABEL_STEP_MM


def size_by_outer_wall(*, proximal_mm: float, distal_mm: float) -> SizeRule:
    """Return the labels allowed by the outer wall: the smaller reference rounded down.

    Parameters
    ----------
    proximal_mm, distal_mm : float
        Mean diameter of the outer wall at the two landing zones [mm].

    Returns
    -------
    SizeRule
        That label or one step below it.

    References
    ----------
    [@ilumien2016]

    Examples
    --------
    >>> size_by_outer_wall(proximal_mm=4.12, distal_mm=3.34).target_mm
    3.25
    """
    _check(proximal_mm, "proximal_mm")
    _check(distal_mm, "distal_mm")
    label_mm = rounded_down_mm(min(proximal_mm, distal_mm))
    return SizeRule(label_mm - LABEL_STEP_MM, label_mm, label_mm, SizedBy.OUTER_WALL, "ilumien2016")


def size_by_lumen(*, distal_mm: float) -> SizeRule:
    """Return the labels allowed by the lumen that imaging measured: 0 to 0.25 mm above the distal reference.

    Parameters
    ----------
    distal_mm : float
        Mean lumen diameter at the distal landing zone [mm].

    Returns
    -------
    SizeRule
        The range; its middle is wanted.

    References
    ----------
    [@opinion2017]

    Examples
    --------
    >>> rule = size_by_lumen(distal_mm=2.64)
    >>> rule.allows(2.75), rule.allows(3.0), rule.allows(2.5)
    (True, False, False)
    """
    _check(distal_mm, "distal_mm")
    middle_mm = distal_mm + 0.5 * ABOVE_LUMEN_MM
    return SizeRule(distal_mm, distal_mm + ABOVE_LUMEN_MM, middle_mm, SizedBy.LUMEN, "opinion2017")


def size_by_angiography(*, distal_mm: float) -> SizeRule:
    """Return the labels allowed by angiography alone: within a tenth of the distal reference.

    Parameters
    ----------
    distal_mm : float
        Reference at the distal landing zone [mm].

    Returns
    -------
    SizeRule
        The range; the reference itself is wanted.

    Notes
    -----
    Common practice, no source. Angiography shows the lumen only; the wall outside it is not seen.

    Examples
    --------
    >>> size_by_angiography(distal_mm=2.5).allows(2.75)
    True
    """
    _check(distal_mm, "distal_mm")
    low, high = (ratio * distal_mm for ratio in ANGIOGRAPHIC_RATIOS)
    return SizeRule(low, high, distal_mm, SizedBy.ANGIOGRAPHY, "common practice, no source")


def outer_wall_from_lumen_mm(*, lumen_mm: float, where: str) -> float:
    """Return the outer wall's diameter expected over a lumen, from published mean ratios.

    Parameters
    ----------
    lumen_mm : float
        Mean lumen diameter of a landing zone [mm].
    where : str
        "proximal" or "distal".

    Returns
    -------
    float
        Diameter [mm]; a cross-check of what imaging measured, never a size to choose by.

    References
    ----------
    [@walllumen]

    Examples
    --------
    >>> round(outer_wall_from_lumen_mm(lumen_mm=2.64, where="distal"), 2)
    3.3
    >>> round(outer_wall_from_lumen_mm(lumen_mm=3.14, where="proximal"), 2)
    4.14
    """
    _check(lumen_mm, "lumen_mm")
    return WALL_OVER_LUMEN[where] * lumen_mm


def expected_final_mm(label_mm: float) -> float:
    """Return the least lumen that a published series found after opening to a chart's size.

    Parameters
    ----------
    label_mm : float
        Size by the compliance chart [mm].

    Returns
    -------
    float
        Diameter [mm]: 27.2 % below the chart (one standard deviation 7.2 %).

    Notes
    -----
    Of 0.65 mm that the balloon itself stayed short and 0.28 mm recoil on average. Information only.

    References
    ----------
    [@aziz2007]

    Examples
    --------
    >>> round(expected_final_mm(3.0), 2)
    2.18
    """
    _check(label_mm, "label_mm")
    return (1.0 - SHORTFALL_RATIO) * label_mm


def area_mm2(diameter_mm: float) -> float:
    """Return the area of a circle.

    Parameters
    ----------
    diameter_mm : float
        Diameter [mm].

    Returns
    -------
    float
        Area [mm2].

    Examples
    --------
    >>> round(area_mm2(3.0), 2)
    7.07
    """
    return 0.25 * math.pi * diameter_mm**2


def diameter_of_area_mm(area_of_lumen_mm2: float) -> float:
    """Return the diameter of the circle with an area.

    Parameters
    ----------
    area_of_lumen_mm2 : float
        Area [mm2].

    Returns
    -------
    float
        Diameter [mm].

    Examples
    --------
    >>> [round(diameter_of_area_mm(a), 3) for a in (4.5, 5.5)]
    [2.394, 2.646]
    """
    return math.sqrt(4.0 * area_of_lumen_mm2 / math.pi)


def misses_across(*, balloon_mm: float, artery_mm: float) -> bool:
    """Return whether a balloon counts as missing a stretch across: too small or too large for it.

    Parameters
    ----------
    balloon_mm, artery_mm : float
        Opened balloon and reference there [mm].

    Returns
    -------
    bool
        The ratio lies outside 0.9 to 1.3.

    References
    ----------
    [@geographicmiss]

    Examples
    --------
    >>> misses_across(balloon_mm=2.5, artery_mm=3.0), misses_across(balloon_mm=3.0, artery_mm=3.0)
    (True, False)
    """
    low, high = AXIAL_MISS_RATIOS
    return not low <= balloon_mm / artery_mm <= high


def too_small_words(*, opened_mm: float, artery_mm: float) -> str:
    """Return in words that a shelf's best is too small for an artery.

    Parameters
    ----------
    opened_mm, artery_mm : float
        Opened balloon and reference there [mm].

    Returns
    -------
    str
        Size, share of the artery, and the share wanted.

    References
    ----------
    [@geographicmiss]

    Examples
    --------
    >>> too_small_words(opened_mm=2.5, artery_mm=4.0)
    'what the shelf has opens to 2.50 mm, 0.62 of the artery (0.9 or more wanted, from memory)'
    """
    share = opened_mm / artery_mm
    return (
        f"what the shelf has opens to {opened_mm:.2f} mm, {share:.2f} of the artery "
        f"({AXIAL_MISS_RATIOS[0]:g} or more wanted, from memory)"
    )


def _check(value_mm: float, field: str) -> None:
    if not 0.0 < value_mm < math.inf:
        raise InputError("a vessel has a diameter", field=field, value=value_mm, allowed="above 0 mm")
