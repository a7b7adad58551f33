"""Every hazard fires where it must and not at a near miss; what made it fire is said."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from backstay.core.rules import COMMON_PRACTICE, Fired, Level, evaluate
from backstay.core.safety.attention import judged, standing
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import now_after
from backstay.core.safety.step_facts import plan_facts, step_facts
from backstay.identifiers import BodyItem
from backstay.sources import all_sources

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
BY_ID = {rule.id: rule for rule in HAZARDS}


def fired(scene: Any) -> dict[str, Fired]:
    setting = H.setting(**scene.setting)
    now = now_after(scene.entries(), setting.kinds, branch_at_mm=setting.branch_at_mm)
    step = scene.asked() if scene.step != "plan" else None
    then = now if step is None else setting.then(now, step)
    facts = plan_facts(now, setting) if step is None else step_facts(now, then, step, setting)
    return {one.rule.id: one for one in evaluate(HAZARDS, facts).fired}


def test_every_hazard_has_its_own_id_a_source_and_two_scenes() -> None:
    assert len(BY_ID) == len(HAZARDS)
    assert H.CASES.keys() == BY_ID.keys()
    assert {rule.source for rule in HAZARDS} - {COMMON_PRACTICE} <= all_sources().keys()


@pytest.mark.parametrize("name", BY_ID)
def test_it_fires(name: str) -> None:
    found = fired(H.CASES[name][0])
    assert name in found
    assert found[name].facts
    assert "unknown" not in found[name].text
    assert len(found[name].text) <= 140


@pytest.mark.parametrize("name", BY_ID)
def test_a_near_miss_does_not(name: str) -> None:
    assert name not in fired(H.CASES[name][1])


@pytest.mark.parametrize(
    ("balloon", "gate"), [("bal-sc-150-12", True), ("bal-sc-250-15", True), ("bal-nc-300-12", False)]
)
def test_only_a_balloon_of_the_vessels_size_opens_the_gate(balloon: str, gate: bool) -> None:
    """The lumen beyond is 3.0 mm: a balloon of 2.5 mm that opened fully tells little of one of 3.0 mm."""
    scene = H.S((*H.BASE, H.OPENED.replace("bal-nc-300-12", balloon)), H.TRY)
    assert ("stent_before_balloon_opened" in fired(scene)) is gate


def test_a_small_balloon_afterwards_does_not_shut_the_gate() -> None:
    scene = H.S((*H.PREPARED, H.OPENED.replace("bal-nc-300-12", "bal-sc-150-12")), H.TRY)
    assert "stent_before_balloon_opened" not in fired(scene)


STANDS = {
    "contrast_near_ceiling": ((*H.BASE, "contrast volume_mL=85"), {}),
    "contrast_past_ceiling": ((*H.BASE, "contrast volume_mL=101"), {}),
    "kerma_notice": ((*H.BASE, "dose air_kerma_mGy=3000"), {}),
    "kerma_substantial": ((*H.BASE, "dose air_kerma_mGy=5000"), {}),
    "kerma_past_agreed": ((*H.BASE, "dose air_kerma_mGy=2501"), {}),
    "kap_substantial": ((*H.BASE, "dose air_kerma_mGy=1 kap_Gycm2=500"), {}),
    "fluoroscopy_substantial": ((*H.BASE, "dose air_kerma_mGy=1 fluoroscopy_min=60"), {}),
    "time_past_agreed": ((*H.BASE, f"{H.TRY} t=60.5"), {}),
    "act_overdue": ((*H.BASE, f"{H.TRY} t=30.2"), {}),
    "act_low": ((*H.BASE, "act act_s=240"), {}),
    "act_high": ((*H.BASE, "act act_s=360"), {}),
    "act_hangs_on_instrument": ((*H.BASE, "act act_s=301"), {}),
    "long_ischaemia": ((*H.BASE, f"{H.BALLOON.replace(' duration_s=20', '')} t=1", "note text=x t=3.5"), {}),
}
"""What is past a level or overdue, logged as the last but one thing."""


@pytest.mark.parametrize("name", STANDS)
def test_what_is_past_a_level_stays_so_whatever_comes_next(name: str) -> None:
    before, changes = STANDS[name]
    setting = H.setting(**changes)
    entries = [H.entry(text, at_min=0.1 * k, number=k) for k, text in enumerate(before)]
    later = H.entry("view primary_angle_deg=30 secondary_angle_deg=-20", at_min=entries[-1].at_s / 60 + 0.1)
    now = now_after([*entries, later], setting.kinds)
    assert name in {one.rule.id for one in standing(now, setting)}
    assert name not in {one.rule.id for one in standing(now_after(entries[:2], setting.kinds), setting)}


def test_an_ordinary_case_stands_within_its_limits() -> None:
    setting = H.setting()
    now = now_after([H.entry(text, at_min=0.1 * k) for k, text in enumerate(H.BASE)], setting.kinds)
    assert standing(now, setting) == ()


def test_what_made_it_fire_is_only_that() -> None:
    found = fired(H.CASES["above_rated_burst"][0])["above_rated_burst"]
    assert found.facts == {"step": "inflate", "pressure_atm": 17.0, "rated_burst_atm": 16.0}
    assert found.rule.level is Level.BLOCK


def test_a_large_burr_is_judged_by_the_ratio_in_use_and_by_no_trial() -> None:
    # The trial read in abstract compared other things: its larger burrs are no evidence that smaller ones do better.
    found = fired(H.CASES["burr_too_large"][0])["burr_too_large"]
    assert found.text == "burr 2.00 mm is 0.67 of the vessel, above 0.60: start with a smaller one"
    assert found.rule.source == COMMON_PRACTICE


def test_an_ordinary_step_fires_nothing_that_blocks() -> None:
    for step in (H.BALLOON, H.INJECT, "view primary_angle_deg=30 secondary_angle_deg=-20"):
        found = fired(H.Scene(H.BASE, step))
        assert [one.rule.id for one in found.values() if one.rule.level is Level.BLOCK] == []


def test_a_stent_over_a_branch_traps_its_wire_and_the_record_knows() -> None:
    setting = H.setting()
    wire, over = (
        "wire_in device=wire-support role=branch branch=large",
        "stent device=stent-300-18 from_mm=24 to_mm=42 pressure_atm=12",
    )
    entries = [H.entry(text, at_min=0.1 * k, number=k) for k, text in enumerate((*H.BASE, wire, over))]
    now = now_after(entries, setting.kinds, branch_at_mm=setting.branch_at_mm)
    held = now.of(BodyItem.TRAPPED_WIRE)
    assert [(one.device, one.from_mm, one.to_mm, one.unplanned) for one in held] == [
        ("wire-support", 24.0, 42.0, False)
    ]
    pulled = judged(now, H.entry("wire_out device=wire-support", at_min=9), setting)
    assert "trapped_wire_pulled_with_guide_engaged" in {one.rule.id for one in pulled}
