"""What must always hold of a treatment: no stenosis raises the reference, no gap, no burst, no over-expansion."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import Balloon, Burr, Stent
from backstay.core.treatment.balloons import LITHOTRIPSY_ATM, choose_balloon, choose_burr, in_a_row
from backstay.core.treatment.bifurcation import BranchFacts, Kissing, NoKissing, choose_kissing, plan_branch
from backstay.core.treatment.compliance import diameter_at_mm, inflation_to, table_of
from backstay.core.treatment.lesions import Estimate, measure_lesions, measured_on
from backstay.core.treatment.preparation import FILLS, LONGER, Hardness, order_of, steps_for
from backstay.core.treatment.reference import Mouth, ReferenceFit, Span, fit_reference, lumen_from_rows
from backstay.core.treatment.sizing import misses_across, size_by_angiography
from backstay.core.treatment.stents import Wanted, choose_stents
from backstay.errors import InputError, OutsideValidity
from backstay.identifiers import Calcium, Preparation

ROOT = Path(__file__).resolve().parents[2]
SHELF = read_shelf(ROOT / "examples" / "demo" / "shelf.toml")
BALLOONS = [d for d in SHELF.devices.values() if isinstance(d, Balloon)]
STENTS = [d for d in SHELF.devices.values() if isinstance(d, Stent)]
BURRS = [d for d in SHELF.devices.values() if isinstance(d, Burr)]
ROWS = np.arange(0.0, 100.0, 1.0)


def healthy(seed: int, noise_mm: float) -> tuple[np.ndarray, list[Mouth]]:
    """Return a vessel without lesions, with one branch and error from row to row."""
    rng = np.random.default_rng(seed)
    lumen = 3.4 - 0.006 * ROWS - 0.25 * np.clip((ROWS - 30.0) / 1.6 + 0.5, 0.0, 1.0)
    return lumen + rng.normal(0.0, noise_mm, ROWS.size), [Mouth(30.0, 1.6)]


def narrowed(lumen: np.ndarray, at: float, half_mm: float, share: float) -> np.ndarray:
    """Return a lumen with a narrowing of a raised cosine."""
    return lumen * (1.0 - share * 0.5 * (1.0 + np.cos(np.pi * np.clip((ROWS - at) / half_mm, -1.0, 1.0))))


def width_of(found: Estimate) -> float:
    return found.high - found.low


# A stenosis never raises the reference


@settings(max_examples=25)
@given(
    seed=st.integers(0, 1000), at=st.floats(15.0, 85.0), half=st.floats(3.0, 9.0), shallow=st.floats(0.1, 0.5)
)
def test_a_deeper_stenosis_in_a_known_place_leaves_the_reference_alone(
    seed: int, at: float, half: float, shallow: float
) -> None:
    lumen, mouths = healthy(seed, 0.13)
    span, noise = [Span(at - half - 4.0, at + half + 4.0)], (0.13, 0.0)
    outside = (ROWS < span[0].from_mm) | (ROWS > span[0].to_mm)
    fits = []
    for share in (shallow, 0.9):
        tight = narrowed(lumen, at, half, share)
        assert np.array_equal(tight[outside], lumen[outside])
        rows = lumen_from_rows(ROWS, tight, sd_mm=0.13)
        fits.append(fit_reference(rows, mouths, span, rng=np.random.default_rng(0), noise=noise).reference_mm)
    assert fits[1] == pytest.approx(fits[0], abs=1e-9)  # only rows inside differ


@settings(max_examples=25)
@given(
    seed=st.integers(0, 1000), at=st.floats(20.0, 80.0), half=st.floats(4.0, 12.0), share=st.floats(0.3, 0.9)
)
def test_a_stenosis_found_on_the_path_never_raises_the_reference(
    seed: int, at: float, half: float, share: float
) -> None:
    lumen, mouths = healthy(seed, 0.05)
    before, _ = measure_lesions(
        lumen_from_rows(ROWS, lumen, sd_mm=0.05), mouths, [], rng=np.random.default_rng(0)
    )
    tight = lumen_from_rows(ROWS, narrowed(lumen, at, half, share), sd_mm=0.05)
    after, found = measure_lesions(tight, mouths, [], rng=np.random.default_rng(0))
    assume(found)
    # Without the rows inside the lesion the reference may move by its own uncertainty, and no further.
    allowed = 2.0 * after.reference_draws_mm.std(axis=0)
    inside = (after.s_mm >= found[0].from_mm.value) & (after.s_mm <= found[0].to_mm.value)
    assert np.all((after.reference_mm - before.reference_mm)[inside] <= allowed[inside])


def test_without_error_a_stenosis_leaves_the_reference_where_it_was() -> None:
    lumen, mouths = healthy(0, 0.0)
    rng = np.random.default_rng(0)
    for share in (0.35, 0.6, 0.9):
        tight = lumen_from_rows(ROWS, narrowed(lumen, 60.0, 10.0, share), sd_mm=0.05)
        fit, (lesion,) = measure_lesions(tight, mouths, [], rng=rng)
        true = 3.4 - 0.006 * fit.s_mm - 0.25 * np.clip((fit.s_mm - 30.0) / 1.6 + 0.5, 0.0, 1.0)
        assert fit.reference_mm == pytest.approx(true, abs=0.03)
        assert lesion.diameter_percent.value == pytest.approx(100.0 * share, abs=2.0)
        assert lesion.narrowest_at_mm == pytest.approx(60.0, abs=1.0)


def test_a_path_diseased_from_end_to_end_still_has_a_reference() -> None:
    s = np.arange(0.0, 20.0, 1.0)
    lumen = 3.0 * (1.0 - 0.6 * np.exp(-0.5 * ((s - 10.0) / 3.0) ** 2))
    rows = lumen_from_rows(s, lumen, sd_mm=0.1)
    _, (lesion,) = measure_lesions(rows, [], [Span(2.0, 18.0)], rng=np.random.default_rng(0))
    assert lesion.reference_mm.low < 3.0 < lesion.reference_mm.high
    assert lesion.diameter_percent.value == pytest.approx(60.0, abs=5.0)


def test_the_least_lumen_is_not_the_deepest_error() -> None:
    """A long even narrowing of 50 %: the least of many rows with error lies below it, the estimate must not."""
    flat = 3.0 * (1.0 - 0.5 * np.clip((25.0 - np.abs(ROWS - 50.0)) / 8.0, 0.0, 1.0))
    found = []
    for seed in range(30):
        error = np.random.default_rng(seed).normal(0.0, 0.13, ROWS.size)
        rows = lumen_from_rows(ROWS, flat + error, sd_mm=0.13)
        (lesion,) = measure_lesions(rows, [], [Span(25.0, 75.0)], rng=np.random.default_rng(seed))[1]
        found.append(lesion.least_mm.value)
    # 0.15 mm too low without the allowance for it, 0.05 with it: the bound was set when that had been seen.
    assert np.mean(found) == pytest.approx(1.5, abs=0.07)


def test_a_vessel_without_lesions_has_none() -> None:
    lumen, mouths = healthy(4, 0.13)
    _, found = measure_lesions(
        lumen_from_rows(ROWS, lumen, sd_mm=0.13), mouths, [], rng=np.random.default_rng(0)
    )
    assert found == []


def test_a_lesion_named_is_measured_even_when_it_is_mild() -> None:
    lumen, mouths = healthy(4, 0.05)
    mild = lumen_from_rows(ROWS, narrowed(lumen, 60.0, 8.0, 0.2), sd_mm=0.05)
    _, found = measure_lesions(mild, mouths, [Span(54.0, 66.0)], rng=np.random.default_rng(0))
    assert [x.named for x in found] == [0]
    assert 10.0 < found[0].diameter_percent.value < 30.0


def test_the_common_error_widens_the_sizes_and_not_the_length() -> None:
    lumen, mouths = healthy(4, 0.05)
    tight = narrowed(lumen, 60.0, 8.0, 0.6)
    narrow, wide = (
        measure_lesions(lumen_from_rows(ROWS, tight, sd_mm=sd), mouths, [], rng=np.random.default_rng(0))[1][
            0
        ]
        for sd in (0.05, 0.25)
    )

    assert width_of(wide.reference_mm) > 3.0 * width_of(narrow.reference_mm)
    assert width_of(wide.length_mm) < 1.5 * width_of(narrow.length_mm)


def test_a_larger_error_of_some_rows_widens_what_rests_on_them() -> None:
    """Two views that disagree inside a lesion: its least lumen is known no better than those rows are."""
    lumen, mouths = healthy(4, 0.05)
    tight = narrowed(lumen, 60.0, 8.0, 0.6)
    at_lesion, at_landing = (np.where((a <= ROWS) & (b >= ROWS), 0.40, 0.05) for a, b in ((53, 67), (66, 85)))
    usual, inside, beyond = (
        measure_lesions(lumen_from_rows(ROWS, tight, sd_mm=sd), mouths, [], rng=np.random.default_rng(0))[1][
            0
        ]
        for sd in (np.full(ROWS.size, 0.05), at_lesion, at_landing)
    )
    two_sided = 2.0 * 1.96 * (0.40**2 - 0.05**2) ** 0.5
    assert width_of(inside.least_mm) == pytest.approx(two_sided, rel=0.1)
    assert width_of(inside.diameter_percent) > 3.0 * width_of(usual.diameter_percent)
    assert width_of(inside.proximal_mm) == pytest.approx(width_of(usual.proximal_mm), rel=1e-9)
    assert width_of(beyond.distal_mm) > 3.0 * width_of(usual.distal_mm)
    assert width_of(beyond.least_mm) == pytest.approx(width_of(usual.least_mm), rel=1e-9)
    assert beyond.least_mm.value == usual.least_mm.value


def test_ends_of_a_lesion_stay_where_the_vessel_beyond_is_healthy() -> None:
    """A narrowing of 50 % that ends at 89 mm of 99, error of 0.2 mm: what lies beyond it is seen, and is healthy."""
    ends, widths = [], []
    for seed in range(12):
        error = np.random.default_rng(seed).normal(0.0, 0.2, ROWS.size)
        rows = lumen_from_rows(ROWS, narrowed(3.4 - 0.006 * ROWS, 82.0, 8.0, 0.5) + error, sd_mm=0.2)
        fit = measure_lesions(rows, [], [Span(74.0, 90.0)], rng=np.random.default_rng(0))
        (lesion,) = [x for x in fit[1] if x.named == 0]
        ends.append(lesion.reaches_end)
        widths.append(width_of(lesion.length_mm))
    assert not any(ends)  # 2 where the whole curve is shifted by how far a draw lies off at the end
    assert np.mean(widths) < 5.0  # 7.7 mm then, of an error of about 0.8


def test_an_error_that_is_no_spread_is_refused() -> None:
    with pytest.raises(InputError, match="an error is a spread"):
        lumen_from_rows(ROWS, np.full(ROWS.size, 3.0), sd_mm=np.where(ROWS < 5.0, -0.1, 0.1))


@pytest.mark.parametrize(
    ("s", "d"),
    [
        ([0.0, 1.0, 2.0], [3.0, 3.0, 3.0]),
        ([*range(20)], [3.0] * 19 + [float("nan")]),
        ([*range(20)], [3.0] * 19 + [0.0]),
        ([*range(19), 5], [3.0] * 20),
    ],
)
def test_a_lumen_that_cannot_be_is_refused(s: list[float], d: list[float]) -> None:
    with pytest.raises(InputError):
        lumen_from_rows(np.array(s, dtype=float), np.array(d), sd_mm=0.1)


# Never above rated burst, never beyond a table


@given(
    device=st.sampled_from([*BALLOONS, *STENTS]),
    size=st.floats(0.5, 5.0),
    cut=st.floats(0.3, 1.0),
    table=st.booleans(),
)
def test_no_pressure_above_rated_burst_and_none_that_opens_too_wide(
    device: Balloon | Stent, size: float, cut: float, table: bool
) -> None:
    changed = replace(
        device,
        rated_burst_atm=max(device.nominal_atm, cut * device.rated_burst_atm),
        compliance=device.compliance if table else (),
    )
    found = inflation_to(changed, size)
    if found is None:
        assert table_of(changed)[0][1] > size - 1e-9 or not float(table_of(changed)[0][0]).is_integer()
        return
    assert found.pressure_atm <= changed.rated_burst_atm
    assert found.diameter_mm <= size + 1e-3
    assert diameter_at_mm(changed, found.pressure_atm) == pytest.approx(found.diameter_mm, abs=6e-4)


@pytest.mark.parametrize("device", [*BALLOONS, *STENTS], ids=lambda d: d.id)
def test_beyond_rated_burst_is_refused(device: Balloon | Stent) -> None:
    with pytest.raises(OutsideValidity, match="rated burst"):
        diameter_at_mm(device, device.rated_burst_atm + 0.5)
    assert diameter_at_mm(device, device.nominal_atm) == pytest.approx(device.nominal_diameter_mm, abs=6e-3)


def test_without_a_table_only_the_label_is_known() -> None:
    bare = replace(BALLOONS[0], compliance=())
    assert table_of(bare) == ((bare.nominal_atm, bare.nominal_diameter_mm),)
    with pytest.raises(OutsideValidity):
        diameter_at_mm(bare, bare.nominal_atm + 1.0)


@pytest.mark.parametrize("table", [((8.0, 2.5), (12.0, 2.6)), ()])
def test_a_table_that_begins_above_the_pressure_allowed_offers_nothing(
    table: tuple[tuple[float, float], ...],
) -> None:
    """A lithotripsy balloon works at 4 to 6 atm; one that the shelf knows from 8 atm on cannot be offered."""
    bare = next(b for b in BALLOONS if b.balloon_type == "lithotripsy")
    late = replace(bare, compliance=table, nominal_atm=8.0, rated_burst_atm=12.0)
    hard = Hardness(calcium=Calcium.SEVERE)
    steps = {s.kind: s for s in steps_for(hard, [late], BURRS, distal_mm=3.0, longest_mm=20.0)}
    step = steps[Preparation.LITHOTRIPSY]
    assert step.sized is None
    assert step.missing == "a lithotripsy balloon of up to 3.00 mm at 4 to 6 atm"
    below = replace(late, rated_burst_atm=6.0)
    assert table_of(below) == () and inflation_to(below, 3.0) is None
    with pytest.raises(OutsideValidity, match="begins above rated burst"):
        diameter_at_mm(below, 6.0)


@given(size=st.floats(1.0, 4.0), longest=st.floats(5.0, 40.0))
def test_a_balloon_chosen_is_the_widest_that_stays_within(size: float, longest: float) -> None:
    found = choose_balloon(BALLOONS, "non_compliant", at_most_mm=size, longest_mm=longest)
    kind = [b for b in BALLOONS if b.balloon_type == "non_compliant"]
    every = [x for b in kind if (x := inflation_to(b, size)) is not None]
    if found is None:
        shortest = min(b.working_mm for b in kind)
        short_enough = [b for b in kind if b.working_mm <= max(longest, shortest)]
        assert all(inflation_to(b, size) is None for b in short_enough)
        return
    assert found.balloon.working_mm <= max(longest, min(b.working_mm for b in kind))
    assert found.inflation.diameter_mm <= size + 1e-3
    if longest >= max(b.working_mm for b in kind):
        assert found.inflation.diameter_mm >= max(x.diameter_mm for x in every) - 0.05 - 1e-9


@given(
    main=st.floats(2.0, 4.0), side=st.floats(1.5, 3.0), limit=st.floats(3.0, 5.5), before=st.floats(2.5, 4.6)
)
def test_kissing_balloons_stay_within_platform_and_vessels(
    main: float, side: float, limit: float, before: float
) -> None:
    found = choose_kissing(BALLOONS, main_mm=main, side_mm=side, before_mm=before, limit_mm=limit)
    if isinstance(found, NoKissing):
        assert found.why
        return
    assert found.hull_mm <= limit + 1e-9
    assert found.area_mm <= 1.1 * before + 1e-9
    for sized, vessel in ((found.main, main), (found.side, side)):
        assert sized.inflation.diameter_mm <= vessel + 1e-3
        assert not misses_across(balloon_mm=sized.inflation.diameter_mm, artery_mm=vessel)


def test_kissing_balloons_of_a_true_bifurcation_are_not_small_ones() -> None:
    """Vessels of 2.9 and 2.6 mm: on a platform of 3.5 mm none, since the band round both asks for more; else their size."""
    sizes = {"main_mm": 2.9, "side_mm": 2.6, "before_mm": 3.7}
    refused = choose_kissing(BALLOONS, limit_mm=3.5, **sizes)
    assert isinstance(refused, NoKissing) and "the platform opens to 3.50 mm" in refused.why
    pair = choose_kissing(BALLOONS, limit_mm=4.5, **sizes)
    assert isinstance(pair, Kissing)
    opened = pair.main.inflation.diameter_mm, pair.side.inflation.diameter_mm
    assert opened == pytest.approx((2.83, 2.57), abs=0.01)
    narrow = choose_kissing(BALLOONS, limit_mm=4.5, **{**sizes, "before_mm": 3.3})
    assert isinstance(narrow, NoKissing) and "3.30 mm before the branch" in narrow.why


# Preparation


HARDNESSES = st.builds(
    Hardness,
    calcium=st.sampled_from(Calcium),
    arc_deg=st.one_of(st.none(), st.floats(0.0, 360.0)),
    oct_score=st.one_of(st.none(), st.integers(0, 4)),
    nodule=st.booleans(),
    uncrossed=st.booleans(),
    dissected=st.booleans(),
    opened_fully=st.booleans(),
    tried=st.lists(st.sampled_from(Preparation), max_size=4).map(tuple),
)


@given(hardness=HARDNESSES, distal=st.floats(1.8, 4.0), length=st.floats(8.0, 50.0))
def test_preparation_keeps_its_rules(hardness: Hardness, distal: float, length: float) -> None:
    steps = steps_for(hardness, BALLOONS, BURRS, distal_mm=distal, longest_mm=length)
    kinds = [step.kind for step in steps]
    assert not (hardness.dissected and Preparation.ATHERECTOMY in kinds)
    stuck = steps == () and not hardness.opened_fully
    if stuck:  # only where the balloon that shows it was the last thing tried
        assert hardness.tried[-1] is Preparation.NON_COMPLIANT
    assert not (steps and hardness.opened_fully)
    if steps:
        assert kinds[-1] is Preparation.NON_COMPLIANT
    assert not set(kinds[:-1]) & set(hardness.tried)
    for step in steps:
        assert bool(step.missing) is (step.sized is None and step.burr is None)
        if step.sized is not None:
            assert step.sized.inflation.diameter_mm <= distal + 1e-3
            assert step.sized.inflation.pressure_atm <= step.sized.balloon.rated_burst_atm
            if step.kind in FILLS:
                assert step.sized.inflation.diameter_mm >= 0.9 * distal - 1e-9
            if step.kind is Preparation.LITHOTRIPSY:
                assert 4.0 <= step.sized.inflation.pressure_atm <= 6.0
        if step.burr is not None:
            assert 0.4 - 1e-9 <= step.burr.nominal_diameter_mm / distal <= 0.6 + 1e-9


@pytest.mark.parametrize("kind", FILLS)
def test_a_balloon_far_too_small_is_missing_and_not_chosen(kind: Preparation) -> None:
    hard = Hardness(calcium=Calcium.SEVERE)
    name = kind.value.removesuffix("_balloon")
    one = min((b for b in BALLOONS if b.balloon_type == name), key=lambda b: b.nominal_diameter_mm)
    opened = choose_balloon(
        [one],
        name,
        at_most_mm=3.54,
        longest_mm=30.0,
        between_atm=LITHOTRIPSY_ATM if name == "lithotripsy" else None,
    )
    assert opened is not None
    (step,) = [s for s in steps_for(hard, [one], [], distal_mm=3.54, longest_mm=30.0) if s.kind is kind]
    assert step.sized is None and "balloon of 3.19 to 3.54 mm" in step.missing
    assert f"opens to {opened.inflation.diameter_mm:.2f} mm" in step.missing
    fits = opened.inflation.diameter_mm / 0.9 - 0.01  # an artery of which it is a little more than 0.9
    (step,) = [s for s in steps_for(hard, [one], [], distal_mm=fits, longest_mm=30.0) if s.kind is kind]
    assert step.sized is not None and step.missing == ""


def test_a_balloon_that_failed_is_not_offered_again_before_something_else() -> None:
    def kinds(*tried: Preparation, **more: object) -> list[Preparation]:
        known = replace(Hardness(calcium=Calcium.SEVERE, tried=tried), **more)  # type: ignore[arg-type]
        return [s.kind for s in steps_for(known, BALLOONS, BURRS, distal_mm=3.0, longest_mm=20.0)]

    nc, litho, score, burr = (
        Preparation.NON_COMPLIANT,
        Preparation.LITHOTRIPSY,
        Preparation.SCORING,
        Preparation.ATHERECTOMY,
    )
    assert kinds(nc) == [litho, score, burr, nc]
    assert kinds(litho, score, nc) == [burr, nc]
    assert kinds(litho, score, nc, dissected=True) == []  # nothing left: never a burr through a dissection
    assert kinds(nc, litho, score, dissected=True) == [nc]  # something else has been done since it failed
    assert kinds(litho, score, burr, nc) == []


@given(distal=st.floats(2.0, 4.2), length=st.floats(4.0, 40.0))
def test_a_short_lesion_is_not_prepared_by_a_small_balloon_where_a_wider_one_is_on_the_shelf(
    distal: float, length: float
) -> None:
    """Common practice, no source: 0.5 mm below the reference first; a small balloon only where nothing larger crosses."""
    soft = Hardness(calcium=Calcium.MILD)
    first, last = steps_for(soft, BALLOONS, BURRS, distal_mm=distal, longest_mm=length)
    for step, kind, wanted in (
        (first, "semi_compliant", max(distal - 0.5, 0.5 * distal)),
        (last, "non_compliant", distal),
    ):
        sizes = [inflation_to(b, wanted) for b in BALLOONS if b.balloon_type == kind]
        widest = max((x.diameter_mm for x in sizes if x is not None), default=0.0)
        if widest == 0.0 or (step is last and widest < 0.9 * wanted):
            assert step.sized is None and step.missing
            continue
        assert step.sized is not None
        assert step.sized.inflation.diameter_mm >= min(0.9 * wanted, widest - 0.05) - 1e-3
        assert (LONGER in step.cautions) is (step.sized.balloon.working_mm > length)


def test_the_first_balloon_of_a_short_lesion_in_a_wide_vessel() -> None:
    """A vessel of 3.91 mm and a stretch of 12 mm: the semi-compliant balloons of 12 mm end at 1.5 mm, those of 15 go on to 3.0."""
    soft = Hardness(calcium=Calcium.MILD)
    first, _ = steps_for(soft, BALLOONS, BURRS, distal_mm=3.91, longest_mm=12.0)
    assert first.sized is not None and first.sized.balloon.id == "bal-sc-300-15"
    uncrossed = replace(soft, uncrossed=True)
    small, *_ = steps_for(uncrossed, BALLOONS, BURRS, distal_mm=3.91, longest_mm=12.0)
    assert small.kind is Preparation.SMALL_BALLOON and small.sized is not None
    assert small.sized.inflation.diameter_mm <= 1.5
    assert [kind.value for kind, _ in order_of(uncrossed)] == [
        "small_balloon",
        "semi_compliant_balloon",
        "non_compliant_balloon",
    ]


def test_imaging_overrides_angiography_about_calcium() -> None:
    seen = Hardness(calcium=Calcium.SEVERE, oct_score=1, arc_deg=90.0)
    assert Preparation.LITHOTRIPSY not in [kind for kind, _ in order_of(seen)]
    assert Preparation.LITHOTRIPSY in [
        kind for kind, _ in order_of(replace(seen, oct_score=4, arc_deg=300.0))
    ]


def test_balloons_no_longer_than_their_overlap_do_not_make_a_row() -> None:
    with pytest.raises(InputError, match="longer than their overlap"):
        in_a_row(working_mm=2.0, length_mm=20.0)


def test_a_burr_keeps_to_its_ratio() -> None:
    assert choose_burr(BURRS, artery_mm=2.5).nominal_diameter_mm == 1.5  # type: ignore[union-attr]
    assert choose_burr(BURRS, artery_mm=6.0) is None


# Branches


def facts(**changes: object) -> BranchFacts:
    given_ = {"name": "b", "at_mm": 30.0, "diameter_mm": 2.6, "stenosis_percent": 75.0, "disease_mm": 12.0}
    return BranchFacts(**{**given_, **changes})  # type: ignore[arg-type]


def advice(branch: BranchFacts, proximal: float = 70.0):  # type: ignore[no-untyped-def]
    return plan_branch(
        branch,
        BALLOONS,
        before_mm=3.4,
        beyond_mm=2.8,
        proximal_percent=proximal,
        distal_percent=60.0,
        limit_mm=4.5,
    )


def test_provisional_by_default_and_two_stents_for_a_reason() -> None:
    plan = advice(facts())
    assert plan.medina == (1, 1, 1)
    assert len(plan.discuss_two) == 2
    assert advice(facts(diameter_mm=2.4)).discuss_two == ()
    assert advice(facts(stenosis_percent=40.0)).discuss_two == ()
    assert advice(facts(stenosis_percent=None)).medina is None
    assert advice(facts(stenosis_percent=60.0, disease_mm=4.0)).discuss_two == ()
    assert advice(facts(stenosis_percent=60.0, disease_mm=4.0, protectable=False)).discuss_two != ()


def test_a_balloon_can_miss_across() -> None:
    assert misses_across(balloon_mm=2.6, artery_mm=3.0)
    assert not misses_across(balloon_mm=2.75, artery_mm=3.0)
    assert misses_across(balloon_mm=4.0, artery_mm=3.0)


# Nothing suitable


@pytest.mark.parametrize(
    ("start", "from_mm", "to_mm", "stents", "what"),
    [
        (5.4, 20.0, 40.0, STENTS, "a stent labelled 4.7"),
        (3.3, 20.0, 40.0, [replace(s, expansion_limit_mm=s.nominal_diameter_mm) for s in STENTS], "platform"),
        (3.0, 2.0, 90.0, [s for s in STENTS if s.working_mm <= 12.0], "together cover 88 mm"),
        (3.0, 2.0, 90.0, [], "a stent labelled"),
    ],
)
def test_a_shelf_with_nothing_suitable_says_what_is_missing(
    start: float, from_mm: float, to_mm: float, stents: list[Stent], what: str
) -> None:
    reference = start - 0.004 * ROWS
    rule = size_by_angiography(distal_mm=float(np.interp(to_mm, ROWS, reference)))
    chosen = choose_stents(Wanted(from_mm, to_mm, rule, ROWS, reference), stents)
    assert chosen.best is None and chosen.by_count == {}
    assert len(chosen.missing) == 1 and what in chosen.missing[0]


@pytest.mark.parametrize("length_mm", [60.0, 73.7, 97.3, 140.0])
def test_what_is_hardly_narrowed_is_measured_at_every_place(length_mm: float) -> None:
    """It ends where it begins, and by rounding one end may come before the other."""
    s = np.linspace(0.0, length_mm, 200)
    reference = np.full(s.shape, 3.0)
    for at in range(20, 180, 3):
        lumen = 2.94 + 1e-5 * np.abs(np.arange(200) - at)
        draws = np.tile(lumen, (8, 1))
        fit = ReferenceFit(s, reference, lumen, np.tile(reference, (8, 1)), draws, (), 0.05, 0.0)
        found = measured_on(fit, [Span(s[at] - 0.5, s[at] + 0.5)], np.random.default_rng(1))
        assert [one.narrowest_at_mm for one in found if one.named == 0] == [s[at]]
