"""Cases pooled from the command line: a priors file that a case reads, what is refused, and that nothing is claimed from little."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from backstay.adapters.events_file import events_path
from backstay.adapters.priors_file import read_priors
from backstay.app.learning.tried import path_sha256
from backstay.app.loading import load_case
from backstay.cli import app
from backstay.errors import InputError, NotFound

PRIORS = """schema = 1
title = "priors of an invented lab"
cases = 40
attempts = 71
seed = 1
[draws.guide_hold_N]
median = 0.8
spread = 0.3
narrowed = 0.6
[lesion_factor.severe]
median = 1.4
spread = 0.4
narrowed = 0.3
[lesion_factor.mild]
median = 0.9
spread = 0.4
narrowed = 0.3
"""


def invoke(*words: str | Path) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def copied(demo_dir: Path, folder: Path, *, attempt: bool) -> Path:
    shutil.copytree(demo_dir, folder)
    case = folder / "case.toml"
    if attempt:
        loaded = load_case(case)
        event = {
            "schema": 1,
            "id": f"{folder.name}-a",
            "at": "2031-04-05T09:30:00+02:00",
            "author_role": "recorder",
            "kind": "attempt",
            "device": loaded.device.id,
            "outcome": "stopped",
            "stopped_at_mm": 55.0,
            "limited_by": "guide_out",
            "rig": "as_it_is",
            "path_sha256": path_sha256(loaded),
        }
        events_path(case).write_text(json.dumps(event) + "\n")
    return case


def test_two_cases_claim_nothing_and_say_so(demo_dir: Path, tmp_path: Path) -> None:
    cases = [copied(demo_dir, tmp_path / name, attempt=True) for name in ("one", "two")]
    bare = copied(demo_dir, tmp_path / "bare", attempt=False)
    result = invoke("pool", *cases, bare, "--to", tmp_path / "priors.toml")
    assert result.exit_code == 0, result.output
    said = " ".join(result.output.split())
    assert "2 attempts of 2 cases" in said and "not known from" in said and "no attempt that counts" in said
    priors = read_priors(tmp_path / "priors.toml")
    assert priors.draws == {} and priors.lesion_factor == {}
    assert {row.input for row in priors.not_known} >= {"guide_hold_N", "lesion_factor severe"}


def test_a_case_reads_its_labs_priors_and_its_own_draws_come_first(demo_dir: Path, tmp_path: Path) -> None:
    case = copied(demo_dir, tmp_path / "demo", attempt=False)
    (case.parent / "priors.toml").write_text(PRIORS)
    text = case.read_text().replace(
        'shelf = "shelf.toml"\n', 'shelf = "shelf.toml"\npriors = "priors.toml"\n', 1
    )
    case.write_text(text)
    loaded = load_case(case)
    assert loaded.draw_overrides == {"guide_hold_N": (0.8, 0.3), "lesion_factor": (1.4, 0.4)}
    assert case.parent / "priors.toml" in loaded.inputs
    case.write_text(text + "\n[draws]\nguide_hold_N = { median = 2.0, spread = 0.2 }\n")
    assert load_case(case).draw_overrides["guide_hold_N"] == (2.0, 0.2)
    (case.parent / "priors.toml").write_text(PRIORS.replace("guide_hold_N", "guide_luck"))
    with pytest.raises(NotFound, match="no such uncertain input"):
        load_case(case)
    (case.parent / "priors.toml").unlink()
    with pytest.raises(NotFound, match="no such file"):
        load_case(case)


def test_what_is_refused(demo_dir: Path, tmp_path: Path) -> None:
    case = copied(demo_dir, tmp_path / "demo", attempt=False)
    twice = invoke("pool", case, case)
    assert twice.exit_code == 5 and "given twice" in twice.output
    tried = copied(demo_dir, tmp_path / "tried", attempt=True)
    shutil.copytree(tried.parent, tmp_path / "kept")
    copy = invoke("pool", tried, tmp_path / "kept" / "case.toml")
    assert copy.exit_code == 5 and "one is a copy of the other" in " ".join(copy.output.split())
    nothing = invoke("pool", case, "--to", tmp_path / "priors.toml")
    assert nothing.exit_code == 5 and "no case has an attempt that counts" in nothing.output
    assert not (tmp_path / "priors.toml").exists()
    (tmp_path / "bad.toml").write_text("schema = 1\n")
    with pytest.raises(InputError):
        read_priors(tmp_path / "bad.toml")
