"""Shelf files: the demo reads, the schema agrees, and every kind of fault is named with its place."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from backstay.adapters.shelf_file import ShelfDocument, read_shelf, shelf_from, shelf_schema
from backstay.adapters.toml_text import validated
from backstay.core.rigging.devices import (
    Balloon,
    Extension,
    Guide,
    Microcatheter,
    OverWireDevice,
    Stent,
    Wire,
)
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.identifiers import DeviceKind, Evidence, GuideShape
from backstay.sources import all_sources

Document = dict[str, Any]
Change = Callable[[Document], None]


@pytest.fixture(scope="module")
def demo(root: Path) -> Path:
    return root / "examples" / "demo" / "shelf.toml"


@pytest.fixture
def document(demo: Path) -> Document:
    return tomllib.loads(demo.read_text())


def test_demo_has_every_kind(demo: Path) -> None:
    shelf = read_shelf(demo)
    assert shelf.title == "Demo shelf (illustrative)"
    assert len(shelf.devices) >= 40
    assert all(shelf.of(kind) for kind in DeviceKind)
    assert {d.shape for d in shelf.devices.values() if isinstance(d, Guide)} >= {
        GuideShape.STANDARD_LEFT,
        GuideShape.EXTRA_BACKUP_LEFT,
        GuideShape.AMPLATZ_LEFT,
    }
    balloons = {d.balloon_type for d in shelf.devices.values() if isinstance(d, Balloon)}
    assert balloons == {"semi_compliant", "non_compliant", "scoring", "lithotripsy", "drug_coated"}


def test_values_arrive_unchanged(demo: Path, document: Document) -> None:
    shelf = read_shelf(demo)
    for kind in DeviceKind:
        for entry in document[kind.value]:
            device = shelf.devices[entry["id"]]
            for key, value in entry.items():
                found = getattr(device, key)
                assert ([list(row) for row in found] if key == "compliance" else found) == value


def test_demo_devices_have_a_profile(demo: Path) -> None:
    for device in read_shelf(demo).devices.values():
        if isinstance(device, OverWireDevice | Wire):
            assert device.profile.radius_mm.max() < 1.0


def test_larger_stents_are_stiffer_and_length_changes_nothing(demo: Path) -> None:
    stents = [d for d in read_shelf(demo).devices.values() if isinstance(d, Stent) and "-lp" not in d.id]
    by_size: dict[float, set[float]] = {}
    for d in stents:
        by_size.setdefault(d.nominal_diameter_mm, set()).add(d.working_stiffness_Nmm2)
    assert all(len(values) == 1 for values in by_size.values())
    ordered = [values.pop() for _, values in sorted(by_size.items())]
    assert ordered == sorted(ordered)
    assert len(ordered) >= 4


def test_microcatheters_are_over_the_wire(demo: Path) -> None:
    for d in read_shelf(demo).devices.values():
        if isinstance(d, Microcatheter):
            assert d.rapid_exchange_mm == 10.0 * d.length_cm


def test_what_has_no_source_is_unvalidated(demo: Path) -> None:
    device = read_shelf(demo).devices["ext-6"]
    assert isinstance(device, Extension)
    assert "stiffness_Nmm2" in device.unvalidated
    assert "length_cm" in device.unvalidated
    assert "inner_diameter_mm" not in device.unvalidated
    words = {word.value for word in Evidence}
    for d in read_shelf(demo).devices.values():
        for named in d.sources.values():
            assert named in words or named in all_sources()


def test_words_for_evidence_decide(document: Document) -> None:
    entry = document["wire"][0]
    for word, stands in [("published", True), ("derived", True), ("judgement, no source", False)]:
        entry["sources"] = {"core_stiffness_Nmm2": word}
        wire = shelf_from(validated(ShelfDocument, document, where="")).devices[entry["id"]]
        assert ("core_stiffness_Nmm2" not in wire.unvalidated) is stands


def test_demo_obeys_the_schema(document: Document) -> None:
    schema = shelf_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(document, schema)


def _set(kind: str, key: str, value: object) -> Change:
    return lambda d: d[kind][0].__setitem__(key, value)


def _drop(kind: str, key: str) -> Change:
    return lambda d: d[kind][0].pop(key)


def _repeat_id(d: Document) -> None:
    d["wire"][1]["id"] = d["guide"][0]["id"]


def _empty(d: Document) -> None:
    for kind in DeviceKind:
        d.pop(kind.value)


FAULTS: list[tuple[str, Change, type[InputError], str, str]] = [
    ("unknown table", lambda d: d.__setitem__("guides", []), FileFormatError, "guides", "did you mean guide"),
    ("unknown key", _set("wire", "diametre_mm", 0.3), FileFormatError, "wire#1.diametre_mm", "diameter_mm"),
    ("missing key", _drop("guide", "size_fr"), FileFormatError, "guide#1.size_fr", "missing"),
    ("text for a number", _set("stent", "nose_mm", "5"), FileFormatError, "stent#1.nose_mm", "not a number"),
    ("a number for text", _set("wire", "name", 4), FileFormatError, "wire#1.name", "not a text"),
    ("wrong schema", lambda d: d.__setitem__("schema", 2), InputError, "schema", "1"),
    ("out of range", _set("guide", "size_fr", 60.0), InputError, "guide#1.size_fr", "4 to 10"),
    (
        "negative",
        _set("extension", "stiffness_Nmm2", -1.0),
        InputError,
        "extension#1.stiffness_Nmm2",
        "more than 0",
    ),
    ("not finite", _set("burr", "nose_mm", float("nan")), InputError, "burr#1.nose_mm", ""),
    ("unknown shape", _set("guide", "shape", "spiral"), InputError, "guide#1.shape", "standard_left"),
    ("unknown coating", _set("wire", "coating", "oil"), InputError, "wire#1.coating", "hydrophilic"),
    (
        "unknown balloon",
        _set("balloon", "balloon_type", "huge"),
        InputError,
        "balloon#1.balloon_type",
        "scoring",
    ),
    ("id with capitals", _set("wire", "id", "Wire 1"), InputError, "wire#1.id", ""),
    ("id used twice", _repeat_id, InputError, "wire#2.id", "guide#1"),
    ("line break in a name", _set("wire", "name", "a\nb"), InputError, "wire#1.name", "line breaks"),
    (
        "bore wider than guide",
        _set("guide", "inner_diameter_mm", 1.9),
        InputError,
        "guide#1.inner_diameter_mm",
        "1.67",
    ),
    (
        "tube without wall",
        _set("extension", "inner_diameter_mm", 1.8),
        InputError,
        "extension#1.inner_diameter_mm",
        "",
    ),
    (
        "tip wider than body",
        _set("stent", "tip_diameter_mm", 1.5),
        InputError,
        "stent#1.tip_diameter_mm",
        "1.02",
    ),
    (
        "lumen wider than shaft",
        _set("balloon", "wire_lumen_mm", 1.0),
        InputError,
        "balloon#1.wire_lumen_mm",
        "0.72",
    ),
    (
        "short wire lumen",
        _set("stent", "rapid_exchange_mm", 5.0),
        InputError,
        "stent#1.rapid_exchange_mm",
        "1400",
    ),
    ("bursts below nominal", _set("balloon", "nominal_atm", 19.0), InputError, "balloon#1.nominal_atm", "14"),
    ("stiff tip", _set("wire", "tip_stiffness_Nmm2", 50.0), InputError, "wire#1.tip_stiffness_Nmm2", "2.5"),
    (
        "limit below size",
        _set("stent", "expansion_limit_mm", 2.0),
        InputError,
        "stent#1.nominal_diameter_mm",
        "",
    ),
    (
        "source of no field",
        _set("wire", "sources", {"mass": "tipload"}),
        FileFormatError,
        "wire#1.sources.mass",
        "floppy_mm",
    ),
    (
        "unknown source",
        _set("wire", "sources", {"tip_load_N": "nobody1900"}),
        InputError,
        "wire#1.sources.tip_load_N",
        "backstay sources",
    ),
    ("empty shelf", _empty, FileFormatError, "", "at least one device"),
]


@pytest.mark.parametrize(
    ("change", "error", "field", "says"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS]
)
def test_fault_is_named(
    document: Document, change: Change, error: type[InputError], field: str, says: str
) -> None:
    change(document)
    with pytest.raises(InputError) as caught:
        validated(ShelfDocument, document, where="shelf.toml")
    assert type(caught.value) is error
    assert caught.value.field == field
    assert says in str(caught.value)
    assert str(caught.value).startswith("shelf.toml: ")


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(NotFound):
        read_shelf(tmp_path / "shelf.toml")


def test_broken_toml_names_its_line(tmp_path: Path) -> None:
    file = tmp_path / "shelf.toml"
    file.write_text('schema = 1\ntitle = "x\n')
    with pytest.raises(FileFormatError) as caught:
        read_shelf(file)
    assert caught.value.where == f"{file}:2"


@pytest.mark.parametrize(
    ("rows", "what"),
    [
        ([[8.0, 2.4], [8.0, 2.5], [16.0, 2.6]], "rises row by row"),
        ([[8.0, 2.4], [10.0, 2.3], [16.0, 2.6]], "rises row by row"),
        ([[2.0, 2.4], [4.0, 2.5]], "does not reach the nominal pressure"),
        ([[2.0, 3.4], [30.0, 3.5]], "does not give the labelled size"),
        ([[8.0, 2.4, 1.0]], "too many entries"),
    ],
)
def test_a_wrong_compliance_table_is_named(document: Document, rows: list[list[float]], what: str) -> None:
    document["balloon"][4]["compliance"] = rows
    with pytest.raises((InputError, FileFormatError), match=what) as caught:
        validated(ShelfDocument, document, where="shelf.toml")
    assert "balloon#5.compliance" in caught.value.field
