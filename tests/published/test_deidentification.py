"""Every element of the standard's basic confidentiality profile is treated as its table asks, or is absent.

The table stands in ps315_basic_profile.csv: tag and action of Table E.1-1 [@dicomps315]. X remove, Z empty, D replace,
U new UID; a slash leaves the choice, and absence is stricter than all of them but where an element is required.
"""

from __future__ import annotations

import csv
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pydicom.datadict import dictionary_VR, keyword_for_tag, repeater_has_tag
from pydicom.dataset import Dataset

from backstay.adapters.dicom_clean import Disguise, _kept, _mark

TABLE = Path(__file__).with_name("ps315_basic_profile.csv")
DISGUISE = Disguise(b"0" * 32, timedelta(days=-1000, seconds=-777), "ALIAS")
PLANTED = {
    "DA": "20310405", "DT": "20310405093000", "TM": "093000", "UI": "1.2.3.4.5.6.7", "PN": "Example^Bo", "AS": "094Y",
    "IS": "48213377", "DS": "48213377", "US": 48213, "UL": 48213377, "SS": 4821, "SL": 48213377, "FD": 48213.377,
    "FL": 48213.377, "AE": "EXAMPLE", "CS": "EXAMPLE", "OB": b"Bo Example", "OW": b"Bo Example", "UN": b"Bo Example",
    "OF": b"\0\0\0\0", "OD": b"\0" * 8, "AT": 0x00100010, "OL": b"\0" * 4, "OV": b"\0" * 8, "UV": 1, "SV": 1,
    "UR": "http://example.org/bo",
}  # fmt: skip
# Dates of the profile that the option for shifted dates lets stay, shifted (PS3.15 E.3.6).
SHIFTED = {"DA", "TM", "DT"}


def rows() -> list[tuple[str, str]]:
    with TABLE.open(newline="") as file:
        return [(row["tag"], row["action"]) for row in csv.DictReader(file)]


def tags(name: str) -> list[int]:
    """Return the tags a row means; a repeating group is tried at three of its numbers."""
    if "x" not in name:
        return [int(name, 16)]
    elements = ["0005", "2500"] if name == "50xxxxxx" else [name[4:]]
    return [int(f"{name[:2]}{group}{element}", 16) for group in ("00", "02", "1E") for element in elements]


def vr_of(tag: int) -> str:
    try:
        return dictionary_VR(tag).split(" ")[0]
    except KeyError:
        assert repeater_has_tag(tag) or keyword_for_tag(tag) == ""
        return "LO"


def planted(tag: int, vr: str) -> Dataset:
    dataset = Dataset()
    if vr == "SQ":
        item = Dataset()
        item.PatientName = "Example^Bo"
        dataset.add_new(tag, "SQ", [item])
    else:
        dataset.add_new(tag, vr, PLANTED.get(vr, "Bo Example"))
    return dataset


def treated(dataset: Dataset) -> Dataset:
    kept = _kept(dataset, DISGUISE, 0)
    _mark(kept, DISGUISE)
    return kept


def offence(tag: int, vr: str, action: str, before: Dataset, after: Dataset) -> str | None:
    """Return what is wrong with an element after it was treated."""
    if tag not in after:
        return None
    value: Any = after[tag].value
    if value in (None, "", [], b"") and action not in ("U", "D"):
        return None
    if action == "U" and vr == "UI":
        return None if value == DISGUISE.uid(str(before[tag].value)) else "not the new UID"
    if vr in SHIFTED:
        return None if value != before[tag].value else "a date as it was"
    if "X" in action and "Z" not in action and "D" not in action:
        return "not removed"
    return None if value != before[tag].value else "its value as it was"


@pytest.mark.parametrize(("name", "action"), rows())
def test_an_element_of_the_profile_is_treated_as_its_row_asks(name: str, action: str) -> None:
    for tag in tags(name):
        vr = vr_of(tag)
        before = planted(tag, vr)
        assert offence(tag, vr, action, before, treated(before)) is None


def test_the_table_is_whole() -> None:
    names = [name for name, _ in rows()]
    assert len(names) == len(set(names)) == 655
    assert {action for _, action in rows()} == {"D", "Z", "X", "U", "Z/D", "X/Z", "X/D", "X/Z/D", "X/Z/U*"}


def test_private_elements_go() -> None:
    dataset = Dataset()
    dataset.add_new(0x00091001, "LO", "Bo Example")
    dataset.add_new(0x0029E010, "UN", b"Bo Example")
    assert not [element for element in treated(dataset) if element.tag.is_private]


@pytest.mark.parametrize("name", ["00100010", "00100020", "00080080", "0020000D", "00080022"])
def test_an_element_left_as_it_was_is_an_offence(name: str) -> None:
    tag = int(name, 16)
    before = planted(tag, vr_of(tag))
    action = dict(rows())[name]
    assert offence(tag, vr_of(tag), action, before, before) is not None
