"""Audit rows: what the record holds and nothing else, the same in CSV, Parquet and from the store, as the dictionary says."""

from __future__ import annotations

import csv
import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.audit_file import ATTEMPTS, CASES, content_of, dictionary_page, text_of
from backstay.adapters.events_file import events_path
from backstay.app.auditing import audit_files, audit_store
from backstay.cli import app


@pytest.fixture(scope="module")
def rows(
    finished_case: Path, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[list[Any], list[Any]]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield audit_files([finished_case])


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def test_a_case_is_one_row_of_what_the_record_holds(rows: tuple[list[Any], list[Any]]) -> None:
    (case,), _ = rows
    # Each value is read off the lines typed into tests/teaching_case.py and off the demo's case file.
    wanted = {
        "invented": True, "age_decade_y": 70, "sex": "female", "vessel": "right coronary artery", "lesion_count": 1,
        "lesion_length_mm": 28.0, "calcium": "severe", "prepared_before": "semi_compliant_balloon", "route": "right_radial",
        "sheath_fr": 6.0, "guide_fr": 6.0, "guide_shape": "standard_right", "device_kind": "stent",
        "device_diameter_mm": 2.75, "device_length_mm": 33.0, "target_from_mm": 31.5, "target_to_mm": 64.5,
        "closed_by": "end", "duration_min": 54.0, "attempts": 2, "attempts_stopped": 1, "reached": True,
        "moves": "extension", "prepared": "non_compliant_balloon lithotripsy", "stent_count": 1, "stent_length_mm": 33.0,
        "contrast_mL": 84.0, "air_kerma_mGy": 1480.0, "air_kerma_limit_mGy": 3000.0, "kap_Gycm2": 92.0,
        "fluoroscopy_min": 24.0, "minutes_limit": 90.0, "heparin_U": 5000.0, "act_least_s": 287.0, "act_last_s": 287.0,
        "complications": "", "timi_flow": 3, "residual_stenosis_percent": 8.0, "minimum_stent_area_mm2": None, "ffr": None,
    }  # fmt: skip
    assert {name: case[name] for name in wanted} == wanted
    assert set(wanted) | {"case", "path_length_mm", "bend_to_target_deg", "least_lumen_mm", "branch_count",
                          "contrast_limit_mL"} == {column.name for column in CASES}  # fmt: skip


def test_an_attempt_is_one_row_with_what_the_model_said(rows: tuple[list[Any], list[Any]]) -> None:
    (case,), (first, second) = rows
    wanted = {
        "attempt": 1, "minute": 30.0, "device_diameter_mm": 2.75, "guide_fr": 6.0, "seat_mm": 0.0, "buddy_count": 0,
        "extension_depth_mm": None, "anchored": False, "wire_trapped": False, "dissected": False, "push": "firm",
        "prepared": "semi_compliant_balloon non_compliant_balloon lithotripsy", "outcome": "stopped",
        "stopped_at_mm": 48.0, "limited_by": "guide_out", "not_predicted": None,
    }  # fmt: skip
    assert {name: first[name] for name in wanted} == wanted
    assert (second["attempt"], second["minute"], second["outcome"], second["extension_depth_mm"]) == (
        2,
        37.0,
        "reached",
        30.0,
    )
    assert first["case"] == second["case"] == case["case"] and len(case["case"]) == 16
    for row in (first, second):
        assert 0.0 <= row["predicted_chance"] <= 1.0
        assert (
            0.0
            < row["predicted_backup_p10_N"]
            < row["predicted_backup_p50_N"]
            < row["predicted_backup_p90_N"]
        )
    assert second["predicted_backup_p50_N"] > first["predicted_backup_p50_N"]


@pytest.mark.parametrize("which", [0, 1])
def test_csv_and_parquet_hold_the_same(rows: tuple[list[Any], list[Any]], which: int) -> None:
    columns = (CASES, ATTEMPTS)[which]
    table = pq.read_table(io.BytesIO(content_of(rows[which], columns, ".parquet")))
    assert table.to_pylist() == rows[which]
    assert [field.metadata[b"what"].decode() for field in table.schema] == [c.what for c in columns]
    read = list(csv.DictReader(io.StringIO(text_of(rows[which], columns), newline="")))
    turned = {"text": str, "number": float, "count": int, "yes/no": lambda v: v == "true"}
    for line, row in zip(read, rows[which], strict=True):
        for column in columns:
            value = row[column.name]
            assert (line[column.name] == "") == (value in (None, "")), column.name
            assert line[column.name] == "" or turned[column.kind](line[column.name]) == value


def test_a_row_that_the_dictionary_does_not_describe_is_refused(rows: tuple[list[Any], list[Any]]) -> None:
    row = dict(rows[0][0])
    for wrong in ({"extra": 1}, {"attempts": 1.5}, {"attempts": True}, {"reached": 1}, {"vessel": 3}):
        with pytest.raises(ValueError, match=next(iter(wrong))):
            text = content_of([{**row, **wrong}], CASES, ".csv")
            assert text is None


def test_the_dictionary_names_every_column_once_with_its_unit() -> None:
    page = dictionary_page()
    for columns in (CASES, ATTEMPTS):
        assert len({c.name for c in columns}) == len(columns)
        for column in columns:
            assert f"| `{column.name}` | {column.kind} | {column.what} |" in page


def test_the_store_gives_the_same_rows_as_the_files(finished_case: Path) -> None:
    url = f"sqlite:///{finished_case.parents[1] / 'records.sqlite'}"
    assert audit_store(url, model=False) == audit_files([finished_case], model=False)


def test_a_case_that_is_not_closed_has_no_row(finished_case: Path, tmp_path: Path) -> None:
    shutil.copytree(finished_case.parent, tmp_path / "case")
    case = tmp_path / "case" / "case.toml"
    file = events_path(case)
    file.write_text("\n".join(file.read_text().splitlines()[:-1]) + "\n")
    assert audit_files([case], model=False) == ([], [])


def test_the_command_writes_both_tables_or_neither(finished_case: Path, tmp_path: Path) -> None:
    to = tmp_path / "rows.csv"
    result = invoke("audit", finished_case, "--no-model", "--to", to)
    assert result.exit_code == 0, result.stderr
    assert len(to.read_text().splitlines()) == 2
    assert len((tmp_path / "rows-attempts.csv").read_text().splitlines()) == 3
    for words in (
        ["--to", to],
        [finished_case, "--store", "sqlite:///x", "--to", to],
        [finished_case, "--to", "rows.xlsx"],
    ):
        assert invoke("audit", "--no-model", *words).exit_code == 5


def test_an_identifier_in_a_row_refuses_the_whole_export(finished_case: Path, tmp_path: Path) -> None:
    shutil.copytree(finished_case.parent, tmp_path / "case")
    case = tmp_path / "case" / "case.toml"
    case.write_text(
        case.read_text().replace('name = "right coronary artery"', 'name = "artery of Erika Muster"')
    )
    author = tmp_path / "author.toml"
    author.write_text('schema = 1\n[identifiers]\nnames = ["Muster, Erika"]\n')
    result = invoke("audit", case, "--no-model", "--author", author, "--to", tmp_path / "rows.parquet")
    assert result.exit_code == 5 and "name 'Erika Muster'" in result.stderr
    assert not list(tmp_path.glob("rows*"))
