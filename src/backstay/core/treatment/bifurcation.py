"""A branch under the stent: provisional by default, when two stents deserve talking over, and kissing balloons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from backstay.core.rigging.devices import Balloon
from backstay.core.treatment.balloons import Sized, choose_balloon
from backstay.core.treatment.branching import (
    kissing_area_mm,
    kissing_hull_mm,
    laws_that_hold,
    mother_finet_mm,
    mother_huo_kassab_mm,
    mother_murray_mm,
)
from backstay.core.treatment.classify import RELEVANT_BRANCH_MM, is_true_bifurcation, medina
from backstay.core.treatment.sizing import misses_across
from backstay.identifiers import BranchingLaw

LARGE_BRANCH_MM = 2.5
LONG_DISEASE_MM = 10.0
"""A branch this large with disease this long from its mouth: two stents deserve talking over. Common practice, no source."""
OCCLUSION_PERCENT = (6, 18)
RESCUE_PERCENT = 70
LARGEST_SIDE_CELL_MM = 4.0
OVER_VESSEL = 1.1
"""Two balloons by area over the vessel before the branch: see `choose_kissing`."""

_LAWS = {
    BranchingLaw.HUO_KASSAB: mother_huo_kassab_mm,
    BranchingLaw.FINET: mother_finet_mm,
    BranchingLaw.MURRAY: mother_murray_mm,
}


@dataclass(frozen=True, kw_only=True)
class BranchFacts:
    """A branch as its user describes it.

    Attributes
    ----------
    name : str
        As it is called.
    at_mm, diameter_mm : float
        Where it leaves, and its size.
    stenosis_percent : float or None
        At its mouth; None where nobody said.
    disease_mm : float or None
        Length of its own disease.
    protectable : bool
        A wire can be put into it.
    """

    name: str
    at_mm: float
    diameter_mm: float
    stenosis_percent: float | None = None
    disease_mm: float | None = None
    protectable: bool = True


@dataclass(frozen=True)
class Kissing:
    """Two balloons side by side.

    Attributes
    ----------
    main, side : Sized
        The balloons with their pressures.
    area_mm, hull_mm : float
        By area and by the taut band round both; the second is held against the platform.
    """

    main: Sized
    side: Sized
    area_mm: float
    hull_mm: float


@dataclass(frozen=True)
class NoKissing:
    """Why no pair of balloons is offered.

    Attributes
    ----------
    why : str
        What stands against it.
    """

    why: str


@dataclass(frozen=True)
class BranchPlan:
    """What to do about one branch under the stent.

    Attributes
    ----------
    branch : BranchFacts
        The branch.
    medina : tuple of int or None
        Its class; None where the branch's own mouth was not judged.
    discuss_two : tuple of str
        Why two stents deserve talking over; empty where provisional stands.
    mother_mm : tuple of (BranchingLaw, float)
        The main vessel before it by the laws that hold for these daughters.
    kissing : Kissing or NoKissing
        Balloons, if it comes to that; or why the shelf has no pair within the limits.
    notes : tuple of str
        What to know.
    """

    branch: BranchFacts
    medina: tuple[int, int, int] | None
    discuss_two: tuple[str, ...]
    mother_mm: tuple[tuple[BranchingLaw, float], ...]
    kissing: Kissing | NoKissing
    notes: tuple[str, ...]


def plan_branch(
    branch: BranchFacts,
    balloons: Sequence[Balloon],
    *,
    before_mm: float,
    beyond_mm: float,
    proximal_percent: float,
    distal_percent: float,
    limit_mm: float,
) -> BranchPlan:
    """Return what to do about one branch under the stent.

    Parameters
    ----------
    branch : BranchFacts
        The branch.
    balloons : sequence of Balloon
        The shelf's.
    before_mm, beyond_mm : float
        Reference of the main vessel before and beyond it [mm].
    proximal_percent, distal_percent : float
        Diameter stenosis of the main vessel before and beyond it [%].
    limit_mm : float
        Widest the stent's platform may be opened to [mm].

    Returns
    -------
    BranchPlan
        Provisional unless there are reasons to talk over two stents.

    Notes
    -----
    Published rescue triggers after the main vessel is stented: flow below TIMI 3, or 70 % at the branch
    [@rescuetriggers]; the branch closes in 6 to 18 % of provisional cases [@ebc2022].
    """
    limbs = None
    if branch.stenosis_percent is not None:
        limbs = medina(
            proximal_percent=proximal_percent,
            distal_percent=distal_percent,
            branch_percent=branch.stenosis_percent,
        )
    laws = laws_that_hold(first_mm=beyond_mm, second_mm=branch.diameter_mm)
    mother = tuple((law, _LAWS[law](first_mm=beyond_mm, second_mm=branch.diameter_mm)) for law in laws)
    kissing = choose_kissing(
        balloons, main_mm=beyond_mm, side_mm=branch.diameter_mm, before_mm=before_mm, limit_mm=limit_mm
    )
    return BranchPlan(branch, limbs, _reasons_for_two(branch, limbs), mother, kissing, _notes(branch, limbs))


def _reasons_for_two(branch: BranchFacts, limbs: tuple[int, int, int] | None) -> tuple[str, ...]:
    if branch.diameter_mm < LARGE_BRANCH_MM or limbs is None or not is_true_bifurcation(limbs):
        return ()
    reasons = []
    if branch.disease_mm is not None and branch.disease_mm >= LONG_DISEASE_MM:
        reasons.append(f"its own disease is {branch.disease_mm:.0f} mm long")
    if not branch.protectable:
        reasons.append("it could not be wired again once the main vessel is stented")
    if branch.stenosis_percent is not None and branch.stenosis_percent >= RESCUE_PERCENT:
        reasons.append(f"its mouth is narrowed by {branch.stenosis_percent:.0f} %")
    return tuple(reasons)


def _notes(branch: BranchFacts, limbs: tuple[int, int, int] | None) -> tuple[str, ...]:
    found = []
    if branch.diameter_mm <= RELEVANT_BRANCH_MM:
        return (f"{branch.diameter_mm:g} mm: too small to protect as a rule",)
    if limbs is None:
        found.append("no Medina class: the branch's own mouth was not judged")
    if not branch.protectable:
        found.append(
            "it cannot be protected by a wire: weigh its territory before the main vessel is stented"
        )
    else:
        found.append("protect it with a wire before the main vessel is stented")
    return tuple(found)


def kissing_width_mm(*, first_mm: float, second_mm: float) -> float:
    """Return how wide two balloons side by side are at most.

    Parameters
    ----------
    first_mm, second_mm : float
        Diameters of the balloons [mm], above 0.

    Returns
    -------
    float
        Their sum [mm]: how oval the stent round both becomes, against the diameter by area or by the band.

    Examples
    --------
    >>> kissing_width_mm(first_mm=3.0, second_mm=2.5)
    5.5
    """
    return first_mm + second_mm


def choose_kissing(
    balloons: Sequence[Balloon], *, main_mm: float, side_mm: float, before_mm: float, limit_mm: float
) -> Kissing | NoKissing:
    """Return balloons for a kissing inflation, each the size of its own vessel, that stent and vessel can bear.

    Parameters
    ----------
    balloons : sequence of Balloon
        The shelf's.
    main_mm, side_mm : float
        Main vessel beyond the branch, and branch [mm]; each balloon stays within its own, and no further below it
        than a balloon may without missing it across.
    before_mm : float
        Main vessel before the branch [mm]: by area the two together may pass it by a tenth.
    limit_mm : float
        Widest the platform may be opened to [mm]: held against the taut band round both.

    Returns
    -------
    Kissing or NoKissing
        The widest pair within both limits, non-compliant balloons first; or what stands against any.

    Notes
    -----
    No published rule of sizes could be read. That two daughters' area exceeds their mother's by up to a tenth
    follows from the branching laws (Murray's by 9 to 12 %, that of Huo and Kassab by 4 to 5 %, for daughters
    of 3.5 and 2.0 mm up to equal ones), so a pair within a tenth stretches a healthy vessel no more than its
    branching asks. How far below its vessel a balloon may stay is from memory [@geographicmiss].
    """
    shrink, why = 0.0, ""
    while True:
        sizes = main_mm - shrink, side_mm - shrink
        pair = [_of_size(balloons, size) for size in sizes if size > 0.0]
        main, side = (*pair, None, None)[:2]
        if main is None or side is None or _too_small(main, main_mm) or _too_small(side, side_mm):
            return NoKissing(why or f"the shelf has no balloons of {main_mm:.2f} and {side_mm:.2f} mm")
        both = {"first_mm": main.inflation.diameter_mm, "second_mm": side.inflation.diameter_mm}
        area, hull = kissing_area_mm(**both), kissing_hull_mm(**both)
        if hull > limit_mm + 1e-9:
            why = f"the platform opens to {limit_mm:.2f} mm, and balloons for these vessels ask for {hull:.2f} mm or more (band round both)"
        elif area > OVER_VESSEL * before_mm:
            why = f"balloons for these vessels come to {area:.2f} mm or more by area, too much for {before_mm:.2f} mm before the branch"
        else:
            return Kissing(main, side, area, hull)
        shrink += 0.05


def _of_size(balloons: Sequence[Balloon], at_most_mm: float) -> Sized | None:
    stiff, soft = (
        choose_balloon(balloons, kind, at_most_mm=at_most_mm, longest_mm=15.0)
        for kind in ("non_compliant", "semi_compliant")
    )
    return stiff or soft


def _too_small(sized: Sized, vessel_mm: float) -> bool:
    opened_mm = sized.inflation.diameter_mm
    return opened_mm < vessel_mm and misses_across(balloon_mm=opened_mm, artery_mm=vessel_mm)
