"""Whether two views can be put together, and whether what came out can be believed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.bundle import Curve
from backstay.core.imaging.projection import View, separation_rad

FloatArray = NDArray[np.float64]

LEAST_SEPARATION_RAD = np.deg2rad(15.0)
"""Below this length errors pass 1 % (one standard deviation) in our trial."""
USUAL_SEPARATION_RAD = np.deg2rad(30.0)
SOURCE_DIFFERENCE_MM = 10.0
LARGEST_RESIDUAL_PX = 2.0
USUAL_RESIDUAL_PX = 0.6
LARGEST_SHIFT_MM = 60.0
USUAL_SHIFT_MM = 30.0
LARGEST_TURN_RAD = np.deg2rad(1.0)
"""Tags right to 1 deg were never corrected by more than half of it in our trial, tags of a wrong sign by 1.5 or more."""
ALONG_EPIPOLAR_RAD = np.deg2rad(15.0)
USUAL_ALONG_SHARE = 0.35


class Doubt(StrEnum):
    """Reasons to doubt a measurement."""

    VIEWS_CLOSE = "views_close"
    SOURCE_MISMATCH = "source_mismatch"
    RESIDUAL = "residual"
    TABLE_SHIFT = "table_shift"
    SIGNS = "signs"
    SPINE_SIDE = "spine_side"
    ALONG_EPIPOLAR = "along_epipolar"
    SINGLE_VIEW = "single_view"
    ROWS_POOR = "rows_poor"
    EDGES_DIFFER = "edges_differ"
    DIAMETERS_DIFFER = "diameters_differ"
    SCALE = "scale"


@dataclass(frozen=True)
class Remark:
    """One reason to doubt, in words.

    Attributes
    ----------
    doubt : Doubt
        Which.
    stops : bool
        Whether the measurement is refused unless the user accepts it.
    text : str
        What was found, what is usual, what to do.
    """

    doubt: Doubt
    stops: bool
    text: str


def before(views: tuple[View, View]) -> tuple[Remark, ...]:
    """Return what the tags alone give reason to doubt.

    Parameters
    ----------
    views : tuple of View
        Both, as tagged.

    Returns
    -------
    tuple of Remark
        Separation and source distances.
    """
    found = []
    apart = separation_rad(*views)
    # Opposite views show the same rays.
    apart = min(apart, np.pi - apart)
    if apart < USUAL_SEPARATION_RAD:
        stops = bool(apart < LEAST_SEPARATION_RAD)
        found.append(
            Remark(
                Doubt.VIEWS_CLOSE,
                stops,
                f"the views are {np.rad2deg(apart):.0f} deg apart: lengths {'cannot be trusted' if stops else 'are less sure'}; "
                f"choose views 35 to 145 deg apart",
            )
        )
    difference = abs(views[0].sod_mm - views[1].sod_mm)
    if difference > SOURCE_DIFFERENCE_MM:
        found.append(
            Remark(
                Doubt.SOURCE_MISMATCH,
                True,
                f"the source's distances differ ({views[0].sod_mm:g} and {views[1].sod_mm:g} mm) though a room has one "
                "isocentre: the tag may mean the patient; set isocentre_mm for the room",
            )
        )
    return tuple(found)


def after(curve: Curve) -> tuple[Remark, ...]:
    """Return what the fitted curve gives reason to doubt.

    Parameters
    ----------
    curve : Curve
        Fitted.

    Returns
    -------
    tuple of Remark
        Misfit, shift, corrected angles, vessel along the epipolar lines.
    """
    found = []
    turn = float(np.abs(curve.angles_rad).max())
    shift = float(np.linalg.norm(curve.shift_mm))
    if turn > LARGEST_TURN_RAD:
        found.append(
            Remark(
                Doubt.SIGNS,
                True,
                f"the two views only fit if an angle is {np.rad2deg(turn):.1f} deg off its tag: is the sign of an angle wrong? "
                "LAO and cranial are positive; in LAO the spine is on the image's right; or the clicks show another vessel",
            )
        )
    if curve.residual_px > USUAL_RESIDUAL_PX:
        found.append(
            Remark(
                Doubt.RESIDUAL,
                curve.residual_px > LARGEST_RESIDUAL_PX,
                f"the curve misses the centrelines by {curve.residual_px:.1f} px (usual: up to {USUAL_RESIDUAL_PX:g}): "
                "frames of another phase, another branch, or wrong angles",
            )
        )
    if shift > USUAL_SHIFT_MM:
        found.append(
            Remark(
                Doubt.TABLE_SHIFT,
                shift > LARGEST_SHIFT_MM,
                f"the patient would have moved {shift:.0f} mm between the views (usual: up to {USUAL_SHIFT_MM:g}): "
                "is an angle's sign wrong, or the vessel another?",
            )
        )
    share = _share_along_epipolar(curve)
    if share > USUAL_ALONG_SHARE:
        found.append(
            Remark(
                Doubt.ALONG_EPIPOLAR,
                False,
                f"{100 * share:.0f} % of the vessel runs along the lines on which the views are matched: its depth there is "
                "interpolated; a view turned the other way (cranial against caudal) would see it",
            )
        )
    return tuple(found)


def _share_along_epipolar(curve: Curve) -> float:
    u = np.linspace(0.0, 1.0, 200)
    tangent = curve.spline.derivative()(u)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    first, second = curve.views
    across = np.cross(first.towards_receptor, second.towards_receptor)
    across /= np.linalg.norm(across)
    angles = []
    for view in curve.views:
        flat = tangent - (tangent @ view.towards_receptor)[:, None] * view.towards_receptor
        flat /= np.maximum(np.linalg.norm(flat, axis=1, keepdims=True), 1e-9)
        angles.append(np.arcsin(np.clip(np.abs(flat @ across), 0.0, 1.0)))
    return float(np.mean(np.minimum(*angles) < ALONG_EPIPOLAR_RAD))


SPINE_BEHIND_MM = 60.0
"""How far behind the isocentre the spine is looked for; judgement, no source."""
SPINE_ASIDE_MM = 10.0
"""Nearer the middle of the image its side tells nothing; judgement, no source."""


def _spine_aside_px(view: View) -> float:
    """Return how far to the image's right a spine behind the isocentre falls."""
    return float((view.project(np.array([0.0, SPINE_BEHIND_MM, 0.0])) - view.centre_px)[1])


def spine_tells(view: View) -> bool:
    """Return whether the primary angle is far enough from straight for the spine's side to tell its sign.

    Parameters
    ----------
    view : View
        As tagged.

    Returns
    -------
    bool
        From about 10 deg on.
    """
    return abs(_spine_aside_px(view)) * view.isocentre_mm_per_px >= SPINE_ASIDE_MM


def spine_remark(view: View, side: str, name: str) -> Remark | None:
    """Return a doubt where the spine is not on the side of the image that the primary angle says.

    Parameters
    ----------
    view : View
        As tagged.
    side : str
        "left" or "right" of the image as it is displayed.
    name : str
        What to call the run.

    Returns
    -------
    Remark or None
        None where they agree or the view is nearly straight.
    """
    if not spine_tells(view):
        return None
    expected = "right" if _spine_aside_px(view) > 0.0 else "left"
    if expected == side:
        return None
    return Remark(
        Doubt.SPINE_SIDE,
        True,
        f"{name}: the spine is on the image's {side}, where {np.rad2deg(view.primary_rad):+.0f} deg would put it {expected}: "
        "the primary angle's sign or the image's side is wrong",
    )
