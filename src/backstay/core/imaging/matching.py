"""Which places of two centrelines are the same place of the vessel, and how far the table moved between the views."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.projection import View, epipolar_lines, triangulated
from backstay.core.imaging.tracing import even_px

FloatArray = NDArray[np.float64]

SAMPLES = 100
_STEPS_MM = 0.5
_ROUNDS = 4


@dataclass(frozen=True, eq=False)
class Matched:
    """A first idea of the vessel in space.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
        Triangulated, in order from the start.
    shift_mm : ndarray, shape (3,)
        By how much the patient moved from the first view to the second, as far as it shows.
    residual_px : float
        Root mean square distance of matched places from each other's epipolar lines.
    """

    points_mm: FloatArray
    shift_mm: FloatArray
    residual_px: float


def matched(
    views: tuple[View, View],
    lines_px: tuple[FloatArray, FloatArray],
    landmarks_px: tuple[FloatArray, FloatArray],
    *,
    shift_sd_mm: float,
) -> Matched:
    """Return matched and triangulated centrelines.

    Parameters
    ----------
    views : tuple of View
        Both views as tagged.
    lines_px : tuple of ndarray, shape (n, 2)
        Centreline in each, from the same start to the same end [px].
    landmarks_px : tuple of ndarray, shape (k, 2)
        Places known to be the same in both (branch points) [px]; may be empty.
    shift_sd_mm : float
        How far the table may have moved, per axis [mm].

    Returns
    -------
    Matched
        Points, shift and misfit.

    Notes
    -----
    The shift starts from the ends and landmarks by ridge least squares on the epipolar distance; then matching by
    the cheapest monotone way through the table of epipolar distances and the shift take turns.
    """
    a, b = (even_px(line, step_px=max(1.0, len(line) / SAMPLES)) for line in lines_px)
    ends = tuple(
        np.concatenate([line[[0, -1]], marks]) for line, marks in zip(lines_px, landmarks_px, strict=True)
    )
    shift = _better_shift(views, (ends[0], ends[1]), np.zeros(3), shift_sd_mm)
    pairs = np.zeros((0, 2), dtype=np.intp)
    for _ in range(_ROUNDS):
        moved = views[1].shifted(shift)
        pairs = _monotone_way(_distances(views[0], moved, a, b))
        same = (np.concatenate([a[pairs[:, 0]], ends[0]]), np.concatenate([b[pairs[:, 1]], ends[1]]))
        shift = _better_shift(views, same, shift, shift_sd_mm)
    moved = views[1].shifted(shift)
    # One place of the second line for each of the first, so that the curve does not hesitate.
    at = np.unique(pairs[:, 0])
    other = np.stack([b[pairs[pairs[:, 0] == i, 1]].mean(axis=0) for i in at])
    points, _ = triangulated((views[0], moved), (a[at], other))
    away = np.einsum("ij,ij->i", epipolar_lines(views[0], moved, a[at])[:, :2], other)
    away = away + epipolar_lines(views[0], moved, a[at])[:, 2]
    return Matched(points, shift, float(np.sqrt(np.mean(away**2))))


def _distances(a: View, b: View, line_a_px: FloatArray, line_b_px: FloatArray) -> FloatArray:
    lines = epipolar_lines(a, b, line_a_px)
    return np.asarray(lines[:, :2] @ line_b_px.T + lines[:, 2:])


def _better_shift(
    views: tuple[View, View], same_px: tuple[FloatArray, FloatArray], shift_mm: FloatArray, sd_mm: float
) -> FloatArray:
    """Return the shift that brings matched places nearest to their epipolar lines, held near none by its prior."""
    error_px = 1.5
    shift = shift_mm.copy()
    for _ in range(2):
        away, slope = _epipolar_slope(views, same_px, shift)
        # Matched places of one vessel repeat each other: together they count as twenty.
        count = min(1.0, 20.0 / len(away))
        trust = count / (error_px**2 * (1.0 + (away / (4.0 * error_px)) ** 2))
        matrix = (slope * trust[:, None]).T @ slope + np.eye(3) / sd_mm**2
        shift = shift + np.linalg.solve(matrix, -(slope * trust[:, None]).T @ away - shift / sd_mm**2)
    return shift


def _epipolar_slope(
    views: tuple[View, View], same_px: tuple[FloatArray, FloatArray], shift_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    def away(shift: FloatArray) -> FloatArray:
        lines = epipolar_lines(views[0], views[1].shifted(shift), same_px[0])
        return np.asarray((lines[:, :2] * same_px[1]).sum(axis=1) + lines[:, 2])

    here = away(shift_mm)
    columns = [(away(shift_mm + _STEPS_MM * e) - here) / _STEPS_MM for e in np.eye(3)]
    return here, np.stack(columns, axis=1)


def _monotone_way(distance_px: FloatArray) -> NDArray[np.intp]:
    """Return pairs of places (k, 2) from both starts to both ends, neither ever going back, at least squares."""
    n, m = distance_px.shape
    cost = np.minimum(distance_px**2, 400.0) + 0.02
    total = np.full((n, m), np.inf)
    # Row by row along anti-diagonals: each needs only the two before it.
    total[0, 0] = cost[0, 0]
    for diagonal in range(1, n + m - 1):
        i = np.arange(max(0, diagonal - m + 1), min(n, diagonal + 1))
        j = diagonal - i
        up = np.where(i > 0, total[i - 1, j], np.inf)
        left = np.where(j > 0, total[i, j - 1], np.inf)
        corner = np.where((i > 0) & (j > 0), total[i - 1, j - 1], np.inf)
        total[i, j] = np.minimum(np.minimum(up, left) + cost[i, j], corner + 1.4 * cost[i, j])
    way = [(n - 1, m - 1)]
    while way[-1] != (0, 0):
        i, j = way[-1]
        options = [
            (total[i - 1, j - 1] + 0.4 * cost[i, j] if i and j else np.inf, (i - 1, j - 1)),
            (total[i - 1, j] if i else np.inf, (i - 1, j)),
            (total[i, j - 1] if j else np.inf, (i, j - 1)),
        ]
        way.append(min(options)[1])
    return np.array(way[::-1], dtype=np.intp)
