"""What a newcomer gets: the two commands, the licence, locked packages, and a wheel with everything in it."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest


def locked(text: str) -> dict[str, bool]:
    """Return the packages of a lock file, and whether each carries hashes."""
    entries = re.split(r"^(?=[A-Za-z0-9])", text, flags=re.MULTILINE)[1:]
    return {entry.split("==")[0].lower(): "--hash=sha256:" in entry for entry in entries}


def names(requirements: list[str]) -> set[str]:
    return {re.split(r"[^A-Za-z0-9._-]", requirement)[0].lower() for requirement in requirements}


def test_the_licence_is_here(root: Path) -> None:
    assert "Apache License\n" in (root / "LICENSE").read_text()
    assert tomllib.loads((root / "pyproject.toml").read_text())["project"]["license"] == "Apache-2.0"


def test_the_readme_names_commands_that_exist(root: Path) -> None:
    named = set(re.findall(r"\bmake ([a-z]+)", (root / "README.md").read_text()))
    targets = set(re.findall(r"^([a-z]+):", (root / "Makefile").read_text(), re.MULTILINE))
    assert {"demo", "test"} <= named <= targets


@pytest.mark.parametrize(("lock", "groups"), [("runtime", ["build"]), ("dev", ["build", "dev"])])
def test_every_package_is_locked_with_hashes(root: Path, lock: str, groups: list[str]) -> None:
    project = tomllib.loads((root / "pyproject.toml").read_text())
    wanted = names(project["project"]["dependencies"])
    wanted |= names([requirement for group in groups for requirement in project["dependency-groups"][group]])
    text = (root / "requirements" / f"{lock}.lock").read_text()
    assert wanted <= locked(text).keys()
    assert all(locked(text).values())
    assert "://" not in text


def test_a_package_without_hashes_is_seen() -> None:
    text = "numpy==2.0 \\\n    --hash=sha256:aa\n    # via scipy\nscipy==1.0\n    # via x\n"
    assert locked(text) == {"numpy": True, "scipy": False}


def test_the_wheel_holds_the_package_its_data_and_the_demo(root: Path, tmp_path: Path) -> None:
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    result = subprocess.run(build, cwd=root, capture_output=True, text=True)
    assert result.returncode == 0, result.stdout + result.stderr
    inside = set(zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist())
    package = [
        p for p in (root / "src" / "backstay").rglob("*") if p.is_file() and "__pycache__" not in p.parts
    ]
    expected = {
        path.relative_to(root / "src").as_posix() for path in package if path.suffix not in {".nbi", ".nbc"}
    }
    demo = root / "examples" / "demo"
    expected |= {
        f"backstay/_examples/demo/{path.relative_to(demo).as_posix()}"
        for path in demo.rglob("*")
        if path.is_file()
    }
    assert any(name.startswith("backstay/_examples/demo/") for name in expected)
    assert expected - inside == set()
