"""The main job: will this device reach its landing point with the rig in place, why or why not, and with which rig best."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from importlib import metadata
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.events_file import events_path, read_events
from backstay.adapters.ladder_file import LadderPart
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
from backstay.adapters.record_entries import entries_of
from backstay.app.carrying import SolvedCarry, own_deliveries, solve_own
from backstay.app.holds import case_specs, hold_words
from backstay.app.ladder import LADDER_DRAWS_PER_DRAW, climb, ladder_part, provisional_rung
from backstay.app.learning import Known, as_it_stands, learned_case, thinned
from backstay.app.loading import LoadedCase, load_case
from backstay.app.lying import lying_of
from backstay.app.numbers import finite, quantiles
from backstay.app.progress import FIRST_RUNG, Progress
from backstay.app.safety import case_safety, limits_of
from backstay.app.solving import (
    DEPTHS,
    LOADS,
    Answer,
    SolvedRig,
    solve_rigs,
)
from backstay.app.treatment import size_case
from backstay.app.way_back import WAY_BACK_SOURCES, way_back
from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.chance_words import chance_words
from backstay.core.inference.draws import DrawSet, sample, with_overrides
from backstay.core.inference.surface import DESIGN_POINTS
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.fit import FitReport
from backstay.core.rigging.moves import Alternative
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS, with_way_back
from backstay.identifiers import Cause, LimitedBy
from backstay.sources import all_sources

FloatArray = NDArray[np.float64]

DEFAULT_SEED = 1
DEFAULT_DRAW_COUNT = 1024
MOST_RIGS = 15
"""The rig in place and fourteen others: more than anyone reads."""
CAUTIONED_RIGS = 4
"""Cautions of the rig in place and the three best others lead the plan; every rig keeps its own."""
FIT_ERROR = 0.141
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


def plan(
    case_file: str | Path,
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    only_in_place: bool = False,
    progress: Progress | None = None,
) -> PlanDocument:
    """Read a case and plan it; see `plan_case`."""
    return plan_case(
        load_case(case_file), seed=seed, draws=draws, only_in_place=only_in_place, progress=progress
    )


def plan_case(
    case: LoadedCase,
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    only_in_place: bool = False,
    progress: Progress | None = None,
) -> PlanDocument:
    """Answer for the rig in place and for the rigs that can be made from the shelf.

    Parameters
    ----------
    case : LoadedCase
        The case.
    seed : int
        Seed of the draws; the same seed gives the same plan.
    draws : int
        Number of draws.
    only_in_place : bool
        Leave out the other rigs.
    progress : callable, optional
        Called with what is being done and the share done.

    Returns
    -------
    PlanDocument
        The rig in place first, the others by chance.
    """
    if only_in_place:
        return plan_in_place(case, seed=seed, draws=draws, progress=progress).with_way_back(progress)
    sampled = sample(case_specs(case), count=draws, seed=seed)
    entries = _entries(case)
    as_filed, case = case, as_it_stands(case, entries)
    solved = solve_rigs(case, options_of(case), sampled, progress)
    document, _ = plan_of(as_filed, entries, case, solved, sampled, seed=seed, progress=progress)
    return document


@dataclass(frozen=True)
class InPlace:
    """The rig in place answered; its way back takes as long again and is worked out when asked for.

    Attributes
    ----------
    case : LoadedCase
        As the record leaves it.
    document : PlanDocument
        The plan of the rig in place, its way back not told.
    answer : Answer
        Behind it.
    draws : DrawSet
        The uncertain inputs, those of the way back among them.
    """

    case: LoadedCase
    document: PlanDocument
    answer: Answer
    draws: DrawSet

    def with_way_back(self, progress: Progress | None = None) -> PlanDocument:
        """Return the plan with the way back out."""
        found = way_back(self.case, self.answer, self.draws, progress)
        return self.document.model_copy(update={"way_back": found})


def plan_in_place(
    case: LoadedCase,
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> InPlace:
    """Answer for the rig in place alone; arguments as for `plan_case`."""
    sampled = sample(case_specs(case), count=draws, seed=seed)
    entries = _entries(case)
    as_filed, case = case, as_it_stands(case, entries)
    options = options_of(case)[:1]
    solved = solve_rigs(case, options, sampled, progress)
    believed, learned, answers, results = _answered(
        as_filed, entries, case, solved, sampled, seed=seed, particles=draws, progress=progress
    )
    document = document_of(case, results, options, believed, seed=seed)
    document = document.model_copy(update={"learned": None if learned is None else learned.document})
    return InPlace(case, document, answers[0], way_back_draws(case, believed, seed))


def _entries(case: LoadedCase) -> tuple[Entry, ...]:
    """Return what stands of a case's record."""
    return tuple(standing(entries_of(read_events(events_path(case.file)))))


def options_of(case: LoadedCase) -> tuple[Alternative, ...]:
    """Return the rig in place and those that can be made from the shelf."""
    return alternatives(
        case.rig,
        case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
        most=MOST_RIGS,
    )


def plan_of(
    as_filed: LoadedCase,
    entries: Sequence[Entry],
    case: LoadedCase,
    solved: Sequence[SolvedRig],
    sampled: DrawSet,
    *,
    seed: int,
    progress: Progress | None = None,
) -> tuple[PlanDocument, list[Answer]]:
    """Return the plan from rigs that are solved, the one in place first, and every rig's answer behind it.

    As soon as the rigs are answered the first rung so far is told of; what moves place, the way back and the whole
    ladder take longer.

    Parameters
    ----------
    as_filed, entries : LoadedCase, sequence of Entry
        The case as its file says, and what stands of its record.
    case : LoadedCase
        The case as the record leaves it.
    solved : sequence of SolvedRig
        Solved for it.
    sampled : DrawSet
        The uncertain inputs, before attempts taught anything.
    seed, progress
        As for `plan_case`.
    """
    options = [rig.alternative for rig in solved]
    believed, known, answers, results = _answered(
        as_filed,
        entries,
        case,
        solved,
        sampled,
        seed=seed,
        particles=LADDER_DRAWS_PER_DRAW * sampled.count,
        progress=progress,
    )
    if progress is not None:
        first = provisional_rung(case, case_safety(case), believed, answers, told=known is not None)
        progress(f"{FIRST_RUNG}{first}", 1.0)
    carried = carry(case, options, believed, seed=seed, progress=progress)
    results = with_own_deliveries(case, results, options, carried, believed, seed=seed)
    ordered = in_order(results)
    document = document_of(case, ordered, options, believed, seed=seed, here=answers[0], progress=progress)
    if known is not None:
        document = document.model_copy(update={"learned": known.document})
    ladder = ladder_of(
        case,
        solved,
        sampled,
        believed=known.draws if known is not None else None,
        seed=seed,
        carried=carried,
        progress=progress,
    )
    return document.model_copy(update={"ladder": ladder}), answers


def _answered(
    as_filed: LoadedCase,
    entries: Sequence[Entry],
    case: LoadedCase,
    solved: Sequence[SolvedRig],
    sampled: DrawSet,
    *,
    seed: int,
    particles: int,
    progress: Progress | None,
) -> tuple[DrawSet, Known | None, list[Answer], list[RigResult]]:
    """Return the draws that attempts left, what was learnt, and every rig's answer over them; arguments as for `plan_of`."""
    known = learned_case(
        as_filed, entries=entries, solved=solved, seed=seed, particles=particles, progress=progress
    )
    believed = sampled if known is None else thinned(known.draws, sampled.count)
    answers = [rig.answer(believed) for rig in solved]
    results = [rig_result(a, rig.fit, case) for a, rig in zip(answers, solved, strict=True)]
    if known is not None:
        results = [_with_chance(r, known.chances[r.id], known.draws.count) for r in results]
    return believed, known, answers, results


def carry(
    case: LoadedCase,
    options: Sequence[Alternative],
    draws: DrawSet,
    *,
    seed: int,
    progress: Progress | None = None,
) -> dict[str, list[SolvedCarry]]:
    """Return what the options' moves place, solved on its own way in and back."""
    return solve_own(case, options, way_back_draws(case, draws, seed), progress)


def with_own_deliveries(
    case: LoadedCase,
    results: Sequence[RigResult],
    options: Sequence[Alternative],
    carried: Mapping[str, Sequence[SolvedCarry]],
    draws: DrawSet,
    *,
    seed: int,
) -> list[RigResult]:
    """Return the results with what their moves place: whether that gets to its own place, and back."""
    found = own_deliveries(options, carried, way_back_draws(case, draws, seed))
    return [result.model_copy(update=found.get(result.id, {})) for result in results]


def way_back_draws(case: LoadedCase, draws: DrawSet, seed: int) -> DrawSet:
    """Return the draws with those of the way back beside them, as the case wants them."""
    return with_way_back(draws, seed=seed, specs=with_overrides(WAY_BACK_DRAWS, case.way_back_overrides))


def _with_chance(result: RigResult, value: float, count: int) -> RigResult:
    """Return a rig's answer with the chance that includes the spread from try to try."""
    return result.model_copy(update={"chance": chance_of(value, count)})


def ladder_of(
    case: LoadedCase,
    solved: Sequence[SolvedRig],
    draws: DrawSet,
    *,
    believed: DrawSet | None = None,
    seed: int,
    carried: Mapping[str, Sequence[SolvedCarry]],
    progress: Progress | None = None,
) -> LadderPart:
    """Return the ladder of a case whose rigs, and what their moves place, are solved.

    `believed` are the many draws that attempts left; no more of them can be drawn.
    """
    more = believed or sample(draws.specs, count=LADDER_DRAWS_PER_DRAW * draws.count, seed=seed)
    climbed = climb(
        case,
        case_safety(case),
        more,
        solved=solved,
        carried=carried,
        told=believed is not None,
        seed=seed if believed is None else None,
        progress=progress,
    )
    return ladder_part(climbed)


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


def document_of(
    case: LoadedCase,
    rigs: list[RigResult],
    options: Sequence[Alternative],
    sampled: DrawSet,
    *,
    seed: int,
    here: Answer | None = None,
    progress: Progress | None = None,
) -> PlanDocument:
    """Return the plan without its ladder; `here` is the answer for the rig in place, whose way back is told where it is given."""
    draws = way_back_draws(case, sampled, seed)
    found = {
        "treatment": size_case(case),
        "limits": limits_of(case_safety(case), options=options),
        "way_back": None if here is None else way_back(case, here, draws, progress),
    }
    return bare_document(case, rigs, options, draws, seed=seed).model_copy(update=found)


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
