"""What a good result is: stent area against its references, and the criteria in use, which disagree."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.errors import InputError

LEAST_EXPANSION_RATIO = 0.8
"""Stent area over the mean reference lumen area, to be passed; from memory [@raber2018]."""
LEAST_AREA_mm2 = {"ivus": 5.5, "oct": 4.5}
"""Outside the left main, to be passed; from memory [@raber2018]."""
LARGE_LUMEN_mm2 = 9.0
LEAST_SYMMETRY_RATIO = 0.7
MALAPPOSITION_MM = (0.4, 1.0)
"""Malapposition that matters: this deep or deeper over more than this length; from memory [@raber2018]."""
EDGE_DISSECTION_DEG_MM = (60.0, 2.0)
"""Dissection at a stent's edge that matters: this wide or wider and this long or longer; from memory [@raber2018]."""


@dataclass(frozen=True)
class LeftMainSet:
    """One set of least stent areas for the left main and its two branches.

    Attributes
    ----------
    name : str
        Which patients it comes from.
    areas_mm2 : tuple of (str, float)
        Place and least area.
    source : str
        Key.
    """

    name: str
    areas_mm2: tuple[tuple[str, float], ...]
    source: str


LEFT_MAIN_SETS = (
    LeftMainSet(
        "an Asian series",
        (
            ("circumflex mouth", 5.0),
            ("anterior descending mouth", 6.3),
            ("where they meet", 7.2),
            ("proximal left main", 8.2),
        ),
        "kang2011",
    ),
    LeftMainSet(
        "a Western series",
        (("circumflex mouth", 6.0), ("anterior descending mouth", 7.0), ("left main", 10.0)),
        "eij2025editorial",
    ),
    LeftMainSet(
        "two stents, five years",
        (("circumflex mouth", 5.7), ("anterior descending mouth", 8.3), ("left main", 11.8)),
        "eij2025editorial",
    ),
    LeftMainSet(
        "one stent into the anterior descending artery",
        (("anterior descending mouth", 8.1), ("distal left main", 8.4), ("proximal left main", 11.4)),
        "kim2025",
    ),
)
"""They disagree, and none is preferred here: all are shown [@kang2011; @eij2025editorial; @kim2025]."""


def expansion_ratio(*, stent_area_mm2: float, reference_areas_mm2: tuple[float, ...]) -> float:
    """Return the least stent area over the mean of the reference lumen areas.

    Parameters
    ----------
    stent_area_mm2 : float
        Least area inside the stent [mm2].
    reference_areas_mm2 : tuple of float
        Lumen areas of the references [mm2]; one alone measures against it.

    Returns
    -------
    float
        The ratio.

    Examples
    --------
    >>> round(expansion_ratio(stent_area_mm2=6.0, reference_areas_mm2=(8.0, 6.4)), 4)
    0.8333
    """
    if not reference_areas_mm2 or min(reference_areas_mm2) <= 0.0 or stent_area_mm2 <= 0.0:
        raise InputError("areas are above zero", field="reference_areas_mm2", allowed="above 0 mm2")
    return stent_area_mm2 * len(reference_areas_mm2) / sum(reference_areas_mm2)


def is_expanded(ratio: float) -> bool:
    """Return whether an expansion passes the consensus criterion: above 80 %, exactly 80 % does not.

    Parameters
    ----------
    ratio : float
        Of `expansion_ratio`.

    Returns
    -------
    bool
        Passes.

    Examples
    --------
    >>> is_expanded(expansion_ratio(stent_area_mm2=5.6, reference_areas_mm2=(7.5, 6.5)))
    False
    """
    return ratio > LEAST_EXPANSION_RATIO + 1e-12


def meets_music_1998(
    *, stent_area_mm2: float, reference_areas_mm2: tuple[float, float], symmetry: float = 1.0
) -> bool:
    """Return whether a stent meets the 1998 criteria.

    Parameters
    ----------
    stent_area_mm2 : float
        Least area inside the stent [mm2].
    reference_areas_mm2 : tuple of float
        Lumen areas of the two references [mm2].
    symmetry : float
        Least over greatest diameter inside the stent.

    Returns
    -------
    bool
        At least 90 % of the mean or the whole of the smaller reference; for a lumen above 9 mm2, 80 % or
        90 %; symmetry at least 0.7.

    References
    ----------
    [@music1998]

    Examples
    --------
    >>> meets_music_1998(stent_area_mm2=6.0, reference_areas_mm2=(6.6, 6.2))
    True
    """
    large = stent_area_mm2 > LARGE_LUMEN_mm2
    of_mean, of_smaller = (0.8, 0.9) if large else (0.9, 1.0)
    mean_mm2 = 0.5 * sum(reference_areas_mm2)
    # The least of the two, with room for the last digit of a product.
    asked_mm2 = min(of_mean * mean_mm2, of_smaller * min(reference_areas_mm2)) - 1e-9
    wide = stent_area_mm2 >= asked_mm2
    return wide and symmetry >= LEAST_SYMMETRY_RATIO


def least_acceptable_mm2(*, reference_areas_mm2: tuple[float, ...]) -> float:
    """Return the least stent area to accept, to be said before the stent goes in.

    Parameters
    ----------
    reference_areas_mm2 : tuple of float
        Lumen areas of the references [mm2].

    Returns
    -------
    float
        Area [mm2]: 80 % of the mean reference. The absolute floors stand beside it and are not mixed in: a
        small vessel cannot reach them, and in a large one they mean little.

    Examples
    --------
    >>> round(least_acceptable_mm2(reference_areas_mm2=(7.5, 6.5)), 2)
    5.6
    """
    return LEAST_EXPANSION_RATIO * sum(reference_areas_mm2) / len(reference_areas_mm2)


def malapposition_matters(*, depth_mm: float, length_mm: float) -> bool:
    """Return whether struts stand off the wall by enough to act on.

    Parameters
    ----------
    depth_mm : float
        Greatest distance from strut to wall [mm].
    length_mm : float
        Length over which they stand off [mm].

    Returns
    -------
    bool
        0.4 mm or more, over more than 1 mm.

    References
    ----------
    [@raber2018]

    Examples
    --------
    >>> malapposition_matters(depth_mm=0.4, length_mm=1.2), malapposition_matters(depth_mm=0.4, length_mm=1.0)
    (True, False)
    """
    deep, long = MALAPPOSITION_MM
    return depth_mm >= deep - 1e-9 and length_mm > long + 1e-9


def edge_dissection_matters(*, arc_deg: float, length_mm: float) -> bool:
    """Return whether a dissection at the stent's edge is large enough to act on.

    Parameters
    ----------
    arc_deg : float
        Its arc [deg].
    length_mm : float
        Its length [mm].

    Returns
    -------
    bool
        60 degrees or more and 2 mm or more.

    References
    ----------
    [@raber2018]

    Examples
    --------
    >>> edge_dissection_matters(arc_deg=60.0, length_mm=2.0), edge_dissection_matters(arc_deg=90.0, length_mm=1.5)
    (True, False)
    """
    wide, long = EDGE_DISSECTION_DEG_MM
    return arc_deg >= wide - 1e-9 and length_mm >= long - 1e-9
