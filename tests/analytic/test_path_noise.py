"""Total bend of known curves after noise and uneven spacing: within a tenth of the truth."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from backstay.core.anatomy.path import LumenPath
from backstay.core.anatomy.smoothing import smooth_path

FloatArray = NDArray[np.float64]
Truth = tuple[FloatArray, float]

NOISE_SD_MM = (0.05, 0.10, 0.15)
SEEDS = range(10)


def bends(*pieces: tuple[float, float, float]) -> Truth:
    """Return a fine curve of (length mm, turn degrees, roll degrees before it) and its whole turn [rad]."""
    step, roll, parts = 0.05, 0.0, []
    for length, turn_deg, roll_deg in pieces:
        roll += np.deg2rad(roll_deg)
        per_mm = np.deg2rad(turn_deg) / length
        parts.append(np.tile([per_mm * np.cos(roll), per_mm * np.sin(roll)], (round(length / step), 1)))
    path = LumenPath.from_curvature(np.concatenate(parts), 1.5, radius_sd_mm=0.0, spacing_mm=step)
    return path.points_mm, float(np.deg2rad(sum(abs(turn) for _, turn, _ in pieces)))


def helix() -> Truth:
    t = np.linspace(0.0, 4.0 * np.pi, 6000)
    return np.stack([12.0 * np.cos(t), 12.0 * np.sin(t), 5.0 * t], axis=1), 4.0 * np.pi * 12.0 / 13.0


def sine() -> Truth:
    # The turning of a planar wave is twice the range of its slope angle for every wave.
    x = np.linspace(0.0, 100.0, 6000)
    slope = 8.0 * 2.0 * np.pi / 50.0
    wave = np.stack([x, 8.0 * np.sin(2.0 * np.pi * x / 50.0), 0.0 * x], axis=1)
    return wave, 2.0 * 4.0 * float(np.arctan(slope))


CURVES: dict[str, Callable[[], Truth]] = {
    "arc": lambda: bends((42.0, 120.0, 0.0)),
    "gentle arc": lambda: bends((100.0, 72.0, 0.0)),
    "helix": helix,
    "wave": sine,
    "S of arcs": lambda: bends((25.0, 80.0, 0.0), (25.0, 80.0, 180.0), (25.0, 80.0, 180.0)),
    "two bends between straights": lambda: bends(
        (25.0, 0.0, 0.0), (14.66, 70.0, 0.0), (20.0, 0.0, 0.0), (10.5, 40.0, 115.0), (40.0, 38.0, 57.0)
    ),
    "tight bends": lambda: bends(
        (25.0, 29.0, 0.0), (7.33, 70.0, 0.0), (20.0, 0.0, 0.0), (6.3, 60.0, 115.0), (30.0, 29.0, 57.0)
    ),
    "one bend between straights": lambda: bends((30.0, 0.0, 0.0), (15.7, 90.0, 0.0), (30.0, 0.0, 0.0)),
    "corner over a lumen radius": lambda: bends((40.0, 38.0, 0.0), (1.5, 90.0, 30.0), (40.0, 38.0, 57.0)),
    "corner over a wide lumen radius": lambda: bends(
        (40.0, 38.0, 0.0), (2.5, 90.0, 30.0), (40.0, 38.0, 57.0)
    ),
}


def noisy(points: FloatArray, seed: int, sd_mm: float) -> FloatArray:
    """Return points 1.2 to 2.7 mm apart with one gap of 5.5 mm, each moved by noise."""
    rng = np.random.default_rng(seed)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    steps = rng.uniform(1.2, 2.7, int(along[-1]))
    steps[rng.integers(4, 12)] = 5.5
    s = np.concatenate([[0.0], np.cumsum(steps)])
    s = np.append(s[s < along[-1] - 1.0], along[-1])
    return np.stack([np.interp(s, along, x) for x in points.T], axis=1) + rng.normal(0.0, sd_mm, (len(s), 3))


def bend_errors(name: str) -> FloatArray:
    points, truth_rad = CURVES[name]()
    found = [
        smooth_path(noisy(points, seed, sd), 1.5, radius_sd_mm=0.1).report.bend_after_rad
        for sd in NOISE_SD_MM
        for seed in SEEDS
    ]
    return np.array(found) / truth_rad - 1.0


@pytest.mark.parametrize("name", CURVES)
def test_total_bend_is_within_a_tenth(name: str) -> None:
    errors = bend_errors(name)
    assert abs(np.median(errors)) < 0.10
    # Two in thirty of the noisy copies may miss the tenth (dead straight stretches beside a tight bend, with the
    # most noise: what is left of the noise can only add to a bend of none), none by half as much again.
    assert np.mean(np.abs(errors) < 0.10) >= 0.93
    assert np.abs(errors).max() < 0.15


@pytest.mark.parametrize("name", CURVES)
def test_the_raw_polyline_would_fail_the_same_bar(name: str) -> None:
    points, truth_rad = CURVES[name]()
    raw = smooth_path(noisy(points, 0, 0.15), 1.5, radius_sd_mm=0.1).report.bend_before_rad
    assert raw > 1.10 * truth_rad


@pytest.mark.parametrize("sd_mm", NOISE_SD_MM)
def test_the_noise_found_is_the_noise_put_in(sd_mm: float) -> None:
    points, _ = CURVES["helix"]()
    found = [smooth_path(noisy(points, seed, sd_mm), 1.5, radius_sd_mm=0.1).report.noise_mm for seed in SEEDS]
    assert np.mean(found) == pytest.approx(sd_mm, rel=0.15)


def test_a_dense_noisy_tracing_keeps_its_bend() -> None:
    points, truth_rad = CURVES["two bends between straights"]()
    rng = np.random.default_rng(5)
    dense = points[::4] + rng.normal(0.0, 0.05, points[::4].shape)
    smoothed = smooth_path(dense, 1.5, radius_sd_mm=0.1)
    assert smoothed.report.bend_after_rad == pytest.approx(truth_rad, rel=0.10)
    assert smoothed.path.length_mm == pytest.approx(110.0, abs=1.5)


@pytest.mark.parametrize("name", ["helix", "tight bends"])
def test_without_noise_the_path_lies_on_the_curve(name: str) -> None:
    points, truth_rad = CURVES[name]()
    smoothed = smooth_path(noisy(points, 2, 0.0), 1.5, radius_sd_mm=0.1)
    distance = np.linalg.norm(smoothed.path.points_mm[:, None] - points[None], axis=2).min(axis=1)
    assert distance.max() < 0.15
    assert smoothed.report.bend_after_rad == pytest.approx(truth_rad, rel=0.05)


@pytest.mark.parametrize("turn_deg", [70.0, 90.0, 120.0])
@pytest.mark.parametrize("lumen_mm", [1.0, 2.0, 3.0])
def test_a_sharp_vertex_becomes_an_arc_that_does_not_fold_the_lumen(turn_deg: float, lumen_mm: float) -> None:
    turn = np.deg2rad(turn_deg)
    before = np.outer(np.arange(-30.0, 0.1, 1.7), [1.0, 0.0, 0.0])
    before -= before[-1]
    after = np.outer(np.arange(1.7, 40.0, 1.7), [np.cos(turn), np.sin(turn), 0.0])
    smoothed = smooth_path(np.concatenate([before, after]), lumen_mm, radius_sd_mm=0.1)
    (kept,) = smoothed.report.kept_turns
    assert kept.turn_rad == pytest.approx(turn, rel=1e-3)
    assert kept.over_mm == pytest.approx(max(1.7 * lumen_mm * turn, 2.0), rel=0.05)
    assert smoothed.path.total_bend_rad == pytest.approx(turn, rel=0.01)
    reach = 0.5 * kept.over_mm + 1.0
    near = smoothed.path.bend_rad(kept.at_mm - reach, kept.at_mm + reach)
    assert near > 0.97 * turn
    # Spread, not a kink: no node turns by more than one spacing's share of the arc and a little.
    assert np.hypot(*smoothed.path.curvature_per_mm.T).max() < 1.2 * turn / kept.over_mm


def test_a_moved_and_mirrored_tracing_gives_the_moved_and_mirrored_path() -> None:
    points, _ = CURVES["tight bends"]()
    given = noisy(points, 3, 0.1)
    mirror = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])
    a = smooth_path(given, 1.5, radius_sd_mm=0.1).path
    b = smooth_path(given @ mirror.T + 7.0, 1.5, radius_sd_mm=0.1).path
    assert b.points_mm == pytest.approx(a.points_mm @ mirror.T + 7.0, abs=1e-5)
