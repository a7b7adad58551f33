"""Centrelines of a phantom imaged by X-ray and CT: noisy, uneven, with branch points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from backstay.adapters.path_file import load_path, read_path

NAMES = ("phantom-a", "phantom-b", "phantom-c")


@pytest.fixture(params=NAMES)
def file(request: pytest.FixtureRequest, shared_dir: Path) -> Path:
    found = shared_dir / "data" / "paths" / f"{request.param}.csv"
    if not found.is_file():
        pytest.skip(f"no {found.name} among the shared reference data")
    return found


def test_a_real_file_becomes_a_path(file: Path) -> None:
    raw, smoothed = read_path(file), load_path(file)
    path, report = smoothed.path, smoothed.report
    along = np.linalg.norm(np.diff(raw.points_mm, axis=0), axis=1).sum()
    assert path.length_mm == pytest.approx(along, rel=0.02)
    # Noise over-counts: the smooth path bends less, but keeps what a person sees.
    assert 0.5 * report.bend_before_rad < report.bend_after_rad < 0.9 * report.bend_before_rad
    assert report.bend_after_rad > np.deg2rad(150.0)
    # Away from a kept corner the path stays within the noise of the points; an arc cuts its corner.
    cut = [t.over_mm / t.turn_rad * (1.0 / np.cos(0.5 * t.turn_rad) - 1.0) for t in report.kept_turns]
    assert report.largest_shift_mm < 0.3 + max(cut, default=0.0)
    assert "radius_sd_mm" in smoothed.warnings[0]


def test_nodes_of_a_real_path_agree_with_its_bend(file: Path) -> None:
    path = load_path(file).path
    chords = np.diff(path.points_mm, axis=0)
    assert np.linalg.norm(chords, axis=1) == pytest.approx(1.0, abs=0.06)
    chords /= np.linalg.norm(chords, axis=1)[:, None]
    turns = np.arccos(np.clip(np.sum(chords[1:] * chords[:-1], axis=1), -1.0, 1.0))
    assert path.total_bend_rad == pytest.approx(turns.sum(), rel=0.015)


def test_no_narrowing_of_a_real_file_is_filled_in(file: Path) -> None:
    raw, path = read_path(file), load_path(file).path
    at = np.argmin(raw.radius_mm)
    near = np.linalg.norm(path.points_mm - raw.points_mm[at], axis=1).argmin()
    assert path.radius_mm[near] <= 1.05 * raw.radius_mm[at] + 0.05
    assert path.radius_mm.max() <= raw.radius_mm.max()


@pytest.mark.parametrize(
    ("name", "turn_deg", "lumen_mm"), [("phantom-a", 89.0, 2.172), ("phantom-c", 97.0, 2.014)]
)
def test_the_turn_at_a_branch_point_is_kept(
    shared_dir: Path, name: str, turn_deg: float, lumen_mm: float
) -> None:
    found = shared_dir / "data" / "paths" / f"{name}.csv"
    if not found.is_file():
        pytest.skip(f"no {found.name} among the shared reference data")
    smoothed = load_path(found)
    (kept,) = smoothed.report.kept_turns
    assert np.rad2deg(kept.turn_rad) == pytest.approx(turn_deg, abs=8.0)
    assert kept.over_mm == pytest.approx(1.7 * lumen_mm * kept.turn_rad, rel=0.1)
    assert smoothed.path.bend_rad(kept.at_mm - 4.0, kept.at_mm + 4.0) > 0.9 * kept.turn_rad
    # An arc, not a kink at one node.
    assert np.hypot(*smoothed.path.curvature_per_mm.T).max() < 1.3 * kept.turn_rad / kept.over_mm
