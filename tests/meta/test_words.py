"""Files speak of the project alone: no paths of a machine, no talk of the work itself, no loose ends."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

# Written so that this file does not match itself.
PATTERNS = {
    "a path of a machine": r"(?<![\w.])/(?:work|tmp|root|home)/",
    "a tracker's number": r"(?i)\bissue[ ]#",
    "talk of the work": r"(?i)\bsession[s]?\b",
    "a loose end without a reason": r"\b(?:TO[D]O|FIX[M]E|HA[C]K)\b(?!: \w.{10,})",
}
# pytest's own word for the lifetime of a fixture.
ALLOWED = re.compile(r'scope="\w+"')


def offences(text: str) -> list[str]:
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        line = ALLOWED.sub("", line)
        found += [f"line {number}: {what}" for what, pattern in PATTERNS.items() if re.search(pattern, line)]
    return found


def project_files(root: Path) -> list[Path]:
    """Return the files git holds or would take; skips outside a checkout."""
    if not (root / ".git").exists():
        pytest.skip("not a git checkout: nothing says which files belong to the project")
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=root,
        capture_output=True,
        text=True,
        check=True,
    )
    return [path for name in listing.stdout.split("\0") if name and (path := root / name).is_file()]


def test_files_speak_of_the_project_alone(root: Path) -> None:
    found = []
    for path in project_files(root):
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        found += [f"{path.relative_to(root)}: {offence}" for offence in offences(text)]
    assert found == []


@pytest.mark.parametrize(
    "line",
    [
        "see /" + "tmp/out.png",
        "read '/" + "home/someone/case.toml'",
        "fixes issue" + " #12",
        "left for the next sess" + "ion",
        "# TO" + "DO",
        "# TO" + "DO: later",
    ],
)
def test_an_offence_is_seen(line: str) -> None:
    assert len(offences(line)) == 1


@pytest.mark.parametrize(
    "line",
    [
        '@pytest.fixture(scope="sess' + 'ion")',
        "src/work/path.py",
        "# TO" + "DO: solve Q with the shape once it is stable",
    ],
)
def test_what_is_allowed_passes(line: str) -> None:
    assert offences(line) == []
