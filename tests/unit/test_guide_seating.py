"""How guides come to lie: coaxial tips, Amplatz curves in the sinus, the shaft against the opposite wall, a catheter telescoped through."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.guide.aorta import Aorta
from backstay.core.guide.loads import load_on_N, rests, rests_at_rest
from backstay.core.guide.ordinary import SEATS, ordinary_setup
from backstay.core.guide.pushback import push_back, pushed
from backstay.core.guide.seating import COAXIAL_DEG, Seated, Setup, seat, telescoped
from backstay.errors import NotConverged
from backstay.identifiers import Access, Coronary, GuideShape, RestsOn

LEFT_SHAPES = [shape for shape, coronary in SEATS if coronary is Coronary.LEFT]
AMPLATZ = [
    (GuideShape.AMPLATZ_LEFT, Coronary.LEFT),
    (GuideShape.AMPLATZ_LEFT, Coronary.RIGHT),
    (GuideShape.AMPLATZ_RIGHT, Coronary.RIGHT),
]


def tilt_deg(seated: Seated) -> float:
    """Return how far the tip rises from the vessel's direction."""
    tip = seated.state.x[seated.tip_node] - seated.state.x[seated.tip_node - 2]
    return float(np.degrees(np.arctan2(tip[1], tip @ seated.place.axis)))


@pytest.mark.parametrize("access", list(Access))
@pytest.mark.parametrize("shape", LEFT_SHAPES)
def test_the_tip_lies_along_the_vessel(shape: GuideShape, access: Access) -> None:
    seated = seat(ordinary_setup(shape, Coronary.LEFT, access, size_fr=6.0))
    assert abs(tilt_deg(seated)) <= COAXIAL_DEG + 0.01
    assert -seated.hold.force_N(seated.state) > -0.05  # it does not spring out


@pytest.mark.parametrize("access", list(Access))
@pytest.mark.parametrize(("shape", "coronary"), AMPLATZ)
def test_an_amplatz_curve_lies_in_the_sinus(shape: GuideShape, coronary: Coronary, access: Access) -> None:
    setup = ordinary_setup(shape, coronary, access, size_fr=6.0)
    seated = seat(setup)
    assert seated.state.x[:, 1].min() < setup.aorta.ostium_height_mm - 10.0
    assert tilt_deg(seated) >= 0.0


@pytest.mark.parametrize("access", list(Access))
def test_an_extra_backup_curve_crosses_lower_and_harder_than_a_standard_one(access: Access) -> None:
    heights, loads = [], []
    for shape in (GuideShape.STANDARD_LEFT, GuideShape.EXTRA_BACKUP_LEFT):
        found = seat(ordinary_setup(shape, Coronary.LEFT, access, size_fr=6.0))
        parts = rests(found, found.state.x, found.state.normal_N)
        opposite = [part for part in parts if part.where is RestsOn.OPPOSITE_WALL]
        heights.append(opposite[0].place_mm[1])
        loads.append(load_on_N(parts, RestsOn.OPPOSITE_WALL))
    assert heights[1] < heights[0] - 5.0
    assert loads[1] > loads[0]


def test_feeding_further_holds_more_until_it_tilts() -> None:
    held = []
    for share in (0.2, 0.4, 0.8):
        setup = ordinary_setup(GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT, Access.FEMORAL, size_fr=6.0)
        held.append(push_back(replace(setup, snug_share=share)).backup_N)
    assert held == sorted(held)


def test_a_telescoped_catheter_leaves_the_shaft_where_it_is() -> None:
    setup = ordinary_setup(
        GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT, Access.RIGHT_RADIAL, size_fr=6.0, extension_depth_mm=40.0
    )
    alone = seat(replace(setup, child=None))
    both = telescoped(setup, alone)
    assert both.state.x[0] == pytest.approx(alone.state.x[0])
    assert both.behind_tip_mm[-1] == pytest.approx(setup.seat_mm - 40.0)
    assert pushed(setup, both).backup_N > pushed(replace(setup, child=None), alone).backup_N


def test_a_catheter_that_does_not_pass_the_tip_changes_nothing() -> None:
    setup = ordinary_setup(
        GuideShape.EXTRA_BACKUP_LEFT, Coronary.LEFT, Access.RIGHT_RADIAL, size_fr=6.0, extension_depth_mm=2.0
    )
    alone = seat(replace(setup, child=None))
    assert telescoped(setup, alone) is alone


@pytest.mark.parametrize("access", list(Access))
def test_the_highest_push_is_met_closely(access: Access) -> None:
    """Where the push falls right after its highest, the step that passed it is a short one."""
    found = push_back(ordinary_setup(GuideShape.AMPLATZ_LEFT, Coronary.LEFT, access, size_fr=6.0))
    best = int(np.argmax(found.push_N))
    assert found.complete
    assert 0 < best < len(found.push_N) - 1
    assert found.push_N[best + 1] > 0.98 * found.backup_N or np.diff(found.retreat_mm)[best] <= 0.1


def test_a_curve_far_too_small_is_not_called_seated_well() -> None:
    setup = ordinary_setup(GuideShape.STANDARD_LEFT, Coronary.LEFT, Access.RIGHT_RADIAL, size_fr=6.0)
    small: Setup = replace(
        setup, size_mm=25.0, aorta=Aorta(root_diameter_mm=42.0, ascending_diameter_mm=40.0)
    )
    try:
        found = push_back(small)
    except NotConverged:
        return
    assert found.backup_N < 0.25 * push_back(setup).backup_N
    assert load_on_N(rests_at_rest(found), RestsOn.OPPOSITE_WALL) < 0.5
