"""The trials in which an independent rod plays nature, at reduced size: its vessels are ours, its plays repeat, the numbers add up."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from evidence import wrong_model

from backstay.adapters.shelf_file import read_shelf
from backstay.app.learning.tried import options_at
from backstay.core.rigging.devices import Stent, Wire

FOLDER = Path(__file__).parent / "exact_rod"
NAMES = ("as_it_is", "extension_28mm")


@pytest.fixture(scope="module")
def natures() -> ModuleType:
    """Return the generator beside the data."""
    spec = importlib.util.spec_from_file_location("natures", FOLDER / "natures.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    before = list(sys.path)
    spec.loader.exec_module(module)
    sys.path[:] = before
    return module


@pytest.fixture(scope="module")
def trials(root: Path) -> wrong_model.Trials:
    """Return one vessel with two rigs."""
    return wrong_model.trials(root, NAMES, ["crook"])


def test_the_file_is_what_its_generator_asks_for(root: Path, natures: ModuleType) -> None:
    held = wrong_model.read(root)
    wanted = natures.truths()
    assert len(held["natures"]) == len(wanted) == natures.NATURES
    for have, want in zip(held["natures"], wanted, strict=True):
        assert {name: have[name] for name in want} == want
        assert have["change_with_half_the_link_N"] < 0.02
    assert held["rigs"] == natures.RIGS and held["vessels"] == natures.VESSELS


def test_both_have_the_same_device_wire_and_vessel(root: Path, natures: ModuleType) -> None:
    held, devices = wrong_model.read(root), read_shelf(root / "examples" / "demo" / "shelf.toml").devices
    stent, wire = devices[wrong_model.DEVICE], devices["wire-workhorse"]
    assert isinstance(stent, Stent) and isinstance(wire, Wire)
    assert np.allclose(stent.profile.behind_tip_mm, held["device"]["behind_mm"])
    assert np.allclose(stent.profile.radius_mm, held["device"]["radius_mm"])
    assert np.allclose(stent.profile.stiffness_Nmm2, held["device"]["stiffness_Nmm2"])
    assert np.allclose(
        wire.profile.stiffness_at_Nmm2(np.array([0.0, 10.0, 70.0])), held["wire"]["stiffness_Nmm2"]
    )
    for pieces in held["vessels"].values():
        ours = wrong_model.vessel(held, pieces)
        theirs = natures.rod.VesselPath(pieces).point(ours.s_mm)
        # Chords of 0.05 mm stand for arcs of 11 mm or more.
        assert np.abs(ours.points_mm - theirs).max() < 0.01


def test_the_shelf_gives_every_rig_that_the_rod_was_solved_for(root: Path) -> None:
    held = wrong_model.read(root)
    assert set(wrong_model.SHAPES.values()) == set(held["rigs"])
    for name in held["vessels"]:
        options = {one.id: one for one in options_at(wrong_model.case_of(root, held, name))}
        for rig, shape in wrong_model.SHAPES.items():
            begins = max(options[rig].rig.seat_mm, options[rig].rig.extension_depth_mm)
            assert begins == held["rigs"][shape]["from_mm"]
            assert 1 + len(options[rig].rig.buddies) == held["rigs"][shape]["wires"]


def test_a_case_repeats_and_nobody_beats_the_oracle(trials: wrong_model.Trials) -> None:
    found = [
        wrong_model.one(trials, k, particles=128)
        for k in range(0, len(trials.natures) * wrong_model.CASES, 6)
    ]
    assert found[1] == wrong_model.one(trials, 6, particles=128)
    for one in found:
        for policy in wrong_model.POLICIES:
            assert one.ways["oracle"].minutes <= one.ways[policy].minutes + 1e-9
        assert all(0.0 < chance < 1.0 for chance in one.first.values())
        assert len(one.predicted) == one.ways["learn"].tries
    ends = np.array([one.ends["as_it_is"] for one in found])
    assert 0 < ends.sum() < len(ends)


def test_needs_are_read_at_the_rods_own_places_and_loads(trials: wrong_model.Trials) -> None:
    held, nature = trials.held, trials.natures[0]
    row, places = nature["rigs"]["plain"], np.array(held["rigs"]["plain"]["tips_mm"])
    for k, load in enumerate(held["loads_N"][:3]):
        need, lost = wrong_model._exact(places, held["loads_N"], row, places, np.full(len(places), load))
        told = [at[k] for at in row["need_N"]]
        assert [n for n, gone in zip(need, lost, strict=True) if not gone] == pytest.approx(
            [t for t, gone in zip(told, lost, strict=True) if not gone]
        )
    _, lost = wrong_model._exact(places, held["loads_N"], row, places, np.full(len(places), 1e3))
    held_by = np.array([v is not None for v in row["prolapse_N"]])
    assert np.array_equal(lost, held_by)
