"""Draws by interpolation against brute force, at a reduced size; the full comparison is in evidence/interpolation.py."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from evidence import trends
from evidence.interpolation import brute_force
from evidence.solved import p50

from backstay.app.plan_document import FIT_ERROR
from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.chance import Outcome, crossing_load_N, outcome
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.surface import curves_for_draws, design, factors_at, scores_of
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.delivery import transfer
from backstay.identifiers import Calcium

DRAWS = 48
DEPTHS = 6
LEVELS_N = np.array([0.0, 0.05, 0.12, 0.25, 0.45])
# Half the draws pass at this backup: the chance is then most sensitive to the need.
CHANCE_TOLERANCE = 2.0 / DRAWS
# The median of 48 draws is one draw's need, and single draws are fitted to a few per cent.
NEED_TOLERANCE = 0.06


def _problem(stiff_rail: bool) -> tuple[Passage, np.ndarray]:
    path = trends.invented_path(np.random.default_rng(5))
    rig = trends.base_rig()
    rig = replace(rig, rail=trends.wire(20.0, "stiff")) if stiff_rail else rig
    stent = trends.device()
    lesion = Lesion(*trends.LESION_MM, Calcium.MILD)
    landing = stent.landing_tip_mm(trends.LANDING_MM)
    return Passage(path, (lesion,), rig, stent, landing + 40.0), np.linspace(24.0, landing, DEPTHS)


def _interpolated(passage: Passage, tips: np.ndarray, draws: DrawSet, backup: np.ndarray) -> Outcome:
    specs, scores = draws.specs, design()
    solves = [
        transfer(
            passage, factors_at(specs, z), tips_mm=tips, levels_N=LEVELS_N, search_to_N=float(LEVELS_N[-1])
        )
        for z in scores
    ]
    curves = curves_for_draws(
        solves, specs, scores, at=scores_of(specs, draws), search_to_N=solves[0].levels_N[:, -1]
    )
    crossing = crossing_load_N(passage, draws, tips)
    return outcome(passage, draws, curves, backup_N=backup, crossing_N=crossing, passes=True)


@pytest.mark.parametrize("stiff_rail", [False, True], ids=["workhorse", "stiff rail"])
def test_interpolated_draws_agree_with_brute_force(stiff_rail: bool) -> None:
    passage, tips = _problem(stiff_rail)
    draws = sample(DEFAULT_DRAWS, count=DRAWS, seed=3)
    everyone = np.full(DRAWS, 1e3)
    _, need, _ = brute_force(passage, draws, tips_mm=tips, levels_N=LEVELS_N, backup_N=everyone, passes=True)
    backup = np.full(DRAWS, p50(need)) * np.exp(0.3 * np.linspace(-1.0, 1.0, DRAWS))
    chance, need, _ = brute_force(
        passage, draws, tips_mm=tips, levels_N=LEVELS_N, backup_N=backup, passes=True
    )
    fast = _interpolated(passage, tips, draws, backup)
    assert 0.2 < chance < 0.8
    assert fast.chance == pytest.approx(chance, abs=CHANCE_TOLERANCE + 1e-9)
    assert p50(fast.highest_need_N) == pytest.approx(p50(need), rel=NEED_TOLERANCE)


def test_draws_of_other_inputs_disagree() -> None:
    passage, tips = _problem(False)
    draws = sample(DEFAULT_DRAWS, count=DRAWS, seed=3)
    everyone = np.full(DRAWS, 1e3)
    _, need, _ = brute_force(passage, draws, tips_mm=tips, levels_N=LEVELS_N, backup_N=everyone, passes=True)
    values = {**draws.values, "device_stiffness_factor": 1.5 * draws.values["device_stiffness_factor"]}
    fast = _interpolated(passage, tips, replace(draws, values=values), everyone)
    assert abs(p50(fast.highest_need_N) / p50(need) - 1.0) > NEED_TOLERANCE


def test_plans_allow_for_the_largest_error_seen(root: Path) -> None:
    page = (root / "docs" / "validation.md").read_text(encoding="utf-8")
    found = re.search(r"largest error of chance (\d\.\d+)", page)
    assert found is not None and float(found.group(1)) <= FIT_ERROR
