"""Path files: CSV with a header `x_mm,y_mm,z_mm,radius_mm[,radius_sd_mm]`, rows ordered from the ostium.

Read in three steps: the text (size, encoding, separator), the table (header, numbers), and whether the
numbers can be a coronary vessel in mm. Every refusal names file and line. Lines above the header that start
with # are notes. Nothing is clipped or left out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NoReturn, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from backstay.adapters.atomic import write_atomic
from backstay.core.anatomy.smoothing import Smoothed, smooth_path
from backstay.errors import FileFormatError, InputError, NotFound
from backstay.units import MM_PER_INCH

FloatArray = NDArray[np.float64]

REQUIRED = ("x_mm", "y_mm", "z_mm", "radius_mm")
OPTIONAL = ("radius_sd_mm",)
HEADER = "x_mm,y_mm,z_mm,radius_mm with an optional radius_sd_mm"
MOST_BYTES = 20_000_000
MOST_ROWS = 100_000
FEWEST_ROWS = 5
USUAL_RADIUS_MM = (0.3, 4.0)
WIDEST_RADIUS_MM = 6.0
LENGTH_MM = (10.0, 400.0)
WIDEST_STEP_MM = 10.0
USUAL_STEP_MM = 4.0
LOOP_BEYOND_MM = 15.0
RADIUS_SD_MM = 0.12
"""Where a file gives no error: half of 0.24 mm, the worst precision of a diameter among ten methods of
quantitative angiography on phantoms of 0.5 to 1.9 mm (0.14 to 0.24 mm) [@keane1995]."""

_OTHER_UNITS = {"cm": 10.0, "inches": MM_PER_INCH, "metres": 1000.0, "micrometres": 0.001}
_TYPICAL_RADIUS_MM, _TYPICAL_LENGTH_MM = 1.5, 100.0
_WIDE_GAP_MM = 4.0


@dataclass(frozen=True, eq=False)
class RawPath:
    """A path as its file gives it.

    Attributes
    ----------
    points_mm : ndarray, shape (n, 3)
        Centreline points in the order of the file.
    radius_mm, radius_sd_mm : ndarray, shape (n,)
        Lumen radius and one standard deviation of its error.
    warnings : tuple of str
        What a person should know about the file.
    """

    points_mm: FloatArray
    radius_mm: FloatArray
    radius_sd_mm: FloatArray
    warnings: tuple[str, ...] = ()


class _Pathlike(Protocol):
    @property
    def points_mm(self) -> FloatArray: ...
    @property
    def radius_mm(self) -> FloatArray: ...
    @property
    def radius_sd_mm(self) -> FloatArray: ...


def load_path(file: Path, spacing_mm: float = 1.0) -> Smoothed:
    """Return the even path of a path file, with what smoothing did and what to know about the file.

    Raises
    ------
    NotFound, FileFormatError, InputError
        As `read_path`; also a path that doubles back on itself.
    """
    raw = read_path(file)
    try:
        smoothed = smooth_path(
            raw.points_mm, raw.radius_mm, radius_sd_mm=raw.radius_sd_mm, spacing_mm=spacing_mm
        )
    except InputError as error:
        raise InputError(
            error.message,
            field=error.field,
            value=error.value,
            allowed=error.allowed,
            where=str(file),
        ) from error
    return replace(smoothed, warnings=raw.warnings)


def read_path(file: Path) -> RawPath:
    """Return the points and radii of a path file as they stand there.

    Raises
    ------
    NotFound
        No such file.
    FileFormatError
        It is no table of the right columns and numbers.
    InputError
        The numbers cannot be a coronary vessel in mm.
    """
    text = _text(file)
    columns, rows, lines = _table(file, text)
    values = np.array(rows)
    points = values[:, [columns.index(name) for name in REQUIRED[:3]]]
    radius = values[:, columns.index("radius_mm")]
    _check_rows(file, points, radius, lines)
    _check_size(file, points, radius)
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    _check_spacing(file, steps, lines)
    _check_loops(file, points, radius, lines)
    warnings = []
    if "radius_sd_mm" in columns:
        radius_sd = values[:, columns.index("radius_sd_mm")]
        _check_errors(file, radius_sd, lines)
    else:
        radius_sd = np.full(len(radius), RADIUS_SD_MM)
        warnings.append(f"no radius_sd_mm column: {RADIUS_SD_MM:g} mm taken for the error of every radius")
    for i in np.flatnonzero(steps > _WIDE_GAP_MM):
        warnings.append(f"a gap of {steps[i]:.1f} mm before line {lines[i + 1]} is bridged by a smooth curve")
    return RawPath(points, radius, radius_sd, tuple(warnings))


def write_path(file: Path, path: _Pathlike) -> None:
    """Write a path as a path file, whole or not at all; numbers to a micrometre.

    Raises
    ------
    OSError
        The folder is missing or may not be written to.
    """
    table = np.column_stack([path.points_mm, path.radius_mm, path.radius_sd_mm])
    # Adding zero makes a plain 0 of a rounded -0.
    lines = [",".join((*REQUIRED, *OPTIONAL))]
    lines += [",".join(f"{value:.3f}" for value in row) for row in np.round(table, 3) + 0.0]
    write_atomic(Path(file), "\n".join(lines) + "\n")


def _refuse(
    file: Path, line: int | None, message: str, *, field: str, value: object, allowed: str
) -> NoReturn:
    where = str(file) if line is None else f"{file}:{line}"
    raise FileFormatError(message, field=field, value=value, allowed=allowed, where=where)


def _text(file: Path) -> str:
    if not file.exists():
        raise NotFound(
            "no such path file", field="path", value=str(file), allowed="a CSV file", where=str(file)
        )
    if not file.is_file():
        kind = "folder" if file.is_dir() else "something else"
        _refuse(file, None, "a path is a file", field="path", value=kind, allowed="a CSV file")
    with file.open("rb") as stream:
        data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        _refuse(
            file,
            None,
            "the file is too big for a path",
            field="size",
            value=f"{file.stat().st_size / 1e6:.1f} MB",
            allowed=f"up to {MOST_BYTES / 1e6:g} MB",
        )
    if not data.strip():
        _refuse(file, None, "the file is empty", field="size", value=len(data), allowed=HEADER)
    if b"\0" in data:
        _refuse(
            file, None, "the file is not text", field="encoding", value="binary", allowed="CSV text in UTF-8"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        value = f"byte 0x{data[error.start]:02x}"
        _refuse(
            file, line, "the text is not UTF-8", field="encoding", value=value, allowed="CSV text in UTF-8"
        )


def _table(file: Path, text: str) -> tuple[list[str], list[list[float]], list[int]]:
    """Return column names, rows of numbers, and the line each row stands on."""
    lines = _filled_lines(text)
    start, header = next(lines, (1, ""))
    while header.startswith("#"):
        start, header = next(lines, (start, ""))
    columns = _columns(file, start, header)
    rows: list[list[float]] = []
    numbers: list[int] = []
    for number, line in lines:
        if len(rows) == MOST_ROWS:
            _refuse(
                file,
                number,
                "too many rows",
                field="rows",
                value=f"over {MOST_ROWS}",
                allowed=f"up to {MOST_ROWS}",
            )
        rows.append(_row(file, number, line, columns))
        numbers.append(number)
    if len(rows) < FEWEST_ROWS:
        _refuse(
            file,
            None,
            "too few rows for a path",
            field="rows",
            value=len(rows),
            allowed=f"{FEWEST_ROWS} or more",
        )
    return columns, rows, numbers


def _filled_lines(text: str) -> Iterator[tuple[int, str]]:
    # Only CR and LF end a line here: str.splitlines would also split at a form feed.
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    return ((i, line.strip()) for i, line in enumerate(plain.split("\n"), 1) if line.strip())


def _columns(file: Path, line: int, header: str) -> list[str]:
    columns = [name.strip().strip('"') for name in header.split(",")]
    for separator, name in ((";", "semicolons"), ("\t", "tabs")):
        if separator in header:
            _refuse(
                file,
                line,
                f"columns are separated by {name}",
                field="separator",
                value=separator,
                allowed="commas",
            )
    if all(_is_number(name) for name in columns):
        _refuse(file, line, "the header line is missing", field="header", value=header[:60], allowed=HEADER)
    missing = [name for name in REQUIRED if name not in columns]
    unknown = [name for name in columns if name not in REQUIRED + OPTIONAL]
    if missing:
        found = ",".join(columns)[:80]
        _refuse(
            file, line, f"missing column {', '.join(missing)}", field="header", value=found, allowed=HEADER
        )
    if unknown:
        _refuse(file, line, "unknown column", field="header", value=", ".join(unknown)[:80], allowed=HEADER)
    twice = sorted({name for name in columns if columns.count(name) > 1})
    if twice:
        _refuse(file, line, "column named twice", field="header", value=", ".join(twice), allowed=HEADER)
    return columns


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _row(file: Path, number: int, line: str, columns: list[str]) -> list[float]:
    cells = line.split(",")
    if len(cells) != len(columns):
        hint = "; write decimals with a point" if len(cells) == 2 * len(columns) else ""
        _refuse(
            file,
            number,
            "the row has another number of columns than the header",
            field="columns",
            value=len(cells),
            allowed=f"{len(columns)}{hint}",
        )
    values = []
    for name, cell in zip(columns, cells, strict=True):
        stripped = cell.strip().strip('"')
        # float() also takes 1_000 and inf; neither belongs in a table of measurements.
        if not _is_number(stripped) or "_" in stripped or not math.isfinite(float(stripped)):
            _refuse(
                file,
                number,
                "not a number",
                field=name,
                value=stripped[:40] or "(empty)",
                allowed="a finite number",
            )
        values.append(float(stripped))
    return values


def _check_rows(file: Path, points: FloatArray, radius: FloatArray, lines: list[int]) -> None:
    bad = np.flatnonzero(radius <= 0.0)
    if len(bad):
        raise InputError(
            "the lumen radius must be positive",
            field="radius_mm",
            value=float(radius[bad[0]]),
            allowed="above 0 mm; write a blocked stretch as the lumen a wire makes",
            where=f"{file}:{lines[bad[0]]}",
        )
    same = np.flatnonzero(~np.any(np.diff(points, axis=0) != 0.0, axis=1))
    if len(same):
        raise InputError(
            "the point is the same as the one before it",
            field="x_mm,y_mm,z_mm",
            value=", ".join(f"{x:g}" for x in points[same[0] + 1]),
            allowed="distinct points in order from the ostium",
            where=f"{file}:{lines[same[0] + 1]}",
        )


def _check_size(file: Path, points: FloatArray, radius: FloatArray) -> None:
    """Refuse what cannot be a coronary vessel in mm, and say which unit would make it one."""
    usual = float(np.median(radius))
    length = float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())
    if _plausible(usual, length) and radius.max() <= WIDEST_RADIUS_MM:
        return
    fitting = [
        (
            abs(math.log(usual * f / _TYPICAL_RADIUS_MM)) + abs(math.log(length * f / _TYPICAL_LENGTH_MM)),
            unit,
            f,
        )
        for unit, f in _OTHER_UNITS.items()
        if _plausible(usual * f, length * f)
    ]
    if fitting:
        _, unit, factor = min(fitting)
        raise InputError(
            f"the numbers look like {unit}, not mm",
            field="x_mm,y_mm,z_mm,radius_mm",
            value=f"usual radius {usual:.3g}, length {length:.3g}",
            allowed=f"mm: multiply every column by {factor:g}",
            where=str(file),
        )
    low, high = USUAL_RADIUS_MM
    if not low <= usual <= high:
        raise InputError(
            "the usual lumen radius is not that of a coronary artery",
            field="radius_mm",
            value=round(usual, 4),
            allowed=f"half of the radii between {low:g} and {high:g} mm (radius, not diameter)",
            where=str(file),
        )
    if radius.max() > WIDEST_RADIUS_MM:
        raise InputError(
            "a lumen radius is wider than a coronary artery",
            field="radius_mm",
            value=float(radius.max()),
            allowed=f"up to {WIDEST_RADIUS_MM:g} mm (radius, not diameter)",
            where=str(file),
        )
    raise InputError(
        "the length is not that of a coronary artery",
        field="length_mm",
        value=round(length, 2),
        allowed=f"{LENGTH_MM[0]:g} to {LENGTH_MM[1]:g} mm along the points",
        where=str(file),
    )


def _plausible(radius_mm: float, length_mm: float) -> bool:
    return USUAL_RADIUS_MM[0] <= radius_mm <= USUAL_RADIUS_MM[1] and LENGTH_MM[0] <= length_mm <= LENGTH_MM[1]


def _check_spacing(file: Path, steps: FloatArray, lines: list[int]) -> None:
    widest = int(np.argmax(steps))
    if steps[widest] > WIDEST_STEP_MM:
        raise InputError(
            "the gap before this point is too wide to bridge",
            field="x_mm,y_mm,z_mm",
            value=f"{steps[widest]:.1f} mm",
            allowed=f"up to {WIDEST_STEP_MM:g} mm between points",
            where=f"{file}:{lines[widest + 1]}",
        )
    usual = float(np.median(steps))
    if usual > USUAL_STEP_MM:
        raise InputError(
            "the points are too far apart to show the bends",
            field="x_mm,y_mm,z_mm",
            value=f"usually {usual:.1f} mm",
            allowed=f"usually up to {USUAL_STEP_MM:g} mm between points",
            where=str(file),
        )


def _check_loops(file: Path, points: FloatArray, radius: FloatArray, lines: list[int]) -> None:
    """Refuse a centreline that comes back inside its own lumen: rows out of order, or a crossed tracing."""
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    # At most one point per half millimetre, so that a dense file does not make millions of pairs.
    chosen = np.unique(np.searchsorted(along, np.arange(0.0, along[-1], 0.5)))
    some, reach = points[chosen], radius[chosen]
    pairs = cKDTree(some).query_pairs(float(reach.max()), output_type="ndarray")
    i, j = pairs.min(axis=1), pairs.max(axis=1)
    far = along[chosen[j]] - along[chosen[i]] > LOOP_BEYOND_MM
    distance = np.linalg.norm(some[i] - some[j], axis=1)
    inside = np.flatnonzero(far & (distance < np.minimum(reach[i], reach[j])))
    if len(inside):
        first = inside[np.argmin(j[inside])]
        raise InputError(
            f"the path comes back to where it was at line {lines[chosen[i[first]]]}",
            field="x_mm,y_mm,z_mm",
            value=f"{distance[first]:.2f} mm from itself",
            allowed="points in order along one vessel, further from each other than the lumen radius",
            where=f"{file}:{lines[chosen[j[first]]]}",
        )


def _check_errors(file: Path, radius_sd: FloatArray, lines: list[int]) -> None:
    bad = np.flatnonzero(radius_sd < 0.0)
    if len(bad):
        raise InputError(
            "an error cannot be negative",
            field="radius_sd_mm",
            value=float(radius_sd[bad[0]]),
            allowed="0 mm or more",
            where=f"{file}:{lines[bad[0]]}",
        )
