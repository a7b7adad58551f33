"""The rod in bends and on a tube's wall: closed forms, symmetry, and the push as the price of stored energy."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from backstay.core.mechanics.elastic import Tube, stored_energy, tube
from backstay.core.mechanics.equilibrium import descend

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "rods.py"))
problem, arc, straight = RODS["problem"], RODS["arc"], RODS["straight"]

STENT = ([0.0, 4.0, 22.0, 24.0, 250.0], [2.0, 28.0, 28.0, 8.0, 8.0], [0.25, 0.5, 0.5, 0.4, 0.4])


def middle_contact_N(stiffness: float, *, beam_mm: float, bend_mm: float, clearance_mm: float) -> float:
    """Load of a stiff piece on the inner wall of a bend; a flexible shaft behind it, a flexible wire ahead."""
    h = 0.5
    path = arc(bend_mm, (beam_mm + 60.0) / bend_mm, lead_mm=20.0, tail_mm=20.0, spacing_mm=h)
    tip = round((50.0 + beam_mm) / h) * h
    beam = ([0.0, beam_mm, beam_mm + 0.01, 400.0], [stiffness, stiffness, 1e-3, 1e-3], [0.0] * 4)
    p = problem(
        path, h, lumen_mm=clearance_mm, wall_MPa=100.0, tip_mm=tip, wire_Nmm2=0.5, device=beam, mouth_MPa=1e4
    )
    # as the planner begins: Newton alone, from the centreline, can chatter between sets of contacts of the limp shaft on this hard wall
    prolapse, _, w, _ = p.march([0.0], search_to_N=0.0)
    assert prolapse == np.inf
    s = h * np.arange(len(w))
    inside = np.maximum(np.hypot(w[:, 0], w[:, 1]) - clearance_mm, 0.0) * 100.0 * h
    middle = np.abs(s - (tip - 0.5 * beam_mm)) < 0.25 * beam_mm
    assert np.all(w[middle & (inside > 0.0), 0] > 0.0)  # towards the centre of the bend
    return float(inside[middle].sum())


def three_point_N(stiffness: float, *, beam_mm: float, bend_mm: float, clearance_mm: float) -> float:
    """Ends on the outer wall, middle on the inner: the chord's sagitta lacks `short`, 48 B short / L^3 bends the beam to it."""
    short = (bend_mm - clearance_mm) - np.sqrt((bend_mm + clearance_mm) ** 2 - 0.25 * beam_mm**2)
    return float(48.0 * stiffness * short / beam_mm**3)


@pytest.mark.parametrize(
    ("beam_mm", "bend_mm", "clearance_mm"),
    [(50.0, 200.0, 0.5), (50.0, 200.0, 0.48), (44.0, 160.0, 0.5), (40.0, 150.0, 0.45)],
)
def test_three_point_contact_in_a_bend(beam_mm: float, bend_mm: float, clearance_mm: float) -> None:
    shape = {"beam_mm": beam_mm, "bend_mm": bend_mm, "clearance_mm": clearance_mm}
    found = middle_contact_N(300.0, **shape)
    # 3 %: shaft and wire are 0.2 % as stiff as the beam but bear on its ends, and the load rises steeply with the beam's length
    assert found == pytest.approx(three_point_N(300.0, **shape), rel=0.03)
    assert abs(found / three_point_N(1.1 * 300.0, **shape) - 1.0) > 0.05


def test_a_beam_short_enough_stays_straight() -> None:
    assert three_point_N(300.0, beam_mm=24.0, bend_mm=150.0, clearance_mm=0.5) < 0.0
    bent = three_point_N(300.0, beam_mm=40.0, bend_mm=150.0, clearance_mm=0.45)
    # not 0: the flexible shaft, itself on the wall, still turns the beam's end a little
    assert middle_contact_N(300.0, beam_mm=24.0, bend_mm=150.0, clearance_mm=0.5) < 0.01 * bent


def helix(stiffness: float, push: float, *, tube_mm: float, length_mm: float) -> tuple[float, float]:
    """Wall load per length and pitch of a rod started as a helix in a straight tube and let go; ends a third in are left out.

    The tube narrows to nothing over its last 15 mm: a load that turns with the rod would unwind a helix whose end lies off the axis.
    """
    h, wall = 0.5, 10.0
    s = h * np.arange(round(length_mm / h) + 1)
    narrow = np.clip((length_mm - h - s) / 15.0, 0.0, 1.0)
    p = problem(
        straight(length_mm, h),
        h,
        lumen_mm=tube_mm * narrow,
        wall_MPa=wall,
        tip_mm=length_mm - h,
        wire_Nmm2=stiffness,
    )
    assert p.last + 1 == len(s)
    turn = np.sqrt(push / (2.0 * stiffness))
    out = tube_mm + tube_mm * push**2 / (4.0 * stiffness) / wall
    w = out * narrow[:, None] * np.stack([np.cos(turn * s), np.sin(turn * s)], axis=1)
    q = np.full(len(s), push)
    entry = np.array([1.0, out * turn * np.sin(0.5 * turn * h), out * turn * np.cos(0.5 * turn * h)])
    p = replace(p, tube=p.tube._replace(entry=entry / np.linalg.norm(entry)))
    assert descend(p.tube, p.load, w, q, p.last, push, p.work, 0, 0.0) >= 0
    p.come_to_rest(w, q, push)
    middle = (s > length_mm / 3.0) & (s < 2.0 * length_mm / 3.0)
    rho = np.hypot(w[:, 0], w[:, 1])
    slope = np.polyfit(s[middle], np.unwrap(np.arctan2(w[:, 1], w[:, 0]))[middle], 1)[0]
    return float(wall * np.mean(rho[middle] - tube_mm)), float(2.0 * np.pi / abs(slope))


@pytest.mark.parametrize(("stiffness", "push"), [(20.0, 2.0), (20.0, 1.0), (5.0, 0.5)])
def test_helix_presses_on_the_wall(stiffness: float, push: float) -> None:
    """Wall load r F^2 / (4 B), pitch 2 pi sqrt(2 B / F) [@chen1990]; both for a gentle helix, so a narrow tube."""
    load, pitch = helix(stiffness, push, tube_mm=0.3, length_mm=150.0)
    assert load == pytest.approx(0.3 * push**2 / (4.0 * stiffness), rel=0.05)
    assert pitch == pytest.approx(2.0 * np.pi * np.sqrt(2.0 * stiffness / push), rel=0.02)


def test_helix_notices_the_push() -> None:
    load, _ = helix(20.0, 2.2, tube_mm=0.3, length_mm=150.0)
    assert abs(load / (0.3 * 2.0**2 / 80.0) - 1.0) > 0.1


def turned(v: np.ndarray, axis: np.ndarray, angle: float) -> np.ndarray:
    """Rodrigues' rotation."""
    return np.asarray(
        v * np.cos(angle) + np.cross(axis, v) * np.sin(angle) + axis * (axis @ v) * (1.0 - np.cos(angle))
    )


def turned_path(seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """A path that winds in space: points, twist-free frame, curvature from a random smooth function."""
    rng = np.random.default_rng(seed)
    count, h = 80, 1.0
    at = np.arange(count - 1)
    kappa = [
        sum(a * np.sin(f * at + b) for a, f, b in rng.uniform([0, 0.03, 0], [0.06, 0.12, 6], (3, 3)))
        for _ in "uv"
    ]
    tangent, n1, n2 = np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0])
    points, normals1, normals2 = [np.zeros(3)], [n1], [n2]
    for ku, kv in zip(*kappa, strict=True):
        points.append(points[-1] + h * tangent)
        bend = h * (ku * n1 + kv * n2)
        size = np.linalg.norm(bend)
        axis = np.cross(tangent, bend / size)
        tangent, n1, n2 = (turned(v, axis, size) for v in (tangent, n1, n2))
        normals1.append(n1)
        normals2.append(n2)
    first = np.array([1.0, 0, 0])
    return np.array(points), np.array(normals1), np.array(normals2), first


def push_and_shape(points: Any, n1: Any, n2: Any, entry: Any) -> tuple[np.ndarray, np.ndarray]:
    """Push on every edge and place of every node under 0.3 N with friction, at round-off."""
    p = problem(
        (points, n1, n2), 1.0, lumen_mm=1.3, wall_MPa=0.2, tip_mm=52.0, wire_Nmm2=5.0, device=STENT,
        wire_radius_mm=0.178, friction=0.1, mouth_MPa=1e3,
    )  # fmt: skip
    vessel: Tube = tube(
        points, n1, n2, lumen_mm=p.tube.lumen_mm, wall_MPa=p.tube.wall_MPa, entry=entry, spacing_mm=1.0
    )
    p = replace(p, tube=vessel)
    prolapse, _, w, q = p.march([0.0, 0.3], search_to_N=0.3)
    assert prolapse == np.inf
    p.come_to_rest(w, q, 0.3)
    p.solve(w, q, 0.3, polish=8)
    return q, points + w[:, :1] * n1 + w[:, 1:] * n2


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_mirrored_anatomy_gives_the_mirrored_answer(seed: int) -> None:
    path = turned_path(seed)
    flip = np.array([1.0, 1.0, -1.0])
    q, x = push_and_shape(*path)
    q2, x2 = push_and_shape(*(part * flip for part in path))
    assert q2 == pytest.approx(q, abs=1e-9)
    assert x2 * flip == pytest.approx(x, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_turned_anatomy_and_turned_frame_change_nothing(seed: int) -> None:
    points, n1, n2, entry = turned_path(seed)
    q, x = push_and_shape(points, n1, n2, entry)
    turn, _ = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    turn *= np.sign(np.linalg.det(turn))
    q2, x2 = push_and_shape(points @ turn.T, n1 @ turn.T, n2 @ turn.T, entry @ turn.T)
    assert q2 == pytest.approx(q, abs=1e-9)
    assert x2 @ turn == pytest.approx(x, abs=1e-9)
    c, s = np.cos(0.7), np.sin(0.7)
    q3, x3 = push_and_shape(points, c * n1 + s * n2, c * n2 - s * n1, entry)
    assert q3 == pytest.approx(q, abs=1e-9)
    assert x3 == pytest.approx(x, abs=1e-9)


def unloaded(tip_mm: float, h: float, wall: float, lumen: float) -> tuple[float, float, float]:
    """Push, stored energy, and length pushed in, of a stent without friction round a bend of 15 mm."""
    path = arc(15.0, 2.5, lead_mm=12.0, tail_mm=40.0, spacing_mm=h)
    p = problem(
        path, h, lumen_mm=lumen, wall_MPa=wall, tip_mm=tip_mm, wire_Nmm2=5.0, device=STENT, wire_radius_mm=0.178,
        mouth_MPa=1e4,
    )  # fmt: skip
    w, q = p.start()
    p.come_to_rest(w, q, 0.0)
    work = p.assemble(w, q, 0.0, full=False)
    node = int(tip_mm / h)
    inside = work.length_mm[:node].sum() + (tip_mm / h - node) * work.length_mm[node]
    return float(q[0]), float(stored_energy(p.tube, w, p.last, work)), float(inside)


PLACES = [(0.3, 1.2), (3.0, 0.9), (0.05, 1.5)]


@pytest.mark.parametrize("tip_mm", [30.0, 35.0, 40.0, 45.0])
@pytest.mark.parametrize(("wall", "lumen"), PLACES)
def test_push_is_the_change_of_stored_energy(tip_mm: float, wall: float, lumen: float) -> None:
    """Nothing rubs and nothing resists at the tip: what is pushed in is stored. Spacing 1 mm, as the planner solves it."""
    push, _, _ = unloaded(tip_mm, 1.0, wall, lumen)
    (_, e1, l1), (_, e2, l2) = (unloaded(tip_mm + d, 1.0, wall, lumen) for d in (-0.25, 0.25))
    assert push == pytest.approx((e2 - e1) / (l2 - l1), rel=0.02)


@pytest.mark.parametrize("h", [1.0, 0.5, 0.25])
@pytest.mark.parametrize(("wall", "lumen"), PLACES)
def test_mean_push_over_a_stretch_is_the_energy_stored_on_it(h: float, wall: float, lumen: float) -> None:
    """A single place carries up to 5 % of noise of the grid (0.5 mm spacing); over 2 mm the balance closes."""
    tips = np.linspace(34.0, 36.0, 17)
    rows = np.array([unloaded(float(t), h, wall, lumen) for t in tips])
    pushed = np.trapezoid(rows[:, 0], rows[:, 2])
    assert pushed == pytest.approx(rows[-1, 1] - rows[0, 1], rel=0.02)


def tight_bend(
    h: float, wall: float, wire: float, *, stiffness: float = 10.0, bend_mm: float = 30.0
) -> np.ndarray:
    """Push of an even device without clearance, its tip in a circular bend, at eight places within one spacing."""
    path = arc(bend_mm, 3.0, lead_mm=30.0, tail_mm=20.0, spacing_mm=h)
    found = []
    for tip in 80.0 + h * np.arange(8) / 8.0:
        p = problem(
            path, h, lumen_mm=0.0, wall_MPa=wall, tip_mm=float(tip), wire_Nmm2=wire, mouth_MPa=1e4,
            device=([0.0, 300.0], [stiffness, stiffness], [0.0, 0.0]),
        )  # fmt: skip
        w, q = p.start()
        assert p.solve(w, q, 0.0, polish=3) > 0
        found.append(q[0])
    return np.array(found)


@pytest.mark.parametrize("wire", [2.0, 5.0])
@pytest.mark.parametrize("wall", [0.2, 1.0])
@pytest.mark.parametrize("h", [0.5, 0.25])
def test_tight_bend_costs_half_stiffness_times_curvature_squared(h: float, wall: float, wire: float) -> None:
    """The device's own stiffness only: the wire is bent already. At one place the grid adds noise that halves with the spacing."""
    exact = 0.5 * 10.0 / 30.0**2
    found = tight_bend(h, wall, wire)
    assert found.mean() == pytest.approx(exact, rel=0.002)
    assert np.abs(found / exact - 1.0).max() < 0.4 * h


def test_tight_bend_notices_the_curvature() -> None:
    assert abs(tight_bend(0.5, 0.2, 5.0, bend_mm=31.0).mean() / (0.5 * 10.0 / 30.0**2) - 1.0) > 0.05
