"""A published bench, predicted blind: force to track a stent through a tortuous tube, and to cross a smooth stenosis.

The bench [@schmidt2009; @schmidtfixture]: a 6 Fr guide, a 0.014 in wire, a polyethylene tube of 2.5 mm bore, force sensors at both ends.
Its bends are not in the abstract, so they are stated here and were fixed before anything was computed. The one thing set from the bench
is friction, from its push loss alone: 18.53 to 38.66 % of 4 N at the hub arrive at the end, a capstan exponent of 0.95 to 1.69 over all
bends together. Everything else is the model's: nothing is tuned to the forces that are predicted.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import wire_part_N
from backstay.core.inference.draws import DEFAULT_DRAWS, median_case
from backstay.core.mechanics.assembly import Passage, ShapeFactors
from backstay.core.mechanics.delivery import Transfer, transfer
from backstay.core.mechanics.march import PUSH
from backstay.core.rigging.devices import AccessRoute, Guide, Stent, Wire
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, GuideShape
from evidence.solved import curves_of

FloatArray = NDArray[np.float64]

# Published [@schmidt2009].
ARRIVES = (0.1853, 0.3866)
HUB_N = 4.0
STIFFNESS_Nmm2 = (17.22, 47.20)
PROFILE_mm = (1.055, 1.198)
TRACK_N = (0.551, 1.137)
CROSSING_N = (0.038, 0.103)
STENOSIS_BORE_MM = 1.4

# Chosen beforehand; no source. (length [mm], bend [deg], plane [deg]) from the sheath on.
GUIDE_PIECES = ((40.0, 0.0, 0.0), (125.7, 180.0, 0.0), (30.0, 0.0, 0.0), (31.4, 90.0, 40.0), (5.0, 0.0, 0.0))
TUBE_PIECES = (
    (15.0, 0.0, 0.0),
    (31.4, 90.0, 0.0),
    (10.0, 0.0, 0.0),
    (23.6, 90.0, 60.0),
    (10.0, 0.0, 0.0),
    (18.8, 90.0, 180.0),
    (20.0, 0.0, 0.0),
)
GUIDE_BORE_MM = 1.80
TUBE_BORE_MM = 2.5
WALL_MPa = 3.0
"""A stiff tube."""
WIRE_Nmm2 = 5.0
"""Supporting section of a workhorse wire: a solid steel core of 0.15 mm [@solidrod]."""
SHAFT_Nmm2 = 8.0
"""Distal shaft of the stent system: judgement, no source."""
STENT_MM = 18.0
SPACING_MM = 1.0
DEPTHS = 24
NO_LOAD_N = np.array([0.0, 0.005])


def bends_rad(pieces: tuple[tuple[float, float, float], ...]) -> float:
    """Return the total bend of a list of pieces."""
    return float(np.radians(sum(bend for _, bend, _ in pieces)))


TOTAL_BEND_RAD = bends_rad(GUIDE_PIECES) + bends_rad(TUBE_PIECES)
FRICTION = tuple(float(-np.log(share) / TOTAL_BEND_RAD) for share in reversed(ARRIVES))
"""Least and greatest coefficient of friction the push loss allows: capstan over all bends."""
FRICTION_MIDDLE = 0.5 * (FRICTION[0] + FRICTION[1])


def bent_path(
    pieces: tuple[tuple[float, float, float], ...], bore_mm: float, spacing_mm: float = SPACING_MM
) -> LumenPath:
    """Return a tube of one bore along straight and bent pieces (length [mm], bend [deg], plane [deg])."""
    ends = np.cumsum([length for length, _, _ in pieces])
    s = np.arange(int(ends[-1] / spacing_mm) + 1) * spacing_mm
    parts = (np.arange(8) + 0.5) / 8 - 0.5
    curvature = np.zeros((len(s), 2))
    for part in parts:  # a node's turn is the mean over its cell, so that every bend keeps its angle
        piece = np.minimum(np.searchsorted(ends, s + part * spacing_mm), len(pieces) - 1)
        for k, (length, bend, plane) in enumerate(pieces):
            turn = np.radians(bend) / length * (piece == k) / len(parts)
            curvature += turn[:, None] * np.array([np.cos(np.radians(plane)), np.sin(np.radians(plane))])
    radius = np.full(len(s), 0.5 * bore_mm)
    return LumenPath.from_curvature(curvature, radius, radius_sd_mm=0.01, spacing_mm=spacing_mm)


def stent_system(stiffness_Nmm2: float, profile_mm: float, shaft_Nmm2: float = SHAFT_Nmm2) -> Stent:
    """Return a generic 3.0 x 18 mm system with one of the published stiffnesses and profiles."""
    return Stent(
        id="bench",
        name="3.0 x 18 mm stent system of the bench",
        tip_diameter_mm=0.5,
        nose_mm=4.0,
        working_mm=STENT_MM,
        crossing_diameter_mm=profile_mm,
        working_stiffness_Nmm2=stiffness_Nmm2,
        nose_stiffness_Nmm2=2.0,
        shaft_stiffness_Nmm2=shaft_Nmm2,
        shaft_diameter_mm=0.85,
        wire_lumen_mm=0.42,
        rapid_exchange_mm=250.0,
        proximal_shaft_diameter_mm=0.65,
        length_cm=140.0,
        nominal_diameter_mm=3.0,
        expansion_limit_mm=4.0,
        nominal_atm=10.0,
        rated_burst_atm=16.0,
    )


def bench_rig() -> Rig:
    """Return the bench's guide and wire."""
    guide = Guide(
        id="guide",
        name="6 Fr guide of the bench",
        size_fr=6.0,
        inner_diameter_mm=GUIDE_BORE_MM,
        length_cm=100.0,
        shape=GuideShape.EXTRA_BACKUP_LEFT,
    )
    wire = Wire(
        id="wire",
        name="0.014 in wire",
        diameter_mm=0.356,
        length_cm=190.0,
        core_stiffness_Nmm2=WIRE_Nmm2,
        tip_stiffness_Nmm2=0.3,
        floppy_mm=30.0,
        tip_load_N=0.01,
        coating="hydrophilic",
    )
    return Rig(access=AccessRoute(Access.FEMORAL, 6.0), guide=guide, rail=wire)


def push_N(result: Transfer) -> FloatArray:
    """Return the push at every depth and load (d, k): the solver's, and the shaft's friction on the wire.

    The wire rubs with the friction of the shipped table: the bench's push loss says nothing about it.
    """
    curves = curves_of([result])
    one = median_case(DEFAULT_DRAWS)
    out = np.empty((len(result.tips_mm), len(result.levels_N)))
    for k, level in enumerate(result.levels_N):
        load = np.full((1, len(result.tips_mm)), level)
        out[:, k] = result.readings[:, k, PUSH] + wire_part_N(one, curves, load)[0]
    return out


def guide_alone_N(friction: float, shaft_Nmm2: float = SHAFT_Nmm2) -> float:
    """Return the push that shaft and wire alone need in the guide [N], with no load beyond it."""
    path = bent_path(GUIDE_PIECES, GUIDE_BORE_MM)
    shaft = replace(
        stent_system(shaft_Nmm2, 0.85, shaft_Nmm2),
        tip_diameter_mm=0.85,
        nose_stiffness_Nmm2=shaft_Nmm2,
        name="shaft",
    )
    passage = Passage(path, (), bench_rig(), shaft, path.length_mm + 50.0)
    result = transfer(
        passage,
        ShapeFactors(friction_wall=friction, bed_MPa=WALL_MPa),
        tips_mm=np.array([path.length_mm - 2.0]),
        levels_N=NO_LOAD_N,
        search_to_N=float(NO_LOAD_N[-1]),
        with_slopes=False,
    )
    return float(push_N(result)[0, 0])


def hub_force_N(at_guide_tip_N: FloatArray, friction: float, alone_N: float) -> FloatArray:
    """Return the hub force [N]: the guide's bends multiply what the tube needs, and the shaft in it needs its own push."""
    return at_guide_tip_N * np.exp(friction * bends_rad(GUIDE_PIECES)) + alone_N


@dataclass(frozen=True)
class Track:
    """One system on the bench.

    Mean and highest hub force; means of what the tube and the wire need at the guide's tip; what the shaft needs in the guide; the share
    of 4 N that arrives at a stop (NaN where it prolapses first); depths the solver could not do.
    """

    stiffness_Nmm2: float
    profile_mm: float
    friction: float
    mean_N: float
    highest_N: float
    tube_N: float
    wire_N: float
    guide_alone_N: float
    arrives: float
    unsolved: int


def track(
    stiffness_Nmm2: float,
    profile_mm: float,
    friction: float,
    *,
    pieces: tuple[tuple[float, float, float], ...] = TUBE_PIECES,
    shaft_Nmm2: float = SHAFT_Nmm2,
    stop: bool = True,
) -> Track:
    """Track one system to the end of the tube, then press it on a stop there until the hub gives 4 N."""
    path = bent_path(pieces, TUBE_BORE_MM)
    device = stent_system(stiffness_Nmm2, profile_mm, shaft_Nmm2)
    passage = Passage(path, (), bench_rig(), device, path.length_mm)
    tips = np.linspace(4.0, path.length_mm - 12.0, DEPTHS)
    factors = ShapeFactors(friction_wall=friction, bed_MPa=WALL_MPa)
    end = float(NO_LOAD_N[-1])
    free = transfer(passage, factors, tips_mm=tips, levels_N=NO_LOAD_N, search_to_N=end, with_slopes=False)
    alone = guide_alone_N(friction, shaft_Nmm2)
    hub = hub_force_N(push_N(free)[:, 0], friction, alone)
    arrives = float("nan")
    if stop:
        levels = np.linspace(0.0, 2.4, 13)
        held = transfer(
            passage, factors, tips_mm=tips[-1:], levels_N=levels, search_to_N=2.4, with_slopes=False
        )
        pressed = hub_force_N(push_N(held)[0], friction, alone)
        there = np.isfinite(pressed)
        if there.any():
            arrives = float(np.interp(HUB_N, pressed[there], levels[there], right=np.nan)) / HUB_N
    return Track(
        stiffness_Nmm2=stiffness_Nmm2,
        profile_mm=profile_mm,
        friction=friction,
        mean_N=float(np.nanmean(hub)),
        highest_N=float(np.nanmax(hub)),
        tube_N=float(np.nanmean(free.readings[:, 0, PUSH])),
        wire_N=float(np.nanmean(push_N(free)[:, 0] - free.readings[:, 0, PUSH])),
        guide_alone_N=alone,
        arrives=arrives,
        unsolved=int(np.isnan(hub).sum()),
    )


def stenosis_path(*, eccentric: bool, spacing_mm: float = 0.5) -> tuple[LumenPath, float, float]:
    """Return a straight tube with the bench's stenosis: 5 mm in, 5 mm throat, 5 mm out; its start and end [mm].

    An eccentric throat lies on one side of the tube: its middle is (2.5 - 1.4) / 2 mm off the tube's.
    """
    s = np.arange(int(110.0 / spacing_mm) + 1) * spacing_mm
    start, end = 50.0, 65.0
    share = np.clip(np.minimum(s - start, end - s) / 5.0, 0.0, 1.0)
    share = 0.5 - 0.5 * np.cos(np.pi * share)
    aside = 0.5 * (TUBE_BORE_MM - STENOSIS_BORE_MM)
    radius = 0.5 * TUBE_BORE_MM - share * aside
    points = np.stack([s, share * aside if eccentric else 0.0 * s, 0.0 * s], axis=1)
    path = LumenPath.through(points, radius, radius_sd_mm=0.01, spacing_mm=spacing_mm)
    return path, start, end


def crossing(
    stiffness_Nmm2: float, profile_mm: float, friction: float, *, eccentric: bool
) -> tuple[float, float]:
    """Return mean and highest force [N] while the working section passes the stenosis."""
    path, start, end = stenosis_path(eccentric=eccentric)
    device = stent_system(stiffness_Nmm2, profile_mm)
    passage = Passage(path, (), bench_rig(), device, path.length_mm)
    tips = np.linspace(start, end + device.nose_mm + device.working_mm, DEPTHS)
    factors = ShapeFactors(friction_wall=friction, bed_MPa=WALL_MPa)
    end_N = float(NO_LOAD_N[-1])
    result = transfer(
        passage, factors, tips_mm=tips, levels_N=NO_LOAD_N, search_to_N=end_N, with_slopes=False
    )
    hub = push_N(result)[:, 0]
    return float(np.nanmean(hub)), float(np.nanmax(hub))


@dataclass(frozen=True)
class BenchResult:
    """The blind prediction: systems at the corners of the published ranges, at three frictions the push loss allows."""

    tracks: tuple[Track, ...]
    crossings: tuple[tuple[str, float, float, float, float, float], ...]
    """(kind, stiffness, profile, friction, mean, highest)"""
    variations: tuple[tuple[str, float], ...]
    """What a stated assumption is worth: mean track force of the middle system with one of them changed [N]."""

    def track_range_N(self) -> tuple[float, float]:
        """Return the least and greatest mean track force over systems and frictions."""
        means = [t.mean_N for t in self.tracks]
        return min(means), max(means)

    def crossing_range_N(self, kind: str) -> tuple[float, float]:
        """Return the least and greatest mean crossing force for one kind of stenosis."""
        means = [mean for k, _, _, _, mean, _ in self.crossings if k == kind]
        return min(means), max(means)


def variations() -> tuple[tuple[str, float], ...]:
    """Return the mean track force with one stated assumption changed, to explain a miss; the prediction stays as it was."""
    stiffness, profile = float(np.mean(STIFFNESS_Nmm2)), float(np.mean(PROFILE_mm))
    tighter = tuple((length * 0.6 if bend else length, bend, plane) for length, bend, plane in TUBE_PIECES)

    def mean_N(**changed: Any) -> float:
        return track(stiffness, profile, FRICTION_MIDDLE, stop=False, **changed).mean_N

    return (
        ("as predicted, middle of the published stiffness and profile", mean_N()),
        ("bends of the tube at 0.6 of their radius", mean_N(pieces=tighter)),
        ("shaft three times as stiff", mean_N(shaft_Nmm2=3.0 * SHAFT_Nmm2)),
        ("both", mean_N(pieces=tighter, shaft_Nmm2=3.0 * SHAFT_Nmm2)),
    )


def run() -> BenchResult:
    """Predict every corner; nothing is fitted."""
    corners = [(b, d) for b in STIFFNESS_Nmm2 for d in PROFILE_mm]
    frictions = (FRICTION[0], FRICTION_MIDDLE, FRICTION[1])
    jobs = [(b, d, mu) for mu in frictions for b, d in corners]
    narrow = [(kind, b, d, mu) for kind in ("concentric", "eccentric") for b, d, mu in jobs]
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        tracks = tuple(pool.map(lambda job: track(*job), jobs))
        forces = list(pool.map(lambda job: crossing(*job[1:], eccentric=job[0] == "eccentric"), narrow))
    crossings = tuple((*job, *force) for job, force in zip(narrow, forces, strict=True))
    return BenchResult(tracks, crossings, variations())
