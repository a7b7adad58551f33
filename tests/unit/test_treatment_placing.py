"""Which place of the vessel a stent, and what follows it, is held against."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from backstay.adapters.shelf_file import read_shelf
from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.core.rigging.devices import Balloon, Stent
from backstay.core.treatment.preparation import Hardness, steps_for
from backstay.core.treatment.sizing import size_by_angiography
from backstay.core.treatment.stents import Wanted, choose_stents
from backstay.identifiers import Calcium, Preparation

SHELF = read_shelf(Path(__file__).resolve().parents[2] / "examples" / "demo" / "shelf.toml")
STENTS = [d for d in SHELF.devices.values() if isinstance(d, Stent)]
ROWS = np.arange(0.0, 100.0, 1.0)

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
WIDE = 'imaging = {{ method = "ivus", proximal = {{ at_mm = 42, lumen_mm = {0} }}, distal = {{ lumen_mm = {1} }} }}'


def edited(demo_dir: Path, tmp_path: Path, image: str, limit_mm: float) -> TreatmentDocument:
    """Return the treatment where the one stent of the shelf that fits begins far before the imaged proximal zone."""
    file = W.write_case(tmp_path, demo_dir / "shelf.toml", [(50.0, 8.0, 0.6)], W.lesion(42, 58, image))
    case = load_case(file)
    stents = [d for d in case.shelf.devices.values() if isinstance(d, Stent)]
    long = next(d for d in stents if d.nominal_diameter_mm == 2.75 and d.working_mm == 33.0)
    devices = {k: d for k, d in case.shelf.devices.items() if not isinstance(d, Stent)}
    devices[long.id] = replace(long, expansion_limit_mm=limit_mm)
    return size_case(replace(case, shelf=replace(case.shelf, devices=devices)))


# The widest place along the stent


def test_a_platform_opens_to_the_widest_place_along_its_stent(demo_dir: Path, tmp_path: Path) -> None:
    image = WIDE.format(3.7, 2.65)
    (stretch,) = edited(demo_dir, tmp_path, image, 3.5).stretches
    assert stretch.best is None and "a platform that opens to 3.70 mm" in stretch.missing[0]
    (stretch,) = edited(demo_dir, tmp_path, image, 4.0).stretches
    assert stretch.best is not None
    (stent,) = stretch.best.stents
    assert stent.from_mm < 42.0 - 10.0 and stent.opens_to_mm == pytest.approx(3.7, abs=0.01)
    (wider,) = [b for b in stretch.after if b.use == "proximal_optimisation"]
    assert wider.at_most_mm == pytest.approx(3.7, abs=0.01)
    assert stent.from_mm <= wider.from_mm < 42.0 < wider.to_mm <= stent.to_mm
    assert "beyond the stent" not in wider.note


def test_a_proximal_outer_wall_counts_whether_to_optimise(demo_dir: Path, tmp_path: Path) -> None:
    image = (
        'imaging = { method = "ivus", proximal = { lumen_mm = 2.9, outer_wall_mm = 3.9 }, '
        "distal = { lumen_mm = 2.75, outer_wall_mm = 2.9 } }"
    )
    (stretch,) = edited(demo_dir, tmp_path, image, 4.0).stretches
    (wider,) = [b for b in stretch.after if b.use == "proximal_optimisation"]
    assert wider.at_most_mm == 3.9


# What the least lumen by imaging is held against


def test_the_least_lumen_by_imaging_is_held_against_the_reference_of_its_own_pullback(
    demo_dir: Path, tmp_path: Path
) -> None:
    """Imaging sees all of a vessel of 2.9 mm a fifth wider: what is narrowed by a fifth stays narrowed by a fifth."""
    seen = "proximal = {{ lumen_mm = {0} }}, distal = {{ lumen_mm = {1} }}"
    image = f'imaging = {{{{ method = "ivus", lumen_area_mm2 = 6.1, {seen} }}}}'.format(3.55, 3.41)
    more = "\n[flow]\nnormal_mL_min = 150\naortic_mmHg = 95\n"

    def treated(image: str) -> TreatmentDocument:
        vessel = W.lesion(40, 60, image)
        return size_case(
            load_case(W.write_case(tmp_path, demo_dir / "shelf.toml", [(50.0, 10.0, 0.2)], vessel, more=more))
        )

    doc, plain = treated(image), treated("")
    (one,), (angio,) = doc.lesions, plain.lesions
    assert one.reference_mm.value == pytest.approx(1.2 * angio.reference_mm.value, rel=0.02)
    assert one.diameter_percent.value == pytest.approx(angio.diameter_percent.value, abs=3.0)
    assert one.diameter_percent.low > 10.0 and len(doc.stretches) == 1
    assert (one.proximal_mm.value, one.distal_mm.value) == (3.55, 3.41)
    assert any("that it measured at the landing zones" in note for note in one.notes)
    assert doc.worth is not None and plain.worth is not None
    assert doc.worth.rows[0].before_mmHg.value < plain.worth.rows[0].before_mmHg.value  # wider throughout
    assert doc.worth.rows[0].separation_mmHg > 0.0  # narrowed, not as wide as the vessel
    alone = treated('imaging = { method = "ivus", lumen_area_mm2 = 6.1 }').lesions[0]
    assert alone.diameter_percent.value < 10.0 and alone.reference_mm == angio.reference_mm


@pytest.mark.parametrize(("area_mm2", "wider"), [(20.0, True), (3.0, False)])
def test_a_least_lumen_wider_than_the_reference_is_said_and_counts_as_no_narrowing(
    demo_dir: Path, tmp_path: Path, area_mm2: float, wider: bool
) -> None:
    image = f'imaging = {{ method = "ivus", lumen_area_mm2 = {area_mm2} }}'
    file = W.write_case(tmp_path, demo_dir / "shelf.toml", [(50.0, 10.0, 0.5)], W.lesion(40, 60, image))
    doc = size_case(load_case(file))
    (one,) = doc.lesions
    said = [text for text in doc.alerts if "wider than the reference" in text]
    assert len(said) == wider
    if wider:
        assert "(5.05 mm)" in said[0] and "angiography has 50 %" in said[0]
        assert one.diameter_percent.value == one.diameter_percent.low == one.area_percent.value == 0.0
    else:
        assert one.diameter_percent.value > 20.0


# Shorter than the grid


def test_a_lesion_named_shorter_than_the_grid_is_measured(demo_dir: Path, tmp_path: Path) -> None:
    narrowed = [(50.0, 10.0, 0.6)]
    one, whole = (
        size_case(
            load_case(W.write_case(tmp_path, demo_dir / "shelf.toml", narrowed, W.lesion(*ends)))
        ).lesions[0]
        for ends in ((50.26, 50.45), (48.0, 52.0))
    )
    assert one.named and one.narrowest_at_mm == pytest.approx(50.3, abs=0.5)
    assert one.length_mm.value == pytest.approx(whole.length_mm.value, abs=0.5)


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


# Pressures that a device does not work below


def test_a_stent_is_never_opened_below_its_nominal_pressure_by_a_rounded_table() -> None:
    """At its nominal 11 atm the table has 3.02 mm for a label of 3.0 mm: the vessel of 3.0 mm must not ask for 10 atm."""
    need = Wanted(20.0, 38.0, size_by_angiography(distal_mm=3.0), ROWS, np.full(ROWS.shape, 3.0))
    table = ((9.0, 2.96), (11.0, 3.02), (16.0, 3.16))
    given = {"nominal_diameter_mm": 3.0, "working_mm": 18.0, "nominal_atm": 11.0, "compliance": table}
    stent = replace(STENTS[0], **given, rated_burst_atm=16.0, expansion_limit_mm=3.5)
    for limit_mm, pressure in ((3.5, 11.0), (3.01, None)):
        best = choose_stents(need, [replace(stent, expansion_limit_mm=limit_mm)]).best
        assert best is not None
        (placed,) = best.placed
        assert (None if placed.inflation is None else placed.inflation.pressure_atm) == pressure


def test_a_lithotripsy_balloon_is_not_sized_by_a_pressure_below_its_own() -> None:
    """At 2 atm it would fit; it works at 4 to 6 atm, where it is too wide."""
    bare = next(
        d for d in SHELF.devices.values() if isinstance(d, Balloon) and d.balloon_type == "lithotripsy"
    )
    early = replace(bare, compliance=((2.0, 2.88), (4.0, 3.02), (6.0, 3.10)), nominal_atm=4.0)
    hard = Hardness(calcium=Calcium.SEVERE)
    for artery_mm, pressure in ((2.9, None), (3.05, 4.0)):
        (step,) = (
            s
            for s in steps_for(hard, [early], [], distal_mm=artery_mm, longest_mm=30.0)
            if s.kind is Preparation.LITHOTRIPSY
        )
        assert (None if step.sized is None else step.sized.inflation.pressure_atm) == pressure
