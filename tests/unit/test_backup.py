"""Backup at the edges of its inputs, and that a larger guide with the same extension is never worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.inference.draws import DEFAULT_DRAWS, median_case
from backstay.core.mechanics.backup import backup_N, extension_ratio, guide_hold_ratio, hold_parts
from backstay.core.mechanics.holds import anchor_hold_N, shaft_spring_N_per_mm, trapped_hold_N
from backstay.core.rigging.devices import AccessRoute, Balloon, Extension, Guide, Wire
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.errors import InputError, OutsideValidity
from backstay.identifiers import Access, GuideShape

MEDIAN = median_case(DEFAULT_DRAWS)
GUIDE = Guide(
    id="g", name="guide", size_fr=6.0, inner_diameter_mm=1.8, length_cm=100.0, shape=GuideShape.STANDARD_LEFT
)
EXTENSION = Extension(
    id="e",
    name="extension",
    for_guide_fr=6.0,
    inner_diameter_mm=1.42,
    outer_diameter_mm=1.70,
    tube_length_mm=250.0,
    collar_inner_diameter_mm=1.42,
    push_rod_diameter_mm=0.5,
    length_cm=150.0,
    stiffness_Nmm2=30.0,
)
WIRE = Wire(
    id="w",
    name="wire",
    diameter_mm=0.356,
    length_cm=190.0,
    core_stiffness_Nmm2=15.0,
    tip_stiffness_Nmm2=0.3,
    floppy_mm=250.0,
    tip_load_N=0.008,
    coating="hydrophilic",
)
BALLOON = Balloon(
    id="b",
    name="balloon",
    tip_diameter_mm=0.45,
    nose_mm=4.0,
    working_mm=12.0,
    crossing_diameter_mm=0.8,
    working_stiffness_Nmm2=15.0,
    nose_stiffness_Nmm2=5.0,
    shaft_stiffness_Nmm2=10.0,
    shaft_diameter_mm=0.9,
    wire_lumen_mm=0.42,
    rapid_exchange_mm=250.0,
    proximal_shaft_diameter_mm=0.64,
    length_cm=140.0,
    nominal_diameter_mm=2.0,
    balloon_type="semi_compliant",
    nominal_atm=8.0,
    rated_burst_atm=14.0,
)
RIG = Rig(AccessRoute(Access.RIGHT_RADIAL, 7.0), GUIDE, WIRE)


def test_left_radial_lies_between_femoral_and_right_radial() -> None:
    for shape in GuideShape:
        guide = replace(GUIDE, shape=shape)
        femoral, left, right = (
            guide_hold_ratio(guide, route)
            for route in (Access.FEMORAL, Access.LEFT_RADIAL, Access.RIGHT_RADIAL)
        )
        assert femoral > left > right


def test_sizes_between_whole_ones_lie_between_them() -> None:
    six, between, seven = (
        guide_hold_ratio(replace(GUIDE, size_fr=size), Access.FEMORAL) for size in (6.0, 6.5, 7.0)
    )
    assert six < between < seven
    deep = [extension_ratio(guide_fr=size, extension=EXTENSION, depth_mm=90.0) for size in (6.0, 6.5, 7.0)]
    assert deep[0] > deep[1] > deep[2]


@pytest.mark.parametrize("size_fr", [4.9, 8.1])
def test_a_guide_no_bench_has_seen_is_refused(size_fr: float) -> None:
    with pytest.raises(OutsideValidity, match="5 to 8 Fr"):
        guide_hold_ratio(replace(GUIDE, size_fr=size_fr), Access.FEMORAL)


def test_an_extension_no_bench_has_seen_is_refused() -> None:
    with pytest.raises(OutsideValidity, match=r"extension\.for_guide_fr = 4\.0"):
        extension_ratio(guide_fr=6.0, extension=replace(EXTENSION, for_guide_fr=4.0), depth_mm=20.0)


def test_an_extension_too_large_for_the_guide_gives_nothing() -> None:
    large = replace(EXTENSION, for_guide_fr=7.0)
    assert extension_ratio(guide_fr=6.0, extension=large, depth_mm=30.0) == 1.0
    assert extension_ratio(guide_fr=7.0, extension=large, depth_mm=30.0) > 1.0


@pytest.mark.parametrize("for_fr", [5.0, 6.0, 7.0, 8.0])
@pytest.mark.parametrize("depth_mm", [5.0, 20.0, 45.0, 90.0])
def test_a_larger_guide_with_the_same_extension_never_holds_less(for_fr: float, depth_mm: float) -> None:
    """The rule by which the step between sizes was chosen."""
    extension = replace(EXTENSION, for_guide_fr=for_fr)
    holds = [
        guide_hold_ratio(replace(GUIDE, size_fr=size), Access.FEMORAL)
        * extension_ratio(guide_fr=size, extension=extension, depth_mm=depth_mm)
        for size in (5.0, 6.0, 7.0, 8.0)
    ]
    assert holds == sorted(holds)


@pytest.mark.parametrize(("diameter_mm", "touches"), [(1.79, False), (1.9, True), (2.0, True)])
def test_a_balloon_too_small_for_its_branch_holds_nothing(diameter_mm: float, touches: bool) -> None:
    anchor = Anchor(replace(BALLOON, nominal_diameter_mm=diameter_mm), "diagonal", 30.0, 2.0, 8.0)
    assert (anchor_hold_N(anchor, MEDIAN)[0] > 0.0) == touches


@pytest.mark.parametrize(("pressure_atm", "holds"), [(0.0, False), (2.0, False), (2.1, True)])
def test_a_balloon_that_is_not_unfolded_holds_nothing(pressure_atm: float, holds: bool) -> None:
    assert (anchor_hold_N(Anchor(BALLOON, "diagonal", 30.0, 2.0, pressure_atm), MEDIAN)[0] > 0.0) == holds


def test_a_wire_with_nothing_behind_the_stent_holds_nothing() -> None:
    assert np.array_equal(trapped_hold_N(TrappedWire(WIRE, 40.0, 40.0), MEDIAN), [0.0])


def test_an_impossible_shaft_is_refused() -> None:
    with pytest.raises(InputError, match=r"b\.wire_lumen_mm = 0\.9"):
        shaft_spring_N_per_mm(replace(BALLOON, wire_lumen_mm=0.9))


def test_a_path_without_length_is_refused() -> None:
    with pytest.raises(InputError, match="no length"):
        backup_N(RIG, MEDIAN, path_length_mm=0.0, device_tip_mm=0.0, bend_beyond_rad=0.0)


def test_a_wire_held_beyond_a_device_further_in_holds_less() -> None:
    rig = RIG.with_buddy(WIRE)
    near, far = (
        hold_parts(
            rig, MEDIAN, path_length_mm=120.0, device_tip_mm=tip_mm, bend_beyond_rad=(120.0 - tip_mm) / 30.0
        )["buddy_1"][0]
        for tip_mm in (40.0, 90.0)
    )
    assert near > far > 0.0


def test_the_guide_takes_the_route_from_the_rig() -> None:
    where = {"path_length_mm": 120.0, "device_tip_mm": 60.0, "bend_beyond_rad": 1.5}
    femoral = replace(RIG, access=AccessRoute(Access.FEMORAL, 7.0))
    assert backup_N(femoral, MEDIAN, **where)[0] > backup_N(RIG, MEDIAN, **where)[0]
