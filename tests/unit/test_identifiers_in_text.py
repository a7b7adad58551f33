"""Identifiers in free text: what is found, what is left alone, and that what was cleaned holds none."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from backstay.core.privacy.text import Known, cleaned, find

# All invented; telephone numbers from ranges kept for fiction, addresses from those kept for documents.
FOUND = [
    ("seen by Dr. Example", "name"),
    ("Prof Anna B. Placeholder agreed", "name"),
    ("patient: Bo Nobody came late", "name"),
    ("on 2031-04-05", "date"),
    ("on 20310405", "date"),
    ("on 5.4.2031", "date"),
    ("on 04/05/31", "date"),
    ("5 Apr 2031", "date"),
    ("April 5th, 2031", "date"),
    ("the 5th of april", "date"),
    ("call 01632 960123", "phone"),
    ("+49 30 23125 014", "phone"),
    ("(555) 555-0123", "phone"),
    ("tel: 555 0123", "phone"),
    ("bo@example.org", "e-mail"),
    ("see www.example.org/x", "web address"),
    ("from 192.0.2.17", "address of a machine"),
    ("MRN: 48213", "number"),
    ("hospital no. X-4821", "number"),
    ("AB 1234567", "number"),
    ("48213377", "number"),
    ("943 476 591", "phone"),
    ("078-05-1120", "number"),
    ("lives in ZZ9 9ZZ", "postcode"),
    ("zip 99999-9999", "postcode"),
    ("00000 Musterstadt", "postcode"),
    ("a 94-year-old woman", "age over 89"),
    ("aged 91", "age over 89"),
    ("age: 93", "age over 89"),
    ("92 y.o.", "age over 89"),
    ("5-Apr-2031", "date"),
    ("05APR2031", "date"),
    ("in April 2031", "date"),
    ("on Tuesday", "date"),
    ("DOB 1938", "date"),
    ("2.25.4711.0.81.15.3", "number"),
    ("Nobody, Bo", "name"),
    ("NOBODY, BOB", "name"),
    ("NOBODY^BO", "name"),
    ("dr nobody", "name"),
    ("Prof van der Nobody", "name"),
    ("Monsieur Personne", "name"),
    ("St Nobody's Hospital", "hospital"),
]
LEFT_ALONE = [
    "Non-compliant balloon 2.5 x 12 mm: 18 atm for 20 s at 42 to 54 mm, opened fully in 2 views",
    "ACT 287 s; heparin 10000 U; contrast 12.5 mL; KAP 92.5 Gy cm2; air kerma 1480 mGy, 24.3 min",
    "Stent 2.75 x 33 mm stopped at 48.25 mm, guide backs out; LAO 30 cranial 20; TIMI flow 3",
    "bare range 31.5-64.5 mm, 0.014 in, 6 Fr, 190 cm, ratio 1.5/2.5, a 71-year-old woman",
    "Guide, wire and balloon in; Stent 3.0, then 3.5; OCT, IVUS; 93 s at 12 atm; born of calcium; lesion, 90 degrees",
    "may dissect; the patient may feel it; no. 2 wire; number of views 2; case ended",
]
NAMES = Known(names=("Müller, Jo A.", "Ng, Su"), numbers=("48-21",))


@pytest.mark.parametrize(("text", "kind"), FOUND)
def test_what_looks_like_an_identifier_is_found(text: str, kind: str) -> None:
    assert [hit.kind for hit in find(text, Known())] == [kind]


@pytest.mark.parametrize("text", LEFT_ALONE)
def test_what_the_record_says_is_left_alone(text: str) -> None:
    assert find(text, Known()) == ()


@pytest.mark.parametrize(
    "text",
    [
        "MULLER",
        "mueller_jo_1.dcm",
        "Müller's",
        "MU\u0308LLER",
        "jo müller",
        "Su Ng",
        "NG^SU",
        "ng-su",
        "48 21",
        "4821",
    ],
)
def test_a_name_that_was_given_is_found_in_any_spelling(text: str) -> None:
    assert find(text, NAMES) != ()


@pytest.mark.parametrize("text", ["mullers", "sung", "being", "suing", "14821", "48-213"])
def test_a_part_of_another_word_is_no_name(text: str) -> None:
    assert find(text, NAMES) == ()


def test_what_a_person_found_harmless_stays() -> None:
    known = Known(names=("Long, Bo",), reviewed=("long lesion",))
    assert cleaned("A long lesion of Mr Long", known)[0] == "A long lesion of [name]"


@given(st.text(max_size=60), st.sampled_from([text for text, _ in FOUND]), st.text(max_size=60))
def test_what_was_cleaned_holds_none_and_cleaning_again_changes_nothing(a: str, b: str, c: str) -> None:
    once, _ = cleaned(f"{a} {b} {c}", NAMES)
    again, hits = cleaned(once, NAMES)
    assert hits == () and again == once
