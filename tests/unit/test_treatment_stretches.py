"""One stretch of several lesions: what prepares it, where imaging counts, and what it says of itself."""

from __future__ import annotations

import runpy
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.core.treatment.overriding import REACH_MM, Seen, seen_reference_mm
from backstay.core.treatment.preparation import IN_ORDER
from backstay.errors import InputError
from backstay.identifiers import Preparation
from backstay.report.treatment import drug_words, expected_words, lesion_notes, size_words
from backstay.report.treatment_page import treatment_section

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


def test_a_lesion_far_wider_than_the_end_of_its_stretch_is_prepared_by_its_own_size(make: Any) -> None:
    """A vessel of 3.6 mm that steps to 2.7 mm between two lesions: 2.7 mm in 3.5 mm would touch no wall and show nothing."""
    mouth = '\n[[vessel.branch]]\nname = "b"\nat_mm = 48\ndiameter_mm = 2.6\nangle_deg = 60\n'
    file = make(TWO, lesion(35, 45) + lesion(51, 61) + mouth, start_mm=3.8)
    path = file.parent / "path.csv"
    head, *rows = path.read_text().splitlines()
    values = [[float(x) for x in row.split(",")] for row in rows]
    stepped = [(s, y, z, r - 0.4 * (s > 48.0), sd) for s, y, z, r, sd in values]
    path.write_text("\n".join([head, *(",".join(f"{x:.4f}" for x in row) for row in stepped)]) + "\n")
    (stretch,) = sized(file).stretches
    assert stretch.lesions == [1, 2]
    wide, narrow = [s for s in stretch.preparation if s.kind == "non_compliant_balloon"]
    assert wide.why.startswith("lesion 1: ") and narrow.why.startswith("lesion 2: ")
    assert wide.diameter_mm is not None and narrow.diameter_mm is not None
    assert wide.diameter_mm > 3.2 and narrow.diameter_mm < 2.8


def test_where_nothing_is_left_to_try_it_is_said_and_no_stent_let_in(make: Any) -> None:
    tried = 'prepared = ["lithotripsy", "scoring_balloon", "non_compliant_balloon"]'
    (stretch,) = sized(make([TWO[1]], lesion(51, 61, tried, "dissected = true", calcium="severe"))).stretches
    assert stretch.preparation == []
    assert (
        stretch.gate.startswith("no stent until")
        and "lesion 1: what this lesion asks for was all tried" in stretch.gate
    )
    doc = sized(make([TWO[1]], lesion(51, 61, tried, "dissected = true", calcium="severe")))
    assert doc.alerts[0].startswith("Lesion 1: what this lesion asks for was all tried")
    (other,) = sized(make([TWO[1]], lesion(51, 61, tried, calcium="severe"))).stretches
    assert [step.kind for step in other.preparation] == ["atherectomy", "non_compliant_balloon"]
    assert "all tried" not in other.gate


def test_what_is_named_elsewhere_than_it_is_narrowed_is_said_first(make: Any) -> None:
    far = sized(make([TWO[1]], lesion(51, 75)))
    assert any("the case file has it from 51 to 75 mm" in text for text in far.alerts)
    slipped = sized(make([TWO[1]], lesion(20, 30, 'prepared = ["semi_compliant_balloon"]')))
    assert any("hardly narrowed" in text for text in slipped.alerts)
    assert any("is not named in the case file" in text for text in slipped.alerts)
    right = sized(make([TWO[1]], lesion(51, 61)))
    assert right.alerts == []


def test_a_torn_lesion_is_not_begun_at_the_highest_pressure(make: Any) -> None:
    (torn,) = sized(make([TWO[1]], lesion(51, 61, "dissected = true", calcium="severe"))).stretches
    rows = [
        (row.pressure_atm, text)
        for row in torn.preparation
        for text in row.cautions
        if "low pressure first" in text
    ]
    higher = [(atm, text) for atm, text in rows if "is the most" in text]
    assert higher and all(f"; {atm:g} atm is the most" in text for atm, text in higher)


def test_no_burr_where_another_stretch_of_the_case_is_dissected(make: Any) -> None:
    """The burr to the far stretch runs through the near one."""
    far = lesion(65, 85, 'imaging = { method = "oct", nodule = true }', calcium="severe")
    narrowed = [(25.0, 10.0, 0.6), (75.0, 10.0, 0.6)]
    whole = sized(make(narrowed, lesion(15, 35) + far))
    assert len(whole.stretches) == 2
    assert Preparation.ATHERECTOMY in [step.kind for step in whole.stretches[1].preparation]
    doc = sized(make(narrowed, lesion(15, 35, "dissected = true") + far))
    kinds = [step.kind for step in doc.stretches[1].preparation]
    assert Preparation.LITHOTRIPSY in kinds and Preparation.ATHERECTOMY not in kinds
    assert any("never atherectomy" in text for text in doc.cautions)


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ('prepared = ["non_compliant_balloon"]', ""),
        ("", 'prepared = ["non_compliant_balloon"]'),
        (
            'prepared = ["scoring_balloon"]',
            'prepared = ["non_compliant_balloon", "scoring_balloon"]',
        ),
    ],
)
def test_a_balloon_that_failed_in_one_entry_of_a_narrowing_failed(make: Any, first: str, second: str) -> None:
    whole = max(first, second, key=len)
    (alone,) = sized(make([(50.0, 12.0, 0.6)], lesion(38, 62, whole))).stretches
    (stretch,) = sized(make([(50.0, 12.0, 0.6)], lesion(38, 48, first) + lesion(50, 62, second))).stretches
    kinds = [step.kind for step in stretch.preparation]
    assert kinds == [step.kind for step in alone.preparation]
    assert Preparation.LITHOTRIPSY in kinds and Preparation.SEMI_COMPLIANT not in kinds


def test_a_balloon_that_opened_its_entry_of_a_narrowing_did_not_fail(make: Any) -> None:
    opened = 'prepared = ["non_compliant_balloon"]\nopened_fully = true'
    (stretch,) = sized(make([(50.0, 12.0, 0.6)], lesion(38, 48, opened) + lesion(50, 62))).stretches
    assert [step.kind for step in stretch.preparation] == ["semi_compliant_balloon", "non_compliant_balloon"]


def test_every_way_has_one_place_in_the_order() -> None:
    assert sorted(IN_ORDER) == sorted(Preparation)
    assert IN_ORDER.index(Preparation.ATHERECTOMY) < IN_ORDER.index(Preparation.SEMI_COMPLIANT)


# Where imaging counts


def test_imaging_of_one_landing_zone_leaves_the_other_as_it_was(make: Any) -> None:
    """A distal lumen seen 0.6 mm wider: the proximal reference, 24 mm away, and the area asked of it stay."""
    narrowed = [(50.0, 10.0, 0.6)]
    (plain,) = sized(make(narrowed, lesion(40, 60))).stretches
    image = 'imaging = { method = "ivus", distal = { lumen_mm = 3.5 } }'
    (seen,) = sized(make(narrowed, lesion(40, 60, image))).stretches
    near, far = seen.expected.reference_areas_mm2
    assert near == pytest.approx(plain.expected.reference_areas_mm2[0], abs=0.01)
    assert far == pytest.approx(np.pi * 3.5**2 / 4.0, abs=0.02)
    assert "angiography's comes back over 10 mm" in size_words(seen)
    assert seen.imaged_at_mm == [seen.to_mm] and "comes back" not in size_words(plain)


def test_zones_between_the_lesions_of_a_stretch_count_too(make: Any) -> None:
    image = 'imaging = { method = "ivus", distal = { lumen_mm = 3.4 } }'
    (stretch,) = sized(make(TWO, lesion(35, 45, image) + lesion(51, 61))).stretches
    (at,) = stretch.imaged_at_mm
    assert stretch.from_mm < at < stretch.to_mm


def test_imaging_counts_where_it_measured_and_angiography_beyond_its_reach() -> None:
    s, reference = W.S, 3.4 - 0.006 * W.S
    two = [Seen(60.0, 3.3, 0), Seen(30.0, 2.9, 0)]
    found = seen_reference_mm(s, reference, two)
    assert np.interp([30.0, 60.0], s, found) == pytest.approx([2.9, 3.3])
    away = (s <= 30.0 - REACH_MM) | (s >= 60.0 + REACH_MM)
    assert away.any() and np.array_equal(found[away], reference[away])
    ratio = found / reference
    between = (s > 30.0) & (s < 60.0)
    assert np.diff(ratio[between]) == pytest.approx(np.diff(ratio[between])[0])  # one pullback: one line
    apart = seen_reference_mm(s, reference, [two[0], Seen(30.0, 2.9, 1)])
    assert np.interp(45.0, s, apart) == pytest.approx(float(np.interp(45.0, s, reference)))
    assert np.interp([30.0, 60.0], s, apart) == pytest.approx([2.9, 3.3])


def test_of_two_measurements_at_one_place_the_mean_counts() -> None:
    s, reference = W.S, np.full(W.S.shape, 3.0)
    found = seen_reference_mm(s, reference, [Seen(50.0, 3.0, 0), Seen(50.0, 3.6, 1)])
    assert np.interp(50.0, s, found) == pytest.approx(3.3)


# Landing zones that cannot be

NEAR = 'imaging = {{ method = "ivus", proximal = {{ at_mm = {0}, lumen_mm = 3.0 }} }}'
FAR = 'imaging = {{ method = "ivus", distal = {{ at_mm = {0}, lumen_mm = 2.9 }} }}'
BOTH = (
    'imaging = {{ method = "ivus", proximal = {{ at_mm = {0}, lumen_mm = 3.0 }}, '
    "distal = {{ at_mm = {1}, lumen_mm = 2.9 }} }}"
)


@pytest.mark.parametrize(
    ("image", "field", "value", "allowed"),
    [
        (FAR.format(180), "vessel.lesion#1.imaging.distal.at_mm", 180.0, "0 to 99.0 mm"),
        (BOTH.format(58, 42), "vessel.lesion#1.imaging.distal.at_mm", 42.0, "more than proximal.at_mm = 58"),
        (NEAR.format(70), "vessel.lesion#1.imaging.proximal.at_mm", 70.0, "less than to_mm = 60"),
        (FAR.format(30), "vessel.lesion#1.imaging.distal.at_mm", 30.0, "more than from_mm = 40"),
    ],
)
def test_a_landing_zone_off_the_path_or_on_the_wrong_side_is_refused(
    make: Any, image: str, field: str, value: float, allowed: str
) -> None:
    file = make([(50.0, 10.0, 0.6)], lesion(40, 60, image))
    with pytest.raises(InputError) as caught:
        load_case(file)
    assert (caught.value.field, caught.value.value) == (field, value)
    assert allowed in str(caught.value.allowed) and str(caught.value.where).startswith(str(file))


@pytest.mark.parametrize(("image", "side"), [(NEAR, "proximal"), (FAR, "distal")])
def test_a_landing_zone_beyond_the_lesion_of_the_path_is_refused(make: Any, image: str, side: str) -> None:
    """The file's own lesion runs on to where the path is healthy: only the path shows that the zone is reversed."""
    at = {"proximal": 68, "distal": 12}[side]
    file = make([(40.0, 6.0, 0.6)], lesion(10, 70, image.format(at)))
    with pytest.raises(InputError, match="other side of the lesion") as caught:
        sized(file)
    assert (caught.value.field, caught.value.value) == (f"vessel.lesion#1.imaging.{side}.at_mm", at)
    assert str(caught.value.where) == str(file)


def test_stents_that_leave_a_lesion_uncovered_say_so(make: Any) -> None:
    narrowed = [(50.0, 10.0, 0.6)]
    (good,) = sized(make(narrowed, lesion(40, 60, BOTH.format(39, 61)))).stretches
    assert good.best is not None and good.best.covers > 0.9 and good.missed == []
    doc = sized(make(narrowed, lesion(40, 60, BOTH.format(39, 48))))
    (short,) = doc.stretches
    assert short.best is not None and short.best.covers < 0.05
    assert (
        "geographic miss along" in short.missed[0]
        and "landing zones that imaging was given" in short.missed[0]
    )
    assert short.missed[0] in treatment_section(doc)


def test_a_zone_that_imaging_put_beyond_the_next_lesion_is_the_end_of_the_stretch(make: Any) -> None:
    narrowed = [(35.0, 7.0, 0.6), (60.0, 7.0, 0.6)]
    image = 'imaging = { method = "ivus", distal = { at_mm = 80, lumen_mm = 3.0 } }'
    (stretch,) = sized(make(narrowed, lesion(28, 42, image) + lesion(53, 67))).stretches
    assert stretch.lesions == [1, 2] and stretch.to_mm == 80.0
    assert (stretch.size.by, stretch.size.low_mm) == ("lumen", 3.0)
    assert stretch.best is not None and stretch.best.stents[-1].to_mm == 80.0
    before = 'imaging = { method = "ivus", proximal = { at_mm = 15, lumen_mm = 3.3 } }'
    (stretch,) = sized(make(narrowed, lesion(28, 42) + lesion(53, 67, before))).stretches
    assert stretch.lesions == [1, 2] and stretch.from_mm == 15.0


def test_a_zone_beyond_two_lesions_joins_all_three(make: Any) -> None:
    narrowed = [(20.0, 6.0, 0.6), (48.0, 6.0, 0.6), (76.0, 6.0, 0.6)]
    plain = lesion(15, 25) + lesion(43, 53)
    assert [s.lesions for s in sized(make(narrowed, plain + lesion(71, 81))).stretches] == [[1], [2], [3]]
    doc = sized(make(narrowed, plain + lesion(71, 81, NEAR.format(10))))
    assert [s.lesions for s in doc.stretches] == [[1, 2, 3]]


# The wall against angiography


@pytest.mark.parametrize(("walls", "conflict"), [((3.9, 3.6), True), ((3.2, 3.05), False)])
def test_a_wall_that_asks_for_another_label_is_said_beside_the_other_conflicts(
    make: Any, walls: tuple[float, float], conflict: bool
) -> None:
    """The lumens agree: only the wall moves the label, from about 2.9 mm by angiography to 3.5 mm."""
    image = (
        f'imaging = {{ method = "ivus", proximal = {{ lumen_mm = 3.0, outer_wall_mm = {walls[0]} }}, '
        f"distal = {{ lumen_mm = 2.85, outer_wall_mm = {walls[1]} }} }}"
    )
    doc = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60, image)))
    said = doc.lesions[0].conflicts
    assert [c.what for c in said] == (["label at the distal landing zone"] if conflict else [])
    if conflict:
        assert said[0].imaging == "3.25 to 3.50 mm, by the outer wall"
        assert "3.50 mm wanted" in " ".join(lesion_notes(doc.lesions[0]))


# Found by imaging after the stent

AFTER = 'imaging = {{ method = "oct", stent_area_mm2 = 6.5, {0} }}'


@pytest.mark.parametrize(
    ("given", "verdict"),
    [
        (
            "malapposition_mm = 0.5, malapposition_length_mm = 2",
            "malapposition of 0.5 mm over 2 mm: act on it",
        ),
        ("malapposition_mm = 0.3, malapposition_length_mm = 2", "below what is acted on"),
        ("edge_dissection_deg = 90, edge_dissection_length_mm = 3", "dissection of 90° over 3 mm: act on it"),
        ("edge_dissection_deg = 90, edge_dissection_length_mm = 1", "below what is acted on"),
        ("nodule = false", None),
    ],
)
def test_malapposition_and_edge_dissection_are_judged_beside_the_area(
    make: Any, given: str, verdict: str | None
) -> None:
    """From memory: the consensus' 0.4 mm over more than 1 mm, 60 degrees and 2 mm."""
    doc = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60, AFTER.format(given))))
    (stretch,) = doc.stretches
    said = [text for text in expected_words(stretch.expected) if text.startswith("Measured: lesion 1,")]
    assert len(said) == (verdict is not None)
    if verdict is not None:
        assert verdict in said[0] and "from memory" in said[0] and said[0] in treatment_section(doc)


@pytest.mark.parametrize("lacking", ["malapposition_length_mm", "edge_dissection_deg"])
def test_a_finding_without_its_length_or_size_is_refused(make: Any, lacking: str) -> None:
    given = "malapposition_mm = 0.5" if lacking.startswith("mal") else "edge_dissection_length_mm = 2"
    with pytest.raises(InputError) as caught:
        load_case(make([(50.0, 10.0, 0.6)], lesion(40, 60, AFTER.format(given))))
    assert str(caught.value.field).endswith(f"imaging.{lacking}")


# Drug-coated balloons


@pytest.mark.parametrize(("ends", "count"), [((40, 56), 1), ((30, 60), 2), ((20, 74), 3)])
def test_drug_coated_balloons_cover_the_stretch(make: Any, ends: tuple[int, int], count: int) -> None:
    middle, half = sum(ends) / 2, (ends[1] - ends[0]) / 2
    (stretch,) = sized(make([(middle, half, 0.6)], lesion(*ends), start_mm=3.0)).stretches
    drug = stretch.drug
    assert (drug.offered, drug.count) == (True, count)
    assert drug.covers_mm >= stretch.to_mm - stretch.from_mm - 0.1
    assert 20.0 * count - 2.0 * (count - 1) == drug.covers_mm  # of 20 mm, each overlapping the next by 2
    (said,) = drug_words(stretch)
    assert (f"{count} of them one after another" in said) is (count > 1)


def test_a_drug_coated_balloon_far_too_small_is_not_named(make: Any) -> None:
    file = make([(50.0, 10.0, 0.6)], lesion(40, 60, "in_stent = true"), start_mm=4.4)
    (stretch,) = sized(file).stretches
    assert (stretch.drug.offered, stretch.drug.device, stretch.drug.count) == (True, None, 0)
    assert "none on the shelf suits: what the shelf has opens to" in drug_words(stretch)[0]
    assert "geographicmiss" in sized(file).sources


# A lesion that is not narrowed


@pytest.mark.parametrize(
    ("taken", "line", "treated"),
    [
        (0.0, "", False),
        (0.05, "", False),
        (0.3, "", True),
        (0.0, "dissected = true", True),
        (0.0, 'prepared = ["non_compliant_balloon"]', True),
        (0.0, "in_stent = true", True),
        (0.0, 'imaging = { method = "ivus", lumen_area_mm2 = 3.0 }', True),
        (0.3, 'imaging = { method = "ivus", lumen_area_mm2 = 7.0 }', False),
    ],
)
def test_a_lesion_without_narrowing_gets_no_stent(make: Any, taken: float, line: str, treated: bool) -> None:
    more = "\n[flow]\nnormal_mL_min = 150\naortic_mmHg = 95\n"
    doc = sized(make([(50.0, 10.0, taken)], lesion(40, 60, line), more=more))
    assert bool(doc.stretches) is treated
    assert any("no stent is planned" in text for text in doc.alerts) is not treated
    assert doc.worth is not None and doc.worth.rows[0].planned is treated


def test_a_lesion_without_narrowing_leaves_the_other_its_plan(make: Any) -> None:
    doc = sized(make([(30.0, 6.0, 0.6)], lesion(25, 35) + lesion(60, 70)))
    assert [s.lesions for s in doc.stretches] == [[1]]
    assert any("no stent is planned" in text for text in lesion_notes(doc.lesions[1]))


# Lesions at the ends of the path


@pytest.mark.parametrize(("ends", "middle"), [((0, 12), 4.0), ((84, 98), 94.0)])
def test_stents_to_the_end_of_the_path_cover_what_was_seen_of_a_lesion(
    make: Any, ends: tuple[int, int], middle: float
) -> None:
    """The stents begin or end where the path does: no draw may put the lesion beyond that."""
    doc = sized(make([(middle, 9.0, 0.6)], lesion(*ends)))
    (stretch,), (one,) = doc.stretches, doc.lesions
    assert stretch.best is not None
    length_mm = doc.picture.s_mm[-1]
    assert (one.to_mm.value > length_mm - 3.0) is (ends[0] > 0)
    assert one.from_mm.low >= 0.0 and one.to_mm.high <= length_mm + 0.05  # rounded to a tenth
    assert stretch.best.covers > 0.95


# The size to expect


def test_the_size_to_expect_is_that_of_the_distal_end(demo_dir: Path) -> None:
    """Proximal optimisation opens the demo's near end wider; it says nothing of the far end."""
    (stretch,) = sized(demo_dir / "case.toml").stretches
    assert stretch.best is not None
    wider = next(b for b in stretch.after if b.use == "proximal_optimisation")
    own = stretch.after[len(stretch.best.stents) - 1]
    opened = stretch.best.stents[-1].opened_mm
    assert own.use == "after_stent" and own.diameter_mm is not None and opened is not None
    assert wider.diameter_mm is not None and wider.diameter_mm > max(own.diameter_mm, opened) + 0.1
    expected = stretch.expected
    assert expected.chart_mm == pytest.approx(max(own.diameter_mm, opened), abs=0.005)
    assert expected.series_least_mm == pytest.approx((1.0 - 0.272) * expected.chart_mm, abs=0.01)


# The least lumen by imaging


def test_the_least_lumen_that_imaging_measured_is_the_lesions(make: Any) -> None:
    narrowed, seen_mm = [(50.0, 10.0, 0.6)], (4.0 * 2.6 / np.pi) ** 0.5
    (plain,) = sized(make(narrowed, lesion(40, 60))).lesions
    doc = sized(make(narrowed, lesion(40, 60, 'imaging = { method = "ivus", lumen_area_mm2 = 2.6 }')))
    (one,) = doc.lesions
    assert plain.least_mm.value < 1.3
    assert (one.least_mm.value, one.least_mm.low) == pytest.approx((seen_mm, seen_mm), abs=0.005)
    ref = one.reference_mm
    assert ref == plain.reference_mm
    for found, power in ((one.diameter_percent, 1), (one.area_percent, 2)):
        wanted = [100.0 * (1.0 - (seen_mm / at) ** power) for at in (ref.value, ref.low, ref.high)]
        assert [found.value, found.low, found.high] == pytest.approx(wanted, abs=0.6)
        assert found.low < found.value < found.high
    assert any("least lumen and stenosis are imaging's" in text for text in lesion_notes(one))
    said = [c.imaging for c in one.conflicts if c.what == "least lumen"]
    assert said == [f"{seen_mm:.2f} mm"]  # angiography's own value stays beside it


# The path's own error


def test_the_error_of_the_rows_inside_a_lesion_reaches_its_ranges(make: Any) -> None:
    file = make([(50.0, 10.0, 0.6)], lesion(40, 60))
    (plain,) = sized(file).lesions
    path = file.parent / "path.csv"
    head, *rows = path.read_text().splitlines()
    wider = [
        row.removesuffix("0.030") + "0.200" if 42.0 <= float(row.split(",")[0]) <= 58.0 else row
        for row in rows
    ]
    path.write_text("\n".join([head, *wider]) + "\n")
    (one,) = sized(file).lesions
    assert plain.least_mm.high - plain.least_mm.low < 0.5
    assert one.least_mm.high - one.least_mm.low == pytest.approx(2 * 1.96 * 0.40, rel=0.15)
    assert one.proximal_mm == plain.proximal_mm
