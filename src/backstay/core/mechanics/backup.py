"""Backup: the push at the guide's tip at which the guide backs out, and who gives how much of it.

The guide's own hold is a reference force times ratios: shape family, size and route, then what a deeper seat
and an extension add. Wires, anchor balloon and trapped wire held at the hub work in parallel with it, each a
spring that slips at its holding limit. Ratios between guides and extension pairings come from benches; the
reference force and every holding limit are unvalidated, and the ways in which each is rough are said at the
function that computes it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.mechanics.holds import (
    anchor_hold_N,
    free_wire_hold_N,
    shaft_spring_N_per_mm,
    trapped_hold_N,
    wire_spring_N_per_mm,
)
from backstay.core.rigging.devices import Extension, Guide
from backstay.core.rigging.rig import Rig
from backstay.errors import InputError, OutsideValidity
from backstay.identifiers import Access, GuideShape

FloatArray = NDArray[np.float64]

# Femoral and right radial, 6 Fr, against the extra-backup left guide by the femoral route. Within a row the
# left shapes follow the bench: femoral / radial = 1.08 and 1.60 [@ikari2005]. For Amplatz and right shapes
# the bench gives the orderings only: femoral above radial, Amplatz-type above the standard right on both
# routes [@ikari2009]. All other steps: judgement, no source.
_ROUTE_RATIOS: dict[GuideShape, tuple[float, float]] = {
    GuideShape.EXTRA_BACKUP_LEFT: (1.00, 1.00 / 1.08),
    GuideShape.STANDARD_LEFT: (0.85, 0.85 / 1.60),
    GuideShape.AMPLATZ_LEFT: (1.00, 0.85),
    GuideShape.STANDARD_RIGHT: (0.60, 0.45),
    GuideShape.AMPLATZ_RIGHT: (0.85, 0.70),
}

_REFERENCE_FR = 6.0
# Outer diameter and bore of ordinary guides [mm], for the section a size stands for; the widest bore of each
# size in [@guidetable].
_GUIDE_SECTIONS_mm = {5.0: (1.667, 1.473), 6.0: (2.000, 1.803), 7.0: (2.333, 2.057), 8.0: (2.667, 2.311)}
_SECTION_POWER = 0.85

# What a child catheter 90 mm out of its mother adds to the mother's hold: child [Fr] -> mother [Fr] -> gain
# [@takeshita2012]. The abstract calls them relative increases, but its non-significant 112-115 % only make
# sense as ratios to the mother alone.
_PAIR_GAINS: dict[int, dict[float, float]] = {
    4: {5.0: 0.74, 6.0: 1.03, 7.0: 0.35, 8.0: 0.15},
    5: {6.0: 1.89, 7.0: 0.52, 8.0: 0.12},
    # No bench. 6-in-7 continues the step from 4-in-7 to 5-in-7 (0.52**2 / 0.35); in 8 Fr the children do not
    # differ: judgement.
    6: {7.0: 0.77, 8.0: 0.15},
    7: {8.0: 0.15},
}
_PAIR_DEPTH_mm = 90.0
# Judgement: with it a 5 Fr child 15 mm out of a 6 Fr guide holds as much as a 7 Fr guide alone (from
# memory, not read: [@takahashi2004]).
_DEPTH_SCALE_mm = 23.0
# A guide's own tip in the vessel supports at least as well as the best child (5-in-6): judgement.
_SEAT_GAIN = 1.89


def guide_hold_ratio(guide: Guide, access: Access) -> float:
    """Return the hold of a guide seated at the ostium against the reference guide.

    The reference is a 6 Fr extra-backup left guide by the femoral route.

    Parameters
    ----------
    guide : Guide
        Guide; its shape and size count.
    access : Access
        Route. For the left radial no number was found: the geometric mean of the other two is taken.

    Returns
    -------
    float
        Ratio.

    Raises
    ------
    OutsideValidity
        The size is outside 5-8 Fr.

    Notes
    -----
    On the bench hold rose with size [@ikari2005]; by how much could not be read. Here it rises with the
    tube's section, (D^4 - d^4)^0.85 of ordinary guides, log-linear between sizes. The power is the smallest
    round one with which a larger guide and the same extension never hold less than the smaller guide with
    it, given the bench's pairings: judgement, no source.

    References
    ----------
    [@ikari2005], [@ikari2009]

    Examples
    --------
    >>> from backstay.identifiers import GuideShape
    >>> guide = Guide(
    ...     id="g", name="g", size_fr=6, inner_diameter_mm=1.8, length_cm=100, shape=GuideShape.STANDARD_LEFT
    ... )
    >>> femoral = guide_hold_ratio(guide, Access.FEMORAL)
    >>> round(femoral / guide_hold_ratio(guide, Access.RIGHT_RADIAL), 2)
    1.6
    """
    femoral, right_radial = _ROUTE_RATIOS[guide.shape]
    route = {
        Access.FEMORAL: femoral,
        Access.RIGHT_RADIAL: right_radial,
        Access.LEFT_RADIAL: math.sqrt(femoral * right_radial),
    }[access]
    return route * _size_ratio(guide.size_fr)


def _size_ratio(size_fr: float) -> float:
    """Return what a guide's size does to its hold, 1 at 6 Fr."""
    sizes = np.array(list(_GUIDE_SECTIONS_mm))
    if not sizes[0] <= size_fr <= sizes[-1]:
        raise OutsideValidity(
            "no bench compared guides of this size", field="guide.size_fr", value=size_fr, allowed="5 to 8 Fr"
        )
    sections = np.array([outer**4 - inner**4 for outer, inner in _GUIDE_SECTIONS_mm.values()])
    at_size, at_reference = np.interp([size_fr, _REFERENCE_FR], sizes, np.log(sections))
    return float(np.exp(_SECTION_POWER * (at_size - at_reference)))


def depth_share(depth_mm: float) -> float:
    """Return how much of its full support a catheter gives when its tip stands so deep in the vessel.

    Parameters
    ----------
    depth_mm : float
        Depth of the tip beyond the ostium [mm], 0 or more.

    Returns
    -------
    float
        0 at the ostium, 1 at the bench's 90 mm, saturating with a scale of 23 mm (deeper adds 2 % at most).

    Notes
    -----
    Only the end point is measured. The curve between is a judgement: an exponential that saturates.
    """
    depth_mm = max(depth_mm, 0.0)
    return math.expm1(-depth_mm / _DEPTH_SCALE_mm) / math.expm1(-_PAIR_DEPTH_mm / _DEPTH_SCALE_mm)


def seat_ratio(*, seat_mm: float) -> float:
    """Return the hold of a guide seated deeper against the same guide at the ostium.

    Parameters
    ----------
    seat_mm : float
        How far its tip stands beyond the ostium [mm].

    Returns
    -------
    float
        Ratio, 1 at the ostium: judgement, no source (that deep seating supports is published, how much is
        not).

    References
    ----------
    [@ormiston2001]
    """
    return 1.0 + _SEAT_GAIN * depth_share(seat_mm)


def extension_ratio(*, guide_fr: float, extension: Extension, depth_mm: float) -> float:
    """Return the hold of guide and extension together against the guide alone, seated at the ostium.

    Parameters
    ----------
    guide_fr : float
        Size of the guide [Fr].
    extension : Extension
        The extension. It counts as a child catheter one French below the smallest guide it goes through.
    depth_mm : float
        Depth of its tip beyond the ostium [mm].

    Returns
    -------
    float
        Ratio; 1 for an extension that does not go through the guide (the fit says so).

    Notes
    -----
    The bench had full-length child catheters 90 mm out; for extensions on a push rod no bench force was
    found, so that the two support alike is an assumption. Guides between whole sizes are interpolated.
    Pairings without a bench (a 6 Fr child or larger) are judgement.

    References
    ----------
    [@takeshita2012]
    """
    return 1.0 + _pair_gain(guide_fr, extension) * depth_share(depth_mm)


def _pair_gain(guide_fr: float, extension: Extension) -> float:
    """Return what an extension 90 mm out adds, as a part of the guide's hold."""
    if guide_fr < extension.for_guide_fr:
        return 0.0
    child_fr = math.floor(extension.for_guide_fr - 1.0)
    if child_fr not in _PAIR_GAINS:
        raise OutsideValidity(
            "no bench compared extensions of this size",
            field="extension.for_guide_fr",
            value=extension.for_guide_fr,
            allowed="5 to 8 Fr",
        )
    gains = _PAIR_GAINS[child_fr]
    return float(np.interp(guide_fr, list(gains), list(gains.values())))


def hold_parts(
    rig: Rig, draws: DrawSet, *, path_length_mm: float, device_tip_mm: float, bend_beyond_rad: float
) -> dict[str, FloatArray]:
    """Return who gives how much of the backup.

    Parameters
    ----------
    rig : Rig
        What is in place.
    draws : DrawSet
        Uncertain inputs.
    path_length_mm : float
        Length of the path [mm].
    device_tip_mm : float
        Place of the device's tip on the path [mm]; free wires hold by what lies beyond it.
    bend_beyond_rad : float
        Bend of the path beyond that place, as measured [rad].

    Returns
    -------
    dict of str to ndarray, shape (count,)
        Force [N] by part, outermost first: "guide", then as far as they are in place "seat", "extension",
        "buddy_1", "buddy_2" ..., "anchor", "trapped". They sum to the backup.

    Raises
    ------
    InputError
        The path has no length.

    Notes
    -----
    What an extension adds is what it adds beyond the guide's tip: at depth D from a guide seated at s,
    gain x (share(D) - share(s)), so that seating deeper never lowers the backup. `extension_factor` scales
    it and the seat. Each of the other parts is min(k x, hold) at the retreat x at which the guide is lost.
    The rail is part of every bench and every reference,
    so it counts nothing by itself.
    """
    if not path_length_mm > 0.0:
        raise InputError("the path has no length", field="path_length_mm", value=path_length_mm)
    parts = _guide_parts(rig, draws)
    retreat_mm = draws["retreat_mm"]
    beyond_mm = max(path_length_mm - device_tip_mm, 0.0)
    for number, wire in enumerate(rig.buddies, 1):
        hold_N = free_wire_hold_N(wire, draws, beyond_mm=beyond_mm, bend_rad=bend_beyond_rad)
        parts[f"buddy_{number}"] = np.minimum(wire_spring_N_per_mm(wire) * retreat_mm, hold_N)
    if rig.anchor is not None:
        spring_N_per_mm = shaft_spring_N_per_mm(rig.anchor.balloon)
        parts["anchor"] = np.minimum(spring_N_per_mm * retreat_mm, anchor_hold_N(rig.anchor, draws))
    if rig.trapped is not None:
        spring_N_per_mm = wire_spring_N_per_mm(rig.trapped.wire)
        parts["trapped"] = np.minimum(spring_N_per_mm * retreat_mm, trapped_hold_N(rig.trapped, draws))
    return parts


def _guide_parts(rig: Rig, draws: DrawSet) -> dict[str, FloatArray]:
    """Return what guide, seat and extension hold [N]."""
    alone_N = draws["guide_hold_N"] * guide_hold_ratio(rig.guide, rig.access.route)
    parts = {"guide": np.asarray(alone_N)}
    seat_mm = max(rig.seat_mm, 0.0)
    if seat_mm > 0.0:
        parts["seat"] = alone_N * draws["extension_factor"] * (seat_ratio(seat_mm=seat_mm) - 1.0)
    if rig.extension is not None:
        beyond = depth_share(max(rig.extension_depth_mm, seat_mm)) - depth_share(seat_mm)
        gain = _pair_gain(rig.guide.size_fr, rig.extension)
        parts["extension"] = alone_N * draws["extension_factor"] * (gain * beyond)
    return parts


def backup_N(
    rig: Rig, draws: DrawSet, *, path_length_mm: float, device_tip_mm: float, bend_beyond_rad: float
) -> FloatArray:
    """Return the push at the guide's tip at which the guide backs out.

    Parameters
    ----------
    rig : Rig
        What is in place.
    draws : DrawSet
        Uncertain inputs.
    path_length_mm : float
        Length of the path [mm].
    device_tip_mm : float
        Place of the device's tip on the path [mm].
    bend_beyond_rad : float
        Bend of the path beyond that place, as measured [rad].

    Returns
    -------
    ndarray, shape (count,)
        Backup [N]. Ratios between guides follow benches; the absolute scale is unvalidated.

    Notes
    -----
    The sum of `hold_parts`: springs in parallel, each slipping at its limit, read at the retreat at which
    the guide is lost.

    References
    ----------
    [@ikari2005], [@ikari2009], [@takeshita2012]
    """
    parts = hold_parts(
        rig,
        draws,
        path_length_mm=path_length_mm,
        device_tip_mm=device_tip_mm,
        bend_beyond_rad=bend_beyond_rad,
    )
    return np.asarray(sum(parts.values(), np.zeros(draws.count)))
