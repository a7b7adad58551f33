"""Which places of two centrelines are the same place of the vessel, and how far the table moved between the views."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.projection import View, epipolar_lines, triangulated
from backstay.core.imaging.tracing import even_px
from backstay.core.mechanics.compiled import compiled

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
    samples: int = SAMPLES,
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
    samples : int
        Places of a line at most.

    Returns
    -------
    Matched
        Points, shift and misfit.

    Notes
    -----
    The shift starts from the ends and landmarks by ridge least squares on the epipolar distance; then matching by
    the cheapest monotone way through the table of epipolar distances and the shift take turns.
    """
    a, b = (even_px(line, step_px=max(1.0, len(line) / samples)) for line in lines_px)
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


@compiled
def _monotone_way(distance_px: FloatArray) -> NDArray[np.intp]:
    """Return pairs of places (k, 2) from both starts to both ends, neither ever going back, at least squares."""
    n, m = distance_px.shape
    cost = np.minimum(distance_px**2, 400.0) + 0.02
    total = np.full((n + 1, m + 1), np.inf)
    total[1, 1] = cost[0, 0]
    for i in range(n):
        for j in range(m):
            if i or j:
                step = min(total[i, j + 1], total[i + 1, j])
                total[i + 1, j + 1] = min(step + cost[i, j], total[i, j] + 1.4 * cost[i, j])
    way = np.empty((n + m - 1, 2), dtype=np.intp)
    i, j, count = n - 1, m - 1, 1
    way[0] = i, j
    while i or j:
        corner, up, left = total[i, j] + 0.4 * cost[i, j], total[i, j + 1], total[i + 1, j]
        if corner <= up and corner <= left:
            i, j = i - 1, j - 1
        elif up <= left:
            i -= 1
        else:
            j -= 1
        way[count] = i, j
        count += 1
    return way[:count][::-1].copy()
