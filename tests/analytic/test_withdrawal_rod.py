"""The solver in tension against conservation and its own exact limits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.mechanics.assembly import Passage, ShapeFactors, prepare
from backstay.core.mechanics.delivery import transfer
from backstay.core.mechanics.elastic import lay_assembly, lay_edges, stored_energy, workspace
from backstay.core.mechanics.march import PUSH
from backstay.core.rigging.devices import AccessRoute, Guide, OverWireDevice, Wire
from backstay.core.rigging.rig import Rig
from backstay.core.withdrawal.sweep import load_back, march_back, transfer_back
from backstay.identifiers import Access, Calcium, GuideShape

SMOOTH = ShapeFactors(friction_wall=1e-12, bed_MPa=0.3)
LEVELS_N = np.array([0.0, 0.2, 0.6])


def a_device(**changes: float) -> OverWireDevice:
    fields = {
        "tip_diameter_mm": 0.5, "nose_mm": 4.0, "working_mm": 18.0, "crossing_diameter_mm": 1.05, "working_stiffness_Nmm2": 30.0,
        "nose_stiffness_Nmm2": 8.0, "shaft_stiffness_Nmm2": 12.0, "shaft_diameter_mm": 0.9, "wire_lumen_mm": 0.4,
        "rapid_exchange_mm": 250.0, "proximal_shaft_diameter_mm": 0.65, "length_cm": 140.0, "nominal_diameter_mm": 3.0,
    } | changes  # fmt: skip
    return OverWireDevice(id="d", name="device", **fields)


def a_passage(radius_mm: float = 1.4, bend_rad: float = 2.0, *, arc_mm: float = 18.0) -> Passage:
    s = np.arange(91.0)
    bend = np.where((s >= 12.0) & (s < 12.0 + arc_mm * bend_rad), 1.0 / arc_mm, 0.0)
    curvature = np.stack([bend, 0.0 * s], axis=1)
    path = LumenPath.from_curvature(curvature, np.full(91, radius_mm), radius_sd_mm=0.05, spacing_mm=1.0)
    guide = Guide(
        id="g", name="g", size_fr=6.0, inner_diameter_mm=1.8, length_cm=100.0, shape=GuideShape.STANDARD_RIGHT
    )
    wire = Wire(
        id="w", name="w", diameter_mm=0.356, length_cm=190.0, core_stiffness_Nmm2=12.0, tip_stiffness_Nmm2=0.6,
        floppy_mm=60.0, tip_load_N=0.007, coating="hydrophilic",
    )  # fmt: skip
    rig = Rig(AccessRoute(Access.FEMORAL, 6.0), guide, wire)
    return Passage(path, (), rig, a_device(), min(path.length_mm, 75.0))


def test_without_friction_and_load_the_pull_is_the_push_reversed() -> None:
    tips = np.linspace(8.0, 60.0, 9)
    passage = a_passage()
    push = transfer(passage, SMOOTH, tips_mm=tips, levels_N=LEVELS_N, search_to_N=0.6).readings[:, 0, PUSH]
    pull = transfer_back(passage, SMOOTH, tips_mm=tips, levels_N=LEVELS_N, rear_mm=22.0).readings[:, 0, PUSH]
    assert np.ptp(push) > 0.02  # there is something to give back
    assert pull == pytest.approx(push, abs=1e-6)


def test_without_friction_the_pull_is_what_the_stored_energy_loses() -> None:
    """Drawn back by ds the pull works -dE/ds: the energy between two places of the tip is the integral of the pull."""
    passage = a_passage()
    vessel = prepare(passage, SMOOTH)
    tips = np.arange(20.0, 50.01, 0.5)
    energy, push = [], []
    nodes = len(passage.path.s_mm)
    work = workspace(nodes)
    w, q = np.zeros((nodes, 2)), np.zeros(nodes)
    m = nodes - 1
    for tip in tips:
        load = load_back(vessel, tip, 22.0)
        out, slopes = np.zeros((1, 12)), np.zeros((1, 1))
        march_back(
            vessel.tube, load, vessel.wire_Nmm2, 22.0, 0, np.zeros(1), m, w, q, work, out, ((vessel.tube, load),), slopes
        )  # fmt: skip
        lay_edges(vessel.tube, w, m, work)
        lay_assembly(vessel.tube, load, m, work)
        energy.append(stored_energy(vessel.tube, w, m, work))
        push.append(out[0, PUSH])
    gained = energy[-1] - energy[0]
    done = float(np.trapezoid(push, tips))
    assert abs(gained) > 0.2
    assert done == pytest.approx(gained, rel=0.02)  # the cells of 1 mm: first order at the steps in stiffness


def test_more_friction_never_needs_less_pull_round_a_plane_bend() -> None:
    tips = np.linspace(10.0, 60.0, 6)
    passage = a_passage()
    found = [
        -transfer_back(
            passage,
            replace(SMOOTH, friction_wall=mu),
            tips_mm=tips,
            levels_N=LEVELS_N,
            rear_mm=22.0,
            with_slopes=False,
        ).readings[..., PUSH]
        for mu in (0.02, 0.06, 0.12, 0.25)
    ]
    assert np.all(np.diff(found, axis=0) >= -1e-9)
    assert np.all(found[-1][-1] > found[0][-1] + 0.02)


def test_the_sensitivities_are_derivatives() -> None:
    tips = np.array([35.0, 55.0])
    passage, at = a_passage(), ShapeFactors(friction_wall=0.1, bed_MPa=0.3)
    given = transfer_back(passage, at, tips_mm=tips, levels_N=LEVELS_N, rear_mm=22.0).slopes
    for column, name in ((0, "friction_wall"), (2, "device_stiffness_factor"), (3, "wire_stiffness_factor")):
        up, down = (
            transfer_back(
                passage,
                replace(at, **{name: getattr(at, name) * (1.0 + step)}),
                tips_mm=tips,
                levels_N=LEVELS_N,
                rear_mm=22.0,
                with_slopes=False,
            ).readings[..., PUSH]
            for step in (2e-3, -2e-3)
        )
        assert given[..., column] == pytest.approx((up - down) / 4e-3, abs=2e-3)


def test_drawn_back_through_a_tight_place_the_shoulder_drags() -> None:
    """The rear shoulder of the working section resists on the way out, the nose on the way in."""
    passage = a_passage(0.5, 0.2)
    lesion = Lesion(from_mm=1.0, to_mm=70.0, calcium=Calcium.SEVERE)
    passage = replace(passage, lesions=(lesion,))
    vessel = prepare(passage, ShapeFactors(friction_wall=0.1, bed_MPa=0.3))
    load = load_back(vessel, 50.0, 22.0)
    assert load.friction == -0.1
    assert load.share.sum() == pytest.approx(-1.0)
    heaviest = int(np.argmin(load.share))
    assert abs(passage.path.s_mm[heaviest] - (50.0 - 22.5)) <= 1.0
