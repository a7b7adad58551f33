"""Whether the angles' signs are right: the vessel is put together again under every other set of signs.

Two views tell their own geometry only by how far what one shows lies from the lines on which the other must show it.
Where both turn about one axis (neither of them cranial or caudal, or both straight on) those lines are the same under
other signs, and the vessel's own data cannot tell.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.bundle import TagErrors, misfit
from backstay.core.imaging.matching import matched
from backstay.core.imaging.pairs import LEAST_SEPARATION_RAD, Doubt, Remark, spine_tells
from backstay.core.imaging.projection import View, separation_rad
from backstay.errors import InputError

FloatArray = NDArray[np.float64]
Pair = tuple[FloatArray, FloatArray]
Signs = tuple[bool, bool, bool, bool]
"""Which angles have the other sign: primary and secondary of the first view, then of the second."""

FEW_MATCHES = 50
HOPELESS = 100.0
"""Above the misfit of the tags a set of signs is not followed further."""
MARGIN, MARGIN_SHARE = 15.0, 0.5
"""Sets whose misfits differ by less than the first, or than this share of the smaller, fit as well as each other. Right
tags were ahead by more on other seeds of the phantom wherever the views can tell; judgement, no source."""
SAME_LENGTH_SHARE, SAME_PLACE_MM = 0.02, 1.0
"""Nearer than this, in length and in shape, it is the same vessel: judgement, no source."""
_EITHER = (False, True)
_AS_TAGGED: Signs = (False, False, False, False)


@dataclass(frozen=True, eq=False)
class SignSet:
    """The vessel under one set of signs.

    Attributes
    ----------
    turned : tuple of bool
        Which angles have the other sign.
    misfit : float
        Sum of squares of all residuals over one standard deviation each.
    points_mm : ndarray, shape (n, 3)
        Along the vessel.
    mirror : bool
        Whether all angles are turned that matter: parallel rays show the mirror image of a vessel as well.
    """

    turned: Signs
    misfit: float
    points_mm: FloatArray
    mirror: bool

    @property
    def length_mm(self) -> float:
        """Return the length of the vessel."""
        return float(np.linalg.norm(np.diff(self.points_mm, axis=0), axis=1).sum())


def with_signs(views: tuple[View, View], turned: Signs) -> tuple[View, View]:
    """Return the views with the signs of some angles turned.

    Parameters
    ----------
    views : tuple of View
        As tagged.
    turned : tuple of bool
        Which angles.

    Returns
    -------
    tuple of View
        Otherwise the same.
    """
    first, second = (
        replace(
            view,
            primary_rad=-view.primary_rad if turned[2 * k] else view.primary_rad,
            secondary_rad=-view.secondary_rad if turned[2 * k + 1] else view.secondary_rad,
        )
        for k, view in enumerate(views)
    )
    return first, second


def sign_sets(
    views: tuple[View, View],
    lines_px: Pair,
    landmarks_px: Pair,
    *,
    errors: TagErrors,
    told: tuple[bool, bool] = (False, False),
) -> tuple[SignSet, ...]:
    """Return the vessel as tagged and under every other set of signs that may be meant.

    Parameters
    ----------
    views : tuple of View
        As tagged.
    lines_px : tuple of ndarray, shape (n, 2)
        Centrelines [px].
    landmarks_px : tuple of ndarray, shape (k, 2)
        Branch points in both views [px].
    errors : TagErrors
        How far tags may be off; the sign of an angle of up to twice its error does not matter.
    told : tuple of bool
        Whether the spine has told the sign of each view's primary angle.

    Returns
    -------
    tuple of SignSet
        As tagged first; empty where even that gives no vessel. Left out: views so close that nobody would measure
        from them, and sets that cannot be put together at all.

    Notes
    -----
    Matching and curve are made anew for each set. A set's mirror image (all signs turned) fits nearly as well as the
    set itself, so it is tried only where that does.
    """
    angles = [a for view in views for a in (view.primary_rad, view.secondary_rad)]
    matters = np.abs(angles) > 2.0 * errors.angle_rad
    free = matters & ~np.array([told[0], False, told[1], False])
    best: dict[Signs, SignSet] = {}
    hopeless = np.inf
    for turned in sorted(product(_EITHER, _EITHER, _EITHER, _EITHER), key=sum):
        image = _image(turned, matters)
        if (np.array(turned) & ~free).any() or (image in best and best[image].misfit > hopeless):
            continue
        changed = with_signs(views, turned)
        apart = separation_rad(*changed)
        if turned != _AS_TAGGED and min(apart, np.pi - apart) < LEAST_SEPARATION_RAD:
            continue
        found = _put_together(changed, lines_px, landmarks_px, errors, hopeless)
        if found is not None:
            best[turned] = SignSet(turned, *found, turned == _image(_AS_TAGGED, matters))
        if turned == _AS_TAGGED:
            if found is None:
                return ()
            hopeless = found[0] + HOPELESS
    return tuple(best.values())


def _image(turned: Signs, matters: NDArray[np.bool_]) -> Signs:
    a, b, c, d = (bool(x) for x in np.array(turned) ^ matters)
    return a, b, c, d


def _put_together(
    views: tuple[View, View], lines_px: Pair, landmarks_px: Pair, errors: TagErrors, hopeless: float
) -> tuple[float, FloatArray] | None:
    try:
        first = matched(views, lines_px, landmarks_px, shift_sd_mm=errors.shift_mm, samples=FEW_MATCHES)
        return misfit(
            views, lines_px, landmarks_px, start_mm=first.points_mm, shift_mm=first.shift_mm, errors=errors,
            hopeless=hopeless,
        )  # fmt: skip
    except (InputError, np.linalg.LinAlgError):
        # Rays that are parallel under these signs: no vessel, and nothing to compare with.
        return None


def sign_remarks(
    views: tuple[View, View],
    lines_px: Pair,
    landmarks_px: Pair,
    *,
    errors: TagErrors,
    told: tuple[bool, bool] = (False, False),
) -> tuple[Remark, ...]:
    """Return a doubt where another set of signs fits as well and gives another vessel.

    Parameters
    ----------
    views : tuple of View
        As tagged.
    lines_px, landmarks_px : tuple of ndarray
        As for `sign_sets` [px].
    errors : TagErrors
        How far tags may be off.
    told : tuple of bool
        Whether the spine has told the sign of each view's primary angle.

    Returns
    -------
    tuple of Remark
        One or none. It stops where another set fits better, and where one fits as well and the spine, not yet asked
        for, would tell. Where nothing tells it is said, with the other length.
    """
    sets = sign_sets(views, lines_px, landmarks_px, errors=errors, told=told)
    if not sets:
        return ()
    tagged = sets[0]
    others = sorted((one for one in sets[1:] if differs(one, tagged)), key=lambda one: one.misfit)
    for one in others:
        gain = tagged.misfit - one.misfit
        if gain > _margin(one.misfit):
            return (Remark(Doubt.SIGNS, True, _better_text(views, tagged, one)),)
    ties = [one for one in others if not one.mirror and one.misfit - tagged.misfit <= _margin(tagged.misfit)]
    if not ties:
        return ()
    askable = [one for one in ties if any(one.turned[2 * k] and spine_tells(views[k]) for k in (0, 1))]
    one = max(askable or ties, key=lambda one: abs(one.length_mm - tagged.length_mm))
    return (Remark(Doubt.SIGNS, bool(askable), _tie_text(views, tagged, one, bool(askable))),)


def _margin(misfit: float) -> float:
    return max(MARGIN, MARGIN_SHARE * misfit)


def differs(one: SignSet, other: SignSet) -> bool:
    """Return whether two sets give different vessels: another length, or another shape after turning and shifting.

    Parameters
    ----------
    one, other : SignSet
        With as many points each.

    Returns
    -------
    bool
        A mirror image of a vessel that does not lie flat is another shape.
    """
    if abs(one.length_mm - other.length_mm) > SAME_LENGTH_SHARE * other.length_mm:
        return True
    a = one.points_mm - one.points_mm.mean(axis=0)
    b = other.points_mm - other.points_mm.mean(axis=0)
    u, _, vt = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
    return bool(np.linalg.norm(a @ turn - b, axis=1).mean() > SAME_PLACE_MM)


def _named(views: tuple[View, View], turned: Signs) -> str:
    names = []
    for k, view in enumerate(views):
        for j, (name, angle) in enumerate((("primary", view.primary_rad), ("secondary", view.secondary_rad))):
            if turned[2 * k + j]:
                names.append(f"the {name} angle of run {k + 1} ({np.rad2deg(angle):+.0f} deg)")
    return " and ".join(names)


def _better_text(views: tuple[View, View], tagged: SignSet, one: SignSet) -> str:
    return (
        f"is the sign of an angle wrong? The views fit better with the other sign of {_named(views, one.turned)}: the vessel "
        f"would be {one.length_mm:.0f} mm long, not {tagged.length_mm:.0f}. LAO and cranial are positive; in LAO the spine is "
        "on the image's right; or the clicks show another vessel"
    )


def _tie_text(views: tuple[View, View], tagged: SignSet, one: SignSet, askable: bool) -> str:
    tell = (
        "say on which side of each image the spine is (spine = left or right)"
        if askable
        else "check the angles on the console; a view that is cranial or caudal as well as oblique would tell"
    )
    return (
        f"the signs cannot be told from these two views: {tagged.length_mm:.0f} mm as tagged, {one.length_mm:.0f} mm with the "
        f"other sign of {_named(views, one.turned)}, and both fit; {tell}"
    )
