"""Public functions of core are documented as they are; doctests exist and run."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import pkgutil
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import backstay

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "src" / "backstay" / "core").rglob("*.py"))
# Raise it as examples are added; it only keeps them from vanishing unseen.
LEAST_DOCTEST_EXAMPLES = 38

Function = ast.FunctionDef | ast.AsyncFunctionDef


def sections(docstring: str) -> dict[str, list[str]]:
    """Return the lines of each numpydoc section by its heading."""
    found: dict[str, list[str]] = {}
    lines = inspect.cleandoc(docstring).splitlines()
    current: list[str] = []
    for line, below in zip(lines, [*lines[1:], ""], strict=True):
        if re.fullmatch(r"-{3,}", below) and len(below) == len(line):
            current = found.setdefault(line, [])
        elif not re.fullmatch(r"-{3,}", line):
            current.append(line)
    return found


def documented_names(lines: list[str]) -> list[str]:
    """Return the names of a Parameters section in order; `a, b : float` names two."""
    heads = [line.split(":")[0] for line in lines if line and not line[0].isspace()]
    return [name.strip().lstrip("*") for head in heads for name in head.split(",")]


def signature_names(function: Function) -> list[str]:
    a = function.args
    every = [*a.posonlyargs, *a.args, a.vararg, *a.kwonlyargs, a.kwarg]
    return [arg.arg for arg in every if arg is not None and arg.arg not in {"self", "cls"}]


def public_functions(tree: ast.Module) -> Iterator[Function]:
    for node in tree.body:
        if isinstance(node, Function) and not node.name.startswith("_"):
            yield node


def offences(source: str) -> list[str]:
    found = []
    for function in public_functions(ast.parse(source)):
        docstring = ast.get_docstring(function)
        if docstring is None:
            found.append(f"{function.name}: no docstring")
            continue
        parts = sections(docstring)
        documented, actual = documented_names(parts.get("Parameters", [])), signature_names(function)
        if documented != actual:
            found.append(f"{function.name}: Parameters name {documented}, the signature {actual}")
        returns_none = function.returns is not None and ast.unparse(function.returns) == "None"
        if not returns_none and not {"Returns", "Yields"} & parts.keys():
            found.append(f"{function.name}: no Returns")
    return found


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_docstrings_match_signatures(path: Path) -> None:
    assert offences(path.read_text()) == []


GOOD = '''
def spare(lumen_mm: float, *, device_mm: float, wires: int = 0) -> float:
    """Return the room left.

    Parameters
    ----------
    lumen_mm, device_mm : float
        Diameters [mm].
    wires : int
        How many.

    Returns
    -------
    float
        Room [mm].
    """
'''


def test_a_good_docstring_passes() -> None:
    assert offences(GOOD) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("    lumen_mm, device_mm : float", "    lumen_mm : float"),
        ("    wires : int", "    wire : int"),
        ("wires: int = 0", "wires: int = 0, seat_mm: float = 0.0"),
        ("    Returns\n    -------", "    Notes\n    -----"),
        ('"""', "#"),
    ],
    ids=["one left out", "misnamed", "undocumented", "no returns", "no docstring"],
)
def test_a_bad_docstring_is_seen(old: str, new: str) -> None:
    assert old in GOOD
    source = (
        GOOD.replace(old, new)
        if new != "#"
        else "def spare(lumen_mm: float) -> float:\n    return lumen_mm\n"
    )
    assert offences(source) != []


def doctest_examples() -> int:
    """Return how many doctest examples the package holds where pytest finds and runs them."""
    finder = doctest.DocTestFinder(exclude_empty=True)
    names = [m.name for m in pkgutil.walk_packages(backstay.__path__, "backstay.")]
    return sum(
        len(test.examples)
        for name in names
        for test in finder.find(importlib.import_module(name))
        if test.examples
    )


def test_doctests_have_not_vanished() -> None:
    assert doctest_examples() >= LEAST_DOCTEST_EXAMPLES
