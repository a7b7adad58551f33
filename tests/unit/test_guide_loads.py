"""Where a guide rests, and what ties it to the vessel besides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.guide.loads import contacts
from backstay.core.guide.ordinary import ordinary_setup
from backstay.core.guide.pushback import PushBack, Spring, push_back, with_springs
from backstay.identifiers import Access, Coronary, GuideShape


@pytest.fixture(scope="module")
def standard() -> PushBack:
    return push_back(ordinary_setup(GuideShape.STANDARD_LEFT, Coronary.LEFT, Access.FEMORAL, size_fr=6.0))


def test_neighbouring_nodes_are_one_contact() -> None:
    x = np.stack([np.arange(6.0), np.zeros(6), np.zeros(6)], axis=1)
    found = contacts(x, np.array([0.0, 1.0, 3.0, 0.0, 0.0, 0.5]))
    assert [load for _, load in found] == [4.0, 0.5]
    assert found[0][0] == pytest.approx([1.75, 0.0, 0.0])


def test_a_touch_is_no_contact() -> None:
    assert contacts(np.zeros((2, 3)), np.array([0.0, 0.005])) == []


def test_a_wire_in_tension_adds_its_pull(standard: PushBack) -> None:
    found = with_springs(standard, [Spring(0.0, 0.4, 0.4)])
    assert found.backup_N == pytest.approx(standard.backup_N + 0.4)
    assert found.at_mm == standard.at_mm
    assert found.work_Nmm == pytest.approx(standard.work_Nmm + 0.4 * standard.at_mm)


def test_springs_add_at_the_same_retreat_and_slip(standard: PushBack) -> None:
    """A stiff anchor slips before the guide is lost; a soft one is read where the sum is highest."""
    slipping = with_springs(standard, [Spring(50.0, 0.0, 1.0)])
    assert slipping.backup_N == pytest.approx(standard.backup_N + 1.0)
    soft = with_springs(standard, [Spring(0.1, 0.0, 9.0)])
    assert soft.backup_N <= standard.backup_N + 0.1 * standard.retreat_mm[-1]
    assert soft.at_mm >= standard.at_mm
    both = with_springs(standard, [Spring(50.0, 0.0, 1.0), Spring(0.0, 0.4, 0.4)])
    assert both.backup_N == pytest.approx(slipping.backup_N + 0.4)


def test_work_is_the_area_under_the_push(standard: PushBack) -> None:
    flat = replace(standard, retreat_mm=np.array([0.0, 2.0]), push_N=np.array([0.5, 1.0]))
    assert flat.work_Nmm == pytest.approx(1.5)
