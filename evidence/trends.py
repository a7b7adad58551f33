"""What usually holds, measured over many invented paths: one change at a time, everything else at its median."""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import crossing_load_N, outcome, wire_part_N
from backstay.core.inference.draws import DEFAULT_DRAWS, median_case
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.delivery import transfer
from backstay.core.mechanics.march import PUSH
from backstay.core.rigging.devices import AccessRoute, Extension, Guide, Stent, Wire
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, Calcium, GuideShape, Preparation
from evidence.solved import curves_of, factors_of

FloatArray = NDArray[np.float64]

PATHS = 200
SEED = 11
DEPTHS = 8
LENGTH_MM = 110.0
LESION_MM = (46.0, 62.0)
LANDING_MM = 62.0
SEARCH_N = 4.0
LEVELS_N = np.array([0.0, 0.15, 0.35, 0.6, 1.0, 1.5])
EXTENSION_MM = 34.0
BAR = 0.95

TRENDS: dict[str, str] = {
    "longer device": "needs more push",
    "longer device, long lesion": "needs more push where the narrowing is as long as the device",
    "stiffer device": "needs more push",
    "more bend": "needs more push",
    "tighter lesion": "needs more push",
    "preparation": "needs less push",
    "stiffer rail, prolapse": "prolapses at a higher load",
    "buddy wire, prolapse": "prolapses at a higher load",
    "stiffer rail, no load": "costs push where there is nothing to carry",
    "extension": "raises the margin past the bent stretch",
}


@dataclass(frozen=True)
class Trend:
    """How often a change did what it should: paths in which it could be told, paths that follow, and the median effect."""

    name: str
    claim: str
    told: int
    follow: int
    median_effect_N: float
    exceptions: tuple[int, ...]

    @property
    def share(self) -> float:
        """Return the share that follows."""
        return self.follow / self.told if self.told else float("nan")


@dataclass(frozen=True)
class Seen:
    """One problem at the median.

    Highest need [N], prolapse load at the deepest place [N], push there at no load with the shaft's friction on its wire [N], margin [N].
    """

    need_N: float
    prolapse_N: float
    no_load_N: float
    margin_N: float


def wire(core_Nmm2: float, name: str) -> Wire:
    """Return a wire of a stiffness."""
    return Wire(
        id=name,
        name=name,
        diameter_mm=0.356,
        length_cm=190.0,
        core_stiffness_Nmm2=core_Nmm2,
        tip_stiffness_Nmm2=0.3,
        floppy_mm=30.0,
        tip_load_N=0.01,
        coating="hydrophilic",
    )


def device(*, working_mm: float = 20.0, stiffness_Nmm2: float = 25.0) -> Stent:
    """Return a stent on its balloon."""
    return Stent(
        id="s",
        name="stent",
        tip_diameter_mm=0.5,
        nose_mm=4.0,
        working_mm=working_mm,
        crossing_diameter_mm=1.05,
        working_stiffness_Nmm2=stiffness_Nmm2,
        nose_stiffness_Nmm2=2.0,
        shaft_stiffness_Nmm2=8.0,
        shaft_diameter_mm=0.85,
        wire_lumen_mm=0.42,
        rapid_exchange_mm=250.0,
        proximal_shaft_diameter_mm=0.65,
        length_cm=140.0,
        nominal_diameter_mm=2.75,
        expansion_limit_mm=3.75,
        nominal_atm=11.0,
        rated_burst_atm=16.0,
    )


def base_rig() -> Rig:
    """Return guide and workhorse wire."""
    guide = Guide(
        id="g",
        name="6 Fr guide",
        size_fr=6.0,
        inner_diameter_mm=1.8,
        length_cm=100.0,
        shape=GuideShape.STANDARD_RIGHT,
    )
    return Rig(access=AccessRoute(Access.RIGHT_RADIAL, 6.0), guide=guide, rail=wire(5.0, "workhorse"))


EXTENSION = Extension(
    id="e",
    name="6 Fr extension",
    for_guide_fr=6.0,
    inner_diameter_mm=1.45,
    outer_diameter_mm=1.7,
    tube_length_mm=250.0,
    collar_inner_diameter_mm=1.45,
    push_rod_diameter_mm=0.5,
    length_cm=150.0,
    stiffness_Nmm2=40.0,
)


def invented_path(rng: np.random.Generator) -> LumenPath:
    """Return a vessel with three to six bends in varied directions, 120 to 360 degrees, and a narrowing."""
    s = np.arange(LENGTH_MM + 1.0)
    curvature = np.zeros((s.size, 2))
    bends = int(rng.integers(3, 7))
    total = np.radians(rng.uniform(120.0, 360.0))
    for part in rng.dirichlet(np.full(bends, 3.0)):
        width, middle, plane = rng.uniform(5.0, 12.0), rng.uniform(8.0, 90.0), rng.uniform(0.0, 2.0 * np.pi)
        bump = np.exp(-0.5 * ((s - middle) / width) ** 2)
        curvature += (total * part * bump / bump.sum())[:, None] * np.array([np.cos(plane), np.sin(plane)])
    sharpest = np.hypot(curvature[:, 0], curvature[:, 1]).max()
    curvature *= min(1.0, (1.0 / 6.0) / sharpest)  # no bend sharper than 6 mm
    lumen = np.interp(s, [0.0, LENGTH_MM], [rng.uniform(1.5, 2.0), rng.uniform(1.1, 1.4)])
    narrow = rng.uniform(0.42, 0.55)
    depth = np.interp(s, [40.0, 50.0, 56.0, 66.0], [0.0, 1.0, 1.0, 0.0])
    return LumenPath.from_curvature(
        curvature, lumen + depth * (narrow - lumen), radius_sd_mm=0.12, spacing_mm=1.0
    )


def seen(path: LumenPath, *, rig: Rig, stent: Stent, prepared: tuple[Preparation, ...] = ()) -> Seen:
    """Solve one problem with every input at its median."""
    draws = median_case(DEFAULT_DRAWS)
    landing = stent.landing_tip_mm(LANDING_MM)
    passage = Passage(path, (Lesion(*LESION_MM, Calcium.MODERATE, prepared),), rig, stent, landing + 40.0)
    tips = np.linspace(20.0, landing, DEPTHS)
    result = transfer(
        passage,
        factors_of(draws, 0),
        tips_mm=tips,
        levels_N=LEVELS_N,
        search_to_N=SEARCH_N,
        with_slopes=False,
    )
    hold = backup_N(
        rig,
        draws,
        path_length_mm=path.length_mm,
        device_tip_mm=landing,
        bend_beyond_rad=path.bend_rad(landing, path.length_mm),
    )
    crossing = crossing_load_N(passage, draws, tips)
    curves = curves_of([result])
    way_in = outcome(passage, draws, curves, backup_N=hold, crossing_N=crossing, passes=True)
    need = float(way_in.highest_need_N[0])
    on_wire = wire_part_N(draws, curves, np.zeros((1, len(tips))))
    no_load = float(result.readings[-1, 0, PUSH] + on_wire[0, -1])
    return Seen(need, float(result.prolapse_N[-1]), no_load, float(hold[0]) - need)


def more(changed: float, base: float) -> float | None:
    """Return how much higher `changed` is; None where both are out of reach and nothing can be told."""
    if np.isnan(changed) or np.isnan(base) or (np.isinf(changed) and np.isinf(base)):
        return None
    return changed - base


def one_path(seed: int) -> dict[str, float | None]:
    """Return the effect of every change on one path, positive where it follows the claim [N]."""
    path = invented_path(np.random.default_rng([SEED, seed]))
    rig, stent = base_rig(), device()
    base = seen(path, rig=rig, stent=stent)
    inside = (path.s_mm >= LESION_MM[0]) & (path.s_mm <= LESION_MM[1])
    tight = replace(path, radius_mm=np.where(inside, path.radius_mm - 0.05, path.radius_mm))
    stiff_rail = seen(path, rig=replace(rig, rail=wire(20.0, "stiff")), stent=stent)
    buddy = seen(path, rig=rig.with_buddy(wire(5.0, "buddy")), stent=stent)
    extended = seen(path, rig=rig.with_extension(EXTENSION, EXTENSION_MM), stent=stent)
    prepared = seen(path, rig=rig, stent=stent, prepared=(Preparation.NON_COMPLIANT,))
    drawn_out = np.interp(path.s_mm, [24.0, 30.0, 60.0, 66.0], [0.0, 1.0, 1.0, 0.0])
    long_lesion = replace(
        path, radius_mm=np.minimum(path.radius_mm, path.radius_mm + drawn_out * (0.5 - path.radius_mm))
    )
    short_in_long = seen(long_lesion, rig=rig, stent=device(working_mm=15.0))
    long_in_long = seen(long_lesion, rig=rig, stent=device(working_mm=33.0))
    return {
        "longer device, long lesion": more(long_in_long.need_N, short_in_long.need_N),
        "longer device": more(seen(path, rig=rig, stent=device(working_mm=33.0)).need_N, base.need_N),
        "stiffer device": more(seen(path, rig=rig, stent=device(stiffness_Nmm2=45.0)).need_N, base.need_N),
        "more bend": more(
            seen(path.with_errors(curvature_factor=1.15), rig=rig, stent=stent).need_N, base.need_N
        ),
        "tighter lesion": more(seen(tight, rig=rig, stent=stent).need_N, base.need_N),
        "preparation": more(base.need_N, prepared.need_N),
        "stiffer rail, prolapse": more(stiff_rail.prolapse_N, base.prolapse_N),
        "buddy wire, prolapse": more(buddy.prolapse_N, base.prolapse_N),
        "stiffer rail, no load": more(stiff_rail.no_load_N, base.no_load_N),
        "extension": more(extended.margin_N, base.margin_N),
    }


def run(paths: int = PATHS) -> list[Trend]:
    """Measure every trend over `paths` invented paths."""
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        effects = list(pool.map(one_path, range(paths)))
    found = []
    for name, claim in TRENDS.items():
        told = [(i, e[name]) for i, e in enumerate(effects) if e[name] is not None]
        values = np.array([v for _, v in told], dtype=float)
        wrong = tuple(i for i, v in told if not (v is not None and v >= 0.0))
        found.append(Trend(name, claim, len(told), len(told) - len(wrong), float(np.median(values)), wrong))
    return found
