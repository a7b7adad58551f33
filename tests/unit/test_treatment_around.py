"""What lies around a stretch: the limbs of a branch, the lesions beside it, and the stents of the next."""

from __future__ import annotations

import runpy
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
lesion = W.lesion


@pytest.fixture
def make(demo_dir: Path, tmp_path: Path) -> Any:
    """Return a maker of cases in a folder of their own."""
    return partial(W.write_case, tmp_path, demo_dir / "shelf.toml")


def sized(file: Path) -> TreatmentDocument:
    return size_case(load_case(file))


# Limbs of a branch

BRANCH = W.BRANCH.replace("at_mm = 50", "at_mm = {0}").replace("diameter_mm = 2.6", "diameter_mm = 1.8")


def advised(make: Any, share: float, image: str = "", **given: Any) -> Any:
    file = make([(50.0, 18.0, share)], lesion(34, 66, image) + BRANCH.format(50), **given)
    (stretch,) = sized(file).stretches
    return stretch.branches[0]


def test_the_error_of_a_row_does_not_make_a_limb_narrowed(make: Any) -> None:
    """A narrowing of 47 %, error of 0.13 mm: the least of the rows nearby lies below a half in most draws."""
    found = [advised(make, 0.47, noise_mm=0.13, seed=seed) for seed in range(12)]
    narrowed = [advice.medina[0] for advice in found]
    assert sum(narrowed) <= 4  # 8 by the least row
    assert all(any("on either side of 50 %" in note for note in advice.notes) for advice in found[:3])
    assert not any("either side" in note for note in advised(make, 0.7, noise_mm=0.13).notes)


def test_imaging_counts_for_the_limb_where_its_least_lumen_lies(make: Any) -> None:
    wide = 'imaging = { method = "ivus", lumen_area_mm2 = 3.6 }'  # 2.1 mm round, in a vessel of 2.9 mm
    assert advised(make, 0.6).medina == (1, 1, 1)
    assert advised(make, 0.6, wide).medina == (0, 0, 1)
    assert advised(make, 0.4, wide.replace("3.6", "1.2")).medina == (1, 1, 1)
