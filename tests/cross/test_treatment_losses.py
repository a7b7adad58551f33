"""Pressure lost before and after treatment, held against the published law worked out here by itself, in SI units."""

from __future__ import annotations

import math
import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.adapters.treatment_file import MeasuredLesion
from backstay.app.loading import load_case
from backstay.app.treatment import size_case

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
NORMAL_ML_MIN, AORTIC_MMHG = 400.0, 95.0
MMHG_PA = 133.322387
FLOW = f"\n[flow]\nnormal_mL_min = {NORMAL_ML_MIN}\naortic_mmHg = {AORTIC_MMHG}\n"


def lost_by_hand(tubes: list[tuple[float, float, float]]) -> tuple[float, list[tuple[float, float]]]:
    """Return flow [mL/min] and friction and jet [mmHg] of narrowings (normal, narrowest, length in mm) before a bed."""

    def losses(q_m3_s: float) -> list[tuple[float, float]]:
        found = []
        for normal, narrowest, length in tubes:
            area = math.pi * (normal * 1e-3) ** 2 / 4.0
            squeeze = (normal / narrowest) ** 2
            k_v = 32.0 * (0.83 * length + 1.64 * narrowest) / normal * squeeze**2
            friction = k_v * 3.5e-3 * q_m3_s / (area * normal * 1e-3)
            jet = 1.52 * 1060.0 / 2.0 * ((squeeze - 1.0) * q_m3_s / area) ** 2
            found.append((friction / MMHG_PA, jet / MMHG_PA))
        return found

    per_s = 1e-6 / 60.0
    low, high = 0.0, NORMAL_ML_MIN
    for _ in range(80):
        flow = 0.5 * (low + high)
        spent = AORTIC_MMHG * flow / NORMAL_ML_MIN + sum(map(sum, losses(flow * per_s)))
        low, high = (flow, high) if spent < AORTIC_MMHG else (low, flow)
    return low, losses(low * per_s)


def tube(one: MeasuredLesion, share: float | None) -> tuple[float, float, float]:
    """Return a lesion as it is, or opened to a share of its reference."""
    reference = one.reference_mm.value
    return reference, one.least_mm.value if share is None else share * reference, one.length_mm.value


@pytest.mark.parametrize("both", [True, False])
def test_losses_before_and_after_are_those_of_the_law(demo_dir: Path, tmp_path: Path, both: bool) -> None:
    """At the least result a lumen of 80 % of the reference's area; a lesion that is not planned stays as it is."""
    lesions = W.lesion(22, 38) + (W.lesion(60, 72) if both else "")
    narrowed = [(30.0, 8.0, 0.5), (66.0, 6.0, 0.45)]
    doc = size_case(load_case(W.write_case(tmp_path, demo_dir / "shelf.toml", narrowed, lesions, more=FLOW)))
    assert doc.worth is not None and [row.planned for row in doc.worth.rows] == [True, both]
    first, second = doc.lesions
    least = math.sqrt(0.8)
    flow, before = lost_by_hand([tube(first, None), tube(second, None)])
    flow_after, at_least = lost_by_hand([tube(first, least), tube(second, least if both else None)])
    _, as_sized = lost_by_hand([tube(first, 1.0), tube(second, 1.0 if both else None)])
    # Inputs are read back rounded to 0.01 and 0.1 mm (a loss goes as the fourth power), results to 0.1 mmHg.
    near = {"rel": 0.03, "abs": 0.06}
    for row, now, then, best in zip(doc.worth.rows, before, at_least, as_sized, strict=True):
        assert row.viscous_mmHg == pytest.approx(now[0], **near)
        assert row.separation_mmHg == pytest.approx(now[1], **near)
        assert row.before_mmHg.value == pytest.approx(sum(now), **near)
        assert row.least_result_mmHg == pytest.approx(sum(then), **near)
        assert row.as_sized_mmHg == pytest.approx(sum(best), **near)
    assert doc.worth.flow_before_mL_min == pytest.approx(flow, rel=0.01)
    assert doc.worth.flow_after_mL_min == pytest.approx(flow_after, rel=0.01)
    # The three states lie further apart than the tolerance: none could stand for another.
    planned = [sum(x[0]) for x in (before, at_least, as_sized)]
    assert planned[0] > 1.3 * planned[1] > 1.3 * 1.2 * planned[2]
