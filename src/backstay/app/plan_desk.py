"""A case's plan kept in memory: rigs are solved one after another, and answered at once ever after."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from backstay.adapters.case_file import RigTable, TargetTable, read_case
from backstay.adapters.plan_file import Chance, PlanDocument, RigResult
from backstay.adapters.quantiles import Quantiles
from backstay.app.holds import case_specs
from backstay.app.learning import as_it_stands
from backstay.app.loading import LoadedCase, joined, load_case
from backstay.app.numbers import quantiles
from backstay.app.plan import (
    DEFAULT_DRAW_COUNT,
    DEFAULT_SEED,
    Shapes,
    document_of,
    options_of,
    plan_of,
)
from backstay.app.plan_document import cautions_of, chance_of, in_order, rig_result
from backstay.app.progress import Progress
from backstay.app.sketching import demo_folder
from backstay.app.solving import (
    Answer,
    SolvedRig,
    landing_tip_mm,
    levels_for,
    passage_for,
    solve_rigs,
    solver_key,
    tips_for,
)
from backstay.core.inference.chance import crossing_load_N
from backstay.core.inference.draws import DEFAULT_DRAWS, median_case, sample
from backstay.core.inference.surface import design, factors_at
from backstay.core.mechanics.delivery import transfer
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.asked import asked
from backstay.core.rigging.devices import Balloon, Device, Stent
from backstay.core.rigging.fit import check_fit
from backstay.core.rigging.move_facts import AS_IT_IS
from backstay.core.rigging.moves import Alternative, Situation
from backstay.errors import InputError, NotFound
from backstay.identifiers import EventKind, MoveId

ValueT = TypeVar("ValueT")

WEIGHED = frozenset({EventKind.ATTEMPT, EventKind.INFLATION, EventKind.PREPARED, EventKind.COMPLICATION})
"""Events after which the rigs are weighed anew."""
SAME_LENGTH_mm = 1.0
"""A stretch is as long as the device that covers it, within this."""
MOST_ASKED = 20
"""Rigs of the user's own that are kept; the oldest goes first."""


@dataclass(frozen=True)
class Place:
    """One rig's device with its tip at one place on its way in.

    Attributes
    ----------
    step, steps : int
        Which of the places at which it was solved, from 0, and how many there are.
    tip_mm : float
        From the ostium.
    need_N, backup_N, margin_N : Quantiles
        Push needed there, backup, and what is left of it.
    prolapsed : float
        Share of the draws in which the assembly prolapses there.
    gets_here : Chance
        That the tip gets this far.
    """

    step: int
    steps: int
    tip_mm: float
    need_N: Quantiles
    backup_N: Quantiles
    margin_N: Quantiles
    prolapsed: float
    gets_here: Chance


class PlanDesk:
    """The plan of one case, as far as it is worked out.

    Parameters
    ----------
    case : LoadedCase
        The case.
    draws, seed : int
        As for `plan_case`: once every rig is solved, the plan is the same.
    """

    def __init__(
        self, case: LoadedCase, *, draws: int = DEFAULT_DRAW_COUNT, seed: int = DEFAULT_SEED
    ) -> None:
        self.case, self.seed = case, seed
        self.draws = sample(case_specs(case), count=draws, seed=seed)
        self.options = options_of(case)
        self._solved: dict[str, SolvedRig] = {}
        self._answers: dict[str, Answer] = {}
        self._results: dict[str, RigResult] = {}
        self._asked: list[str] = []
        self._own: dict[str, LoadedCase] = {}
        self._stands, self._believed = case, self.draws
        self._count = 0
        self._base: PlanDocument | None = None
        self._shapes = Shapes(case.lesions)
        self.weighed_by: tuple[str, ...] = ()
        self._lock = threading.Lock()

    def groups(self) -> list[tuple[Alternative, ...]]:
        """Return the rigs that are solved together, the rig in place in the first group."""
        found: dict[tuple[object, ...], list[Alternative]] = {}
        for option in self.options:
            passage = passage_for(self.case.path, option.lesions, option, landing_tip_mm(self.case, option))
            found.setdefault(solver_key(passage), []).append(option)
        return [tuple(group) for group in found.values()]

    def solve(self, options: Sequence[Alternative], progress: Progress | None = None) -> list[str]:
        """Work out rigs of one group; returns their ids."""
        self._work_out(self.case, options, progress)
        return [option.id for option in options]

    def _work_out(self, case: LoadedCase, options: Sequence[Alternative], progress: Progress | None) -> None:
        solved = solve_rigs(case, options, self.draws, progress)
        answers = [rig.answer(self.draws) for rig in solved]
        results = [rig_result(a, rig.fit, case) for a, rig in zip(answers, solved, strict=True)]
        with self._lock:
            for rig, answer, result in zip(solved, answers, results, strict=True):
                self._solved[result.id], self._answers[result.id] = rig, answer
                self._results[result.id] = result
        if self._base is None and any(result.in_place for result in results):
            self._base = document_of(self.case, in_order(results), self.options, self.draws, seed=self.seed)

    def settle(self, entries: Sequence[Entry], progress: Progress | None = None) -> Iterator[PlanDocument]:
        """Work out the whole plan by the record so far, once every rig is solved: what attempts taught, the moves' own
        deliveries, the ladder; then what nobody waits for. Yields the plan as it stands after each.
        Without attempts it is what `plan_case` gives.

        After attempts the lesions are as the record leaves them, on the shapes solved before: a prepared lesion
        changes the load it takes to cross it, not the shape the assembly takes under a load.
        """
        stands = standing(entries)
        case = as_it_stands(self.case, stands)
        solved = [self._solved[option.id] for option in self.options]
        if case.lesions != self.case.lesions:
            solved = self._upon(case, progress)
        if self._shapes.lesions != case.lesions:
            self._shapes = Shapes(case.lesions)
        made = plan_of(
            self.case,
            stands,
            case,
            solved,
            self.draws,
            seed=self.seed,
            shapes=self._shapes,
            progress=progress,
        )
        self._stands, self._believed = case, made.believed
        own = {name: self._again(name) for name in self._asked}
        with self._lock:
            self._answers.update({answer.alternative.id: answer for answer in made.answers})
            self._results = {**own, **{result.id: result for result in made.document.rigs}}
            self._base, self.weighed_by = made.document, self.weighs(entries)
        yield made.document
        self._base = made.whole(progress)
        yield self._base

    def _again(self, name: str) -> RigResult:
        """Weigh a rig of the user's own by what attempts left, on the lesions as the record leaves them."""
        rig, own = self._solved[name], self._own[name]
        option = replace(rig.alternative, lesions=self._stands.lesions)
        passage = passage_for(self.case.path, option.lesions, option, landing_tip_mm(own, option))
        if solver_key(passage) == solver_key(rig.passage):
            rig = replace(rig, alternative=option, passage=passage)
        answer = rig.answer(self._believed)
        self._answers[name] = answer
        return rig_result(answer, rig.fit, own)

    def weighs(self, entries: Sequence[Entry]) -> tuple[str, ...]:
        """Return the events of a record that the rigs are weighed by."""
        return tuple(entry.id for entry in standing(entries) if entry.kind in WEIGHED)

    def _upon(self, case: LoadedCase, progress: Progress | None) -> list[SolvedRig]:
        """Return the rigs of a case with other lesions, on the shapes that are solved; what has none is solved now."""
        shapes = {solver_key(rig.passage): rig for rig in self._solved.values()}
        found = []
        for option in options_of(case):
            tip_mm = landing_tip_mm(case, option)
            passage = passage_for(case.path, option.lesions, option, tip_mm)
            shape = shapes.get(solver_key(passage))
            if shape is None:
                found += solve_rigs(case, [option], self.draws, progress)
            else:
                fit = check_fit(option.rig, option.device, landing_tip_mm=tip_mm, shelf=case.shelf)
                found.append(replace(shape, alternative=option, passage=passage, fit=fit))
        return found

    @property
    def plan(self) -> PlanDocument | None:
        """Return the plan so far; None before the rig in place is solved."""
        if self._base is None or self._base.ladder is not None:
            return self._base
        with self._lock:
            rigs = in_order([r for r in self._results.values() if r.id not in self._asked])
        return self._base.model_copy(update={"rigs": rigs, "cautions": cautions_of(rigs)})

    def plan_with(self, rig_id: str) -> PlanDocument:
        """Return the plan so far with this rig in it, also when it is one of the user's own.

        Raises
        ------
        NotFound
            There is no such rig, or it is not solved yet.
        """
        rig, plan = self.rig(rig_id), self.plan
        if plan is None:
            raise NotFound("the rig in place is being worked out", field="plan", allowed="a moment later")
        return plan.model_copy(update={"rigs": [*plan.rigs, rig]}) if rig_id in self._asked else plan

    @property
    def own(self) -> list[RigResult]:
        """Return the rigs of the user's own, the latest first."""
        with self._lock:
            return [self._results[name] for name in reversed(self._asked) if name in self._results]

    @property
    def waiting(self) -> list[Alternative]:
        """Return the rigs of the plan that are not solved yet."""
        return [option for option in self.options if option.id not in self._solved]

    def rig(self, rig_id: str) -> RigResult:
        """Return a rig that is solved.

        Raises
        ------
        NotFound
            There is none of this name, or it is not solved yet.
        """
        return self._found(self._results, rig_id)

    def place(self, rig_id: str, step: int) -> Place:
        """Return a rig's device at one of the places where it was solved; `step` is brought into range."""
        answer = self._found(self._answers, rig_id)
        result, last = answer.outcome, len(answer.outcome.tips_mm) - 1
        k = min(max(step, 0), last)
        need = result.need_N[:, k]
        left = np.where(np.isfinite(need), answer.backup_N - need, -np.inf)
        return Place(
            step=k,
            steps=last + 1,
            tip_mm=round(float(result.tips_mm[k] + answer.seat_mm), 2),
            need_N=quantiles(need),
            backup_N=quantiles(answer.backup_N),
            margin_N=quantiles(left),
            prolapsed=float(result.prolapsed[:, k].mean()),
            gets_here=chance_of(float(np.mean(result.stopped > k)), len(result.stopped)),
        )

    def _found(self, held: dict[str, ValueT], rig_id: str) -> ValueT:
        found = held.get(rig_id)
        if found is None:
            allowed = ", ".join(self._results) or "none yet: the rig in place is being worked out"
            raise NotFound("no such rig, or not worked out yet", field="rig", value=rig_id, allowed=allowed)
        return found

    # Rigs of the user's own

    def ask(self, rig: RigTable, target: TargetTable) -> tuple[LoadedCase, Alternative]:
        """Return a rig and target of the user's own, checked against shelf and vessel as a case file is.

        Raises
        ------
        NotFound, FileFormatError, InputError
            As for a case file that said so.
        """
        document = read_case(self.case.file).model_copy(update={"rig": rig, "target": target})
        case = joined(document, self.case.smoothed, self.case.shelf, self.case.inputs)
        check_stretch(case.device, target)
        situation = _situation(self.case, case)
        was = (self.case.target_from_mm, self.case.target_to_mm)
        moved = (case.target_from_mm, case.target_to_mm) != was
        with self._lock:
            self._count += 1
            name = f"own_{self._count}"
        return case, asked(situation, name, rig=case.rig, device=case.device, target_moved=moved)

    def solve_asked(self, case: LoadedCase, option: Alternative, progress: Progress | None = None) -> str:
        """Work out a rig of the user's own; returns its id."""
        with self._lock:
            self._own[option.id] = case
        self._work_out(case, [option], progress)
        result = self._again(option.id)
        with self._lock:
            self._asked.append(option.id)
            self._results[option.id] = result
            while len(self._asked) > MOST_ASKED:
                gone = self._asked.pop(0)
                self._solved.pop(gone, None)
                self._answers.pop(gone, None)
                self._results.pop(gone, None)
                self._own.pop(gone, None)
        return option.id


def check_stretch(device: Device | None, target: TargetTable) -> None:
    """Refuse a stretch that a stent or a balloon does not cover, or goes beyond.

    Raises
    ------
    InputError
        Its length is not the device's.
    """
    if not isinstance(device, Stent | Balloon):
        return
    stretch_mm = target.to_mm - target.from_mm
    if abs(stretch_mm - device.working_mm) > SAME_LENGTH_mm:
        raise InputError(
            f"the stretch is {stretch_mm:g} mm long, the device {device.working_mm:g} mm",
            field="target.to_mm",
            value=target.to_mm,
            allowed=f"{target.from_mm + device.working_mm:g}",
        )


def warm() -> None:
    """Run each compiled loop once on the demo case, so that the first rig asked for does not wait for loading it."""
    case = load_case(demo_folder() / "case.toml")
    situation = _situation(case, case)
    option = situation.alternative("as_it_is", "as it is", [MoveId.AS_IT_IS], [AS_IT_IS])
    tip_mm = landing_tip_mm(case, option)
    passage = passage_for(case.path, case.lesions, option, tip_mm)
    tips = tips_for(passage, tip_mm, depths=3)
    levels = levels_for(crossing_load_N(passage, median_case(DEFAULT_DRAWS), tips))
    factors = factors_at(DEFAULT_DRAWS, design()[0])
    transfer(passage, factors, tips_mm=tips, levels_N=levels, search_to_N=levels[:, -1])


def _situation(in_place: LoadedCase, aim: LoadedCase) -> Situation:
    """Return one case's rig and device, with another's target."""
    return Situation(
        rig=in_place.rig,
        device=in_place.device,
        shelf=aim.shelf,
        path=aim.path,
        lesions=aim.lesions,
        branches=aim.branches,
        target_from_mm=aim.target_from_mm,
        target_to_mm=aim.target_to_mm,
    )
