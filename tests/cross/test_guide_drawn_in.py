"""The guide's stiffness drawn in, as a share of that pushed out: the draw's median against guides as elastic curves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.guide.ordinary import SEATS, ordinary_setup
from backstay.core.guide.rod import settle
from backstay.core.guide.seating import seat
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS
from backstay.identifiers import Access


def shares(way_mm: float) -> list[float]:
    """Return force drawn in over force pushed out at `way_mm`, for every ordinary guide of 6 Fr by the right radial route."""
    found = []
    for shape, coronary in SEATS:
        setup = ordinary_setup(shape, coronary, Access.RIGHT_RADIAL, size_fr=6.0)
        begun = seat(setup)
        forces = []
        for sign in (1.0, -1.0):
            state = begun.state
            for step in (0.5, 1.0):
                target = replace(begun.hold, place_mm=begun.hold.place_mm + sign * step * way_mm)
                moved = settle(begun.rod, begun.place.lumen, state, target, friction=setup.friction, most=25)
                if not moved.found:
                    moved = settle(
                        begun.rod, begun.place.lumen, state, target, friction=setup.friction, drag_N_per_mm=2.0, most=150
                    )  # fmt: skip
                assert moved.found, (shape, coronary, sign)
                state = moved.state
            forces.append(abs(target.force_N(state) - begun.hold.force_N(begun.state)))
        found.append(forces[0] / forces[1])
    return found


def test_the_draws_share_is_that_of_guides_as_elastic_curves() -> None:
    """Half the spread of the draw: six guides of the twelve that the median was taken from."""
    spec = next(spec for spec in WAY_BACK_DRAWS if spec.name == "guide_in_share")
    logs = np.log(shares(1.0))
    assert np.median(logs) == pytest.approx(np.log(spec.median), abs=0.5 * spec.spread)
    assert np.std(logs) < 2.0 * spec.spread
    assert np.median(logs) != pytest.approx(np.log(2.0 * spec.median), abs=0.5 * spec.spread)
