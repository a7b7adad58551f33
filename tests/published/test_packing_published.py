"""Equal circles in a circle against the ratios printed in a table, to half a unit of the last digit."""

from __future__ import annotations

import pytest

from backstay.core.rigging.packing import enclosing_radius_mm

# Outer over inner radius for 2 to 7 equal circles [@graham1968].
PRINTED = {2: 2.0, 3: 2.1547, 4: 2.4142, 5: 2.7013, 6: 3.0, 7: 3.0}
HALF_A_DIGIT = 5e-5


@pytest.mark.parametrize(("count", "ratio"), PRINTED.items())
def test_ratio(count: int, ratio: float) -> None:
    assert enclosing_radius_mm((1.0,) * count).radius_mm == pytest.approx(ratio, abs=HALF_A_DIGIT)


@pytest.mark.parametrize(("count", "ratio"), PRINTED.items())
def test_ratio_fails_when_perturbed(count: int, ratio: float) -> None:
    # All circles a thousandth larger: every ratio leaves its printed digits.
    perturbed = enclosing_radius_mm((1.001,) * count).radius_mm
    assert perturbed != pytest.approx(ratio, abs=HALF_A_DIGIT)
