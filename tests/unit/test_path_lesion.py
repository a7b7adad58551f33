"""Lesions and branches refuse what cannot be."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation


def test_a_lesion_knows_its_length() -> None:
    lesion = Lesion(20.0, 42.0, Calcium.SEVERE, (Preparation.SCORING,), dissected=True)
    assert lesion.length_mm == 22.0


@pytest.mark.parametrize(
    ("make", "field", "allowed"),
    [
        (lambda: Lesion(-1.0, 5.0, Calcium.NONE), "from_mm", "0 mm or more"),
        (lambda: Lesion(math.nan, 5.0, Calcium.NONE), "from_mm", "0 mm or more"),
        (lambda: Lesion(5.0, 5.0, Calcium.NONE), "to_mm", "above 5 mm"),
        (lambda: Branch("b", -2.0, 2.0, 1.0), "at_mm", "0 mm or more"),
        (lambda: Branch("b", 10.0, 0.0, 1.0), "diameter_mm", "above 0 mm"),
        (lambda: Branch("b", 10.0, 2.0, 4.0), "angle_rad", "0 to pi"),
    ],
)
def test_what_cannot_be_is_refused(make: Callable[[], object], field: str, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        make()
    assert (caught.value.field, caught.value.allowed) == (field, allowed)
