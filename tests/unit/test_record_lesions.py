"""What a record did to the lesions: one account of it for the plan, for what attempts teach and for the sizes."""

from __future__ import annotations

import runpy
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.core.anatomy.lesion import Lesion
from backstay.core.record.entries import Entry
from backstay.core.record.lesions import lesions_after, meets, preparation_by, tears
from backstay.identifiers import Calcium, Preparation

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))
NEAR, FAR = Lesion(20.0, 30.0, Calcium.MODERATE), Lesion(40.0, 60.0, Calcium.SEVERE)
INFLATED = "inflation from_mm=28 to_mm=40 pressure_atm=8 purpose=preparation device="


def after(*texts: str) -> tuple[Lesion, ...]:
    return lesions_after([H.entry(text) for text in texts], (NEAR, FAR), H.SHELF.devices)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        (f"{INFLATED}bal-sc-150-12", Preparation.SMALL_BALLOON),
        (f"{INFLATED}bal-sc-200-15", Preparation.SEMI_COMPLIANT),
        (f"{INFLATED}bal-nc-300-12", Preparation.NON_COMPLIANT),
        (f"{INFLATED}not-on-the-shelf", None),
        (f"{INFLATED}bal-nc-300-12".replace("preparation", "after_stent"), None),
        ("prepared from_mm=40 to_mm=60 what=atherectomy", Preparation.ATHERECTOMY),
        ("contrast volume_mL=8", None),
    ],
)
def test_what_prepared(text: str, what: Preparation | None) -> None:
    assert preparation_by(H.entry(text), H.SHELF.devices) == what


def test_what_was_done_counts_where_it_was_done() -> None:
    near, far = after(f"{INFLATED}bal-nc-300-12")
    assert near.prepared == (Preparation.NON_COMPLIANT,) and far == FAR
    assert after(f"{INFLATED}bal-nc-300-12 branch=small") == (NEAR, FAR)


@pytest.mark.parametrize(
    ("place", "torn"), [("", (True, True)), ("at_mm=60", (False, True)), ("at_mm=35", (False, False))]
)
def test_a_dissection_counts_where_it_is_and_everywhere_where_nobody_said(
    place: str, torn: tuple[bool, bool]
) -> None:
    said = f"complication what=flap code=dissection {place}"
    assert tears(H.entry(said))
    assert tuple(lesion.dissected for lesion in after(said)) == torn


def test_other_complications_tear_nothing() -> None:
    said = "complication what=slow code=slow_flow"
    assert not tears(H.entry(said)) and after(said) == (NEAR, FAR)


def test_a_preparation_without_a_place_counts_for_none() -> None:
    nowhere = H.entry("prepared what=scoring_balloon")
    assert isinstance(nowhere, Entry) and not meets(nowhere, FAR)
