"""A published bench, predicted blind at a reduced size; the full study and its misses are in docs/validation.md.

The level of the track force misses the published range (too low): that is reported there, not asserted here. What is asserted is what the
bench's own numbers say and the prediction keeps: how the push loss sets friction, that the solver then loses as much push as was measured,
that force rises with stiffness, and that a device that fits passes a smooth stenosis for no more than the published force.
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
    soft, stiff = (bench.track(k, 1.055, bench.FRICTION_MIDDLE, stop=k < 20.0) for k in bench.STIFFNESS_Nmm2)
    return soft, stiff


def test_push_loss_sets_friction() -> None:
    # 18.53 to 38.66 % arrive [@schmidt2009]: a capstan exponent of 0.95 to 1.69.
    exponents = [mu * bench.TOTAL_BEND_RAD for mu in bench.FRICTION]
    assert exponents == pytest.approx([0.95, 1.69], abs=0.005)


def test_push_that_arrives_is_of_the_published_size(tracks: tuple[bench.Track, bench.Track]) -> None:
    # 18.53 to 38.66 % of 4 N [@schmidt2009]. Friction was set from the capstan; the solver must come to the same.
    say(f"arrives: predicted {tracks[0].arrives:.3f}, published {bench.ARRIVES}")
    assert bench.ARRIVES[0] <= tracks[0].arrives <= bench.ARRIVES[1]


def test_twice_the_friction_leaves_the_published_range() -> None:
    slippery = bench.track(bench.STIFFNESS_Nmm2[0], 1.055, 2.0 * bench.FRICTION_MIDDLE)
    assert not bench.ARRIVES[0] <= slippery.arrives <= bench.ARRIVES[1]


def test_stiffer_systems_track_harder(tracks: tuple[bench.Track, bench.Track]) -> None:
    soft, stiff = tracks
    say(f"mean track force: predicted {soft.mean_N:.3f} to {stiff.mean_N:.3f} N, published {bench.TRACK_N} N")
    assert stiff.mean_N > 1.3 * soft.mean_N
    # The level is two to four times too low (docs/validation.md); a factor of eight would be another fault.
    assert bench.TRACK_N[0] / 8.0 < soft.mean_N < bench.TRACK_N[1]


def test_a_device_that_fits_passes_a_smooth_stenosis_for_less_than_published() -> None:
    # 0.038 to 0.103 N [@schmidt2009], shaft and wire included.
    mean, highest = bench.crossing(
        bench.STIFFNESS_Nmm2[1], bench.PROFILE_mm[1], bench.FRICTION_MIDDLE, eccentric=True
    )
    say(f"crossing: predicted mean {mean:.4f}, highest {highest:.4f} N, published {bench.CROSSING_N} N")
    assert np.isfinite(highest)
    assert 0.0 <= mean <= bench.CROSSING_N[1]


def test_a_device_wider_than_the_stenosis_needs_more() -> None:
    # Alone the bend round the throat of a device that does not fit; its drag against the rigid bore comes on top.
    fits, _ = bench.crossing(
        bench.STIFFNESS_Nmm2[1], bench.PROFILE_mm[1], bench.FRICTION_MIDDLE, eccentric=True
    )
    _, highest = bench.crossing(bench.STIFFNESS_Nmm2[1], 1.7, bench.FRICTION_MIDDLE, eccentric=True)
    assert fits <= bench.CROSSING_N[1] < highest
