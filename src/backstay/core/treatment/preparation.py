"""What prepares a lesion next, by its calcium and by what has been tried; a stent waits until a balloon has opened fully.

The order is common practice, no source, except where a key says otherwise. Nothing here replaces a device's
instructions for use.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from backstay.core.rigging.devices import SMALL_BALLOON_MM, Balloon, Burr
from backstay.core.treatment.balloons import LITHOTRIPSY_ATM, Sized, choose_balloon, choose_burr
from backstay.core.treatment.classify import HARD_OCT_SCORE, OCT_ARC_DEG
from backstay.core.treatment.sizing import misses_across, too_small_words
from backstay.identifiers import Calcium, Preparation

FIRST_BELOW_MM = 0.5
"""A first semi-compliant balloon stays this far below the reference: common practice, no source."""
USEFUL_RATIO = 0.9
"""A balloon smaller than this part of the size wanted gives way to a longer one: of the ratio below which a stretch
counts as missed across, from memory [@geographicmiss]."""

_TYPES = {
    Preparation.SMALL_BALLOON: "semi_compliant",
    Preparation.SEMI_COMPLIANT: "semi_compliant",
    Preparation.NON_COMPLIANT: "non_compliant",
    Preparation.SCORING: "scoring",
    Preparation.LITHOTRIPSY: "lithotripsy",
}

FILLS = (Preparation.LITHOTRIPSY, Preparation.SCORING, Preparation.NON_COMPLIANT)
"""These work only at the artery's size: one below 0.9 of it touches no wall, and shows nothing by opening."""

IN_ORDER = (
    Preparation.SMALL_BALLOON,
    Preparation.ATHERECTOMY,
    Preparation.SEMI_COMPLIANT,
    Preparation.LITHOTRIPSY,
    Preparation.SCORING,
    Preparation.NON_COMPLIANT,
)
"""The order of all ways where one stretch needs several: a burr before any balloon that may tear; common practice, no source."""

NO_ATHERECTOMY = "never atherectomy once a dissection is known: it waits until the vessel has healed"
LONGER = "a balloon is longer than the stretch: what it touches beyond the landing zones has to be treated too, or spared by placing it"
NOTHING_LEFT = (
    "what this lesion asks for was all tried and it did not open: the same balloon again shows nothing new; "
    "talk over surgery or medicines"
)
GATE = "no stent until a balloon sized to the distal reference has opened fully, seen in two views"


@dataclass(frozen=True, kw_only=True)
class Hardness:
    """What is known of a lesion's resistance.

    Attributes
    ----------
    calcium : Calcium
        By angiography.
    arc_deg : float or None
        Greatest arc of calcium by imaging.
    oct_score : int or None
        Score by optical coherence tomography.
    nodule : bool
        A calcified nodule was seen.
    uncrossed : bool
        A catheter (imaging, or a balloon) would not cross.
    dissected : bool
        A dissection of it is known.
    torn_elsewhere : bool
        One somewhere else in the vessel is, which a burr on its way may run through.
    opened_fully : bool
        A balloon sized to the distal reference opened fully in two views.
    tried : tuple of Preparation
        What has been done.
    """

    calcium: Calcium
    arc_deg: float | None = None
    oct_score: int | None = None
    nodule: bool = False
    uncrossed: bool = False
    dissected: bool = False
    torn_elsewhere: bool = False
    opened_fully: bool = False
    tried: tuple[Preparation, ...] = ()

    @property
    def torn(self) -> bool:
        """Return whether a dissection is known anywhere in the vessel."""
        return self.dissected or self.torn_elsewhere


@dataclass(frozen=True)
class Step:
    """One way to prepare.

    Attributes
    ----------
    kind : Preparation
        What.
    sized : Sized or None
        Balloon and pressure; None for a burr, or where the shelf has none that suits.
    burr : Burr or None
        The burr, for atherectomy.
    why : str
        Why it comes here.
    missing : str
        What the shelf lacks for it; empty where it has it.
    cautions : tuple of str
        What to mind.
    """

    kind: Preparation
    sized: Sized | None
    burr: Burr | None
    why: str
    missing: str
    cautions: tuple[str, ...]


def order_of(hardness: Hardness) -> tuple[tuple[Preparation, str], ...]:
    """Return what to do to a lesion next, in order, each with its reason; empty once it has opened fully or nothing is left.

    Parameters
    ----------
    hardness : Hardness
        The lesion.

    Returns
    -------
    tuple of (Preparation, str)
        The last is a non-compliant balloon at the distal reference, which shows that it has opened; where that was
        the last thing tried and it did not, something else has to come before it again.

    Examples
    --------
    >>> soft = Hardness(calcium=Calcium.MILD)
    >>> [kind.value for kind, _ in order_of(soft)]
    ['semi_compliant_balloon', 'non_compliant_balloon']
    >>> hard = Hardness(calcium=Calcium.SEVERE, uncrossed=True, dissected=True)
    >>> Preparation.ATHERECTOMY in [kind for kind, _ in order_of(hard)]
    False
    """
    h = hardness
    if h.opened_fully:
        return ()
    wanted: list[tuple[Preparation, str]] = []
    if h.uncrossed and Preparation.SEMI_COMPLIANT not in h.tried:
        wanted.append((Preparation.SMALL_BALLOON, "nothing larger crosses yet"))
    hard = is_hard(h)
    if not hard:
        wanted.append((Preparation.SEMI_COMPLIANT, "opens a way for what follows"))
    if hard and not h.torn and (h.uncrossed or h.nodule):
        reason = "a catheter did not cross" if h.uncrossed else "a calcified nodule"
        wanted.append((Preparation.ATHERECTOMY, f"{reason}; before anything has torn the wall"))
    failed = Preparation.NON_COMPLIANT in h.tried
    if hard:
        wide = h.arc_deg is None or h.arc_deg > OCT_ARC_DEG
        reason = "calcium all round is cracked, not stretched"
        if wide:
            wanted.append((Preparation.LITHOTRIPSY, reason))
        wanted.append((Preparation.SCORING, "cuts the ring where lithotripsy is not at hand or not enough"))
    elif h.calcium is Calcium.MODERATE:
        wanted.append((Preparation.SCORING, "moderate calcium: it grips and cuts"))
    if failed and not h.torn and Preparation.ATHERECTOMY not in [kind for kind, _ in wanted]:
        wanted.append((Preparation.ATHERECTOMY, "a balloon did not open it; only where nothing has torn"))
    left = [(kind, why) for kind, why in wanted if kind not in h.tried]
    if not left and h.tried[-1:] == (Preparation.NON_COMPLIANT,):
        return ()
    again = "once more, after what comes before it: " if failed else ""
    return (
        *left,
        (Preparation.NON_COMPLIANT, f"at the distal reference: {again}shows that the lesion opens"),
    )


def is_hard(hardness: Hardness) -> bool:
    """Return whether a lesion counts as hard: severe calcium, a wide arc, a nodule, a score of 4, or a balloon that failed.

    Parameters
    ----------
    hardness : Hardness
        The lesion.

    Returns
    -------
    bool
        Imaging overrides angiography where it scored the calcium [@fujino2018]. An arc above 180 degrees without
        a score, as ultrasound gives it, makes it hard whatever the angiogram shows [@lithoprotocol]; a smaller one
        alone does not make severe calcium soft.

    Examples
    --------
    >>> is_hard(Hardness(calcium=Calcium.SEVERE, oct_score=2, arc_deg=120))
    False
    >>> is_hard(Hardness(calcium=Calcium.MILD, arc_deg=270)), is_hard(Hardness(calcium=Calcium.SEVERE, arc_deg=120))
    (True, True)
    """
    h = hardness
    failed = Preparation.NON_COMPLIANT in h.tried and not h.opened_fully
    if h.oct_score is not None:
        return h.oct_score >= HARD_OCT_SCORE or h.nodule or failed
    wide = h.arc_deg is not None and h.arc_deg > OCT_ARC_DEG
    return h.calcium is Calcium.SEVERE or wide or h.nodule or failed


def seen_by_angiography(hardness: Hardness) -> Hardness:
    """Return what is known of a lesion's resistance without imaging.

    Parameters
    ----------
    hardness : Hardness
        The lesion.

    Returns
    -------
    Hardness
        The same without arc, score and nodule.
    """
    return replace(hardness, arc_deg=None, oct_score=None, nodule=False)


def steps_for(
    hardness: Hardness,
    balloons: Sequence[Balloon],
    burrs: Sequence[Burr],
    *,
    distal_mm: float,
    longest_mm: float,
) -> tuple[Step, ...]:
    """Return the ways to prepare in order, each with device and pressure from the shelf or what it lacks.

    Parameters
    ----------
    hardness : Hardness
        The lesion.
    balloons : sequence of Balloon
        The shelf's.
    burrs : sequence of Burr
        The shelf's.
    distal_mm : float
        Distal reference [mm]; no balloon is inflated beyond it.
    longest_mm : float
        Length that will be stented or treated [mm]; balloons stay inside it where the shelf has one of 0.9 of the
        size wanted that does.

    Returns
    -------
    tuple of Step
        In order; a balloon that is to fill the artery and would stay below 0.9 of it is missing, not chosen.
    """
    return tuple(
        _step(kind, why, hardness, balloons, burrs, distal_mm, longest_mm) for kind, why in order_of(hardness)
    )


def _step(
    kind: Preparation,
    why: str,
    hardness: Hardness,
    balloons: Sequence[Balloon],
    burrs: Sequence[Burr],
    distal_mm: float,
    longest_mm: float,
) -> Step:
    if kind is Preparation.ATHERECTOMY:
        burr = choose_burr(burrs, artery_mm=distal_mm)
        missing = "" if burr else f"a burr of {0.4 * distal_mm:.2f} to {0.6 * distal_mm:.2f} mm"
        return Step(kind, None, burr, why, missing, _cautions(kind, hardness))
    at_most_mm = {
        Preparation.SMALL_BALLOON: min(SMALL_BALLOON_MM, distal_mm),
        Preparation.SEMI_COMPLIANT: max(distal_mm - FIRST_BELOW_MM, 0.5 * distal_mm),
    }.get(kind, distal_mm)

    between = LITHOTRIPSY_ATM if kind is Preparation.LITHOTRIPSY else None
    sized = choose_balloon(
        balloons,
        _TYPES[kind],
        at_most_mm=at_most_mm,
        longest_mm=longest_mm,
        between_atm=between,
        least_mm=USEFUL_RATIO * at_most_mm,
    )
    missing = _missing(kind, sized, at_most_mm, between)
    cautions = _cautions(kind, hardness, sized)
    if missing:
        return Step(kind, None, None, why, missing, cautions)
    if sized is not None and sized.balloon.working_mm > longest_mm + 1e-9:
        cautions = (*cautions, LONGER)
    return Step(kind, sized, None, why, "", cautions)


def _missing(
    kind: Preparation, sized: Sized | None, at_most_mm: float, between_atm: tuple[float, float] | None
) -> str:
    """Return what the shelf lacks: any such balloon, or one that is wide enough where it is to fill the artery."""
    name = _TYPES[kind].replace("_", "-")
    at = "" if between_atm is None else " at {:g} to {:g} atm".format(*between_atm)
    if sized is None:
        return f"a {name} balloon of up to {at_most_mm:.2f} mm{at}"
    opened_mm = sized.inflation.diameter_mm
    if kind not in FILLS or not misses_across(balloon_mm=opened_mm, artery_mm=at_most_mm):
        return ""
    wanted = f"a {name} balloon of {USEFUL_RATIO * at_most_mm:.2f} to {at_most_mm:.2f} mm{at}"
    return f"{wanted}: {too_small_words(opened_mm=opened_mm, artery_mm=at_most_mm)}"


def _cautions(kind: Preparation, hardness: Hardness, sized: Sized | None = None) -> tuple[str, ...]:
    found = []
    if kind is Preparation.ATHERECTOMY:
        found.append("atherectomy needs its own wire, trained hands, and no visible dissection")
        found.append(
            "burr of 0.4 to 0.6 of the artery: from memory; the trial read in abstract used 0.6 to 0.85"
        )
    if hardness.dissected:
        low = "low pressure first"
        if sized is not None and sized.inflation.pressure_atm > sized.balloon.nominal_atm:
            low += (
                f" (from {sized.balloon.nominal_atm:g} atm; {sized.inflation.pressure_atm:g} atm is the most)"
            )
        found.append(f"a dissection is known here: {low}, and no larger than the reference")
    if kind in {Preparation.NON_COMPLIANT, Preparation.SCORING}:
        found.append(
            "never beyond rated burst; a balloon that keeps a waist asks for another way, not for more pressure"
        )
    return tuple(found)
