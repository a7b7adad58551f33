"""docs/validation.md was written from the model as it stands."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path


def check(root: Path) -> subprocess.CompletedProcess[str]:
    script = root / "tools" / "evidence.py"
    return subprocess.run([sys.executable, script, "--check"], cwd=root, capture_output=True, text=True)


def test_validation_page_is_current(root: Path) -> None:
    result = check(root)
    assert result.returncode == 0, "run make evidence\n" + result.stdout + result.stderr


def test_a_changed_model_is_noticed(root: Path, tmp_path: Path) -> None:
    for name in ("src", "evidence", "tools", "examples", "docs"):
        shutil.copytree(
            root / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", ".mypy_cache")
        )
    solving = tmp_path / "src" / "backstay" / "app" / "solving.py"
    solving.write_text(solving.read_text() + "\n# changed\n")
    result = check(tmp_path)
    assert result.returncode == 1
    assert "validation.md" in result.stdout


def test_a_missing_page_is_noticed(root: Path, tmp_path: Path) -> None:
    for name in ("src", "evidence", "tools", "examples"):
        shutil.copytree(
            root / name, tmp_path / name, ignore=shutil.ignore_patterns("__pycache__", ".mypy_cache")
        )
    result = check(tmp_path)
    assert result.returncode == 1
    assert "missing" in result.stdout
