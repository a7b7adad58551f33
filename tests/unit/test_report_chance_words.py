"""A chance in words."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.inference.chance_words import chance_words
from backstay.errors import InputError


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (0.0, "fewer than 1 in 20"),
        (0.0499, "fewer than 1 in 20"),
        (0.05, "about 1 in 10"),
        (0.1499, "about 1 in 10"),
        (0.15, "about 2 in 10"),
        (0.5, "about 5 in 10"),
        (0.88, "about 9 in 10"),
        (0.95, "about 9 in 10"),
        (0.9501, "more than 19 in 20"),
        (1.0, "more than 19 in 20"),
    ],
)
def test_words(value: float, words: str) -> None:
    assert chance_words(value) == words


@given(st.floats(0.05, 0.95))
def test_the_count_is_the_nearest_tenth(value: float) -> None:
    found = re.fullmatch(r"about ([1-9]) in 10", chance_words(value))
    assert found is not None
    assert abs(int(found[1]) / 10 - value) <= 0.05 + 1e-9


@given(st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)))
def test_a_higher_chance_never_reads_as_a_lower_one(pair: tuple[float, float]) -> None:
    def count(words: str) -> float:
        top, bottom = (int(n) for n in re.findall(r"\d+", words))
        return top / bottom + {"fewer": -0.05, "more": 0.05}.get(words.split()[0], 0.0)

    low, high = sorted(pair)
    assert count(chance_words(low)) <= count(chance_words(high))


@pytest.mark.parametrize("value", [-0.01, 1.01, math.nan, math.inf])
def test_what_is_no_probability_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        chance_words(value)
