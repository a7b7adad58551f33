"""The demo case in a folder of its own."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest


@pytest.fixture
def folder(demo_dir: Path, tmp_path: Path) -> Path:
    return shutil.copytree(demo_dir, tmp_path / "case")
