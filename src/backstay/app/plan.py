"""The main job: will this device reach its landing point with the rig in place, why or why not, and with which rig best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.plan_file import (
    PlanDocument,
    RigResult,
)
from backstay.adapters.record_entries import entries_of
from backstay.app.carrying import SolvedCarry, own_deliveries, solve_own
from backstay.app.holds import case_specs
from backstay.app.ladder import LADDER_DRAWS_PER_DRAW, climb, ladder_part, provisional_rung
from backstay.app.ladder.landings import ShapeKey
from backstay.app.learning import Known, as_it_stands, learned_case, thinned
from backstay.app.learning.reranking import LadderAfter, ladder_after
from backstay.app.loading import LoadedCase, load_case
from backstay.app.mending import recorded
from backstay.app.plan_document import bare_document, chance_of, in_order, rig_result
from backstay.app.progress import FIRST_RUNG, Progress
from backstay.app.safety import case_safety, limits_of
from backstay.app.solving import (
    Answer,
    SolvedRig,
    solve_rigs,
)
from backstay.app.treatment import size_case
from backstay.app.way_back import way_back
from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.draws import DrawSet, sample, with_overrides
from backstay.core.mechanics.delivery import Transfer
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.moves import Alternative
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS, with_way_back

FloatArray = NDArray[np.float64]

DEFAULT_SEED = 1
DEFAULT_DRAW_COUNT = 1024
MOST_RIGS = 15
"""The rig in place and fourteen others: more than anyone reads."""


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
        return plan_in_place(case, seed=seed, draws=draws, progress=progress).whole(progress)
    sampled = sample(case_specs(case), count=draws, seed=seed)
    entries = _entries(case)
    as_filed, case = case, as_it_stands(case, entries)
    solved = solve_rigs(case, options_of(case), sampled, progress)
    made = plan_of(as_filed, entries, case, solved, sampled, seed=seed, progress=progress)
    return made.whole(progress)


@dataclass(frozen=True)
class Planned:
    """A plan but for what nobody waits for: the way back with the rig in place, and what the last attempt changed.

    Attributes
    ----------
    case : LoadedCase
        As the record leaves it.
    document : PlanDocument
        The plan without them.
    answers : sequence of Answer
        Behind its rigs, that of the one in place first.
    draws : DrawSet
        The uncertain inputs, those of the way back among them.
    believed : DrawSet
        The uncertain inputs as attempts left them.
    after : LadderAfter or None
        The ladder that attempts left, where they left one.
    """

    case: LoadedCase
    document: PlanDocument
    answers: Sequence[Answer]
    draws: DrawSet
    believed: DrawSet
    after: LadderAfter | None = None

    def whole(self, progress: Progress | None = None) -> PlanDocument:
        """Return the plan with the way back out, and what the last attempt changed of the ladder."""
        told: dict[str, object] = {"way_back": way_back(self.case, self.answers[0], self.draws, progress)}
        if self.after is not None:
            told["learned"] = self.after.document()
        return self.document.model_copy(update=told)


@dataclass
class Shapes:
    """What earlier plans of a case solved beyond its rigs: attempts change draws, not shapes.

    Attributes
    ----------
    lesions : tuple of Lesion
        As they were then: the loads that a shape is solved at are theirs.
    carried : dict of str to list of SolvedCarry
        What moves place, by move.
    ladder : dict
        The ladder's own shapes.
    """

    lesions: tuple[Lesion, ...]
    carried: dict[str, list[SolvedCarry]] = field(default_factory=dict)
    ladder: dict[ShapeKey, Sequence[Transfer]] = field(default_factory=dict)


def plan_in_place(
    case: LoadedCase,
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> Planned:
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
    return Planned(case, document, answers, way_back_draws(case, believed, seed), believed)


def _entries(case: LoadedCase) -> tuple[Entry, ...]:
    """Return what stands of a case's record."""
    return tuple(standing(entries_of(recorded(case.file))))


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
    shapes: Shapes | None = None,
    progress: Progress | None = None,
) -> Planned:
    """Return the plan from rigs that are solved, the one in place first.

    As soon as the rigs are answered the first rung so far is told of; what moves place and the whole ladder take longer.

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
    shapes : Shapes, optional
        What earlier plans of the case on these lesions solved; what this one solves is added.
    seed, progress
        As for `plan_case`.
    """
    shapes = shapes or Shapes(case.lesions)
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
    if not shapes.carried:
        shapes.carried = carry(case, options, believed, seed=seed, progress=progress)
    results = with_own_deliveries(case, results, options, shapes.carried, believed, seed=seed)
    document = document_of(case, in_order(results), options, believed, seed=seed)
    after = None
    if known is not None and not known.landed:
        after = ladder_after(known, shapes.carried, shapes.ladder, progress)
        ladder = after.part
    else:
        climbed = climb(
            case,
            case_safety(case),
            sample(sampled.specs, count=LADDER_DRAWS_PER_DRAW * sampled.count, seed=seed)
            if known is None
            else known.draws,
            solved=solved,
            carried=shapes.carried,
            told=known is not None,
            seed=seed if known is None else None,  # no more can be drawn of what attempts left
            shapes=shapes.ladder,
            progress=progress,
        )
        shapes.ladder.update(climbed.landings.solved)
        ladder = ladder_part(climbed)
    learned = None if known is None else known.document
    return Planned(
        case,
        document.model_copy(update={"ladder": ladder, "learned": learned}),
        answers,
        way_back_draws(case, believed, seed),
        believed,
        after,
    )


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


def document_of(
    case: LoadedCase,
    rigs: list[RigResult],
    options: Sequence[Alternative],
    sampled: DrawSet,
    *,
    seed: int,
) -> PlanDocument:
    """Return the plan without its ladder and way back."""
    draws = way_back_draws(case, sampled, seed)
    found = {"treatment": size_case(case), "limits": limits_of(case_safety(case), options=options)}
    return bare_document(case, rigs, options, draws, seed=seed).model_copy(update=found)
