"""The pages' scripts: compiled from the sources beside them, small, and quiet about the outside."""

from __future__ import annotations

import gzip
import re
import shutil
import subprocess
from pathlib import Path

import pytest

LARGEST_KB = 150
"""All scripts of ours together, compressed."""


def compiler(root: Path) -> list[str]:
    """Return the TypeScript compiler, fetched by its lock file where it is missing; skips where that cannot be."""
    found = root / "frontend" / "node_modules" / "typescript" / "bin" / "tsc"
    if shutil.which("node") is None:
        pytest.skip(
            "node is not installed (tools/system-packages installs it on Debian): scripts not compared"
        )
    if not found.exists():
        if shutil.which("npm") is None:
            pytest.skip("npm is not installed, and the compiler not fetched: scripts not compared")
        fetched = subprocess.run(
            ["npm", "ci", "--ignore-scripts"], cwd=root / "frontend", capture_output=True, text=True
        )
        if fetched.returncode != 0:
            pytest.skip(f"the compiler could not be fetched: {fetched.stderr.strip()[-200:]}")
    return ["node", str(found)]


def scripts(folder: Path) -> dict[str, str]:
    return {file.name: file.read_text(encoding="utf-8") for file in folder.glob("*.js")}


def test_the_scripts_are_compiled_from_their_sources(root: Path, tmp_path: Path) -> None:
    done = subprocess.run(
        [*compiler(root), "-p", str(root / "frontend"), "--outDir", str(tmp_path)],
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout
    assert scripts(tmp_path) == scripts(root / "src" / "backstay" / "web" / "static"), "run make frontend"


def test_a_type_that_does_not_fit_is_seen(root: Path, tmp_path: Path) -> None:
    tsc = compiler(root)
    sources = tmp_path / "src"
    shutil.copytree(root / "frontend" / "src", sources)
    shutil.copy(root / "frontend" / "tsconfig.json", tmp_path)
    with (sources / "main.ts").open("a") as file:
        file.write("export const wrong: number = wordsOf(null);\n")
    done = subprocess.run(
        [*tsc, "-p", str(tmp_path), "--outDir", str(tmp_path / "out")], capture_output=True, text=True
    )
    assert done.returncode != 0 and "main.ts" in done.stdout


def test_the_scripts_are_small(root: Path) -> None:
    together = "".join(scripts(root / "src" / "backstay" / "web" / "static").values()).encode()
    assert 1_000 < len(gzip.compress(together)) < LARGEST_KB * 1024


def test_no_page_names_an_address_elsewhere(root: Path) -> None:
    static = root / "src" / "backstay" / "web" / "static"
    for file in static.iterdir():
        # The name of a kind of markup is no address: nothing is asked of it.
        text = file.read_text(encoding="utf-8").replace('"http://www.w3.org/2000/svg"', '""')
        assert not re.search(
            r"https?://|//[a-z0-9-]+\.[a-z]{2,}/|\beval\(|new Function|innerHTML\s*=(?!\s*policy)", text
        ), file
