"""The ladder in words: what first, what when that fails, and when to leave a rung; in the terminal here, elsewhere as HTML and PDF."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from backstay.adapters.ladder_file import Harm, LadderPart, LadderRung
from backstay.report.words import number, tenths

if TYPE_CHECKING:
    from backstay.report.terminal import Terminal

TITLE = "The ladder: what first, and what when that fails"
WHEN = {"first": "first", "not_landed": "if it does not land", "not_opened": "if the lesion does not open"}
NOT_TRADED = "Harm stands apart: it is not weighed against minutes."


@dataclass(frozen=True)
class RungWords:
    """One rung as rows of words."""

    mark: str
    when: str
    change: str
    chance: str
    so_far: str
    cost: str
    give_up: str
    harm: str
    rival: str
    check_first: tuple[str, ...]
    cautions: tuple[str, ...]


def rung_words(rungs: list[LadderRung]) -> list[RungWords]:
    """Return rungs in words."""
    return [_words(k, rung) for k, rung in enumerate(rungs, 1)]


def _words(k: int, rung: LadderRung) -> RungWords:
    return RungWords(
        mark=str(k),
        when=WHEN[rung.when],
        change=rung.change,
        chance=chance_words(rung),
        so_far=f"{tenths(rung.chance_so_far)} in 10",
        cost=cost_words(rung),
        give_up=_give_up(rung),
        harm="; ".join(harm_words(one) for one in rung.harm) or "no figure",
        rival=rival_words(rung),
        check_first=tuple(rung.check_first),
        cautions=tuple(rung.cautions),
    )


def chance_words(rung: LadderRung) -> str:
    """Return the chance of a rung once it is come to."""
    opened = "" if rung.opens is None else f"opens {tenths(rung.opens)} in 10"
    lands = "" if rung.chance is None else f"lands {tenths(rung.chance)} in 10"
    return ", ".join(part for part in (opened, lands) if part)


def cost_words(rung: LadderRung) -> str:
    """Return what a rung takes, its push counted in."""
    parts = ((rung.minutes, "min"), (rung.contrast_mL, "mL"), (rung.air_kerma_mGy, "mGy"))
    return ", ".join(f"{number(value, 0)}\u00a0{unit}" for value, unit in parts)


def _give_up(rung: LadderRung) -> str:
    after = "" if rung.give_up_min is None else f"after {number(rung.give_up_min, 0)} min"
    return "; ".join(part for part in (after, rung.give_up) if part)


def harm_words(harm: Harm) -> str:
    """Return one harm with its figure."""
    return harm.what if harm.per_1000 is None else f"{harm.what} {harm.per_1000:g} in 1000"


def rival_words(rung: LadderRung) -> str:
    """Return what comes second and how close it is."""
    rival = rung.runner_up
    if rival is None:
        return ""
    about = "about " if rival.approximate else ""
    return f"{rival.change}: {about}{number(rival.more, 1)} more"


def summary(part: LadderPart) -> str:
    """Return what the whole ladder comes to."""
    return (
        f"Lands in the end in {tenths(part.chance)} of 10. Expected cost {number(part.expected_cost, 0)}, stopping at once "
        f"{number(part.stopping, 0)}, in minutes' worth by the case's weights. {NOT_TRADED}"
    )


def render(t: Terminal, part: LadderPart) -> None:
    """Print the ladder."""
    t.heading(TITLE)
    t.say(summary(part))
    if part.gate:
        t.say(f"Gate: {part.gate}", "bold")
    _table(t, part.rungs)
    t.say(f"Then: {part.ends}")
    if part.not_opened:
        t.say("If the first preparation does not open the lesion:", "bold")
        _table(t, part.not_opened)


def _table(t: Terminal, rungs: list[LadderRung]) -> None:
    heads = ["", "rung", "chance here", "so far", "cost", "leave it", "runner-up"]
    rows = [
        [
            w.mark,
            f"{w.when}: {w.change}",
            w.chance.replace(", ", "\n"),
            w.so_far,
            w.cost.replace(", ", "\n"),
            w.give_up,
            w.rival,
        ]
        for w in rung_words(rungs)
    ]
    t.table(heads, rows, (3, 30, 17, 10, 12, 14, 20))
