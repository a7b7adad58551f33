"""Each arm of a hazard by itself, and the edges of those with a range or a time."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.core.rules import Fired
from backstay.core.safety.attention import along, judged
from backstay.core.safety.now import now_after

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
LEAK = "complication what=leak code=perforation at_mm=52"


def asked(before: tuple[str, ...], step: str, **changes: object) -> dict[str, Fired]:
    setting = H.setting(**changes)
    entries = [H.entry(text, at_min=0.5 * k, number=k) for k, text in enumerate((*before, step))]
    now = now_after(entries[:-1], setting.kinds, branch_at_mm=setting.branch_at_mm)
    return {one.rule.id: one for one in judged(now, entries[-1], setting)}


GUIDE_CHANGED = (*H.BASE, "flush", "guide_out wanted=yes", "guide_in device=guide-8-ebl")
PULLED_BACK = (*H.PREPARED, H.TRY, "flush", f"{H.OUT} drawn_into=sheath")
ARMS: dict[str, tuple[str, tuple[str, ...], str, bool]] = {
    "air after a new guide": ("air_after_exchange", GUIDE_CHANGED, H.INJECT, True),
    "air after a guide in place of another": ("air_after_exchange", (*H.BASE, "flush", "guide_in device=guide-8-ebl"), H.INJECT, True),
    "air after the guide came out": ("air_after_exchange", (*H.BASE, "flush", "guide_out wanted=yes"), H.INJECT, True),
    "air after the first guide": ("air_after_exchange", H.BASE, H.INJECT, False),
    "air after all was drawn into the sheath": ("air_after_exchange", PULLED_BACK, H.INJECT, True),
    "no air after a balloon": ("air_after_exchange", (*H.PREPARED, "flush", "device_out device=bal-nc-300-12"), H.INJECT, False),
    "stent pushed into a wire's narrowing": ("stent_over_wire_made_narrowing", H.STIFF, f"{H.TRY} stopped_at_mm=52", True),
    "stent pushed elsewhere": ("stent_over_wire_made_narrowing", H.STIFF, f"{H.TRY} stopped_at_mm=30", False),
    "bivalirudin has no clotting time": ("act_low", ("drug drug=bivalirudin", *H.BASE, "act act_s=200"), H.BALLOON, False),
    "anchor up while a device is drawn back": ("anchor_left_inflated", (*H.PREPARED, H.TRY, H.ANCHOR), H.OUT, True),
    "anchor up at the end": ("anchor_left_inflated", (*H.BASE, H.ANCHOR), "end counted=yes", True),
    "anchor up at a push": ("anchor_left_inflated", (*H.PREPARED, H.ANCHOR), H.TRY, False),
    "burr beside a trapped wire": ("burr_beside_second_wire", H.TRAPPED, "prepared from_mm=1 to_mm=9 what=atherectomy", True),
    "stent above its rated burst": ("above_rated_burst", H.PREPARED, H.STENT.replace("atm=12", "atm=30"), True),
    "burr run into a leak": ("went_on_after_perforation", (*H.BASE, LEAK), H.RUN, True),
    "extension into a leak": ("went_on_after_perforation", (*H.BASE, LEAK), "extension device=ext-6 depth_mm=10", True),
    "a balloon without a wire": ("no_wire_in", H.BASE[:3], H.BALLOON, True),
    "a snare needs no wire": ("no_wire_in", H.BASE[:3], "device_in device=snare what=snare", False),
    "balloon at a leak": ("went_on_after_perforation", (*H.BASE, LEAK), H.BALLOON, False),
}  # fmt: skip


@pytest.mark.parametrize("name", ARMS)
def test_each_arm_of_a_rule_holds_by_itself(name: str) -> None:
    rule, before, step, fires = ARMS[name]
    assert (rule in asked(before, step)) is fires


@pytest.mark.parametrize(("act_s", "said"), [(199.9, True), (200, False), (400, False), (400.1, True)])
def test_work_on_occlusions_has_its_own_range_of_clotting_times(act_s: float, said: bool) -> None:
    found = asked((*H.BASE, f"act act_s={act_s}"), H.BALLOON, chronic_occlusion=True)
    assert ("act_outside_occlusion_range" in found) is said


@pytest.mark.parametrize("kit", ["covered_stent", "pericardiocentesis"])
def test_a_burr_wants_both_parts_of_the_rescue_kit(kit: str) -> None:
    assert "burr_without_rescue_kit" in asked(H.BASE, H.RUN, **{**H.READY, kit: False})
    assert "burr_without_rescue_kit" not in asked(H.BASE, H.RUN, **H.READY)


def test_quiet_lasts_ten_minutes_and_a_second_end_is_new() -> None:
    def said_at(name: str, *steps: tuple[float, str]) -> list[float]:
        begun = [H.entry(text, number=k) for k, text in enumerate(H.BASE)]
        entries = [*begun, *(H.entry(text, at_min=at, number=9 + k) for k, (at, text) in enumerate(steps))]
        moments = along(entries, H.setting())
        return [m.entry.at_s / 60 for m in moments if name in {f.rule.id for f in m.shown}]

    low = [(1.0, "act act_s=240"), (10.9, H.BALLOON), (11.1, H.BALLOON)]
    assert said_at("act_low", *low) == pytest.approx([1.0, 11.1])
    out = [(1.0, "wire_out device=wire-workhorse"), (1.1, "guide_out wanted=yes")]
    assert said_at("not_counted", *out, (2.0, "end"), (3.0, "end")) == pytest.approx([2.0, 3.0])
