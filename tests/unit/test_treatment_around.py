"""What lies around a stretch: the limbs of a branch, the lesions beside it, and the stents of the next."""

from __future__ import annotations

import runpy
from functools import partial
from itertools import pairwise
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from typer.testing import CliRunner

from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.app.treatment.beside import between
from backstay.app.treatment.least import minimum_results
from backstay.cli import app
from backstay.report.treatment import expected_words

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


# Lesions beside the stretch


def test_an_end_inside_another_lesion_is_said(make: Any) -> None:
    """Imaging put the landing zone into the next narrowing, which nobody named."""
    narrowed = [(40.0, 9.0, 0.6), (59.0, 9.0, 0.5)]
    image = 'imaging = { method = "ivus", distal = { at_mm = 57, lumen_mm = 2.9 } }'
    doc = sized(make(narrowed, lesion(31, 49, image), target=(28.0, 57.0)))
    (stretch,) = doc.stretches
    assert [x.named for x in doc.lesions] == [True, False]
    assert any("the distal end at 57 mm" in text and "lies in lesion 2 (" in text for text in stretch.missed)
    assert any(
        "the case's target: geographic miss along: the distal end" in text.lower() for text in doc.target
    )
    doc = sized(make(narrowed[:1], lesion(31, 49), target=(28.0, 52.0)))
    assert doc.stretches[0].missed == [] and not any("lies in lesion" in text for text in doc.target)


def test_stents_over_a_lesion_that_is_not_planned_are_said(make: Any) -> None:
    narrowed = [(30.0, 5.0, 0.5), (55.0, 9.0, 0.6)]
    image = 'imaging = { method = "ivus", proximal = { at_mm = 20, lumen_mm = 3.1 } }'
    (stretch,) = sized(make(narrowed, lesion(46, 64, image))).stretches
    assert any(
        "run over lesion 1 (" in text and text.endswith("which is not prepared here")
        for text in stretch.missed
    )


@pytest.mark.parametrize(
    ("second_mm", "half_mm", "words"),
    [
        (66.0, 6.5, "mm stay bare between these stents and the stents of lesion 1"),
        (75.0, 6.5, ""),
    ],
)
def test_stents_of_two_stretches_that_meet_are_said(
    make: Any, second_mm: float, half_mm: float, words: str
) -> None:
    narrowed = [(45.0, 6.0, 0.6), (second_mm, half_mm, 0.6)]
    doc = sized(make(narrowed, lesion(39, 51) + lesion(second_mm - half_mm, second_mm + half_mm)))
    near, far = doc.stretches
    assert near.best is not None and far.best is not None
    gap = far.best.stents[0].from_mm - near.best.stents[-1].to_mm
    assert gap >= 0.0 and (gap < 5.0) is bool(words)
    assert len(far.missed) == bool(words) and all(words in text for text in far.missed)


def test_two_stretches_whose_stents_would_overlap_are_one(make: Any) -> None:
    """Landing zones 5.2 mm apart, but the shelf's length for the second one reaches into the first's stent."""
    narrowed = [(45.0, 6.0, 0.6), (65.7, 9.65, 0.6)]
    vessel = lesion(39, 51) + lesion(56.05, 75.35)
    (stretch,) = sized(make(narrowed, vessel)).stretches
    assert stretch.lesions == [1, 2] and stretch.missed == [] and stretch.best is not None
    for near, far in pairwise(stretch.best.stents):
        assert near.to_mm - far.from_mm == pytest.approx(2.0, abs=0.05)


def test_little_vessel_between_the_stents_of_two_stretches_is_said() -> None:
    def stretch(number: int, from_mm: float, to_mm: float) -> Any:
        stent = SimpleNamespace(from_mm=from_mm, to_mm=to_mm)
        return SimpleNamespace(lesions=[number], best=SimpleNamespace(stents=[stent]))

    near = stretch(1, 20.0, 40.0)
    assert "only 3.0 mm stay bare" in between(near, stretch(2, 43.0, 60.0))
    assert "reach 1.0 mm into the stents of lesion 1" in between(near, stretch(2, 39.0, 60.0))
    assert between(near, stretch(2, 45.0, 60.0)) == ""


# A dissection: of one lesion, and of the vessel

NODULE = 'imaging = { method = "oct", nodule = true }'
TORN = "a dissection is known here"


def test_a_dissection_of_the_record_is_one_lesions_and_bars_the_burr_from_all(make: Any) -> None:
    narrowed = [(20.0, 8.0, 0.6), (75.0, 8.0, 0.6)]
    file = make(narrowed, lesion(12, 28) + lesion(44, 50) + lesion(67, 83, NODULE, calcium="severe"))
    before = sized(file)
    assert [s.lesions for s in before.stretches] == [[1], [3]]
    assert "atherectomy" in [step.kind for step in before.stretches[1].preparation]
    for line in ("guide in guide-6-sr", "heparin 6000", "wire in workhorse", "dissection at 20"):
        assert CliRunner().invoke(app, ["log", str(file), line]).exit_code == 0
    doc = sized(file)
    assert [s.lesions for s in doc.stretches] == [[1], [3]]  # the healthy place between stays unplanned
    near, far = doc.stretches
    assert all(any(TORN in c for c in step.cautions) for step in near.preparation)
    assert not any(TORN in c for step in far.preparation for c in step.cautions)
    assert "atherectomy" not in [step.kind for step in far.preparation]
    assert any("never atherectomy" in text for text in doc.cautions)


def test_a_caution_of_one_lesion_of_a_stretch_names_it(make: Any) -> None:
    vessel = lesion(35, 45, "dissected = true") + lesion(51, 61)
    (stretch,) = sized(make([(40.0, 6.0, 0.6), (56.0, 6.0, 0.6)], vessel)).stretches
    for step in stretch.preparation:
        assert [c for c in step.cautions if TORN in c] == [
            c for c in step.cautions if c.startswith("lesion 1: ")
        ]
        assert any(c.startswith("lesion 1: ") for c in step.cautions)


@pytest.mark.parametrize(("arc_deg", "burr"), [(0, True), (40, False)])
def test_a_dissection_that_imaging_saw_bars_the_burr(make: Any, arc_deg: int, burr: bool) -> None:
    """Also one too small to act on: a burr makes it larger."""
    image = NODULE.replace(" }", f", edge_dissection_deg = {arc_deg}, edge_dissection_length_mm = 1 }}")
    file = make([(50.0, 10.0, 0.6)], lesion(40, 60, image, calcium="severe"))
    (stretch,) = sized(file).stretches
    assert ("atherectomy" in [step.kind for step in stretch.preparation]) is burr
    assert load_case(file).lesions[0].dissected is not burr


# What would not cross, of entries on one narrowing


def test_that_a_catheter_did_not_cross_is_kept_when_entries_are_joined(make: Any) -> None:
    failed, seen = 'imaging = { method = "ivus", crossed = false }', W.OCT.format(300, 0.8, 8)
    vessel = lesion(40, 50, failed, calcium="severe") + lesion(50, 60, seen, calcium="severe")
    doc = sized(make([(50.0, 10.0, 0.6)], vessel))
    (one,), (stretch,) = doc.lesions, doc.stretches
    assert one.entries == [1, 2] and one.oct_score == 4
    assert [step.kind for step in stretch.preparation][:2] == ["small_balloon", "atherectomy"]
    assert any("taken as hard to cross" in note for note in one.notes)


# One instrument against itself


def test_a_zone_far_from_the_narrowest_place_is_still_of_the_same_pullback(make: Any) -> None:
    narrowed = [(50.0, 10.0, 0.3)]
    (plain,) = sized(make(narrowed, lesion(40, 60))).lesions
    seen = 'imaging = { method = "ivus", lumen_area_mm2 = 5.0, distal = { at_mm = 72, lumen_mm = 3.32 } }'
    (one,) = sized(make(narrowed, lesion(40, 60, seen))).lesions
    assert one.reference_mm.value == pytest.approx(
        plain.reference_mm.value * 3.32 / (3.2 - 0.006 * 72), rel=0.02
    )
    assert any("that it measured at its landing zone" in note for note in one.notes)


@pytest.mark.parametrize(
    ("zones", "expansion", "said"),
    [
        ("proximal = { lumen_mm = 3.6 }, distal = { lumen_mm = 3.2 }", 0.776, "of the mean reference: does not pass"),
        ("distal = { lumen_mm = 3.2 }", 0.876, "of the distal reference, the only one imaged: passes"),
        ("nodule = false", None, "by angiography, which is another instrument"),
    ],
)  # fmt: skip
def test_a_stent_area_is_held_against_references_of_its_own_instrument(
    make: Any, zones: str, expansion: float | None, said: str
) -> None:
    """7.05 mm2 against circles of 10.18 and 8.04 mm2."""
    image = f'imaging = {{ method = "ivus", stent_area_mm2 = 7.05, {zones} }}'
    (stretch,) = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60, image))).stretches
    found = stretch.expected
    assert said in found.measured_verdict
    assert ("the 1998 criteria" in found.measured_verdict) is ("only one" not in said)
    if expansion is not None:
        assert found.measured_expansion == pytest.approx(
            7.05 / 9.11 if "mean" in said else 7.05 / 8.04, abs=2e-3
        )


def test_a_least_result_by_two_instruments_says_so(make: Any) -> None:
    for zones, said in (
        ("distal = { lumen_mm = 3.2 }", "the distal reference is imaging's, the other angiography's: of imaging's alone 80 % are 6.4 mm²"),
        ("proximal = { lumen_mm = 3.6 }, distal = { lumen_mm = 3.2 }", ""),
        ("nodule = false", ""),
    ):  # fmt: skip
        image = f'imaging = {{ method = "ivus", {zones} }}'
        file = make([(50.0, 10.0, 0.6)], lesion(40, 60, image))
        (stretch,) = sized(file).stretches
        assert stretch.expected.least_note == said
        assert said in expected_words(stretch.expected)[0] and said in minimum_results(load_case(file))[0]


# The left main


def test_a_stent_area_in_the_left_main_is_judged_by_its_own_sets(make: Any) -> None:
    image = 'imaging = { method = "ivus", stent_area_mm2 = 6.5 }'
    text = "left_main_mm = 12\n" + lesion(3, 20, image, calcium="mild")
    file = make([(12.0, 6.0, 0.55)], text, start_mm=4.2, device="stent-350-18", target=(2.0, 20.0))
    found = sized(file).stretches[0].expected
    assert "5.5 mm2" not in found.measured_verdict and "its sets disagree" in found.measured_verdict
    said = [text for text in found.measured_findings if text.startswith("left main by ")]
    assert len(said) == len(found.left_main) == 4
    assert (
        "reaches circumflex mouth 5, anterior descending mouth 6.3, stays below where they meet 7.2"
        in said[0]
    )
    assert "stays below anterior descending mouth 7, left main 10" in said[1]
    assert all("sets for the left main disagree" in text for text in minimum_results(load_case(file)))
    (plain,) = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60, image))).stretches
    assert "above 5.5 mm2" in plain.expected.measured_verdict and plain.expected.left_main == []
