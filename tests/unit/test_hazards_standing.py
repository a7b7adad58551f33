"""What lasts in a case until it is settled, what is inferred and not said, and what an unknown fact leaves open."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.core.record.entries import Entry
from backstay.core.rules import Fired, Level
from backstay.core.safety.attention import along, judged, standing
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import Now, now_after
from backstay.identifiers import LASTING, BodyItem, Complication, EventKind

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
LEAK = "complication what=leak code=perforation at_mm=52"
SEALED = "complication what=sealed code=perforation settled=yes"
HELD = H.BALLOON.replace(" duration_s=20", "")

BLOCKS = {
    "burr_after_dissection",
    "burr_beside_second_wire",
    "burr_in_new_stent",
    "burr_again_while_stuck",
    "burr_stuck",
    "injection_with_damped_pressure",
    "injection_through_deep_extension",
    "extension_edge_at_new_stent",
    "extension_in_stretch_to_stent",
    "undeployed_stent_into_extension",
    "stent_over_wire_made_narrowing",
    "buddy_left_under_stent",
    "trapped_beyond_soft_end",
    "high_pressure_over_trapped_wire",
    "trapped_wire_pulled_with_guide_engaged",
    "above_rated_burst",
    "beyond_stent_platform",
    "anchor_too_large",
    "anchor_hard_in_small_branch",
    "stent_before_balloon_opened",
    "stent_opened_before_balloon",
    "no_anticoagulation",
    "fondaparinux_alone",
    "heparin_while_bleeding",
    "protamine_with_equipment_in",
    "perforation",
    "tamponade",
    "air_embolism",
    "stuck",
    "device_not_whole",
    "trouble_not_settled",
    "still_inside_at_end",
}
"""What must not be done, or must be seen to first: decided rule by rule, common practice, no source."""


def now_of(*steps: str) -> Now:
    setting = H.setting()
    entries = [H.entry(text, at_min=0.5 * k, number=k) for k, text in enumerate(steps)]
    return now_after(entries, setting.kinds, branch_at_mm=setting.branch_at_mm)


def asked(before: tuple[str, ...], step: str, **changes: object) -> dict[str, Fired]:
    setting = H.setting(**changes)
    now = now_of(*before)
    found = judged(now, H.entry(step, at_min=0.5 * len(before), number=len(before)), setting)
    return {one.rule.id: one for one in found}


def stands(*steps: str) -> dict[str, Fired]:
    return {one.rule.id: one for one in standing(now_of(*steps), H.setting())}


def test_what_blocks_is_decided_rule_by_rule() -> None:
    assert {rule.id for rule in HAZARDS if rule.level is Level.BLOCK} == BLOCKS


@pytest.mark.parametrize("code", sorted(LASTING))
def test_trouble_lasts_until_it_is_settled_and_no_case_ends_before(code: Complication) -> None:
    began, over = f"complication what=x code={code}", f"complication what=x code={code} settled=yes"
    other = next(one for one in sorted(LASTING) if one != code)
    assert now_of(*H.BASE, began, "note text=x").unsettled == {code}
    assert now_of(*H.BASE, began, over).unsettled == frozenset()
    assert now_of(*H.BASE, began, f"complication what=x code={other} settled=yes").unsettled == {code}
    found = asked((*H.BASE, began), "end counted=yes")["trouble_not_settled"]
    assert found.rule.level is Level.BLOCK and code.replace("_", " ") in found.text
    assert "trouble_not_settled" not in asked((*H.BASE, began, over), "end counted=yes")


@pytest.mark.parametrize(
    ("code", "before", "out"),
    [
        ("burr_stuck", (*H.BASE, H.RUN), "device_out device=burr-125"),
        ("device_stuck", (*H.BASE, H.TRY_BALLOON), "device_out device=bal-nc-300-12"),
        ("wire_stuck", H.BASE, "wire_out device=wire-workhorse"),
    ],
)
def test_what_is_stuck_is_free_once_nothing_of_its_kind_may_still_be_in(
    code: str, before: tuple[str, ...], out: str
) -> None:
    stuck = (*before, f"complication what=x code={code}")
    assert now_of(*stuck, "device_out device=other-thing").unsettled == {code}
    assert now_of(*stuck, out).unsettled == frozenset()
    two = (*H.BUDDY, *before[len(H.BASE) :], "device_in device=probe what=imaging_catheter")
    left = now_of(*two, f"complication what=x code={code}", out).unsettled
    assert left == (frozenset() if code == "burr_stuck" else {code})


def test_of_what_blocks_the_leak_is_said_first() -> None:
    found = [*stands(*H.BASE, LEAK, "drug drug=protamine", "pressure damped=yes")]
    assert found[:3] == ["perforation", "injection_with_damped_pressure", "protamine_with_equipment_in"]


def test_what_passes_by_itself_does_not_last() -> None:
    assert now_of(*H.BASE, "complication what=x code=slow_flow").unsettled == frozenset()
    assert now_of(*H.BASE, "complication what=x").unsettled == frozenset()


RULES = {
    "dissection": "dissection",
    "slow_flow": "slow_flow",
    "air_embolism": "air_embolism",
    "stent_lost": "stent_lost",
    "stent_deformed": "stent_deformed",
    "burr_stuck": "burr_stuck",
    "device_stuck": "stuck",
    "wire_stuck": "stuck",
    "wire_broken": "wire_broken",
    "wire_position_lost": "wire_position_lost",
    "thrombus": "clot",
    "branch_lost": "branch_lost",
    "ischaemia": "ischaemia",
}


@pytest.mark.parametrize("code", RULES)
def test_what_went_wrong_stands_until_it_is_said_to_be_over(code: str) -> None:
    began, over = f"complication what=x code={code}", f"complication what=x code={code} settled=yes"
    assert RULES[code] in stands(*H.BASE, began, H.INJECT)
    assert RULES[code] not in stands(*H.BASE, began, H.INJECT, over)
    assert not set(RULES.values()) & stands(*H.BASE, H.INJECT).keys()


def test_a_wires_place_is_found_again_by_a_new_rail() -> None:
    lost = (*H.BASE, "complication what=x code=wire_position_lost", "wire_out device=wire-workhorse")
    assert "wire_position_lost" in stands(*lost, "wire_in device=wire-jacketed role=branch branch=large")
    assert "wire_position_lost" not in stands(*lost, "wire_in device=wire-jacketed role=rail")


def test_protamine_with_equipment_in_stands_until_it_is_out() -> None:
    given = (*H.BASE, "drug drug=protamine", H.INJECT)
    name = "protamine_with_equipment_in"
    assert name in stands(*given)
    assert name not in stands(*given, "heparin dose_U=5000")
    assert name not in stands(*given, "wire_out device=wire-workhorse", "guide_out wanted=yes")


def test_protamine_reverses_nothing_where_no_heparin_was_given() -> None:
    assert not now_of("drug drug=protamine").reversed and now_of(*H.BASE, "drug drug=protamine").reversed
    assert not now_of(*H.BASE, "drug drug=aspirin").reversed


def test_a_damped_pressure_is_said_when_it_is_seen_and_stands() -> None:
    name, damped = "injection_with_damped_pressure", "pressure damped=yes"
    assert name in asked(H.BASE, damped) and name not in asked(H.BASE, "pressure damped=no")
    assert name not in asked((*H.BASE, damped), "pressure damped=no")
    assert name in stands(*H.BASE, damped, H.BALLOON)
    assert name not in stands(*H.BASE, damped, H.BALLOON, "pressure damped=no")


def test_side_holes_noticed_later_count() -> None:
    later = (*H.BASE, "guide_in device=guide-6-sr side_holes=yes", "pressure damped=no")
    assert "side_holes_hide_damping" in asked(later, "extension device=ext-6 depth_mm=10")


def test_a_part_that_did_not_come_out_lasts_until_it_is_found() -> None:
    out = (*H.PREPARED, H.TRY, f"{H.OUT} whole=no")
    assert now_of(*out).unsettled == {Complication.PART_LOST}
    assert "part lost" in asked(out, "end counted=yes")["trouble_not_settled"].text
    found = (*out, "complication what=snared code=part_lost settled=yes")
    assert "trouble_not_settled" not in asked(found, "end counted=yes")


@pytest.mark.parametrize("code", ["perforation", "tamponade"])
def test_a_leak_stands_as_a_block_whatever_is_done_next(code: str) -> None:
    leak = f"complication what=leak code={code}"
    found = stands(*H.BASE, leak, "contrast volume_mL=8", H.BALLOON)
    assert found[code].rule.level is Level.BLOCK
    assert code not in stands(*H.BASE, leak, f"{leak} settled=yes")


def test_while_blood_leaks_out_nothing_asks_for_heparin_or_holds_the_covered_stent_back() -> None:
    low = (*H.BASE, "act act_s=200")
    assert "act_low" in asked(low, H.TRY) and "act_low" in stands(*low)
    assert "act_low" not in asked((*low, LEAK), H.TRY) and "act_low" not in stands(*low, LEAK)
    assert "act_low" in asked((*low, LEAK, SEALED), H.TRY)
    bare = H.BASE[2:]
    assert "no_anticoagulation" in asked(bare, H.BALLOON)
    assert "no_anticoagulation" not in asked((*bare, LEAK), H.BALLOON)
    fonda = ("drug drug=fondaparinux", *bare)
    assert "fondaparinux_alone" in asked(fonda, H.BALLOON)
    assert "fondaparinux_alone" not in asked((*fonda, LEAK), H.BALLOON)
    for step, gate in ((H.TRY, "stent_before_balloon_opened"), (H.STENT, "stent_opened_before_balloon")):
        assert gate in asked(H.BASE, step)
        assert gate not in asked((*H.BASE, LEAK), step)
        assert gate in asked((*H.BASE, LEAK, SEALED), step)
    assert "went_on_after_perforation" in asked((*H.BASE, LEAK), H.STENT)


def test_fondaparinux_alone_is_said_once_and_not_where_another_agent_suffices() -> None:
    found = asked(("drug drug=fondaparinux", *H.BASE[2:]), H.BALLOON)
    assert "fondaparinux_alone" in found and "no_anticoagulation" not in found
    for agent in ("bivalirudin", "enoxaparin"):
        found = asked(("drug drug=fondaparinux", f"drug drug={agent}", *H.BASE[2:]), H.BALLOON)
        assert not {"fondaparinux_alone", "no_anticoagulation"} & found.keys()


@pytest.mark.parametrize("agent", ["bivalirudin", "enoxaparin"])
def test_heparin_on_another_agent_is_asked_about(agent: str) -> None:
    assert (
        asked((f"drug drug={agent}",), "heparin dose_U=2000")["heparin_on_another_agent"].rule.level
        is Level.PAUSE
    )
    assert "heparin_on_another_agent" not in asked((f"drug drug={agent}",), "drug drug=aspirin")


def test_a_clotting_time_from_before_the_last_heparin_says_nothing_of_it() -> None:
    low = (*H.BASE, "act act_s=240")
    assert not now_of(*low).act_is_old and now_of(*low, "heparin dose_U=1500").act_is_old
    assert not now_of(*low, "heparin dose_U=1500", "act act_s=310").act_is_old
    assert stands(*low)["act_low"].rule.level is Level.PAUSE
    later = stands(*low, "heparin dose_U=1500")
    assert "act_low" not in later and later["act_before_heparin"].rule.level is Level.NOTE
    assert not {"act_low", "act_before_heparin"} & stands(*low, "heparin dose_U=1500", "act act_s=310").keys()
    enough = (*H.BASE, "act act_s=310", "heparin dose_U=1500")
    assert "act_before_heparin" not in stands(*enough)


def test_the_end_names_what_is_out_by_inference_alone() -> None:
    before = (*H.PREPARED, H.TRY_BALLOON.replace("bal-nc-300-12", "bal-sc-150-12"))
    assert [one.device for one in now_of(*before).to_be_counted] == ["bal-nc-300-12"]
    found = asked(before, "end counted=yes")
    assert "3.0 x 12" in found["presumed_out_at_end"].text
    assert "3.0 x 12" not in found["still_inside_at_end"].text
    assert now_of(*before, "device_out device=bal-nc-300-12").to_be_counted == ()


@pytest.mark.parametrize(
    ("then", "blocked"),
    [
        ("deflation device=bal-sc-250-15", False),
        ("deflation", False),
        ("deflation device=bal-nc-300-12", True),
        ("device_out device=bal-sc-250-15", False),
        ("device_out device=bal-nc-300-12", True),
        (H.BALLOON, False),  # logged again with its time: it came down
        (HELD, True),  # more pressure
        (H.TRY_BALLOON, False),  # another went down the wire
        (f"{HELD} purpose=sealing", False),
        ("note text=x", True),
    ],
)
def test_the_clock_of_blocked_flow_follows_the_balloon_that_blocks_it(then: str, blocked: bool) -> None:
    now = now_of(*H.BASE, HELD)
    assert now.blocked_at_s == 120.0 and now.blocked_by == "bal-sc-250-15"
    after = now_of(*H.BASE, HELD, then)
    assert (after.blocked_at_s is not None) is blocked
    if blocked:
        assert after.blocked_at_s == 120.0


def test_an_anchor_held_in_a_branch_blocks_until_it_is_let_down_though_others_pass() -> None:
    held = (*H.BASE, H.ANCHOR)
    assert now_of(*held, H.TRY_BALLOON).blocked_at_s == 120.0
    assert now_of(*held, H.TRY_BALLOON, "deflation device=bal-sc-150-12").blocked_at_s is None


@pytest.mark.parametrize("purpose", ["trapping", "sealing"])
def test_a_balloon_that_seals_or_traps_a_wire_starts_no_clock(purpose: str) -> None:
    step = HELD.replace("preparation", purpose)
    assert now_of(*H.BASE, step).blocked_at_s is None
    assert "long_ischaemia" not in asked(H.BASE, f"{step} duration_s=600")
    assert "long_ischaemia" in asked(H.BASE, f"{HELD} duration_s=600")


@pytest.mark.parametrize("name", ["air_kerma_mGy", "kap_Gycm2", "fluoroscopy_min"])
def test_a_running_total_never_falls(name: str) -> None:
    def said(value: float) -> str:
        return " ".join(
            f"{one}={value if one == name else 50}"
            for one in ("air_kerma_mGy", "kap_Gycm2", "fluoroscopy_min")
        )

    assert getattr(now_of(f"dose {said(900)}", f"dose {said(400)}"), name) == 900.0
    assert getattr(now_of(f"dose {said(400)}", f"dose {said(900)}"), name) == 900.0
    assert now_of("dose air_kerma_mGy=900", "dose air_kerma_mGy=950").kap_Gycm2 is None


def test_a_falling_air_kerma_is_said() -> None:
    found = asked(("dose air_kerma_mGy=900",), "dose air_kerma_mGy=90")["dose_fell"]
    assert found.rule.level is Level.PAUSE and "90 mGy is less than the 900" in found.text


@pytest.mark.parametrize(
    "move",
    [
        "extension device=ext-6 depth_mm=25",
        "extension device=ext-6",
        "guide_in device=guide-6-sr seat_mm=0",
        "guide_out wanted=no",
    ],
)
def test_a_damped_pressure_stays_so_until_somebody_looks_again(move: str) -> None:
    damped = (
        *H.BASE,
        "guide_in device=guide-6-sr seat_mm=4",
        "extension device=ext-6 depth_mm=40",
        "pressure damped=yes",
    )
    assert "injection_with_damped_pressure" in asked((*damped, move), H.INJECT)
    assert "injection_with_damped_pressure" not in asked((*damped, move, "pressure damped=no"), H.INJECT)
    other = ("guide_out wanted=yes", "guide_in device=guide-8-ebl")
    assert "injection_with_damped_pressure" not in asked((*damped, *other), H.INJECT)


@pytest.mark.parametrize(
    ("move", "unseen"),
    [
        ("extension device=ext-6 depth_mm=41", True),
        ("guide_in device=guide-6-sr seat_mm=8", True),
        ("guide_in device=guide-6-sr seat_mm=4", False),  # logged again as it stood
    ],
)
def test_a_good_curve_holds_for_the_place_it_was_seen_at(move: str, unseen: bool) -> None:
    fine = (
        *H.BASE,
        "guide_in device=guide-6-sr seat_mm=4",
        "extension device=ext-6 depth_mm=40",
        "pressure damped=no",
    )
    assert "injection_through_deep_extension" not in asked(fine, H.INJECT)
    assert ("injection_through_deep_extension" in asked((*fine, move), H.INJECT)) is unseen


def test_a_second_wires_tip_is_watched_like_the_first() -> None:
    buddy = (*H.BUDDY, "wire_seen device=wire-jacketed tip=small_branch")
    assert now_of(*buddy).wire_tip is None
    assert "small branch" in asked(buddy, H.BALLOON)["other_wire_tip"].text
    assert "other_wire_tip" not in asked((*buddy, "wire_out device=wire-jacketed"), H.BALLOON)
    own = "wire_in device=wire-support role=branch branch=small"
    at_home = (*H.BASE, own, "wire_seen device=wire-support tip=small_branch")
    assert "other_wire_tip" not in asked(at_home, H.BALLOON)  # it was put there
    lost = (*H.BASE, own, "wire_seen device=wire-support tip=looped")
    assert "other_wire_tip" in asked(lost, H.BALLOON)


@pytest.mark.parametrize(
    ("before", "step", "name"),
    [
        (H.TRAPPED, H.BALLOON.replace(" pressure_atm=10", ""), "high_pressure_over_trapped_wire"),
        (H.BASE, H.ANCHOR.replace(" pressure_atm=6", ""), "anchor_hard_in_small_branch"),
        (H.BASE, H.ANCHOR.replace("small", "nameless"), "anchor_too_large"),
        (
            (*H.STIFF[:3], "wire_in device=unlisted role=rail", H.OPENED, H.NARROWING),
            H.STENT,
            "stent_over_wire_made_narrowing",
        ),
        (
            (*H.BASE, "wire_in device=unlisted role=buddy"),
            f"{H.STENT} traps=unlisted",
            "trapped_beyond_soft_end",
        ),
        (
            (*H.BASE, H.STENT.replace("stent-300-18", "unlisted")),
            H.BALLOON,
            "beyond_stent_platform",
        ),
    ],
)
def test_what_an_unknown_fact_leaves_open_is_asked(before: tuple[str, ...], step: str, name: str) -> None:
    found = asked(before, step)[name]
    assert found.rule.level is Level.PAUSE
    assert None in found.facts.values()
    assert found.text and "unknown" not in found.text


def test_heparin_without_a_weight_is_asked_about_and_no_other_drug() -> None:
    found = {r.rule.id: r for r in judged(Now(), H.entry("heparin dose_U=20000"), H.setting(weight_kg=None))}
    assert (
        found["heparin_above_range"].text
        == "the weight is not in the case: is this dose within 70 to 100 U/kg?"
    )
    other = judged(Now(), H.entry("drug drug=aspirin"), H.setting(weight_kg=None))
    assert "heparin_above_range" not in {one.rule.id for one in other}


def test_only_what_says_what_to_ask_speaks_of_the_unknown() -> None:
    found = asked(H.BASE, H.BALLOON.replace(" pressure_atm=10", ""))
    assert "above_rated_burst" not in found


def test_of_two_wires_of_one_name_the_free_one_comes_out_and_which_is_asked() -> None:
    twice = (*H.BASE, "wire_in device=wire-workhorse role=buddy")
    held = (*twice, f"{H.STENT} traps=wire-workhorse")
    pull = "wire_out device=wire-workhorse guide=engaged"
    name = "trapped_wire_pulled_with_guide_engaged"
    found = asked(held, pull)[name]
    assert found.rule.level is Level.PAUSE and "which comes out" in found.text
    left = now_of(*held, pull)
    assert [one.item for one in left.inside if one.device == "wire-workhorse"] == [BodyItem.TRAPPED_WIRE]
    assert asked((*held, pull), pull)[name].rule.level is Level.BLOCK
    assert now_of(*held, pull, pull).of(BodyItem.TRAPPED_WIRE) == ()
    assert name not in asked(twice, pull)


TWINS = (*H.BASE, "wire_in device=wire-workhorse role=buddy")


def test_of_two_wires_of_one_name_each_has_its_own_tip() -> None:
    lost = (*TWINS, "wire_seen device=wire-workhorse role=buddy tip=small_branch")
    seen = "wire_seen device=wire-workhorse role=rail tip=main_vessel"
    assert now_of(*lost).wire_tip is None
    assert "other_wire_tip" in asked((*lost, seen), H.BALLOON)
    assert "wire_tip_in_small_branch" not in asked((*lost, seen), H.BALLOON)
    assert now_of(*lost, seen).wire_tip == "main_vessel"
    back = (*lost, "wire_seen device=wire-workhorse role=buddy tip=main_vessel")
    assert "other_wire_tip" not in asked(back, H.BALLOON)


def test_of_two_wires_of_one_name_the_one_that_is_said_comes_out() -> None:
    for role, left in (("rail", "buddy"), ("buddy", "rail")):
        now = now_of(*TWINS, f"wire_out device=wire-workhorse role={role}")
        assert [one.role for one in now.of(BodyItem.WIRE)] == [left]
    held = (*TWINS, f"{H.STENT} traps=wire-workhorse")
    name = "trapped_wire_pulled_with_guide_engaged"
    pulled = "wire_out device=wire-workhorse role=trapped"
    assert asked(held, pulled)[name].rule.level is Level.BLOCK
    assert [one.item for one in now_of(*held, pulled).inside if one.device == "wire-workhorse"] == [
        BodyItem.WIRE
    ]
    assert name not in asked(held, "wire_out device=wire-workhorse role=rail")


@pytest.mark.parametrize(
    ("then", "blocked"),
    [
        ("deflation device=stent-300-18", False),
        ("deflation", False),
        (H.TRY_BALLOON, False),  # another went down the wire
        ("device_out device=stent-300-18", False),
        ("note text=x", True),
    ],
)
def test_a_stent_opened_without_a_time_blocks_until_its_balloon_is_down(then: str, blocked: bool) -> None:
    held = (*H.PREPARED, H.STENT)
    assert now_of(*held).blocked_by == "stent-300-18"
    assert (now_of(*held, then).blocked_at_s is not None) is blocked
    assert now_of(*H.PREPARED, f"{H.STENT} duration_s=20").blocked_at_s is None
    assert "long_ischaemia" in asked(H.PREPARED, f"{H.STENT} duration_s=121")
    assert "long_ischaemia" not in asked(H.PREPARED, f"{H.STENT} duration_s=120")


def test_what_is_new_each_time_is_said_each_time() -> None:
    """Ten minutes of quiet are for what stands, not for another dose or another level."""
    setting = H.setting()

    def shown(*steps: str) -> list[set[str]]:
        entries = [H.entry(text, at_min=0.5 * k, number=k) for k, text in enumerate(steps)]
        return [{one.rule.id for one in moment.shown} for moment in along(entries, setting)]

    doses = shown("heparin dose_U=8000", *["heparin dose_U=8000"] * 4)
    assert [("heparin_untested" in one) for one in doses] == [False, True, True, True, True]
    levels = shown("dose air_kerma_mGy=3100", "dose air_kerma_mGy=3150", "dose air_kerma_mGy=4100")
    assert [("kerma_notice" in one) for one in levels] == [True, False, True]
    torn = shown(*H.BASE, *["complication what=flap code=dissection"] * 2)
    assert [("dissection" in one) for one in torn[-2:]] == [True, True]
    low = shown(*H.BASE, "act act_s=240", H.BALLOON, H.BALLOON)
    assert [("act_low" in one) for one in low[-3:]] == [True, False, False]


LEAK_CODES = (
    "perforation",
    "tamponade",
    "stent_lost",
    "burr_stuck",
    "device_stuck",
    "part_lost",
    "dissection",
)


@pytest.mark.parametrize("code", LEAK_CODES)
@pytest.mark.parametrize("step", ["wire_out device=wire-workhorse", "guide_out wanted=yes"])
def test_the_last_wire_stays_while_something_is_treated_over_it(code: str, step: str) -> None:
    wrong, over = f"complication what=x code={code}", f"complication what=x code={code} settled=yes"
    assert "way_given_up" in asked((*H.BASE, wrong), step)
    assert "way_given_up" not in asked((*H.BASE, wrong, over), step)
    assert "way_given_up" not in asked((*H.BASE, "complication what=x code=slow_flow"), step)
    if step.startswith("wire"):
        assert "way_given_up" not in asked((*H.BUDDY, wrong), step)


def test_a_dissection_or_narrowing_that_is_over_is_not_spoken_of_but_no_burr_follows_a_dissection() -> None:
    flap = (*H.BASE, "extension device=ext-6 depth_mm=10", "complication what=x code=dissection")
    over = "complication what=x code=dissection settled=yes"
    assert "injection_into_dissection" in asked(flap, H.INJECT)
    assert "injection_into_dissection" not in asked((*flap, over), H.INJECT)
    assert "injection_into_dissection" in asked((*flap, over, flap[-1]), H.INJECT)
    assert "burr_after_dissection" in asked((*flap, over), H.RUN)
    gone = "complication what=x code=new_narrowing settled=yes"
    name = "stent_over_wire_made_narrowing"
    assert name in asked(H.STIFF, H.STENT) and name not in asked((*H.STIFF, gone), H.STENT)
    assert name not in asked((*H.STIFF, f"{gone} at_mm=41"), H.STENT)
    assert name in asked((*H.STIFF, f"{gone} at_mm=39"), H.STENT)  # another one


def test_a_stiff_buddy_straightens_the_vessel_like_a_stiff_rail() -> None:
    before = (*H.BASE, H.OPENED, "wire_in device=wire-heavy role=buddy", H.NARROWING)
    step = f"{H.STENT} traps=wire-heavy"
    found = asked(before, step)["stent_over_wire_made_narrowing"]
    assert found.rule.level is Level.BLOCK
    soft = tuple(text.replace("wire-heavy", "wire-jacketed") for text in before)
    assert "stent_over_wire_made_narrowing" not in asked(soft, step.replace("wire-heavy", "wire-jacketed"))
    unlisted = (*before, "wire_in device=unlisted role=buddy")  # one that is known to be stiff is enough
    assert asked(unlisted, step)["stent_over_wire_made_narrowing"].rule.level is Level.BLOCK


def test_heparin_and_value_of_one_minute_follow_each_other_as_written() -> None:
    tested = ("heparin dose_U=7000 t=1", "act act_s=320 t=1")
    assert "heparin_untested" not in asked(tested, "heparin dose_U=1000 t=1")
    assert "heparin_untested" in asked(tested[::-1], "heparin dose_U=1000 t=1")
    assert not now_of(*tested).act_is_old and now_of(*tested[::-1]).act_is_old


def test_a_value_too_low_is_said_when_it_is_read_and_where_it_was_drawn_is_heard() -> None:
    assert "act_low" in asked(H.BASE, "act act_s=240")
    assert "act_low" in asked((*H.BASE, "heparin dose_U=1000"), "act act_s=240")  # it is newer than the dose
    assert "act_low" not in asked(H.BASE[:1], "act act_s=240")  # nothing is in yet
    assert (
        "about 267 s at the sheath"
        in asked(H.BASE, "act act_s=310 sampled_from=guide")["act_hangs_on_site"].text
    )
    assert "act_hangs_on_site" not in asked(H.BASE, "act act_s=350 sampled_from=guide")
    assert "act_hangs_on_site" not in asked(
        ("drug drug=bivalirudin", *H.BASE), "act act_s=310 sampled_from=guide"
    )


@pytest.mark.parametrize(
    ("drug", "dose", "unit", "said"),
    [
        ("bivalirudin", 60, "mg", False),  # 0.75 mg/kg of 80 kg [@stemi2013]
        ("bivalirudin", 480, "mg", True),
        ("bivalirudin", 140, "mg/h", False),
        ("enoxaparin", 40, "mg", False),
        ("enoxaparin", 48, "mg", True),
        ("aspirin", 500, "mg", False),
    ],
)
def test_a_dose_of_another_agent_is_held_against_the_weight(
    drug: str, dose: float, unit: str, said: bool
) -> None:
    step = H.entry(f"drug drug={drug} dose={dose}")
    step = Entry(step.id, step.kind, 0.0, "nurse", values={**step.values, "unit": unit})
    assert ("agent_above_dose" in {one.rule.id for one in judged(Now(), step, H.setting())}) is said
    assert "agent_above_dose" not in {one.rule.id for one in judged(Now(), step, H.setting(weight_kg=None))}


@pytest.mark.parametrize(
    "step", ["wire_out device=wire-heavy", "extension device=ext-6", "device_out device=snare"]
)
def test_what_comes_out_and_was_not_in_is_asked_about(step: str) -> None:
    assert "was_not_in" in asked(H.BASE, step)
    assert "was_not_in" in asked((), "guide_out wanted=yes")
    into = {
        "wire_out device=wire-heavy": "wire_in device=wire-heavy role=buddy",
        "extension device=ext-6": "extension device=ext-6 depth_mm=9",
    }
    assert "was_not_in" not in asked((*H.BASE, into.get(step, "device_in device=snare what=snare")), step)


def test_a_device_of_no_shelf_that_was_tried_is_counted_as_what_it_is() -> None:
    now = now_of(*H.BASE, "attempt device=unlisted outcome=stopped")
    assert [one.device for one in now.of(BodyItem.OTHER)] == ["unlisted"] and now.of(BodyItem.BALLOON) == ()
    assert (
        "unlisted (other)"
        in asked((*H.BASE, "attempt device=unlisted outcome=stopped"), "end")["still_inside_at_end"].text
    )


SEEN, LOST = ("wire_seen device=wire-workhorse tip=" + tip for tip in ("main_vessel", "out_of_view"))
TOO_LARGE = H.BALLOON.replace("bal-sc-250-15", "bal-nc-350-12")


@pytest.mark.parametrize(
    ("steps", "name", "shown"),
    [
        (("extension device=ext-6 depth_mm=20", H.INJECT, "flush", "extension device=ext-6", H.INJECT),
         "air_after_exchange", [1, 4]),
        (("extension device=ext-6 depth_mm=20", H.INJECT, "extension device=ext-6", H.INJECT), "air_after_exchange", [1]),
        ((LOST, H.BALLOON, H.BALLOON, SEEN, H.BALLOON, LOST, H.BALLOON), "wire_tip_out_of_view", [1, 6]),
        ((LOST, H.BALLOON, H.TRY_BALLOON), "wire_tip_out_of_view", [1]),
        (("act act_s=240", H.BALLOON, H.BALLOON, "act act_s=245", H.BALLOON), "act_low", [0, 3]),
        ((TOO_LARGE, TOO_LARGE.replace("pressure_atm=10", "pressure_atm=12")), "balloon_too_large", [0]),
        ((f"{H.RUN} longest_run_s=25", f"{H.RUN} longest_run_s=25"), "burr_run_too_long", [0]),
        ((f"{H.RUN} longest_run_s=25", f"{H.RUN} longest_run_s=40"), "burr_run_too_long", [0, 1]),
        (("contrast volume_mL=85", H.INJECT), "contrast_near_ceiling", [0]),
    ],
)  # fmt: skip
def test_what_ended_or_has_another_cause_is_said_again_though_it_was_said_lately(
    steps: tuple[str, ...], name: str, shown: list[int]
) -> None:
    entries = [H.entry(text, at_min=0.1 * k, number=k) for k, text in enumerate((*H.BASE, *steps))]
    moments = along(entries, H.setting())[len(H.BASE) :]
    assert [k for k, one in enumerate(moments) if name in {f.rule.id for f in one.shown}] == shown


@pytest.mark.parametrize(
    ("extension", "drawn_into", "name"),
    [
        (False, "", "undeployed_stent_into_guide"),
        (False, " drawn_into=guide", "undeployed_stent_into_guide"),
        (True, "", "undeployed_stent_withdrawn_with_extension_in"),
        (True, " drawn_into=guide", "undeployed_stent_withdrawn_with_extension_in"),
        (True, " drawn_into=extension", "undeployed_stent_into_extension"),
        (True, " drawn_into=sheath", None),
        (False, " drawn_into=sheath", None),
    ],
)
def test_an_undeployed_stent_that_comes_back_is_spoken_of_unless_it_comes_as_one_unit(
    extension: bool, drawn_into: str, name: str | None
) -> None:
    before = (*H.PREPARED, *(["extension device=ext-6 depth_mm=20"] if extension else []), H.TRY)
    found = asked(before, H.OUT + drawn_into).keys()
    assert {one for one in found if one.startswith("undeployed")} == ({name} if name else set())


@pytest.mark.parametrize(
    ("what", "item", "named"),
    [("atherectomy", BodyItem.BURR, "burr"), ("lithotripsy", BodyItem.BALLOON, "lithotripsy balloon")],
)
def test_what_prepared_the_lesion_is_counted_though_nobody_said_which_it_was(
    what: str, item: BodyItem, named: str
) -> None:
    run = f"prepared what={what} from_mm=40 to_mm=60"
    now = now_of(*H.BASE, run, run)
    assert [one.device for one in now.of(item)] == [named]
    assert named in asked((*H.BASE, run), "end counted=yes")["still_inside_at_end"].text
    gone = Entry("x", EventKind.DEVICE_OUT, 600.0, "recorder", values={"device": named})
    assert H.setting().then(now, gone).of(item) == ()


def test_a_burr_that_is_in_is_the_one_that_ran() -> None:
    tried = "attempt device=burr-125 outcome=reached"
    now = now_of(*H.BASE, tried, "prepared what=atherectomy from_mm=40 to_mm=60")
    assert [one.device for one in now.of(BodyItem.BURR)] == ["burr-125"]


def test_what_went_down_the_rail_before_a_stent_is_still_counted() -> None:
    now = now_of(*H.PREPARED, H.STENT)
    assert [one.device for one in now.to_be_counted] == ["bal-nc-300-12"]
    assert [one.item for one in now.to_come_out] == [BodyItem.GUIDE, BodyItem.WIRE, BodyItem.STENT_BALLOON]
