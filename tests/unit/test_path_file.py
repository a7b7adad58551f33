"""Path files: what is read, what is written, and a precise refusal for everything else."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from backstay.adapters import path_file
from backstay.adapters.path_file import RADIUS_SD_MM, load_path, read_path, write_path
from backstay.errors import FileFormatError, InputError, NotFound

HEADER = "x_mm,y_mm,z_mm,radius_mm"
EVERY = HEADER


def rows(scale: float = 1.0) -> list[str]:
    """Return 40 rows on an arc of radius 40 mm, 2 mm apart."""
    t = np.arange(40) * 2.0 / 40.0
    points = np.stack([40.0 * np.sin(t), 40.0 * (1.0 - np.cos(t)), 0.1 * np.sin(3.0 * t)], axis=1)
    table = np.column_stack([points, np.linspace(1.9, 1.1, 40)]) * scale
    return [",".join(f"{value:.6f}" for value in row) for row in table]


def text(changed: dict[int, str] | None = None, header: str = HEADER) -> str:
    """Return a good file with some lines replaced (line 1 is the header)."""
    lines = [header, *rows()]
    for number, line in (changed or {}).items():
        lines[number - 1] = line
    return "\n".join(lines) + "\n"


def in_unit(scale: float) -> str:
    return "\n".join([HEADER, *rows(scale)])


def with_sd(value: str) -> str:
    return "\n".join([HEADER + ",radius_sd_mm", *(f"{row},{value}" for row in rows())])


def loop() -> str:
    t = np.linspace(0.0, 2.2 * np.pi, 40)
    table = np.column_stack([10.0 * np.cos(t), 10.0 * np.sin(t), 0.1 * t, np.full(40, 1.5)])
    return "\n".join([HEADER, *(",".join(f"{x:.4f}" for x in row) for row in table)])


def spaced(step: float, count: int) -> str:
    return "\n".join([HEADER, *(f"{i * step:g},0,0,1.5" for i in range(count))])


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "path.csv"


def test_a_plain_file_is_read_as_it_stands(file: Path) -> None:
    file.write_text(text())
    raw = read_path(file)
    assert raw.points_mm.shape == (40, 3)
    assert raw.points_mm[3] == pytest.approx([float(x) for x in rows()[3].split(",")[:3]], abs=0.0)
    assert raw.radius_mm[-1] == 1.1
    assert (raw.radius_sd_mm == RADIUS_SD_MM).all()
    assert "no radius_sd_mm column" in raw.warnings[0]


@pytest.mark.parametrize(
    "data",
    [
        b"\xef\xbb\xbf" + text().encode(),
        text().replace("\n", "\r\n").encode(),
        text().replace("\n", "\r").encode(),
        ("# an invented vessel\n\n" + text()).encode(),
        text().replace(",", " , ").encode(),
        text().replace("\n", "\n\n").encode(),
        text().rstrip("\n").encode(),
    ],
    ids=["BOM", "CRLF", "CR", "notes", "spaces", "blank lines", "no last line end"],
)
def test_harmless_differences_change_nothing(file: Path, data: bytes) -> None:
    file.write_text(text())
    plain = read_path(file)
    file.write_bytes(data)
    assert np.array_equal(read_path(file).points_mm, plain.points_mm)


def test_columns_are_found_by_name(file: Path) -> None:
    turned = "\n".join([",".join(reversed(line.split(","))) for line in text().split()])
    file.write_text(turned)
    assert read_path(file).radius_mm[0] == 1.9


def test_errors_of_the_radius_are_read(file: Path) -> None:
    file.write_text(with_sd("0.07"))
    raw = read_path(file)
    assert (raw.radius_sd_mm == 0.07).all()
    assert raw.warnings == ()


def test_a_wide_gap_is_told(file: Path) -> None:
    lines = text().split("\n")
    del lines[20:22]
    file.write_text("\n".join(lines))
    warnings = read_path(file).warnings
    assert any("gap of 6.0 mm before line 21" in warning for warning in warnings)


def test_loading_gives_an_even_path_with_the_warnings(file: Path) -> None:
    file.write_text(text())
    smoothed = load_path(file)
    assert smoothed.path.spacing_mm == 1.0
    assert smoothed.path.total_bend_rad == pytest.approx(78.0 / 40.0, rel=0.02)
    assert smoothed.warnings == read_path(file).warnings
    assert load_path(file, spacing_mm=0.5).path.spacing_mm == 0.5


def test_a_written_path_is_read_back(file: Path) -> None:
    file.write_text(text())
    path = load_path(file).path
    write_path(file, path)
    back = read_path(file)
    assert back.points_mm == pytest.approx(path.points_mm, abs=0.0005)
    assert back.radius_mm == pytest.approx(path.radius_mm, abs=0.0005)
    assert back.radius_sd_mm == pytest.approx(path.radius_sd_mm, abs=0.0005)
    assert "-0.000" not in file.read_text()
    again = load_path(file).path
    assert again.total_bend_rad == pytest.approx(path.total_bend_rad, rel=0.01)


def test_a_raw_path_is_written_too(file: Path) -> None:
    file.write_text(with_sd("0.07"))
    raw = read_path(file)
    write_path(file, replace(raw, radius_mm=raw.radius_mm + 0.1))
    assert read_path(file).radius_mm == pytest.approx(raw.radius_mm + 0.1, abs=0.0005)


def test_a_failed_write_leaves_the_old_file_alone(file: Path, tmp_path: Path) -> None:
    file.write_text(with_sd("0.07"))
    before = file.read_bytes()
    bad = replace(read_path(file), radius_sd_mm=np.zeros(3))
    with pytest.raises(ValueError, match="dimension"):
        write_path(file, bad)
    assert file.read_bytes() == before
    assert list(tmp_path.iterdir()) == [file]


Bad = tuple[str | bytes, type[InputError], str, object, str, str]

BAD: dict[str, Bad] = {
    "missing column": (
        text(header="x_mm,y_mm,z_mm"),
        FileFormatError, "header", "x_mm,y_mm,z_mm", "radius_mm", ":1",
    ),
    "names without units": (text(header="x,y,z,r"), FileFormatError, "header", "x,y,z,r", "x_mm,y_mm", ":1"),
    "unknown column": (
        text(header=HEADER + ",label"), FileFormatError, "header", "label", "radius_sd_mm", ":1",
    ),
    "column twice": (text(header=HEADER + ",x_mm"), FileFormatError, "header", "x_mm", "x_mm", ":1"),
    "no header": ("\n".join(rows()), FileFormatError, "header", rows()[0][:60], "x_mm,y_mm", ":1"),
    "extra cell": (text({5: rows()[3] + ",0.1"}), FileFormatError, "columns", 5, "4", ":5"),
    "cell missing": (text({5: "1,2,3"}), FileFormatError, "columns", 3, "4", ":5"),
    "decimal commas": (text({5: "1,0,2,0,3,0,1,5"}), FileFormatError, "columns", 8, "with a point", ":5"),
    "word": (text({7: "1,2,wide,1.5"}), FileFormatError, "z_mm", "wide", "a finite number", ":7"),
    "empty cell": (text({7: "1,2,,1.5"}), FileFormatError, "z_mm", "(empty)", "a finite number", ":7"),
    "nan": (text({9: "1,2,3,nan"}), FileFormatError, "radius_mm", "nan", "a finite number", ":9"),
    "infinity": (text({9: "inf,2,3,1.5"}), FileFormatError, "x_mm", "inf", "a finite number", ":9"),
    "thousands mark": (text({9: "1_0,2,3,1.5"}), FileFormatError, "x_mm", "1_0", "a finite number", ":9"),
    "zero radius": (text({11: "18,4,0,0"}), InputError, "radius_mm", 0.0, "above 0 mm", ":11"),
    "negative radius": (text({11: "18,4,0,-1.2"}), InputError, "radius_mm", -1.2, "above 0 mm", ":11"),
    "too few rows": (spaced(2.0, 4), FileFormatError, "rows", 4, "5 or more", ""),
    "same point twice": (
        text({12: rows()[9]}), InputError, "x_mm,y_mm,z_mm", rows()[9], "distinct points", ":12",
    ),
    "a loop": (loop(), InputError, "x_mm,y_mm,z_mm", "mm from itself", "further from each other", ":"),
    "too wide a gap": (
        text({2: "-11,0,0,1.9"}), InputError, "x_mm,y_mm,z_mm", "13.0 mm", "up to 10 mm", ":3",
    ),
    "too coarse": (spaced(5.0, 12), InputError, "x_mm,y_mm,z_mm", "usually 5.0 mm", "up to 4 mm", ""),
    "cm": (in_unit(0.1), InputError, EVERY, "0.15", "by 10", ""),
    "inches": (in_unit(1 / 25.4), InputError, EVERY, "0.059", "by 25.4", ""),
    "metres": (in_unit(0.001), InputError, EVERY, "0.0015", "by 1000", ""),
    "micrometres": (
        in_unit(1000.0), InputError, EVERY, "1.5e+03", "by 0.001", "",
    ),
    "radius of another unit": (
        "\n".join([HEADER, *(row.rsplit(",", 1)[0] + ",15" for row in rows())]),
        InputError, "radius_mm", 15.0, "radius, not diameter", "",
    ),
    "one radius too wide": (text({8: "12,2,0,7.5"}), InputError, "radius_mm", 7.5, "up to 6 mm", ""),
    "too short": (spaced(0.5, 12), InputError, "length_mm", 5.5, "10 to 400 mm", ""),
    "too long": (spaced(3.0, 200), InputError, "length_mm", 597.0, "10 to 400 mm", ""),
    "negative error": (with_sd("-0.1"), InputError, "radius_sd_mm", -0.1, "0 mm or more", ":2"),
    "not UTF-8": (
        text({4: "# caf\xe9"}).encode("latin-1"), FileFormatError, "encoding", "byte 0xe9", "UTF-8", ":4",
    ),
    "UTF-16": (text().encode("utf-16"), FileFormatError, "encoding", "binary", "UTF-8", ""),
    "binary": (os.urandom(40) + b"\0" * 9, FileFormatError, "encoding", "binary", "UTF-8", ""),
    "semicolons": (text().replace(",", ";"), FileFormatError, "separator", ";", "commas", ":1"),
    "tabs": (text().replace(",", "\t"), FileFormatError, "separator", "\t", "commas", ":1"),
    "empty": (b"", FileFormatError, "size", 0, "x_mm,y_mm", ""),
    "only blank": (b" \n\n", FileFormatError, "size", 3, "x_mm,y_mm", ""),
    "only a header": (HEADER, FileFormatError, "rows", 0, "5 or more", ""),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_is_refused_with_its_reason(file: Path, name: str) -> None:
    content, kind, field, value, allowed, line = BAD[name]
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    with pytest.raises(InputError) as caught:
        load_path(file)
    error = caught.value
    assert type(error) is kind
    assert error.field == field
    if name == "same point twice":
        assert [float(x) for x in str(error.value).split(",")] == pytest.approx(
            [float(x) for x in str(value).split(",")[:3]], rel=1e-5
        )
    elif isinstance(value, str):
        assert value in str(error.value)
    else:
        assert error.value == value
    assert allowed in error.allowed
    assert error.where.startswith(f"{file}{line}")
    assert str(error).startswith(error.where)


def test_units_are_named(file: Path) -> None:
    for scale, unit in ((0.1, "cm"), (1 / 25.4, "inches"), (0.001, "metres")):
        file.write_text(in_unit(scale))
        with pytest.raises(InputError, match=f"look like {unit}, not mm"):
            read_path(file)


def test_a_path_that_doubles_back_names_the_file(file: Path) -> None:
    # Out along x and back beside it, shorter than what counts as a loop.
    out = [f"{x},0,0,1.5" for x in range(0, 22, 2)]
    back = [f"{x},0.4,0,1.5" for x in range(18, 12, -2)]
    file.write_text("\n".join([HEADER, *out, *back]))
    with pytest.raises(InputError) as caught:
        load_path(file)
    assert caught.value.field == "points_mm"
    assert "up to 150 degrees" in caught.value.allowed
    assert caught.value.where == str(file)


@pytest.mark.parametrize(
    ("make", "kind", "field", "value", "allowed"),
    [
        (lambda file: None, NotFound, "path", "path.csv", "a CSV file"),
        (lambda file: file.mkdir(), FileFormatError, "path", "folder", "a CSV file"),
        (lambda file: os.mkfifo(file), FileFormatError, "path", "something else", "a CSV file"),
    ],
    ids=["missing", "folder", "pipe"],
)
def test_what_is_no_file_is_refused(
    file: Path, make: Callable[[Path], None], kind: type[InputError], field: str, value: str, allowed: str
) -> None:
    make(file)
    with pytest.raises(kind) as caught:
        read_path(file)
    assert (caught.value.field, caught.value.allowed) == (field, allowed)
    assert value in str(caught.value.value)


def test_a_huge_file_is_refused_before_it_is_parsed(file: Path) -> None:
    with file.open("wb") as stream:
        stream.truncate(path_file.MOST_BYTES + 5_000_000)
    with pytest.raises(FileFormatError) as caught:
        read_path(file)
    assert (caught.value.field, caught.value.value) == ("size", "25.0 MB")
    assert caught.value.allowed == "up to 20 MB"


def test_too_many_rows_are_refused(file: Path) -> None:
    file.write_text(HEADER + "\n" + "1,2,3,1.5\n" * (path_file.MOST_ROWS + 1))
    with pytest.raises(FileFormatError) as caught:
        read_path(file)
    assert (caught.value.field, caught.value.allowed) == ("rows", "up to 100000")
    assert caught.value.where == f"{file}:{path_file.MOST_ROWS + 2}"
