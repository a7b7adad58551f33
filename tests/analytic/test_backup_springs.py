"""Springs in parallel, saturation and limits of the backup, against closed forms; and what always holds."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, median_case, sample
from backstay.core.mechanics.backup import backup_N, depth_share, hold_parts, seat_ratio
from backstay.core.mechanics.holds import (
    anchor_hold_N,
    free_wire_hold_N,
    shaft_spring_N_per_mm,
    trapped_hold_N,
    trapped_strength_N,
    wire_spring_N_per_mm,
)
from backstay.core.rigging.devices import AccessRoute, Balloon, Extension, Guide, Wire
from backstay.core.rigging.rig import Anchor, Rig, TrappedWire
from backstay.identifiers import Access, GuideShape

DRAWS = sample(DEFAULT_DRAWS, count=64, seed=2)
MEDIAN = median_case(DEFAULT_DRAWS)
WHERE = {"path_length_mm": 120.0, "device_tip_mm": 70.0, "bend_beyond_rad": 1.6}


def guide(size_fr: float = 6.0) -> Guide:
    return Guide(
        id="g",
        name="guide",
        size_fr=size_fr,
        inner_diameter_mm=1.8,
        length_cm=100.0,
        shape=GuideShape.EXTRA_BACKUP_LEFT,
    )


def wire(core_Nmm2: float = 15.0, floppy_mm: float = 250.0) -> Wire:
    return Wire(
        id="w",
        name="wire",
        diameter_mm=0.356,
        length_cm=190.0,
        core_stiffness_Nmm2=core_Nmm2,
        tip_stiffness_Nmm2=0.3,
        floppy_mm=floppy_mm,
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
PLAIN = Rig(AccessRoute(Access.FEMORAL, 8.0), guide(), wire())
FULL = replace(
    PLAIN.with_extension(EXTENSION, 40.0).with_buddy(wire()).with_buddy(wire(40.0)),
    seat_mm=5.0,
    anchor=Anchor(BALLOON, "diagonal", 30.0, 2.0, 6.0),
    trapped=TrappedWire(wire(), 40.0, 64.0),
)


def with_values(draws: DrawSet, **values: float) -> DrawSet:
    """Return the draws with some inputs held at a value."""
    held = {name: np.full(draws.count, value) for name, value in values.items()}
    return replace(draws, values=draws.values | held)


def test_the_reference_guide_holds_its_own_hold() -> None:
    assert np.allclose(backup_N(PLAIN, DRAWS, **WHERE), DRAWS["guide_hold_N"], rtol=1e-14)


def test_backup_is_the_sum_of_its_parts() -> None:
    parts = hold_parts(FULL, DRAWS, **WHERE)
    assert list(parts) == ["guide", "seat", "extension", "buddy_1", "buddy_2", "anchor", "trapped"]
    assert all(part.shape == (64,) and (part > 0.0).all() for part in parts.values())
    assert np.allclose(backup_N(FULL, DRAWS, **WHERE), sum(parts.values()), rtol=1e-14)


@pytest.mark.parametrize(
    ("part", "spring_N_per_mm", "hold_N"),
    [
        ("anchor", shaft_spring_N_per_mm(BALLOON), anchor_hold_N(FULL.anchor, MEDIAN)),
        ("trapped", wire_spring_N_per_mm(wire()), trapped_hold_N(FULL.trapped, MEDIAN)),
        (
            "buddy_1",
            wire_spring_N_per_mm(wire()),
            free_wire_hold_N(wire(), MEDIAN, beyond_mm=50.0, bend_rad=1.6),
        ),
    ],
)
def test_a_spring_pulls_until_it_slips(part: str, spring_N_per_mm: float, hold_N: np.ndarray) -> None:
    """min(k x, hold): k x well before the slip, the hold from there on."""
    slip_mm = float(hold_N[0]) / spring_N_per_mm
    for retreat_mm, expected in [
        (0.0, 0.0),
        (0.3 * slip_mm, 0.3 * hold_N[0]),
        (0.999 * slip_mm, 0.999 * hold_N[0]),
        (1.001 * slip_mm, hold_N[0]),
        (50.0 * slip_mm, hold_N[0]),
    ]:
        found = hold_parts(FULL, with_values(MEDIAN, retreat_mm=retreat_mm), **WHERE)[part]
        assert found == pytest.approx([expected], rel=1e-12)


def test_stiffness_of_a_wire_is_that_of_a_steel_rod_of_its_bending_stiffness() -> None:
    """A 0.20 mm steel rod: B = E pi d^4 / 64 and k = E (pi d^2 / 4) / L, with L = 1400 mm."""
    modulus_MPa, d = 193_000.0, 0.20
    rod = wire(core_Nmm2=modulus_MPa * math.pi * d**4 / 64)
    assert wire_spring_N_per_mm(rod) == pytest.approx(modulus_MPa * math.pi * d**2 / 4 / 1400.0, rel=1e-12)


def test_the_softer_of_two_shafts_in_series_governs() -> None:
    """Polymer 250 mm: 1000 MPa x half the ring; with no polymer left the steel tube alone remains."""
    polymer = 1000.0 * 0.5 * math.pi / 4 * (0.9**2 - 0.42**2) / 250.0
    steel = 193_000.0 * math.pi * 0.56 * 0.08
    assert shaft_spring_N_per_mm(BALLOON) == pytest.approx(1 / (1 / polymer + 1150.0 / steel), rel=1e-12)
    all_steel = replace(BALLOON, rapid_exchange_mm=0.0)
    assert shaft_spring_N_per_mm(all_steel) == pytest.approx(steel / 1400.0, rel=1e-12)


def test_a_uniform_wire_in_a_small_bend_holds_friction_times_contact() -> None:
    """exp(mu theta) - 1 -> mu theta, and the mean stiffness of a uniform wire is its own."""
    uniform = replace(wire(20.0), tip_stiffness_Nmm2=20.0)
    found = free_wire_hold_N(uniform, MEDIAN, beyond_mm=40.0, bend_rad=1e-6)
    assert found == pytest.approx([0.08 * 1e-6 * 8.0 * 20.0 / 15.0**2], rel=1e-6)


def test_friction_on_one_turn_of_bend_follows_the_capstan() -> None:
    """Each further bend multiplies by exp(mu theta): T(2 theta) = T(theta) (exp(mu theta) + 1)."""
    one, two = (free_wire_hold_N(wire(), MEDIAN, beyond_mm=40.0, bend_rad=theta) for theta in (1.5, 3.0))
    assert two == pytest.approx(one * (math.exp(0.08 * 1.5) + 1.0), rel=1e-12)


def test_an_anchor_holds_friction_times_pressure_times_area() -> None:
    """6 atm: 2 unfold it, half of the other 4 press on pi x 2.0 x 12 mm2."""
    expected = 0.08 * 0.5 * 4 * 0.101325 * math.pi * 2.0 * 12.0
    assert anchor_hold_N(FULL.anchor, MEDIAN) == pytest.approx([expected], rel=1e-12)


def test_a_trapped_wire_holds_by_its_length_until_it_breaks() -> None:
    per_mm = 0.08 * 0.35 * 2.0 * 0.356
    assert trapped_hold_N(TrappedWire(wire(), 10.0, 40.0), MEDIAN) == pytest.approx(
        [per_mm * 30.0], rel=1e-12
    )
    long = TrappedWire(wire(), 0.0, 1.01 * trapped_strength_N() / per_mm)
    assert trapped_hold_N(long, MEDIAN) == pytest.approx([trapped_strength_N()], rel=1e-12)


def test_support_saturates_with_depth() -> None:
    """0 at the ostium, 1 at 90 mm, each equal step adds the same fraction of the step before."""
    assert depth_share(0.0) == 0.0
    assert depth_share(90.0) == pytest.approx(1.0, rel=1e-14)
    steps = np.diff([depth_share(10.0 * i) for i in range(12)])
    assert steps[1:] / steps[:-1] == pytest.approx(np.full(10, math.exp(-10.0 / 23.0)), rel=1e-9)
    assert depth_share(1000.0) == pytest.approx(1.0 / (1.0 - math.exp(-90.0 / 23.0)), rel=1e-12)


def test_an_extension_level_with_the_guide_adds_nothing() -> None:
    seated = replace(PLAIN, seat_mm=8.0)
    level = seated.with_extension(EXTENSION, 8.0)
    assert np.array_equal(backup_N(level, DRAWS, **WHERE), backup_N(seated, DRAWS, **WHERE))
    assert np.allclose(
        hold_parts(seated, MEDIAN, **WHERE)["seat"], 1.2 * (seat_ratio(seat_mm=8.0) - 1.0), rtol=1e-12
    )


def test_no_wire_beyond_the_device_no_hold() -> None:
    at_the_end = WHERE | {"device_tip_mm": 120.0}
    assert np.array_equal(hold_parts(FULL, DRAWS, **at_the_end)["buddy_1"], np.zeros(64))


lengths = st.floats(0.0, 110.0)
factors = st.floats(1.0, 3.0)
NEVER_LOWERS = [
    *("friction_wall", "guide_hold_N", "retreat_mm", "extension_factor", "wire_hold_factor", "anchor_factor"),
    *("trapped_factor", "wire_stiffness_factor", "curvature_factor"),
]


@given(name=st.sampled_from(NEVER_LOWERS), factor=factors)
def test_more_of_any_hold_never_lowers_the_backup(name: str, factor: float) -> None:
    more = replace(DRAWS, values=DRAWS.values | {name: DRAWS[name] * factor})
    assert (backup_N(FULL, more, **WHERE) >= backup_N(FULL, DRAWS, **WHERE) * (1 - 1e-12)).all()


@given(
    seat_mm=st.floats(0.0, 15.0),
    deeper_mm=st.floats(0.0, 15.0),
    depth_mm=lengths,
    further_mm=lengths,
    for_fr=st.sampled_from([5.0, 6.0, 7.0, 8.0]),
    size_fr=st.sampled_from([5.0, 6.0, 7.0, 8.0]),
)
def test_deeper_never_lowers_the_backup(
    seat_mm: float, deeper_mm: float, depth_mm: float, further_mm: float, for_fr: float, size_fr: float
) -> None:
    """Seating the guide deeper, and an extension deeper, never cost backup, whatever else is in place."""
    extension = replace(EXTENSION, for_guide_fr=for_fr)
    rig = replace(FULL, guide=guide(size_fr), seat_mm=seat_mm).with_extension(extension, depth_mm)
    before = backup_N(rig, DRAWS, **WHERE) * (1 - 1e-12)
    assert (backup_N(replace(rig, seat_mm=seat_mm + deeper_mm), DRAWS, **WHERE) >= before).all()
    assert (backup_N(rig.with_extension(extension, depth_mm + further_mm), DRAWS, **WHERE) >= before).all()


@given(
    core_Nmm2=st.floats(1.0, 60.0),
    stiffer=factors,
    pressure_atm=st.floats(0.0, 14.0),
    harder=factors,
    to_mm=st.floats(41.0, 90.0),
    tip_mm=st.floats(0.0, 130.0),
    part=st.sampled_from(["buddy", "pressure", "length", "trapped", "bend"]),
)
def test_more_in_place_never_lowers_the_backup(
    core_Nmm2: float,
    stiffer: float,
    pressure_atm: float,
    harder: float,
    to_mm: float,
    tip_mm: float,
    part: str,
) -> None:
    anchor = Anchor(BALLOON, "diagonal", 30.0, 2.0, pressure_atm)
    trapped = TrappedWire(wire(), 40.0, to_mm)
    rig = replace(FULL, buddies=(wire(core_Nmm2),), anchor=anchor, trapped=trapped)
    longer = replace(BALLOON, working_mm=BALLOON.working_mm * harder)
    more = {
        "buddy": replace(rig, buddies=(wire(core_Nmm2 * stiffer),)),
        "pressure": replace(rig, anchor=replace(anchor, pressure_atm=pressure_atm * harder)),
        "length": replace(rig, anchor=replace(anchor, balloon=longer)),
        "trapped": replace(rig, trapped=replace(trapped, to_mm=40.0 + (to_mm - 40.0) * harder)),
        "bend": rig,
    }[part]
    where = WHERE | {"device_tip_mm": tip_mm}
    where_more = where | {"bend_beyond_rad": 1.6 * harder} if part == "bend" else where
    assert (backup_N(more, DRAWS, **where_more) >= backup_N(rig, DRAWS, **where) * (1 - 1e-12)).all()


@pytest.mark.parametrize("dropped", ["extension", "buddies", "anchor", "trapped"])
def test_taking_something_away_lowers_it(dropped: str) -> None:
    """Twin of the laws above: each part really counts."""
    less = replace(FULL, **{dropped: () if dropped == "buddies" else None})
    assert (backup_N(less, DRAWS, **WHERE) < backup_N(FULL, DRAWS, **WHERE)).all()
