"""The guide's rod against printed large deflections of cantilevers, straight and curved."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "guide_rods.py"))

# w/L, u/L of a tip-loaded cantilever at P L^2 / EI, and the tip's slope [rad] at 1: the elliptic-integral solution,
# tabulated in [@mattiasson1981] (values as quoted in public test code).
TABLE = [
    (1.0, 0.30172, 0.05643),
    (2.0, 0.49346, 0.16064),
    (5.0, 0.71379, 0.38763),
    (10.0, 0.81061, 0.55500),
]
SLOPE_AT_ONE_RAD = 0.46135
HALF_A_DIGIT = 0.5e-5


def tip(alpha: float, edges: int) -> np.ndarray:
    """Return drop, shortening and slope of the tip."""
    rod = RODS["bare"](RODS["straight"](edges), bending=1.0, twist=1.0, stretch=1e7)
    free, load = rod.free(), np.zeros(6 * edges + 3)
    for share in np.linspace(0.0, 1.0, 6)[1:]:
        load[6 * edges + 1] = share * alpha
        assert rod.solve(load, free)
    last = rod.x[-1] - rod.x[-2]
    return np.array([rod.x[-1, 1], 1.0 - rod.x[-1, 0], np.arctan2(last[1], last[0])])


def extrapolated(alpha: float, edges: int = 100) -> np.ndarray:
    """Return the limit of fine edges, from two spacings and an error that falls with the square of the spacing."""
    coarse, fine = tip(alpha, edges), tip(alpha, 2 * edges)
    return fine + (fine - coarse) / 3.0


@pytest.mark.parametrize(("alpha", "drop", "shortening"), TABLE)
def test_elastica_to_the_printed_digits(alpha: float, drop: float, shortening: float) -> None:
    found = extrapolated(alpha)
    assert found[0] == pytest.approx(drop, abs=HALF_A_DIGIT)
    assert found[1] == pytest.approx(shortening, abs=HALF_A_DIGIT)


def test_slope_of_the_tip() -> None:
    # The last edge's direction belongs to its middle; the moment vanishes at the tip, so it is off by the square of the spacing too.
    assert extrapolated(1.0)[2] == pytest.approx(SLOPE_AT_ONE_RAD, abs=HALF_A_DIGIT)


def test_elastica_twin() -> None:
    """Twin: a load one per cent off does not give the printed digits."""
    assert extrapolated(1.01)[0] != pytest.approx(TABLE[0][1], abs=HALF_A_DIGIT)


# A cantilever bent to 45 degrees on a radius of 100, square section 1 x 1, E 1e7, loaded across its plane at the tip with 600: moves of
# the tip 53.4 along the load, -23.5 along the beam's start, 13.4 back across [@bathe1979].
BENT = np.array([-23.5, -13.4, 53.4])


def bent_tip(edges: int, load_N: float) -> np.ndarray:
    """Return the tip's move; x along the start, y inwards, z along the load."""
    angle = np.pi / 4.0
    rod = RODS["clamped"](
        RODS["bare"](
            RODS["arc"](edges, 100.0, angle), bending=1e7 / 12.0, twist=1e7 / 12.0, stretch=1e7, shear=0.5e7
        ),
        0.0,
    )
    begun = rod.x[-1].copy()
    free, load = rod.free(), np.zeros(6 * edges + 3)
    for share in np.linspace(0.0, 1.0, 7)[1:]:
        load[6 * edges + 2] = share * load_N
        assert rod.solve(load, free)
    return rod.x[-1] - begun


def test_bent_cantilever_out_of_its_plane() -> None:
    # Eight straight elements made the printed value; 0.3 is what other printed solutions of the same beam differ by (-23.7, -13.5, 53.4).
    assert np.abs(bent_tip(64, 600.0) - BENT).max() < 0.3


def test_bent_cantilever_twin() -> None:
    """Twin: half the load is not it."""
    assert np.abs(bent_tip(32, 300.0) - BENT).max() > 3.0


# A clamped-hinged circular arch of 215 degrees, loaded at the crown, gives way at 8.97 EI / R^2 [@dadeppo1975] (from memory).
def arch_limit(edges: int) -> float:
    """Return the highest crown load [EI / R^2] as the crown is pushed down."""
    angle = np.radians(215.0)
    points = RODS["arc"](edges, 1.0, -angle, start_rad=0.5 * angle)
    rod = RODS["clamped"](RODS["bare"](points, bending=1.0, twist=1.0, stretch=1e6), 0.5 * angle)
    free = rod.free()
    free[2::6] = False
    free[3::6] = False
    free[5::6] = False
    free[-3:] = False
    crown = edges // 2
    load, highest, place = np.zeros(6 * edges + 3), 0.0, rod.x[crown, 1]
    for _ in range(70):
        place -= 0.02
        assert rod.solve(load, free, most=100, spring=(crown, 1, 1e4, place))
        highest = max(highest, -rod.pull)
    return highest


def test_deep_arch_gives_way() -> None:
    coarse, fine = arch_limit(40), arch_limit(80)
    assert fine + (fine - coarse) / 3.0 == pytest.approx(8.97, abs=0.05)


def test_deep_arch_twin() -> None:
    """Twin: the load of the coarse mesh alone, taken for a radius one per cent larger, misses."""
    assert arch_limit(40) * 1.02 != pytest.approx(8.97, abs=0.05)
