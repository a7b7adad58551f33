"""From clicks on one or two images to a measured vessel: the whole of the measurement, without files."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d
from scipy.spatial import cKDTree

from backstay.core.imaging.bundle import Curve, TagErrors, fitted_curve
from backstay.core.imaging.diameters import both_views, placed_sd_mm, views_differ
from backstay.core.imaging.edges import DISAGREE_MM, derivative_edges_px
from backstay.core.imaging.lesions import Stenosis, reference_diameter_mm, stenoses
from backstay.core.imaging.lumen import Lumen, measured_lumen, refitted, rough_lumen
from backstay.core.imaging.matching import matched
from backstay.core.imaging.pairs import Doubt, Remark, after, before, spine_remark, spine_tells
from backstay.core.imaging.projection import View
from backstay.core.imaging.signs import sign_remarks
from backstay.core.imaging.tracing import even_px, traced
from backstay.errors import InputError

FloatArray = NDArray[np.float64]

SPACING_MM = 0.5
CURVATURE_SCALE_MM = 2.0
"""Standard deviation of the smoothing along the vessel under which curvature is given."""
MODEL_SD_MM = 0.05
"""Of a diameter beyond its noise: the lumen is not quite round, the contrast not quite even; judgement, no source."""
HAND_SD_PX = 0.7
"""Of an edge set by hand; judgement, no source."""
POOR_SHARE = 0.5
LEAN_RAD = np.deg2rad(45.0)
"""Lean against the image that a single view's upper bound of length allows for; judgement, no source."""


@dataclass(frozen=True, eq=False)
class HandEdge:
    """Edges of the lumen at one place, set by hand.

    Attributes
    ----------
    left_px, right_px : ndarray, shape (2,)
        Row and column of each.
    """

    left_px: FloatArray
    right_px: FloatArray


@dataclass(frozen=True, eq=False)
class Sight:
    """One image and what a person marked on it.

    Attributes
    ----------
    density : ndarray, shape (rows, columns)
        Contrast density.
    view : View
        Its geometry.
    clicks_px : ndarray, shape (n, 2)
        Along the vessel from its start, two or more.
    landmarks_px : ndarray, shape (k, 2)
        Branch points, in one order in all images.
    drawn_px : ndarray, shape (m, 2), optional
        The path drawn by hand in place of the trace.
    hand_edges : tuple of HandEdge
        Corrected edges.
    scale_sd_share : float
        Error of the image's scale as a share.
    spine_side : str, optional
        "left" or "right" of the image, where the spine is.
    """

    density: FloatArray
    view: View
    clicks_px: FloatArray
    landmarks_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    drawn_px: FloatArray | None = None
    hand_edges: tuple[HandEdge, ...] = ()
    scale_sd_share: float = 0.0
    spine_side: str | None = None

    @property
    def spine_agrees(self) -> bool:
        """Return whether the spine's side is given and tells the primary angle's sign to be right."""
        side = self.spine_side
        return side is not None and spine_tells(self.view) and spine_remark(self.view, side, "") is None


@dataclass(frozen=True, eq=False)
class Vessel:
    """A measured vessel.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Distance along it, half a millimetre apart.
    points_mm : ndarray, shape (n, 3)
        Patient axes. From two views true to shape; where it lies in the room is known to some mm only.
    radius_mm, radius_sd_mm : ndarray, shape (n,)
        Lumen radius and its error.
    curvature_per_mm, curvature_sd_per_mm : ndarray, shape (n,)
        Curvature and its error, smoothed over `CURVATURE_SCALE_MM`; NaN from a single view.
    quality : ndarray, shape (n,)
        0 to 1: the share of the picture across the vessel that the lumen explains, in the better view.
    length_mm, length_sd_mm : float
        Along the vessel, with the error.
    longest_mm : float
        Bound from above: equal to the length from two views, with its lean allowed for from one.
    landmarks_at_mm : tuple of float
        Where the branch points lie.
    lumens : tuple of Lumen
        One per view.
    rows_at : tuple of ndarray, shape (n,)
        For each view, the place along its centreline that shows each of the points [px].
    diameters_mm : tuple of ndarray, shape (n,)
        By view.
    derivative_mm : tuple of ndarray, shape (n,)
        By view, the cross-check.
    reference_mm : ndarray, shape (n,)
        Reference diameter.
    stenoses : tuple of Stenosis
        Narrowings.
    views : tuple of View
        As corrected.
    curve : Curve or None
        From two views.
    remarks : tuple of Remark
        Reasons to doubt.
    """

    s_mm: FloatArray
    points_mm: FloatArray
    radius_mm: FloatArray
    radius_sd_mm: FloatArray
    curvature_per_mm: FloatArray
    curvature_sd_per_mm: FloatArray
    quality: FloatArray
    length_mm: float
    length_sd_mm: float
    longest_mm: float
    landmarks_at_mm: tuple[float, ...]
    lumens: tuple[Lumen, ...]
    rows_at: tuple[FloatArray, ...]
    diameters_mm: tuple[FloatArray, ...]
    derivative_mm: tuple[FloatArray, ...]
    reference_mm: FloatArray
    stenoses: tuple[Stenosis, ...]
    views: tuple[View, ...]
    curve: Curve | None
    remarks: tuple[Remark, ...]


def seen(sight: Sight, *, at_once: bool = False) -> Lumen:
    """Return the lumen traced and measured on one image, with the corrections made by hand.

    Parameters
    ----------
    sight : Sight
        Image and marks.
    at_once : bool
        Fit each row once, to show while tracing; never to measure by.

    Returns
    -------
    Lumen
        Centreline and diameters in pixels.
    """
    scale = sight.view.isocentre_mm_per_px
    if sight.drawn_px is None:
        path = traced(sight.density, sight.clicks_px)
    else:
        path = even_px(sight.drawn_px)
    fitted = rough_lumen if at_once else measured_lumen
    return with_hand_edges(fitted(sight.density, path, mm_per_px=scale), sight.hand_edges)


def with_hand_edges(lumen: Lumen, hand_edges: tuple[HandEdge, ...]) -> Lumen:
    """Return the lumen with edges set by hand at some places, eased into the rows beside them.

    Parameters
    ----------
    lumen : Lumen
        As measured.
    hand_edges : tuple of HandEdge
        Corrections.

    Returns
    -------
    Lumen
        Changed within 6 px of each correction.

    Raises
    ------
    InputError
        A correction that is not beside the vessel.
    """
    fits = lumen.fits
    diameter, offset = fits.diameter_px.copy(), fits.offset_px.copy()
    sd, explained = fits.diameter_sd_px.copy(), fits.explained.copy()
    for edge in hand_edges:
        middle, wide = (
            0.5 * (edge.left_px + edge.right_px),
            float(np.linalg.norm(edge.right_px - edge.left_px)),
        )
        away = np.linalg.norm(lumen.line_px - middle, axis=1)
        row = int(np.argmin(away))
        if away[row] > 12.0 or not 0.5 <= wide <= 60.0:
            raise InputError(
                "edges set by hand must lie on both sides of the vessel",
                field="edges",
                value=f"{away[row]:.1f} px from the centreline, {wide:.1f} px apart",
                allowed="within 12 px, 0.5 to 60 px apart",
            )
        beside = float((middle - lumen.line_px[row]) @ lumen.strip.normals[row])
        share = np.clip(1.4 - np.abs(lumen.along_px - lumen.along_px[row]) / 5.0, 0.0, 1.0)
        diameter += share * (wide - diameter)
        offset += share * (beside - offset)
        sd, explained = np.where(share > 0.0, HAND_SD_PX, sd), np.maximum(explained, share)
    return replace(
        lumen,
        fits=replace(fits, diameter_px=diameter, offset_px=offset, diameter_sd_px=sd, explained=explained),
    )


def measured_pair(
    sights: tuple[Sight, Sight], lumens: tuple[Lumen, Lumen], *, errors: TagErrors | None = None
) -> Vessel:
    """Return the vessel in space from two views.

    Parameters
    ----------
    sights : tuple of Sight
        Images and marks.
    lumens : tuple of Lumen
        From `seen`.
    errors : TagErrors, optional
        How far the tags may be off.

    Returns
    -------
    Vessel
        With every reason to doubt; whether to refuse is for the caller.
    """
    errors = errors or TagErrors()
    views, lines = (sights[0].view, sights[1].view), (lumens[0].line_px, lumens[1].line_px)
    marks = (sights[0].landmarks_px, sights[1].landmarks_px)
    told = (sights[0].spine_agrees, sights[1].spine_agrees)
    remarks = (*before(views), *sign_remarks(views, lines, marks, errors=errors, told=told))
    first = matched(views, lines, marks, shift_sd_mm=errors.shift_mm)
    curve = fitted_curve(
        views, lines, marks, start_mm=first.points_mm, shift_mm=first.shift_mm, errors=errors
    )
    u, s = _even_parameters(curve)
    points = curve.spline(u)
    lumens, rows_at = _leaning(curve, u, lumens, tuple(s.hand_edges for s in sights))
    diameters, sds, derivative = [], [], []
    for view, lumen, at in zip(curve.views, lumens, rows_at, strict=True):
        scale = view.mm_per_px(points)
        diameters.append(_at(lumen, lumen.diameter_px, at) * scale)
        sds.append(np.hypot(_at(lumen, lumen.fits.diameter_sd_px, at) * scale, MODEL_SD_MM))
        derivative.append(_at(lumen, _derivative_px(lumen), at) * scale)
    sines = [_sine(view, points, curve.spline.derivative()(u)) for view in curve.views]
    diameter, sd = both_views(diameters, sds, sines)
    scale_share = max(errors.distance_share, *(s.scale_sd_share for s in sights))
    sd = placed_sd_mm(diameter, np.hypot(sd, scale_share * diameter), spacing_mm=SPACING_MM)
    length, length_sd = _length(curve, scale_share)
    bends = _bends(curve, u)
    reference, reference_sd = reference_diameter_mm(s, diameter, 1.0 / sd**2)
    quality = np.max(
        [_at(lumen, lumen.fits.explained, at) for lumen, at in zip(lumens, rows_at, strict=True)], axis=0
    )
    return Vessel(
        s, points, 0.5 * diameter, 0.5 * sd, *bends, np.clip(quality, 0.0, 1.0), length, length_sd, length,
        tuple(float(np.interp(m, u, s)) for m in curve.landmarks_at),
        lumens, rows_at, tuple(diameters), tuple(derivative), reference,
        stenoses(s, diameter, diameter_sd_mm=sd, reference_mm=reference, reference_sd_mm=reference_sd),
        curve.views, curve,
        (*remarks, *after(curve), *views_differ(s, diameters), *_row_remarks(quality, tuple(diameters), tuple(derivative))),
    )  # fmt: skip


def measured_single(sight: Sight, lumen: Lumen) -> Vessel:
    """Return the vessel as one view shows it, flat in the plane of the isocentre.

    Parameters
    ----------
    sight : Sight
        Image and marks.
    lumen : Lumen
        From `seen`.

    Returns
    -------
    Vessel
        Lengths are bounds from below; bends towards and away from the receptor are missing.
    """
    view = sight.view
    along = lumen.along_px
    scale = view.isocentre_mm_per_px
    s = np.arange(0.0, along[-1] * scale, SPACING_MM)
    at = s / scale
    places = np.stack([np.interp(at, along, lumen.line_px[:, k]) for k in range(2)], axis=1)
    ray = view.rays(places)
    # The plane through the isocentre, facing the receptor.
    reach = (-view.source_mm @ view.towards_receptor) / (ray @ view.towards_receptor)
    points = view.source_mm + reach[:, None] * ray
    diameter = _at(lumen, lumen.diameter_px, at) * scale
    sd = np.hypot(_at(lumen, lumen.fits.diameter_sd_px, at) * scale, MODEL_SD_MM)
    sd = placed_sd_mm(diameter, np.hypot(sd, sight.scale_sd_share * diameter), spacing_mm=SPACING_MM)
    derivative = _at(lumen, _derivative_px(lumen), at) * scale
    reference, reference_sd = reference_diameter_mm(s, diameter, 1.0 / sd**2)
    quality = np.clip(_at(lumen, lumen.fits.explained, at), 0.0, 1.0)
    length = float(along[-1] * scale)
    longest = length / float(np.cos(LEAN_RAD))
    remark = Remark(
        Doubt.SINGLE_VIEW,
        False,
        f"one view only: {length:.0f} mm is the least the vessel can be long; leaning up to "
        f"{np.rad2deg(LEAN_RAD):.0f} deg against the image it would be up to {longest:.0f} mm; bends towards and away "
        "from the receptor are missing; the push a device needs cannot be computed from this path",
    )
    marks = [float(np.interp(np.argmin(np.linalg.norm(lumen.line_px - m, axis=1)), np.arange(len(along)), along)) * scale
             for m in sight.landmarks_px]  # fmt: skip
    nothing = np.full(len(s), np.nan)
    return Vessel(
        s, points, 0.5 * diameter, 0.5 * sd, nothing, nothing, quality, length, length * sight.scale_sd_share, longest,
        tuple(marks), (lumen,), (at,), (diameter,), (derivative,), reference,
        stenoses(s, diameter, diameter_sd_mm=sd, reference_mm=reference, reference_sd_mm=reference_sd),
        (view,), None, (remark, *_row_remarks(quality, (diameter,), (derivative,))),
    )  # fmt: skip


def _even_parameters(curve: Curve) -> tuple[FloatArray, FloatArray]:
    """Return parameters of places half a millimetre apart, and their distances along the curve."""
    fine = np.linspace(0.0, 1.0, 4000)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(curve.spline(fine), axis=0), axis=1))])
    even = np.arange(0.0, s[-1], SPACING_MM)
    return np.interp(even, s, fine), even


def _leaning(
    curve: Curve, u: FloatArray, lumens: tuple[Lumen, Lumen], hand: tuple[tuple[HandEdge, ...], ...]
) -> tuple[tuple[Lumen, Lumen], tuple[FloatArray, FloatArray]]:
    """Return the lumens fitted again knowing the lean, and where along each the curve's places are seen."""
    points, tangents = curve.spline(u), curve.spline.derivative()(u)
    again, rows_at = [], []
    for view, lumen, edges in zip(curve.views, lumens, hand, strict=True):
        places = view.project(points)
        _, nearest = cKDTree(lumen.line_px).query(places)
        rows_at.append(np.maximum.accumulate(lumen.along_px[nearest]))
        sine = np.interp(lumen.along_px, *_rising(rows_at[-1], _sine(view, points, tangents)))
        changed = refitted(lumen, sine=sine, mm_per_px=float(np.mean(view.mm_per_px(points))))
        again.append(with_hand_edges(changed, edges))
    return (again[0], again[1]), (rows_at[0], rows_at[1])


def _rising(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    keep = np.concatenate([[True], np.diff(x) > 0.0])
    return x[keep], y[keep]


def _sine(view: View, points: FloatArray, tangents: FloatArray) -> FloatArray:
    """Return the sine of the angle between ray and vessel."""
    ray = points - view.source_mm
    ray /= np.linalg.norm(ray, axis=1, keepdims=True)
    along = tangents / np.linalg.norm(tangents, axis=1, keepdims=True)
    return np.asarray(np.linalg.norm(np.cross(ray, along), axis=1))


def _at(lumen: Lumen, values: FloatArray, along_px: FloatArray) -> FloatArray:
    return np.interp(along_px, lumen.along_px, values)


def _derivative_px(lumen: Lumen) -> FloatArray:
    left, right = derivative_edges_px(lumen.strip, lumen.diameter_px)
    return right - left


def _length(curve: Curve, scale_share: float) -> tuple[float, float]:
    """Return length and its error by the covariance of the control points and the error of the scale."""
    u = np.linspace(0.0, 1.0, 1500)
    basis = curve.spline.design_matrix(u, curve.spline.t, 3).toarray()
    chords = np.diff(basis @ curve.control_mm, axis=0)
    size = np.linalg.norm(chords, axis=1)
    slope = (np.diff(basis, axis=0).T @ (chords / size[:, None])).ravel()
    n = curve.control_mm.size
    variance = float(slope @ curve.covariance[:n, :n] @ slope)
    length = float(size.sum())
    return length, float(np.hypot(np.sqrt(variance), scale_share * length))


def _bends(curve: Curve, u: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return curvature and its error along the curve, smoothed over `CURVATURE_SCALE_MM`; `u` is evenly spaced.

    Without a stated scale a curvature means little: a centreline's last tenth of a pixel would decide it.
    """
    count = len(curve.control_mm)
    basis = curve.spline.design_matrix(u, curve.spline.t, 3).toarray()
    # Beyond its ends the curve goes on as its own mirror image through the end.
    reach = min(round(4.0 * CURVATURE_SCALE_MM / SPACING_MM), len(u) - 1)
    longer = np.pad(basis, ((reach, reach), (0, 0)), mode="reflect", reflect_type="odd")
    smooth = gaussian_filter1d(longer, CURVATURE_SCALE_MM / SPACING_MM, axis=0)
    slope = np.gradient(smooth, SPACING_MM, axis=0)
    bend = np.gradient(slope, SPACING_MM, axis=0)[reach : reach + len(u)]
    slope = slope[reach : reach + len(u)]
    first, second = slope @ curve.control_mm, bend @ curve.control_mm
    speed = np.linalg.norm(first, axis=1)
    along = first / speed[:, None]
    across = second - (second * along).sum(axis=1)[:, None] * along
    size = np.linalg.norm(across, axis=1)
    towards = across / np.maximum(size, 1e-12)[:, None]
    n = 3 * count
    by_control = (bend[:, :, None] * towards[:, None, :]).reshape(len(u), n)
    variance = np.einsum("ni,ij,nj->n", by_control, curve.covariance[:n, :n], by_control)
    return size / speed**2, np.sqrt(np.maximum(variance, 0.0)) / speed**2


def _row_remarks(
    quality: FloatArray, diameters: tuple[FloatArray, ...], derivative: tuple[FloatArray, ...]
) -> tuple[Remark, ...]:
    found = []
    poor = float(np.mean(quality < POOR_SHARE))
    if poor > 0.1:
        text = (
            f"{100 * poor:.0f} % of the vessel is poorly seen: check the edges there, or choose another frame"
        )
        found.append(Remark(Doubt.ROWS_POOR, False, text))
    differ = max(
        float(np.mean(np.abs(d - e) > DISAGREE_MM)) for d, e in zip(diameters, derivative, strict=True)
    )
    if differ > 0.25:
        text = f"fitted and derivative edges differ by over {DISAGREE_MM:g} mm along {100 * differ:.0f} % of the vessel in a view"
        found.append(Remark(Doubt.EDGES_DIFFER, False, text))
    return tuple(found)
