"""A case joined with its path and shelf: what becomes of the words, and what is remarked on."""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from backstay.adapters.case_file import CaseDocument, read_case, write_case
from backstay.adapters.toml_text import read_toml, validated
from backstay.app.loading import LoadedCase, load_case
from backstay.errors import InputError
from backstay.identifiers import Access, Calcium, Preparation


@pytest.fixture
def file(demo_dir: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo_dir, tmp_path / "case")) / "case.toml"


def loaded(file: Path, **tables: dict[str, object]) -> LoadedCase:
    """Return the demo case with values of some tables changed."""
    data = read_toml(file)
    for name, values in tables.items():
        data[name] = {**data.get(name, {}), **values}
    write_case(file, validated(CaseDocument, data, where=str(file)))
    return load_case(file)


def test_the_demo_case(file: Path) -> None:
    case = load_case(file)
    assert case.invented and "invented" in case.title.lower()
    assert "circumflex" not in case.vessel_name and "left main" not in case.vessel_name
    assert case.path.length_mm == pytest.approx(130.0, abs=1.5)
    assert 300.0 <= math.degrees(case.path.total_bend_rad) <= 370.0
    assert math.degrees(case.path.bend_rad(3.0, 32.0)) > 100.0
    assert [(x.calcium, x.prepared) for x in case.lesions] == [
        (Calcium.SEVERE, (Preparation.SEMI_COMPLIANT,))
    ]
    assert all(b.diameter_mm >= 1.6 and b.at_mm < case.lesions[0].from_mm for b in case.branches)
    assert case.branches[0].angle_rad == pytest.approx(math.radians(70.0))
    assert 0.6 < 2.0 * case.path.radius_mm.min() < 1.4
    assert (case.rig.access.route, case.rig.access.sheath_fr) == (Access.RIGHT_RADIAL, 6.0)
    assert (case.rig.extension, case.rig.buddies, case.rig.anchor, case.rig.trapped) == (None, (), None, None)
    assert case.warnings == ()
    assert [f.name for f in case.inputs] == ["case.toml", "path.csv", "shelf.toml"]


def test_a_full_rig(file: Path) -> None:
    rig = {
        "seat_mm": 5.0,
        "wires": ["wire-workhorse", "wire-support"],
        "extension": {"device": "ext-6", "depth_mm": 28.0},
        "anchor": {
            "device": "bal-sc-150-12",
            "branch": "second right ventricular branch",
            "pressure_atm": 6.0,
        },
        "trapped": {"device": "wire-support", "from_mm": 10.0, "to_mm": 18.0},
    }
    case = loaded(file, rig=rig)
    assert (case.rig.rail.id, [w.id for w in case.rig.buddies]) == ("wire-workhorse", ["wire-support"])
    assert case.rig.extension is not None and case.rig.extension_depth_mm == 28.0
    assert case.rig.anchor is not None
    assert (case.rig.anchor.at_mm, case.rig.anchor.branch_diameter_mm) == (31.0, 1.6)
    assert case.rig.trapped is not None and case.rig.trapped.to_mm == 18.0
    assert case.warnings == ()


def test_draws_are_handed_on(file: Path) -> None:
    case = loaded(file, draws={"friction_wall": {"median": 0.1, "spread": 0.2}})
    assert case.draw_overrides == {"friction_wall": (0.1, 0.2)}
    with pytest.raises(InputError) as caught:
        loaded(file, draws={"lesion_factor": {"median": -1.0, "spread": 0.2}})
    assert (caught.value.field, caught.value.where) == ("draws.lesion_factor.median", str(file))


@pytest.mark.parametrize(
    ("tables", "says"),
    [
        ({"target": {"device": "stent-275-24"}}, "9 mm shorter than the target"),
        ({"target": {"from_mm": 40.0}}, "8 mm longer than the target"),
        ({"target": {"from_mm": 40.0}}, "does not cover the lesion from 34 to 62 mm"),
        ({"target": {"from_mm": 80.0, "to_mm": 113.0}}, "touches no lesion"),
        ({"rig": {"seat_mm": 27.0}}, "seated 27 mm deep"),
        ({"rig": {"extension": {"device": "ext-6", "depth_mm": 40.0}}}, "beyond the target's beginning"),
        ({"rig": {"extension": {"device": "ext-6", "depth_mm": 63.0}}}, "deeper than a lesion"),
    ],
)
def test_what_looks_wrong_is_remarked_on(file: Path, tables: dict[str, dict[str, object]], says: str) -> None:
    assert any(says in warning for warning in loaded(file, **tables).warnings)


def test_no_lesion_is_remarked_on(file: Path) -> None:
    case = read_case(file)
    vessel = case.vessel.model_copy(update={"lesion": []})
    write_case(file, case.model_copy(update={"vessel": vessel}))
    assert load_case(file).warnings == ("No lesion is described: nothing in the vessel resists crossing.",)


def test_remarks_on_the_path_come_first(file: Path) -> None:
    path = file.parent / "path.csv"
    path.write_text("\n".join(line.rsplit(",", 1)[0] for line in path.read_text().splitlines()) + "\n")
    assert "no radius_sd_mm column" in load_case(file).warnings[0]


def test_an_absolute_path_is_read(file: Path, tmp_path: Path) -> None:
    elsewhere = Path(shutil.move(file.parent / "path.csv", tmp_path / "elsewhere.csv"))
    case = loaded(file, vessel={"path": str(elsewhere)})
    assert case.inputs[1] == elsewhere
