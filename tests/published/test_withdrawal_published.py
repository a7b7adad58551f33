"""The way back out against printed numbers: friction round bends in tension, jailed wires, stents on their balloons.

In the flexible limit (a rod of 0.0001 N mm2 without clearance in a stiff tube) friction alone is left, and the pull at the guide over the
pull at the tip is the capstan's factor [@capstan]. The same solver draws a device back: friction and load turned round, shape found with
them.
"""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, median_case, sample
from backstay.core.rigging.devices import Wire
from backstay.core.rigging.rig import TrappedWire
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS, with_way_back
from backstay.core.withdrawal.pull import CATCHES_N
from backstay.core.withdrawal.trapped import ON_STENT_SHARE, pull_trapped
from backstay.identifiers import TrappedEnd
from backstay.units import gram_force_to_N

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "rods.py"))

# exp(friction x angle), as printed in reference table 8.1
ANGLES_DEG = (90, 180, 270, 360)
PRINTED = {
    0.03: (1.0483, 1.0988, 1.1519, 1.2074),
    0.10: (1.1701, 1.3691, 1.6020, 1.8745),
    0.20: (1.3691, 1.8745, 2.5663, 3.5136),
    0.30: (1.6020, 2.5663, 4.1112, 6.5861),
}
CAPSTAN = [(mu, deg, f) for mu, row in PRINTED.items() for deg, f in zip(ANGLES_DEG, row, strict=True)]
HALF_DIGIT = 0.5e-4


def factor_drawn_back(friction: float, angle_deg: float, *, load_N: float = 0.5) -> float:
    """Pull at the guide over the pull that resists at the tip, round an arc of 30 mm radius; 5 mm straight before and after."""
    path = RODS["arc"](30.0, np.radians(angle_deg), lead_mm=5.0, tail_mm=5.0, spacing_mm=0.25)
    tip = (len(path[0]) - 1) * 0.25 - 2.0
    p = RODS["problem"](
        path, 0.25, lumen_mm=0.0, wall_MPa=1e4, tip_mm=tip, wire_Nmm2=1e-4, friction=-friction
    )
    w, q = p.start()
    q[:], w[:, 0] = -load_N, 1e-6 * np.sign(load_N)  # in tension it lies on the inner wall
    assert p.solve(w, q, -load_N, polish=4) > 0
    assert p.negative_directions(w, q) == 0
    return float(-q[0] / load_N)


@pytest.mark.parametrize(("friction", "angle_deg", "printed"), CAPSTAN)
def test_capstan_in_pull(friction: float, angle_deg: float, printed: float) -> None:
    assert abs(factor_drawn_back(friction, angle_deg) - printed) < HALF_DIGIT


@pytest.mark.parametrize(("friction", "angle_deg", "printed"), CAPSTAN)
def test_capstan_in_pull_with_one_percent_more_friction_fails(
    friction: float, angle_deg: float, printed: float
) -> None:
    assert abs(factor_drawn_back(1.01 * friction, angle_deg) - printed) > HALF_DIGIT


# Soft string, weightless, 60 degrees, friction 0.30, 100 000 lbf at the far end (reference 8.2, arc limit; [@johancsik1984]): pulled out
# it takes 136 911 lbf; drawn back while the far end is pushed after it, 73 040.
@pytest.mark.parametrize(("load_N", "printed_lbf"), [(1.0, 136_911.0), (-1.0, 73_040.0)])
def test_soft_string_arc_limit_pulled_out(load_N: float, printed_lbf: float) -> None:
    assert 100_000.0 * factor_drawn_back(0.30, 60.0, load_N=load_N) == pytest.approx(printed_lbf, abs=0.5)
    assert 100_000.0 * factor_drawn_back(0.301, 60.0, load_N=load_N) != pytest.approx(printed_lbf, abs=0.5)


# Wires trapped behind a stent


def jailed(length_mm: float, *, jacket: bool = True) -> TrappedWire:
    wire = Wire(
        id="w", name="workhorse", diameter_mm=0.356, length_cm=190.0, core_stiffness_Nmm2=12.0, tip_stiffness_Nmm2=0.5,
        floppy_mm=30.0, tip_load_N=0.007, coating="polymer_jacket" if jacket else "hydrophilic",
    )  # fmt: skip
    return TrappedWire(wire, 10.0, 10.0 + length_mm)


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_way_back(sample(DEFAULT_DRAWS, count=4096, seed=11), seed=11)


def upper_bound(events: int, trials: int) -> float:
    """Return the one-sided 95 % bound on a chance of which `events` of `trials` were seen (only for none seen)."""
    assert events == 0
    return 1.0 - 0.05 ** (1.0 / trials)


def test_of_135_jailed_wires_none_broke(draws: DrawSet) -> None:
    # [@villanueva2015]: 0 of 135, so at most 2.2 % with 95 % confidence. A jailed side-branch wire lies behind about the proximal half of a
    # stent (15 mm; judgement).
    least = upper_bound(0, 135)
    assert least == pytest.approx(0.022, abs=0.0005)
    assert pull_trapped(jailed(15.0), draws).chance(TrappedEnd.BREAKS) < least
    # The twin: a soft end of a tenth of the strength would have been seen to break.
    weak = replace(draws, values={**draws.values, "wire_end_strength_N": 0.1 * draws["wire_end_strength_N"]})
    assert pull_trapped(jailed(15.0), weak).chance(TrappedEnd.BREAKS) > least


def test_ten_of_ten_trapped_wires_came_out_without_the_stent(draws: DrawSet) -> None:
    # [@dangoisse2014]: 10 of 10 chosen cases, so at most 26 % with 95 % confidence.
    least = upper_bound(0, 10)
    assert least == pytest.approx(0.26, abs=0.005)
    assert 0.0 < pull_trapped(jailed(15.0), draws).chance(TrappedEnd.MOVES_STENT) < least
    fresh = replace(draws, values={**draws.values, "stent_gives_N": 0.25 * draws["stent_gives_N"]})
    assert pull_trapped(jailed(15.0), fresh).chance(TrappedEnd.MOVES_STENT) > least


def test_a_long_one_can_take_the_stent_along(draws: DrawSet) -> None:
    # One case [@kumar2023]: it happens; and the longer the trapped length the more is damaged [@pan2016].
    shares = [
        1.0 - pull_trapped(jailed(length), draws).chance(TrappedEnd.SLIPS)
        for length in (8.0, 15.0, 25.0, 38.0)
    ]
    assert np.all(np.diff(shares) > 0.0)
    assert shares[-1] > 0.05
    backwards = [
        1.0 - pull_trapped(jailed(length), draws).chance(TrappedEnd.SLIPS)
        for length in (38.0, 25.0, 15.0, 8.0)
    ]
    assert not np.all(np.diff(backwards) > 0.0)


def test_what_shortens_a_fresh_stent() -> None:
    # [@prabhu2012]: 50 gf. It is the median of what moves a stent, and what an edge must add to be said to catch.
    printed_N = gram_force_to_N(50.0)
    middle = with_way_back(median_case(DEFAULT_DRAWS), seed=0)
    by_name = {spec.name: spec for spec in WAY_BACK_DRAWS}
    assert by_name["stent_gives_N"].median == pytest.approx(printed_N, abs=0.005)
    assert pytest.approx(printed_N, abs=0.005) == CATCHES_N
    assert gram_force_to_N(51.0) != pytest.approx(CATCHES_N, abs=0.005)
    assert middle.count == 1
    # The wire's hold beyond which that load falls on the stent: twice it, for the wall takes the other half.
    assert printed_N / ON_STENT_SHARE == pytest.approx(0.98, abs=0.005)


def test_what_strips_a_stent_off_its_balloon(draws: DrawSet) -> None:
    # [@bognar2010]: 0.45 N/mm, rising to 0.76 with the speed of the pull; 8 to 14 N for a stent of 18 mm.
    grip = draws["stent_grip_N_per_mm"]
    low, high = np.quantile(grip, [0.159, 0.841])
    assert (low, high) == (pytest.approx(0.45, abs=0.01), pytest.approx(0.76, abs=0.01))
    assert (18.0 * low, 18.0 * high) == (pytest.approx(8.0, abs=0.5), pytest.approx(14.0, abs=0.5))
    assert 18.0 * 1.1 * high != pytest.approx(14.0, abs=0.5)
