"""Core takes values and gives values back: no files, clock, printing, or state of its own."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FILES = sorted((ROOT / "src" / "backstay" / "core").rglob("*.py"))
RUFF = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["ruff"]["lint"]
RUFF_CHECK = [Path(sys.executable).with_name("ruff"), "check", "--no-cache"]
BANNED_MODULES = RUFF["flake8-tidy-imports"]["banned-api"].keys()
BANNED_CALLS = {"open", "print", "input", "eval", "exec", "breakpoint"}
MUTATING = {
    "append",
    "extend",
    "insert",
    "add",
    "update",
    "setdefault",
    "pop",
    "popitem",
    "remove",
    "clear",
    "sort",
}


def imported(tree: ast.Module) -> Iterator[tuple[int, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.lineno, node.module or ""


def root_name(node: ast.expr) -> str:
    """Return the name a chain of subscripts and attributes hangs on: `TABLE` for `TABLE[0].x`."""
    while isinstance(node, ast.Subscript | ast.Attribute):
        node = node.value
    return node.id if isinstance(node, ast.Name) else ""


def module_names(tree: ast.Module) -> set[str]:
    """Return the names assigned at module level."""
    names = set()
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
        names |= {target.id for target in targets if isinstance(target, ast.Name)}
    return names


def changed_globals(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield places inside functions where a module-level name is rebound, written into or mutated."""
    names = module_names(tree)
    functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef)]
    for function in functions:
        local = {a.arg for a in (*function.args.args, *function.args.kwonlyargs, *function.args.posonlyargs)}
        local |= {
            n.id for n in ast.walk(function) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store)
        }
        for node in ast.walk(function):
            if isinstance(node, ast.Global):
                yield node.lineno, "global " + ", ".join(node.names)
            elif isinstance(node, ast.Subscript | ast.Attribute) and isinstance(
                node.ctx, ast.Store | ast.Del
            ):
                if root_name(node) in names - local:
                    yield node.lineno, f"writes into {root_name(node)}"
            elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                if node.func.attr in MUTATING and root_name(node.func) in names - local:
                    yield node.lineno, f"{root_name(node.func)}.{node.func.attr}()"


def offences(source: str) -> list[str]:
    tree = ast.parse(source)
    found = [
        (line, f"imports {name}") for line, name in imported(tree) if name.split(".")[0] in BANNED_MODULES
    ]
    found += [
        (node.lineno, f"calls {node.func.id}()")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in BANNED_CALLS
    ]
    found += changed_globals(tree)
    return [f"line {line}: {what}" for line, what in sorted(found)]


def test_there_is_a_core_to_check() -> None:
    assert len(FILES) > 5


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_core_is_pure(path: Path) -> None:
    assert offences(path.read_text()) == []


@pytest.mark.parametrize(
    "source",
    [
        "import datetime",
        "from time import monotonic",
        "def f():\n    import os.path",
        "def f(x):\n    print(x)",
        "def f(p):\n    return open(p).read()",
        "N = 0\ndef f():\n    global N\n    N += 1",
        "_SEEN: dict[str, int] = {}\ndef f(k):\n    _SEEN[k] = 1",
        "SEEN = []\ndef f(k):\n    SEEN.append(k)",
        "OPTIONS = make()\ndef f(k):\n    OPTIONS.depth = k",
    ],
)
def test_an_offence_is_seen(source: str) -> None:
    assert offences(source) != []


@pytest.mark.parametrize(
    "source",
    [
        "TABLE = {1: 2}\ndef f(k):\n    return TABLE[k]",
        "def f(n):\n    rows = []\n    rows.append(n)\n    return rows",
    ],
)
def test_constants_and_locals_are_allowed(source: str) -> None:
    assert offences(source) == []


@pytest.mark.parametrize(
    ("folder", "expected"),
    [("core", True), ("app", False)],
    ids=["core is held to it", "other layers are not"],
)
def test_ruff_holds_core_to_its_list_of_imports(folder: str, expected: bool) -> None:
    name = f"src/backstay/{folder}/planted.py"
    result = subprocess.run(
        [*RUFF_CHECK, "--select", "TID251", "--stdin-filename", name, "-"],
        input="import pathlib\n",
        cwd=ROOT,
        capture_output=True,
        text=True,
    )
    assert ("TID251" in result.stdout) is expected
