"""Why a ladder has no rung: what closes each move where it says no more than to stop."""

from __future__ import annotations

from backstay.adapters.ladder_file import ClosedBy, ClosedRow
from backstay.app.ladder.climbing import Climbed, barred
from backstay.app.ladder.states import TRY, Left, Spent, State, plus, spent_on
from backstay.core.inference.ladder import Step
from backstay.core.rigging.move_table import MOVES, Move
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.needs import NO_LEAK
from backstay.identifiers import MoveId

NEAREST_FIRST = (
    ClosedBy.COST,
    ClosedBy.OPENS_NOTHING,
    ClosedBy.DRAWS,
    ClosedBy.LIMIT,
    ClosedBy.GATE,
    ClosedBy.NEED,
    ClosedBy.SHELF,
)
GATE_WORDS = "no stent is pushed before the lesion is seen to open, and this does not prepare it"
PUSH_WORDS = "push as it is"


def closed_rows(c: Climbed) -> list[ClosedRow]:
    """Return every move that could be a rung and what closes it, those nearest to being one first; empty where there is a rung.

    A move with several choices tells of the one that comes nearest.
    """
    if c.best.step is not None:
        return []
    s = c.tree.met[c.tree.start.at].situation
    rows = [*_push_row(c), *(_row(c, s, move) for move in MOVES if move.effects)]
    return sorted(rows, key=lambda row: NEAREST_FIRST.index(row.by))


def _push_row(c: Climbed) -> list[ClosedRow]:
    """Return what closes a push as it is; nothing where it was made."""
    start = c.tree.start
    if start.pushed:
        return []
    bar = barred(c.tree.met[start.at].situation)
    if bar is NO_LEAK:
        by, why = ClosedBy.NEED, bar.rule.say
    elif bar is not None:
        by, why = ClosedBy.GATE, "no stent is pushed before the lesion is seen to open"
    else:
        by, why = _by_limit_or_cost(c, "as_it_is", TRY)
    return [ClosedRow(move=MoveId.AS_IT_IS, words=PUSH_WORDS, by=by, why=[why])]


def _row(c: Climbed, s: Situation, move: Move) -> ClosedRow:
    offered = [option for option, _ in c.tree.offered(c.tree.start.at) if option.moves == (move.id,)]
    if offered:
        found = [_why(c, option) for option in offered]
        by, why = min(found, key=lambda one: NEAREST_FIRST.index(one[0]))
        return ClosedRow(move=move.id, words=move.words, by=by, why=[why])
    judged = move.judged(s)
    options = [one for effect in move.effects for one in effect(s)]
    reasons = list(dict.fromkeys([*judged.reasons, *(text for one in options for text in one.blocked)]))
    return ClosedRow(
        move=move.id,
        words=move.words,
        by=ClosedBy.NEED if reasons else ClosedBy.SHELF,
        why=reasons or [move.lacking],
        source=next((need.rule.source for need in judged.broken), ""),
    )


def _why(c: Climbed, option: Alternative) -> tuple[ClosedBy, str]:
    """Return what closes a move that nothing blocks."""
    start = c.tree.start
    if start.shut and c.tree.opens(start.at, option) is None:
        return ClosedBy.GATE, GATE_WORDS
    return _by_limit_or_cost(c, option.id, plus(spent_on(option), TRY))


def _by_limit_or_cost(c: Climbed, name: str, spent: Spent) -> tuple[ClosedBy, str]:
    over = limit_words(c.tree.left, spent)
    if over:
        return ClosedBy.LIMIT, over
    if c.best.unknown:
        return ClosedBy.DRAWS, "too few draws are left to tell: learn from the tries first"
    found = {step.name: (step, cost) for step, cost in c.best.options}
    step, cost = found[name]
    if step.opens == 0:
        return (
            ClosedBy.OPENS_NOTHING,
            f"it shows no opening: no balloon of the vessel's size goes in; {_cost_words(c, cost)}",
        )
    return ClosedBy.COST, f"{_chance_words(c, step)}{_cost_words(c, cost)}"


def _cost_words(c: Climbed, cost: float) -> str:
    return f"with what may follow it is expected to cost {cost:.0f}, stopping {c.ladder.stopping:.0f}"


def _chance_words(c: Climbed, step: Step[State]) -> str:
    """Return the chance of the lesion opening and of the device landing there, in tenths."""
    weight = c.ladder.weighing.weight
    lands = c.landings.lands(step.then.at) & c.best.alive
    if step.opens is None:
        return f"lands {10.0 * weight(lands) / c.best.weight:.0f} in 10; "
    opened = weight(step.opens & c.best.alive) / c.best.weight
    landed = weight(lands & step.opens) / c.best.weight
    return f"opens {10.0 * opened:.0f} in 10, lands {10.0 * landed:.0f} in 10; "


def limit_words(left: Left, spent: Spent) -> str:
    """Return which limits a move with its push would break; empty where none.

    >>> limit_words(Left(minutes=6.0, contrast_mL=9.0), (7.0, 8.0, 65.0))
    'takes 7 min, 6 min are left'
    >>> limit_words(Left(), (7.0, 8.0, 65.0))
    ''
    """
    limits = (left.minutes, left.contrast_mL, left.air_kerma_mGy)
    return "; ".join(
        f"takes {use:.0f} {unit}, {limit:.0f} {unit} are left"
        for use, limit, unit in zip(spent, limits, ("min", "mL", "mGy"), strict=True)
        if limit is not None and use > limit
    )
