"""Bleeding risk by agreed criteria, and how long two antiplatelet drugs are given by default.

Durations, all read second-hand: [@levine2016; @knuuti2019; @byrne2023; @rao2025]. The points of the 2017 bleeding
score are not computed: how it interpolates could not be confirmed.
"""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass

from backstay.identifiers import BleedingRisk

_MAJOR = {
    BleedingRisk.ORAL_ANTICOAGULANT: "long-term oral anticoagulant",
    BleedingRisk.BLEED_WITHIN_6_MONTHS: "spontaneous bleed with hospital stay or transfusion within 6 months",
    BleedingRisk.BLEED_RECURRENT: "recurrent spontaneous bleeds",
    BleedingRisk.BLEEDING_DIATHESIS: "chronic bleeding diathesis",
    BleedingRisk.CIRRHOSIS_WITH_PORTAL_HYPERTENSION: "cirrhosis with portal hypertension",
    BleedingRisk.ACTIVE_CANCER: "active cancer within 12 months",
    BleedingRisk.SPONTANEOUS_INTRACRANIAL_BLEED: "earlier spontaneous intracranial bleed",
    BleedingRisk.TRAUMATIC_INTRACRANIAL_BLEED_12_MONTHS: "traumatic intracranial bleed within 12 months",
    BleedingRisk.BRAIN_ARTERIOVENOUS_MALFORMATION: "arteriovenous malformation of the brain",
    BleedingRisk.STROKE_MODERATE_OR_SEVERE_6_MONTHS: "moderate or severe ischaemic stroke within 6 months",
    BleedingRisk.MAJOR_SURGERY_PLANNED: "major surgery that cannot wait while on two drugs",
    BleedingRisk.MAJOR_SURGERY_OR_TRAUMA_30_DAYS: "major surgery or trauma within 30 days before",
}
_MINOR = {
    BleedingRisk.BLEED_WITHIN_12_MONTHS: "such a bleed within 12 months, not major",
    BleedingRisk.LONG_TERM_NSAID_OR_STEROID: "long-term anti-inflammatory drug or steroid",
    BleedingRisk.STROKE_ISCHAEMIC_OTHER: "any other ischaemic stroke",
}


@dataclass(frozen=True)
class BleedingClass:
    """Criteria met [@urban2019].

    Attributes
    ----------
    major, minor : tuple of str
        What was met.
    unknown : tuple of str
        What was not known.
    high : bool or None
        One major or two minor make it high; None where what is unknown could still make it so.
    """

    major: tuple[str, ...]
    minor: tuple[str, ...]
    unknown: tuple[str, ...]
    high: bool | None


def bleeding_class(
    *,
    age_y: float | None,
    female: bool | None,
    egfr: float | None,
    hemoglobin_g_dL: float | None,
    platelets_1e9_L: float | None,
    listed: Set[BleedingRisk] | None,
) -> BleedingClass:
    """Return whether bleeding risk is high by the 2019 consensus criteria [@urban2019].

    Parameters
    ----------
    age_y : float or None
        Age; 75 and above is minor.
    female : bool or None
        Sex, for the haemoglobin edge.
    egfr : float or None
        mL/min/1.73 m2: below 30 major, 30 to below 60 minor.
    hemoglobin_g_dL : float or None
        Below 11 major; 11 to below 13 (men) or below 12 (women) minor.
    platelets_1e9_L : float or None
        Below 100 major.
    listed : set of BleedingRisk or None
        The criteria no laboratory gives; None where nobody asked.

    Returns
    -------
    BleedingClass
        What was met, what is not known, and the class.

    Examples
    --------
    >>> known = dict(female=True, hemoglobin_g_dL=12.6, platelets_1e9_L=220.0, listed=frozenset())
    >>> bleeding_class(age_y=75, egfr=45.0, **known).high
    True
    >>> bleeding_class(age_y=75, egfr=80.0, **known).high
    False
    """
    major = [_MAJOR[one] for one in BleedingRisk if one in (listed or ()) and one in _MAJOR]
    minor = [_MINOR[one] for one in BleedingRisk if one in (listed or ()) and one in _MINOR]
    unknown = [] if listed is not None else ["history of bleeding, drugs, cancer, stroke and surgery"]
    if age_y is None:
        unknown.append("age")
    elif age_y >= 75.0:
        minor.append("age 75 or more")
    if egfr is None:
        unknown.append("eGFR")
    elif egfr < 60.0:
        (major if egfr < 30.0 else minor).append(f"eGFR {'below 30' if egfr < 30.0 else '30 to 59'}")
    if hemoglobin_g_dL is None or (female is None and 12.0 <= hemoglobin_g_dL < 13.0):
        unknown.append("haemoglobin" if hemoglobin_g_dL is None else "sex, for the haemoglobin edge")
    elif hemoglobin_g_dL < 11.0:
        major.append("haemoglobin below 11 g/dL")
    elif hemoglobin_g_dL < (12.0 if female else 13.0):
        minor.append(f"haemoglobin below {12 if female else 13} g/dL")
    if platelets_1e9_L is None:
        unknown.append("platelets")
    elif platelets_1e9_L < 100.0:
        major.append("platelets below 100")
    high = bool(major) or len(minor) >= 2
    return BleedingClass(tuple(major), tuple(minor), tuple(unknown), high or (None if unknown else False))


@dataclass(frozen=True)
class DualTherapy:
    """What one guideline says on two antiplatelet drugs after a stent.

    Attributes
    ----------
    guideline : str
        Which.
    acute : bool
        It speaks of acute coronary syndromes; otherwise of chronic disease.
    default, shorter : str
        The default, and what it allows instead.
    source : str
        Key of the source. All were read second-hand.
    """

    guideline: str
    acute: bool
    default: str
    shorter: str
    source: str


DUAL_THERAPY = (
    DualTherapy("United States 2016", False, "at least 6 months", "3 months at high bleeding risk (IIb)",
                "levine2016"),
    DualTherapy("Europe 2019", False, "6 months (I)", "3 months (IIa), 1 month (IIb)", "knuuti2019"),
    DualTherapy("United States 2016", True, "at least 12 months (I)", "not read", "levine2016"),
    DualTherapy("Europe 2023", True, "12 months",
                "one drug after 3 to 6 months (IIa), after 1 month at high bleeding risk (IIb); step down to"
                " clopidogrel after 30 days (IIb), not before (III)", "byrne2023"),
    DualTherapy("United States 2025", True, "12 months", "1 to 3 months, then ticagrelor alone (I)", "rao2025"),
)  # fmt: skip
UNREAD = "European guideline of 2024 on chronic disease: not read"
NOT_COMPUTED = "no points of the 2017 bleeding score: how it interpolates could not be confirmed"


def dual_therapy(*, acute: bool | None) -> tuple[DualTherapy, ...]:
    """Return what the guidelines say, side by side; they disagree, and the patient's own doctor decides.

    Parameters
    ----------
    acute : bool or None
        The indication is an acute coronary syndrome; None where not known: both are returned.

    Returns
    -------
    tuple of DualTherapy
        Chronic first.
    """
    return tuple(row for row in DUAL_THERAPY if acute is None or row.acute == acute)
