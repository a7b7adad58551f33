"""The ladder as it leaves the program."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, NamedTuple

from backstay.adapters.ladder_file import Harm, LadderPart, LadderRow, LadderRung, Rival
from backstay.app.ladder.changing import asked_first, changed_by
from backstay.app.ladder.climbing import Climbed, barred
from backstay.app.ladder.closed import closed_rows
from backstay.app.ladder.handling import handling_words
from backstay.app.ladder.restating import Restated, restate
from backstay.app.ladder.states import AS_IT_IS, TRY, State, Weights, spent_on
from backstay.core.inference.ladder import FEWEST_DRAWS, Choice, Step
from backstay.core.rigging.move_facts import AS_IT_IS as AS_IT_IS_FACTS
from backstay.core.rigging.move_table import MOVES
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.needs import NO_LEAK
from backstay.identifiers import MoveId

When = Literal["first", "not_landed", "not_opened"]

QUICK_ERROR, RARE_ERROR = 0.25, 0.35
"""Largest difference of a chance from that of the same combinations solved in full, on the cases checked (docs/validation.md):
at rungs that a tenth of all draws or more comes to, and further down, where those are left in which the two ways differ."""


def ladder_part(c: Climbed) -> LadderPart:
    """Return a ladder for the plan."""
    told = Told(c, restate(c))
    best, w = c.best, c.tree.weights
    rungs, ends = told.chain(best, Place("", "first", ""), 0.0)
    start = c.tree.met[c.tree.start.at].situation
    return LadderPart(
        rungs=rungs,
        not_opened=told.closed(best, rungs),
        gate=c.gate,
        chance=told.total(best),
        expected_cost=told.expected(best),
        stopping=c.ladder.stopping,
        ends=ends,
        closed=closed_rows(c),
        runner_up=_rival(c, best),
        changed_by=changed_by(c),
        blocked=blocked_rows(start),
        unranked=unranked_rows(start, handling_words(c)),
        weights={"per_minute": w.per_minute, "per_mL": w.per_mL, "per_mGy": w.per_mGy},
        depth=c.depth,
        draw_count=told.restated.draw_count,
        solves=c.solves,
        settled=c.settled,
        quick_error=QUICK_ERROR,
        rare_error=RARE_ERROR,
        notes=_notes(c),
    )


def _notes(c: Climbed) -> list[str]:
    """Return what a reader must know of how the order was found."""
    notes = []
    if not c.settled:
        notes.append(
            "The search stopped early: orders through rigs that were not solved are left out, so a better one may hide."
        )
    if not c.carried:
        notes.append("Whether what each move places gets there itself was not asked.")
    return notes


class Place(NamedTuple):
    """Where a way down a policy begins: its letter, what must have happened, and after which rung."""

    letter: str
    when: When
    after: str


@dataclass(frozen=True)
class Told:
    """Puts a ladder into rungs, its numbers from all the draws that were followed down it."""

    c: Climbed
    restated: Restated

    def chain(
        self, choice: Choice[State] | None, place: Place, landed: float
    ) -> tuple[list[LadderRung], str]:
        """Return the rungs down one way of a policy, and why there is no further one."""
        found: list[LadderRung] = []
        when, after = place.when, place.after
        while choice is not None and choice.step is not None and self.restated.known(choice):
            rung = self._rung(choice, f"{place.letter}{len(found) + 1}", when, after, landed)
            found.append(rung)
            landed, after = rung.chance_so_far, rung.mark
            nothing_opens = choice.opens == 0.0
            choice, when = (choice.if_not, "not_opened") if nothing_opens else (choice.then, "not_landed")
        return found, _ends(self.c, choice, len(found))

    def closed(self, best: Choice[State], rungs: list[LadderRung]) -> list[LadderRung]:
        """Return the ways on where a preparation does not open the lesion, one after the other, each with its letter."""
        found: list[LadderRung] = []
        choice, last = best, list(rungs)
        for letter in "ABCDEF":
            after = 0
            # A move that shows nothing is followed by what does, on the same way.
            while choice.opens == 0.0 and choice.if_not is not None:
                choice, after = choice.if_not, after + 1
            if choice.if_not is None or after >= len(last):
                break
            landed = (found or rungs)[-1].chance_so_far
            way, _ = self.chain(choice.if_not, Place(letter, "not_opened", last[after].mark), landed)
            if not way:
                break
            found += way
            choice, last = choice.if_not, way
        return found

    def _rung(self, choice: Choice[State], mark: str, when: When, after: str, landed: float) -> LadderRung:
        c, step, count = self.c, choice.step, self.restated.of(choice)
        assert step is not None
        reached = count.weight / self.restated.total
        arrives = c.landings.arrives.get(step.name)
        option = option_of(c, choice.state, step)
        s = c.tree.met[step.then.at].situation
        pushes = choice.opens != 0.0
        spent = (0.0, 0.0, 0.0) if option is None else spent_on(option)
        return LadderRung(
            mark=mark,
            after=after,
            id=step.name,
            change=change_words(option),
            moves=[MoveId.AS_IT_IS] if option is None else list(option.moves),
            when=when,
            rig=s.rig.describe(),
            device=s.device.name,
            reached=reached,
            chance=count.landed / count.weight if pushes else None,
            arrives=None if arrives is None else c.ladder.weighing.weight(arrives) / c.best.weight,
            opens=None if choice.opens is None else count.opened / count.weight,
            chance_so_far=landed + count.landed / self.restated.total,
            draws=count.draws,
            minutes=spent[0] + TRY[0],
            contrast_mL=spent[1] + TRY[1],
            air_kerma_mGy=spent[2] + TRY[2],
            cost=step.cost + step.try_cost,
            expected_cost=self.expected(choice),
            give_up_min=_give_up_min(c.tree.weights, choice, c.ladder.stopping, spent[0] + TRY[0]),
            give_up=AS_IT_IS_FACTS.give_up if option is None else option.give_up,
            harm=[
                Harm(per_1000=one.per_1000, what=one.what, source=one.source)
                for one in (AS_IT_IS_FACTS.harm if option is None else option.harm)
            ],
            cautions=[] if option is None else list(option.cautions),
            check_first=[] if option is None else asked_first(c, option),
            runner_up=_rival(c, choice),
        )

    def expected(self, choice: Choice[State]) -> float:
        """Return the expected cost from a rung on, by the counts; below what is known one stops."""
        if choice.step is None or not self.restated.known(choice):
            return self.c.ladder.stopping
        count, step = self.restated.of(choice), choice.step
        failed, closed = count.opened - count.landed, count.weight - count.opened
        cost = step.cost + step.try_cost * count.opened / count.weight
        for rest, then in ((failed, choice.then), (closed, choice.if_not)):
            if rest > 0.0:
                further = self.c.ladder.stopping if then is None else self.expected(then)
                cost += rest / count.weight * further
        return cost

    def total(self, choice: Choice[State] | None) -> float:
        """Return the chance, from the start, that it lands at a rung or below it."""
        if choice is None or choice.step is None or not self.restated.known(choice):
            return 0.0
        own = self.restated.of(choice).landed / self.restated.total
        return own + self.total(choice.then) + self.total(choice.if_not)


def blocked_rows(s: Situation) -> list[LadderRow]:
    """Return the ranked moves that cannot be made now, each with the reason."""
    rows = []
    for move in MOVES:
        if not move.effects:
            continue
        options = [one for effect in move.effects for one in effect(s)]
        if any(not one.blocked for one in options):
            continue
        judged = move.judged(s)
        why = [*judged.reasons, *(text for one in options for text in one.blocked)]
        source = next((need.rule.source for need in judged.broken), "")
        rows.append(
            LadderRow(
                move=move.id,
                words=move.words,
                why=list(dict.fromkeys(why)) or [move.lacking],
                source=source,
            )
        )
    return rows


def unranked_rows(s: Situation, by_hand: Mapping[MoveId, str] | None = None) -> list[LadderRow]:
    """Return the moves that are no rungs, with the reason, what the model says of them, and what blocks them."""
    words = by_hand or {}
    return [
        LadderRow(
            move=move.id,
            words=move.words,
            why=[
                move.why_unranked,
                *([words[move.id]] if move.id in words else []),
                *(f"not now: {text}" for text in move.judged(s).reasons),
            ],
        )
        for move in MOVES
        if not move.effects
    ]


def option_of(c: Climbed, state: State, step: Step[State]) -> Alternative | None:
    """Return the move of a step; None for pushing as it is."""
    return None if step.name == AS_IT_IS else c.tree.taken[state.at, step.name]


def change_words(option: Alternative | None) -> str:
    """Return a move in words."""
    return "push as it is" if option is None else option.change


def _second(c: Climbed, choice: Choice[State]) -> tuple[Step[State] | None, float]:
    """Return the runner-up, to stop among them, and its expected cost."""
    second = choice.second
    if second is None or second[1] >= c.ladder.stopping:
        return None, c.ladder.stopping
    return second


def _rival(c: Climbed, choice: Choice[State]) -> Rival | None:
    if choice.step is None:
        return None
    step, cost = _second(c, choice)
    change = "stop" if step is None else change_words(option_of(c, choice.state, step))
    exact = step is None or c.landings.is_exact(step.then.at)
    return Rival(
        change=change, expected_cost=cost, more=max(cost - choice.expected, 0.0), approximate=not exact
    )


def _give_up_min(w: Weights, choice: Choice[State], stopping: float, minutes: float) -> float | None:
    """Return the minutes spent on a rung after which the next best would have been the better choice from the start."""
    others = [cost for _, cost in choice.options[1:]]
    spare = min([*others, stopping]) - choice.expected
    return None if w.per_minute <= 0.0 else minutes + max(spare, 0.0) / w.per_minute


def _ends(c: Climbed, last: Choice[State] | None, rungs: int) -> str:
    """Return why a ladder goes no further."""
    if last is None:
        return "nothing is left that fails"
    if last.unknown or last.step is not None:
        return f"unknown: fewer than {FEWEST_DRAWS} draws fail so often; learn from the tries first"
    if last.options:
        return "stop: every further move is expected to cost more than stopping"
    if barred(c.tree.met[last.state.at].situation) is NO_LEAK:
        return f"stop: {NO_LEAK.rule.say}"
    if not c.tree.steps(last.state):
        return "stop: no move is left that a limit or the shelf allows"
    return f"stop and think again: no more than {rungs} rungs are looked ahead"
