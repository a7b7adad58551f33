"""What must always hold: budgets, risk and contrast, the map's integral, units, the inventory, what is shown."""

from __future__ import annotations

import math
import random
import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.rules import Level
from backstay.core.safety.attention import MOST_AT_ONCE, along, judged
from backstay.core.safety.budget import Budget
from backstay.core.safety.contrast import (
    CLEARANCE_RATIO_BANDS,
    WEIGHT_RATIO_BANDS,
    ScoreInputs,
    band_reached,
    ceilings,
    lowest_binding,
    nephropathy_score_2004,
)
from backstay.core.safety.now import now_after
from backstay.core.safety.protocol import ContrastProtocol, SkinFactors
from backstay.core.safety.radiation import notices_passed
from backstay.core.safety.renal import ckd_epi_2021, cockcroft_gault
from backstay.core.safety.skin import Beam, Body, _beam_dose_mGy, _grid, skin_map
from backstay.errors import InputError
from backstay.identifiers import BodyItem, BudgetState
from backstay.units import DEG_PER, GYCM2_PER, MGY_PER, MM2_PER, MM_PER, S_PER

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
volume = st.floats(0.0, 2000.0)
maybe = st.sampled_from([None, True, False])


@given(used=volume, limit=st.none() | volume, more=volume)
def test_a_budget_is_never_silently_negative(used: float, limit: float | None, more: float) -> None:
    budget = Budget(used=used, limit=limit)
    then = budget.after(more)
    assert budget.left is None or budget.left >= 0.0
    assert then.over >= budget.over >= 0.0
    if limit is not None:
        assert budget.left is not None and then.left is not None and then.left <= budget.left
        assert budget.left - budget.over == pytest.approx(limit - used)
        assert (budget.state is BudgetState.PAST) == (used > limit)


@pytest.mark.parametrize("values", [{"used": -1.0, "limit": 1.0}, {"used": 1.0, "limit": math.nan}])
def test_a_budget_that_is_none_is_refused(values: dict[str, float]) -> None:
    with pytest.raises(InputError):
        Budget(**values)


@given(
    a=volume,
    b=volume,
    age_y=st.none() | st.floats(18, 105),
    egfr=st.none() | st.floats(5, 140),
    flags=st.tuples(maybe, maybe, maybe, maybe, maybe),
)
def test_more_contrast_never_lowers_a_risk(
    a: float, b: float, age_y: float | None, egfr: float | None, flags: tuple[bool | None, ...]
) -> None:
    low, high = sorted((a, b))
    names = ("hypotension", "balloon_pump", "heart_failure", "anaemia", "diabetes")
    inputs = ScoreInputs(age_y=age_y, egfr=egfr, **dict(zip(names, flags, strict=True)))
    scores = [nephropathy_score_2004(inputs, volume_mL=v) for v in (low, high)]
    assert scores[0].nephropathy_percent <= scores[1].nephropathy_percent
    assert scores[0].dialysis_percent <= scores[1].dialysis_percent
    for bands in (WEIGHT_RATIO_BANDS, CLEARANCE_RATIO_BANDS):
        edges = [getattr(band_reached(bands, v / 60.0), "edge", 0.0) for v in (low, high)]
        assert edges[0] <= edges[1]


@given(
    creatinine=st.floats(0.3, 12), age_y=st.floats(18, 100), weight=st.floats(35, 180), female=st.booleans()
)
def test_a_worse_kidney_never_raises_the_limit(
    creatinine: float, age_y: float, weight: float, female: bool
) -> None:
    def limit(creatinine: float, age_y: float) -> float:
        clearance = cockcroft_gault(creatinine_mg_dL=creatinine, age_y=age_y, weight_kg=weight, female=female)
        found = ceilings(
            ContrastProtocol(),
            weight_kg=weight,
            creatinine_mg_dL=creatinine,
            clearance_mL_min=clearance,
            agreed_mL=None,
        )
        lowest = lowest_binding(found)
        assert lowest is not None
        assert lowest.volume_mL == min(one.volume_mL for one in found if one.binds)
        return lowest.volume_mL

    assert limit(creatinine * 1.2, age_y) <= limit(creatinine, age_y)
    assert limit(creatinine, age_y + 2) <= limit(creatinine, age_y)
    known = {"creatinine_mg_dL": creatinine, "female": female}
    assert ckd_epi_2021(age_y=age_y + 2, **known) < ckd_epi_2021(age_y=age_y, **known)


beams = st.builds(
    Beam,
    air_kerma_mGy=st.floats(0.1, 500),
    primary_deg=st.floats(-100, 100),
    secondary_deg=st.floats(-45, 45),
    source_isocentre_mm=st.floats(700, 820),
    source_detector_mm=st.floats(900, 1250),
    field_mm=st.tuples(st.floats(40, 250), st.floats(40, 250)),
    shift_mm=st.tuples(st.floats(-60, 60), st.floats(-60, 60), st.floats(-60, 60)),
)


def _aims_at_the_body(beam: Beam, body: Body) -> bool:
    """Return whether the beam's axis meets the body well inside it: the source outside, a field that spans a patch."""
    direction = beam.axes()[2]
    source = -beam.source_isocentre_mm * direction - np.array(beam.shift_mm)
    half = np.array([body.half_width_mm, body.half_depth_mm])
    place = source[:2] / half
    if place @ place <= 1.05:
        return False  # the tube within the body: no such room
    along = direction[:2] / half
    a, b, c = along @ along, place @ along, place @ place - 0.9
    if b * b <= a * c:
        return False
    enters = source + (-b - math.sqrt(b * b - a * c)) / a * direction
    return abs(float(enters[2])) <= 0.9 * body.half_height_mm


@pytest.mark.parametrize("kerma_mGy", [0.1, 500.0])
def test_a_beam_at_the_body_always_adds_and_one_beside_it_adds_nothing(kerma_mGy: float) -> None:
    at = Beam(
        air_kerma_mGy=kerma_mGy,
        primary_deg=0.0,
        secondary_deg=0.0,
        source_isocentre_mm=765.0,
        source_detector_mm=1100.0,
        field_mm=(40.0, 40.0),
    )
    past = replace(at, shift_mm=(0.0, 0.0, 2000.0))
    assert _aims_at_the_body(at, Body()) and not _aims_at_the_body(past, Body())
    maps = [skin_map(some, Body(), SkinFactors()) for some in ([at], [at, at], [past])]
    alone, both, beside = (one.integral_Gycm2 for one in maps)
    assert (beside, both) == (0.0, pytest.approx(2.0 * alone)) and alone > 0.0


@given(many=st.lists(beams, min_size=1, max_size=6))
def test_the_map_grows_with_every_event_and_its_window_loses_nothing(many: list[Beam]) -> None:
    body, factors = Body(), SkinFactors()
    before, now = (skin_map(some, body, factors) for some in (many[:-1], many))
    grid, _ = _grid(body)
    if _aims_at_the_body(many[-1], body):
        assert now.integral_Gycm2 > before.integral_Gycm2
    else:  # by the edge of the body or beside it: it may touch a patch, or none at all
        assert now.integral_Gycm2 >= before.integral_Gycm2
    assert (now.dose_mGy >= before.dose_mGy - 1e-9).all()
    whole = sum(_beam_dose_mGy(grid, one, body, factors) for one in many)
    np.testing.assert_allclose(now.dose_mGy, whole, rtol=1e-12, atol=1e-9)


@given(one=beams)
def test_a_mirrored_beam_gives_the_mirrored_map(one: Beam) -> None:
    x, y, z = one.shift_mm
    other = replace(one, primary_deg=-one.primary_deg, shift_mm=(-x, y, z))
    a, b = (skin_map([beam], Body(), SkinFactors()) for beam in (one, other))
    assert a.around_mm[1:] == pytest.approx(-a.around_mm[1:][::-1])
    np.testing.assert_allclose(a.dose_mGy[1:], b.dose_mGy[1:][::-1], atol=1e-6)


@given(value=st.floats(1e-6, 1e6))
def test_units_come_back(value: float) -> None:
    prefix = {
        "": 1.0,
        "d": 1e-1,
        "c": 1e-2,
        "m": 1e-3,
        "u": 1e-6,
    }  # of the SI; each unit is built anew from it
    for dose, factor in MGY_PER.items():
        assert value * factor == pytest.approx(value * prefix[dose.removesuffix("Gy")] / prefix["m"])
    for product, factor in GYCM2_PER.items():
        dose, _, area = product.partition(".")
        metres = prefix[area.removesuffix("m2")]
        in_Gycm2 = value * prefix[dose.removesuffix("Gy")] * (metres / prefix["c"]) ** 2
        assert value * factor == pytest.approx(in_Gycm2)
    for length, factor in MM_PER.items():
        assert value * factor == pytest.approx(value * prefix[length.removesuffix("m")] / prefix["m"])
        assert MM2_PER[f"{length}2"] == pytest.approx(factor**2)
    assert {unit: value * S_PER[unit] / value for unit in ("h", "min", "ms")} == pytest.approx(
        {"h": 60.0 * 60.0, "min": 60.0, "ms": prefix["m"]}
    )
    assert math.radians(value * DEG_PER["rad"]) == pytest.approx(value)
    assert MGY_PER["Gy"] * MM2_PER["m2"] * 1e-5 == pytest.approx(GYCM2_PER["Gy.m2"])  # mGy mm2 to Gy cm2


@given(value=st.floats(0, 2e4), more=st.floats(0, 2e4))
def test_notices_only_grow(value: float, more: float) -> None:
    assert notices_passed(value + more, first=3000, step=1000) >= notices_passed(value, first=3000, step=1000)


STEPS = (
    H.BALLOON,
    H.OPENED,
    H.STENT,
    H.TRY,
    H.ANCHOR,
    H.INJECT,
    "deflation device=bal-sc-150-12",
    "wire_in device=wire-jacketed role=buddy",
    "wire_out device=wire-jacketed",
    "wire_out device=wire-workhorse",
    "extension device=ext-6 depth_mm=20",
    "extension device=ext-6",
    "device_out device=stent-300-18",
    "device_in device=probe what=imaging_catheter",
    "guide_out wanted=no",
    "complication what=x code=dissection",
    "dose air_kerma_mGy=3200",
    "pressure damped=yes",
)


@given(chosen=st.lists(st.sampled_from(STEPS), max_size=40))
def test_whatever_is_logged_the_count_adds_up_and_at_most_two_are_shown(chosen: list[str]) -> None:
    setting = H.setting()
    texts = [*H.BASE, *chosen, "wire_out device=wire-workhorse", "guide_out wanted=yes"]
    entries = [H.entry(text, at_min=0.5 * k, number=k) for k, text in enumerate(texts)]
    now = now_after(entries, setting.kinds)
    opened = sum(text == H.STENT for text in texts)
    assert len(now.of(BodyItem.STENT)) == opened
    assert all(one.stays == (one.item is BodyItem.STENT) for one in now.inside)
    assert not {one.item for one in now.inside} & {BodyItem.GUIDE, BodyItem.EXTENSION}
    for moment in along(entries, setting):
        assert len(moment.shown) <= MOST_AT_ONCE
        ids = [one.rule.id for one in (*moment.shown, *moment.suppressed)]
        assert len(ids) == len(set(ids))
        blocks = [one for one in moment.suppressed if one.rule.level is Level.BLOCK]
        assert not blocks or all(one.rule.level is Level.BLOCK for one in moment.shown)


def test_the_same_record_says_the_same_in_any_process_and_judging_changes_nothing() -> None:
    setting, rng = H.setting(), random.Random(4)
    texts = [*H.BASE, *(rng.choice(STEPS) for _ in range(60))]
    entries = [H.entry(text, at_min=0.5 * k, number=k) for k, text in enumerate(texts)]
    now = now_after(entries, setting.kinds)
    first = judged(now, H.entry(H.STENT, at_min=40), setting)
    assert first == judged(now, H.entry(H.STENT, at_min=40), setting)
    assert now == now_after(entries, setting.kinds)
    assert along(entries, setting) == along(entries, H.setting())
