"""A published bench, predicted from stated geometry at a reduced size; the full study and its misses are in docs/validation.md.

What the bench's own numbers say and the prediction keeps is asserted; what disagrees is a strict expected failure that names by how much.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from evidence import bench_track as bench


def say(text: str) -> None:
    """Show predicted against published numbers with `pytest -s`."""
    sys.stdout.write(text + "\n")


@pytest.fixture(scope="module")
def tracks() -> tuple[bench.Track, bench.Track]:
    """Return the softest and the stiffest system at the middle friction."""
    soft, stiff = (bench.track(k, 1.055, bench.FRICTION_MIDDLE, stop=False) for k in bench.STIFFNESS_Nmm2)
    return soft, stiff


@pytest.fixture(scope="module")
def narrow() -> tuple[float, float]:
    """Return the hub force of the widest and stiffest system in the stenosis, and what the stenosis adds to it."""
    return bench.crossing(bench.STIFFNESS_Nmm2[1], bench.PROFILE_mm[1], bench.FRICTION_MIDDLE, eccentric=True)


def arrives(friction: float) -> float:
    """Return the share of 4 N at the hub that arrives at a stop, by the solver."""
    share = bench.track(bench.STIFFNESS_Nmm2[0], 1.055, friction).arrives
    say(f"arrives at friction {friction:.3f}: predicted {share:.3f}, published {bench.ARRIVES}")
    return share


def test_push_loss_sets_friction() -> None:
    # 18.53 to 38.66 % arrive [@schmidt2009]: a capstan exponent of 0.95 to 1.69.
    exponents = [mu * bench.TOTAL_BEND_RAD for mu in bench.PUSH_LOSS_FRICTION]
    assert exponents == pytest.approx([0.95, 1.69], abs=0.005)


def test_push_that_arrives_at_the_least_friction() -> None:
    # 18.53 to 38.66 % of 4 N [@schmidt2009]
    assert bench.ARRIVES[0] <= arrives(bench.PUSH_LOSS_FRICTION[0]) <= bench.ARRIVES[1]


def test_twice_the_friction_leaves_the_published_range() -> None:
    assert not bench.ARRIVES[0] <= arrives(2.0 * bench.PUSH_LOSS_FRICTION[0]) <= bench.ARRIVES[1]


@pytest.mark.xfail(
    strict=True,
    reason="13 % arrive against 18.5 %: friction was set from the capstan, which leaves out the shaft's own bending in the guide",
)
def test_push_that_arrives_at_the_greatest_friction() -> None:
    # 18.53 to 38.66 % of 4 N [@schmidt2009]
    assert bench.ARRIVES[0] <= arrives(bench.PUSH_LOSS_FRICTION[1]) <= bench.ARRIVES[1]


def test_stiffer_systems_track_harder(tracks: tuple[bench.Track, bench.Track]) -> None:
    soft, stiff = tracks
    assert stiff.mean_N > soft.mean_N


@pytest.mark.xfail(
    strict=True, reason="0.32 to 0.43 N against 0.55 to 1.14 N: bends and wire of the bench are not published"
)
def test_track_force(tracks: tuple[bench.Track, bench.Track]) -> None:
    # mean 0.551 to 1.137 N [@schmidt2009]
    soft, stiff = tracks
    say(f"mean track force: predicted {soft.mean_N:.3f} to {stiff.mean_N:.3f} N, published {bench.TRACK_N} N")
    assert bench.TRACK_N[0] <= soft.mean_N < stiff.mean_N <= bench.TRACK_N[1]


def test_a_smooth_stenosis_adds_no_more_than_published(narrow: tuple[float, float]) -> None:
    # at most 0.103 N [@schmidt2009] for devices that fit
    assert np.isfinite(narrow[0])
    assert narrow[1] <= bench.CROSSING_N[1]


def test_a_device_wider_than_the_stenosis_adds_more() -> None:
    # 1.7 mm: about the widest the guide lets through. The bend round the throat alone; drag in the rigid bore would come on top.
    _, added = bench.crossing(bench.STIFFNESS_Nmm2[1], 1.7, bench.FRICTION_MIDDLE, eccentric=True)
    assert added > bench.CROSSING_N[1]


@pytest.mark.xfail(strict=True, reason="0.16 N at the hub with the guide's part, 0.001 N without it")
def test_force_through_the_stenosis(narrow: tuple[float, float]) -> None:
    # 0.038 to 0.103 N [@schmidt2009]; the abstract does not say whether the guide's part is in it
    say(f"crossing: predicted {narrow[0]:.3f} N, of it {narrow[1]:.4f} N added, published {bench.CROSSING_N}")
    assert any(bench.CROSSING_N[0] <= force <= bench.CROSSING_N[1] for force in narrow)
