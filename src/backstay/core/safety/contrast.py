"""How much contrast: published ceilings by weight, creatinine and clearance, and what is known beyond them.

Every ceiling is an association found in cohorts, not a dose that is safe up to it. Ceilings and bands:
[@cigarroa1989; @brown2010; @gurm2011; @laskey2007; @nie2021; @windecker2014].
"""

from __future__ import annotations

from dataclasses import dataclass

from backstay.core.safety.protocol import ContrastProtocol
from backstay.errors import InputError
from backstay.identifiers import Whose

ML_PER_KG_PER_MG_DL = 5.0
"""[@cigarroa1989]"""
MOST_mL = 300.0


def weight_limit_dose_capped_mL(*, weight_kg: float, creatinine_mg_dL: float) -> float:
    """Return the weight-and-creatinine limit with the cap on the dose before dividing [@cigarroa1989].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].
    creatinine_mg_dL : float
        Serum creatinine [mg/dL].

    Returns
    -------
    float
        min(5 mL/kg, 300 mL) / creatinine [mL]: as the abstract prints it.

    Notes
    -----
    Disputed: `weight_limit_result_capped_mL` is the other reading. This one is the smaller above 1 mg/dL, the
    other below.

    Examples
    --------
    >>> weight_limit_dose_capped_mL(weight_kg=80, creatinine_mg_dL=2.0)
    150.0
    """
    return min(ML_PER_KG_PER_MG_DL * weight_kg, MOST_mL) / creatinine_mg_dL


def weight_limit_result_capped_mL(*, weight_kg: float, creatinine_mg_dL: float) -> float:
    """Return the weight-and-creatinine limit with the cap on the result, as it is commonly read [@cigarroa1989].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].
    creatinine_mg_dL : float
        Serum creatinine [mg/dL].

    Returns
    -------
    float
        min(5 mL/kg / creatinine, 300 mL) [mL].

    Examples
    --------
    >>> weight_limit_result_capped_mL(weight_kg=80, creatinine_mg_dL=2.0)
    200.0
    """
    return min(ML_PER_KG_PER_MG_DL * weight_kg / creatinine_mg_dL, MOST_mL)


def weight_limit_ratio(*, volume_mL: float, weight_kg: float, creatinine_mg_dL: float) -> float:
    """Return the volume as a multiple of 5 mL/kg over creatinine, without any cap [@brown2010].

    Parameters
    ----------
    volume_mL : float
        Contrast given [mL].
    weight_kg : float
        Body weight [kg].
    creatinine_mg_dL : float
        Serum creatinine [mg/dL].

    Returns
    -------
    float
        The ratio.

    Examples
    --------
    >>> weight_limit_ratio(volume_mL=320, weight_kg=80, creatinine_mg_dL=2.0)
    1.6
    """
    return volume_mL * creatinine_mg_dL / (ML_PER_KG_PER_MG_DL * weight_kg)


@dataclass(frozen=True)
class Band:
    """What was seen in patients beyond an edge.

    Attributes
    ----------
    edge : float
        The band begins above it; at it, where `inclusive`.
    says : str
        What was found.
    source : str
        Key of the source.
    confirmed : bool
        The source itself was read, if only as an abstract.
    inclusive : bool
        The edge itself belongs to the band.
    """

    edge: float
    says: str
    source: str
    confirmed: bool = True
    inclusive: bool = False

    def holds(self, value: float) -> bool:
        """Return whether a value lies in the band or beyond."""
        return value >= self.edge if self.inclusive else value > self.edge


WEIGHT_RATIO_BANDS = (
    Band(1.0, "nephropathy, adjusted odds ratio 1.60 (ratio 1 to 1.5)", "brown2010"),
    Band(1.5, "nephropathy, adjusted odds ratio 2.02 (ratio 1.5 to 2)", "brown2010"),
    Band(2.0, "nephropathy, adjusted odds ratio 2.94 (ratio above 2)", "brown2010"),
)
CLEARANCE_RATIO_BANDS = (
    Band(2.0, "new dialysis, odds ratio 1.72 (above twice the clearance)", "gurm2011"),
    Band(3.0, "nephropathy, odds ratio 1.46, new dialysis 1.89 (above three times)", "gurm2011"),
    Band(3.7, "predicts an early rise of creatinine", "laskey2007", confirmed=False),
)
EGFR_RATIO_BANDS = (Band(1.78, "nephropathy, adjusted odds ratio 4.64", "nie2021", inclusive=True),)


def band_reached(bands: tuple[Band, ...], value: float) -> Band | None:
    """Return the highest band that a ratio has reached.

    Parameters
    ----------
    bands : tuple of Band
        From the lowest edge up.
    value : float
        The ratio.

    Returns
    -------
    Band or None
        None below the first edge.

    Examples
    --------
    >>> band_reached(CLEARANCE_RATIO_BANDS, 150 / 50).edge
    2.0
    >>> band_reached(CLEARANCE_RATIO_BANDS, 190 / 50).edge
    3.7
    """
    return next((band for band in reversed(bands) if band.holds(value)), None)


@dataclass(frozen=True)
class Ceiling:
    """One published or agreed ceiling for the whole case.

    Attributes
    ----------
    what : str
        What it is.
    volume_mL : float
        The ceiling.
    source : str
        Key of the source, or an evidence word.
    binds : bool
        It counts towards the case's limit; otherwise it is shown only.
    confirmed : bool
        Its source was read.
    """

    what: str
    volume_mL: float
    source: str
    binds: bool
    confirmed: bool = True


def ceilings(
    protocol: ContrastProtocol,
    *,
    weight_kg: float | None,
    creatinine_mg_dL: float | None,
    clearance_mL_min: float | None,
    agreed_mL: float | None,
    clearance_source: str = "gurm2011",
) -> tuple[Ceiling, ...]:
    """Return every ceiling that can be computed, the lowest first.

    Parameters
    ----------
    protocol : ContrastProtocol
        What the lab has decided.
    weight_kg, creatinine_mg_dL, clearance_mL_min : float or None
        Body weight [kg], serum creatinine [mg/dL], creatinine clearance [mL/min]; None where not known.
    agreed_mL : float or None
        The limit written in the case [mL].
    clearance_source : str
        Who says how often the clearance may be used up.

    Returns
    -------
    tuple of Ceiling
        The lowest one that binds is the case's limit. Both readings of the weight-and-creatinine limit are
        listed; the one the protocol chose binds.
    """
    found = []
    if agreed_mL is not None:
        found.append(Ceiling("limit set for this case", agreed_mL, Whose.CASE.value, True))
    if weight_kg is not None and creatinine_mg_dL is not None:
        found += _weight_ceilings(protocol, weight_kg, creatinine_mg_dL)
    if weight_kg is not None:
        found.append(Ceiling("4 mL/kg", 4.0 * weight_kg, "windecker2014", True))
    if clearance_mL_min is not None:
        times = protocol.clearance_times
        found += [
            Ceiling(f"{times:g} times the clearance", times * clearance_mL_min, clearance_source, True),
            Ceiling("twice the clearance, to plan by", 2.0 * clearance_mL_min, "gurm2011", False),
            Ceiling("3.7 times the clearance", 3.7 * clearance_mL_min, "laskey2007", False, False),
        ]
    found.append(Ceiling("350 mL whatever the kidney", 350.0, "windecker2014", True))
    return tuple(sorted(found, key=lambda one: one.volume_mL))


def _weight_ceilings(protocol: ContrastProtocol, weight_kg: float, creatinine_mg_dL: float) -> list[Ceiling]:
    """Return both readings of the weight-and-creatinine limit; the protocol says which binds."""
    on_dose_mL = weight_limit_dose_capped_mL(weight_kg=weight_kg, creatinine_mg_dL=creatinine_mg_dL)
    on_result_mL = weight_limit_result_capped_mL(weight_kg=weight_kg, creatinine_mg_dL=creatinine_mg_dL)
    choice = protocol.weight_limit_cap
    dose_binds = choice == "on the dose" or (choice == "the smaller" and on_dose_mL <= on_result_mL)
    what = "weight and creatinine, 300 mL cap on the "
    return [
        Ceiling(f"{what}dose", on_dose_mL, "cigarroa1989", dose_binds),
        Ceiling(f"{what}result", on_result_mL, "cigarroa1989", not dose_binds),
    ]


def lowest_binding(found: tuple[Ceiling, ...]) -> Ceiling | None:
    """Return the ceiling that is the case's limit.

    Parameters
    ----------
    found : tuple of Ceiling
        Lowest first.

    Returns
    -------
    Ceiling or None
        None where none binds.
    """
    return next((one for one in found if one.binds), None)


@dataclass(frozen=True, kw_only=True)
class ScoreInputs:
    """What the 2004 nephropathy score asks; None where it is not known, which scores nothing and is said.

    Attributes
    ----------
    hypotension, balloon_pump, heart_failure, diabetes : bool or None
        As the score defines them.
    age_y : float or None
        Age.
    anaemia : bool or None
        Haematocrit below 39 % (men) or 36 % (women).
    egfr : float or None
        mL/min/1.73 m2.
    creatinine_mg_dL : float or None
        The score counts either this or the filtration rate, never both.
    """

    hypotension: bool | None = None
    balloon_pump: bool | None = None
    heart_failure: bool | None = None
    age_y: float | None = None
    anaemia: bool | None = None
    diabetes: bool | None = None
    egfr: float | None = None
    creatinine_mg_dL: float | None = None


@dataclass(frozen=True)
class Score:
    """The 2004 nephropathy score of a volume.

    Attributes
    ----------
    points : int
        From what is known.
    parts : tuple of (str, int)
        What scored.
    unknown : tuple of str
        What was not known and so scored nothing.
    nephropathy_percent, dialysis_percent : float
        The band's published risk; the higher one where the band's edge is disputed.
    disputed : str
        Empty, or what the other printing says.
    """

    points: int
    parts: tuple[tuple[str, int], ...]
    unknown: tuple[str, ...]
    nephropathy_percent: float
    dialysis_percent: float
    disputed: str


def anaemia_2004(*, hematocrit_percent: float, female: bool) -> bool:
    """Return whether the 2004 score counts anaemia [@mehran2004].

    Parameters
    ----------
    hematocrit_percent : float
        Haematocrit [%].
    female : bool
        Sex.

    Returns
    -------
    bool
        Below 39 for men, below 36 for women; some pages print 35 for women, which counts fewer.
    """
    return hematocrit_percent < (36.0 if female else 39.0)


_RISKS = ((5, 7.5, 0.04), (10, 14.0, 0.12), (15, 26.1, 1.09))
_HIGHEST = (57.3, 12.6)


def nephropathy_score_2004(given: ScoreInputs, *, volume_mL: float) -> Score:
    """Return the 2004 nephropathy score [@mehran2004].

    Parameters
    ----------
    given : ScoreInputs
        The patient.
    volume_mL : float
        Contrast [mL]; whole hundreds count one point each (how parts of a hundred round is not stated in
        what was read).

    Returns
    -------
    Score
        Filtration rate counts, or creatinine where that gives more, which is said. A score of exactly 16 stands in different
        bands in different printings: the higher is returned and the other said.

    Examples
    --------
    >>> patient = ScoreInputs(age_y=70, diabetes=True, egfr=50)
    >>> nephropathy_score_2004(patient, volume_mL=150).points
    6
    """
    if volume_mL < 0.0:
        raise InputError("contrast is not negative", field="volume_mL", value=volume_mL, allowed="0 or more")
    kidney, beside = _kidney_points(given)
    table: tuple[tuple[str, object, int], ...] = (
        ("hypotension", given.hypotension, 5),
        ("aortic balloon pump", given.balloon_pump, 5),
        ("heart failure", given.heart_failure, 5),
        ("age above 75", None if given.age_y is None else given.age_y > 75.0, 4),
        ("anaemia", given.anaemia, 3),
        ("diabetes", given.diabetes, 3),
        kidney,
    )
    parts = [(what, points) for what, value, points in table if value and points]
    hundreds = int(volume_mL // 100.0)
    parts += [("contrast, whole hundreds of mL", hundreds)] if hundreds else []
    points = sum(value for _, value in parts)
    nephropathy, dialysis = next(((n, d) for top, n, d in _RISKS if points <= top), _HIGHEST)
    return Score(
        points,
        tuple(parts),
        tuple(what for what, value, _ in table if value is None),
        nephropathy,
        dialysis,
        "; ".join(filter(None, (beside, _SIXTEEN if points == 16 else ""))),
    )


_SIXTEEN = "other printings put 16 in the band below: 26.1 %, dialysis 1.09 %"


def _kidney_points(given: ScoreInputs) -> tuple[tuple[str, object, int], str]:
    """Return what the kidney counts, by filtration rate or by creatinine, and what is said where creatinine counts more."""
    e, c = given.egfr, given.creatinine_mg_dL
    by_rate = 0 if e is None or e >= 60.0 else 2 if e >= 40.0 else 4 if e >= 20.0 else 6
    by_creatinine = 4 if c is not None and c > 1.5 else 0
    if c is None or (e is not None and by_rate >= by_creatinine):
        return ("eGFR", e, by_rate), ""
    beside = "" if e is None else f"by eGFR instead of creatinine: {by_creatinine - by_rate} points less"
    return ("creatinine above 1.5 mg/dL", c, by_creatinine), beside
