"""Drag in a tight place against its closed forms, softening by preparation, edges that catch."""

from __future__ import annotations

import numpy as np
import pytest

from backstay.core.anatomy.lesion import Lesion
from backstay.core.mechanics.crossing import (
    DISSECTION_SLOPE,
    LEDGE_SLOPE,
    SOFTENING,
    SOFTEST,
    RADIAL_STIFFNESS_MPa,
    drag_density_N_per_mm,
    edge_load_N,
    lesion_fields,
    softening,
)
from backstay.core.rigging.devices import Profile
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation

SPACING_MM = 0.1


def profile(at: list[float], radius: list[float]) -> Profile:
    return Profile(np.array(at), np.array(radius), np.ones(len(at)))


CYLINDER = profile([0.0, 300.0], [0.5, 0.5])
# rises by 0.4 mm over 8 mm from the tip, then a body
TAPERED = profile([0.0, 8.0, 300.0], [0.2, 0.6, 0.6])


def drag_N(
    device: Profile, *, tip_mm: float, lumen_mm: float, friction: float, beside_mm: float = 0.0
) -> float:
    """Drag in a lesion of 4 MPa from 20 to 40 mm, lumen wide elsewhere; whole path at fine spacing."""
    s = SPACING_MM * np.arange(1001)
    tight = (s > 20.0) & (s < 40.0)
    density = drag_density_N_per_mm(
        behind_tip_mm=tip_mm - s,
        lumen_mm=np.where(tight, lumen_mm, 3.0),
        stiffness_MPa=np.where(tight, 4.0, 0.3),
        profile=device,
        beside_mm=beside_mm,
        friction=friction,
    )
    return float(density.sum() * SPACING_MM)


@pytest.mark.parametrize("friction", [0.0, 0.05, 0.2])
def test_cylinder_through_a_narrower_lumen(friction: float) -> None:
    # friction x stiffness x interference x length, the body inside all 20 mm
    found = drag_N(CYLINDER, tip_mm=60.0, lumen_mm=0.4, friction=friction)
    assert found == pytest.approx(friction * 4.0 * 0.1 * 20.0, rel=0.01)


def test_cylinder_half_way_in_drags_half() -> None:
    whole = drag_N(CYLINDER, tip_mm=60.0, lumen_mm=0.4, friction=0.1)
    assert drag_N(CYLINDER, tip_mm=30.0, lumen_mm=0.4, friction=0.1) == pytest.approx(0.5 * whole, rel=0.01)
    assert drag_N(CYLINDER, tip_mm=19.0, lumen_mm=0.4, friction=0.1) == 0.0


def test_nothing_drags_where_there_is_room() -> None:
    assert drag_N(CYLINDER, tip_mm=60.0, lumen_mm=0.51, friction=0.3) == 0.0


def test_wires_beside_make_it_wider() -> None:
    assert drag_N(CYLINDER, tip_mm=60.0, lumen_mm=0.55, friction=0.1, beside_mm=0.15) == pytest.approx(
        0.1 * 4.0 * 0.1 * 20.0, rel=0.01
    )


@pytest.mark.parametrize("friction", [0.0, 0.1])
def test_taper_pays_its_tangent(friction: float) -> None:
    """Tip at the lesion's far end, so the whole taper lies inside: interference rises from 0 at radius 0.3 to 0.3 at the body."""
    slope = 0.4 / 8.0
    taper_length = 0.3 / slope  # from radius 0.3 to radius 0.6
    taper = 4.0 * (friction + slope) * 0.5 * 0.3 * taper_length
    body = 4.0 * friction * 0.3 * (20.0 - 8.0)
    assert drag_N(TAPERED, tip_mm=40.0, lumen_mm=0.3, friction=friction) == pytest.approx(
        taper + body, rel=0.02
    )


def test_a_falling_rear_gives_nothing_back() -> None:
    falling = profile([0.0, 5.0, 10.0, 300.0], [0.6, 0.6, 0.3, 0.3])
    flat = profile([0.0, 7.5, 7.51, 300.0], [0.6, 0.6, 0.3, 0.3])
    found = drag_N(falling, tip_mm=40.0, lumen_mm=0.3, friction=0.1)
    assert found == pytest.approx(drag_N(flat, tip_mm=40.0, lumen_mm=0.3, friction=0.1), rel=0.02)
    assert drag_N(falling, tip_mm=40.0, lumen_mm=0.3, friction=0.0) == 0.0


def test_friction_by_draw() -> None:
    behind = np.linspace(0.0, 10.0, 21)
    found = drag_density_N_per_mm(
        behind_tip_mm=behind, lumen_mm=np.full(21, 0.4), stiffness_MPa=np.full(21, 2.0), profile=CYLINDER,
        beside_mm=0.0, friction=np.array([[0.05], [0.1]]),
    )  # fmt: skip
    assert found.shape == (2, 21)
    assert found[1] == pytest.approx(2.0 * found[0])


def test_each_preparation_counts_once_and_order_does_not_matter() -> None:
    both = [Preparation.SEMI_COMPLIANT, Preparation.NON_COMPLIANT]
    expected = SOFTENING[Preparation.SEMI_COMPLIANT] * SOFTENING[Preparation.NON_COMPLIANT]
    assert softening(both) == pytest.approx(expected)
    assert softening(both[::-1]) == pytest.approx(expected)
    assert softening([*both, *both]) == pytest.approx(expected)
    assert softening([]) == 1.0


def test_softening_has_a_floor() -> None:
    assert softening(list(Preparation)) == SOFTEST


@pytest.mark.parametrize("kind", list(Preparation))
def test_every_preparation_softens(kind: Preparation) -> None:
    assert 0.0 < softening([kind]) < 1.0


def test_harder_calcium_is_stiffer_and_steeper() -> None:
    order = [Calcium.NONE, Calcium.MILD, Calcium.MODERATE, Calcium.SEVERE]
    stiff, steep = [RADIAL_STIFFNESS_MPa[c] for c in order], [LEDGE_SLOPE[c] for c in order]
    assert stiff == sorted(set(stiff)) and steep == sorted(set(steep))


def test_fields_inside_outside_and_overlap() -> None:
    s = np.arange(0.0, 61.0)
    mild = Lesion(10.0, 30.0, Calcium.MILD, (), True)
    severe = Lesion(20.0, 40.0, Calcium.SEVERE, (Preparation.LITHOTRIPSY,))
    stiffness, slope = lesion_fields(s, [mild, severe])
    soft = RADIAL_STIFFNESS_MPa[Calcium.SEVERE] * SOFTENING[Preparation.LITHOTRIPSY]
    assert stiffness[5] == RADIAL_STIFFNESS_MPa[Calcium.NONE] and slope[5] == 0.0
    assert stiffness[15] == RADIAL_STIFFNESS_MPa[Calcium.MILD]
    assert slope[15] == pytest.approx(LEDGE_SLOPE[Calcium.MILD] + DISSECTION_SLOPE)
    assert stiffness[25] == pytest.approx(max(soft, RADIAL_STIFFNESS_MPa[Calcium.MILD]))
    assert slope[25] == pytest.approx(
        max(LEDGE_SLOPE[Calcium.SEVERE], LEDGE_SLOPE[Calcium.MILD] + DISSECTION_SLOPE)
    )
    assert stiffness[35] == pytest.approx(soft)
    swapped = lesion_fields(s, [severe, mild])
    assert np.array_equal(swapped[0], stiffness) and np.array_equal(swapped[1], slope)


def test_edge_on_a_ledge() -> None:
    normal, attack, slope, friction = 0.4, 0.25, 0.3, 0.1
    found = float(
        edge_load_N(
            normal_N=np.array(normal), attack_rad=np.array(attack), slope_rad=slope, friction=friction
        )
    )
    # resolve the load on a plane inclined at attack + slope with friction, less the friction a smooth wall would take
    angle = attack + slope
    up = normal * (np.sin(angle) + friction * np.cos(angle)) / (np.cos(angle) - friction * np.sin(angle))
    assert found == pytest.approx(up - friction * normal, rel=1e-12)
    assert found > 0.0


def test_edge_without_a_ledge_adds_nothing() -> None:
    assert np.all(
        edge_load_N(normal_N=np.ones(3), attack_rad=np.linspace(0, 1.5, 3), slope_rad=0.0, friction=0.2) == 0
    )


def test_edge_locks() -> None:
    steep = 0.5 * np.pi - np.arctan(0.2) - 0.3
    load = edge_load_N(
        normal_N=np.array([0.1, 0.1, 0.0]),
        attack_rad=np.array([0.3, 0.2, 0.3]),
        slope_rad=steep,
        friction=0.2,
    )
    assert load[0] == np.inf  # at a right angle
    assert np.isfinite(load[1]) and load[1] > 0.5  # just before it
    assert load[2] == 0.0  # an edge that nothing presses does not lock


@pytest.mark.parametrize(
    ("start", "end"), [(-1.0, 5.0), (5.0, 5.0), (6.0, 5.0), (float("nan"), 5.0), (1.0, float("inf"))]
)
def test_impossible_lesions_are_refused(start: float, end: float) -> None:
    with pytest.raises(InputError):
        Lesion(start, end, Calcium.MILD)


@pytest.mark.parametrize("at", [[1.0, 2.0], [0.0, 0.0], [0.0, 3.0, 2.0]])
def test_impossible_profiles_are_refused(at: list[float]) -> None:
    with pytest.raises(InputError):
        profile(at, [0.5] * len(at))
