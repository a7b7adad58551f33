"""The stents chosen against every row of one, two and three stents of the shelf, placed and scored anew here."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backstay.adapters.shelf_file import read_shelf
from backstay.core.rigging.devices import Stent
from backstay.core.treatment.sizing import SizeRule, size_by_angiography, size_by_lumen
from backstay.core.treatment.stents import OVERLAP_MM, Wanted, Weights, choose_stents

ROOT = Path(__file__).resolve().parents[2]
STENTS = [
    d for d in read_shelf(ROOT / "examples" / "demo" / "shelf.toml").devices.values() if isinstance(d, Stent)
]
S = np.linspace(0.0, 120.0, 241)


def wanted(
    from_mm: float, to_mm: float, start_mm: float, taper_per_mm: float, *, by_lumen: bool = False
) -> Wanted:
    reference = start_mm - taper_per_mm * S
    distal_mm = float(np.interp(to_mm, S, reference))
    rule = size_by_lumen(distal_mm=distal_mm) if by_lumen else size_by_angiography(distal_mm=distal_mm)
    return Wanted(from_mm, to_mm, rule, S, reference)


def every_row(need: Wanted, shelf: Sequence[Stent], weights: Weights) -> dict[int, float]:
    """Return the least score of each number of stents by trying every row: distal end first, 2 mm overlap."""
    least: dict[int, float] = {}

    def reference(at: float) -> float:
        return float(np.interp(at, need.s_mm, need.reference_mm))

    for count in (1, 2, 3):
        for row in itertools.product(shelf, repeat=count):  # the first of a row is the distal one
            end, score, metal, done = need.to_mm, weights.per_joint * (count - 1), 0.0, False
            for k, stent in enumerate(row):
                if done:
                    break  # already covered: a shorter row
                begin = max(end - stent.working_mm, 0.0)
                stop = begin + stent.working_mm
                rule: SizeRule = (
                    need.distal
                    if abs(stop - need.to_mm) <= 1e-6
                    else size_by_angiography(distal_mm=reference(stop))
                )
                label = stent.nominal_diameter_mm
                if not rule.low_mm - 1e-9 <= label <= rule.high_mm + 1e-9:
                    break
                if stent.expansion_limit_mm < reference(begin) - 1e-9 or stop > 120.0 + 1e-9:
                    break
                off = label - rule.target_mm
                score += 40.0 * off if off > 0 else -20.0 * off
                metal += stent.working_mm
                done = begin <= need.from_mm + 1e-9
                if done and k == count - 1:
                    score += (
                        metal
                        - (need.to_mm - need.from_mm)
                        + weights.per_price
                        * sum(s.price or 0.0 for s in row)
                        * (None not in [s.price for s in shelf])
                    )
                    least[count] = min(least.get(count, np.inf), score)
                end = begin + OVERLAP_MM
    return least


CASES = [
    (32.0, 64.0, 3.2, 0.006),
    (5.0, 17.0, 2.6, 0.004),
    (10.0, 62.0, 3.2, 0.008),
    (20.0, 80.0, 3.6, 0.012),
    (1.0, 35.0, 3.0, 0.004),
    (40.0, 110.0, 3.1, 0.002),
    (8.0, 100.0, 3.1, 0.001),
    (20.0, 60.0, 5.4, 0.002),
]


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("by_lumen", [False, True])
def test_the_choice_is_the_best_of_the_whole_shelf(
    case: tuple[float, float, float, float], by_lumen: bool
) -> None:
    need = wanted(*case, by_lumen=by_lumen)
    found, least = choose_stents(need, STENTS), every_row(need, STENTS, Weights())
    assert {n: c.score for n, c in found.by_count.items()} == pytest.approx(least, abs=1e-9)
    if least:
        assert found.best is not None
        assert found.best.score == pytest.approx(min(least.values()), abs=1e-9)
    else:
        assert found.best is None and found.missing


def test_the_cases_meet_one_two_and_three_stents_and_nothing() -> None:
    counts = {
        c.best.count if c.best else 0
        for case in CASES
        for lumen in (False, True)
        for c in [choose_stents(wanted(*case, by_lumen=lumen), STENTS)]
    }
    assert counts == {0, 1, 2, 3}


def test_a_dearer_score_is_not_the_least() -> None:
    # The failing twin: with another weight the two agree no longer.
    need = wanted(*CASES[0])
    found, least = choose_stents(need, STENTS, Weights(per_joint=9.0)), every_row(need, STENTS, Weights())
    assert {n: c.score for n, c in found.by_count.items()} != pytest.approx(least, abs=1e-9)


def test_prices_count_where_every_stent_has_one() -> None:
    priced = [
        replace(s, price=100.0 + 20.0 * s.working_mm + (400.0 if s.working_mm == 33.0 else 0.0))
        for s in STENTS
    ]
    weights, need = Weights(per_price=0.05), wanted(*CASES[0])
    found, least = choose_stents(need, priced, weights), every_row(need, priced, weights)
    assert {n: c.score for n, c in found.by_count.items()} == pytest.approx(least, abs=1e-9)
    assert found.best is not None and found.best.price is not None
    free = choose_stents(need, STENTS).best
    assert free is not None and found.best.placed != free.placed
    # One price not typed in: it is no bargain, and no price counts.
    for k in range(len(priced)):
        some = [replace(s, price=None) if j == k else s for j, s in enumerate(priced)]
        part = choose_stents(need, some, weights)
        assert part.best is not None and part.best.placed == tuple(
            replace(p, stent=next(s for s in some if s.id == p.stent.id)) for p in free.placed
        )


LENGTHS, LABELS, LIMITS = (8.0, 12.0, 18.0, 24.0, 33.0), (2.25, 2.5, 2.75, 3.0, 3.5), (3.0, 3.5, 4.5)
small = st.lists(
    st.tuples(st.sampled_from(LENGTHS), st.sampled_from(LABELS), st.sampled_from(LIMITS)),
    min_size=1,
    max_size=8,
)


@settings(max_examples=60)
@given(
    shelf=small,
    start=st.floats(2.4, 3.8),
    taper=st.floats(0.0, 0.015),
    begin=st.floats(0.0, 40.0),
    length=st.floats(6.0, 60.0),
)
def test_the_choice_is_the_best_of_any_shelf(
    shelf: list[tuple[float, float, float]], start: float, taper: float, begin: float, length: float
) -> None:
    stents = [
        replace(
            STENTS[0],
            id=f"s{k}",
            working_mm=x,
            nominal_diameter_mm=d,
            expansion_limit_mm=max(limit, d),
            compliance=((8.0, d - 0.05), (10.0, d), (16.0, d + 0.15)),
        )
        for k, (x, d, limit) in enumerate(shelf)
    ]
    need = wanted(begin, begin + length, start, taper)
    found, least = choose_stents(need, stents), every_row(need, stents, Weights())
    assert {n: c.score for n, c in found.by_count.items()} == pytest.approx(least, abs=1e-9)
    for choice in found.by_count.values():
        row = choice.placed
        assert row[0].from_mm <= need.from_mm + 1e-9 and row[-1].to_mm >= need.to_mm - 1e-9
        for a, b in itertools.pairwise(row):
            assert a.to_mm - b.from_mm >= OVERLAP_MM - 1e-9  # never a gap
        for placed in row:
            assert placed.stent.expansion_limit_mm >= placed.opens_to_mm - 1e-9
            if placed.inflation is not None:
                assert placed.inflation.pressure_atm <= placed.stent.rated_burst_atm
                assert placed.inflation.pressure_atm >= placed.stent.nominal_atm
                assert placed.inflation.diameter_mm <= placed.stent.expansion_limit_mm + 1e-9
