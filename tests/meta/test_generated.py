"""Generated files (JSON Schemas, generated documents) are current."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


def test_generated_files_are_current(root: Path) -> None:
    script = root / "tools" / "generate.py"
    if not script.exists():
        pytest.skip("tools/generate.py does not exist yet")
    result = subprocess.run([sys.executable, script, "--check"], cwd=root, capture_output=True, text=True)
    assert result.returncode == 0, "run make docs\n" + result.stdout + result.stderr
