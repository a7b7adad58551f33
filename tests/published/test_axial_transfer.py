"""Friction round bends against the capstan [@capstan] and the soft string's arc limit [@johancsik1984], and causes that sum to the need.

The solver's friction is a coefficient times the wall's load, and the wall's load comes out of the shape, so these checks pass through
shape, wall and axial transfer together. The flexible limit: a rod of 0.0001 N mm2 without clearance in a stiff tube. Its own buckles on
the wall would be 0.06 mm long, below the spacing, so what is solved is a chain of straight edges; in compression that is stable while the
wall's stiffness times spacing squared exceeds the push, as it does here (checked each time). The checks therefore push, as the planner
does, and no shape is prescribed.
"""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "rods.py"))

# exp(friction x angle), as printed in reference table 8.1
ANGLES_DEG = (90, 180, 270, 360)
PRINTED = {
    0.03: (1.0483, 1.0988, 1.1519, 1.2074),
    0.05: (1.0817, 1.1701, 1.2657, 1.3691),
    0.10: (1.1701, 1.3691, 1.6020, 1.8745),
    0.15: (1.2657, 1.6020, 2.0276, 2.5663),
    0.20: (1.3691, 1.8745, 2.5663, 3.5136),
    0.30: (1.6020, 2.5663, 4.1112, 6.5861),
}
CAPSTAN = [(mu, deg, f) for mu, row in PRINTED.items() for deg, f in zip(ANGLES_DEG, row, strict=True)]
HALF_DIGIT = 0.5e-4


def factor_round_bend(
    friction: float, angle_deg: float, *, load_N: float = 0.5, spacing_mm: float = 0.25
) -> float:
    """Push at the guide over load at the tip, round an arc of 30 mm radius; 5 mm straight before and after."""
    path = RODS["arc"](30.0, np.radians(angle_deg), lead_mm=5.0, tail_mm=5.0, spacing_mm=spacing_mm)
    tip = (len(path[0]) - 1) * spacing_mm - 2.0
    p = RODS["problem"](
        path, spacing_mm, lumen_mm=0.0, wall_MPa=1e4, tip_mm=tip, wire_Nmm2=1e-4, friction=friction
    )
    w, q = p.start()
    q[:], w[:, 0] = (
        load_N,
        -1e-6 * np.sign(load_N),
    )  # lies on the outer wall when pushed, on the inner when pulled
    assert p.solve(w, q, load_N, polish=4) > 0
    assert p.negative_directions(w, q) == 0
    return float(q[0] / load_N)


@pytest.mark.parametrize(("friction", "angle_deg", "printed"), CAPSTAN)
def test_capstan_table(friction: float, angle_deg: float, printed: float) -> None:
    assert abs(factor_round_bend(friction, angle_deg) - printed) < HALF_DIGIT


@pytest.mark.parametrize(("friction", "angle_deg", "printed"), CAPSTAN)
def test_capstan_table_with_one_percent_more_friction_fails(
    friction: float, angle_deg: float, printed: float
) -> None:
    assert abs(factor_round_bend(1.01 * friction, angle_deg) - printed) > HALF_DIGIT


def test_example_of_the_table() -> None:
    # reference 8.1: 0.5 N at the tip, friction 0.10, 360 degrees of bends: 0.9372 N at the guide
    assert 0.5 * factor_round_bend(0.10, 360.0) == pytest.approx(0.9372, abs=HALF_DIGIT)
    assert 0.5 * factor_round_bend(0.11, 360.0) != pytest.approx(0.9372, abs=HALF_DIGIT)


# Soft string, weightless, 60 degrees, friction 0.30, 100 000 lbf at the far end (reference 8.2, arc limit): moved against the load it
# takes 136 911 lbf, with the load 73 040. Moving in against a push is the first, moving in while the far end is pulled on the second.
@pytest.mark.parametrize(("load_N", "printed_lbf"), [(1.0, 136_911.0), (-1.0, 73_040.0)])
def test_soft_string_arc_limit(load_N: float, printed_lbf: float) -> None:
    found = 100_000.0 * factor_round_bend(0.30, 60.0, load_N=load_N)
    assert found == pytest.approx(printed_lbf, abs=0.5)
    assert 100_000.0 * factor_round_bend(0.301, 60.0, load_N=load_N) != pytest.approx(printed_lbf, abs=0.5)


def test_finer_steps_come_closer() -> None:
    errors = [
        abs(factor_round_bend(0.30, 180.0, spacing_mm=h) - np.exp(0.30 * np.pi)) for h in (2.0, 1.0, 0.5)
    ]
    orders = np.log2(np.divide(errors[:-1], errors[1:]))
    assert np.all((orders > 1.7) & (orders < 2.3)), (errors, orders)
