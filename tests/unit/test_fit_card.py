"""The fit card: a row for each way in, a column for each load, answers that agree with the fit check."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import AccessRoute, Burr, Extension, Guide, Shelf, Stent, Wire
from backstay.core.rigging.fit import check_fit, fit_card
from backstay.core.rigging.fit_card import CardCell, FitCard
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, DeviceKind, Verdict

SHELF = read_shelf(Path(__file__).resolve().parents[2] / "examples" / "demo" / "shelf.toml")
CARD = fit_card(SHELF)


def cell(card: FitCard, id_: str, key: str) -> CardCell:
    row = next(r for r in card.rows if id_ in r.ids)
    return row.cells[[load.key for load in card.loads].index(key)]


def test_rows_and_columns() -> None:
    assert CARD.title == SHELF.title
    ids = [i for row in CARD.rows for i in row.ids]
    ways = [d.id for d in SHELF.devices.values() if isinstance(d, Guide | Extension)]
    assert sorted(ids) == sorted(ways)
    assert [r.kind for r in CARD.rows] == sorted(
        (r.kind for r in CARD.rows), key=lambda k: k is DeviceKind.EXTENSION
    )
    assert all(len(row.cells) == len(CARD.loads) for row in CARD.rows)
    keys = [load.key for load in CARD.loads]
    assert len(keys) == len(set(keys))
    burrs = [d for d in SHELF.devices.values() if isinstance(d, Burr)]
    assert sum(key.startswith("burr_") for key in keys) == len(burrs)


def test_guides_of_one_bore_share_a_row() -> None:
    row = next(r for r in CARD.rows if "guide-6-ebl" in r.ids)
    assert row.name == "6 Fr guides"
    assert {"guide-6-sl", "guide-6-al", "guide-6-sr"} <= set(row.ids)


@pytest.mark.parametrize("guide", ["guide-5-sl", "guide-6-ebl", "guide-7-ebl", "guide-8-ebl"])
def test_agrees_with_the_check_of_a_rig(guide: str) -> None:
    way, wire = SHELF.devices[guide], SHELF.devices["wire-exchange"]
    assert isinstance(way, Guide)
    assert isinstance(wire, Wire)
    stents = [d for d in SHELF.devices.values() if isinstance(d, Stent)]
    widest = max(stents, key=lambda d: d.crossing_diameter_mm)
    rig = Rig(AccessRoute(Access.FEMORAL, 8.0), way, wire)
    alone, buddy = (
        check_fit(r, widest, landing_tip_mm=60.0)
        for r in (rig, rig.with_buddy(replace(wire, diameter_mm=0.3556)))
    )
    assert cell(CARD, guide, "stent").verdict is alone.verdict
    assert cell(CARD, guide, "stent").spare_mm == pytest.approx(alone.spare_mm)
    assert cell(CARD, guide, "stent_buddy").verdict is buddy.verdict
    assert cell(CARD, guide, "stent_buddy").spare_mm == pytest.approx(buddy.spare_mm, abs=2e-3)


def test_kissing_balloons() -> None:
    assert cell(CARD, "guide-5-sl", "kissing").verdict is Verdict.NO
    assert cell(CARD, "guide-6-ebl", "kissing").verdict is Verdict.TIGHT
    assert cell(CARD, "guide-6-ebl", "kissing").note == "only one after the other"
    assert cell(CARD, "ext-7", "kissing").verdict is Verdict.NO


def test_extension_column() -> None:
    assert cell(CARD, "guide-5-sl", "extension").verdict is Verdict.NO
    assert cell(CARD, "guide-6-ebl", "extension").verdict is Verdict.FITS
    assert cell(CARD, "guide-7-ebl", "extension").note == "7 Fr guide extension"
    assert cell(CARD, "ext-6", "extension").verdict is None


def test_trapping_balloon_fills_the_bore() -> None:
    assert cell(CARD, "guide-6-ebl", "trapping").note == "Semi-compliant balloon 2.0 x 15 mm"
    assert cell(CARD, "guide-7-ebl", "trapping").note == "Semi-compliant balloon 2.5 x 15 mm"
    small = {k: d for k, d in SHELF.devices.items() if k != "bal-sc-300-15" and k != "bal-sc-250-15"}
    assert cell(fit_card(Shelf("small", small)), "guide-8-ebl", "trapping").verdict is None


def test_instructions_for_use_overrule() -> None:
    burr = SHELF.devices["burr-125"]
    assert isinstance(burr, Burr)
    named = {**SHELF.devices, burr.id: replace(burr, smallest_guide_bore_mm=1.6)}
    card = fit_card(Shelf("named", dict(named)))
    assert cell(CARD, "guide-5-sl", "burr_burr-125").verdict is Verdict.FITS
    assert cell(card, "guide-5-sl", "burr_burr-125").verdict is Verdict.NO
    assert "instructions for use" in cell(card, "guide-5-sl", "burr_burr-125").note


def test_a_shelf_without_loads_has_no_columns() -> None:
    guides = {k: d for k, d in SHELF.devices.items() if isinstance(d, Guide)}
    card = fit_card(Shelf("guides", guides))
    assert card.loads == ()
    assert all(row.cells == () for row in card.rows)
