"""The fit check: what lies where, what passes what, lengths, and the change that would make it fit."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TypeVar, cast

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.adapters.plan_file import Fit
from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import (
    AccessRoute,
    Balloon,
    Device,
    Extension,
    Guide,
    OverWireDevice,
    Shelf,
    Stent,
    Wire,
)
from backstay.core.rigging.fit import FitReport, check_fit
from backstay.core.rigging.lines import FitLine
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.errors import InputError, OutsideValidity
from backstay.identifiers import Access, Verdict

SHELF = read_shelf(Path(__file__).resolve().parents[2] / "examples" / "demo" / "shelf.toml")
LANDING_mm = 90.0
DeviceT = TypeVar("DeviceT", bound=Device)


def get(kind: type[DeviceT], id_: str) -> DeviceT:
    device = SHELF.devices[id_]
    assert isinstance(device, kind)
    return device


GUIDE = get(Guide, "guide-6-ebl")
EXT = get(Extension, "ext-6")
WORKHORSE, SUPPORT = get(Wire, "wire-workhorse"), get(Wire, "wire-support")
STENT, WIDE_STENT = get(Stent, "stent-275-24"), get(Stent, "stent-350-18")
ANCHOR = Anchor(get(Balloon, "bal-sc-150-12"), "first branch", 30.0, 1.6, 8.0)
BASE = Rig(AccessRoute(Access.RIGHT_RADIAL, 6.0), GUIDE, WORKHORSE)


def fit(rig: Rig, device: OverWireDevice = STENT, *, shelf: Shelf | None = SHELF) -> FitReport:
    return check_fit(rig, device, landing_tip_mm=LANDING_mm, shelf=shelf)


def line(report: FitReport, what: str, through: str) -> FitLine:
    return next(x for x in report.lines if x.what.startswith(what) and through in x.through)


def test_a_stent_in_its_guide() -> None:
    report = fit(BASE)
    assert report.verdict is Verdict.FITS
    assert report.spare_mm == pytest.approx(GUIDE.inner_diameter_mm - STENT.crossing_diameter_mm)
    assert report.where == f"bore of the {GUIDE.name}"
    assert report.nearest_fix == ""
    assert report.section.at_mm is None


def test_the_report_goes_into_the_plan_document() -> None:
    report = fit(BASE.with_extension(EXT, 20.0).with_buddy(SUPPORT))
    document = Fit.model_validate(
        {
            "verdict": report.verdict,
            "spare_mm": report.spare_mm,
            "where": report.where,
            "nearest_fix": report.nearest_fix,
            "lines": [vars(x) for x in report.lines],
            "section": {
                **{k: v for k, v in vars(report.section).items() if k != "circles"},
                "circles": [vars(c) for c in report.section.circles],
            },
        }
    )
    assert [x.what for x in document.lines] == [x.what for x in report.lines]


def test_section_shows_the_tightest_bore_with_nothing_overlapping() -> None:
    report = fit(BASE.with_extension(EXT, 20.0).with_buddy(SUPPORT))
    section = report.section
    outer = [c for c in section.circles if not c.name.endswith("inside")]
    assert {c.kind for c in outer} == {"device", "buddy"}
    assert any(c.name == f"{WORKHORSE.name}, inside" for c in section.circles)
    for i, c in enumerate(outer):
        assert math.hypot(c.x_mm, c.y_mm) + c.radius_mm <= section.lumen_radius_mm + 1e-9
        for d in outer[:i]:
            assert math.hypot(c.x_mm - d.x_mm, c.y_mm - d.y_mm) >= c.radius_mm + d.radius_mm - 1e-9


def test_push_rod_lies_beside_the_device_only_proximal_to_the_collar() -> None:
    report = fit(BASE.with_extension(EXT, 20.0))
    in_guide = line(report, STENT.name, "bore of the 6 Fr extra-backup")
    in_tube = line(report, STENT.name, f"bore of the {EXT.name}")
    assert "push rod" in in_guide.what
    assert "push rod" not in in_tube.what
    assert in_guide.spare_mm == pytest.approx(1.80 - STENT.crossing_diameter_mm - EXT.push_rod_diameter_mm)


def test_a_narrow_collar_decides() -> None:
    narrow = replace(EXT, collar_inner_diameter_mm=1.0)
    report = fit(BASE.with_extension(narrow, 20.0), shelf=None)
    assert report.verdict is Verdict.NO
    assert report.where == f"collar of the {EXT.name}"
    assert report.spare_mm == pytest.approx(1.0 - STENT.crossing_diameter_mm)


def test_parts_that_do_not_get_there_are_not_counted() -> None:
    """In a tube that begins 230 mm before the landing the proximal shaft (250 mm back) never enters."""
    deep = fit(BASE.with_extension(EXT, 120.0))
    assert not any(x.what.startswith("proximal shaft") and EXT.name in x.through for x in deep.lines)
    shallow = fit(BASE.with_extension(EXT, 20.0))
    assert any(x.what.startswith("proximal shaft") and EXT.name in x.through for x in shallow.lines)


def test_bulky_parts_pass_one_after_another() -> None:
    """The anchor's balloon lies in the branch: the stent passes its shaft, not its widest part."""
    rig = replace(BASE, anchor=ANCHOR)
    report = fit(rig)
    beside = line(report, f"{STENT.name} beside", "bore")
    shaft_mm = ANCHOR.balloon.shaft_diameter_mm
    assert beside.spare_mm == pytest.approx(1.80 - STENT.crossing_diameter_mm - shaft_mm)
    wider = replace(ANCHOR, balloon=replace(ANCHOR.balloon, crossing_diameter_mm=1.6))
    assert fit(replace(BASE, anchor=wider)).spare_mm == report.spare_mm


def test_anchor_wire_lies_beside_its_shaft_further_back() -> None:
    """With a short rapid-exchange shaft the guide holds proximal shaft and wire instead."""
    short = replace(ANCHOR, balloon=replace(ANCHOR.balloon, rapid_exchange_mm=30.0))
    report = fit(replace(BASE, anchor=short))
    beside = line(report, f"{STENT.name} beside", "bore")
    assert "anchor's wire" in beside.what


def test_extension_does_not_go_past_an_anchored_branch() -> None:
    report = fit(replace(BASE.with_extension(EXT, 40.0), anchor=ANCHOR))
    past = line(report, f"{EXT.name} past", "branch")
    assert past.verdict is Verdict.NO
    held_back = fit(replace(BASE.with_extension(EXT, 20.0), anchor=ANCHOR))
    assert not any("past" in x.what for x in held_back.lines)


def test_trapped_wire_takes_room_in_the_guide() -> None:
    rig = replace(BASE, trapped=TrappedWire(WORKHORSE, 20.0, 38.0))
    report = fit(rig)
    expected = 1.80 - STENT.crossing_diameter_mm - WORKHORSE.diameter_mm
    assert report.spare_mm == pytest.approx(expected)
    assert any(c.kind == "trapped" for c in report.section.circles)


def test_guide_larger_than_the_sheath() -> None:
    report = fit(replace(BASE, guide=get(Guide, "guide-7-ebl")))
    assert report.verdict is Verdict.NO
    assert report.where == "7 Fr extra-backup left guide / 6 Fr sheath"


def test_extension_in_too_small_a_guide() -> None:
    report = fit(BASE.with_extension(get(Extension, "ext-7"), 20.0))
    assert report.verdict is Verdict.NO
    assert "guides of 7 Fr" in line(report, "7 Fr guide extension", "bore of the 6 Fr").note


@pytest.mark.parametrize(
    ("least_mm", "verdict"), [(1.80, Verdict.FITS), (1.81, Verdict.NO)], ids=["just", "not"]
)
def test_bore_named_by_the_instructions(least_mm: float, verdict: Verdict) -> None:
    report = fit(BASE, replace(STENT, smallest_guide_bore_mm=least_mm))
    named = next(x for x in report.lines if "instructions for use" in x.note)
    assert named.verdict is verdict
    assert report.verdict is verdict


def test_tight_lumen_is_push_and_not_fit() -> None:
    report = check_fit(BASE, STENT, landing_tip_mm=LANDING_mm, lumen_radius_mm=0.4)
    lumen = line(report, STENT.name, "narrowest lumen")
    assert lumen.verdict is Verdict.TIGHT
    assert lumen.spare_mm == pytest.approx(0.8 - STENT.crossing_diameter_mm)
    assert report.verdict is Verdict.FITS
    roomy = check_fit(BASE, STENT, landing_tip_mm=LANDING_mm, lumen_radius_mm=1.4)
    assert line(roomy, STENT.name, "narrowest lumen").verdict is Verdict.FITS


# Lengths: 1000 mm of guide, 90 mm of vessel, 100 mm of connector and hand.
@pytest.mark.parametrize(
    ("length_cm", "verdict", "note"),
    [
        (124.0, Verdict.FITS, "50 mm to spare"),
        (123.0, Verdict.TIGHT, "40 mm to spare"),
        (118.0, Verdict.NO, "10 mm too short"),
    ],
)
def test_shaft_length(length_cm: float, verdict: Verdict, note: str) -> None:
    report = fit(BASE, replace(STENT, length_cm=length_cm), shelf=None)
    shaft = line(report, f"shaft of {STENT.name}", "vessel")
    assert (shaft.verdict, shaft.note) == (verdict, note)
    assert shaft.spare_mm is None


@pytest.mark.parametrize(
    ("depth_mm", "verdict"), [(190.0, Verdict.FITS), (210.0, Verdict.TIGHT), (240.0, Verdict.NO)]
)
def test_tube_reaches_back_into_the_guide(depth_mm: float, verdict: Verdict) -> None:
    report = check_fit(BASE.with_extension(EXT, depth_mm), STENT, landing_tip_mm=300.0)
    assert line(report, f"tube of {EXT.name}", "guide").verdict is verdict


def test_over_the_wire_device_wants_a_long_wire_or_a_trapping_balloon() -> None:
    microcatheter = cast(OverWireDevice, SHELF.devices["mc-18"])
    short = fit(BASE, microcatheter)
    assert short.verdict is Verdict.TIGHT
    assert "trap" in line(short, WORKHORSE.name, "exchange").note
    long_wire = fit(replace(BASE, rail=get(Wire, "wire-exchange")), microcatheter)
    assert long_wire.verdict is Verdict.FITS
    crowded = fit(replace(BASE, guide=get(Guide, "guide-5-sl")), microcatheter)
    assert line(crowded, WORKHORSE.name, "exchange").verdict is Verdict.NO
    assert crowded.nearest_fix == "Long workhorse wire as the rail"


def test_a_wire_that_does_not_reach() -> None:
    report = fit(replace(BASE, rail=replace(WORKHORSE, length_cm=110.0)), shelf=None)
    assert "does not even reach" in line(report, WORKHORSE.name, "exchange").note
    assert report.nearest_fix == "a rail of 300 cm"


# Nearest fix: what is named must be what works.
def test_fix_takes_out_the_buddy() -> None:
    report = fit(BASE.with_extension(EXT, 20.0).with_buddy(SUPPORT), WIDE_STENT)
    assert report.verdict is Verdict.NO
    assert report.nearest_fix == "take out the buddy wire"
    assert fit(BASE.with_extension(EXT, 20.0), WIDE_STENT).verdict is Verdict.FITS


def test_fix_draws_the_extension_back() -> None:
    report = check_fit(BASE.with_extension(EXT, 240.0), STENT, landing_tip_mm=300.0, shelf=SHELF)
    assert report.nearest_fix == "draw the extension back to 230 mm"


def test_fix_takes_out_only_as_many_buddies_as_needed() -> None:
    rig = replace(BASE, buddies=(SUPPORT,) * 3)
    wide = replace(STENT, crossing_diameter_mm=1.44)
    assert fit(rig, wide, shelf=None).nearest_fix == "take out 2 buddy wires"


def test_fix_names_the_widest_that_fits_without_a_shelf() -> None:
    rig = BASE.with_extension(EXT, 20.0)
    fat = replace(STENT, crossing_diameter_mm=1.50)
    assert fit(rig, fat, shelf=None).nearest_fix == "a device of at most 1.40 mm crossing profile"
    # The push rod beside it in the guide decides: 1.80 - 0.40.
    assert fit(rig, replace(STENT, crossing_diameter_mm=1.40)).verdict is not Verdict.NO
    assert fit(rig, replace(STENT, crossing_diameter_mm=1.42)).verdict is Verdict.NO


def test_fix_offers_the_slimmer_device_of_the_same_size() -> None:
    # Beside this anchor's shaft 1.04 mm are left: only the low-profile stent of the size is slimmer.
    anchor = replace(ANCHOR, balloon=replace(ANCHOR.balloon, shaft_diameter_mm=0.76))
    report = fit(replace(BASE, anchor=anchor))
    assert report.nearest_fix == "Low-profile stent 2.75 x 24 mm instead"


def test_fix_changes_the_guide_and_the_sheath() -> None:
    report = fit(BASE, replace(STENT, smallest_guide_bore_mm=2.0))
    stents = [d for d in SHELF.devices.values() if isinstance(d, Stent)]
    assert all(d.smallest_guide_bore_mm is None for d in stents)
    # Without slimmer stents on the shelf the guide is what is left.
    guides = Shelf("guides", {k: d for k, d in SHELF.devices.items() if isinstance(d, Guide)})
    bigger = fit(BASE, replace(STENT, smallest_guide_bore_mm=2.0), shelf=guides)
    assert report.verdict is bigger.verdict is Verdict.NO
    assert bigger.nearest_fix == "change to 7 Fr extra-backup left guide through a 7 Fr sheath"


def test_fix_may_need_two_changes() -> None:
    seven = get(Guide, "guide-7-ebl")
    guides = Shelf("guides", {GUIDE.id: GUIDE, seven.id: seven})
    wide = replace(STENT, crossing_diameter_mm=1.90)
    report = fit(BASE.with_buddy(SUPPORT), wide, shelf=guides)
    expected = f"take out the buddy wire, and change to {seven.name} through a 7 Fr sheath"
    assert report.nearest_fix == expected


def test_fix_says_when_nothing_helps() -> None:
    guides = Shelf("guides", {GUIDE.id: GUIDE})
    report = fit(BASE, replace(STENT, crossing_diameter_mm=2.4), shelf=guides)
    assert report.nearest_fix.startswith("none found")


def test_landing_inside_the_guide_is_refused() -> None:
    with pytest.raises(InputError) as caught:
        check_fit(replace(BASE, seat_mm=10.0), STENT, landing_tip_mm=10.0)
    assert caught.value.field == "landing_tip_mm"


def test_too_many_members_are_refused() -> None:
    with pytest.raises(OutsideValidity, match="side by side"):
        fit(replace(BASE, buddies=(SUPPORT,) * 8))


@given(
    st.floats(1.2, 2.4),
    st.floats(0.0, 0.4),
    st.integers(0, 2),
    st.sampled_from(["stent-275-24", "bal-sc-200-15", "mc-18", "burr-150"]),
)
def test_more_bore_or_fewer_wires_never_hurt(bore_mm: float, more_mm: float, buddies: int, id_: str) -> None:
    device = cast(OverWireDevice, SHELF.devices[id_])
    rig = replace(BASE, guide=replace(GUIDE, inner_diameter_mm=bore_mm), buddies=(SUPPORT,) * buddies)
    wider = replace(rig, guide=replace(GUIDE, inner_diameter_mm=bore_mm + more_mm))
    spare_mm = check_fit(rig, device, landing_tip_mm=LANDING_mm).spare_mm
    assert check_fit(wider, device, landing_tip_mm=LANDING_mm).spare_mm >= spare_mm - 1e-9
    bare = check_fit(replace(rig, buddies=()), device, landing_tip_mm=LANDING_mm)
    # Arrangements of four and more are known to 0.001 mm of radius.
    assert bare.spare_mm >= spare_mm - 0.002 - 1e-9
