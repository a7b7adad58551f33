"""Moves of the guide: seated deeper, changed, or by a second access."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from backstay.core.anatomy.path import LumenPath
from backstay.core.mechanics.backup import guide_hold_ratio
from backstay.core.rigging import move_facts
from backstay.core.rigging.devices import AccessRoute, Guide
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, GuideShape, MoveId
from backstay.units import french_to_mm

# Judgement, no source, for all of these.
_SEAT_STEPS_mm = (5.0, 10.0)
_DEEPEST_SEAT_mm = 15.0
_SEAT_SPARE_mm = 0.2
_SEAT_PRESSES_mm = 0.5  # about 0.8 N on the wall over 10 mm of a bed of 0.15 MPa
_MORE_SUPPORT_BY = 1.1
_GUIDES_COMPARED_FR = (5.0, 8.0)
_APART_mm = 5.0

_LEFT = frozenset({GuideShape.STANDARD_LEFT, GuideShape.EXTRA_BACKUP_LEFT})
_RIGHT = frozenset({GuideShape.STANDARD_RIGHT, GuideShape.AMPLATZ_RIGHT})


def seat_deeper(s: Situation) -> Iterator[Alternative]:
    """Yield the guide seated 5 and 10 mm deeper.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Only as far as the guide goes into the lumen with 0.2 mm to spare, short of any lesion, branch in use
        or trapped wire, no deeper than 15 mm in all, and no farther round a bend than the guide, a straight tube there, may
        press the wall aside by 0.5 mm.

    Notes
    -----
    A guide is stiff against the vessel: a beam of some 1000 N mm2 (order of magnitude) on a bed of 0.15 MPa bends over 13 mm,
    so over a seat of 5 to 15 mm it keeps straight and the vessel follows. That only a wide, healthy and nearly straight
    first stretch takes the guide is common practice, no source.
    """
    diseased_mm = min((lesion.from_mm for lesion in s.lesions), default=s.path.length_mm)
    in_use_mm = [diseased_mm, s.target_from_mm]
    in_use_mm += [s.rig.anchor.at_mm] if s.rig.anchor is not None else []
    in_use_mm += [s.rig.trapped.from_mm] if s.rig.trapped is not None else []
    for step_mm in _SEAT_STEPS_mm:
        seat_mm = s.rig.seat_mm + step_mm
        passes = french_to_mm(s.rig.guide.size_fr) + _SEAT_SPARE_mm <= s.narrowest_mm(seat_mm)
        beside_mm = 0.5 * (s.narrowest_mm(seat_mm) - french_to_mm(s.rig.guide.size_fr))
        straight = bow_mm(s.path, seat_mm) <= beside_mm + _SEAT_PRESSES_mm
        if passes and straight and seat_mm <= _DEEPEST_SEAT_mm and seat_mm + _APART_mm <= min(in_use_mm):
            yield s.alternative(
                f"seat_{seat_mm:.0f}mm",
                f"seat the guide {seat_mm:.0f} mm deep",
                [MoveId.SEAT_DEEPER],
                [move_facts.SEAT_DEEPER],
                rig=replace(s.rig, seat_mm=seat_mm),
            )


def bow_mm(path: LumenPath, to_mm: float) -> float:
    """Return how far a path leaves the straight line from its start to a place.

    Parameters
    ----------
    path : LumenPath
        The vessel from the ostium.
    to_mm : float
        The place [mm].

    Returns
    -------
    float
        Largest distance from the chord [mm]; R (1 - cos(L / 2 R)) on an arc of radius R.

    Examples
    --------
    >>> import numpy as np
    >>> arc = LumenPath.from_curvature(
    ...     np.full((31, 2), [0.1, 0.0]), np.full(31, 1.5), radius_sd_mm=0.1, spacing_mm=1.0
    ... )
    >>> round(bow_mm(arc, 10.0), 1), round(float(10.0 * (1.0 - np.cos(0.5))), 1)
    (1.2, 1.2)
    """
    points = path.points_mm[path.s_mm <= to_mm + 1e-9]
    chord = points[-1] - points[0]
    length = float(np.linalg.norm(chord))
    if length == 0.0:
        return 0.0
    away = np.cross(points - points[0], chord / length)
    return float(np.linalg.norm(away, axis=1).max())


def other_guide(s: Situation) -> Iterator[Alternative]:
    """Yield a more supportive guide of the same size, and a larger one.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Guides for the same artery that the sheath takes and that hold at least a tenth more. All but the rail
        comes out with the guide. Blocked while a wire is trapped.
    """
    now, route = s.rig.guide, s.rig.access.route
    least_ratio = _MORE_SUPPORT_BY * guide_hold_ratio(now, route)
    better = [
        g
        for g in s.shelf.devices.values()
        if isinstance(g, Guide)
        and _GUIDES_COMPARED_FR[0] <= g.size_fr <= _GUIDES_COMPARED_FR[1]
        and now.size_fr <= g.size_fr <= s.rig.access.sheath_fr
        and _same_artery(now.shape, g.shape)
        and guide_hold_ratio(g, route) >= least_ratio
    ]
    same = [g for g in better if g.size_fr == now.size_fr]
    larger = [g for g in better if g.size_fr > now.size_fr]
    chosen = sorted(same, key=lambda g: -guide_hold_ratio(g, route))[:1]
    chosen += sorted(larger, key=lambda g: (g.size_fr, g.shape != now.shape))[:1]
    for guide in chosen:
        yield s.alternative(
            f"guide_{guide.id}",
            f"change the guide to {guide.name}",
            [MoveId.OTHER_GUIDE],
            [move_facts.OTHER_GUIDE],
            rig=_only_rail(s.rig, guide),
        )


def _only_rail(rig: Rig, guide: Guide) -> Rig:
    """Return what is left when the guide is exchanged."""
    return replace(
        rig, guide=guide, seat_mm=0.0, extension=None, extension_depth_mm=0.0, buddies=(), anchor=None
    )


def second_access(s: Situation) -> Iterator[Alternative]:
    """Yield a guide of the same shape and size by the femoral route.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        From a radial route only. Everything but a new wire of the rail's kind is laid anew.
    """
    if s.rig.access.route is Access.FEMORAL:
        return
    rig = replace(
        _only_rail(s.rig, s.rig.guide),
        access=AccessRoute(Access.FEMORAL, s.rig.access.sheath_fr),
        trapped=None,
    )
    yield s.alternative(
        "second_access_femoral",
        f"second access: {s.rig.guide.name} by the femoral route",
        [MoveId.SECOND_ACCESS],
        [move_facts.SECOND_ACCESS],
        rig=rig,
    )


def _same_artery(now: GuideShape, other: GuideShape) -> bool:
    """Return whether two shapes serve the same artery.

    The Amplatz left shape serves both, so from it only itself is sure.
    """
    if now == other:
        return True
    sides = (_LEFT | {GuideShape.AMPLATZ_LEFT}, _RIGHT | {GuideShape.AMPLATZ_LEFT})
    return now != GuideShape.AMPLATZ_LEFT and any(now in side and other in side for side in sides)
