"""Diameters where a vessel divides: the laws, which of them holds where, and balloons side by side.

Every law gives the mother vessel from its two daughters; for unlike daughters they part, and only one was
found to hold over the whole range.
"""

from __future__ import annotations

import math

from backstay.errors import InputError
from backstay.identifiers import BranchingLaw

MURRAY_POWER = 3.0
HUO_KASSAB_POWER = 7.0 / 3.0
AREA_POWER = 2.0
FINET_FACTOR = 0.678
UNLIKE_RATIO = 0.25
LIKE_RATIO = 0.75


def mother_murray_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the mother vessel's diameter by Murray's law.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the daughters [mm], above 0.

    Returns
    -------
    float
        Diameter [mm].

    References
    ----------
    [@murray1926]

    Examples
    --------
    >>> round(mother_murray_mm(first_mm=2.70, second_mm=2.23), 3)
    3.134
    """
    return _mother_mm(first_mm, second_mm, MURRAY_POWER)


def mother_huo_kassab_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the mother vessel's diameter by the law of Huo and Kassab, exponent 7/3.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the daughters [mm], above 0.

    Returns
    -------
    float
        Diameter [mm].

    References
    ----------
    [@huo2012]

    Examples
    --------
    >>> round(mother_huo_kassab_mm(first_mm=2.70, second_mm=2.23), 3)
    3.338
    """
    return _mother_mm(first_mm, second_mm, HUO_KASSAB_POWER)


def mother_area_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the mother vessel's diameter if its area were the sum of the daughters' areas.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the daughters [mm], above 0.

    Returns
    -------
    float
        Diameter [mm].

    Examples
    --------
    >>> mother_area_mm(first_mm=3.0, second_mm=4.0)
    5.0
    """
    return _mother_mm(first_mm, second_mm, AREA_POWER)


def mother_finet_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the mother vessel's diameter as 0.678 of the sum of its daughters' diameters.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the daughters [mm], above 0.

    Returns
    -------
    float
        Diameter [mm].

    References
    ----------
    [@finet2007]

    Examples
    --------
    >>> round(mother_finet_mm(first_mm=2.70, second_mm=2.23), 3)
    3.343
    """
    _check(first_mm, "first_mm")
    _check(second_mm, "second_mm")
    return FINET_FACTOR * (first_mm + second_mm)


def laws_that_hold(*, first_mm: float, second_mm: float) -> tuple[BranchingLaw, ...]:
    """Return the laws that agree with measured trees for daughters this unlike, the one for all first.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the daughters [mm], above 0, in any order.

    Returns
    -------
    tuple of BranchingLaw
        Huo and Kassab always; Murray up to a ratio of 0.25; Finet from 0.75.

    References
    ----------
    [@huo2012]

    Examples
    --------
    >>> [law.value for law in laws_that_hold(first_mm=3.0, second_mm=2.5)]
    ['huo_kassab', 'finet']
    """
    _check(first_mm, "first_mm")
    _check(second_mm, "second_mm")
    ratio = min(first_mm, second_mm) / max(first_mm, second_mm)
    if ratio <= UNLIKE_RATIO:
        return (BranchingLaw.HUO_KASSAB, BranchingLaw.MURRAY)
    if ratio >= LIKE_RATIO:
        return (BranchingLaw.HUO_KASSAB, BranchingLaw.FINET)
    return (BranchingLaw.HUO_KASSAB,)


def beyond_branch_mm(*, mother_mm: float, branch_mm: float) -> float:
    """Return the main vessel's diameter beyond a branch, by the law of Huo and Kassab.

    Parameters
    ----------
    mother_mm : float
        Diameter before the branch [mm].
    branch_mm : float
        Diameter of the branch [mm], less than the mother's.

    Returns
    -------
    float
        Diameter [mm].

    Raises
    ------
    InputError
        The branch is not narrower than the mother vessel.

    Examples
    --------
    >>> round(beyond_branch_mm(mother_mm=3.3378, branch_mm=2.23), 3)
    2.7
    """
    _check(branch_mm, "branch_mm")
    if not branch_mm < mother_mm < math.inf:
        raise InputError(
            "a branch is narrower than the vessel it leaves",
            field="branch_mm",
            value=branch_mm,
            allowed=f"below {mother_mm:g} mm",
        )
    left = mother_mm**HUO_KASSAB_POWER - branch_mm**HUO_KASSAB_POWER
    return float(left ** (1.0 / HUO_KASSAB_POWER))


def kissing_area_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the diameter of the circle with the area of two balloons side by side.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the balloons [mm], above 0.

    Returns
    -------
    float
        Diameter [mm]; the smaller of the two definitions in use.

    Notes
    -----
    The published formula could not be read [@morino2008]; this is geometry.

    Examples
    --------
    >>> round(kissing_area_mm(first_mm=3.0, second_mm=3.0), 3)
    4.243
    """
    return _mother_mm(first_mm, second_mm, AREA_POWER)


def kissing_hull_mm(*, first_mm: float, second_mm: float) -> float:
    """Return the diameter of the circle as long round as a taut band about two balloons that touch.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the balloons [mm], above 0.

    Returns
    -------
    float
        Diameter [mm]: what a stent or a vessel wall round both is stretched to. Backstay holds this one
        against a platform's limit, since it is the larger.

    Notes
    -----
    Exact geometry: a band round circles of radius a and b runs straight over twice the root of 4 a b and
    round the larger by pi + 2 asin((a - b)/(a + b)), round the smaller by what is left of the turn.

    Examples
    --------
    >>> round(kissing_hull_mm(first_mm=3.0, second_mm=3.0), 3)
    4.91
    """
    _check(first_mm, "first_mm")
    _check(second_mm, "second_mm")
    a, b = 0.5 * max(first_mm, second_mm), 0.5 * min(first_mm, second_mm)
    lean_rad = math.asin((a - b) / (a + b))
    round_mm = 4.0 * math.sqrt(a * b) + a * (math.pi + 2.0 * lean_rad) + b * (math.pi - 2.0 * lean_rad)
    return round_mm / math.pi


def _mother_mm(first_mm: float, second_mm: float, power: float) -> float:
    _check(first_mm, "first_mm")
    _check(second_mm, "second_mm")
    return float((first_mm**power + second_mm**power) ** (1.0 / power))


def _check(value_mm: float, field: str) -> None:
    if not 0.0 < value_mm < math.inf:
        raise InputError("a vessel has a diameter", field=field, value=value_mm, allowed="above 0 mm")
