"""How a point in the patient falls on an image, by the angles and distances an angiogram carries.

Patient axes, from the isocentre: x to the patient's left, y to the back, z to the head. Positions on an image are
(row, column) in pixels; a whole number is the centre of a pixel. `at_px` names such positions throughout.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from backstay.errors import InputError

FloatArray = NDArray[np.float64]

CONVENTION = "C.8.7.5.1.2 and C.8.19.6.13; x left, y back, z head"
"""Clauses of the standard the signs follow [@dicomps33]; written into every measurement."""


def _zero3() -> FloatArray:
    return np.zeros(3)


@dataclass(frozen=True, eq=False)
class View:
    """One position of the C-arm and the image it made.

    Attributes
    ----------
    primary_rad : float
        Positive towards the patient's left (LAO), negative right (RAO) [@dicomps33, C.8.7.5.1.2].
    secondary_rad : float
        Positive cranial, negative caudal.
    sid_mm, sod_mm : float
        Source to image receptor, source to isocentre.
    row_mm, column_mm : float
        Distance of neighbouring rows and of neighbouring columns at the receptor.
    rows, columns : int
        Size of the image.
    shift_mm : ndarray, shape (3,)
        How far the patient has moved against the isocentre in this view (table).
    quarter_turns : int
        Clockwise quarter turns of the stored image against the receptor.
    mirrored : bool
        Whether the stored image was flipped left to right after turning.
    """

    primary_rad: float
    secondary_rad: float
    sid_mm: float
    sod_mm: float
    row_mm: float
    column_mm: float
    rows: int
    columns: int
    shift_mm: FloatArray = field(default_factory=_zero3)
    quarter_turns: int = 0
    mirrored: bool = False

    @property
    def centre_px(self) -> FloatArray:
        """Return where the central ray falls (row, column): the middle of the image."""
        return np.array([0.5 * (self.rows - 1), 0.5 * (self.columns - 1)])

    @property
    def axes(self) -> FloatArray:
        """Return the rows (right, down, towards receptor) of the receptor's frame in patient axes.

        Notes
        -----
        d = (cos b sin a, -cos b cos a, sin b) from isocentre to receptor; u = (cos a, sin a, 0);
        v = (sin b sin a, -sin b cos a, -cos b) = d x u.
        """
        return np.asarray(receptor_axes(self.primary_rad, self.secondary_rad))

    @property
    def towards_receptor(self) -> FloatArray:
        """Return the unit vector from isocentre to receptor."""
        return np.asarray(self.axes[2])

    @property
    def source_mm(self) -> FloatArray:
        """Return the focal spot in the patient's axes, the table's shift included."""
        return np.asarray(-self.sod_mm * self.axes[2] - self.shift_mm)

    @property
    def isocentre_mm_per_px(self) -> float:
        """Return how many mm in the plane of the isocentre one pixel spans (geometric mean of both ways)."""
        return float(np.sqrt(self.row_mm * self.column_mm)) * self.sod_mm / self.sid_mm

    def _to_stored(self) -> FloatArray:
        """Return the matrix from (down, right) at the receptor to (row, column) of the stored image."""
        turn = np.linalg.matrix_power(np.array([[0.0, 1.0], [-1.0, 0.0]]), self.quarter_turns % 4)
        return np.asarray(np.diag([1.0, -1.0 if self.mirrored else 1.0]) @ turn)

    def depth_mm(self, points_mm: ArrayLike) -> FloatArray:
        """Return the distance of points from the source along the central ray [mm]."""
        return np.asarray((np.asarray(points_mm, dtype=np.float64) - self.source_mm) @ self.axes[2])

    def project(self, points_mm: ArrayLike) -> FloatArray:
        """Return where points fall on the image, (..., 2) row and column [px].

        Parameters
        ----------
        points_mm : array_like, shape (..., 3)
            Points in patient axes [mm], in front of the source.
        """
        q = (np.asarray(points_mm, dtype=np.float64) - self.source_mm) @ self.axes.T
        down_right_mm = (self.sid_mm / q[..., 2:]) * q[..., 1::-1]
        return np.asarray(
            self.centre_px + (down_right_mm @ self._to_stored().T) / [self.row_mm, self.column_mm]
        )

    def project_with_slope(self, points_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return where points fall (n, 2) [px] and how that moves with them (n, 2, 3) [px/mm]."""
        axes = self.axes
        q = (points_mm - self.source_mm) @ axes.T
        scale = self.sid_mm / q[:, 2]
        down_right = scale[:, None] * q[:, 1::-1]
        slope = scale[:, None, None] * axes[1::-1] - (down_right / q[:, 2:])[:, :, None] * axes[2]
        to_px = self._to_stored() / np.array([[self.row_mm], [self.column_mm]])
        return self.centre_px + down_right @ to_px.T, np.einsum("ij,njk->nik", to_px, slope)

    def rays(self, at_px: ArrayLike) -> FloatArray:
        """Return the unit vectors (..., 3) from the source through places on the image.

        Parameters
        ----------
        at_px : array_like, shape (..., 2)
            Row and column [px].
        """
        offset_mm = (np.asarray(at_px, dtype=np.float64) - self.centre_px) * [self.row_mm, self.column_mm]
        down_right = offset_mm @ self._to_stored()
        along = np.concatenate(
            [down_right[..., ::-1], np.full((*down_right.shape[:-1], 1), self.sid_mm)], axis=-1
        )
        directions = along @ self.axes
        return np.asarray(directions / np.linalg.norm(directions, axis=-1, keepdims=True))

    def mm_per_px(self, points_mm: ArrayLike) -> FloatArray:
        """Return how many mm at each point one pixel spans."""
        pixel_mm = float(np.sqrt(self.row_mm * self.column_mm))
        return np.asarray(pixel_mm * self.depth_mm(points_mm) / self.sid_mm)

    def shifted(self, by_mm: ArrayLike) -> View:
        """Return the view with the patient moved by so much more [mm]."""
        return replace(self, shift_mm=self.shift_mm + np.asarray(by_mm, dtype=np.float64))

    def turned(self, *, primary_rad: float, secondary_rad: float) -> View:
        """Return the view with its angles changed by so much."""
        return replace(
            self, primary_rad=self.primary_rad + primary_rad, secondary_rad=self.secondary_rad + secondary_rad
        )


def receptor_axes(primary_rad: float, secondary_rad: float) -> FloatArray:
    """Return the receptor's frame: rows are right on the image, down on the image, and away from the source.

    Parameters
    ----------
    primary_rad, secondary_rad : float
        Angles of the receptor, LAO and cranial positive [rad].

    Returns
    -------
    ndarray, shape (3, 3)
        Orthonormal rows in patient axes.

    Examples
    --------
    With both angles 0 the patient's left is on the right of the image, the head is up, the receptor in front.

    >>> [[float(x) for x in row] for row in receptor_axes(0.0, 0.0) + 0.0]
    [[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, -1.0, 0.0]]

    References
    ----------
    [@dicomps33, C.8.7.5.1.2]
    """
    ca, sa, cb, sb = np.cos(primary_rad), np.sin(primary_rad), np.cos(secondary_rad), np.sin(secondary_rad)
    return np.array([[ca, sa, 0.0], [sb * sa, -sb * ca, -cb], [cb * sa, -cb * ca, sb]])


def separation_rad(a: View, b: View) -> float:
    """Return the angle between the central rays of two views.

    Parameters
    ----------
    a, b : View
        The views.

    Returns
    -------
    float
        Angle [rad], 0 to pi.
    """
    return float(np.arccos(np.clip(a.towards_receptor @ b.towards_receptor, -1.0, 1.0)))


def beam_angle_rad(primary_rad: float, secondary_rad: float) -> float:
    """Return the angle between the central ray and the table's normal.

    Parameters
    ----------
    primary_rad, secondary_rad : float
        Angles of the receptor [rad].

    Returns
    -------
    float
        arccos(|cos P| |cos S|) [rad], supine or prone.

    References
    ----------
    [@dicomps317, FFF.1.3]

    Examples
    --------
    >>> round(np.rad2deg(beam_angle_rad(np.deg2rad(30), np.deg2rad(20))).item(), 3)
    35.531
    """
    return float(np.arccos(abs(np.cos(primary_rad)) * abs(np.cos(secondary_rad))))


def epipolar_lines(a: View, b: View, at_px: FloatArray) -> FloatArray:
    """Return the lines in view `b` on which what view `a` shows at `at_px` must lie.

    Parameters
    ----------
    a, b : View
        The views.
    at_px : ndarray, shape (n, 2)
        Row and column in view `a` [px].

    Returns
    -------
    ndarray, shape (n, 3)
        (nr, nc, k) with nr row + nc column + k = 0 and nr^2 + nc^2 = 1, so that the left side is the signed
        distance in px. NaN where the ray passes through the other source.
    """
    near = b.project(a.source_mm + (a.sod_mm - 60.0) * a.rays(at_px))
    far = b.project(a.source_mm + (a.sod_mm + 60.0) * a.rays(at_px))
    along = far - near
    size = np.linalg.norm(along, axis=-1, keepdims=True)
    with np.errstate(invalid="ignore"):
        normal = np.where(size > 0.0, along[..., ::-1] * [1.0, -1.0] / size, np.nan)
    return np.concatenate([normal, -(normal * near).sum(axis=-1, keepdims=True)], axis=-1)


def triangulated(views: tuple[View, ...], at_px: tuple[FloatArray, ...]) -> tuple[FloatArray, FloatArray]:
    """Return the points nearest to all rays, and how far the rays miss them.

    Parameters
    ----------
    views : tuple of View
        Two or more.
    at_px : tuple of ndarray, shape (n, 2)
        The same points in each view [px].

    Returns
    -------
    points_mm : ndarray, shape (n, 3)
        Least-squares points [mm].
    miss_mm : ndarray, shape (n,)
        Root mean square distance of the rays from the point [mm].

    Raises
    ------
    InputError
        Fewer than two views, or rays that are parallel.
    """
    if len(views) < 2:
        raise InputError(
            "a point in space needs two views", field="views", value=len(views), allowed="2 or more"
        )
    total, right = np.zeros((1, 3, 3)), np.zeros((1, 3))
    planes = []
    for view, places in zip(views, at_px, strict=True):
        ray = view.rays(places)
        across = np.eye(3) - ray[:, :, None] * ray[:, None, :]
        planes.append((across, view.source_mm))
        total = total + across
        right = right + across @ view.source_mm
    if np.linalg.cond(total).max() > 1e12:
        raise InputError("the rays are parallel", field="views", allowed="views at different angles")
    points = np.asarray(np.linalg.solve(total, right[:, :, None])[:, :, 0], dtype=np.float64)
    misses = [np.einsum("nij,nj->ni", across, points - source) for across, source in planes]
    miss = np.sqrt(np.mean([(m**2).sum(axis=1) for m in misses], axis=0))
    return points, miss
