"""Which place of the vessel a stent, and what follows it, is held against."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import Stent
from backstay.core.treatment.sizing import size_by_angiography
from backstay.core.treatment.stents import Wanted, choose_stents

SHELF = read_shelf(Path(__file__).resolve().parents[2] / "examples" / "demo" / "shelf.toml")
STENTS = [d for d in SHELF.devices.values() if isinstance(d, Stent)]
ROWS = np.arange(0.0, 100.0, 1.0)

# Pushed on by the ostium


def test_a_stent_that_the_ostium_pushes_on_is_held_against_the_vessel_where_it_ends() -> None:
    """A vessel of 3.5 mm that steps to 2.65 mm at 14 mm, landing zones from the ostium to 8 mm."""
    reference = np.where(ROWS < 14.0, 3.5, 2.65)
    need = Wanted(0.0, 8.0, size_by_angiography(distal_mm=3.5), ROWS, reference)
    long = [s for s in STENTS if s.working_mm >= 18.0]
    best = choose_stents(need, long).best
    assert best is not None
    (placed,) = best.placed
    assert placed.to_mm >= 18.0 and placed.rule == size_by_angiography(distal_mm=2.65)
    assert placed.stent.nominal_diameter_mm == 2.75  # 3.5 mm by the landing zone
    wide = [s for s in long if s.nominal_diameter_mm == 3.5]
    chosen = choose_stents(need, wide)
    assert wide and chosen.best is None
    assert (
        "a stent short enough to end at 8.0 mm" in chosen.missing[0]
        and "2.38 to 2.92 mm" in chosen.missing[0]
    )
    short = choose_stents(need, [*wide, replace(wide[0], working_mm=8.0)]).best
    assert short is not None and (short.placed[0].to_mm, short.placed[0].rule) == (8.0, need.distal)


def test_a_stent_that_the_ostium_pushes_on_in_an_even_vessel_is_chosen() -> None:
    need = Wanted(0.0, 8.0, size_by_angiography(distal_mm=3.5), ROWS, np.full(ROWS.shape, 3.4))
    best = choose_stents(need, [s for s in STENTS if s.working_mm >= 18.0]).best
    assert best is not None and best.placed[-1].to_mm > 8.0
    assert best.placed[-1].rule.target_mm == pytest.approx(3.4)
