"""Every hazard fires where it must and not at a near miss; what made it fire is said."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.rules import COMMON_PRACTICE, FACTS, Fired, Level, evaluate
from backstay.core.safety.attention import judged, standing
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import Now, now_after
from backstay.core.safety.setting import Setting
from backstay.core.safety.stand_facts import stand_facts
from backstay.core.safety.step_facts import plan_facts, step_facts
from backstay.identifiers import BodyItem, Calcium
from backstay.sources import all_sources

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
BY_ID = {rule.id: rule for rule in HAZARDS}


def fired(scene: Any) -> dict[str, Fired]:
    setting = H.setting(**scene.setting)
    now = now_after(scene.entries(), setting.kinds, branch_at_mm=setting.branch_at_mm)
    if scene.is_step:
        step = scene.asked()
        facts = step_facts(now, setting.then(now, step), step, setting)
    elif scene.step == "plan":
        facts = plan_facts(now, setting)
    else:
        facts = stand_facts(replace(now, skin_mGy=scene.skin_mGy), setting)
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
    assert "_" not in found[name].text
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


@pytest.mark.parametrize(
    ("where", "gate"),
    [
        ("from_mm=58 to_mm=70", False),
        ("from_mm=60 to_mm=72", True),  # beyond the hard lesion
        ("from_mm=5 to_mm=17", True),  # before it
        ("from_mm=44 to_mm=56 branch=large", True),  # in a branch
    ],
)
def test_only_a_balloon_in_the_hard_lesion_opens_the_gate(where: str, gate: bool) -> None:
    scene = H.S((*H.BASE, H.OPENED.replace("from_mm=44 to_mm=56", where)), H.TRY)
    assert ("stent_before_balloon_opened" in fired(scene)) is gate


@pytest.mark.parametrize(
    ("opened", "gate"),
    [
        (("from_mm=44 to_mm=56",), False),  # the nearer one: a stent may go there
        (("from_mm=74 to_mm=86",), True),  # the farther one: the nearer one lies on the way
        (("from_mm=74 to_mm=86", "from_mm=44 to_mm=56"), False),
    ],
)
def test_of_two_hard_lesions_the_nearer_opens_first(opened: tuple[str, ...], gate: bool) -> None:
    setting = narrowed((40, 60), (70, 90))
    steps = [*H.BASE, *(H.OPENED.replace("from_mm=44 to_mm=56", where) for where in opened)]
    now = now_after([H.entry(text, at_min=0.1 * k) for k, text in enumerate(steps)], setting.kinds)
    found = {one.rule.id for one in judged(now, H.entry(H.TRY, at_min=9), setting)}
    assert ("stent_before_balloon_opened" in found) is gate


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
    "act_hangs_on_instrument": ((*H.BASE, "act act_s=299"), {}),
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


@pytest.mark.parametrize(
    ("before", "act", "said"),
    [
        (H.BASE, "act act_s=250", True),
        (H.BASE, "act act_s=249", False),  # too little on either
        (H.BASE, "act act_s=310", False),  # enough on either, perhaps too much
        (("heparin dose_U=7000",), "act act_s=280", False),  # nothing is in the body yet
        ((*H.BASE, "act act_s=270"), "act act_s=280", False),  # it was asked at the first such value
        ((*H.BASE, "drug drug=glycoprotein_inhibitor"), "act act_s=280", False),
    ],
)
def test_which_instrument_is_asked_once_and_where_it_decides(
    before: tuple[str, ...], act: str, said: bool
) -> None:
    assert ("act_hangs_on_instrument" in fired(H.S(before, act))) is said


@pytest.mark.parametrize(
    ("dose_U", "inhibitor", "text"),
    [
        (5601, True, "70 U/kg in one dose is above the range of 50 to 70"),
        (5600, True, ""),
        (8001, False, "100 U/kg in one dose is above the range of 70 to 100"),
        (5601, False, ""),
    ],
)
@pytest.mark.parametrize("agreed", [True, False])
def test_heparin_is_held_against_the_range_that_holds_for_the_patient(
    dose_U: float, inhibitor: bool, text: str, agreed: bool
) -> None:
    """70 to 100 U/kg, with a glycoprotein inhibitor 50 to 70 [@stemi2013]; 80 kg."""
    before = ("drug drug=glycoprotein_inhibitor",) if inhibitor and not agreed else ()
    changes = {"glycoprotein_inhibitor": True} if inhibitor and agreed else {}
    found = fired(H.S(before, f"heparin dose_U={dose_U}", changes))
    assert (found["heparin_above_range"].text if text else "heparin_above_range" in found) == (text or False)


def test_protamine_takes_the_heparin_away_and_a_new_dose_brings_it_back() -> None:
    wire = "wire_in device=wire-workhorse role=rail"
    given = ("heparin dose_U=7000", "drug drug=protamine")
    assert "no_anticoagulation" in fired(H.S(given, wire))
    assert "no_anticoagulation" not in fired(H.S((*given, "heparin dose_U=7000"), wire))
    assert "no_anticoagulation" not in fired(H.S((*given, "drug drug=bivalirudin"), wire))
    assert "no_anticoagulation" not in fired(H.S(("drug drug=protamine", "heparin dose_U=7000"), wire))


def test_a_p2y12_inhibitor_given_in_the_room_counts() -> None:
    assert "no_p2y12_load" in fired(H.S())
    assert "no_p2y12_load" not in fired(H.S(("drug drug=p2y12_inhibitor",)))


def narrowed(*lesions: tuple[float, float]) -> Setting:
    """Return a vessel of 100 mm that falls from 4.0 to 3.0 mm, and to 1.0 mm inside its lesions."""
    whole = H.setting()
    s = whole.path.s_mm
    radius = 2.0 - 0.5 * s / 100.0
    for low, high in lesions:
        radius = np.where((s > low) & (s < high), 0.5, radius)
    path = LumenPath.through(whole.path.points_mm, radius, radius_sd_mm=0.1, spacing_mm=1.0)
    return replace(
        whole, path=path, lesions=tuple(Lesion(low, high, Calcium.SEVERE) for low, high in lesions)
    )


@pytest.mark.parametrize(
    ("lesions", "to_mm", "from_mm"),
    [
        (((40, 60),), 50.0, 60.0),  # inside the lesion
        (((40, 60),), 60.0, 60.0),
        (((40, 60),), 70.0, 70.0),
        (((40, 60), (62, 80)), 61.0, 80.0),  # not the narrow place inside the next one
        (((40, 60), (66, 80)), 60.0, 60.0),  # 5 mm between them
        (((40, 60),), 20.0, 20.0),
        (((40, 99),), 60.0, 35.0),  # none beyond: what lies before
        (((3, 99),), 60.0, 95.0),  # none before either: the end of the path
    ],
)
def test_sizes_are_held_against_healthy_lumen_beyond_the_lesions(
    lesions: tuple[tuple[float, float], ...], to_mm: float, from_mm: float
) -> None:
    setting = narrowed(*lesions)
    s, radius = setting.path.s_mm, setting.path.radius_mm
    inside = (s >= from_mm - 1e-6) & (s <= from_mm + 5.0 + 1e-6)
    assert setting.diameter_beyond_mm(to_mm) == pytest.approx(2.0 * np.median(radius[inside]), abs=1e-9)


@pytest.mark.parametrize(
    ("at_mm", "mm"),
    [(20.0, 3.775), (40.0, 3.6), (50.0, 3.5), (60.0, 3.4 - 0.025), (70.0, 3.275)],
)
def test_a_place_in_a_lesion_has_the_lumen_of_a_vessel_that_tapers_on(at_mm: float, mm: float) -> None:
    """4.0 mm at 0, 3.0 mm at 100: by the line itself in the lesion from 40 to 60, by the 5 mm beyond elsewhere."""
    tapers = narrowed((40, 60)).diameter_at_mm(at_mm)
    assert tapers == pytest.approx(mm, abs=0.03)


@pytest.mark.parametrize(("purpose", "large"), [("preparation", True), ("after_stent", False)])
def test_a_balloon_after_the_stent_may_have_the_size_of_its_own_place(purpose: str, large: bool) -> None:
    """At 30 to 45 mm the vessel would be 3.55 mm, beyond the lesion it is 3.1 mm: 3.75 mm suits one and not the other."""
    setting = narrowed((40, 80))
    devices = {"b": replace(setting.devices["bal-nc-300-12"], id="b", nominal_diameter_mm=3.75)}
    step = H.entry(f"inflation device=b from_mm=30 to_mm=45 pressure_atm=10 duration_s=20 purpose={purpose}")
    found = {one.rule.id for one in judged(Now(), step, replace(setting, devices=devices))}
    assert ("balloon_too_large" in found) is large


def test_a_balloon_that_suits_the_lumen_beyond_two_lesions_is_not_too_large() -> None:
    """By the narrow place inside the second lesion it was; by the 3.2 mm beyond it a 3.0 mm balloon is not, a 4.0 mm one is."""
    setting = narrowed((40, 60), (62, 80))
    for diameter_mm, large in ((3.0, False), (4.0, True)):
        devices = {"b": replace(setting.devices["bal-nc-300-12"], id="b", nominal_diameter_mm=diameter_mm)}
        step = H.entry(H.BALLOON.replace("bal-sc-250-15", "b").replace("to_mm=57", "to_mm=61"))
        found = {one.rule.id for one in judged(Now(), step, replace(setting, devices=devices))}
        assert ("balloon_too_large" in found) is large


def test_what_is_not_known_of_a_plan_is_asked_in_words() -> None:
    open_rules = evaluate(HAZARDS, plan_facts(Now(), Setting())).undecided
    asked = {name: FACTS[name] for one in open_rules for name in one.missing}
    assert {"egfr", "contrast_allergy", "lesion_calcium"} <= asked.keys()
    assert not {"event", "act_hangs_on_instrument", "act_doubt_is_new"} & asked.keys()
    assert all("_" not in words and len(words.split()) > 2 for words in asked.values()), asked


def test_what_is_still_inside_is_named_as_on_the_shelf_and_counted() -> None:
    inside = ("wire_in device=wire-workhorse role=buddy", "device_in device=loop what=snare")
    found = fired(H.S((*H.TRAPPED, *inside), "end counted=yes"))["still_inside_at_end"]
    assert found.text == (
        "by the record still inside: 2 x Workhorse wire, 6 Fr standard right guide, Floppy polymer-jacketed wire (trapped wire), "
        "Stent 3.0 x 18 mm (stent balloon), loop (other)"
    )


def test_a_pressure_that_was_looked_at_is_not_said_to_be_unseen() -> None:
    deep = (*H.BASE, "extension device=ext-6 depth_mm=35")
    found = fired(H.Scene((*deep, "pressure damped=yes"), "contrast volume_mL=8"))
    assert "injection_with_damped_pressure" in found and "injection_through_deep_extension" not in found
    assert "injection_through_deep_extension" in fired(H.Scene(deep, "contrast volume_mL=8"))
