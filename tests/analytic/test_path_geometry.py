"""Paths against closed forms: circle, helix, line; symmetry; splitting, joining, scaling the turns."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from backstay.core.anatomy.path import LumenPath, joined

FIELDS = ("points_mm", "radius_mm", "radius_sd_mm", "tangents", "normals1", "normals2", "curvature_per_mm")

FloatArray = NDArray[np.float64]


def helix(radius_mm: float, rise_mm: float, spacing_mm: float = 1.0, length_mm: float = 120.0) -> FloatArray:
    """Return points evenly spaced on a helix that rises `rise_mm` per radian."""
    t = np.arange(0.0, length_mm + 1e-9, spacing_mm) / np.hypot(radius_mm, rise_mm)
    return np.stack([radius_mm * np.cos(t), radius_mm * np.sin(t), rise_mm * t], axis=1)


def path(points: FloatArray, spacing_mm: float = 1.0) -> LumenPath:
    return LumenPath.through(
        points, np.linspace(1.8, 1.0, len(points)), radius_sd_mm=0.1, spacing_mm=spacing_mm
    )


def winding(seed: int, count: int = 90) -> LumenPath:
    """Return a smooth path that bends now here, now there, up to about 0.3 per mm."""
    rng = np.random.default_rng(seed)
    knots = rng.normal(0.0, 0.1, (count // 8 + 2, 2))
    x = np.linspace(0.0, len(knots) - 1.0, count)
    curvature = np.stack([np.interp(x, np.arange(len(knots)), part) for part in knots.T], axis=1)
    return LumenPath.from_curvature(
        curvature,
        1.0 + rng.uniform(0.0, 1.0, count),
        radius_sd_mm=rng.uniform(0.05, 0.2, count),
        spacing_mm=1.0,
    )


def onto(start: FloatArray, end: FloatArray) -> Rotation:
    """Return the smallest rotation of a unit vector into another direction."""
    axis = np.cross(start, end)
    angle_rad = np.arctan2(np.linalg.norm(axis), start @ end)
    return Rotation.from_rotvec(angle_rad * axis / max(float(np.linalg.norm(axis)), 1e-300))


def largest_difference(a: LumenPath, b: LumenPath) -> float:
    return max(float(np.abs(getattr(a, name) - getattr(b, name)).max()) for name in FIELDS)


@pytest.mark.parametrize("radius_mm", [5.0, 12.0, 40.0])
def test_circle_has_the_curvature_of_its_radius(radius_mm: float) -> None:
    circle = path(helix(radius_mm, 0.0, length_mm=30.0))
    # Nodes on a circle of radius R, one arc step h apart: the chords turn by h / R exactly.
    assert np.hypot(*circle.curvature_per_mm.T) == pytest.approx(1.0 / radius_mm, rel=1e-9)
    assert circle.total_bend_rad == pytest.approx(30.0 / radius_mm, rel=1e-9)
    assert circle.torsion_per_mm == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("radius_mm", "rise_mm"), [(12.0, 5.0), (20.0, -8.0), (8.0, 3.0)])
def test_helix_curvature_and_torsion_converge_to_the_closed_form(radius_mm: float, rise_mm: float) -> None:
    squared = radius_mm**2 + rise_mm**2
    errors = []
    for h in (1.0, 0.5, 0.25):
        p = path(helix(radius_mm, rise_mm, h), h)
        inner = slice(4, -4)
        kappa = np.abs(np.hypot(*p.curvature_per_mm.T)[inner] - radius_mm / squared).max()
        tau = np.abs(p.torsion_per_mm[inner] - rise_mm / squared).max()
        errors.append((kappa, tau))
    rates = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert rates == pytest.approx(2.0, abs=0.1)


def test_straight_path_has_no_bend_and_undefined_torsion() -> None:
    p = path(np.outer(np.arange(20.0), [0.6, 0.0, 0.8]))
    assert p.total_bend_rad < 1e-12
    assert np.isnan(p.torsion_per_mm).all()
    assert p.normals1 == pytest.approx(np.broadcast_to(p.normals1[0], p.normals1.shape), abs=1e-14)


@pytest.mark.parametrize("seed", range(4))
def test_frames_are_orthonormal_right_handed_and_twist_free(seed: int) -> None:
    p = winding(seed)
    frames = np.stack([p.tangents, p.normals1, p.normals2], axis=1)
    assert frames @ np.swapaxes(frames, 1, 2) == pytest.approx(
        np.broadcast_to(np.eye(3), frames.shape), abs=1e-12
    )
    assert np.linalg.det(frames) == pytest.approx(1.0, abs=1e-12)
    # No twist: brought onto the chord between two nodes, the frames of both are one frame.
    for i in range(len(frames) - 1):
        chord = p.points_mm[i + 1] - p.points_mm[i]
        from_before = onto(p.tangents[i], chord).apply(p.normals1[i])
        from_after = onto(p.tangents[i + 1], chord).apply(p.normals1[i + 1])
        assert from_before == pytest.approx(from_after, abs=1e-12)


def test_a_planar_path_keeps_its_second_normal() -> None:
    x = np.linspace(0.0, 80.0, 4000)
    y = 8.0 * np.sin(2.0 * np.pi * x / 50.0)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    s = np.arange(0.0, along[-1], 1.0)
    p = path(np.stack([np.interp(s, along, x), np.interp(s, along, y), 0.0 * s], axis=1))
    assert np.abs(p.normals2[:, 2]) == pytest.approx(1.0, abs=1e-12)
    assert np.abs(p.curvature_per_mm[:, 1]).max() < 1e-12


@pytest.mark.parametrize("seed", range(4))
def test_total_bend_is_the_sum_of_the_chords_turns(seed: int) -> None:
    p = winding(seed)
    chords = np.diff(p.points_mm, axis=0)
    chords /= np.linalg.norm(chords, axis=1)[:, None]
    turns = np.arccos(np.clip(np.sum(chords[1:] * chords[:-1], axis=1), -1.0, 1.0))
    ends = 0.5 * (np.hypot(*p.curvature_per_mm[0]) + np.hypot(*p.curvature_per_mm[-1]))
    assert p.total_bend_rad == pytest.approx(turns.sum() + ends, rel=1e-6)
    assert np.linalg.norm(np.diff(chords, axis=0), axis=1) == pytest.approx(
        2.0 * np.sin(0.5 * np.hypot(*p.curvature_per_mm[1:-1].T)), abs=1e-9
    )


def test_bend_between_places_on_an_arc() -> None:
    p = path(helix(10.0, 0.0, length_mm=30.0))
    assert p.bend_rad(3.3, 17.8) == pytest.approx(1.45, rel=1e-9)
    assert p.bend_rad(5.0, 5.0) == 0.0
    assert p.bend_rad(0.0, 11.2) + p.bend_rad(11.2, 30.0) == pytest.approx(p.total_bend_rad, rel=1e-12)


@given(seed=st.integers(0, 30), at=st.floats(2.0, 87.0))
def test_split_and_joined_is_the_same_path(seed: int, at: float) -> None:
    whole = winding(seed)
    a, b = whole.split(at)
    assert a.length_mm + b.length_mm == pytest.approx(whole.length_mm, abs=1e-12)
    assert a.total_bend_rad + b.total_bend_rad == pytest.approx(whole.total_bend_rad, abs=1e-12)
    assert largest_difference(joined(a, b), whole) < 1e-12


def test_joining_moves_the_second_path_into_place() -> None:
    whole = winding(3)
    a, b = whole.split(40.0)
    turn = Rotation.from_rotvec([0.3, -1.1, 0.7]).as_matrix()
    elsewhere = LumenPath(
        b.s_mm,
        b.points_mm @ turn.T + [5.0, -3.0, 8.0],
        b.radius_mm,
        b.radius_sd_mm,
        b.tangents @ turn.T,
        b.normals1 @ turn.T,
        b.normals2 @ turn.T,
        b.curvature_per_mm,
        b.spacing_mm,
    )
    assert largest_difference(joined(a, elsewhere), whole) < 1e-12


@given(seed=st.integers(0, 30), factor=st.floats(0.0, 2.0))
def test_scaled_turns_scale_the_bend_and_scale_back(seed: int, factor: float) -> None:
    p = winding(seed)
    assert largest_difference(p.with_errors(), p) < 1e-9
    scaled = p.with_errors(curvature_factor=factor)
    assert scaled.total_bend_rad == pytest.approx(factor * p.total_bend_rad, rel=1e-9, abs=1e-12)
    # The rebuilt points turn as the scaled curvature says.
    again = LumenPath.through(
        scaled.points_mm,
        scaled.radius_mm,
        radius_sd_mm=scaled.radius_sd_mm,
        spacing_mm=scaled.spacing_mm,
        start_tangent=scaled.tangents[0],
        start_normal=scaled.normals1[0],
        end_tangent=scaled.tangents[-1],
    )
    assert largest_difference(again, scaled) < 1e-9
    if factor > 0.1:
        assert largest_difference(scaled.with_errors(curvature_factor=1.0 / factor), p) < 1e-9


def test_a_scaled_arc_is_the_arc_of_the_scaled_curvature() -> None:
    scaled = path(helix(15.0, 0.0, length_mm=40.0)).with_errors(curvature_factor=1.5)
    reach = np.linalg.norm(scaled.points_mm - scaled.points_mm[0], axis=1)
    assert reach == pytest.approx(20.0 * np.sin(scaled.s_mm / 20.0), abs=1e-9)


@given(
    seed=st.integers(0, 30),
    axis=st.tuples(st.floats(-3.0, 3.0), st.floats(-3.0, 3.0), st.floats(-3.0, 3.0)),
    mirror=st.booleans(),
)
def test_a_moved_or_mirrored_path_bends_the_same(
    seed: int, axis: tuple[float, float, float], mirror: bool
) -> None:
    p = winding(seed)
    plain = path(p.points_mm)
    move = Rotation.from_rotvec(axis).as_matrix() @ np.diag([1.0, 1.0, -1.0 if mirror else 1.0])
    moved = path(p.points_mm @ move.T + [10.0, -20.0, 5.0])
    assert moved.normals1 == pytest.approx(plain.normals1 @ move.T, abs=1e-9)
    sign = np.array([1.0, -1.0 if mirror else 1.0])
    assert moved.curvature_per_mm == pytest.approx(plain.curvature_per_mm * sign, abs=1e-9)


def test_starting_later_drops_the_first_part() -> None:
    p = winding(1)
    later = p.starting_at(12.0)
    assert later.s_mm[0] == 0.0
    assert later.length_mm == pytest.approx(p.length_mm - 12.0)
    assert later.points_mm == pytest.approx(p.points_mm[12:], abs=1e-14)
    between = p.starting_at(12.4)
    assert between.length_mm == pytest.approx(76.0)
    assert between.total_bend_rad == pytest.approx(p.bend_rad(12.4, 88.4), rel=0.02)
    assert between.radius_mm == pytest.approx(p.radius_at_mm(between.s_mm + 12.4), abs=1e-12)


def test_starting_between_nodes_of_an_arc_stays_on_the_arc() -> None:
    p = path(helix(10.0, 0.0, length_mm=30.0)).starting_at(4.3)
    assert np.linalg.norm(p.points_mm, axis=1) == pytest.approx(10.0, abs=1e-4)
    assert p.total_bend_rad == pytest.approx(p.length_mm / 10.0, rel=1e-3)
