"""The packed rig gives what the full answer gives, and stops early without changing what counts."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from backstay.core.inference.draws import DEFAULT_DRAWS, sample
from backstay.core.inference.quick import LOCKED, PASSED, PROLAPSED, way_in
from backstay.identifiers import LimitedBy

NAMES = ("as_it_is", "extension_28mm", "buddy_wire-workhorse", "seat_5mm")
ROUNDING_N = 1e-10


@pytest.mark.parametrize("name", NAMES)
def test_the_same_as_the_full_answer(demo_rigs: Any, name: str) -> None:
    draws = sample(DEFAULT_DRAWS, count=512, seed=9)
    full = demo_rigs.solved[name].answer(draws).outcome
    way = way_in(demo_rigs.quick[name], draws)
    with np.errstate(invalid="ignore"):
        peaks = np.maximum.accumulate(full.need_N, axis=1)
    finite = np.isfinite(peaks)
    assert np.array_equal(np.isfinite(way.peaks_N), finite)
    assert np.abs(way.peaks_N[finite] - peaks[finite]).max() < ROUNDING_N
    assert np.abs(way.limits_N.min(axis=1) - full.limit_N).max() < ROUNDING_N
    beyond = way.peaks_N > way.limits_N.min(axis=1)[:, None]
    stopped = np.where(beyond.any(axis=1), beyond.argmax(axis=1), peaks.shape[1])
    assert np.array_equal(stopped, full.stopped)


def test_what_ends_the_way_in_is_the_same_where_no_limit_does(demo_rigs: Any) -> None:
    draws = sample(DEFAULT_DRAWS, count=512, seed=9)
    full = demo_rigs.solved["as_it_is"].answer(draws).outcome
    way = way_in(demo_rigs.quick["as_it_is"], draws)
    names = {LimitedBy.PROLAPSE: PROLAPSED, LimitedBy.EDGE_LOCK: LOCKED}
    seen = 0
    for end, reason in zip(way.ends, full.reason, strict=True):
        if reason in names:
            seen += 1
            assert end == names[reason]
    assert seen > 0
    assert set(way.ends) <= {PASSED, PROLAPSED, LOCKED}


def test_stopping_early_keeps_the_peaks_up_to_there(demo_rigs: Any) -> None:
    draws = sample(DEFAULT_DRAWS, count=256, seed=2)
    rig = demo_rigs.quick["extension_28mm"]
    whole, early = way_in(rig, draws), way_in(rig, draws, enough=1.5)
    least = 1.5 * whole.limits_N.min(axis=1)[:, None]
    below = whole.peaks_N <= least
    assert np.array_equal(early.peaks_N[below], whole.peaks_N[below])
    assert np.all(early.peaks_N[~below] > np.broadcast_to(least, below.shape)[~below])
    assert (early.peaks_N[~below] < whole.peaks_N[~below]).any()
