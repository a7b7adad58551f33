"""A lab's protocol: the file's defaults are the program's, its edges reach the rules, mistakes are named."""

from __future__ import annotations

import runpy
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from backstay.adapters.protocol_file import read_protocol
from backstay.core.safety.attention import judged
from backstay.core.safety.hazards import HAZARDS
from backstay.core.safety.now import now_after
from backstay.core.safety.protocol import HazardProtocol, Protocol
from backstay.core.safety.radiation import radiation_levels
from backstay.core.safety.setting import Setting
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import Whose

H = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "hazard_cases.py")))


def read(tmp_path: Path, text: str) -> Protocol:
    file = tmp_path / "lab.toml"
    file.write_text(f'schema = 1\nname = "Invented lab"\n{text}\n')
    return read_protocol(file)


def test_an_empty_protocol_is_the_programs_own(tmp_path: Path) -> None:
    assert read(tmp_path, "") == Protocol(name="Invented lab")


def test_what_the_file_says_is_the_labs_and_the_rest_is_not(tmp_path: Path) -> None:
    """Even a value that is the program's own: the lab has decided on it."""
    lab = read(tmp_path, "[radiation]\nsubstantial_mGy = 5000\nfirst_notice_mGy = 2500\n[contrast]")
    assert lab.set_by_lab == {"radiation.substantial_mGy", "radiation.first_notice_mGy"}
    kerma, area, _ = radiation_levels(lab, air_kerma_mGy=1.0, kap_Gycm2=1.0, fluoroscopy_min=1.0)
    assert (kerma.source, kerma.notice_source) == (Whose.LAB, "aapm2022")  # half of the notices is not all
    assert (area.source, area.notice_source) == ("ncrp168", "ncrp168")
    own = Setting(protocol=lab)
    assert {rule.id for rule in HAZARDS if own.source_of(rule) == Whose.LAB} == {"kerma_substantial"}
    assert not {rule.id for rule in HAZARDS if Setting().source_of(rule) == Whose.LAB}


@pytest.mark.parametrize(
    ("name", "table"),
    [
        ("act_overdue", "[heparin]\noverdue_after_min = 25"),
        ("kerma_notice", "[radiation]\nfirst_notice_mGy = 2000\nnext_notice_mGy = 500"),
        ("kap_substantial", "[radiation]\nsubstantial_kap_Gycm2 = 400"),
        ("fluoroscopy_substantial", "[radiation]\nsubstantial_fluoroscopy_min = 50"),
        ("anchor_hard_in_small_branch", "[hazards]\nanchor_atm = 7"),
        ("burr_run_too_long", "[hazards]\nburr_run_s = 15"),
        ("long_ischaemia", "[hazards]\nblocked_s = 90"),
    ],
)
def test_a_level_the_lab_sets_makes_the_hazard_its_own(tmp_path: Path, name: str, table: str) -> None:
    rule = next(rule for rule in HAZARDS if rule.id == name)
    assert Setting(protocol=read(tmp_path, table)).source_of(rule) == Whose.LAB
    assert Setting(protocol=read(tmp_path, "")).source_of(rule) == rule.source != Whose.LAB


@pytest.mark.parametrize("table", [f.name for f in fields(Protocol) if f.name not in ("name", "set_by_lab")])
def test_every_value_can_be_set(tmp_path: Path, table: str) -> None:
    default = getattr(Protocol(), table)
    assert is_dataclass(default)
    for one in fields(default):
        value = getattr(default, one.name)
        changed = (
            {"unknown": "lower reading", "the smaller": "on the dose"}.get(value)
            if isinstance(value, str)
            else value * 1.05
        )
        if isinstance(changed, float) and (one.name.endswith("share") or one.name == "table_factor"):
            changed = 0.9
        text = f'"{changed}"' if isinstance(changed, str) else repr(changed)
        found = getattr(read(tmp_path, f"[{table}]\n{one.name} = {text}"), table)
        assert found == replace(default, **{one.name: changed})


@pytest.mark.parametrize(
    ("text", "error", "field"),
    [
        ("[contrast]\nclearance_time = 3", FileFormatError, "contrast.clearance_time"),
        ("[contrast]\nclearance_times = 30", InputError, "contrast.clearance_times"),
        ('[heparin]\ninstrument = "mine"', InputError, "heparin.instrument"),
        ("[skin]\ntable_factor = true", FileFormatError, "skin.table_factor"),
        ("[colours]\nx = 1", FileFormatError, "colours"),
    ],
)
def test_mistakes_are_named(tmp_path: Path, text: str, error: type[InputError], field: str) -> None:
    with pytest.raises(error) as caught:
        read(tmp_path, text)
    assert caught.value.field == field and str(tmp_path / "lab.toml") in caught.value.where


def test_the_labs_edges_reach_the_rules() -> None:
    base = H.setting()
    entries = [H.entry(text, at_min=0.1 * k) for k, text in enumerate(H.BASE)]
    now, step = now_after(entries, base.kinds), H.entry(H.ANCHOR, at_min=1)
    soft = replace(base, protocol=Protocol(hazards=HazardProtocol(anchor_atm=5.0)))
    assert "anchor_hard_in_small_branch" not in {one.rule.id for one in judged(now, step, base)}
    assert "anchor_hard_in_small_branch" in {one.rule.id for one in judged(now, step, soft)}
