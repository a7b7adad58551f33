"""Pressure lost: how it scales, what adds up, and tandem lesions against a circuit of resistances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.treatment.flow import (
    Stenosis,
    carried_through,
    loss_poiseuille_mmHg,
    loss_young_tsai,
    tandem_distal_ratio,
    tandem_proximal_ratio,
)
from backstay.errors import InputError

BLOOD = {"viscosity_mPas": 3.5, "density_kg_m3": 1060.0}
ONE = Stenosis(normal_mm=3.0, narrowest_mm=1.4, length_mm=12.0)


def circuit(aortic: float, collateral: float, first: float, second: float, bed: float) -> tuple[float, float]:
    """Return pressures between and beyond two resistances before a bed, a collateral running to the distal end.

    Solved as nodal equations; a resistance of infinity is a blocked vessel.
    """
    conductance = np.array([1.0 / first, 1.0 / second, 1.0 / collateral, 1.0 / bed])
    a, b, c, d = conductance
    if a == 0.0:
        return 0.0, aortic * c / (c + d)
    nodes = np.array([[a + b, -b], [-b, b + c + d]])
    between, distal = np.linalg.solve(nodes, [a * aortic, c * aortic])
    return float(between), float(distal)


def with_one(collateral: float, only: float, bed: float) -> float:
    """Return distal over aortic pressure with one of the two resistances taken out: nodes merge, no small number is needed."""
    feeding = 1.0 / only + 1.0 / collateral
    return feeding / (feeding + 1.0 / bed)


CIRCUITS = [
    (100, 4, 0.25, 0.25, 1, 84.6154, 69.2308, 20, 0.8095, 0.8095),
    (100, 4, 0.40, 0.20, 1, 77.1429, 65.7143, 20, 0.7333, 0.8400),
    (100, 9, 0.30, 0.15, 1, 80.0000, 70.0000, 10, 0.7750, 0.8714),
    (90, 5, 0.20, 0.40, 1, 79.5349, 58.6047, 15, 0.8387, 0.7297),
]


APPARENT = [(0.8462, 0.8182), (0.7714, 0.8519), (0.8000, 0.8750), (0.8837, 0.7368)]
"""Pressure beyond over pressure before, of the proximal and of the distal lesion."""


@pytest.mark.parametrize("row", CIRCUITS)
def test_tandem_equations_are_the_circuit(row: tuple[float, ...]) -> None:
    aortic, collateral, first, second, bed, *printed = row
    between, distal = circuit(aortic, collateral, first, second, bed)
    wedge = circuit(aortic, collateral, np.inf, second, bed)[1]
    assert (between, distal, wedge) == pytest.approx(printed[:3], abs=5e-5)
    pressures = {
        "aortic_mmHg": aortic, "between_mmHg": between, "distal_mmHg": distal, "wedge_mmHg": wedge
    }  # fmt: skip
    # What would be measured with the other lesion gone.
    alone = (
        with_one(collateral, first, bed),
        with_one(collateral, second, bed),
    )
    found = tandem_proximal_ratio(**pressures), tandem_distal_ratio(**pressures)
    assert found == pytest.approx(alone, abs=1e-9)
    assert found == pytest.approx(printed[3:], abs=5e-5)
    # The plain ratios over each lesion, as derived beside it, are not it.
    apparent = between / aortic, distal / between
    assert apparent == pytest.approx(APPARENT[CIRCUITS.index(row)], abs=5e-5)
    assert between / aortic != pytest.approx(alone[0], abs=5e-3)


@given(
    collateral=st.floats(1.0, 50.0),
    first=st.floats(0.02, 2.0),
    second=st.floats(0.02, 2.0),
    aortic=st.floats(50, 120),
)
def test_tandem_equations_are_any_circuit(
    collateral: float, first: float, second: float, aortic: float
) -> None:
    between, distal = circuit(aortic, collateral, first, second, 1.0)
    wedge = circuit(aortic, collateral, np.inf, second, 1.0)[1]
    pressures = {
        "aortic_mmHg": aortic, "between_mmHg": between, "distal_mmHg": distal, "wedge_mmHg": wedge
    }  # fmt: skip
    alone = with_one(collateral, first, 1.0)
    assert tandem_proximal_ratio(**pressures) == pytest.approx(alone, abs=1e-9)


@given(mL_min=st.floats(1.0, 400.0), narrowest=st.floats(0.4, 3.0), length=st.floats(0.0, 60.0))
def test_doubling_flow_doubles_friction_and_quadruples_the_jet(
    mL_min: float, narrowest: float, length: float
) -> None:
    stenosis = Stenosis(normal_mm=3.0, narrowest_mm=narrowest, length_mm=length)
    once = loss_young_tsai(stenosis, flow_mL_min=mL_min, **BLOOD)
    twice = loss_young_tsai(stenosis, flow_mL_min=2.0 * mL_min, **BLOOD)
    assert twice.viscous_mmHg == pytest.approx(2.0 * once.viscous_mmHg)
    assert twice.separation_mmHg == pytest.approx(4.0 * once.separation_mmHg)


def test_flow_turned_round_turns_the_loss_round() -> None:
    there, back = (loss_young_tsai(ONE, flow_mL_min=q, **BLOOD) for q in (80.0, -80.0))
    assert back.total_mmHg == pytest.approx(-there.total_mmHg)


def test_a_tube_of_the_same_bore_loses_0_83_of_poiseuille_per_length() -> None:
    # With no narrowing the length term of the formula is 0.83 of Poiseuille's, by its own coefficients.
    long, longer = (
        loss_young_tsai(Stenosis(normal_mm=3.0, narrowest_mm=3.0, length_mm=x), flow_mL_min=100, **BLOOD)
        for x in (20.0, 40.0)
    )
    tube = loss_poiseuille_mmHg(diameter_mm=3.0, length_mm=20.0, flow_mL_min=100, viscosity_mPas=3.5)
    assert longer.viscous_mmHg - long.viscous_mmHg == pytest.approx(0.83 * tube)
    assert long.separation_mmHg == 0.0


@given(
    widths=st.lists(st.floats(0.5, 3.0), max_size=4),
    normal=st.floats(20.0, 400.0),
    aortic=st.floats(50.0, 140.0),
)
def test_losses_and_bed_add_up_to_the_aortic_pressure(
    widths: list[float], normal: float, aortic: float
) -> None:
    row = [Stenosis(normal_mm=3.0, narrowest_mm=w, length_mm=10.0) for w in widths]
    found = carried_through(row, normal_mL_min=normal, aortic_mmHg=aortic, **BLOOD)
    bed = aortic * found.flow_mL_min / normal
    assert found.distal_mmHg == pytest.approx(bed, rel=1e-9)
    for stenosis, loss in zip(row, found.losses, strict=True):
        again = loss_young_tsai(stenosis, flow_mL_min=found.flow_mL_min, **BLOOD)
        assert loss.total_mmHg == pytest.approx(again.total_mmHg, rel=1e-9)
    assert found.flow_mL_min <= normal * (1.0 + 1e-9)


def test_without_lesions_the_flow_is_the_normal_one() -> None:
    found = carried_through([], normal_mL_min=150, aortic_mmHg=90, **BLOOD)
    assert (found.flow_mL_min, found.distal_mmHg) == pytest.approx((150, 90))


def test_pressures_that_rise_are_refused() -> None:
    with pytest.raises(InputError, match="pressure falls") as caught:
        tandem_distal_ratio(aortic_mmHg=100, between_mmHg=60, distal_mmHg=80, wedge_mmHg=20)
    assert caught.value.field == "distal_mmHg"


def test_a_stenosis_wider_than_its_vessel_is_refused() -> None:
    with pytest.raises(InputError, match="no wider"):
        Stenosis(normal_mm=3.0, narrowest_mm=3.1, length_mm=5.0)
