"""One stretch of several lesions: what prepares it, where imaging counts, and what it says of itself."""

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
from backstay.core.treatment.preparation import IN_ORDER
from backstay.identifiers import Preparation

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
OCT, lesion = W.OCT, W.lesion
TWO = [(40.0, 6.0, 0.6), (56.0, 6.0, 0.6)]


@pytest.fixture
def make(demo_dir: Path, tmp_path: Path) -> Any:
    """Return a maker of cases in a folder of their own."""
    return partial(W.write_case, tmp_path, demo_dir / "shelf.toml")


def sized(file: Path) -> TreatmentDocument:
    return size_case(load_case(file))


# What prepares several lesions


def test_a_stretch_is_prepared_for_all_its_lesions(make: Any) -> None:
    """A soft lesion asks for more ways than a hard one that has had all but lithotripsy: none may hide the other's."""
    soft = lesion(35, 45, calcium="moderate")
    hard = lesion(51, 61, OCT.format(200, 0.6, 6), 'prepared = ["scoring_balloon"]', calcium="severe")
    (alone,) = sized(make([TWO[1]], hard)).stretches
    assert [step.kind for step in alone.preparation] == ["lithotripsy", "non_compliant_balloon"]
    (stretch,) = sized(make(TWO, soft + hard)).stretches
    assert stretch.lesions == [1, 2]
    kinds = [step.kind for step in stretch.preparation]
    assert kinds == ["semi_compliant_balloon", "lithotripsy", "scoring_balloon", "non_compliant_balloon"]
    why = {step.kind: step.why for step in stretch.preparation}
    assert why[Preparation.LITHOTRIPSY].startswith("lesion 2: calcium all round")
    assert why[Preparation.SCORING].startswith("lesion 1: moderate calcium")
    assert "lesion" not in why[Preparation.NON_COMPLIANT].split(":")[0]  # both ask for it, for one reason


def test_every_way_has_one_place_in_the_order() -> None:
    assert sorted(IN_ORDER) == sorted(Preparation)
    assert IN_ORDER.index(Preparation.ATHERECTOMY) < IN_ORDER.index(Preparation.SEMI_COMPLIANT)
