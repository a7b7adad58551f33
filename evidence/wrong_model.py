"""Trials in which nature is not the model: an independent exact rod, sticking, a beating heart, patchy lesions, a team that reports worse.

The push comes from natures.json (tests/cross/exact_rod/natures.py, which imports nothing of the package): a rod in space, solved at a few
places of the tip under a few loads for five rigs in ten natures. The drag in the lesion and what guide, hand and shaft can give follow the
model's own judged laws at other values, for no independent law of them is known; so do the reports, with larger errors than it believes.
Backstay sees the vessel as measured, predicts before every try, and advises. Sizes, seeds and what is compared were fixed before the
study was run.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from backstay.app.learning.knowing import packed
from backstay.app.learning.tried import options_at
from backstay.app.loading import LoadedCase, load_case
from backstay.app.solving import solve_rigs
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.attempts import Attempt, AttemptModel, simulate
from backstay.core.inference.chance import crossing_load_N
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.insight import chance_per_draw
from backstay.core.inference.learning import Posterior, before_any, draws_at
from backstay.core.inference.quick import PASSED, PROLAPSED, WayIn, way_in
from backstay.identifiers import Calcium, Preparation
from evidence.advice import POLICIES, STOPPING_MIN, TRY_MIN, Way, climb
from evidence.learning import PARTICLES, Demo, reliability, side_by_side

FloatArray = NDArray[np.float64]

SHAPES = {
    "as_it_is": "plain",
    "buddy_wire-workhorse": "buddy",
    "seat_5mm": "seat_5mm",
    "extension_10mm": "extension_10mm",
    "extension_28mm": "extension_28mm",
    "guide_guide-6-al": "plain",
}
"""Rigs in the fixed order (common practice, no source), and the exact rod's shape that each has."""
SPACING_MM = 1.0
DEVICE = "stent-250-16"
CASES = 12
"""For each nature: what only guide, hand, lesion and luck decide."""
FIRST_SEED = 61_000
STICK_SLIP, WALL_MM, PATCHES, PATCH_MM = 0.20, 3.0, 0.25, 4.0
AWAY = {"guide_hold_N": -0.8, "lesion_factor": 0.8, "friction_wire": 0.8, "hand_push_N": -0.5}
"""Where what the rod does not decide lies in natures away from the middle, in the table's spreads."""
TEAM = AttemptModel(execution_sd=0.15, place_sd_mm=3.0)


@dataclass(frozen=True)
class Trials:
    """Two vessels with their rigs as Backstay has them, and the natures they are played by."""

    natures: list[dict[str, Any]]
    held: dict[str, Any]
    shown: dict[str, Demo]


def read(root: Path) -> dict[str, Any]:
    """Return what the exact rod did."""
    file = root / "tests" / "cross" / "exact_rod" / "natures.json"
    return dict(json.loads(file.read_text("utf-8")))


def vessel(held: dict[str, Any], pieces: Sequence[dict[str, Any]]) -> LumenPath:
    """Return a vessel as it was measured: nodes on its straight pieces and arcs, and its lumen."""
    points, point, (t, a, b) = [np.zeros(3)], np.zeros(3), np.eye(3)
    step = SPACING_MM / 20.0
    for piece in pieces:
        straight = piece["kind"] == "line"
        length = piece["length_mm"] if straight else piece["radius_mm"] * piece["angle_rad"]
        bends = 0.0 if straight else 1.0 / piece["radius_mm"]
        n = np.zeros(3) if straight else np.cos(piece["plane_rad"]) * a + np.sin(piece["plane_rad"]) * b
        along = np.linspace(0.0, length, max(round(length / step), 1) + 1)[1:, None]
        if straight:
            points.extend(point + along * t)
        else:
            turn = along * bends
            points.extend(point + (np.sin(turn) * t + (1.0 - np.cos(turn)) * n) / bends)
            axis, angle = np.cross(t, n), length * bends
            t, a, b = (_turned(v, axis, angle) for v in (t, a, b))
        point = points[-1]
    fine = np.array(points)
    s = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(fine, axis=0), axis=1))])
    at = np.arange(0.0, s[-1] + 1e-6, SPACING_MM)
    nodes = np.stack([np.interp(at, s, fine[:, k]) for k in range(3)], axis=1)
    lumen = np.interp(at, held["lumen"]["at_mm"], held["lumen"]["radius_mm"])
    return LumenPath.through(nodes, lumen, radius_sd_mm=held["lumen"]["sd_mm"], spacing_mm=SPACING_MM)


def _turned(v: FloatArray, axis: FloatArray, angle: float) -> FloatArray:
    """Return a vector turned about a unit axis (Rodrigues)."""
    return np.asarray(
        v * np.cos(angle) + np.cross(axis, v) * np.sin(angle) + axis * (axis @ v) * (1.0 - np.cos(angle))
    )


def case_of(root: Path, held: dict[str, Any], name: str) -> LoadedCase:
    """Return the demo's shelf and rig in one of the vessels, with a hard lesion that a balloon has prepared."""
    case = load_case(root / "examples" / "demo" / "case.toml")
    low, high = held["lesion_mm"]
    device = case.shelf.devices[DEVICE]
    to_mm = held["landing_mm"] - device.nose_mm  # type: ignore[attr-defined]
    return replace(
        case,
        path=vessel(held, held["vessels"][name]),
        lesions=(Lesion(low, high, Calcium.SEVERE, (Preparation.SEMI_COMPLIANT,)),),
        branches=(),
        device=device,
        target_from_mm=to_mm - 16.0,
        target_to_mm=to_mm,
    )


def trials(root: Path, names: Sequence[str] = tuple(SHAPES), vessels: Sequence[str] = ()) -> Trials:
    """Return the natures of vessels, all unless some are named, and their rigs solved and packed."""
    held, shown = read(root), {}
    for name in vessels or held["vessels"]:
        case, draws = case_of(root, held, name), sample(DEFAULT_DRAWS, count=1024, seed=1)
        options = {one.id: one for one in options_at(case) if one.id in names}
        if set(options) != set(names):
            raise ValueError(f"the shelf does not give {', '.join(sorted(set(names) - set(options)))}")
        solved = solve_rigs(case, [options[name] for name in names], draws)
        shown[name] = Demo({rig.alternative.id: packed(rig, draws) for rig in solved}, options)
    return Trials([one for one in held["natures"] if one["vessel"] in shown], held, shown)


def truth(nature: dict[str, Any], rng: np.random.Generator) -> DrawSet:
    """Return the one draw that is true: the nature's own values where the rod needs them, the rest drawn."""
    z = rng.standard_normal((1, len(DEFAULT_DRAWS)))
    values = nature["values"]
    for j, spec in enumerate(DEFAULT_DRAWS):
        if spec.name in values:
            value = values[spec.name]
            off = np.log(value / spec.median) if spec.kind == "lognormal" else value - spec.median
            z[0, j] = off / spec.spread
        elif nature["away"] and spec.name in AWAY:
            z[0, j] = AWAY[spec.name] + 0.5 * z[0, j]
    return draws_at(DEFAULT_DRAWS, z)


def played(
    t: Trials, nature: dict[str, Any], name: str, true: DrawSet, patches: FloatArray, rng: np.random.Generator
) -> WayIn:
    """Return what the way in with a rig asks in truth: one draw, at the depths of Backstay's rig.

    The rod's push is read between its places and loads in straight lines. The wire in its lumen and the lining of an extension rub as
    ropes round bends do: half of the bends so far for the wire, all of the covered ones for the lining.
    """
    rig, held = t.shown[nature["vessel"]].rigs[name], t.held
    shape, row = held["rigs"][SHAPES[name]], nature["rigs"][SHAPES[name]]
    tips = rig.tips_mm + rig.seat_mm
    drag_N = crossing_load_N(rig.passage, true, rig.tips_mm)[0]
    load_N = drag_N * np.exp(PATCHES * np.interp(tips, PATCH_MM * np.arange(len(patches)), patches))
    need, lost = _exact(shape["tips_mm"], held["loads_N"], row, tips, load_N)
    path = t.shown[nature["vessel"]].rigs["as_it_is"].passage.path
    bends = true["curvature_factor"][0]
    turns = np.array([bends * path.bend_rad(min(shape["from_mm"], x), x) for x in tips])
    covered = bends * path.bend_rad(0.0, shape["from_mm"]) if name.startswith("extension") else 0.0
    need = need * np.exp(0.5 * true["friction_wire"][0] * turns + true["friction_extension"][0] * covered)
    need = need * np.exp(STICK_SLIP * np.abs(rng.standard_normal(len(need))))
    peaks = np.maximum.accumulate(np.where(lost, np.inf, need))
    ahead = round(WALL_MM / float(rig.tips_mm[1] - rig.tips_mm[0]))
    peaks = np.concatenate([peaks[ahead:], np.repeat(peaks[-1:], ahead)])
    ends = np.array([PROLAPSED if np.isinf(peaks[-1]) else PASSED], dtype=np.int8)
    return WayIn(peaks[None, :], ends, way_in(rig, true).limits_N)


def _exact(
    places: Sequence[float],
    loads_N: Sequence[float],
    row: dict[str, Any],
    tips: FloatArray,
    load_N: FloatArray,
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return the rod's push at every tip under its load, and where no state is held."""
    loads = np.array(loads_N)
    pushes = np.array([[np.nan if v is None else v for v in at] for at in row["need_N"]])
    held = np.array([np.inf if v is None else v for v in row["prolapse_N"]])
    by_place = np.empty((len(places), len(tips)))
    for k, at in enumerate(pushes):
        known = np.isfinite(at)
        if known.sum() < 2:
            by_place[k] = load_N
            continue
        low, high = loads[known][-2:], at[known][-2:]
        beyond = high[1] + (load_N - low[1]) * (high[1] - high[0]) / (low[1] - low[0])
        by_place[k] = np.where(load_N > low[1], beyond, np.interp(load_N, loads[known], at[known]))
    need = np.array([np.interp(x, places, by_place[:, j]) for j, x in enumerate(tips)])
    # Between two places the nearer one says what is held.
    nearest = np.abs(np.array(places)[:, None] - tips).argmin(axis=0)
    return need, load_N > held[nearest]


@dataclass(frozen=True)
class Trial:
    """One case: how every policy did, and every prediction of the learning one with what happened."""

    away: bool
    ways: dict[str, Way]
    ends: dict[str, bool]
    first: dict[str, float]
    predicted: tuple[tuple[str, float, float, bool], ...]
    """Rig, chance before any try, chance when tried, whether it reached."""


def one(t: Trials, number: int, *, particles: int = PARTICLES) -> Trial:
    """Return one case."""
    nature = t.natures[number // CASES % len(t.natures)]
    seed = FIRST_SEED + number
    demo = t.shown[nature["vessel"]]
    rng_of_case = np.random.default_rng(seed)
    true = truth(nature, rng_of_case)
    patches = rng_of_case.standard_normal(round(100.0 / PATCH_MM))

    def make(name: str, k: int) -> Attempt:
        rng = np.random.default_rng([seed, list(SHAPES).index(name)])
        way = played(t, nature, name, true, patches, rng)
        return simulate(demo.rigs[name], way, rng=rng, model=TEAM, id=f"{name} {k}", name=name)

    model = AttemptModel()
    odd = 0.5 * model.floor

    def chance(name: str, posterior: Posterior) -> float:
        found = float(chance_per_draw(demo.rigs[name], posterior, model).mean())
        return odd + (1.0 - model.floor) * found

    start, ways, predicted = before_any(DEFAULT_DRAWS, count=particles, seed=seed), {}, []
    first = {name: chance(name, start) for name in demo.rigs}
    ends = {name: make(name, 0).reached for name in demo.rigs}

    def believed(name: str, posterior: Posterior) -> None:
        predicted.append((name, first[name], chance(name, posterior), ends[name]))

    for policy in POLICIES:
        ways[policy] = climb(
            demo,
            make,
            start,
            policy=policy,
            seed=seed,
            model=model,
            order=tuple(SHAPES),
            before=believed if policy == "learn" else None,
        )
    costs = [demo.options[name].minutes + TRY_MIN for name, end in ends.items() if end]
    ways["oracle"] = Way(min(costs, default=STOPPING_MIN), bool(costs), int(bool(costs)))
    return Trial(bool(nature["away"]), ways, ends, first, tuple(predicted))


def study(root: Path) -> list[str]:
    """Do the study and return the section."""
    t = trials(root)
    found: list[Trial] = side_by_side(lambda k: one(t, k), range(CASES * len(t.natures)))  # type: ignore[assignment]
    return [
        f"{len(found)} cases: {len(t.natures)} natures of two invented vessels, each with {CASES} settings of guide, hand, lesion and "
        f"luck (seeds from {FIRST_SEED}). The push is an independent exact rod's; every depth sticks afresh (spread {STICK_SLIP:g} of the "
        f"logarithm, upwards alone), the beat moves the wall by {WALL_MM:g} mm, the lesion is patchy (spread {PATCHES:g} over "
        f"{PATCH_MM:g} mm), no ledge catches, tries spread by {TEAM.execution_sd:g} and places are read to "
        f"{TEAM.place_sd_mm:g} mm. In half of the natures friction, bed, stiffness, bends and lumen, and guide, hand and lesion, lie "
        "away from the priors' middle. Drag, hold and the push that arrives follow the model's own judged laws at those values: they "
        "are not tested here.",
        "",
        *_advice(found),
        *_chances(found),
        *_fails(found),
    ]


def _mean(values: FloatArray) -> str:
    return f"{values.mean():.1f} +- {values.std(ddof=1) / np.sqrt(len(values)):.1f}"


def _advice(found: Sequence[Trial]) -> list[str]:
    lines = [
        "**Regret**: minutes beyond an oracle that knows how every rig would end and takes the cheapest that reaches; failing in the end "
        f"counts {STOPPING_MIN:.0f}. Harm is that of the moves made, per 1000, where a figure is known.",
        "",
        "| natures | policy | minutes | regret | reached | tries | harm per 1000 |",
        "|---|---|---|---|---|---|---|",
    ]
    for words, some in _groups(found):
        oracle = np.array([one.ways["oracle"].minutes for one in some])
        for policy, name in zip(
            (*POLICIES, "oracle"),
            ("fixed order", "first ladder", "a new ladder after each try", "oracle"),
            strict=True,
        ):
            ways = [one.ways[policy] for one in some]
            minutes = np.array([w.minutes for w in ways])
            cells = (
                _mean(minutes),
                _mean(minutes - oracle),
                f"{np.mean([w.reached for w in ways]):.2f}",
                f"{np.mean([w.tries for w in ways]):.2f}",
                _mean(np.array([w.harm_per_1000 for w in ways])) if policy != "oracle" else "",
            )
            lines.append(f"| {words} | {name} | {' | '.join(cells)} |")
        saved = {
            what: np.array([getattr(o.ways["fixed"], what) - getattr(o.ways["learn"], what) for o in some])
            for what in ("minutes", "harm_per_1000")
        }
        lines.append(
            f"| {words} | learning saves | {_mean(saved['minutes'])} | | | | {_mean(saved['harm_per_1000'])} |"
        )
    return [*lines, ""]


def _groups(found: Sequence[Trial]) -> list[tuple[str, list[Trial]]]:
    return [
        ("about the middle", [one for one in found if not one.away]),
        ("away from it", [one for one in found if one.away]),
    ]


def _chances(found: Sequence[Trial]) -> list[str]:
    lines = [
        "**Chances** against what happened: of every rig before any try (all of them would end somehow, tried or not), and of the "
        "tries that learning chose, as they stood when each was made. The band is the binomial 99.9 % band of the chance; tries of one "
        "case share their nature, so that even true chances leave it more often than one in a thousand.",
        "",
        "| natures | chance | predicted | reached | number | within the band |",
        "|---|---|---|---|---|---|",
    ]
    for words, some in _groups(found):
        before = [(one.first[name], end) for one in some for name, end in one.ends.items()]
        when = [(chance, end) for one in some for _, _, chance, end in one.predicted]
        for what, pairs in (("before any try", before), ("when tried", when)):
            chances, ends = np.array([p for p, _ in pairs]), np.array([e for _, e in pairs])
            score = float(np.mean((chances - ends) ** 2))
            base = float(ends.mean() * (1.0 - ends.mean()))
            lines += [
                f"| {words} | {what} | {p:.2f} | {share:.2f} | {count} | {'yes' if ok else 'NO'} |"
                for p, share, count, ok in reliability(chances, ends)
            ]
            lines.append(
                f"| {words} | {what}, all | {chances.mean():.2f} | {ends.mean():.2f} | {len(ends)} | Brier score {score:.3f}, "
                f"of the mean alone {base:.3f} |"
            )
    return [*lines, ""]


def _fails(found: Sequence[Trial]) -> list[str]:
    """Return where it fails: rigs judged too well or too ill, and cases in which learning lost to the fixed order."""
    lines = [
        "**Where it fails**, rig by rig: the chance before any try, and the share that reached.",
        "",
        "| rig | about the middle: predicted, reached | away from it: predicted, reached |",
        "|---|---|---|",
    ]
    for name in SHAPES:
        cells = [
            f"{np.mean([o.first[name] for o in some]):.2f}, {np.mean([o.ends[name] for o in some]):.2f}"
            for _, some in _groups(found)
        ]
        lines.append(f"| {name} | {' | '.join(cells)} |")
    worse = [o for o in found if o.ways["learn"].minutes > o.ways["fixed"].minutes]
    gave_up = [o for o in worse if not o.ways["learn"].reached and o.ways["fixed"].reached]
    missed = [o for o in found if not o.ways["learn"].reached and o.ways["oracle"].reached]
    lost = sum(o.ways["learn"].minutes - o.ways["fixed"].minutes for o in worse)
    return [
        *lines,
        "",
        f"Learning took longer than the fixed order in {len(worse)} of {len(found)} cases, by {lost / max(len(worse), 1):.0f} min on "
        f"average; in {len(gave_up)} of them it gave up where the fixed order got there in the end. In {len(missed)} cases a rig "
        "would have reached and learning stopped without it.",
        "",
    ]
