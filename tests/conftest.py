"""Shared fixtures of paths, and one deterministic profile for property tests."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parents[1]

# The same examples on every run, none kept between runs, and no clock: a slow machine is not a failure.
settings.register_profile("house", derandomize=True, database=None, deadline=None)
settings.load_profile("house")


@pytest.fixture(scope="session")
def root() -> Path:
    """Return the root of the repository."""
    return ROOT


@pytest.fixture(scope="session")
def demo_dir(root: Path) -> Path:
    """Return the folder of the demo case."""
    return root / "examples" / "demo"


@pytest.fixture(scope="session")
def shared_dir(root: Path) -> Path:
    """Return the folder of shared reference data beside the repository; skips where there is none."""
    folder = root.parent / "shared"
    if not folder.is_dir():
        pytest.skip("no folder of shared reference data beside the repository")
    return folder
