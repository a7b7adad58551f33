"""The plan on a screen while it is worked out: nothing is said of rigs that are not weighed yet."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

from backstay.report import bench, room
from backstay.report.answers import next_step

ROOT = Path(__file__).resolve().parents[2]


def sample() -> Any:
    return runpy.run_path(str(ROOT / "tests" / "app" / "plan_sample.py"))["sample_plan"]()


def test_no_other_rig_is_named_before_all_are_weighed() -> None:
    plan = sample().model_copy(update={"ladder": None})
    said = bench.answers(plan, plan.in_place)
    assert "none is named before all are" in said
    assert next_step(plan).headline not in said
    assert "Being worked out" in room._next(None)


def test_every_rig_has_its_three_answers_and_its_caution() -> None:
    plan = sample()
    for rig in plan.rigs:
        said = bench.answers(plan, rig)
        for question in ("Will it go?", "If not, what next?", "What must I not do?"):
            assert question in said, (rig.id, question)
        assert "unvalidated" in bench.beneath(plan, rig)
