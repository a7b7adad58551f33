"""Imports go one way (contract in pyproject.toml)."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest


def lint_imports(project: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-cache"],
        cwd=project,
        env={**os.environ, "PYTHONPATH": str(project / "src"), "NO_COLOR": "1"},
        capture_output=True,
        text=True,
    )


@pytest.fixture
def copy(root: Path, tmp_path: Path) -> Path:
    """Return a copy of what the contract reads, to break."""
    shutil.copy(root / "pyproject.toml", tmp_path)
    shutil.copytree(root / "src", tmp_path / "src", ignore=shutil.ignore_patterns("__pycache__"))
    return tmp_path


def test_the_layers_hold(root: Path) -> None:
    result = lint_imports(root)
    assert result.returncode == 0, result.stdout + result.stderr


@pytest.mark.parametrize(
    ("module", "line"),
    [
        ("core/planted.py", "import backstay.adapters\n"),
        ("core/planted.py", "from backstay import app\n"),
        ("app/planted.py", "import backstay.report\n"),
        ("errors.py", "import backstay.core\n"),
        ("newcomer.py", "\n"),
    ],
    ids=["core to adapters", "core to app", "app to report", "errors to core", "module without a layer"],
)
def test_a_breach_is_seen(copy: Path, module: str, line: str) -> None:
    with (copy / "src" / "backstay" / module).open("a") as file:
        file.write(line)
    result = lint_imports(copy)
    assert result.returncode == 1, result.stdout + result.stderr
    assert "1 broken" in result.stdout or "planted" in result.stdout or "newcomer" in result.stdout
