"""The case file by itself: what it accepts, and the one clear error for what it does not."""

from __future__ import annotations

import copy
import math
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from backstay.adapters.case_file import CaseDocument, case_schema, read_case, write_case
from backstay.adapters.toml_text import MAX_BYTES, read_toml, validated
from backstay.errors import FileFormatError, InputError, NotFound

SMALLEST: dict[str, Any] = {
    "schema": 1,
    "title": "A case",
    "access": {"route": "right radial", "sheath_fr": 6},
    "vessel": {"name": "right coronary artery", "path": "path.csv"},
    "rig": {"guide": "g", "wires": ["w"]},
    "target": {"device": "s", "from_mm": 30, "to_mm": 58},
}
WHERE = "case.toml"


def changed(place: str, value: object) -> dict[str, Any]:
    """Return the smallest case with one value set; a place is dotted, `None` as value takes the key away."""
    data = copy.deepcopy(SMALLEST)
    *parents, last = place.split(".")
    table = data
    for name in parents:
        table = table.setdefault(name, {})
    if value is None:
        del table[last]
    else:
        table[last] = value
    return data


def lesion(**values: object) -> list[dict[str, object]]:
    return [{"from_mm": 34.0, "to_mm": 62.0, "calcium": "severe", **values}]


def test_the_smallest_case_is_enough() -> None:
    case = validated(CaseDocument, SMALLEST, where=WHERE)
    assert (case.shelf, case.invented, case.rig.seat_mm, case.vessel.lesion) == ("shelf.toml", False, 0.0, [])
    assert case.limits.contrast_mL is None


@pytest.mark.parametrize(
    ("place", "value", "field", "error", "says"),
    [
        ("schema", 2, "schema", InputError, "allowed: 1"),
        ("schema", None, "schema", FileFormatError, "missing key"),
        ("title", "", "title", InputError, "too short"),
        ("title", "red \x1b[31m", "title", InputError, "control characters"),
        ("titel", "A case", "titel", FileFormatError, "did you mean title?"),
        ("invented", "yes", "invented", FileFormatError, "true or false"),
        ("patient.age_y", 7, "patient.age_y", InputError, "18 to 110"),
        ("patient.sex", "w", "patient.sex", InputError, "'female' or 'male'"),
        ("patient.creatinine_mg_dL", 97.0, "patient.creatinine_mg_dL", InputError, "0.2 to 20"),
        ("patient.hemoglobin_g_dL", 131.0, "patient.hemoglobin_g_dL", InputError, "3 to 25"),
        ("patient.hight_cm", 170, "patient.hight_cm", FileFormatError, "did you mean height_cm?"),
        (
            "access.route",
            "right_radial",
            "access.route",
            InputError,
            "'right radial', 'left radial' or 'femoral'",
        ),
        ("access.sheath_fr", "6", "access.sheath_fr", FileFormatError, "not a number"),
        ("access.sheath_fr", True, "access.sheath_fr", FileFormatError, "not a number"),
        ("access.sheath_fr", 0.079, "access.sheath_fr", InputError, "4 to 10"),
        ("vessel.path", "", "vessel.path", InputError, "too short"),
        ("vessel.path", "a\x00b", "vessel.path", InputError, "control characters"),
        ("vessel.lesion", {"from_mm": 1}, "vessel.lesion", FileFormatError, "a list"),
        (
            "vessel.lesion",
            lesion(frm_mm=3),
            "vessel.lesion#1.frm_mm",
            FileFormatError,
            "did you mean from_mm?",
        ),
        (
            "vessel.lesion",
            lesion(from_mm=70.0),
            "vessel.lesion#1.to_mm",
            InputError,
            "more than from_mm = 70",
        ),
        ("vessel.lesion", lesion(to_mm=34.0), "vessel.lesion#1.to_mm", InputError, "more than from_mm = 34"),
        ("vessel.lesion", lesion(from_mm=-3.0), "vessel.lesion#1.from_mm", InputError, "0 to 400"),
        ("vessel.lesion", lesion(from_mm=math.nan), "vessel.lesion#1.from_mm", InputError, "finite"),
        ("vessel.lesion", lesion(to_mm=math.inf), "vessel.lesion#1.to_mm", InputError, "finite"),
        ("vessel.lesion", lesion(calcium="heavy"), "vessel.lesion#1.calcium", InputError, "'severe'"),
        (
            "vessel.lesion",
            lesion(prepared=["nc"]),
            "vessel.lesion#1.prepared#1",
            InputError,
            "'scoring_balloon'",
        ),
        ("vessel.lesion", lesion() * 2, "vessel.lesion#2", InputError, "overlap"),
        (
            "vessel.branch",
            [{"name": "b", "at_mm": a, "diameter_mm": 2, "angle_deg": 60} for a in (10, 20)],
            "vessel.branch#2.name",
            InputError,
            "the same name",
        ),
        ("rig.wires", [], "rig.wires", InputError, "at least 1"),
        ("rig.wires", "w", "rig.wires", FileFormatError, "not a list"),
        ("rig.seat_mm", -2.0, "rig.seat_mm", InputError, "0 to 60"),
        ("rig.extension", "e", "rig.extension", FileFormatError, "a table"),
        ("target.to_mm", 20, "target.to_mm", InputError, "more than from_mm = 30"),
        ("target.from_mm", 10**400, "target.from_mm", FileFormatError, "not a number"),
        ("limits.contrast_mL", -100, "limits.contrast_mL", InputError, "more than 0"),
        ("limits.air_kerma_mGy", 0.0, "limits.air_kerma_mGy", InputError, "more than 0"),
        ("weights.per_minute", -1.0, "weights.per_minute", InputError, "0 to 1000"),
        ("draws.friction_wall", 0.1, "draws.friction_wall", FileFormatError, "a table"),
        (
            "draws.friction_wall",
            {"median": 0.1},
            "draws.friction_wall.spread",
            FileFormatError,
            "missing key",
        ),
        ("draws.bed_MPa", {"median": 0.1, "spread": 0.0}, "draws.bed_MPa.spread", InputError, "more than 0"),
    ],
)
def test_one_clear_error(place: str, value: object, field: str, error: type, says: str) -> None:
    with pytest.raises(InputError) as caught:
        validated(CaseDocument, changed(place, value), where=WHERE)
    assert type(caught.value) is error
    assert caught.value.field == field
    text = str(caught.value)
    assert text.startswith("case.toml: ")
    assert says in text
    assert caught.value.allowed
    assert "\n" not in text and "\x1b" not in text


def test_an_unknown_key_is_named_before_the_missing_one_it_causes() -> None:
    with pytest.raises(FileFormatError) as caught:
        validated(CaseDocument, changed("vessel.lesion", [{"frm_mm": 3, "to_mm": 9}]), where=WHERE)
    assert caught.value.field == "vessel.lesion#1.frm_mm"
    assert "and 2 more problems" in caught.value.message


def test_a_long_value_is_shortened() -> None:
    with pytest.raises(FileFormatError) as caught:
        validated(CaseDocument, changed("access.sheath_fr", "6" * 5000), where=WHERE)
    assert len(str(caught.value)) < 300


@pytest.mark.parametrize(
    ("content", "where", "says"),
    [
        (b'schema = 1\ntitle = "a\n', ":2", "TOML syntax error"),
        (b"schema = 1\nschema = 2\n", ":2", "TOML syntax error"),
        (b'schema = 1\ntitle = "a', ":2", "TOML syntax error"),
        (b"a = " + b"[" * 100_000, "", "nested too deeply"),
        (b'schema = 1\ntitle = "caf\xe9"\n', ":2", "not UTF-8"),
        (b"  \n", "", "empty"),
        (b"", "", "empty"),
        (b"#" * (MAX_BYTES + 1), "", "too large"),
        (b"\x00\x01", ":1", "TOML syntax error"),
    ],
)
def test_what_is_no_toml_file(tmp_path: Path, content: bytes, where: str, says: str) -> None:
    file = tmp_path / "case.toml"
    file.write_bytes(content)
    with pytest.raises(FileFormatError, match=says) as caught:
        read_toml(file)
    assert caught.value.where == f"{file}{where}"


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(NotFound, match="no such file"):
        read_toml(tmp_path / "case.toml")
    with pytest.raises(FileFormatError, match="folder"):
        read_toml(tmp_path)


def test_a_byte_order_mark_is_no_error(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_bytes(b"\xef\xbb\xbfschema = 1\r\n")
    assert read_toml(file) == {"schema": 1}


COMMENTED = """\
# The lab's own notes stay.
schema = 1
title = "A case"  # short
[access]
sheath_fr = 6  # checked
route = "right radial"
[vessel]
name = "right coronary artery"
path = "path.csv"
[[vessel.lesion]]  # the tight one
from_mm = 34
to_mm = 62.5
calcium = "severe"
[rig]
guide = "g"
wires = ["w"]  # one
[target]
device = "s"
from_mm = 30
to_mm = 58
"""


def test_an_edit_changes_only_what_changed(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_text(COMMENTED)
    case = read_case(file)
    write_case(file, case.model_copy(update={"title": "Another"}))
    assert file.read_text() == COMMENTED.replace('"A case"', '"Another"')


def test_an_edit_adds_and_takes_away(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_text(COMMENTED)
    data = read_toml(file)
    data["vessel"]["lesion"].append({"from_mm": 80.0, "to_mm": 90.0, "calcium": "mild"})
    data["rig"] = {"guide": "g", "wires": ["w", "v"], "extension": {"device": "e", "depth_mm": 20.0}}
    del data["access"]["sheath_fr"]
    data["access"]["sheath_fr"] = 7
    case = validated(CaseDocument, data, where=WHERE)
    write_case(file, case)
    assert read_case(file) == case
    text = file.read_text()
    assert "# the tight one" in text and "# The lab's own notes stay." in text


def test_a_new_file_reads_back(tmp_path: Path) -> None:
    case = validated(
        CaseDocument, changed("vessel.lesion", lesion(prepared=["scoring_balloon"])), where=WHERE
    )
    write_case(tmp_path / "new.toml", case)
    assert read_case(tmp_path / "new.toml") == case
    assert [p.name for p in tmp_path.iterdir()] == ["new.toml"]


def test_a_file_that_is_no_toml_is_left_alone(tmp_path: Path) -> None:
    file = tmp_path / "case.toml"
    file.write_text("= broken")
    with pytest.raises(FileFormatError):
        write_case(file, validated(CaseDocument, SMALLEST, where=WHERE))
    assert file.read_text() == "= broken"


def test_the_schema_says_the_same() -> None:
    schema = case_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(SMALLEST, schema)
    for place, value in [("titel", "x"), ("patient.age_y", 7), ("access.route", "ulnar"), ("schema", 2)]:
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(changed(place, value), schema)
