"""What must always hold: more friction, a harder lesion, more hold; prolapse is infinite need; changes commute; causes sum."""

from __future__ import annotations

import runpy
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from backstay.app.numbers import quantiles
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import Outcome, causes_N, crossing_load_N, need_from_curves, outcome
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, median_case, sample
from backstay.core.inference.surface import Curves
from backstay.core.mechanics.assembly import Passage, ShapeFactors
from backstay.core.mechanics.crossing import drag_density_N_per_mm, edge_load_N
from backstay.core.mechanics.delivery import Transfer, transfer
from backstay.core.mechanics.elastic import lay_assembly, lay_edges, push_terms
from backstay.core.rigging.devices import AccessRoute, Extension, Guide, Profile, Stent, Wire
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, Calcium, Cause, GuideShape, LimitedBy

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "rods.py"))
FEW = settings(max_examples=25)
FRICTION = st.floats(0.0, 0.6)

WIRE = Wire(
    id="w", name="wire", diameter_mm=0.356, length_cm=190.0, core_stiffness_Nmm2=5.0, tip_stiffness_Nmm2=0.3,
    floppy_mm=30.0, tip_load_N=0.01, coating="hydrophilic",
)  # fmt: skip
GUIDE = Guide(
    id="g", name="guide", size_fr=6.0, inner_diameter_mm=1.8, length_cm=100.0, shape=GuideShape.STANDARD_RIGHT
)
STENT = Stent(
    id="s", name="stent", tip_diameter_mm=0.5, nose_mm=4.0, working_mm=28.0, crossing_diameter_mm=1.05,
    working_stiffness_Nmm2=28.0, nose_stiffness_Nmm2=2.0, shaft_stiffness_Nmm2=8.0, shaft_diameter_mm=0.85,
    wire_lumen_mm=0.42, rapid_exchange_mm=250.0, proximal_shaft_diameter_mm=0.65, length_cm=140.0,
    nominal_diameter_mm=2.75, expansion_limit_mm=3.75, nominal_atm=11.0, rated_burst_atm=16.0,
)  # fmt: skip
EXTENSION = Extension(
    id="e", name="extension", for_guide_fr=6.0, inner_diameter_mm=1.45, outer_diameter_mm=1.7, tube_length_mm=250.0,
    collar_inner_diameter_mm=1.45, push_rod_diameter_mm=0.5, length_cm=150.0, stiffness_Nmm2=40.0,
)  # fmt: skip
RIG = Rig(access=AccessRoute(Access.RIGHT_RADIAL, 6.0), guide=GUIDE, rail=WIRE)
TIPS_MM = np.linspace(6.0, 62.0, 8)
LEVELS_N = np.array([0.0, 0.1, 0.25, 0.5, 0.9, 1.4])


def passage(rig: Rig = RIG, *, calcium: Calcium = Calcium.SEVERE, dissected: bool = False) -> Passage:
    s = np.arange(101.0)
    curvature = np.stack([0.05 * np.sin(s / 17.0), 0.04 * np.sin(s / 11.0 + 1.0)], axis=1)
    radius = 1.6 - 1.15 * np.exp(-(((s - 48.0) / 6.0) ** 2))
    path = LumenPath.from_curvature(curvature, radius, radius_sd_mm=0.08, spacing_mm=1.0)
    return Passage(path, (Lesion(38.0, 58.0, calcium, (), dissected),), rig, STENT, 95.0)


def solved(p: Passage) -> Transfer:
    return transfer(
        p, ShapeFactors(friction_wall=0.08, bed_MPa=0.15), tips_mm=TIPS_MM, levels_N=LEVELS_N, search_to_N=1.4,
        with_slopes=False,
    )  # fmt: skip


@pytest.fixture(scope="module")
def middle() -> Transfer:
    return solved(passage())


def curves_of(middle: Transfer, draws: DrawSet) -> Curves:
    """The same transfer curves for every draw: the shape is held, what is laid on it varies."""
    rows = np.nan_to_num(np.broadcast_to(middle.readings, (draws.count, *middle.readings.shape)), nan=0.0)
    return Curves(
        middle.tips_mm, middle.levels_N, rows, np.broadcast_to(middle.prolapse_N, (draws.count, len(TIPS_MM)))
    )


def result_of(p: Passage, middle: Transfer, draws: DrawSet, backup: np.ndarray) -> Outcome:
    crossing = crossing_load_N(p, draws, TIPS_MM)
    return outcome(p, draws, curves_of(middle, draws), backup_N=backup, crossing_N=crossing, passes=True)


def changed(draws: DrawSet, **values: Any) -> DrawSet:
    return replace(draws, values={**draws.values, **{k: np.asarray(v) for k, v in values.items()}})


@pytest.fixture(scope="module")
def bent() -> Any:
    path = RODS["arc"](15.0, 2.0, lead_mm=10.0, tail_mm=20.0, spacing_mm=1.0)
    device = ([0.0, 4.0, 22.0, 24.0, 250.0], [2.0, 28.0, 28.0, 8.0, 8.0], [0.25, 0.5, 0.5, 0.4, 0.4])
    return RODS["problem"](
        path, 1.0, lumen_mm=1.2, wall_MPa=0.1, tip_mm=45.0, wire_Nmm2=5.0, device=device, wire_radius_mm=0.178
    )


def pushed_N(p: Any, w: np.ndarray, friction: float, load_N: float) -> np.ndarray:
    load, q = p.load._replace(friction=friction), np.zeros(p.last + 1)
    lay_edges(p.tube, w, p.last, p.work)
    lay_assembly(p.tube, load, p.last, p.work)
    for i in range(p.last - 1, 0, -1):  # from the free end, which carries none, back to the guide
        q[i - 1] = q[i] + sum(push_terms(p.tube, load, w, i, p.last, load_N, p.work))
    return q


@FEW
@given(low=FRICTION, more=st.floats(0.0, 0.4), load=st.floats(0.0, 2.0), seed=st.integers(0, 99))
def test_more_friction_at_one_shape_never_needs_less(
    bent: Any, low: float, more: float, load: float, seed: int
) -> None:
    w = np.random.default_rng(seed).normal(scale=0.8, size=(bent.last + 1, 2))
    assert np.all(pushed_N(bent, w, low + more, load) >= pushed_N(bent, w, low, load) - 1e-12)


@FEW
@given(friction=FRICTION, load=st.floats(0.0, 2.0), more=st.floats(0.0, 1.0), seed=st.integers(0, 99))
def test_friction_never_helps_and_load_adds_whole(
    bent: Any, friction: float, load: float, more: float, seed: int
) -> None:
    w = np.random.default_rng(seed).normal(scale=0.8, size=(bent.last + 1, 2))
    smooth, rough = pushed_N(bent, w, 0.0, load), pushed_N(bent, w, friction, load)
    assert np.all(rough >= smooth - 1e-12)
    assert pushed_N(bent, w, friction, load + more)[0] == pytest.approx(rough[0] + more, abs=1e-9)


@FEW
@given(low=FRICTION, more=st.floats(0.0, 0.4), stiff=st.floats(0.1, 5.0), harder=st.floats(1.0, 4.0))
def test_harder_or_rougher_lesion_never_drags_less(
    low: float, more: float, stiff: float, harder: float
) -> None:
    profile = Profile(np.array([0.0, 4.0, 30.0, 31.0]), np.array([0.25, 0.5, 0.5, 0.4]), np.ones(4))

    def drag(friction: float, stiffness: float) -> np.ndarray:
        return drag_density_N_per_mm(
            behind_tip_mm=np.linspace(-3.0, 40.0, 87), lumen_mm=np.full(87, 0.35), stiffness_MPa=np.full(87, stiffness),
            profile=profile, beside_mm=0.05, friction=friction,
        )  # fmt: skip

    base = drag(low, stiff)
    assert np.all(drag(low + more, stiff) >= base) and np.all(drag(low, stiff * harder) >= base)
    assert base.max() > 0.0


@FEW
@given(
    normal=st.floats(0.0, 2.0), attack=st.floats(0.0, 1.5), slope=st.floats(0.01, 0.6), steeper=st.floats(0.0, 0.5),
    low=FRICTION, more=st.floats(0.0, 0.4),
)  # fmt: skip
def test_edge_load_rises_with_slope_friction_and_press(
    normal: float, attack: float, slope: float, steeper: float, low: float, more: float
) -> None:
    def edge(n: float, a: float, friction: float) -> float:
        return float(
            edge_load_N(normal_N=np.array(n), attack_rad=np.array(attack), slope_rad=a, friction=friction)
        )

    base = edge(normal, slope, low)
    assert base >= 0.0
    assert edge(normal, slope + steeper, low) >= base * (1.0 - 1e-12)
    assert edge(normal, slope, low + more) >= base * (1.0 - 1e-12) - 1e-12
    assert edge(2.0 * normal, slope, low) >= base


@pytest.mark.parametrize("name", ["friction_wire", "friction_extension", "lesion_factor", "ledge_factor"])
def test_need_never_falls_with_what_resists(middle: Transfer, name: str) -> None:
    """At the middle shape; every draw, every depth."""
    draws = sample(DEFAULT_DRAWS, count=64, seed=3)
    p = passage(dissected=True)
    none = np.full(64, np.inf)
    base = result_of(p, middle, draws, none).need_N
    more = result_of(p, middle, changed(draws, **{name: 1.4 * draws[name]}), none).need_N
    assert np.all(more >= base - 1e-9)
    if name != "friction_extension":  # no extension is in place
        assert np.any(more > base + 1e-6)


def test_harder_calcium_never_needs_less(middle: Transfer) -> None:
    draws = sample(DEFAULT_DRAWS, count=64, seed=4)
    needs = [result_of(passage(calcium=c), middle, draws, np.full(64, np.inf)).need_N for c in Calcium]
    for softer, harder in pairwise(needs):
        assert np.all(harder >= softer - 1e-9)


@FEW
@given(scale=st.floats(0.05, 3.0), more=st.floats(1.0, 3.0))
def test_more_hold_never_lowers_the_chance(middle: Transfer, scale: float, more: float) -> None:
    draws = sample(DEFAULT_DRAWS, count=64, seed=5)
    hold = scale * draws["guide_hold_N"]
    low, high = (result_of(passage(), middle, draws, factor * hold) for factor in (1.0, more))
    assert high.chance >= low.chance
    assert np.all(high.stopped >= low.stopped)


def test_hold_decides_somewhere(middle: Transfer) -> None:
    draws = sample(DEFAULT_DRAWS, count=64, seed=5)
    chances = [
        result_of(passage(), middle, draws, f * draws["guide_hold_N"]).chance for f in (0.01, 1.0, 100.0)
    ]
    assert chances[0] == 0.0 and chances[2] > chances[0]


def test_a_draw_that_prolapses_needs_infinitely_much(middle: Transfer) -> None:
    draws = sample(DEFAULT_DRAWS, count=8, seed=6)
    curves = curves_of(middle, draws)
    prolapse = np.full((8, len(TIPS_MM)), np.inf)
    prolapse[3, 5] = 0.2
    curves = replace(curves, prolapse_N=prolapse)
    lesion = np.full((8, len(TIPS_MM)), 0.3)
    need, prolapsed = need_from_curves(draws, curves, lesion, np.zeros(lesion.shape, dtype=bool))
    assert np.array_equal(np.argwhere(np.isinf(need)), [[3, 5]])
    assert np.array_equal(np.argwhere(prolapsed), [[3, 5]])
    result = outcome(
        passage(calcium=Calcium.NONE),
        draws,
        curves,
        backup_N=np.full(8, np.inf),
        crossing_N=lesion,
        passes=True,
    )
    assert result.highest_need_N[3] == np.inf
    assert result.stopped[3] <= 5
    if result.stopped[3] == 5:
        assert result.reason[3] == LimitedBy.PROLAPSE


def test_not_held_at_all_is_prolapse_everywhere(middle: Transfer) -> None:
    draws = sample(DEFAULT_DRAWS, count=4, seed=6)
    curves = replace(curves_of(middle, draws), prolapse_N=np.zeros((4, len(TIPS_MM))))
    need, prolapsed = need_from_curves(
        draws, curves, np.zeros((4, len(TIPS_MM))), np.zeros((4, len(TIPS_MM)), dtype=bool)
    )
    assert np.all(np.isinf(need)) and prolapsed.all()


def test_compatible_changes_commute() -> None:
    support = replace(WIRE, id="support", core_stiffness_Nmm2=15.0)
    one = RIG.with_extension(EXTENSION, 25.0).with_buddy(support)
    other = RIG.with_buddy(support).with_extension(EXTENSION, 25.0)
    assert one == other
    a, b = solved(passage(one)), solved(passage(other))
    assert np.array_equal(a.readings, b.readings, equal_nan=True) and np.array_equal(
        a.prolapse_N, b.prolapse_N
    )
    assert not np.array_equal(a.readings, solved(passage()).readings, equal_nan=True)


@pytest.mark.parametrize("rig", [RIG, RIG.with_extension(EXTENSION, 25.0)], ids=["plain", "extension"])
@pytest.mark.parametrize("dissected", [False, True])
def test_causes_sum_to_the_need(rig: Rig, dissected: bool) -> None:
    p = passage(rig, calcium=Calcium.MODERATE, dissected=dissected)
    one, middle = median_case(DEFAULT_DRAWS), solved(p)
    curves = Curves(middle.tips_mm, middle.levels_N, middle.readings[None], middle.prolapse_N[None])
    crossing = crossing_load_N(p, one, TIPS_MM)
    result = outcome(p, one, curves, backup_N=np.array([np.inf]), crossing_N=crossing, passes=True)
    held = np.flatnonzero(np.isfinite(result.need_N[0]))
    assert held.size >= 4
    for depth in held:
        parts = causes_N(one, curves, result, crossing, int(depth))
        assert sum(parts.values()) == pytest.approx(result.need_N[0, depth], abs=1e-9)
        assert all(
            parts[k] >= 0.0 for k in (Cause.WALL_FRICTION, Cause.BENDS_PULL, Cause.CROSSING, Cause.WIRE)
        )


def test_quantiles_are_null_where_they_are_not_reached() -> None:
    values = np.concatenate([np.linspace(0.1, 1.0, 60), np.full(40, np.inf)])
    found = quantiles(values)
    assert found.p10 is not None and found.p50 is not None and found.p10 < found.p50 <= 1.0
    assert found.p90 is None
    assert quantiles(np.full(10, np.inf)).p10 is None
    assert quantiles(np.ones(10)).p90 == 1.0
