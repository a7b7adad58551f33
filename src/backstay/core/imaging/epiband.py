"""Where in a second view lies what the first shows: a band about its epipolar line, as wide as the tags may be off.

Places marked in both views tell how the tags are off, and narrow the band of every other place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.bundle import TagErrors
from backstay.core.imaging.projection import View

FloatArray = NDArray[np.float64]

REACH_MM = 60.0
"""How far from the isocentre's depth a coronary artery is looked for, each way; judgement, no source."""
STATIONS = 7
"""Depths at which a band's middle and width are given: it is narrowest where the places marked in both views lie."""
MARK_SD_PX = 1.5
"""Of a place marked by hand; judgement, no source."""


@dataclass(frozen=True, eq=False)
class Band:
    """Where the places of the first view may lie in the second.

    Attributes
    ----------
    middle_px : ndarray, shape (n, STATIONS, 2)
        The middle of each band from its nearer end to the farther: row and column [px].
    sd_px : ndarray, shape (n, STATIONS)
        Its error across there, one standard deviation [px].
    """

    middle_px: FloatArray
    sd_px: FloatArray

    def outline_px(self, *, sds: float = 2.0) -> FloatArray:
        """Return the outline of each band, (n, 2 STATIONS, 2) row and column [px], `sds` standard deviations to either side."""
        across = _normal(self.middle_px)[:, None] * (sds * self.sd_px)[:, :, None]
        return np.concatenate([self.middle_px - across, (self.middle_px + across)[:, ::-1]], axis=1)


def bands(
    views: tuple[View, View],
    at_px: FloatArray,
    *,
    same_px: tuple[FloatArray, FloatArray],
    errors: TagErrors | None = None,
    same_sd_px: float = MARK_SD_PX,
) -> Band:
    """Return the bands in the second view in which places of the first may lie.

    Parameters
    ----------
    views : tuple of View
        Both as tagged.
    at_px : ndarray, shape (n, 2)
        Row and column in the first view [px].
    same_px : tuple of ndarray, shape (k, 2)
        Places marked in both, in one order [px]; may be empty.
    errors : TagErrors, optional
        How far the tags may be off.
    same_sd_px : float
        Error of a marked place [px].

    Returns
    -------
    Band
        One band for each place.

    Notes
    -----
    Shift, angles and distances of both views are taken as normal and independent about their tags, and the place in
    the second view as linear in them. Each marked pair is one measurement of them: its distance across its epipolar
    line (the usual update of a normal belief by a linear measurement).
    """
    errors = errors or TagErrors()
    sds = np.array([errors.shift_mm] * 3 + [errors.angle_rad] * 4 + [max(errors.distance_share, 1e-6)] * 2)
    belief, spread = np.zeros(9), np.diag(sds**2)
    marked = _line(views, same_px[0], sds)
    for k in range(len(same_px[0])):
        slope = _slope_at(marked, k, same_px[1][k])
        away = float((same_px[1][k] - marked.middle_px[k, 0]) @ marked.normal[k])
        gain = spread @ slope / (slope @ spread @ slope + same_sd_px**2)
        belief, spread = belief + gain * (away - slope @ belief), spread - np.outer(gain, slope @ spread)
    lines = _line(views, at_px, sds)
    moved = np.einsum("nej,j->ne", lines.slope, belief)
    variance = np.einsum("nei,ij,nej->ne", lines.slope, spread, lines.slope)
    middle = lines.middle_px + moved[:, :, None] * lines.normal[:, None]
    return Band(middle, np.sqrt(np.maximum(variance, 0.0) + same_sd_px**2))


@dataclass(frozen=True, eq=False)
class _Lines:
    """Epipolar lines: stations (n, m, 2), normals (n, 2), and how the stations move across with the tags (n, m, 9)."""

    middle_px: FloatArray
    normal: FloatArray
    slope: FloatArray


def _line(views: tuple[View, View], at_px: FloatArray, steps: FloatArray) -> _Lines:
    at_px = np.asarray(at_px, dtype=np.float64).reshape(-1, 2)
    middle = _stations(views, at_px)
    normal = _normal(middle)
    slope = np.empty((len(at_px), STATIONS, len(_CHANGES)))
    for k, change in enumerate(_CHANGES):
        moved = _stations(change(views, float(steps[k])), at_px) - middle
        slope[:, :, k] = np.einsum("nej,nj->ne", moved, normal) / steps[k]
    return _Lines(middle, normal, slope)


def _stations(views: tuple[View, View], at_px: FloatArray) -> FloatArray:
    first, second = views
    rays = first.rays(at_px)
    depths = np.linspace(-REACH_MM, REACH_MM, STATIONS)
    return np.stack([second.project(first.source_mm + (first.sod_mm + z) * rays) for z in depths], axis=1)


def _normal(middle_px: FloatArray) -> FloatArray:
    along = middle_px[:, -1] - middle_px[:, 0]
    size = np.maximum(np.linalg.norm(along, axis=1, keepdims=True), 1e-9)
    return np.asarray(along[:, ::-1] * [1.0, -1.0] / size)


def _slope_at(lines: _Lines, k: int, place_px: FloatArray) -> FloatArray:
    """Return how line `k` moves with the tags where a place lies beside it."""
    along = lines.middle_px[k, -1] - lines.middle_px[k, 0]
    at = (lines.middle_px[k] - lines.middle_px[k, 0]) @ along
    place = float((place_px - lines.middle_px[k, 0]) @ along)
    columns = [np.interp(place, at, lines.slope[k, :, j]) for j in range(len(_CHANGES))]
    return np.array(columns)


Views = tuple[View, View]
Change = Callable[[Views, float], Views]


def _shifted(axis: int) -> Change:
    return lambda v, x: (v[0], v[1].shifted(x * np.eye(3)[axis]))


def _turned(which: int, *, primary: bool) -> Change:
    def change(views: Views, x: float) -> Views:
        angles = (
            {"primary_rad": x, "secondary_rad": 0.0} if primary else {"primary_rad": 0.0, "secondary_rad": x}
        )
        return _with(views, which, views[which].turned(**angles))

    return change


def _farther(which: int) -> Change:
    return lambda v, x: _with(v, which, replace(v[which], sod_mm=v[which].sod_mm * (1.0 + x)))


def _with(views: Views, which: int, view: View) -> Views:
    return (view, views[1]) if which == 0 else (views[0], view)


_CHANGES: tuple[Change, ...] = (
    *(_shifted(axis) for axis in range(3)),
    *(_turned(which, primary=primary) for which in (0, 1) for primary in (True, False)),
    _farther(0),
    _farther(1),
)
