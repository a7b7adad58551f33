"""Heparin by weight, the clotting time aimed at, and what its last value says; it suggests, the operator decides.

Ranges are those of United States guidance of 2013 and 2021 [@stemi2013; @lawton2022]; European text was not read.
No source gives a number of its own for guide extensions or several wires.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from backstay.core.safety.protocol import HeparinProtocol

Verdict = Literal["below", "within", "above"]
Site = Literal["guide", "sheath", "vein"]

SHEATH_OFFSET_s = 43.0
"""How much more a sample from the guide reads than one from the sheath, mean of pairs [@actsite2024]."""
SHEATH_OFFSET_SD_s = 27.0
OCCLUSION_RANGE_s = (200.0, 400.0)
"""Mean values outside it went with more adverse events in work on chronic occlusions [@ctoact]."""


@dataclass(frozen=True)
class Range:
    """From and to, both included."""

    low: float
    high: float

    def verdict(self, value: float) -> Verdict:
        """Return on which side of the range a value lies."""
        return "below" if value < self.low else "above" if value > self.high else "within"


def heparin_dose_U_per_kg(*, glycoprotein_inhibitor: bool) -> Range:
    """Return the first dose of unfractionated heparin for each kilogram [@stemi2013].

    Parameters
    ----------
    glycoprotein_inhibitor : bool
        A glycoprotein IIb/IIIa inhibitor is given as well.

    Returns
    -------
    Range
        70 to 100 U/kg; 50 to 70 U/kg with an inhibitor [U/kg].
    """
    return Range(50.0, 70.0) if glycoprotein_inhibitor else Range(70.0, 100.0)


def heparin_dose_U(*, weight_kg: float, glycoprotein_inhibitor: bool) -> Range:
    """Return the first dose of unfractionated heparin by weight [@stemi2013].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].
    glycoprotein_inhibitor : bool
        A glycoprotein IIb/IIIa inhibitor is given as well.

    Returns
    -------
    Range
        70 to 100 U/kg; 50 to 70 U/kg with an inhibitor [U].

    Examples
    --------
    >>> heparin_dose_U(weight_kg=80, glycoprotein_inhibitor=False)
    Range(low=5600.0, high=8000.0)
    """
    each = heparin_dose_U_per_kg(glycoprotein_inhibitor=glycoprotein_inhibitor)
    return Range(each.low * weight_kg, each.high * weight_kg)


def act_target_s(protocol: HeparinProtocol, *, glycoprotein_inhibitor: bool) -> Range:
    """Return the activated clotting time aimed at [@stemi2013; @lawton2022].

    Parameters
    ----------
    protocol : HeparinProtocol
        Says which family the lab's instrument belongs to.
    glycoprotein_inhibitor : bool
        A glycoprotein IIb/IIIa inhibitor is given as well.

    Returns
    -------
    Range
        With an inhibitor 200 to 250 s; else 250 to 300 s on a lower-reading instrument and 300 to 350 s on a
        higher-reading one. While the family is unknown, only what both allow: too little for one of them is too
        little, too much for one of them too much.

    Examples
    --------
    >>> act_target_s(HeparinProtocol(instrument="higher reading"), glycoprotein_inhibitor=False)
    Range(low=300.0, high=350.0)
    >>> act_target_s(HeparinProtocol(instrument="unknown"), glycoprotein_inhibitor=False)
    Range(low=300.0, high=300.0)
    """
    targets = targets_s(protocol, glycoprotein_inhibitor=glycoprotein_inhibitor)
    return Range(max(t.low for t in targets), min(t.high for t in targets))


_WITH_INHIBITOR = Range(200.0, 250.0)
TARGETS_s = {"lower reading": Range(250.0, 300.0), "higher reading": Range(300.0, 350.0)}
"""By the instrument's family, without an inhibitor [@stemi2013; @lawton2022]."""


def targets_s(protocol: HeparinProtocol, *, glycoprotein_inhibitor: bool) -> tuple[Range, ...]:
    """Return every target that may be the one: two while the instrument's family is unknown.

    Parameters
    ----------
    protocol, glycoprotein_inhibitor
        As in `act_target_s`.

    Returns
    -------
    tuple of Range
        One, or that of each family.
    """
    if glycoprotein_inhibitor:
        return (_WITH_INHIBITOR,)
    known = TARGETS_s.get(protocol.instrument)
    return tuple(TARGETS_s.values()) if known is None else (known,)


@dataclass(frozen=True)
class ActReading:
    """What one value says.

    Attributes
    ----------
    act_s : float
        As read.
    age_min : float
        How old it is.
    target : Range
        What is aimed at.
    verdict : str
        As read, against the target.
    sheath_s : tuple of float or None
        What the sheath would read, mean and one standard deviation each way, for a sample from the guide.
    site_doubt : bool
        The sampling site may change the verdict.
    due_in_min : float
        When the next one is due; below 0 it is late by so much.
    overdue : bool
        Older than the protocol allows.
    """

    act_s: float
    age_min: float
    target: Range
    verdict: Verdict
    sheath_s: tuple[float, float, float] | None
    site_doubt: bool
    due_in_min: float
    overdue: bool


def read_act(
    act_s: float,
    *,
    age_min: float,
    site: Site | None,
    glycoprotein_inhibitor: bool,
    protocol: HeparinProtocol,
) -> ActReading:
    """Return what an activated clotting time says, with its age and its sampling site.

    Parameters
    ----------
    act_s : float
        The value [s].
    age_min : float
        Minutes since it was taken.
    site : str or None
        Where the sample came from: guide, sheath, vein; None where not known.
    glycoprotein_inhibitor : bool
        As in `act_target_s`.
    protocol : HeparinProtocol
        Instrument family and intervals.

    Returns
    -------
    ActReading
        The verdict is of the value as read; a sample from the guide reads about 43 s more than one from the
        sheath [@actsite2024], so `site_doubt` says when the verdict hangs on that.

    Examples
    --------
    >>> read_act(
    ...     280.0, age_min=12.0, site="guide", glycoprotein_inhibitor=False, protocol=HeparinProtocol()
    ... ).sheath_s
    (210.0, 237.0, 264.0)
    """
    target = act_target_s(protocol, glycoprotein_inhibitor=glycoprotein_inhibitor)
    sheath = None
    if site == "guide":
        mid = act_s - SHEATH_OFFSET_s
        sheath = (mid - SHEATH_OFFSET_SD_s, mid, mid + SHEATH_OFFSET_SD_s)
    verdict = target.verdict(act_s)
    return ActReading(
        act_s,
        age_min,
        target,
        verdict,
        sheath,
        sheath is not None and target.verdict(sheath[1]) != verdict,
        protocol.repeat_after_min - age_min,
        age_min > protocol.overdue_after_min,
    )


@dataclass(frozen=True)
class Bivalirudin:
    """Doses of bivalirudin [@stemi2013].

    Attributes
    ----------
    bolus_mg, extra_bolus_mg : float
        First dose, and one more if needed.
    infusion_mg_h : float
        Infusion.
    reduced : bool
        The infusion is the lower one: the clearance is below 30 mL/min, or not known.
    usual_infusion_mg_h : float
        What it is from 30 mL/min on.
    """

    bolus_mg: float
    extra_bolus_mg: float
    infusion_mg_h: float
    reduced: bool
    usual_infusion_mg_h: float


MOST_mg_PER_kg = {"bivalirudin": 0.75, "enoxaparin": 0.5}
"""Largest usual dose given at once: bivalirudin's first [@stemi2013]; of enoxaparin into the vein common practice, no source."""


def bivalirudin_dose(*, weight_kg: float, clearance_mL_min: float | None) -> Bivalirudin:
    """Return bivalirudin by weight [@stemi2013].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].
    clearance_mL_min : float or None
        Creatinine clearance [mL/min]; None where not known, which reduces until it is.

    Returns
    -------
    Bivalirudin
        0.75 mg/kg, 0.3 mg/kg more if needed, 1.75 mg/kg/h, or 1 mg/kg/h for a clearance below 30. That an
        unknown clearance gets the lower rate too is judgement, no source.

    Examples
    --------
    >>> bivalirudin_dose(weight_kg=80, clearance_mL_min=25).infusion_mg_h
    80.0
    """
    reduced = clearance_mL_min is None or clearance_mL_min < 30.0
    lower, usual = 1.0 * weight_kg, 1.75 * weight_kg
    return Bivalirudin(0.75 * weight_kg, 0.3 * weight_kg, lower if reduced else usual, reduced, usual)


def heparin_over_fondaparinux_U(*, weight_kg: float, glycoprotein_inhibitor: bool) -> float:
    """Return the heparin added when fondaparinux is on board, which is never enough alone [@nsteacs2014].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].
    glycoprotein_inhibitor : bool
        A glycoprotein IIb/IIIa inhibitor is given as well.

    Returns
    -------
    float
        85 U/kg, 60 U/kg with an inhibitor [U].
    """
    return (60.0 if glycoprotein_inhibitor else 85.0) * weight_kg


def enoxaparin_top_up_mg(*, weight_kg: float) -> float:
    """Return the intravenous enoxaparin added to a recent course of it [@nsteacs2014].

    Parameters
    ----------
    weight_kg : float
        Body weight [kg].

    Returns
    -------
    float
        0.3 mg/kg [mg], if fewer than two subcutaneous doses were given or the last one 8 to 12 hours before.
    """
    return 0.3 * weight_kg
