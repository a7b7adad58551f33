# ruff: noqa: E501  a table reads better in long rows
"""For every hazard a scene in which it must fire and a near miss in which it must not.

A scene is what was logged before, the step in question, and what differs in the setting. Steps are written as
`kind key=value ...`; the vessel is invented: 100 mm, 3.0 mm wide, bent by 120 degrees, calcified from 40 to 60 mm.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from backstay.adapters.shelf_file import read_shelf
from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Burr, Device, Wire
from backstay.core.safety.setting import Agreed, Patient, Setting
from backstay.identifiers import Calcium, EventKind

SHELF = read_shelf(Path(__file__).resolve().parents[1] / "examples" / "demo" / "shelf.toml")


def bent_path(bend_deg: float) -> LumenPath:
    s = np.arange(0.0, 101.0)
    turn = np.radians(bend_deg) * s / 100.0
    step = np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
    points = np.vstack([np.zeros(3), np.cumsum(0.5 * (step[1:] + step[:-1]), axis=0)])
    return LumenPath.through(points, np.full(len(s), 1.5), radius_sd_mm=0.1, spacing_mm=1.0)


BENT, STRAIGHT = bent_path(120.0), bent_path(60.0)


def devices() -> dict[str, Device]:
    wire = SHELF.devices["wire-heavy"]
    assert isinstance(wire, Wire)
    burr = SHELF.devices["burr-175"]
    assert isinstance(burr, Burr)
    return {
        **SHELF.devices,
        "wire-piercing": replace(wire, id="wire-piercing", tip_load_N=0.021),
        "burr-200": replace(burr, id="burr-200", nominal_diameter_mm=2.0),
    }


def setting(
    *, bent: bool = True, calcium: str = "severe", dissected: bool = False, **changes: Any
) -> Setting:
    patient = {k: changes.pop(k) for k in list(changes) if k in Patient.__dataclass_fields__}
    agreed = {k: changes.pop(k) for k in list(changes) if k in Agreed.__dataclass_fields__}
    assert not changes, changes
    return Setting(
        devices=devices(),
        path=BENT if bent else STRAIGHT,
        lesions=(Lesion(40.0, 60.0, Calcium(calcium), (), dissected),),
        branches=(Branch("small", 20.0, 1.8, 1.0), Branch("large", 25.0, 2.6, 1.0)),
        patient=Patient(**{"weight_kg": 80.0, **patient}),
        agreed=Agreed(**{"contrast_mL": 100.0, "air_kerma_mGy": 2500.0, "minutes": 60.0, **agreed}),
    )


_WORDS: dict[str, object] = {"yes": True, "no": False}


def entry(text: str, *, at_min: float = 0.0, number: int = 0) -> Entry:
    """Return an entry from `kind key=value ...`; a value with commas is a list."""
    kind, *rest = text.split()
    values: dict[str, object] = {}
    for part in rest:
        name, _, word = part.partition("=")
        if name == "t":
            at_min = float(word)
            continue
        if name == "traps":
            values[name] = word.split(",")
        elif word in _WORDS:
            values[name] = _WORDS[word]
        else:
            try:
                values[name] = float(word)
            except ValueError:
                values[name] = word
    return Entry(f"e{number}", EventKind(kind), 60.0 * at_min, "recorder", values=values)


@dataclass(frozen=True)
class Scene:
    before: tuple[str, ...] = ()
    step: str = "plan"
    setting: dict[str, Any] = field(default_factory=dict)
    skin_mGy: float | None = None

    @property
    def is_step(self) -> bool:
        """Return whether a step is judged; a plan and where a case stands are none."""
        return self.step not in ("plan", "stand")

    def entries(self) -> list[Entry]:
        return [entry(text, at_min=0.1 * k, number=k) for k, text in enumerate(self.before)]

    def asked(self) -> Entry:
        return entry(self.step, at_min=0.1 * len(self.before), number=len(self.before))


BASE = (
    "heparin dose_U=7000",
    "act act_s=300",
    "guide_in device=guide-6-sr",
    "wire_in device=wire-workhorse role=rail",
)
BUDDY = (*BASE, "wire_in device=wire-jacketed role=buddy")
READY = {"covered_stent": True, "pericardiocentesis": True, "snare": True, "p2y12_loaded": True}
STENT = "stent device=stent-300-18 from_mm=42 to_mm=60 pressure_atm=12"
STENTED = (*BASE, STENT)
TRAPPED = (*BUDDY, f"{STENT} traps=wire-jacketed")
OPENED = "inflation device=bal-nc-300-12 from_mm=44 to_mm=56 pressure_atm=14 duration_s=20 purpose=preparation opened_fully=yes views=2"
PREPARED = (*BASE, OPENED)
BALLOON = (
    "inflation device=bal-sc-250-15 from_mm=42 to_mm=57 pressure_atm=10 duration_s=20 purpose=preparation"
)
ANCHOR = "inflation device=bal-sc-150-12 from_mm=20 to_mm=32 pressure_atm=6 purpose=anchor branch=small"
TRY = "attempt device=stent-300-18 outcome=stopped"
TRY_BALLOON = "attempt device=bal-nc-300-12 outcome=stopped"
RUN = "prepared device=burr-125 from_mm=40 to_mm=60 what=atherectomy"
NARROWING = "complication what=narrowing code=new_narrowing at_mm=50"
STIFF = (
    "heparin dose_U=7000",
    "act act_s=300",
    "guide_in device=guide-6-sr",
    "wire_in device=wire-heavy role=rail",
    OPENED,
    NARROWING,
)
INJECT = "contrast volume_mL=8"
OUT = "device_out device=stent-300-18"

S = Scene
CASES: dict[str, tuple[Scene, Scene]] = {
    # burr: dissected is a lesion with a known dissection
    "burr_after_dissection": (S(BASE, RUN, {"dissected": True}), S(BASE, RUN)),
    "burr_beside_second_wire": (S(BUDDY, RUN), S((*BUDDY, "wire_out device=wire-jacketed"), RUN)),
    "burr_in_new_stent": (S(STENTED, RUN), S(STENTED, "prepared device=burr-125 from_mm=10 to_mm=30 what=atherectomy")),
    "burr_too_large": (S(BASE, RUN.replace("burr-125", "burr-200")), S(BASE, RUN.replace("burr-125", "burr-175"))),
    "burr_run_too_long": (S(BASE, f"{RUN} longest_run_s=21"), S(BASE, f"{RUN} longest_run_s=20")),
    "burr_through_extension": (S((*BASE, "extension device=ext-6 depth_mm=10"), RUN), S(BASE, RUN)),
    "burr_without_rescue_kit": (S(BASE, RUN, {"covered_stent": True}), S(BASE, RUN, READY)),
    "burr_stuck": (S(BASE, "complication what=stuck code=burr_stuck"), S(BASE, "complication what=stuck code=device_stuck")),
    "burr_again_while_stuck": (S((*BASE, "complication what=stuck code=burr_stuck"), RUN),
                               S((*BASE, "complication what=stuck code=burr_stuck", "complication what=freed code=burr_stuck settled=yes"), RUN)),
    # guide and extension
    "injection_with_damped_pressure": (S((*BASE, "pressure damped=yes"), INJECT), S((*BASE, "pressure damped=no"), INJECT)),
    "injection_through_deep_extension": (S((*BASE, "extension device=ext-6 depth_mm=35"), INJECT),
                                         S((*BASE, "extension device=ext-6 depth_mm=35", "pressure damped=no"), INJECT)),
    "side_holes_hide_damping": (S((*BASE, "guide_in device=guide-8-ebl side_holes=yes", "pressure damped=no"), "extension device=ext-8 depth_mm=10"),
                                S((*BASE, "pressure damped=no"), "extension device=ext-6 depth_mm=10")),
    "deep_seat": (S(BASE, "guide_in device=guide-6-sr seat_mm=5.1"), S(BASE, "guide_in device=guide-6-sr seat_mm=5")),
    "guide_tip_at_new_stent": (S((*BASE, "stent device=stent-300-12 from_mm=6 to_mm=18 pressure_atm=12"), "guide_in device=guide-6-sr seat_mm=5"),
                               S((*BASE, "stent device=stent-300-12 from_mm=8 to_mm=20 pressure_atm=12"), "guide_in device=guide-6-sr seat_mm=5")),
    "extension_edge_at_new_stent": (S(STENTED, "extension device=ext-6 depth_mm=41"), S(STENTED, "extension device=ext-6 depth_mm=39")),
    "extension_advanced_deep": (S(BASE, "extension device=ext-6 depth_mm=30"), S(BASE, "extension device=ext-6 depth_mm=29")),
    "extension_in_stretch_to_stent": (S((*PREPARED, "extension device=ext-6 depth_mm=43"), STENT), S((*PREPARED, "extension device=ext-6 depth_mm=41"), STENT)),
    "stent_through_extension": (S((*PREPARED, "extension device=ext-6 depth_mm=20", f"{TRY} limited_by=collar_catch"), TRY),
                                S((*PREPARED, "extension device=ext-6 depth_mm=20", f"{TRY} limited_by=guide_out"), TRY)),
    "undeployed_stent_into_extension": (S((*PREPARED, TRY), f"{OUT} drawn_into=extension"), S(STENTED, f"{OUT} drawn_into=extension")),
    "undeployed_stent_into_guide": (S((*PREPARED, TRY), f"{OUT} drawn_into=guide"), S((*PREPARED, TRY), f"{OUT} drawn_into=sheath")),
    "undeployed_stent_withdrawn_with_extension_in": (S((*PREPARED, "extension device=ext-6 depth_mm=20", TRY), OUT + " drawn_into=guide"),
                                                     S((*PREPARED, "extension device=ext-6 depth_mm=20", TRY), OUT + " drawn_into=sheath")),
    "imaging_catheter_through_new_stent": (S(STENTED, "device_in device=probe what=imaging_catheter"), S(PREPARED, "device_in device=probe what=imaging_catheter")),
    "hard_push_feels_little": (S((*PREPARED, f"{TRY} push=all_that_was_safe", f"{TRY} push=all_that_was_safe"), TRY),
                               S((*PREPARED, f"{TRY} push=firm", f"{TRY} push=all_that_was_safe"), TRY)),
    "hard_push_through_extension": (S((*PREPARED, "extension device=ext-6 depth_mm=20", f"{TRY} push=all_that_was_safe"), TRY),
                                    S((*PREPARED, "extension device=ext-6 depth_mm=20", f"{TRY} push=firm"), TRY)),
    "air_after_exchange": (S((*BASE, "extension device=ext-6 depth_mm=10"), INJECT), S((*BASE, "extension device=ext-6 depth_mm=10", "flush"), INJECT)),
    "injection_into_dissection": (S((*BASE, "extension device=ext-6 depth_mm=10", "complication what=flap code=dissection"), INJECT),
                                  S((*BASE, "complication what=flap code=dissection"), INJECT)),
    # wires
    "wire_tip_out_of_view": (S((*BASE, "wire_seen device=wire-workhorse tip=out_of_view"), BALLOON), S((*BASE, "wire_seen device=wire-workhorse tip=main_vessel"), BALLOON)),
    "wire_tip_in_small_branch": (S((*BASE, "wire_seen device=wire-workhorse tip=small_branch"), BALLOON), S((*BASE, "wire_seen device=wire-workhorse tip=large_branch"), BALLOON)),
    "other_wire_tip": (S((*BUDDY, "wire_seen device=wire-jacketed tip=small_branch"), BALLOON),
                       S((*BUDDY, "wire_seen device=wire-jacketed tip=large_branch"), BALLOON)),
    "heavy_wire_tip": (S(BASE, "wire_in device=wire-piercing role=buddy"), S(BASE, "wire_in device=wire-heavy role=buddy")),
    "stent_over_wire_made_narrowing": (S(STIFF, STENT), S(STIFF, STENT, {"bent": False})),
    "buddy_left_under_stent": (S((*BUDDY, OPENED), STENT), S((*BUDDY, OPENED), f"{STENT} traps=wire-jacketed")),
    "branch_wire_jailed": (S((*BASE, "wire_in device=wire-support role=branch branch=large"), "stent device=stent-300-18 from_mm=24 to_mm=42 pressure_atm=12"),
                           S((*BASE, "wire_in device=wire-support role=branch branch=large"), "stent device=stent-300-18 from_mm=26 to_mm=44 pressure_atm=12")),
    "trapped_beyond_soft_end": (S((*BASE, "wire_in device=wire-heavy role=buddy"), "stent device=stent-300-38 from_mm=10 to_mm=51 pressure_atm=12 traps=wire-heavy"),
                                S((*BASE, "wire_in device=wire-heavy role=buddy"), "stent device=stent-300-38 from_mm=11 to_mm=49 pressure_atm=12 traps=wire-heavy")),
    "trapped_wire_without_jacket": (S((*BASE, "wire_in device=wire-support role=buddy"), f"{STENT} traps=wire-support"), S(BUDDY, f"{STENT} traps=wire-jacketed")),
    "trapped_wire_with_jacket": (S(BUDDY, f"{STENT} traps=wire-jacketed"), S((*BASE, "wire_in device=wire-support role=buddy"), f"{STENT} traps=wire-support")),
    "trapped_wire_scrapes_coating": (S((*BASE, "wire_in device=wire-support role=buddy"), "stent device=stent-300-28 from_mm=36 to_mm=57 pressure_atm=12 traps=wire-support"),
                                     S((*BASE, "wire_in device=wire-support role=buddy"), "stent device=stent-300-28 from_mm=36 to_mm=56 pressure_atm=12 traps=wire-support")),
    "trap_behind_stent_not_wanted": (S(BUDDY, "stent device=stent-300-12 from_mm=28 to_mm=40 pressure_atm=12 traps=wire-jacketed"),
                                     S(BUDDY, "stent device=stent-300-12 from_mm=29 to_mm=41 pressure_atm=12 traps=wire-jacketed")),
    "trap_is_described_in_few_cases": (S(BUDDY, f"{STENT} traps=wire-jacketed"), S(BASE, STENT)),
    "high_pressure_over_trapped_wire": (S(TRAPPED, "inflation device=bal-nc-300-12 from_mm=44 to_mm=56 pressure_atm=16 duration_s=20 purpose=after_stent"),
                                        S(TRAPPED, "inflation device=bal-nc-300-12 from_mm=44 to_mm=56 pressure_atm=15.5 duration_s=20 purpose=after_stent")),
    "stent_over_trapped_wire": (S(TRAPPED, "stent device=stent-300-18 from_mm=30 to_mm=44 pressure_atm=12"), S(TRAPPED, "stent device=stent-300-18 from_mm=24 to_mm=42 pressure_atm=12")),
    "trapped_wire_pulled_with_guide_engaged": (S(TRAPPED, "wire_out device=wire-jacketed"), S(TRAPPED, "wire_out device=wire-jacketed guide=disengaged")),
    "trapped_wire_pulled": (S(TRAPPED, "wire_out device=wire-jacketed guide=disengaged"), S(TRAPPED, "wire_out device=wire-workhorse guide=disengaged")),
    "wire_through_new_stent": (S(STENTED, "wire_in device=wire-jacketed role=branch branch=large"), S(BASE, "wire_in device=wire-jacketed role=branch branch=large")),
    "wire_place_at_risk_in_guide_exchange": (S(BASE, "guide_out wanted=yes"), S((*BASE, "wire_out device=wire-workhorse", "wire_in device=wire-exchange role=rail"), "guide_out wanted=yes")),
    "guide_lost": (S(BASE, "guide_out wanted=no"), S(BASE, "guide_out wanted=yes")),
    "wrapped_wires": (S((*BUDDY, f"{TRY_BALLOON} limited_by=wire_wrap"), TRY_BALLOON), S((*BUDDY, f"{TRY_BALLOON} limited_by=wire_wrap", "wire_out device=wire-jacketed"), TRY_BALLOON)),
    "wire_dragged": (S((*BASE, f"{TRY_BALLOON} limited_by=wire_dragged"), TRY_BALLOON), S((*BASE, f"{TRY_BALLOON} limited_by=prolapse"), TRY_BALLOON)),
    # balloons and stents
    "above_rated_burst": (S(BASE, BALLOON.replace("atm=10", "atm=17")), S(BASE, BALLOON.replace("atm=10", "atm=16"))),
    "balloon_too_large": (S(BASE, BALLOON.replace("bal-sc-250-15", "bal-nc-350-12")), S(BASE, BALLOON.replace("bal-sc-250-15", "bal-nc-300-12"))),
    "stent_too_large": (S(PREPARED, STENT.replace("stent-300-18", "stent-350-18")), S(PREPARED, STENT)),
    "beyond_stent_platform": (S((*BASE, "stent device=stent-275-24-lp from_mm=40 to_mm=64 pressure_atm=12"), BALLOON.replace("bal-sc-250-15", "bal-nc-350-12").replace("preparation", "after_stent")),
                              S((*BASE, "stent device=stent-275-24 from_mm=40 to_mm=64 pressure_atm=12"), BALLOON.replace("bal-sc-250-15", "bal-nc-350-12").replace("preparation", "after_stent"))),
    "anchor_too_large": (S(BASE, ANCHOR.replace("bal-sc-150-12", "bal-sc-200-15")), S(BASE, ANCHOR)),
    "anchor_hard_in_small_branch": (S(BASE, ANCHOR.replace("atm=6", "atm=9")), S(BASE, ANCHOR.replace("atm=6", "atm=8"))),
    "anchor_off_axis": (S((*BASE, f"{TRY_BALLOON} limited_by=guide_out"), ANCHOR), S((*BASE, f"{TRY_BALLOON} limited_by=prolapse"), ANCHOR)),
    "long_ischaemia": (S((*BASE, "inflation device=bal-sc-250-15 from_mm=42 to_mm=57 pressure_atm=8 purpose=preparation t=1"), "note text=x t=3.5"),
                       S((*BASE, "inflation device=bal-sc-250-15 from_mm=42 to_mm=57 pressure_atm=8 purpose=preparation t=1"), "note text=x t=2.9")),
    "anchor_left_inflated": (S((*BASE, ANCHOR), STENT), S((*BASE, ANCHOR, "deflation device=bal-sc-150-12"), STENT)),
    "stent_before_balloon_opened": (S((*BASE, OPENED.replace("views=2", "views=1")), TRY), S(PREPARED, TRY)),
    "stent_opened_before_balloon": (S((*BASE, OPENED.replace("views=2", "views=1")), STENT), S(PREPARED, STENT)),
    "balloon_after_stent_may_deform": (S((*STENTED, f"{TRY_BALLOON} limited_by=edge_lock"), TRY_BALLOON), S((*BASE, f"{TRY_BALLOON} limited_by=edge_lock"), TRY_BALLOON)),
    # what runs down
    "no_anticoagulation": (S(("guide_in device=guide-6-sr",), "wire_in device=wire-workhorse role=rail"), S(("drug drug=bivalirudin",), "wire_in device=wire-workhorse role=rail")),
    "fondaparinux_alone": (S(("drug drug=fondaparinux",), "wire_in device=wire-workhorse role=rail"),
                           S(("drug drug=fondaparinux", "heparin dose_U=6800"), "wire_in device=wire-workhorse role=rail")),
    "act_overdue": (S(BASE, f"{BALLOON} t=30.2"), S(BASE, f"{BALLOON} t=30.1")),
    "act_low": (S((*BASE, "act act_s=249"), BALLOON), S((*BASE, "act act_s=250"), BALLOON)),
    "act_before_heparin": (S((*BASE, "act act_s=249", "heparin dose_U=1000"), BALLOON), S((*BASE, "heparin dose_U=1000", "act act_s=249"), BALLOON)),
    "act_high": (S((*BASE, "act act_s=351"), "heparin dose_U=1000"), S((*BASE, "act act_s=350"), "heparin dose_U=1000")),
    "act_hangs_on_instrument": (S(BASE, "act act_s=299"), S(BASE, "act act_s=300")),
    "act_outside_occlusion_range": (S((*BASE, "act act_s=401"), BALLOON, {"chronic_occlusion": True}), S((*BASE, "act act_s=401"), BALLOON)),
    "heparin_above_range": (S((), "heparin dose_U=8001"), S((), "heparin dose_U=8000")),
    "heparin_untested": (S(("heparin dose_U=3000",), "heparin dose_U=2000"), S(("heparin dose_U=3000", "act act_s=220"), "heparin dose_U=2000")),
    "heparin_while_bleeding": (S((*BASE, "complication what=leak code=perforation"), "heparin dose_U=2000"),
                               S((*BASE, "complication what=leak code=perforation", "complication what=sealed code=perforation settled=yes"), "heparin dose_U=2000")),
    "heparin_on_another_agent": (S(("drug drug=enoxaparin",), "heparin dose_U=2000"), S(("drug drug=fondaparinux",), "heparin dose_U=2000")),
    "another_agent_on_heparin": (S(("heparin dose_U=7000",), "drug drug=enoxaparin"), S(("heparin dose_U=7000", "drug drug=protamine"), "drug drug=enoxaparin")),
    "agent_above_dose": (S((), "drug drug=bivalirudin dose=63.1 unit=mg"), S((), "drug drug=bivalirudin dose=63 unit=mg")),
    "act_hangs_on_site": (S(BASE, "act act_s=310 sampled_from=guide"), S(BASE, "act act_s=310 sampled_from=sheath")),
    "protamine_with_equipment_in": (S(BASE, "drug drug=protamine"), S((*BASE, "wire_out device=wire-workhorse", "guide_out wanted=yes"), "drug drug=protamine")),
    "contrast_near_ceiling": (S((*BASE, "contrast volume_mL=72"), INJECT), S((*BASE, "contrast volume_mL=71"), INJECT)),
    "contrast_past_ceiling": (S((*BASE, "contrast volume_mL=92.5"), INJECT), S((*BASE, "contrast volume_mL=92"), INJECT)),
    "contrast_allergy": (S((), INJECT, {"contrast_allergy": True}), S(("contrast volume_mL=23",), INJECT, {"contrast_allergy": True})),
    "kidney_poor": (S(setting={"egfr": 29.9}), S(setting={"egfr": 30.0})),
    "kerma_notice": (S(("dose air_kerma_mGy=2900",), "dose air_kerma_mGy=3000"), S(("dose air_kerma_mGy=3000",), "dose air_kerma_mGy=3900")),
    "kerma_substantial": (S(("dose air_kerma_mGy=4900",), "dose air_kerma_mGy=5000"), S(("dose air_kerma_mGy=3900",), "dose air_kerma_mGy=4999")),
    "kerma_past_agreed": (S((), "dose air_kerma_mGy=2501"), S((), "dose air_kerma_mGy=2500")),
    "dose_fell": (S(("dose air_kerma_mGy=900",), "dose air_kerma_mGy=899"), S(("dose air_kerma_mGy=900",), "dose air_kerma_mGy=900")),
    "skin_substantial": (S(BASE, "stand", skin_mGy=3000), S(BASE, "stand", skin_mGy=2999)),
    "kap_notice": (S((), "dose air_kerma_mGy=1 kap_Gycm2=300"), S((), "dose air_kerma_mGy=1 kap_Gycm2=299 fluoroscopy_min=29")),
    "fluoroscopy_notice": (S((), "dose air_kerma_mGy=1 fluoroscopy_min=30"), S((), "dose air_kerma_mGy=1 kap_Gycm2=299 fluoroscopy_min=60")),
    "kap_substantial": (S((), "dose air_kerma_mGy=1 kap_Gycm2=500"), S((), "dose air_kerma_mGy=1 kap_Gycm2=499 fluoroscopy_min=61")),
    "fluoroscopy_substantial": (S((), "dose air_kerma_mGy=1 fluoroscopy_min=60"), S((), "dose air_kerma_mGy=1 kap_Gycm2=501 fluoroscopy_min=59")),
    "time_past_agreed": (S(PREPARED, f"{TRY} t=60.5"), S(PREPARED, f"{TRY} t=59.5")),
    "no_p2y12_load": (S(), S(setting={"p2y12_loaded": True})),
    # ready, gone wrong, left behind
    "covered_stent_not_ready": (S(), S(setting=READY)),
    "pericardiocentesis_not_ready": (S(setting={"covered_stent": True}), S(setting=READY)),
    "snare_not_ready": (S(BUDDY, f"{STENT} traps=wire-jacketed"), S(BUDDY, f"{STENT} traps=wire-jacketed", READY)),
    "covered_stent_through_small_guide": (S(("guide_in device=guide-5-sl",)), S(("guide_in device=guide-6-sl",))),
    "dissection": (S(BASE, "complication what=flap code=dissection"), S(BASE, "complication what=flap code=thrombus")),
    "perforation": (S(BASE, "complication what=leak code=perforation"), S(BASE, "complication what=leak code=branch_lost")),
    "tamponade": (S(BASE, "complication what=fluid code=tamponade"), S(BASE, "complication what=fluid")),
    "slow_flow": (S(BASE, "complication what=flow code=slow_flow"), S(BASE, "complication what=flow code=thrombus")),
    "air_embolism": (S(BASE, "complication what=air code=air_embolism"), S(BASE, "complication what=air code=slow_flow")),
    "stent_lost": (S(BASE, "complication what=lost code=stent_lost"), S(BASE, "complication what=lost code=stent_deformed")),
    "stuck": (S(BASE, "complication what=stuck code=wire_stuck"), S(BASE, "complication what=stuck code=burr_stuck")),
    "wire_broken": (S(BASE, "complication what=broken code=wire_broken"), S(BASE, "complication what=stuck code=wire_stuck")),
    "stent_deformed": (S(BASE, "complication what=bent code=stent_deformed"), S(BASE, "complication what=bent code=stent_lost")),
    "wire_position_lost": (S(BASE, "complication what=wire code=wire_position_lost"), S(BASE, "complication what=wire code=wire_broken")),
    "clot": (S(BASE, "complication what=clot code=thrombus"), S(BASE, "complication what=flow code=slow_flow")),
    "branch_lost": (S(BASE, "complication what=gone code=branch_lost"), S(BASE, "complication what=gone code=wire_position_lost")),
    "ischaemia": (S(BASE, "complication what=pain code=ischaemia"), S(BASE, "complication what=pain")),
    "went_on_after_perforation": (S((*PREPARED, "complication what=leak code=perforation"), STENT), S((*PREPARED, "complication what=flap code=dissection"), STENT)),
    "way_given_up": (S((*BASE, "complication what=flap code=dissection"), "wire_out device=wire-workhorse"),
                     S((*BUDDY, "complication what=flap code=dissection"), "wire_out device=wire-jacketed")),
    "pressure_low": (S(BASE, "pressure systolic_mmHg=89"), S(BASE, "pressure systolic_mmHg=90")),
    "no_wire_in": (S((*PREPARED, "wire_out device=wire-workhorse"), TRY), S(PREPARED, TRY)),
    "was_not_in": (S(BASE, "device_out device=bal-nc-300-12"), S(PREPARED, "device_out device=bal-nc-300-12")),
    "device_not_whole": (S((*PREPARED, TRY), f"{OUT} whole=no"), S((*PREPARED, TRY), f"{OUT} whole=yes")),
    "still_inside_at_end": (S(BASE, "end counted=yes"), S((*BASE, "wire_out device=wire-workhorse", "guide_out wanted=yes"), "end counted=yes")),
    "trouble_not_settled": (S((*BASE, "complication what=leak code=perforation"), "end counted=yes"),
                            S((*BASE, "complication what=leak code=perforation", "complication what=sealed code=perforation settled=yes"), "end counted=yes")),
    "presumed_out_at_end": (S((*PREPARED, TRY_BALLOON.replace("nc-300", "sc-150")), "end counted=yes"), S((*PREPARED, "device_out device=bal-nc-300-12"), "end counted=yes")),
    "not_counted": (S((), "end"), S((), "end counted=yes")),
}  # fmt: skip
