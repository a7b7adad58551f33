"""The demo shelf's sourced values lie where their sources say."""

from __future__ import annotations

from pathlib import Path

import pytest

from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import Device, Shelf
from backstay.units import gram_force_to_N, inch_to_mm

# Field, source, lowest, highest. Bores printed in inches stand rounded to 0.01 mm: 0.005 mm either way.
RANGES: list[tuple[str, str, float, float]] = [
    # Stent bench, 3.0 mm systems [@schmidt2009].
    ("working_stiffness_Nmm2", "schmidt2009", 17.22, 47.20),
    # Crimped drug-eluting stents [@schmidt2018].
    ("crossing_diameter_mm", "schmidt2018", 1.02, 1.13),
    # Eight balloon models [@amstutz2023].
    ("proximal_shaft_diameter_mm", "amstutz2023", 0.59, 0.69),
    ("crossing_diameter_mm", "amstutz2023", 0.9, 1.2),
    # Two balloon families at 3.0 mm [@balloondata].
    ("crossing_diameter_mm", "balloondata", inch_to_mm(0.0336) - 5e-4, inch_to_mm(0.0343) + 5e-4),
    ("nominal_atm", "balloondata", 12.0, 12.0),
    ("rated_burst_atm", "balloondata", 20.0, 20.0),
    # Wire lumens of 20-30 cm [@rapidexchange].
    ("rapid_exchange_mm", "rapidexchange", 200.0, 300.0),
    # Guides: 0.058 in [@schobel2003], 0.071 in [@rumoroso], 7 and 8 Fr 0.076-0.091 in [@guidetable].
    ("inner_diameter_mm", "schobel2003", inch_to_mm(0.058) - 0.005, inch_to_mm(0.058) + 0.005),
    ("inner_diameter_mm", "rumoroso", inch_to_mm(0.071) - 0.005, inch_to_mm(0.071) + 0.005),
    ("inner_diameter_mm", "guidetable", inch_to_mm(0.076), inch_to_mm(0.091)),
    # Extensions [@pawlowski2021], [@liao2023], [@citoday2020].
    ("inner_diameter_mm", "pawlowski2021", 1.42, 1.60),
    ("inner_diameter_mm", "liao2023", 1.42, 1.42),
    ("outer_diameter_mm", "liao2023", 1.70, 1.70),
    ("tube_length_mm", "liao2023", 350.0, 350.0),
    ("tube_length_mm", "citoday2020", 250.0, 250.0),
    # Tip loads from about 1 gf, workhorse 0.5-1 gf from memory [@tipload].
    ("tip_load_N", "tipload", gram_force_to_N(0.5), gram_force_to_N(1.1)),
    # A burr of 1.25 mm [@pawlowski2021].
    ("crossing_diameter_mm", "pawlowski2021", 1.25, 1.25),
    # Solid rods, 0.05 to 0.25 mm of steel [@solidrod].
    ("core_stiffness_Nmm2", "solidrod", 0.059, 37.0),
]


@pytest.fixture(scope="module")
def shelf(root: Path) -> Shelf:
    return read_shelf(root / "examples" / "demo" / "shelf.toml")


def sourced(shelf: Shelf, field: str, source: str) -> list[tuple[Device, float]]:
    return [(d, getattr(d, field)) for d in shelf.devices.values() if d.sources.get(field) == source]


@pytest.mark.parametrize(("field", "source", "low", "high"), RANGES)
def test_in_the_published_range(shelf: Shelf, field: str, source: str, low: float, high: float) -> None:
    values = sourced(shelf, field, source)
    assert values, "nothing on the shelf takes this value from this source"
    assert [(d.id, v) for d, v in values if not low <= v <= high] == []


@pytest.mark.parametrize(("field", "source", "low", "high"), RANGES)
def test_leaves_the_range_when_perturbed(
    shelf: Shelf, field: str, source: str, low: float, high: float
) -> None:
    # The whole range once more above the highest: no value of the shelf's may still lie inside.
    shift = high - low + 0.01 * high
    assert [v for _, v in sourced(shelf, field, source) if low <= v + shift <= high] == []


def test_every_sourced_number_is_checked(shelf: Shelf) -> None:
    from backstay.sources import all_sources

    checked = {(field, source) for field, source, *_ in RANGES}
    pairs = {(f, s) for d in shelf.devices.values() for f, s in d.sources.items() if s in all_sources()}
    # A French size is the label itself.
    assert pairs - checked == {("size_fr", "guidetable")}
