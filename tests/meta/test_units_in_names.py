"""Dimensional names in core end in their unit."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "src" / "backstay" / "core").rglob("*.py"))

QUANTITIES = {
    *("radius", "diameter", "length", "depth", "force", "load", "push", "pull"),
    *("stiffness", "pressure", "angle", "curvature"),
}
UNIT = re.compile(
    r"_(mm[234]?|px|per_mm|N|Nmm2?|N_per_mm|MPa|mmHg|atm|rad|deg|fr|cm|in|s|min|mL|mGy|kg|g|y)$"
)
# A name that ends so is a number without a unit, or a count.
DIMENSIONLESS = re.compile(r"_(ratio|factor|fraction|share|count|index|scale|power|sd)$")


def float_names(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield parameters and class fields annotated as float, or as arrays of it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.arg) and node.annotation is not None:
            annotated, name = node.annotation, node.arg
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            annotated, name = node.annotation, node.target.id
        else:
            continue
        if "float" in ast.unparse(annotated).lower():
            yield node.lineno, name


def offences(source: str) -> list[str]:
    return [
        f"line {line}: {name}"
        for line, name in float_names(ast.parse(source))
        if QUANTITIES & set(name.split("_")) and not UNIT.search(name) and not DIMENSIONLESS.search(name)
    ]


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_names_end_in_their_unit(path: Path) -> None:
    assert offences(path.read_text()) == []


@pytest.mark.parametrize(
    "source",
    [
        "def f(radius: float): ...",
        "def f(*, bed_stiffness: FloatArray): ...",
        "class Bend:\n    angle: float | None = None",
        "class Bend:\n    length_along: NDArray[np.float64]",
    ],
)
def test_a_missing_unit_is_seen(source: str) -> None:
    assert offences(source) != []


@pytest.mark.parametrize(
    "source",
    [
        "def f(radius_mm: float, bed_stiffness_MPa: FloatArray, curvature_per_mm: float): ...",
        "def f(stiffness_factor: float, length: int, friction: float): ...",
    ],
)
def test_what_is_allowed_passes(source: str) -> None:
    assert offences(source) == []
