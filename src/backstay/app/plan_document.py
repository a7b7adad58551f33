"""The plan as it leaves the program: rigs, chances, pictures and cautions, without ladder, way back, treatment or limits."""

from __future__ import annotations

import platform
from collections.abc import Sequence
from dataclasses import asdict
from importlib import metadata

import numpy as np

from backstay.adapters.plan_file import (
    BranchPicture,
    Chance,
    Costs,
    DepthCurve,
    DrawRow,
    Fit,
    LesionPicture,
    PathPicture,
    PlanDocument,
    RigResult,
    Target,
)
from backstay.app.holds import hold_words
from backstay.app.loading import LoadedCase
from backstay.app.lying import lying_of
from backstay.app.numbers import finite, quantiles
from backstay.app.solving import (
    DEPTHS,
    LOADS,
    Answer,
)
from backstay.app.way_back import WAY_BACK_SOURCES
from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.chance_words import chance_words
from backstay.core.inference.draws import DrawSet
from backstay.core.inference.surface import DESIGN_POINTS
from backstay.core.rigging.fit import FitReport
from backstay.core.rigging.moves import Alternative
from backstay.identifiers import Cause, LimitedBy
from backstay.sources import all_sources

CAUTIONED_RIGS = 4
"""Cautions of the rig in place and the three best others lead the plan; every rig keeps its own."""
FIT_ERROR = 0.023
"""Allowed for the interpolation between solves, in chance: the largest error seen (docs/validation.md); 0.016 on the demo."""
DISCLAIMER = (
    "Planning and teaching aid. Not a medical device and not validated for clinical decisions. The devices' instructions for use, local "
    "protocols and the licensed operator come first."
)
GENERAL_CAUTIONS = (
    "stop pushing when the guide backs out, and look at the wire's tip before the next push (common practice, no source)",
    "count what is in the body before the case ends (common practice, no source)",
)
UNVALIDATED = (
    "absolute scale of backup (computed by the guide model, unvalidated; ratios between guides are published or judged)",
    "stiffness of the lesion by calcium class (judgement, no source)",
    "slopes of ledges that catch an edge (judgement, no source)",
    "push available from the hand (judgement, no source)",
)


def chance_of(value: float, count: int) -> Chance:
    """Return a chance with its bounds: Monte-Carlo error and the interpolation's allowance together."""
    half = float(np.hypot(1.96 * np.sqrt(max(value * (1.0 - value), 0.25 / count) / count), FIT_ERROR))
    return Chance(
        value=value, low=max(value - half, 0.0), high=min(value + half, 1.0), words=chance_words(value)
    )


def rig_result(a: Answer, fit: FitReport, case: LoadedCase) -> RigResult:
    """Return one rig's answer as the plan tells it."""
    option, result, seat = a.alternative, a.outcome, a.seat_mm
    tips = result.tips_mm + seat
    depths, count = len(tips), len(result.stopped)
    passed = result.stopped == depths
    reach = np.where(
        passed, tips[-1], np.where(result.stopped > 0, tips[np.maximum(result.stopped - 1, 0)], seat)
    )
    stops = tips[np.minimum(result.stopped, depths - 1)][~passed]
    shares = {kind: float(np.mean(result.reason == kind)) for kind in LimitedBy}
    need, bands = result.need_N, np.quantile(result.need_N, [0.1, 0.5, 0.9], axis=0, method="inverted_cdf")
    hold = np.quantile(a.backup_N, [0.1, 0.5, 0.9], method="inverted_cdf")
    return RigResult(
        id=option.id,
        change=option.change,
        rig=option.rig.describe(),
        device=option.device.name,
        moves=list(option.moves),
        in_place=option.id == "as_it_is",
        chance=chance_of(result.chance, count),
        need_N=quantiles(result.highest_need_N),
        backup_N=quantiles(a.backup_N),
        margin_N=quantiles(np.where(np.isinf(need.max(axis=1)), -np.inf, a.backup_N - result.highest_need_N)),
        reach_mm=quantiles(reach),
        stops_at_mm=None if passed.mean() > 0.5 else round(float(np.median(stops)), 1),
        limited_by={kind: share for kind, share in shares.items() if share > 0.0},
        causes={cause: value for cause, value in a.causes.items() if value != 0.0} or {Cause.BENDING: 0.0},
        causes_at_mm=round(a.causes_at_mm, 1),
        fits=Fit.model_validate(asdict(fit)),
        costs=Costs(
            minutes=option.minutes,
            contrast_mL=option.contrast_mL,
            air_kerma_mGy=option.air_kerma_mGy,
            source=option.cost_source,
        ),
        cautions=list(option.cautions),
        conditions=list(option.conditions),
        unvalidated=[*UNVALIDATED, *_illustrative(option)],
        curve=DepthCurve(
            tip_mm=[round(float(t), 2) for t in tips],
            need_p10_N=[finite(v) for v in bands[0]],
            need_p50_N=[finite(v) for v in bands[1]],
            need_p90_N=[finite(v) for v in bands[2]],
            prolapsed=[float(v) for v in result.prolapsed.mean(axis=0)],
            backup_p10_N=float(hold[0]),
            backup_p50_N=float(hold[1]),
            backup_p90_N=float(hold[2]),
        ),
        lying=lying_of(option, case),
    )


def _illustrative(option: Alternative) -> list[str]:
    names = option.device.unvalidated
    return [f"{option.device.name}: {len(names)} illustrative values ({', '.join(names)})"] if names else []


def bare_document(
    case: LoadedCase,
    rigs: list[RigResult],
    options: Sequence[Alternative],
    draws: DrawSet,
    *,
    seed: int,
) -> PlanDocument:
    """Return the plan's answer for its rigs alone: no ladder, no way back, no treatment, no limits."""
    tip = case.device.landing_tip_mm(case.target_to_mm)
    fields = {
        "schema": 1,
        "title": case.title,
        "invented": case.invented,
        "vessel": case.vessel_name,
        "path": _path_picture(case),
        "lesions": [lesion_picture(x) for x in case.lesions],
        "branches": [
            BranchPicture(name=b.name, at_mm=b.at_mm, diameter_mm=b.diameter_mm) for b in case.branches
        ],
        "target": Target(
            device=case.device.name,
            from_mm=case.target_from_mm,
            to_mm=case.target_to_mm,
            tip_mm=round(tip, 1),
        ),
        "rigs": rigs,
        "draws": [DrawRow(**asdict(spec)) for spec in draws.specs],
        "draw_count": draws.count,
        "design_points": DESIGN_POINTS,
        "depths": DEPTHS,
        "loads": LOADS,
        "seed": seed,
        "versions": _versions(),
        "sources": _cited(options, draws),
        "warnings": [*case.warnings, *_tight_bends(case), *hold_words(case)],
        "cautions": cautions_of(rigs),
        "disclaimer": DISCLAIMER,
    }
    return PlanDocument.model_validate(fields)


def lesion_picture(x: Lesion) -> LesionPicture:
    """Return a lesion as drawn."""
    return LesionPicture(
        from_mm=x.from_mm,
        to_mm=x.to_mm,
        calcium=x.calcium,
        prepared=[str(p) for p in x.prepared],
        dissected=x.dissected,
    )


def in_order(rigs: Sequence[RigResult]) -> list[RigResult]:
    """Return the rig in place first, then the others by chance."""
    return sorted(rigs, key=lambda r: (not r.in_place, -r.chance.value, r.costs.minutes))


def cautions_of(rigs: Sequence[RigResult]) -> list[str]:
    """Return the cautions that lead a plan."""
    own = [caution for rig in rigs[:CAUTIONED_RIGS] for caution in rig.cautions]
    return list(dict.fromkeys([*GENERAL_CAUTIONS, *own]))


def _tight_bends(case: LoadedCase) -> list[str]:
    """Return a warning where the path bends tighter than its own lumen: the model does not hold there."""
    path = case.path
    tight = np.hypot(path.curvature_per_mm[:, 0], path.curvature_per_mm[:, 1]) * path.radius_mm > 1.0
    if not tight.any():
        return []
    at = ", ".join(f"{s:.0f}" for s in path.s_mm[tight][:5])
    return [
        f"the path bends tighter than its lumen's radius at {at} mm: outside the model's range, do not trust this plan beyond there"
    ]


def _path_picture(case: LoadedCase) -> PathPicture:
    path = case.path
    bend = np.degrees(np.hypot(path.curvature_per_mm[:, 0], path.curvature_per_mm[:, 1]))
    return PathPicture(
        s_mm=[round(float(v), 3) for v in path.s_mm],
        radius_mm=[round(float(v), 4) for v in path.radius_mm],
        bend_deg_per_mm=[round(float(v), 4) for v in bend],
        length_mm=path.length_mm,
        total_bend_deg=float(np.degrees(path.total_bend_rad)),
    )


def _versions() -> dict[str, str]:
    libraries = {name: metadata.version(name) for name in ("numpy", "scipy", "numba")}
    return {"backstay": metadata.version("backstay"), "python": platform.python_version(), **libraries}


def _cited(options: Sequence[Alternative], draws: DrawSet) -> list[str]:
    """Return the keys of the sources behind this plan, in the order of the file."""
    cited = {spec.source for spec in draws.specs}
    for option in options:
        cited.update(option.sources)
        cited.update(option.device.sources.values())
    cited.update(WAY_BACK_SOURCES)
    return [key for key in all_sources() if key in cited]
