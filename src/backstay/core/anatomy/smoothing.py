"""From a file's noisy, uneven centreline to an even path, without inventing or losing bends.

A sharp vertex (a branch point, where the path leaves one vessel for another) is no noise: the path is split
there, each side is smoothed on its own, and an arc joins them, its bend radius not much above the lumen's radius.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator
from scipy.spatial import cKDTree

from backstay.core.anatomy.path import LumenPath
from backstay.core.anatomy.spline import smooth_curve
from backstay.errors import InputError

FloatArray = NDArray[np.float64]

SHARP_TURN_RAD = np.deg2rad(60.0)
SHARP_OVER_NOISE = 4.0
ARC_RADII = 1.7
DOUBLES_BACK_RAD = np.deg2rad(150.0)
WIDER_THAN_MEASURED = 1.05
_DENSE_MM = 0.5
_STEP_MM = 0.02
_NEIGHBOURS = 10


@dataclass(frozen=True)
class KeptTurn:
    """A sharp vertex kept as a turn.

    Attributes
    ----------
    at_mm : float
        Middle of the turn on the path.
    turn_rad : float
        How far the path turns there.
    over_mm : float
        Length of the arc it is spread over.
    """

    at_mm: float
    turn_rad: float
    over_mm: float


@dataclass(frozen=True)
class SmoothingReport:
    """What smoothing did.

    Attributes
    ----------
    bend_before_rad : float
        Sum of the turns of the raw polyline, noise included.
    bend_after_rad : float
        Total bend of the path.
    kept_turns : tuple of KeptTurn
        Sharp vertices kept as turns.
    largest_shift_mm : float
        Largest distance of a point given from the path.
    noise_mm : float
        Noise found in one coordinate, one standard deviation; NaN where there are too few points to tell.
    left_over_mm : float
        Length dropped at the far end, less than one spacing.
    """

    bend_before_rad: float
    bend_after_rad: float
    kept_turns: tuple[KeptTurn, ...]
    largest_shift_mm: float
    noise_mm: float
    left_over_mm: float


@dataclass(frozen=True)
class Smoothed:
    """A path and how it came from the points given.

    Attributes
    ----------
    path : LumenPath
        The even path.
    report : SmoothingReport
        What smoothing did.
    warnings : tuple of str
        What the reader of the points wants to say about them.
    """

    path: LumenPath
    report: SmoothingReport
    warnings: tuple[str, ...] = ()


def smooth_path(
    points_mm: FloatArray, radius_mm: ArrayLike, *, radius_sd_mm: ArrayLike, spacing_mm: float = 1.0
) -> Smoothed:
    """Return an even path along noisy, unevenly spaced points.

    Parameters
    ----------
    points_mm : ndarray, shape (n, 3)
        Centreline points in order from the ostium [mm]; at least four.
    radius_mm, radius_sd_mm : array_like, shape (n,) or scalar
        Lumen radius at the points [mm] and one standard deviation of its error [mm].
    spacing_mm : float
        Spacing of the path's nodes [mm].

    Returns
    -------
    Smoothed
        Path and report.

    Raises
    ------
    InputError
        Too few points, values that are not finite, points that fall together, a path shorter than four
        spacings, or one that doubles back (a turn beyond 150 degrees at one point).

    Notes
    -----
    Points nearer to each other than 0.5 mm are first averaged in pairs until they are not. The curve is that
    of `smooth_curve`. A vertex is sharp where the direction over one lumen radius before and after it differs
    by more than 60 degrees and by more than four times the median of its ten neighbours on either side; its
    arc has a bend radius of 1.7 lumen radii there, and is two spacings long where that is more. Tighter, and a
    lumen folds over itself: a wire that straightens a soft vessel then crosses the bend's own centre.

    Lumen radius: averaged with its neighbours (Gaussian weights, one standard deviation 0.75 of the usual
    distance between points) and carried to the nodes without overshoot. A narrowing is not filled in: at
    every point the node nearest to it is at most 5 % wider than measured there. It may be narrower.
    """
    raw = _checked(points_mm, radius_mm, radius_sd_mm)
    rows = _averaged(raw)
    corners = _sharp_vertices(rows)
    curve, turns, noise_mm = _whole_curve(rows, corners, spacing_mm)
    length = float(curve.s_mm[-1])
    count = int(length / spacing_mm + 1e-9)
    if count < 4:
        raise InputError(
            "the path is too short for its spacing",
            field="points_mm",
            value=round(length, 3),
            allowed=f"{4 * spacing_mm:g} mm or more along the path",
        )
    s = np.arange(count + 1, dtype=np.float64) * spacing_mm
    at_rows = np.interp(rows.place, curve.row, curve.s_mm)
    path = LumenPath.through(
        curve.at_mm(s),
        _even_radius_mm(at_rows, rows.radius_mm, s),
        radius_sd_mm=np.interp(s, at_rows, rows.radius_sd_mm),
        spacing_mm=spacing_mm,
    )
    shift, _ = cKDTree(curve.points_mm).query(raw.points_mm)
    report = SmoothingReport(
        bend_before_rad=float(_turns_rad(np.diff(raw.points_mm, axis=0)).sum()),
        bend_after_rad=path.total_bend_rad,
        kept_turns=turns,
        largest_shift_mm=float(np.max(shift)),
        noise_mm=noise_mm,
        left_over_mm=max(length - path.length_mm, 0.0),
    )
    return Smoothed(path, report)


@dataclass(frozen=True)
class _Rows:
    """Points with radius and error; `place` is the (averaged) row number."""

    points_mm: FloatArray
    radius_mm: FloatArray
    radius_sd_mm: FloatArray
    place: FloatArray

    def part(self, start: int, stop: int) -> _Rows:
        cut = slice(start, stop)
        return _Rows(self.points_mm[cut], self.radius_mm[cut], self.radius_sd_mm[cut], self.place[cut])

    def along_mm(self) -> FloatArray:
        return _along_mm(self.points_mm)


@dataclass(frozen=True)
class _Curve:
    """A finely sampled curve: its points, the row number that belongs to each, and the distance along it."""

    points_mm: FloatArray
    row: FloatArray

    @property
    def s_mm(self) -> FloatArray:
        return _along_mm(self.points_mm)

    def at_mm(self, s_mm: FloatArray) -> FloatArray:
        along = self.s_mm
        return np.stack([np.interp(s_mm, along, x) for x in self.points_mm.T], axis=1)


def _along_mm(points_mm: FloatArray) -> FloatArray:
    steps = np.linalg.norm(np.diff(points_mm, axis=0), axis=1)
    return np.concatenate([[0.0], np.cumsum(steps)])


def _turns_rad(vectors: FloatArray) -> FloatArray:
    """Return the angles between successive vectors [rad], shape (n - 1,)."""
    return _angle_rad(vectors[:-1], vectors[1:])


def _angle_rad(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.arctan2(np.linalg.norm(np.cross(a, b), axis=-1), np.sum(a * b, axis=-1)))


def _checked(points_mm: FloatArray, radius_mm: ArrayLike, radius_sd_mm: ArrayLike) -> _Rows:
    points = np.asarray(points_mm, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 3 or len(points) < 4:
        raise InputError(
            "a centreline needs four points in space",
            field="points_mm",
            value=points.shape,
            allowed="shape (4 or more, 3)",
        )
    radius = np.broadcast_to(np.asarray(radius_mm, dtype=np.float64), points.shape[:1])
    radius_sd = np.broadcast_to(np.asarray(radius_sd_mm, dtype=np.float64), points.shape[:1])
    for field, values in (("points_mm", points), ("radius_mm", radius), ("radius_sd_mm", radius_sd)):
        if not np.isfinite(values).all():
            raise InputError(
                "every value must be a number", field=field, value="nan or inf", allowed="finite"
            )
    if radius.min() <= 0.0:
        raise InputError(
            "the lumen radius must be positive",
            field="radius_mm",
            value=float(radius.min()),
            allowed="above 0 mm",
        )
    if radius_sd.min() < 0.0:
        raise InputError(
            "an error cannot be negative",
            field="radius_sd_mm",
            value=float(radius_sd.min()),
            allowed="0 mm or more",
        )
    if np.linalg.norm(np.diff(points, axis=0), axis=1).min() <= 0.0:
        raise InputError("two successive points fall together", field="points_mm", allowed="distinct points")
    return _Rows(points, radius, radius_sd, np.arange(len(points), dtype=np.float64))


def _averaged(rows: _Rows) -> _Rows:
    """Return rows averaged in pairs until they are usually 0.5 mm apart; first and last stay as they are."""
    while len(rows.points_mm) > 40 and np.median(np.diff(rows.along_mm())) < _DENSE_MM:
        columns = (rows.points_mm, rows.radius_mm, rows.radius_sd_mm, rows.place)
        rows = _Rows(*(_pairs(column) for column in columns))
    return rows


def _pairs(values: FloatArray) -> FloatArray:
    inner = values[1:-1]
    even = len(inner) // 2 * 2
    means = 0.5 * (inner[:even:2] + inner[1:even:2])
    return np.concatenate([values[:1], means, inner[even:], values[-1:]])


def _sharp_vertices(rows: _Rows) -> list[int]:
    """Return the vertices at which the path turns sharply, well above what their neighbours do."""
    along = rows.along_mm()
    step = np.diff(along)
    inner = np.arange(1, len(along) - 1)
    reach = np.maximum(rows.radius_mm[inner], 0.0)
    before = np.maximum(along[inner] - reach, along[0])
    after = np.minimum(along[inner] + reach, along[-1])
    place = _Curve(rows.points_mm, rows.place).at_mm
    turn = _angle_rad(rows.points_mm[inner] - place(before), place(after) - rows.points_mm[inner])
    vertex = _turns_rad(np.diff(rows.points_mm, axis=0))
    found: list[int] = []
    for j in np.argsort(-turn):
        near = np.abs(along[inner] - along[inner[j]]) <= reach[j] + min(step[j], step[j + 1])
        around = slice(max(j - _NEIGHBOURS, 0), j + _NEIGHBOURS + 1)
        others = turn[around][~near[around]]
        usual = float(np.median(others)) if len(others) else 0.0
        if turn[j] <= SHARP_TURN_RAD:
            break
        if turn[j] <= SHARP_OVER_NOISE * usual or any(near[k - 1] for k in found):
            continue
        if max(turn[j], vertex[j]) > DOUBLES_BACK_RAD:
            raise InputError(
                "the path doubles back on itself",
                field="points_mm",
                value=f"{np.rad2deg(turn[j]):.0f} degrees at point {rows.place[inner[j]] + 1:g}",
                allowed="turns up to 150 degrees at one point",
            )
        found.append(int(inner[j]))
    return sorted(found)


def _whole_curve(
    rows: _Rows, corners: list[int], spacing_mm: float
) -> tuple[_Curve, tuple[KeptTurn, ...], float]:
    """Return the smooth curve of all pieces, the turns kept between them, and the noise found."""
    bounds = [0, *corners, len(rows.points_mm) - 1]
    pieces, noises = [], []
    for start, stop in pairwise(bounds):
        piece, noise = _piece(rows.part(start, stop + 1))
        pieces.append(piece)
        noises.append((noise, stop - start))
    curve, arcs = pieces[0], []
    for corner, piece in zip(corners, pieces[1:], strict=True):
        curve, arc = _filleted(curve, piece, float(rows.radius_mm[corner]), spacing_mm)
        arcs.append(arc)
    known = [(noise, weight) for noise, weight in noises if np.isfinite(noise)]
    mean = np.sqrt(sum(w * x**2 for x, w in known) / sum(w for _, w in known)) if known else np.nan
    return curve, tuple(arcs), float(mean)


def _piece(rows: _Rows) -> tuple[_Curve, float]:
    along = rows.along_mm()
    spline, noise = smooth_curve(along, rows.points_mm)
    fine = np.linspace(0.0, along[-1], max(int(along[-1] / _STEP_MM), 2) + 1)
    return _Curve(np.asarray(spline(fine)), np.interp(fine, along, rows.place)), noise


def _filleted(a: _Curve, b: _Curve, radius_mm: float, spacing_mm: float) -> tuple[_Curve, KeptTurn]:
    """Return two curves joined by an arc of about `ARC_RADII` lumen radii, at least two spacings long, in place of their corner."""
    turn = float(_angle_rad(_direction(a, -1), _direction(b, 0)))
    over_mm = max(ARC_RADII * radius_mm * turn, 2.0 * spacing_mm)
    sa, sb = a.s_mm, b.s_mm
    trim = min(over_mm * np.tan(0.5 * turn) / turn, 0.45 * sa[-1], 0.45 * sb[-1])
    i = int(np.searchsorted(sa, sa[-1] - trim))
    j = int(np.searchsorted(sb, trim))
    u, v = _direction(a, i), _direction(b, j)
    p, q = a.points_mm[i], b.points_mm[j]
    turn = float(_angle_rad(u, v))
    chord = float(np.linalg.norm(q - p))
    speed = 2.0 * chord * np.tan(0.25 * turn) / max(np.sin(0.5 * turn), 1e-9)
    x = np.linspace(0.0, 1.0, max(int(1.5 * chord / _STEP_MM), 8))[1:-1, None]
    arc = (
        (1.0 + 2.0 * x) * (1.0 - x) ** 2 * p
        + x * (1.0 - x) ** 2 * speed * u
        + x**2 * (3.0 - 2.0 * x) * q
        + x**2 * (x - 1.0) * speed * v
    )
    row = a.row[i] + (b.row[j] - a.row[i]) * x[:, 0]
    whole = _Curve(
        np.concatenate([a.points_mm[: i + 1], arc, b.points_mm[j:]]),
        np.concatenate([a.row[: i + 1], row, b.row[j:]]),
    )
    length = float(whole.s_mm[i + len(arc) + 1] - whole.s_mm[i])
    return whole, KeptTurn(at_mm=float(whole.s_mm[i]) + 0.5 * length, turn_rad=turn, over_mm=length)


def _direction(curve: _Curve, at: int) -> FloatArray:
    points = curve.points_mm
    at = at % len(points)
    d = points[min(at + 1, len(points) - 1)] - points[max(at - 1, 0)]
    return np.asarray(d / np.linalg.norm(d))


def _even_radius_mm(at_rows_mm: FloatArray, measured_mm: FloatArray, s_mm: FloatArray) -> FloatArray:
    """Return the lumen radius at the nodes by the rule stated in `smooth_path`."""
    width = 0.75 * float(np.median(np.diff(at_rows_mm)))
    weight = np.exp(-0.5 * ((at_rows_mm[:, None] - at_rows_mm) / width) ** 2)
    smoothed = (weight @ measured_mm) / weight.sum(axis=1)
    most = WIDER_THAN_MEASURED * measured_mm
    apart = np.concatenate([[True], np.diff(at_rows_mm) > 1e-9])
    even = PchipInterpolator(at_rows_mm[apart], np.minimum(smoothed, most)[apart])(
        np.clip(s_mm, at_rows_mm[0], at_rows_mm[-1])
    )
    nearest = np.clip(np.rint(at_rows_mm / (s_mm[1] - s_mm[0])).astype(int), 0, len(s_mm) - 1)
    np.minimum.at(even, nearest, most)
    return np.asarray(even)
