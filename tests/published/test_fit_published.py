"""What goes through what, against published tables and bench facts; conflicts between sources are named.

Each fact has the fit check's own answer beside what the source says, and a twin: the same members in a
perturbed bore, whose answer must differ.
"""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from backstay.core.rigging.passage import Bore, Member, passage
from backstay.identifiers import Verdict
from backstay.units import inch_to_mm

FITS, TIGHT, NO = Verdict.FITS, Verdict.TIGHT, Verdict.NO

# Bores [mm]: 5 Fr [@schobel2003], 6 Fr and thin-wall 6.5 Fr [@rumoroso], 7 and 8 Fr [@guidetable].
FIVE, SIX, SIX_AND_HALF = inch_to_mm(0.058), inch_to_mm(0.071), inch_to_mm(0.075)
SEVEN, EIGHT = inch_to_mm(0.081), inch_to_mm(0.090)
# The narrowest 6 Fr guide in the table [@guidetable].
SIX_NARROW = inch_to_mm(0.066)
# Extensions' bores [@pawlowski2021].
EXTENSION_6, EXTENSION_7 = 1.42, 1.60
# Balloon of 3.0 mm [@balloondata]; crimped stents, narrowest and widest drug-eluting [@schmidt2018].
BALLOON, STENT_SLIM, STENT = 0.853, 1.02, 1.13
WIRE = inch_to_mm(0.014)
# Distal shaft of a balloon or stent catheter: 2.4 Fr, from memory.
SHAFT = 0.80


@dataclass(frozen=True)
class Fact:
    """Widths side by side, the bore, our answer, the answers the source's words allow, the twin's bore."""

    what: str
    source: str
    widths_mm: tuple[float, ...]
    bore_mm: float
    ours: Verdict
    published: tuple[Verdict, ...]
    twin_bore_mm: float
    conflict: str = ""


PASSES, STOPS = (FITS, TIGHT), (NO,)
FACTS = (
    Fact("1.25 mm burr, 5 Fr", "[@teachingslides]", (1.25,), FIVE, FITS, PASSES, 1.24),
    Fact(
        "1.50 mm burr, 6 Fr",
        "[@guidetable]",
        (1.50,),
        SIX,
        FITS,
        PASSES,
        1.49,
        "the slides [@teachingslides] allow less than 1.5 mm in 6 Fr; on paper 0.30 mm are left",
    ),
    Fact(
        "1.75 mm burr, 6 Fr: goes",
        "[@guidetable]",
        (1.75,),
        SIX,
        TIGHT,
        PASSES,
        1.74,
        "others say it does not [@teachingslides; @rumoroso]; 0.05 mm left on paper, so tight",
    ),
    Fact(
        "1.75 mm burr, 6 Fr: does not go",
        "[@teachingslides; @rumoroso]",
        (1.75,),
        SIX,
        TIGHT,
        STOPS,
        1.74,
        "the same burr and guide as above, allowed by the textbook [@guidetable]",
    ),
    Fact("1.75 mm burr, 6.5 Fr thin wall", "[@rumoroso]", (1.75,), SIX_AND_HALF, TIGHT, PASSES, 1.74),
    Fact("1.75 mm burr, 7 Fr", "[@teachingslides]", (1.75,), SEVEN, FITS, PASSES, 1.74),
    Fact("2.0 mm burr, 8 Fr", "[@teachingslides]", (2.0,), EIGHT, FITS, PASSES, 1.99),
    # All but one of the models let it in, two with resistance: neither plain yes nor no.
    Fact(
        "1.25 mm burr, 6 Fr extension",
        "[@pawlowski2021]",
        (1.25,),
        EXTENSION_6,
        TIGHT,
        (TIGHT,),
        EXTENSION_6 + 0.01,
    ),
    Fact(
        "kissing balloons, 5 Fr",
        "[@teachingslides; @ormiston2001]",
        (BALLOON, SHAFT),
        FIVE,
        NO,
        STOPS,
        SIX,
    ),
    Fact(
        "two rapid-exchange balloons, 6 Fr",
        "[@guidetable; @teachingslides]",
        (BALLOON, SHAFT),
        SIX,
        TIGHT,
        PASSES,
        FIVE,
    ),
    # 32 of 42 pairings impossible, 1 easy.
    Fact("two 2.5 mm balloons, 7 Fr extension", "[@cvit2019]", (BALLOON, SHAFT), EXTENSION_7, NO, STOPS, SIX),
    Fact("stent, 5 Fr", "[@schobel2003]", (STENT,), FIVE, FITS, PASSES, 1.12),
    Fact("balloon, 5 Fr", "[@schobel2003]", (BALLOON,), FIVE, FITS, PASSES, 0.85),
    Fact(
        "two stents staggered, 7 Fr",
        "[@guidetable; @teachingslides]",
        (STENT, SHAFT),
        SEVEN,
        TIGHT,
        PASSES,
        SIX,
    ),
    Fact("kissing stents, 6 Fr", "[@rumoroso]", (STENT_SLIM, SHAFT), SIX, NO, STOPS, SIX_AND_HALF),
    Fact("kissing stents, 6.5 Fr", "[@rumoroso]", (STENT_SLIM, SHAFT), SIX_AND_HALF, TIGHT, PASSES, SIX),
    Fact(
        "trapping balloon beside a shaft, 7 Fr",
        "[@teachingslides]",
        (BALLOON, SHAFT),
        SEVEN,
        FITS,
        PASSES,
        SIX,
    ),
    # The bench that measured a 4 Fr child in a 5 Fr guide had it in there.
    Fact("4 Fr child of 1.43 mm, 5 Fr", "[@shishido; @takeshita2012]", (1.43,), FIVE, TIGHT, PASSES, 1.42),
    Fact(
        "1.70 mm extension, 6 Fr of 0.071 in",
        "[@liao2023; @rumoroso]",
        (1.70,),
        SIX,
        TIGHT,
        PASSES,
        SIX_NARROW,
        "the narrowest 6 Fr guides of the table [@guidetable], 1.68 mm, do not take it",
    ),
)


def answer(fact: Fact, bore_mm: float) -> Verdict:
    members = [Member(f"member {i}", "device", 0.5 * w) for i, w in enumerate(fact.widths_mm)]
    return passage(Bore("bore", bore_mm), members).verdict


def by_what(fact: Fact) -> str:
    return fact.what


@pytest.mark.parametrize("fact", FACTS, ids=by_what)
def test_our_answer(fact: Fact) -> None:
    assert answer(fact, fact.bore_mm) is fact.ours


@pytest.mark.parametrize("fact", FACTS, ids=by_what)
def test_our_answer_fails_when_the_bore_is_perturbed(fact: Fact) -> None:
    assert answer(fact, fact.twin_bore_mm) is not fact.ours


@pytest.mark.parametrize("fact", FACTS, ids=by_what)
def test_agreement_or_a_named_conflict(fact: Fact) -> None:
    assert fact.ours in fact.published or fact.conflict


def test_only_one_fact_disagrees() -> None:
    assert [f.what for f in FACTS if f.ours not in f.published] == ["1.75 mm burr, 6 Fr: does not go"]


def test_the_one_easy_pairing_is_possible() -> None:
    """One of 42 pairings of 2.5 mm balloons went easily through a 7 Fr extension [@cvit2019]."""
    slim = [Member("body", "device", 0.5 * 0.75), Member("shaft", "shaft", 0.5 * 0.67)]
    assert passage(Bore("extension", EXTENSION_7), slim).verdict is not NO
    wide = [Member("body", "device", 0.5 * BALLOON), Member("shaft", "shaft", 0.5 * SHAFT)]
    assert passage(Bore("extension", EXTENSION_7), wide).verdict is NO
