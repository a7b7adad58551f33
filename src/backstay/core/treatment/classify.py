"""What kind of lesion it is, in the trade's own classes."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.errors import InputError
from backstay.identifiers import Calcium, LesionType

OSTIAL_MM = 3.0
DISCRETE_MM, DIFFUSE_MM = 10.0, 20.0
BEND_DEG = (45.0, 90.0)
RELEVANT_BRANCH_MM = 1.5
OLD_OCCLUSION_MONTHS = 3.0
MEDINA_PERCENT = 50.0
TRUE_BIFURCATIONS = frozenset({(1, 1, 1), (1, 0, 1), (0, 1, 1)})
TANDEM_GAP_MM = 10.0
"""Healthy stretch below which two lesions are read as a pair: judgement, no source."""
HARD_OCT_SCORE = 4
OCT_ARC_DEG, OCT_THICKNESS_MM, OCT_LENGTH_MM = 180.0, 0.5, 5.0


@dataclass(frozen=True, kw_only=True)
class Features:
    """What decides a lesion's type.

    Attributes
    ----------
    length_mm : float
        Its length.
    bend_deg : float
        Turn of the vessel within it.
    bends_before : int
        Bends of 45 degrees or more on the way to it.
    calcium : Calcium
        By angiography.
    ostial, eccentric, irregular, thrombus : bool
        As seen.
    occluded_months : float or None
        How long it has been shut; None where it is open.
    bridging_collaterals : bool
        Small vessels lead past the occlusion.
    branch_needs_wire, branch_unprotectable : bool
        A relevant branch leaves from it; it cannot be protected.
    vein_graft : bool
        It lies in a degenerated vein graft.
    """

    length_mm: float
    bend_deg: float = 0.0
    bends_before: int = 0
    calcium: Calcium = Calcium.NONE
    ostial: bool = False
    eccentric: bool = False
    irregular: bool = False
    thrombus: bool = False
    occluded_months: float | None = None
    bridging_collaterals: bool = False
    branch_needs_wire: bool = False
    branch_unprotectable: bool = False
    vein_graft: bool = False


def reasons_for_c(features: Features) -> tuple[str, ...]:
    """Return what makes a lesion type C.

    Parameters
    ----------
    features : Features
        The lesion.

    Returns
    -------
    tuple of str
        Each in words; empty where nothing does.

    References
    ----------
    [@ryan1988; @ellis1990]

    Examples
    --------
    >>> reasons_for_c(Features(length_mm=21.0))
    ('longer than 20 mm',)
    """
    f = features
    shut = f.occluded_months is not None and f.occluded_months > OLD_OCCLUSION_MONTHS
    found = (
        (f.length_mm > DIFFUSE_MM, "longer than 20 mm"),
        (f.bends_before >= 3, "three or more bends of 45° before it"),
        (f.bend_deg > BEND_DEG[1], "bend above 90°"),
        (shut, "occluded for more than 3 months"),
        (f.bridging_collaterals, "bridging collaterals"),
        (f.branch_unprotectable, "a major branch that cannot be protected"),
        (f.vein_graft, "degenerated vein graft"),
    )
    return tuple(words for holds, words in found if holds)


def reasons_for_b(features: Features) -> tuple[str, ...]:
    """Return the type B features of a lesion.

    Parameters
    ----------
    features : Features
        The lesion.

    Returns
    -------
    tuple of str
        Each in words.

    Notes
    -----
    "Moderate tortuosity" is read as two bends of 45 degrees before the lesion, since three count as
    excessive [@turgut2007]; other definitions exist.

    References
    ----------
    [@ryan1988; @ellis1990]

    Examples
    --------
    >>> reasons_for_b(Features(length_mm=12.0, ostial=True))
    ('10 to 20 mm long', 'ostial')
    """
    f = features
    shut = f.occluded_months is not None and f.occluded_months <= OLD_OCCLUSION_MONTHS
    found = (
        (DISCRETE_MM <= f.length_mm <= DIFFUSE_MM, "10 to 20 mm long"),
        (f.eccentric, "eccentric"),
        (f.bends_before == 2, "two bends of 45° before it"),
        (BEND_DEG[0] <= f.bend_deg <= BEND_DEG[1], "bend of 45 to 90°"),
        (f.irregular, "irregular"),
        (f.calcium in {Calcium.MODERATE, Calcium.SEVERE}, f"{f.calcium} calcium"),
        (shut, "occluded for up to 3 months"),
        (f.ostial, "ostial"),
        (f.branch_needs_wire and not f.branch_unprotectable, "bifurcation that needs two wires"),
        (f.thrombus, "thrombus"),
    )
    return tuple(words for holds, words in found if holds)


def lesion_type(features: Features) -> LesionType:
    """Return a lesion's type: C by any feature of C, else B2 by two of B, B1 by one, A by none.

    Parameters
    ----------
    features : Features
        The lesion.

    Returns
    -------
    LesionType
        A, B1, B2 or C.

    References
    ----------
    [@ryan1988; @ellis1990]

    Examples
    --------
    >>> [lesion_type(Features(length_mm=x)).value for x in (8.0, 12.0, 21.0)]
    ['A', 'B1', 'C']
    >>> lesion_type(Features(length_mm=12.0, ostial=True)).value
    'B2'
    """
    if reasons_for_c(features):
        return LesionType.C
    count = len(reasons_for_b(features))
    return LesionType.A if count == 0 else LesionType.B1 if count == 1 else LesionType.B2


def extent_words(length_mm: float) -> str:
    """Return the core laboratories' word for a length.

    Parameters
    ----------
    length_mm : float
        Length [mm].

    Returns
    -------
    str
        discrete below 10 mm, diffuse from 20, tubular between.

    References
    ----------
    [@corelabterms]

    Examples
    --------
    >>> [extent_words(x) for x in (9.9, 10.0, 20.0)]
    ['discrete', 'tubular', 'diffuse']
    """
    return "discrete" if length_mm < DISCRETE_MM else "tubular" if length_mm < DIFFUSE_MM else "diffuse"


def medina(*, proximal_percent: float, distal_percent: float, branch_percent: float) -> tuple[int, int, int]:
    """Return the Medina class: which of the three limbs is narrowed by more than half.

    Parameters
    ----------
    proximal_percent, distal_percent, branch_percent : float
        Diameter stenosis of proximal main vessel, distal main vessel and side branch [%].

    Returns
    -------
    tuple of int
        1 where it is above 50 %, in that order.

    References
    ----------
    [@medina2023]

    Examples
    --------
    >>> medina(proximal_percent=70, distal_percent=50, branch_percent=60)
    (1, 0, 1)
    """
    for field, value in (
        ("proximal", proximal_percent),
        ("distal", distal_percent),
        ("branch", branch_percent),
    ):
        if not value <= 100.0:
            raise InputError(
                "a stenosis is at most 100 %", field=f"{field}_percent", value=value, allowed="up to 100"
            )
    limbs = (proximal_percent, distal_percent, branch_percent)
    first, second, third = (int(percent > MEDINA_PERCENT) for percent in limbs)
    return first, second, third


def is_true_bifurcation(limbs: tuple[int, int, int]) -> bool:
    """Return whether a Medina class is a true bifurcation lesion.

    Parameters
    ----------
    limbs : tuple of int
        Of `medina`.

    Returns
    -------
    bool
        1,1,1 or 1,0,1 or 0,1,1.

    References
    ----------
    [@medina2023]

    Examples
    --------
    >>> is_true_bifurcation((0, 1, 1)), is_true_bifurcation((0, 0, 1))
    (True, False)
    """
    return limbs in TRUE_BIFURCATIONS


def oct_calcium_score(*, arc_deg: float, thickness_mm: float, length_mm: float) -> int:
    """Return the calcium score by optical coherence tomography, 0 to 4.

    Parameters
    ----------
    arc_deg, thickness_mm, length_mm : float
        Greatest arc [deg], thickness [mm] and length [mm] of the calcium.

    Returns
    -------
    int
        2 for an arc above 180, 1 for a thickness above 0.5 mm, 1 for a length above 5 mm.

    Notes
    -----
    Stents in lesions that scored 0 to 3 opened to 96 % on average, with a score of 4 to 78 %.

    References
    ----------
    [@fujino2018]

    Examples
    --------
    >>> oct_calcium_score(arc_deg=200, thickness_mm=0.6, length_mm=4)
    3
    >>> oct_calcium_score(arc_deg=180, thickness_mm=0.5, length_mm=5)
    0
    """
    wide, thick, long = arc_deg > OCT_ARC_DEG, thickness_mm > OCT_THICKNESS_MM, length_mm > OCT_LENGTH_MM
    return 2 * wide + thick + long
