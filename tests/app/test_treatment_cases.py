"""Treatment of cases made for one question each: what imaging overrides, pairs of lesions, branches, what it is worth."""

from __future__ import annotations

import re
import runpy
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import LoadedCase, load_case
from backstay.app.treatment import size_case
from backstay.app.treatment.afterwards import SAME_SIZE_MM, balloons_after, branches
from backstay.app.treatment.measuring import CaseLesion, measure
from backstay.app.treatment.work import Work
from backstay.cli import app
from backstay.core.anatomy.lesion import Branch
from backstay.core.rigging.devices import Balloon, Stent
from backstay.core.treatment.reference import ReferenceFit
from backstay.core.treatment.sizing import size_by_angiography
from backstay.core.treatment.stents import Choice, Placed, Wanted, choose_stents
from backstay.errors import InputError
from backstay.identifiers import Preparation
from backstay.report.treatment import (
    branch_words,
    drug_words,
    expected_words,
    lesion_notes,
    objective_words,
    worth_words,
)

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
OCT, S, lesion = W.OCT, W.S, W.lesion
Measured = tuple[LoadedCase, CaseLesion, ReferenceFit]


@pytest.fixture
def make(demo_dir: Path, tmp_path: Path) -> Any:
    """Return a maker of cases in a folder of their own."""
    return partial(W.write_case, tmp_path, demo_dir / "shelf.toml")


def sized(file: Path) -> TreatmentDocument:
    return size_case(load_case(file))


def kinds(doc: TreatmentDocument) -> list[Preparation]:
    return [step.kind for step in doc.stretches[0].preparation]


ONE = [(50.0, 10.0, 0.6)]

# Imaging over angiography


@pytest.mark.parametrize(
    ("calcium", "seen", "lithotripsy", "conflict"),
    [
        ("severe", OCT.format(200, 0.6, 6), True, None),  # score 4: both call it hard
        ("severe", OCT.format(200, 0.6, 4), False, ("severe (hard)", "score 3 of 4")),
        ("severe", OCT.format(170, 0.6, 6), False, ("severe (hard)", "score 2 of 4")),
        ("moderate", OCT.format(200, 0.6, 4), False, None),  # score 3: both call it not hard
        ("mild", OCT.format(200, 0.6, 6), True, ("mild (not hard)", "score 4 of 4")),
        ("severe", 'imaging = { method = "ivus", calcium_arc_deg = 150 }', False, ("severe (hard)", "arc 150° by IVUS")),
        ("mild", 'imaging = { method = "ivus", calcium_arc_deg = 270 }', True, ("mild (not hard)", "arc 270° by IVUS")),
        ("none", 'imaging = { method = "ivus", nodule = true }', True, ("none (not hard)", "a nodule")),
    ],
)  # fmt: skip
def test_what_imaging_changes_about_the_calcium_is_said_with_both_values(
    make: Any, calcium: str, seen: str, lithotripsy: bool, conflict: tuple[str, str] | None
) -> None:
    file = make(ONE, lesion(40, 60, seen, calcium=calcium))
    doc = sized(file)
    assert (Preparation.LITHOTRIPSY in kinds(doc)) is lithotripsy
    found = [c for c in doc.lesions[0].conflicts if c.what == "calcium"]
    if conflict is None:
        assert found == []
        return
    (one,) = found
    assert (one.angiography, one.imaging.split(" (")[0].split(", ")[0]) == conflict
    assert one.counts == "imaging" and one.so
    shown = " ".join(CliRunner().invoke(app, ["size", str(file)], env={"COLUMNS": "120"}).stdout.split())
    assert (
        f"Conflict, calcium: angiography {one.angiography}, imaging {one.imaging}. Imaging counts: {one.so}."
        in shown
    )


def test_imaging_sizes_the_stent_and_the_lumen_and_both_values_are_said(make: Any) -> None:
    wall = (
        'imaging = { method = "ivus", lumen_area_mm2 = 2.6, proximal = { lumen_mm = 3.3, outer_wall_mm = 3.9 }, '
        "distal = { lumen_mm = 3.3, outer_wall_mm = 3.6 } }"
    )
    plain, seen = sized(make(ONE, lesion(40, 60))), sized(make(ONE, lesion(40, 60, wall)))
    assert plain.stretches[0].size.by == "angiography" and plain.lesions[0].conflicts == []
    assert (seen.stretches[0].size.by, seen.stretches[0].size.target_mm) == ("outer_wall", 3.5)
    said = {c.what: (c.angiography[:7], c.imaging) for c in seen.lesions[0].conflicts}
    assert said.keys() == {
        "lumen at the proximal landing zone",
        "lumen at the distal landing zone",
        "least lumen",
        "label at the distal landing zone",
    }
    assert said["least lumen"][1] == "1.82 mm"  # a circle of 2.6 mm2
    assert any("Imaging counts" in text for text in lesion_notes(seen.lesions[0]))


def test_joined_lesions_are_sized_by_the_walls_at_the_ends_of_the_stretch(make: Any) -> None:
    near = 'imaging = { method = "ivus", proximal = { lumen_mm = 2.9, outer_wall_mm = 3.1 } }'
    far = (
        'imaging = { method = "ivus", proximal = { lumen_mm = 3.0, outer_wall_mm = 4.2 }, '
        "distal = { lumen_mm = 2.9, outer_wall_mm = 3.6 } }"
    )
    doc = sized(make([(40.0, 6.0, 0.6), (56.0, 6.0, 0.6)], lesion(35, 45, near) + lesion(51, 61, far)))
    (stretch,) = doc.stretches
    assert stretch.lesions == [1, 2]
    assert (stretch.size.by, stretch.size.target_mm) == ("outer_wall", 3.0)  # 3.1 rounded down, not 3.5


# Two entries on one narrowing


def test_two_entries_on_one_narrowing_are_one_lesion_by_the_harder(make: Any) -> None:
    halves = lesion(40, 50, calcium="mild") + lesion(50, 60, "dissected = true", calcium="severe")
    doc, whole = (
        sized(make(ONE, halves)),
        sized(make(ONE, lesion(40, 60, "dissected = true", calcium="severe"))),
    )
    (one,) = doc.lesions
    assert one.entries == [1, 2] and one.calcium == "severe"
    assert len(doc.stretches) == 1 and kinds(doc) == kinds(whole)
    assert one.length_mm.value == pytest.approx(whole.lesions[0].length_mm.value, abs=0.2)  # draws differ
    assert any("entries 1 and 2 of the case file lie on one narrowing" in text for text in doc.alerts)
    assert not any("lie on one narrowing" in text for text in whole.alerts)


def test_two_lesions_with_healthy_vessel_between_stay_two(make: Any) -> None:
    doc = sized(make([(35.0, 6.0, 0.6), (55.0, 6.0, 0.6)], lesion(50, 60) + lesion(30, 40)))
    assert [x.entries for x in doc.lesions] == [[2], [1]]


def test_two_entries_on_one_narrowing_cannot_both_bring_imaging(make: Any) -> None:
    with pytest.raises(InputError, match="entries 1 and 2 lie on one narrowing") as caught:
        sized(make(ONE, lesion(40, 50, OCT.format(90, 0.4, 3)) + lesion(50, 60, OCT.format(90, 0.4, 3))))
    assert caught.value.field == "vessel.lesion.2.imaging"


# What it is worth

PRESSURES = "\n[flow]\naortic_mmHg = 100\nbetween_mmHg = 85\ndistal_mmHg = 65\nwedge_mmHg = 25\n"
FLOW = "normal_mL_min = 150\n"
PAIR = [(30.0, 6.0, 0.6), (65.0, 6.0, 0.5)]


def test_ratios_of_tandem_lesions_need_two_of_them(make: Any) -> None:
    two = sized(make(PAIR, lesion(25, 35) + lesion(60, 70), more=PRESSURES)).worth
    assert two is not None and (two.tandem_proximal, two.tandem_distal) == (0.7955, 0.75)
    one = sized(make(ONE, lesion(40, 60), more=PRESSURES)).worth
    assert one is not None and (one.tandem_proximal, one.tandem_distal) == (None, None)
    assert any("the path has one lesion" in text for text in worth_words(one))
    assert not any("would be" in text for text in worth_words(one))


def test_a_lesion_that_is_not_planned_stays_as_it_is(make: Any) -> None:
    doc = sized(make(PAIR, lesion(25, 35), more=f"\n[flow]\naortic_mmHg = 95\n{FLOW}"))
    assert doc.worth is not None
    planned, other = doc.worth.rows
    assert (planned.planned, other.planned) == (True, False)
    assert planned.least_result_mmHg < planned.before_mmHg.value
    assert other.least_result_mmHg >= other.before_mmHg.value  # more flow through it, nothing opened
    both = sized(
        make(PAIR, lesion(25, 35) + lesion(60, 70), more=f"\n[flow]\naortic_mmHg = 95\n{FLOW}")
    ).worth
    assert both is not None and both.rows[1].least_result_mmHg < other.least_result_mmHg


# Left main, drug-coated balloon, branches


def test_every_set_for_the_left_main_is_shown_and_their_conflict_said(make: Any) -> None:
    text = "left_main_mm = 12\n" + lesion(3, 20, calcium="mild")
    doc = sized(make([(12.0, 6.0, 0.55)], text, start_mm=4.2, device="stent-350-18", target=(2.0, 20.0)))
    words = expected_words(doc.stretches[0].expected)
    assert len([line for line in words if line.startswith("Left main, ")]) == 4
    assert words[-1] == "These sets for the left main disagree; none is preferred here."
    assert not any(
        "Left main" in line for line in expected_words(sized(make(ONE, lesion(40, 60))).stretches[0].expected)
    )


@pytest.mark.parametrize(
    ("start_mm", "line", "why"),
    [(3.0, "", "a small vessel"), (3.6, "in_stent = true", "inside an earlier stent"), (3.6, "", "")],
)
def test_a_drug_coated_balloon_is_offered_where_it_is_an_option(
    make: Any, start_mm: float, line: str, why: str
) -> None:
    (stretch,) = sized(make(ONE, lesion(40, 60, line), start_mm=start_mm)).stretches
    words = drug_words(stretch)
    assert bool(words) is bool(why) is stretch.drug.offered
    if words:
        assert why in words[0] and "30 %" in words[0]


def test_kissing_balloons_are_of_their_vessels_size_or_what_stands_against_them_is_said(make: Any) -> None:
    wide = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60) + W.BRANCH, start_mm=3.5, device="stent-300-18"))
    (advice,) = wide.stretches[0].branches
    assert advice.approach == "talk over two stents" and advice.medina == (1, 1, 1)
    assert (advice.kissing is None) is bool(advice.no_kissing)
    said = " ".join(branch_words(advice))
    assert "Kissing balloons, if it comes to that" in said
    small = sized(make([(50.0, 10.0, 0.6)], lesion(40, 60) + W.BRANCH, start_mm=3.05, device="stent-275-18"))
    (advice,) = small.stretches[0].branches
    assert advice.kissing is None and "the platform opens to" in advice.no_kissing
    assert advice.no_kissing in " ".join(branch_words(advice))


# Misses, weights, prices


def test_a_target_that_misses_is_flagged_along_and_across(make: Any) -> None:
    fits = sized(make(ONE, lesion(40, 60), device="stent-300-28", target=(37.0, 65.0)))
    assert not any("Geographic miss" in text or "geographic miss" in text for text in fits.target)
    short = sized(make(ONE, lesion(40, 60), device="stent-300-12", target=(44.0, 56.0)))
    assert len([text for text in short.target if "Geographic miss" in text]) == 2
    narrow = sized(make(ONE, lesion(40, 60), device="stent-225-20", target=(40.0, 60.0)))
    assert any("geographic miss across" in text and "from memory" in text for text in narrow.target)


def test_the_cases_weights_and_prices_decide_between_one_long_and_two_shorter(make: Any) -> None:
    def best(more: str) -> Any:
        file = make([(50.0, 16.0, 0.6)], lesion(35, 65), more=more)
        shelf = file.parent / "shelf.toml"
        priced = re.sub(
            r'id = "(stent-[^"]+)"',
            lambda m: f"{m[0]}\nprice = {2000 if m[1].endswith(('28', '33', '38')) else 100}",
            shelf.read_text(),
        )
        shelf.write_text(priced)
        (stretch,) = sized(file).stretches
        return stretch

    plain = best("")
    assert plain.weights.per_joint == pytest.approx(8.0 * 1.0 + 12.0 * 0.1 + 80.0 * 0.01)
    assert [s.device for s in plain.best.stents] == ["stent-275-33"]
    priced = best("\n[weights]\nper_price = 0.05\n")
    assert len(priced.best.stents) == 2 and priced.best.price == 200.0
    assert priced.best.score < next(row.score for row in priced.other if len(row.stents) == 1)
    assert "0.05 for each unit of price" in objective_words(priced)[0]
    dear = best("\n[weights]\nper_price = 0.05\nper_minute = 30\n")
    assert len(dear.best.stents) == 1  # a further stent takes 8 minutes


# The command's options


def test_the_chance_of_one_and_of_two_stents_and_the_target_written_back(make: Any) -> None:
    """The options as typed: chances for rows of up to two stents, what they come to, and the chosen stent as target."""
    file = make([(50.0, 10.0, 0.5)], lesion(40, 60), device="stent-300-12", target=(44.0, 56.0))
    result = CliRunner().invoke(app, ["size", str(file), "--chance", "--as-target", "--json", "-"])
    assert result.exit_code == 0, result.output
    (stretch,) = TreatmentDocument.model_validate_json(result.stdout).stretches
    rows = [stretch.best, *stretch.other]
    for row in rows:
        assert row is not None
        asked = len(row.stents) <= 2
        assert (row.chance is not None) is (row.expected_cost is not None) is asked
        if row.chance is not None and row.expected_cost is not None:
            assert 0.0 <= row.chance <= 1.0
            assert row.expected_cost == pytest.approx(row.score + (1.0 - row.chance) * 120.0, abs=0.02)
    assert any("Score with what stopping costs" in text for text in objective_words(stretch))
    assert stretch.best is not None
    kept = load_case(file)
    assert kept.device.id == stretch.best.stents[-1].device
    assert (kept.target_from_mm, kept.target_to_mm) == (
        stretch.best.stents[-1].from_mm,
        stretch.best.stents[-1].to_mm,
    )
    assert not any("Geographic miss" in text for text in sized(file).target)


def test_nothing_is_written_back_where_nothing_suits(make: Any) -> None:
    file = make(ONE, lesion(40, 60), start_mm=5.6)
    before = file.read_text()
    result = CliRunner().invoke(app, ["size", str(file), "--as-target"])
    assert result.exit_code != 0 and "no stent was chosen" in result.output
    assert file.read_text() == before


@pytest.fixture(scope="module")
def demo_lesion(demo_dir: Path) -> Measured:
    case = load_case(demo_dir / "case.toml")
    fit, lesions = measure(case, np.random.default_rng(0))
    return case, lesions[0], fit


@settings(max_examples=40, deadline=None)
@given(
    start=st.floats(2.6, 4.8),
    taper=st.floats(0.0, 0.02),
    from_mm=st.floats(6.0, 50.0),
    length=st.floats(8.0, 40.0),
    tight=st.floats(0.0, 0.6),
    branch=st.none() | st.floats(1.6, 2.8),
)
def test_nothing_after_the_stent_opens_it_beyond_its_platform(
    demo_lesion: Measured,
    start: float,
    taper: float,
    from_mm: float,
    length: float,
    tight: float,
    branch: float | None,
) -> None:
    """Post-dilatation and proximal optimisation on any vessel, also where the platform is narrower than the vessel."""
    case, lesion_of_demo, fit = demo_lesion
    devices = {
        name: replace(d, expansion_limit_mm=max(d.expansion_limit_mm - tight, d.nominal_diameter_mm))
        if isinstance(d, Stent)
        else d
        for name, d in case.shelf.devices.items()
    }
    mouths = () if branch is None else (Branch("b", from_mm + 0.5 * length, branch, 1.0),)
    case = replace(case, shelf=replace(case.shelf, devices=devices), branches=mouths)
    reference = start - taper * S
    to_mm = from_mm + length
    distal = size_by_angiography(distal_mm=float(np.interp(to_mm, S, reference)))
    work = Work(case, ((1, lesion_of_demo),), Wanted(from_mm, to_mm, distal, S, reference), fit)
    choice = choose_stents(work.wanted, work.of(Stent)).best
    assume(choice is not None)
    assert choice is not None
    limits = {p.stent.id: p.stent.expansion_limit_mm for p in choice.placed}
    for balloon in balloons_after(work, choice):
        inside = [
            p
            for p in choice.placed
            if p.from_mm - 1e-6 <= balloon.to_mm and balloon.from_mm <= p.to_mm + 1e-6
        ]
        limit = min(limits[p.stent.id] for p in inside)
        assert balloon.at_most_mm <= limit + 5e-3
        if balloon.diameter_mm is not None:
            assert balloon.diameter_mm <= limit + 5e-3
    for placed in choice.placed:
        assert (
            placed.inflation is None or placed.inflation.diameter_mm <= placed.stent.expansion_limit_mm + 5e-3
        )


def test_a_balloon_that_reaches_into_the_next_stent_keeps_to_its_platform(
    demo_lesion: Measured,
) -> None:
    case, lesion_of_demo, fit = demo_lesion
    stents = [d for d in case.shelf.devices.values() if isinstance(d, Stent)]
    wide = next(d for d in stents if d.id == "stent-300-18")
    narrow = replace(next(d for d in stents if d.id == "stent-275-18"), expansion_limit_mm=2.9)
    reference = 3.3 - 0.012 * S
    rule = size_by_angiography(distal_mm=2.85)
    near, far = Placed(wide, 20.0, 38.0, rule, 3.0, None), Placed(narrow, 36.0, 54.0, rule, 2.9, None)
    choice = Choice((near, far), 0.0, 0.0, 2.0, None)
    work = Work(case, ((1, lesion_of_demo),), Wanted(20.0, 54.0, rule, S, reference), fit)
    post, *_ = balloons_after(work, choice)
    assert post.to_mm > far.from_mm and post.at_most_mm <= 2.9
    alone, *_ = balloons_after(work, Choice((near,), 0.0, 0.0, 0.0, None))
    assert alone.at_most_mm == 3.0  # what the stent is already opened to, above the reference of 2.85 mm


def test_what_follows_a_stent_is_wider_than_it_or_says_what_it_is_for(make: Any) -> None:
    seen = set[bool]()
    for start in (2.7, 2.9, 3.05, 3.2, 3.5):
        (stretch,) = sized(make(ONE, lesion(40, 60), start_mm=start)).stretches
        assert stretch.best is not None
        opened = stretch.best.stents[-1].opened_mm
        for balloon in stretch.after:
            if balloon.diameter_mm is not None and opened is not None and len(stretch.best.stents) == 1:
                wider_mm = balloon.diameter_mm - opened
                assert (wider_mm < -SAME_SIZE_MM) is ("no use" in balloon.note)
                same = "for the pressure alone" in balloon.note
                assert same is (abs(wider_mm) <= SAME_SIZE_MM)
                assert not same or "common practice, no source" in balloon.note
                seen.add(same)
                assert not (wider_mm < -1e-3 and balloon.use == "after_stent" and balloon.at_most_mm < opened)
    assert True in seen


@pytest.mark.parametrize(
    ("widest_mm", "reference_mm", "words"),
    [(9.0, 3.4, ""), (9.0, 2.75, "for the pressure alone"), (2.5, 2.75, "no use")],
)
def test_what_a_balloon_no_wider_than_the_stent_is_for(
    demo_lesion: Measured, widest_mm: float, reference_mm: float, words: str
) -> None:
    case, lesion_of_demo, fit = demo_lesion
    devices = {
        name: d
        for name, d in case.shelf.devices.items()
        if not isinstance(d, Balloon) or d.nominal_diameter_mm <= widest_mm
    }
    case = replace(case, shelf=replace(case.shelf, devices=devices))
    stent = case.shelf.devices["stent-275-18"]
    assert isinstance(stent, Stent)
    rule = size_by_angiography(distal_mm=2.75)
    choice = Choice((Placed(stent, 20.0, 38.0, rule, 3.0, None),), 0.0, 0.0, 0.0, None)
    work = Work(
        case, ((1, lesion_of_demo),), Wanted(20.0, 38.0, rule, S, np.full(S.shape, reference_mm)), fit
    )
    post, *_ = balloons_after(work, choice)
    assert post.diameter_mm is not None
    said = [one for one in ("for the pressure alone", "no use") if one in post.note]
    assert said == ([words] if words else [])


def test_a_later_stent_is_optimised_where_its_near_end_lies_in_a_wider_vessel(demo_lesion: Measured) -> None:
    """A vessel that tapers from 3.1 to 2.65 mm along the second stent, which is opened to 2.75 mm at its far end."""
    case, lesion_of_demo, fit = demo_lesion
    stents = {d.id: d for d in case.shelf.devices.values() if isinstance(d, Stent)}
    reference = 4.0 - 0.025 * S
    rule = size_by_angiography(distal_mm=2.65)
    near = Placed(stents["stent-300-18"], 20.0, 38.0, rule, 3.5, None)
    far = Placed(stents["stent-275-18"], 36.0, 54.0, rule, 3.1, None)
    work = Work(
        replace(case, branches=()), ((1, lesion_of_demo),), Wanted(20.0, 54.0, rule, S, reference), fit
    )
    *posts, first, second = balloons_after(work, Choice((near, far), 0.0, 0.0, 2.0, None))
    assert [b.use for b in posts] == ["after_stent"] * 2
    assert first.use == second.use == "proximal_optimisation"
    assert second.from_mm == 36.0 and second.at_most_mm == pytest.approx(3.1, abs=0.01)
    assert first.from_mm == 20.0 and first.at_most_mm > second.at_most_mm


@pytest.mark.parametrize(("at_mm", "places"), [((30.0,), [30.0]), ((30.0, 45.0), [30.0, 45.0])])
def test_a_second_carina_is_optimised_where_the_vessel_before_it_is_wider(
    demo_lesion: Measured, at_mm: tuple[float, ...], places: list[float]
) -> None:
    case, lesion_of_demo, fit = demo_lesion
    (stent,) = (d for d in case.shelf.devices.values() if d.id == "stent-275-33")
    assert isinstance(stent, Stent)
    reference = 3.4 - 0.3 * (S > 30.0) - 0.35 * (S > 45.0)
    rule = size_by_angiography(distal_mm=2.75)
    placed = Placed(replace(stent, expansion_limit_mm=3.5), 20.0, 53.0, rule, 3.4, None)
    mouths = tuple(Branch(f"b{at}", at, 2.0, 1.0) for at in at_mm)
    work = Work(
        replace(case, branches=mouths), ((1, lesion_of_demo),), Wanted(20.0, 53.0, rule, S, reference), fit
    )
    _, *wider = balloons_after(work, Choice((placed,), 0.0, 0.0, 0.0, None))
    assert [b.to_mm for b in wider if b.note.startswith("far shoulder")] == places
    assert wider[0].at_most_mm == pytest.approx(3.4, abs=0.01)
    if len(at_mm) > 1:
        assert wider[1].at_most_mm == pytest.approx(3.1, abs=0.01)


def test_kissing_balloons_are_held_against_the_stent_the_branch_leaves_from(demo_lesion: Measured) -> None:
    case, lesion_of_demo, fit = demo_lesion
    stents = {d.id: d for d in case.shelf.devices.values() if isinstance(d, Stent)}
    reference = np.full(S.shape, 3.0)
    rule = size_by_angiography(distal_mm=3.0)
    near = Placed(replace(stents["stent-300-18"], expansion_limit_mm=5.0), 20.0, 38.0, rule, 3.0, None)
    far = Placed(replace(stents["stent-275-18"], expansion_limit_mm=3.1), 36.0, 54.0, rule, 3.0, None)
    work = Work(case, ((1, lesion_of_demo),), Wanted(20.0, 54.0, rule, S, reference), fit)
    *_, advice = [b for b in branches(work, Choice((near, far), 0.0, 0.0, 2.0, None)) if b.at_mm < 36.0]
    assert "3.10 mm" not in advice.no_kissing
    *_, only = [
        b
        for b in branches(work, Choice((replace(far, from_mm=20.0),), 0.0, 0.0, 2.0, None))
        if b.at_mm < 36.0
    ]
    assert "the platform opens to 3.10 mm" in only.no_kissing
