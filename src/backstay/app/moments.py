"""A case as it stood at a moment of its record, and the model's answer there."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, partial
from itertools import islice

from backstay.adapters.plan_cache import kept_plan
from backstay.adapters.plan_file import PlanDocument
from backstay.app.holds import case_specs
from backstay.app.learning.tried import tried
from backstay.app.loading import LoadedCase
from backstay.app.plan import DEFAULT_DRAW_COUNT, DEFAULT_SEED
from backstay.app.plan_document import bare_document, rig_result
from backstay.app.progress import Progress
from backstay.app.safety import case_safety
from backstay.app.solving import SolvedRig, solve_rigs
from backstay.core.inference.draws import DrawSet, sample
from backstay.core.record.entries import Entry, standing
from backstay.core.record.setup import Setup, setup_at
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.devices import OverWireDevice
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Rig
from backstay.core.safety.now import Now, now_after


@dataclass(frozen=True)
class Course:
    """A case and its record, to be looked at moment by moment.

    Attributes
    ----------
    case : LoadedCase
        The case as it began.
    entries : tuple of Entry
        What stands of the record, by time.
    start : Now
        What was in place before the record.
    named : mapping of str to Alternative
        What was in place at attempts that name it as a plan does, by the entry's id.
    """

    case: LoadedCase
    entries: tuple[Entry, ...]
    start: Now
    named: Mapping[str, Alternative] = field(default_factory=dict)

    def setup(self, count: int) -> Setup:
        """Return what stood in place after the first `count` entries."""
        said = self.entries[:count]
        kinds = {device.id: device.kind for device in self.case.shelf.devices.values()}
        at_mm = {branch.name: branch.at_mm for branch in self.case.branches}
        now = now_after(said, kinds, start=self.start, branch_at_mm=at_mm)
        case = self.case
        return setup_at(
            now, said, rig=case.rig, lesions=case.lesions, branches=case.branches, shelf=case.shelf
        )

    def device(self, entry: Entry) -> OverWireDevice:
        """Return what a try pushed; the case's own device where the record names none that can be pushed."""
        found = self.case.shelf.devices.get(entry.text("device") or "")
        lands = isinstance(found, OverWireDevice) and found.landing_tip_mm(self.case.target_to_mm) + 1.0
        if isinstance(found, OverWireDevice) and lands and lands <= self.case.path.length_mm:
            return found
        return self.case.device

    def minute(self, entry: Entry) -> float:
        """Return when something happened, from the first thing done in the room [min]."""
        return round((entry.at_s - self.entries[0].at_s) / 60.0, 1)


def course_of(case: LoadedCase, entries: Sequence[Entry]) -> Course:
    """Return a case with its record."""
    stands = standing(entries)
    made = {
        one.entry.id: one.alternative for one in tried(case, stands)[0] if one.entry.text("rig") is not None
    }
    named = {name: found for name, found in made.items() if found is not None}
    return Course(case, stands, case_safety(case, entries).start, named)


def situation_at(case: LoadedCase, setup: Setup, device: OverWireDevice) -> Situation:
    """Return a moment as the moves see it."""
    return Situation(
        rig=setup.rig,
        device=device,
        shelf=case.shelf,
        path=case.path,
        lesions=setup.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
    )


def open_then(case: LoadedCase, setup: Setup, device: OverWireDevice) -> tuple[Alternative, ...]:
    """Return the rig in place at a moment, and what else the shelf and the anatomy allowed then."""
    s = situation_at(case, setup, device)
    return alternatives(
        s.rig,
        s.device,
        shelf=s.shelf,
        path=s.path,
        lesions=s.lesions,
        branches=s.branches,
        target_from_mm=s.target_from_mm,
        target_to_mm=s.target_to_mm,
    )


def plan_at(
    case: LoadedCase,
    options: Sequence[Alternative],
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> PlanDocument:
    """Return the model's answer for these rigs, the one in place first; made once and then kept."""
    return plans_at(case, [options], seed=seed, draws=draws, progress=progress)[0]


def plans_at(
    case: LoadedCase,
    moments: Sequence[Sequence[Alternative]],
    *,
    seed: int = DEFAULT_SEED,
    draws: int = DEFAULT_DRAW_COUNT,
    progress: Progress | None = None,
) -> list[PlanDocument]:
    """Return the model's answers at several moments, each for its rigs as for `plan_at`.

    A shape that several moments share is solved once, at the loads that any of them asks for: so an answer is kept for
    these moments together.
    """

    @cache
    def made() -> list[PlanDocument]:
        # Nothing is learnt here from attempts: those that were to come would tell what was not known then.
        sampled = sample(case_specs(case), count=draws, seed=seed)
        every = [option for options in moments for option in options]
        solved = iter(solve_rigs(case, every, sampled, progress))
        return [
            _plan(case, options, list(islice(solved, len(options))), sampled, seed) for options in moments
        ]

    asked = repr([_asked(case, options, seed, draws) for options in moments])
    return [kept_plan(f"{k} of {asked}", partial(lambda k: made()[k], k)) for k in range(len(moments))]


def _plan(
    case: LoadedCase,
    options: Sequence[Alternative],
    solved: Sequence[SolvedRig],
    sampled: DrawSet,
    seed: int,
) -> PlanDocument:
    first = options[0]
    then = replace(case, title="-", rig=first.rig, device=first.device, lesions=first.lesions)
    found = [rig_result(rig.answer(sampled), rig.fit, then) for rig in solved]
    rigs = [rig.model_copy(update={"in_place": rig.id == first.id}) for rig in found]
    plan = bare_document(then, rigs, options, sampled, seed=seed)
    # Warnings name files.
    return plan.model_copy(update={"warnings": []})


def _asked(case: LoadedCase, options: Sequence[Alternative], seed: int, draws: int) -> str:
    """Return everything an answer follows from, as text: files by their digest, devices by their id."""
    files = [hashlib.sha256(file.read_bytes()).hexdigest() for file in case.inputs]
    rows = [
        (one.id, one.change, _rig_key(one.rig), one.device.id, one.lesions, one.conditions, one.cautions)
        for one in options
    ]
    return repr((files, sorted(case.draw_overrides.items()), seed, draws, rows))


def _rig_key(rig: Rig) -> tuple[object, ...]:
    extension = None if rig.extension is None else (rig.extension.id, rig.extension_depth_mm)
    anchor = (
        None if rig.anchor is None else (rig.anchor.balloon.id, rig.anchor.branch, rig.anchor.pressure_atm)
    )
    trapped = None if rig.trapped is None else (rig.trapped.wire.id, rig.trapped.from_mm, rig.trapped.to_mm)
    wires = (rig.rail.id, *(wire.id for wire in rig.buddies))
    return rig.access, rig.guide.id, rig.seat_mm, extension, wires, anchor, trapped
