"""What would change the first rung: facts nobody knows yet, and which way the uncertain inputs lie."""

from __future__ import annotations

import numpy as np

from backstay.adapters.ladder_file import OrderFact
from backstay.app.ladder.climbing import Climbed, first_words
from backstay.app.ladder.states import State
from backstay.core.inference.ladder import Choice, as_mask
from backstay.core.rigging.moves import Alternative
from backstay.core.rigging.needs import TOOL_ARRIVES

ASKED = (
    "friction_wall",
    "bed_MPa",
    "lesion_factor",
    "ledge_factor",
    "guide_hold_N",
    "extension_factor",
)
"""Inputs that tries, a measurement or a second look can tell more about."""
_DEPTH = 3


def changed_by(c: Climbed) -> list[OrderFact]:
    """Return what would put another move first.

    For an uncertain input the draws of its lowest and of its highest third are searched by themselves, three
    moves ahead; weights of attempts count.
    """
    if c.best.step is None:
        return []
    return [*_unknown(c), *_inputs(c)]


def _unknown(c: Climbed) -> list[OrderFact]:
    """Return what to check before the first rung, and what comes instead where it is broken."""
    assert c.best.step is not None
    option = c.tree.taken.get((c.best.state.at, c.best.step.name))
    second = c.best.second
    if option is None:
        return []
    then = "stop" if second is None else _words(c, c.best.state, second[0].name if second[0] else None)
    return [OrderFact(fact=f"if not: {text}", then=then, share=None) for text in asked_first(c, option)]


def asked_first(c: Climbed, option: Alternative) -> list[str]:
    """Return what to check before a move: not the gate, which stands above, nor what was worked out."""
    worked_out = {c.gate, TOOL_ARRIVES.ask if option.id in c.landings.arrives else ""}
    return [text for text in option.conditions if text not in worked_out]


def _words(c: Climbed, state: State, name: str | None) -> str:
    option = None if name is None else c.tree.taken.get((state.at, name))
    return "push as it is" if option is None else option.change


def _inputs(c: Climbed) -> list[OrderFact]:
    start = c.tree.start
    usual = first_words(c.tree, c.ladder.best(start, depth=_DEPTH))
    labels = {spec.name: spec.label for spec in c.landings.draws.specs}
    found = []
    for name in ASKED:
        values = c.landings.draws.values.get(name)
        if values is None:
            continue
        low, high = np.quantile(values, [1.0 / 3.0, 2.0 / 3.0])
        for words, flags in (("low", values <= low), ("high", values >= high)):
            choice: Choice[State] = c.ladder.best(start, alive=as_mask(flags), depth=_DEPTH)
            then = first_words(c.tree, choice)
            if then != usual and not choice.unknown:
                found.append(OrderFact(fact=f"{labels[name]}: {words}", then=then, share=1.0 / 3.0))
    return found
