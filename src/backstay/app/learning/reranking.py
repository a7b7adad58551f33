"""The ladder after an attempt: the order before it and now, searched over the same solved rigs, and what made the difference."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from backstay.adapters.ladder_file import LadderPart
from backstay.adapters.learned_file import LearnedDocument, Reranked, RungChange, Shift
from backstay.app.carrying import SolvedCarry, solve_own
from backstay.app.ladder import ladder_part
from backstay.app.ladder.climbing import Climbed, Effort, climb
from backstay.app.ladder.document import change_words, option_of
from backstay.app.ladder.landings import ShapeKey
from backstay.app.ladder.states import asked_once
from backstay.app.learning.knowing import PARTICLES, Known, learned_case, thinned
from backstay.app.loading import LoadedCase
from backstay.app.progress import Progress
from backstay.app.safety import case_safety
from backstay.core.inference.draws import with_overrides
from backstay.core.inference.ladder import FEWEST_DRAWS
from backstay.core.mechanics.delivery import Transfer
from backstay.core.rigging.move_table import single_moves
from backstay.core.withdrawal.draws import WAY_BACK_DRAWS, with_way_back

CARRY_DRAWS = 1024
MOVED_SD, MOVED_BITS = 0.1, 0.01
"""An unknown that one attempt moved by less is not named as a reason."""


def learned_and_reranked(
    case: LoadedCase, *, seed: int = 1, particles: int = PARTICLES, progress: Progress | None = None
) -> LearnedDocument | None:
    """Return what the attempts of a case teach, and the ladder they leave; None where there are none."""
    known = learned_case(case, seed=seed, particles=particles, progress=progress)
    if known is None:
        return None
    if known.landed:
        return known.document
    specs = with_overrides(WAY_BACK_DRAWS, case.way_back_overrides)
    few = with_way_back(thinned(known.draws, CARRY_DRAWS), seed=seed, specs=specs)
    carried = solve_own(known.case, [rig.alternative for rig in known.solved], few, progress)
    return ladder_after(known, carried, {}, progress).document()


@dataclass(frozen=True)
class LadderAfter:
    """The ladder that attempts leave; what made the difference is told when asked for.

    Attributes
    ----------
    known : Known
        What is known, with the rigs solved.
    climbed : Climbed
        The search, over what the attempts left of the draws.
    part : LadderPart
        The ladder.
    """

    known: Known
    climbed: Climbed
    part: LadderPart

    def document(self) -> LearnedDocument:
        """Return what the attempts taught, with the ladder and what made the difference.

        The ladder before the last attempt is searched anew, on the vessel and within the limits as they are now, among
        the rigs that are solved: the difference is what the attempt taught.
        """
        known, now = self.known, self.climbed
        before = climb(
            known.case,
            case_safety(known.case),
            known.before,
            solved=known.solved,
            carried=now.carried,
            told=len(known.document.attempts) > 1,
            shapes=now.landings.solved,
            options=now.tree.options,
            effort=Effort(most_solves=0),
        )
        moved = [one for one in known.shifts if abs(one.moved_sd) >= MOVED_SD and one.bits >= MOVED_BITS]
        labels = {spec.name: spec.label for spec in known.draws.specs}
        reranked = Reranked(
            ladder=self.part,
            changes=_changes(known, _order(now), _order(before)),
            shifts=[
                Shift(name=one.name, label=labels[one.name], moved_sd=one.moved_sd, bits=one.bits)
                for one in moved
            ],
            past_limits=[
                f"{row.change}: {'; '.join(row.barred)}" for row in known.document.rungs if row.barred
            ],
        )
        return known.document.model_copy(update={"reranked": reranked})


def ladder_after(
    known: Known,
    carried: Mapping[str, Sequence[SolvedCarry]],
    shapes: dict[ShapeKey, Sequence[Transfer]],
    progress: Progress | None = None,
) -> LadderAfter:
    """Return the ladder that attempts leave.

    Parameters
    ----------
    known : Known
        What is known, with the rigs solved.
    carried : mapping of str to sequence of SolvedCarry
        What moves place, solved on its own way in.
    shapes : dict
        What other ladders of the case solved; what this one solves is added.
    progress : callable, optional
        Called with what is being done and the share done.
    """
    climbed = climb(
        known.case,
        case_safety(known.case),
        known.draws,
        solved=known.solved,
        carried=carried,
        told=True,
        shapes=shapes,
        options=asked_once(single_moves),
        progress=progress,
    )
    shapes.update(climbed.landings.solved)
    return LadderAfter(known, climbed, ladder_part(climbed))


def _order(c: Climbed) -> dict[str, tuple[int, str]]:
    """Return the moves down a ladder where each push fails, as far as numbers are shown: place and words, by id."""
    found: dict[str, tuple[int, str]] = {}
    choice = c.best
    while choice.step is not None and choice.draws >= FEWEST_DRAWS:
        found.setdefault(
            choice.step.name, (len(found) + 1, change_words(option_of(c, choice.state, choice.step)))
        )
        below = choice.if_not if choice.opens == 0.0 else choice.then
        if below is None:
            break
        choice = below
    return found


def _changes(
    known: Known, now: Mapping[str, tuple[int, str]], before: Mapping[str, tuple[int, str]]
) -> list[RungChange]:
    """Return every move on either ladder."""
    alone = {row.id: row for row in known.document.rungs}
    rows = []
    for name in [*now, *(name for name in before if name not in now)]:
        row = alone.get(name)
        rows.append(
            RungChange(
                id=name,
                change=(now.get(name) or before[name])[1],
                place_before=before[name][0] if name in before else None,
                place=now[name][0] if name in now else None,
                chance_before=None if row is None else row.previous,
                chance=None if row is None else row.after,
            )
        )
    return rows
