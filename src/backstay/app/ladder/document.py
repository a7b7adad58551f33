"""The ladder as it leaves the program."""

from __future__ import annotations

from typing import Literal

from backstay.adapters.ladder_file import Harm, LadderPart, LadderRow, LadderRung, Rival
from backstay.app.ladder.climbing import Climbed
from backstay.app.ladder.states import AS_IT_IS, TRY, State, Weights, spent_on
from backstay.core.inference.ladder import FEWEST_DRAWS, Choice, Step
from backstay.core.rigging.move_facts import AS_IT_IS as AS_IT_IS_FACTS
from backstay.core.rigging.move_table import MOVES
from backstay.core.rigging.moves import Alternative, Situation
from backstay.identifiers import MoveId

When = Literal["first", "not_landed", "not_opened"]


def ladder_part(c: Climbed) -> LadderPart:
    """Return a ladder for the plan."""
    best, w = c.best, c.tree.weights
    rungs, last = _chain(c, best)
    closed = best.if_not if best.opens else None
    start = c.tree.met[c.tree.start.at].situation
    return LadderPart(
        rungs=rungs,
        not_opened=_chain(c, closed, when="not_opened")[0] if closed is not None else [],
        gate=c.gate,
        chance=best.total,
        expected_cost=best.expected,
        stopping=c.ladder.stopping,
        ends=_ends(last, len(rungs)),
        runner_up=_rival(c, best),
        changed_by=[],
        blocked=blocked_rows(start),
        unranked=unranked_rows(start),
        weights={"per_minute": w.per_minute, "per_mL": w.per_mL, "per_mGy": w.per_mGy},
        depth=c.depth,
        draw_count=c.landings.draws.count,
        solves=c.solves,
        settled=c.settled,
        notes=[],
    )


def _chain(
    c: Climbed, choice: Choice[State] | None, *, when: When = "first"
) -> tuple[list[LadderRung], Choice[State] | None]:
    """Return the rungs down one way of a policy, and where it ends."""
    found: list[LadderRung] = []
    landed = 0.0
    while choice is not None and choice.step is not None:
        rung = _rung(c, choice, when, landed)
        found.append(rung)
        landed = rung.chance_so_far
        nothing_opens = choice.opens == 0.0
        choice, when = (choice.if_not, "not_opened") if nothing_opens else (choice.then, "not_landed")
    return found, choice


def _rung(c: Climbed, choice: Choice[State], when: When, landed: float) -> LadderRung:
    step = choice.step
    assert step is not None
    reached = choice.weight / c.best.weight
    option = option_of(c, choice.state, step)
    s = c.tree.met[step.then.at].situation
    pushes = choice.opens != 0.0
    spent = (0.0, 0.0, 0.0) if option is None else spent_on(option)
    return LadderRung(
        id=step.name,
        change=change_words(option),
        moves=[MoveId.AS_IT_IS] if option is None else list(option.moves),
        when=when,
        rig=s.rig.describe(),
        device=s.device.name,
        reached=reached,
        chance=choice.lands if pushes else None,
        opens=choice.opens,
        chance_so_far=landed + reached * (choice.lands or 0.0),
        draws=choice.draws,
        minutes=spent[0] + TRY[0],
        contrast_mL=spent[1] + TRY[1],
        air_kerma_mGy=spent[2] + TRY[2],
        cost=step.cost + step.try_cost,
        expected_cost=choice.expected,
        give_up_min=_give_up_min(c.tree.weights, choice, c.ladder.stopping, spent[0] + TRY[0]),
        give_up=AS_IT_IS_FACTS.give_up if option is None else option.give_up,
        harm=[
            Harm(per_1000=one.per_1000, what=one.what, source=one.source)
            for one in (AS_IT_IS_FACTS.harm if option is None else option.harm)
        ],
        cautions=[] if option is None else list(option.cautions),
        check_first=[] if option is None else list(option.conditions),
        runner_up=_rival(c, choice),
    )


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


def unranked_rows(s: Situation) -> list[LadderRow]:
    """Return the moves that no term of the model stands behind, with the reason and what blocks them."""
    return [
        LadderRow(
            move=move.id,
            words=move.words,
            why=[move.why_unranked, *(f"not now: {text}" for text in move.judged(s).reasons)],
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


def _ends(last: Choice[State] | None, rungs: int) -> str:
    """Return why a ladder goes no further."""
    if last is None:
        return "it has landed by then in every draw"
    if last.unknown:
        return f"unknown: fewer than {FEWEST_DRAWS} draws fail so often; learn from the tries first"
    if last.options:
        return "stop: every further move is expected to cost more than stopping"
    return f"stop and think again: no more than {rungs} rungs are looked ahead"
