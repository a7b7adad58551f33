"""The words of a sketch: any order, any separator, precise refusals, question by question."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.adapters.sketch_text import (
    SEGMENT_QUESTIONS,
    format_sketch,
    parse_sketch,
    segment_from_answers,
)
from backstay.core.anatomy.sketch import Segment
from backstay.errors import InputError
from backstay.identifiers import Calcium, Preparation

LINE = "25 mm 3.4 | 15 mm 3.2 bend 70 r12 | 22 mm 2.9 tight 1.2 severe bend 40 r15 | 30 mm 2.5"
VESSEL = (
    Segment(length_mm=25.0, diameter_mm=3.4),
    Segment(length_mm=15.0, diameter_mm=3.2, bend_deg=70.0, bend_radius_mm=12.0),
    Segment(length_mm=22.0, diameter_mm=2.9, bend_deg=40.0, bend_radius_mm=15.0, tight_mm=1.2,
            calcium=Calcium.SEVERE),
    Segment(length_mm=30.0, diameter_mm=2.5),
)  # fmt: skip


@pytest.mark.parametrize("separator", ["|", ";", "\n", "\r\n", ", ", " | \n", "\n# a note, with a bar |\n"])
def test_any_separator_does(separator: str) -> None:
    assert parse_sketch(LINE.replace(" | ", separator)) == VESSEL


@pytest.mark.parametrize(
    "words",
    [
        "22 mm 2.9 tight 1.2 severe bend 40 r15",
        "severe bend 40 r15 tight 1.2 2.9 22 mm",
        "22mm 2.9 tight 1.2mm severe calcium bend 40deg radius 15 mm",
        "22 MM LONG 2.9 WIDE Tight 1.2 mm Severe bend 40° r 15",
        "2.9 mm wide 22 long bend 40 degrees r15 tight 1.2 severe lesion",
    ],
)
def test_order_units_and_case_do_not_matter(words: str) -> None:
    assert parse_sketch(words) == (VESSEL[2],)


@pytest.mark.parametrize(
    "words", ["30 mm 3.4-3.0", "30 mm 3.4–3.0", "30 mm 3.4 to 3.0 mm", "3.4-3.0 mm wide 30 mm"]
)
def test_tapers(words: str) -> None:
    assert parse_sketch(words) == (Segment(length_mm=30.0, diameter_mm=3.4, end_diameter_mm=3.0),)


def test_lesion_words() -> None:
    (segment,) = parse_sketch(
        "30 mm 3 over 12 mm dissected prepared small + non-compliant balloon left bend 30"
    )
    assert segment.lesion_mm == 12.0
    assert segment.dissected
    assert segment.prepared == (Preparation.SMALL_BALLOON, Preparation.NON_COMPLIANT)
    assert segment.towards == "left"
    assert segment.calcium is None
    (plain,) = parse_sketch("30 mm 3 lesion")
    assert plain.calcium is Calcium.NONE


BAD: dict[str, tuple[str, str, str, object, str]] = {
    "no length": ("25 mm 3.4 | 3.2 bend 40", "segment 2", "length_mm", "3.2 bend 40", "such as 25 mm"),
    "no diameter": ("25 mm", "segment 1", "diameter_mm", "25 mm", "such as 3.4"),
    "length without mm": ("25 3.4", "segment 1", "diameter_mm", 3.4, "a length is written with mm"),
    "two lengths": ("25 mm 3.4 mm", "segment 1", "length_mm", 3.4, "a length is written with mm"),
    "unknown word": ("25 mm 3.4 | 20 mm 3 crooked", "segment 2", "word", "crooked", "bend"),
    "misspelt word": ("25 mm 3.4 bnd 40", "segment 1", "word", "bnd", "bend"),
    "decimal comma": ("25 mm 3,4", "segment 1", "word", "3,4", "decimals with a point"),
    "negative number": ("25 mm -3.4", "segment 1", "word", "-3.4", "mm"),
    "nan": ("nan mm 3.4", "segment 1", "word", "nan", "mm"),
    "bend without angle": ("25 mm 3.4 bend r12", "segment 1", "bend_deg", "r12", "such as bend 12"),
    "nothing after tight": ("25 mm 3.4 tight", "segment 1", "tight_mm", "(nothing)", "such as tight 12"),
    "two bends": ("25 mm 3.4 bend 20 bend 30", "segment 1", "bend_deg", 30.0, "one"),
    "two calcium classes": ("25 mm 3.4 mild severe", "segment 1", "calcium", Calcium.SEVERE, "one"),
    "radius without bend": ("25 mm 3.4 r12", "segment 1", "bend_deg", 0, "1 to 180 degrees"),
    "bend too wide": ("15 mm 3.2 bend 70 r25", "segment 1", "bend_radius_mm", 25.0, "to 12.3 mm"),
    "bend too far": ("90 mm 3 | 15 mm 3 bend 270", "segment 2", "bend_deg", 270.0, "1 to 180 degrees"),
    "narrowing wider": ("25 mm 3.4 tight 3.6", "segment 1", "tight_mm", 3.6, "below 3.4 mm"),
    "length out of range": ("900 mm 3.4", "segment 1", "length_mm", 900.0, "1 to 200 mm"),
    "length as a range": ("20-25 long 3.4", "segment 1", "length_mm", "20-25", "such as 25 mm"),
    "calcium unsaid": ("25 mm 3.4 calcified", "segment 1", "calcium", "calcified", "mild, moderate"),
    "unknown preparation": ("25 mm 3 prepared laser", "segment 1", "prepared", "laser", "atherectomy"),
    "preparation unsaid": ("25 mm 3 prepared", "segment 1", "prepared", "(nothing)", "small"),
    "empty": ("  |\n ; ", "sketch", "segments", 0, "25 mm 3.4"),
    "only a note": ("# nothing yet", "sketch", "segments", 0, "25 mm 3.4"),
    "too many": ("5 mm 3 |" * 41, "sketch", "segments", 41, "up to 40"),
    "too long": ("x" * 10_001, "sketch", "characters", 10_001, "up to 10000"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_sketch_is_refused_with_its_reason(name: str) -> None:
    words, where, field, value, allowed = BAD[name]
    with pytest.raises(InputError) as caught:
        parse_sketch(words)
    error = caught.value
    assert (error.where, error.field, error.value) == (where, field, value)
    assert allowed in error.allowed


def test_a_near_word_is_suggested() -> None:
    with pytest.raises(InputError, match='did you mean "severe"'):
        parse_sketch("25 mm 3.4 sever")


@st.composite
def segments(draw: st.DrawFn) -> Segment:
    length = draw(st.floats(10.0, 60.0))
    has_bend = draw(st.booleans())
    has_lesion = draw(st.booleans())
    return Segment(
        length_mm=length,
        diameter_mm=draw(st.floats(1.5, 4.0)),
        end_diameter_mm=draw(st.none() | st.floats(1.5, 4.0)),
        bend_deg=draw(st.floats(5.0, 90.0)) if has_bend else 0.0,
        bend_radius_mm=draw(st.none() | st.just(5.0)) if has_bend else None,
        towards=draw(st.none() | st.sampled_from(["up", "left"])) if has_bend else None,
        calcium=draw(st.sampled_from(Calcium)) if has_lesion else None,
        tight_mm=draw(st.none() | st.floats(0.5, 1.4)) if has_lesion else None,
        lesion_mm=draw(st.none() | st.floats(2.0, 9.0)) if has_lesion else None,
        prepared=tuple(draw(st.lists(st.sampled_from(Preparation), max_size=2))) if has_lesion else (),
        dissected=draw(st.booleans()) if has_lesion else False,
    )


@given(st.lists(segments(), min_size=1, max_size=4).map(tuple))
def test_what_is_written_is_read_back(vessel: tuple[Segment, ...]) -> None:
    once = parse_sketch(format_sketch(vessel))
    assert len(once) == len(vessel)
    for a, b in zip(once, vessel, strict=True):
        assert a.length_mm == pytest.approx(b.length_mm, rel=1e-11)
        assert (a.calcium, a.prepared, a.dissected, a.towards) == (
            b.calcium,
            b.prepared,
            b.dissected,
            b.towards,
        )
    assert parse_sketch(format_sketch(once)) == once


ANSWERS = {
    "length": "22 mm",
    "diameter": "2.9",
    "bend": "40",
    "radius": "15",
    "tight": "1.2",
    "calcium": "Severe",
}


def test_answers_make_a_segment() -> None:
    assert segment_from_answers(ANSWERS) == VESSEL[2]
    assert segment_from_answers({"length": "25", "diameter": "3.4 mm"}) == VESSEL[0]
    with_defaults = {q.key: q.default or "" for q in SEGMENT_QUESTIONS} | {"length": "25", "diameter": "3.4"}
    assert segment_from_answers(with_defaults) == VESSEL[0]
    tapered = segment_from_answers(
        ANSWERS | {"diameter": "3.4-3.0", "dissected": "yes", "prepared": "scoring"}
    )
    assert (tapered.end_diameter_mm, tapered.dissected) == (3.0, True)
    assert tapered.prepared == (Preparation.SCORING,)


@pytest.mark.parametrize(
    ("changed", "field", "value", "allowed"),
    [
        ({"length": ""}, "length", None, "1 to 200"),
        ({"length": "long"}, "word", "long", "mm"),
        ({"calcium": "some"}, "word", "some", "moderate"),
        ({"dissected": "perhaps"}, "dissected", "perhaps", "yes, no"),
        ({"bend": "sharp"}, "bend_deg", "sharp", "such as bend 12"),
        ({"radius": "40"}, "bend_radius_mm", 40.0, "31.5 mm"),
        ({"colour": "red"}, "colour", "red", "length, diameter"),
        ({"prepared": "scoring | 30 mm 2"}, "segment", None, "no , ; or |"),
    ],
)
def test_bad_answers_are_refused(changed: dict[str, str], field: str, value: object, allowed: str) -> None:
    with pytest.raises(InputError) as caught:
        segment_from_answers(ANSWERS | changed, number=3)
    assert caught.value.where == "segment 3"
    assert caught.value.field == field
    assert value is None or caught.value.value == value
    assert allowed in caught.value.allowed
