"""The curve in space that projects best onto two centrelines, together with what the tags got wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.spatial import cKDTree

from backstay.core.imaging.projection import View
from backstay.core.imaging.tracing import even_px

FloatArray = NDArray[np.float64]

CONTROL_SPACING_MM = 4.5
SAMPLES = 160
FEW_SAMPLES = 40
"""Samples of a centreline a fraction of a mm apart share their error: about one in four stands alone."""
HOPELESS_GAIN = 0.1
"""A fit far from any use that gains less than this in a round is given up."""
LINE_SD_PX = 0.4
END_SD_PX = 1.5
LANDMARK_SD_PX = 2.0
SOFT_AT = 0.35
"""Distances of more than so many of LINE_SD_PX weigh less."""
_ANGLE_STEP_RAD = 1e-5
_ROUNDS = 40


@dataclass(frozen=True)
class TagErrors:
    """How far the tags may be off: one standard deviation each; judgement, no source.

    Attributes
    ----------
    shift_mm : float
        Movement of the table and patient between the views, per axis.
    angle_rad : float
        Each angle of each view.
    distance_share : float
        Source-to-isocentre distance against its tag; it scales all lengths.
    """

    shift_mm: float = 8.0
    angle_rad: float = 0.0087
    distance_share: float = 0.005


@dataclass(frozen=True, eq=False)
class Curve:
    """The fitted curve.

    Attributes
    ----------
    spline : BSpline
        From parameter 0 to 1 to points [mm].
    control_mm : ndarray, shape (n, 3)
        Its control points.
    views : tuple of View
        With shift and angles corrected.
    shift_mm : ndarray, shape (3,)
        Movement found between the views.
    angles_rad : ndarray, shape (4,)
        Corrections of primary and secondary angle, first and second view.
    landmarks_at : ndarray, shape (k,)
        Parameters of the landmarks.
    residuals_px : tuple of ndarray
        Distance of the samples from each centreline.
    covariance : ndarray, shape (m, m)
        Of control points (flattened), shift, angles, landmarks.
    """

    spline: BSpline
    control_mm: FloatArray
    views: tuple[View, View]
    shift_mm: FloatArray
    angles_rad: FloatArray
    landmarks_at: FloatArray
    residuals_px: tuple[FloatArray, FloatArray]
    covariance: FloatArray

    @property
    def residual_px(self) -> float:
        """Return the root mean square distance over both views."""
        return float(np.sqrt(np.mean(np.concatenate(self.residuals_px) ** 2)))


def knots_for(count: int) -> FloatArray:
    """Return clamped, even knots of a cubic spline over 0 to 1.

    Parameters
    ----------
    count : int
        Number of control points, 4 or more.

    Returns
    -------
    ndarray, shape (count + 4,)
        Knots.
    """
    return np.concatenate([np.zeros(3), np.linspace(0.0, 1.0, count - 2), np.ones(3)])


def fitted_curve(
    views: tuple[View, View],
    lines_px: tuple[FloatArray, FloatArray],
    landmarks_px: tuple[FloatArray, FloatArray],
    *,
    start_mm: FloatArray,
    shift_mm: FloatArray,
    errors: TagErrors,
) -> Curve:
    """Return the curve whose projections lie nearest to both centrelines.

    Parameters
    ----------
    views : tuple of View
        As tagged.
    lines_px : tuple of ndarray, shape (n, 2)
        Centrelines [px].
    landmarks_px : tuple of ndarray, shape (k, 2)
        Branch points in both views [px].
    start_mm : ndarray, shape (m, 3)
        A first curve [mm].
    shift_mm : ndarray, shape (3,)
        A first shift of the second view [mm].
    errors : TagErrors
        How far tags may be off.

    Returns
    -------
    Curve
        Curve, corrections, misfit and covariance.

    Notes
    -----
    Damped least squares with analytic slopes over the control points of a cubic spline, the shift, four angles and
    the landmarks' places. Residuals: distance of 160 samples from the centrelines / 0.4 px, ends and landmarks,
    tags against their errors, and two gentle habits: third differences of the control points, and even spacing.
    Large residuals weigh less (soft L1).
    """
    problem = _Bundle(views, lines_px, landmarks_px, start_mm, errors)
    unknown, right, slopes, _ = _settled(problem, problem.start(start_mm, shift_mm), np.inf)
    return problem.curve(unknown, right, slopes)


def misfit(
    views: tuple[View, View],
    lines_px: tuple[FloatArray, FloatArray],
    landmarks_px: tuple[FloatArray, FloatArray],
    *,
    start_mm: FloatArray,
    shift_mm: FloatArray,
    errors: TagErrors,
    hopeless: float,
) -> tuple[float, FloatArray]:
    """Return what is left of all residuals' squares by a fit to samples that stand alone, and the curve's points.

    Parameters
    ----------
    views : tuple of View
        As tagged.
    lines_px, landmarks_px : tuple of ndarray
        As for `fitted_curve` [px].
    start_mm, shift_mm : ndarray
        As for `fitted_curve` [mm].
    errors : TagErrors
        How far tags may be off.
    hopeless : float
        A fit that has settled above it is not finished.

    Returns
    -------
    misfit : float
        Sum of squares over one standard deviation each, distances from the centrelines by soft L1.
    points_mm : ndarray, shape (FEW_SAMPLES, 3)
        The curve, evenly by its parameter.
    """
    problem = _Bundle(views, lines_px, landmarks_px, start_mm, errors, samples=FEW_SAMPLES)
    unknown, _, _, cost = _settled(problem, problem.start(start_mm, shift_mm), hopeless)
    return cost, problem.basis @ problem.split(unknown)[0]


def _settled(
    problem: _Bundle, unknown: FloatArray, hopeless: float
) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """Return the unknowns of least cost, residuals, slopes and cost; not finished where it stays above `hopeless`."""
    damping = 1e-3
    right, slopes = problem.residuals(unknown)
    cost = problem.cost(right)
    for _ in range(_ROUNDS):
        weight = problem.trust(right)
        weighted = slopes * weight[:, None]
        matrix = weighted.T @ slopes
        gradient = weighted.T @ right
        step = np.linalg.solve(matrix + damping * np.diag(np.diag(matrix) + 1e-9), -gradient)
        new_right, new_slopes = problem.residuals(unknown + step)
        new_cost = problem.cost(new_right)
        if new_cost < cost:
            gain = (cost - new_cost) / cost
            done = gain < 1e-4 or (new_cost > hopeless and gain < HOPELESS_GAIN)
            unknown, right, slopes, cost = unknown + step, new_right, new_slopes, new_cost
            damping = max(damping * 0.25, 1e-9)
            if done:
                break
        else:
            damping *= 6.0
            if damping > 1e8:
                break
    return unknown, right, slopes, cost


class _Bundle:
    """Residuals and slopes. Unknowns: control points, shift, four angles, landmark parameters."""

    def __init__(
        self,
        views: tuple[View, View],
        lines_px: tuple[FloatArray, FloatArray],
        landmarks_px: tuple[FloatArray, FloatArray],
        start_mm: FloatArray,
        errors: TagErrors,
        *,
        samples: int = SAMPLES,
    ) -> None:
        self.views, self.errors, self.marks = views, errors, landmarks_px
        self.lines = tuple(even_px(line, step_px=0.5) for line in lines_px)
        self.trees = tuple(cKDTree(line) for line in self.lines)
        length = float(np.linalg.norm(np.diff(start_mm, axis=0), axis=1).sum())
        self.count = int(np.clip(round(length / CONTROL_SPACING_MM), 6, 60))
        self.knots = knots_for(self.count)
        self.samples = samples
        u = np.linspace(0.0, 1.0, samples)
        self.u = u
        self.basis = BSpline.design_matrix(u, self.knots, 3).toarray()
        self.parts = (3 * self.count, 3, 4, len(landmarks_px[0]))
        self.third = np.diff(np.eye(self.count), 3, axis=0)

    def start(self, start_mm: FloatArray, shift_mm: FloatArray) -> FloatArray:
        s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(start_mm, axis=0), axis=1))])
        at = s / s[-1]
        basis = BSpline.design_matrix(np.clip(at, 0.0, 1.0), self.knots, 3).toarray()
        third = np.diff(np.eye(self.count), 3, axis=0)
        matrix = basis.T @ basis + 0.02 * len(at) / self.count * third.T @ third + 1e-6 * np.eye(self.count)
        control = np.linalg.solve(matrix, basis.T @ start_mm)
        curve = self.basis @ control
        places = []
        for mark_a, mark_b in zip(*self.marks, strict=True):
            away = sum(
                np.linalg.norm(view.project(curve) - mark, axis=1)
                for view, mark in zip(
                    (self.views[0], self.views[1].shifted(shift_mm)), (mark_a, mark_b), strict=True
                )
            )
            places.append(self.u[int(np.argmin(away))])
        return np.concatenate([control.ravel(), shift_mm, np.zeros(4), places])

    def split(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        cuts = np.cumsum(self.parts)
        control, shift, angles, marks = np.split(unknown, cuts[:-1])
        return control.reshape(-1, 3), shift, angles, marks

    def corrected(self, shift_mm: FloatArray, angles_rad: FloatArray) -> tuple[View, View]:
        first = self.views[0].turned(primary_rad=angles_rad[0], secondary_rad=angles_rad[1])
        second = self.views[1].turned(primary_rad=angles_rad[2], secondary_rad=angles_rad[3])
        return first, second.shifted(shift_mm)

    def residuals(self, unknown: FloatArray) -> tuple[FloatArray, FloatArray]:
        control, shift, angles, marks = self.split(unknown)
        views = self.corrected(shift, angles)
        curve = self.basis @ control
        rights, slopes = [], []
        self.line_rows = 2 * self.samples
        mark_basis = self._basis_at(marks)
        mark_points, mark_slopes = mark_basis @ control, self._derivative(marks, control)
        ends = []
        for k, view in enumerate(views):
            right, slope = self._line_rows(k, view, curve, angles, shift)
            rights.append(right)
            slopes.append(slope)
            ends.append(self._end_rows(k, view, curve, angles, shift))
            if len(marks):
                ends.append(self._mark_rows(k, view, mark_points, mark_basis, mark_slopes, angles, shift))
        ends += [self._prior_rows(shift, angles), self._habit_rows(control, curve)]
        return (
            np.concatenate([*rights, *(e[0] for e in ends)]),
            np.concatenate([*slopes, *(e[1] for e in ends)]),
        )

    def _basis_at(self, at: FloatArray) -> FloatArray:
        if len(at) == 0:
            # The library takes no empty list of places.
            return np.zeros((0, self.count))
        return np.asarray(BSpline.design_matrix(np.clip(at, 0.0, 1.0), self.knots, 3).toarray())

    def _derivative(self, at: FloatArray, control: FloatArray) -> FloatArray:
        return np.asarray(BSpline(self.knots, control, 3).derivative()(np.clip(at, 0.0, 1.0)))

    def _pixel_slopes(
        self, k: int, view: View, points: FloatArray, basis: FloatArray, angles: FloatArray, shift: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return pixels (n, 2) and their slopes (n, 2, unknowns)."""
        at, slope = view.project_with_slope(points)
        total = np.zeros((len(points), 2, sum(self.parts)))
        n = self.parts[0]
        total[..., :n] = (slope[:, :, None, :] * basis[:, None, :, None]).reshape(len(points), 2, n)
        if k == 1:
            # Moving the patient by t is moving the point by t.
            total[..., n : n + 3] = slope
        for j in (0, 1):
            nudged = np.zeros(4)
            nudged[2 * k + j] = _ANGLE_STEP_RAD
            turned = self.corrected(shift, angles + nudged)[k]
            total[..., n + 3 + 2 * k + j] = (turned.project(points) - at) / _ANGLE_STEP_RAD
        return at, total

    def _line_rows(
        self, k: int, view: View, curve: FloatArray, angles: FloatArray, shift: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        at, slope = self._pixel_slopes(k, view, curve, self.basis, angles, shift)
        line = self.lines[k]
        _, nearest = self.trees[k].query(at)
        before, after = line[np.maximum(nearest - 1, 0)], line[np.minimum(nearest + 1, len(line) - 1)]
        along = after - before
        along /= np.linalg.norm(along, axis=1, keepdims=True)
        normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
        right = ((at - line[nearest]) * normal).sum(axis=1) / LINE_SD_PX
        return right, np.einsum("nk,nkj->nj", normal, slope) / LINE_SD_PX

    def _end_rows(
        self, k: int, view: View, curve: FloatArray, angles: FloatArray, shift: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        rows = [0, self.samples - 1]
        at, slope = self._pixel_slopes(k, view, curve[rows], self.basis[rows], angles, shift)
        right = (at - self.lines[k][[0, -1]]).ravel() / END_SD_PX
        return right, slope.reshape(4, -1) / END_SD_PX

    def _mark_rows(
        self,
        k: int,
        view: View,
        points: FloatArray,
        basis: FloatArray,
        derivative: FloatArray,
        angles: FloatArray,
        shift: FloatArray,
    ) -> tuple[FloatArray, FloatArray]:
        at, slope = self._pixel_slopes(k, view, points, basis, angles, shift)
        first = sum(self.parts[:3])
        by_point = view.project_with_slope(points)[1]
        for j in range(len(points)):
            slope[j, :, first + j] = by_point[j] @ derivative[j]
        right = (at - self.marks[k]).ravel() / LANDMARK_SD_PX
        return right, slope.reshape(2 * len(points), -1) / LANDMARK_SD_PX

    def _prior_rows(self, shift: FloatArray, angles: FloatArray) -> tuple[FloatArray, FloatArray]:
        slopes = np.zeros((7, sum(self.parts)))
        sd = np.array([self.errors.shift_mm] * 3 + [self.errors.angle_rad] * 4)
        slopes[np.arange(7), self.parts[0] + np.arange(7)] = 1.0 / sd
        return np.concatenate([shift, angles]) / sd, slopes

    def _habit_rows(self, control: FloatArray, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Third differences about BEND_HABIT_MM, and chords of one length to a quarter."""
        n = self.parts[0]
        spacing = max(float(np.linalg.norm(np.diff(control, axis=0), axis=1).mean()), 1e-6)
        weight = 1.0 / (BEND_HABIT_MM * (spacing / CONTROL_SPACING_MM) ** 3)
        third = np.zeros((3 * len(self.third), sum(self.parts)))
        third[:, :n] = np.kron(self.third, np.eye(3)) * weight
        chords = np.diff(curve, axis=0)
        length = np.linalg.norm(chords, axis=1)
        unit = chords / np.maximum(length, 1e-9)[:, None]
        step = np.diff(self.basis, axis=0)
        each = (step[:, :, None] * unit[:, None, :]).reshape(len(chords), n)
        scale = 1.0 / (0.25 * length.mean())
        even = np.zeros((len(chords), sum(self.parts)))
        even[:, :n] = (each - each.mean(axis=0)) * scale
        right = np.concatenate([third[:, :n] @ control.ravel(), (length - length.mean()) * scale])
        return right, np.concatenate([third, even])

    def trust(self, right: FloatArray) -> FloatArray:
        """Return the weights of soft L1: only the distances from the centrelines are softened."""
        weight = np.ones(len(right))
        lines = right[: self.line_rows]
        weight[: self.line_rows] = 1.0 / np.sqrt(1.0 + (lines / SOFT_AT) ** 2)
        return weight

    def cost(self, right: FloatArray) -> float:
        lines, rest = right[: self.line_rows], right[self.line_rows :]
        return float(
            (2.0 * SOFT_AT**2 * (np.sqrt(1.0 + (lines / SOFT_AT) ** 2) - 1.0)).sum() + (rest**2).sum()
        )

    def curve(self, unknown: FloatArray, right: FloatArray, slopes: FloatArray) -> Curve:
        control, shift, angles, marks = self.split(unknown)
        weight = self.trust(right)
        weight[: self.line_rows] *= FEW_SAMPLES / SAMPLES
        matrix = (slopes * weight[:, None]).T @ slopes
        covariance = np.asarray(np.linalg.pinv(matrix, hermitian=True), dtype=np.float64)
        lines = right[: self.line_rows] * LINE_SD_PX
        return Curve(
            BSpline(self.knots, control, 3),
            control,
            self.corrected(shift, angles),
            shift,
            angles,
            np.clip(marks, 0.0, 1.0),
            (lines[: self.samples], lines[self.samples :]),
            covariance,
        )


BEND_HABIT_MM = 3.0
"""One standard deviation of the control points' third differences, at their usual spacing. Chosen on vessels of the
phantom, other ones than the study's: at half of it small bends are straightened and lengths come out 0.1 % short."""
