"""The plan and the fit in a terminal, 80 to 120 columns; nothing depends on colour."""

from __future__ import annotations

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from backstay.adapters.plan_file import Chance, Fit, PlanDocument, RigResult
from backstay.core.rigging.fit import FitReport
from backstay.core.rigging.fit_card import CardCell, FitCard
from backstay.identifiers import Verdict
from backstay.report import ladder
from backstay.report.answers import next_step, not_to_do
from backstay.report.causes import cause_digits, cause_rows, where_words
from backstay.report.fit_card import HOW, NOT_ASKED, cell_words, noted
from backstay.report.limits import summary_rows
from backstay.report.rungs import TITLE, cost_words, note_words, rungs
from backstay.report.terminal_strip import ASCII, Letters, letters_for, strip_lines
from backstay.report.way_back import way_back_terminal
from backstay.report.words import (
    BACKUP_UNVALIDATED,
    DISCLAIMER,
    RANGES,
    VERDICT_MARKS,
    VERDICTS,
    answer_rows,
    chance_range,
    fit_words,
    limits,
    number,
    percent,
    quantity,
    stop_words,
    unvalidated,
)

WIDEST = 120
BRIEF = (
    "In brief. Every rung's harm and checks, the rigs compared, the way back, the fit and what it all rests on: "
    "without --brief, or the page."
)
_CARD_NAME, _CARD_COLUMN = 28, 16
"""Columns of text that a fit card's first column and each of the others need."""


class _Terminal:
    def __init__(self, console: Console) -> None:
        self.console = console
        self.letters: Letters = letters_for(console.encoding)
        self.width = min(console.width, WIDEST)

    def say(self, text: str, style: str = "", indent: int = 0) -> None:
        """Print plain text: brackets in it are no markup."""
        if self.letters is ASCII:
            text = text.translate(_PLAIN)
        line = Text(text, style=style)
        self.console.print(Padding(line, (0, 0, 0, indent)) if indent else line, width=self.width)

    def heading(self, text: str) -> None:
        self.console.print()
        characters = "-" if self.letters is ASCII else "─"
        title = Text(text, style="bold")
        self.console.print(
            Rule(title, align="left", style="default", characters=characters), width=self.width
        )

    def bullets(self, texts: list[str], mark: str = "-", style: str = "") -> None:
        grid = Table.grid(padding=(0, 1))
        for text in texts:
            plain = text.translate(_PLAIN) if self.letters is ASCII else text
            grid.add_row(Text(f" {mark}", style="bold"), Text(plain, style=style))
        if texts:
            self.console.print(grid, width=self.width)

    def table(self, heads: list[str], rows: list[list[str]], shares: tuple[int, ...]) -> None:
        """Print a table; `shares` are the relative widths of its columns."""
        lines = box.ASCII2 if self.letters is ASCII else box.HORIZONTALS
        table = Table(
            box=lines, show_lines=False, pad_edge=False, header_style="", width=self.width, expand=True
        )
        for head, share in zip(heads, shares, strict=True):
            table.add_column(Text(head, style="bold"), overflow="fold", ratio=share)
        for row in rows:
            table.add_row(*(Text(c.translate(_PLAIN) if self.letters is ASCII else c) for c in row))
        self.console.print(table)

    def beads(self, chance: Chance) -> str:
        full, empty = self.letters.beads
        count = round(10.0 * chance.value)
        return full * count + empty * (10 - count)


Terminal = _Terminal
"""For the sections of other modules."""

_PLAIN = str.maketrans(
    {"–": "-", "−": "-", "·": ",", "✓": "+", "✗": "X", "≈": "~", "°": " deg", "\u00a0": " "}
)


def _learned(t: _Terminal, plan: PlanDocument) -> None:
    if plan.learned is not None:
        from backstay.report.learned_terminal import learned_part

        learned_part(t, plan.learned)


def _limits(t: _Terminal, plan: PlanDocument) -> None:
    if plan.limits is None:
        return
    t.heading("Limits (in full: backstay limits CASE)")
    t.table(["what", "where it stands"], [list(row) for row in summary_rows(plan.limits)], (1, 4))


def render(plan: PlanDocument, console: Console, *, brief: bool = False) -> None:
    """Print the plan; `brief` stops after what must be known before the next move."""
    t = _Terminal(console)
    t.say(plan.title, "bold")
    if plan.invented:
        t.say("INVENTED CASE", "bold reverse")
    t.say(f"{plan.vessel}; {plan.target.device}; in place: {plan.in_place.rig}")
    t.say(DISCLAIMER, "bold")
    _answers(t, plan)
    if brief:
        if plan.ladder is not None:
            ladder.render_brief(t, plan.ladder)
        _limits(t, plan)
        t.say(BRIEF)
        return
    _learned(t, plan)
    _strip(t, plan, plan.in_place)
    if plan.ladder is not None:
        ladder.render(t, plan.ladder)
    _rungs(t, plan)
    _limits(t, plan)
    if plan.way_back is not None:
        way_back_terminal(t, plan.way_back)
    _why(t, plan.in_place)
    t.heading("Does it fit? Rig in place")
    _fit(t, plan.in_place.fits)
    _rests(t, plan)
    _other_cautions(t, plan)
    t.console.print()
    versions = ", ".join(f"{name} {version}" for name, version in plan.versions.items())
    t.say(f"{plan.draw_count} draws, seed {plan.seed}; {versions}")


def render_way_back(plan: PlanDocument, console: Console) -> None:
    """Print the way back out of a plan whose other parts were printed before."""
    if plan.way_back is not None:
        way_back_terminal(_Terminal(console), plan.way_back)


def _other_cautions(t: _Terminal, plan: PlanDocument) -> None:
    """Print the cautions not said under "What must I not do?", each once with the rigs it belongs to."""
    found = not_to_do(plan, next_step(plan))
    rigs: dict[str, list[str]] = {caution: [] for caution in plan.cautions}
    for rig in plan.rigs:
        for caution in rig.cautions:
            rigs.setdefault(caution, []).append(rig.change)
    left = {text: names for text, names in rigs.items() if text not in (*found.now, *found.then)}
    if left:
        t.heading("Cautions with the other rigs")
        t.bullets([f"{text}: {'; '.join(names)}" if names else text for text, names in left.items()])


def _answers(t: _Terminal, plan: PlanDocument) -> None:
    here, step = plan.in_place, next_step(plan)
    t.heading("Will it go?")
    if here.fits.verdict is Verdict.NO:
        t.say("NO: IT DOES NOT FIT", "bold")
        t.say(stop_words(here))
        if here.fits.nearest_fix:
            t.say(f"Nearest change that fits: {here.fits.nearest_fix}")
    else:
        t.say(
            f"{here.chance.words.upper()}   {t.beads(here.chance)}   range {chance_range(here.chance)}",
            "bold",
        )
        t.say(stop_words(here), "bold")
        for name, value in answer_rows(here):
            t.say(
                f"{name:<12}{value}" + ("   absolute scale unvalidated" if name == "backup" else ""), indent=2
            )
        t.say(RANGES)
    t.heading("If not, what next?")
    t.say(step.headline, "bold")
    if step.rig is not None:
        t.say(f"{step.rig.chance.words}   {t.beads(step.rig.chance)}   range {chance_range(step.rig.chance)}")
        t.say(f"{fit_words(step.rig.fits)}; {cost_words(step.rig)}")
        t.bullets([f"first: {condition}" for condition in step.conditions])
        t.say(step.runner_up)
    t.heading("What must I not do?")
    found = not_to_do(plan, step)
    t.bullets(list(found.now), "!", "bold")
    if found.then:
        t.say("With what comes next:")
        t.bullets(list(found.then), "!", "bold")
    if found.left:
        t.say(f"{found.left} more with the other rigs, under Cautions")


def _strip(t: _Terminal, plan: PlanDocument, rig: RigResult) -> None:
    t.heading("Push needed against backup, N, by place of the device's tip")
    for line in strip_lines(plan, rig, width=t.width, letters=t.letters):
        if t.letters is ASCII:
            line = Text(line.plain.translate(_PLAIN))
        t.console.print(line, width=t.width)


def _rungs(t: _Terminal, plan: PlanDocument) -> None:
    t.heading(TITLE)
    t.say(note_words(plan))
    rows = [
        [
            rung.change,
            f"{rung.chance}\n{t.beads(rung.rig.chance)}\n{rung.chance_range.removesuffix(' in 10')}"
            if rung.chance_range
            else rung.chance,
            rung.stops,
            rung.limited,
            rung.fits,
            rung.costs.replace(", ", "\n"),
        ]
        for rung in rungs(plan)
    ]
    t.table(["change", "chance", "stops at", "what limits it", "fit", "cost"], rows, (22, 20, 10, 21, 15, 11))


def _why(t: _Terminal, rig: RigResult) -> None:
    t.heading("Why it needs that push: rig in place")
    t.say(where_words(rig))
    grid = Table.grid(padding=(0, 2))
    for words, value, share in cause_rows(rig):
        grid.add_row(
            Text(f"  {words}"),
            Text(f"{number(value, cause_digits(rig))} N", justify="right"),
            Text(percent(share), justify="right"),
            Text(t.letters.bar * max(round(30.0 * share), 0)),
        )
    t.console.print(grid)
    t.bullets([f"{words}: {percent(share)} of the draws that stop short" for words, share in limits(rig)])


def render_fit(fit: Fit | FitReport, console: Console) -> None:
    """Print what passes through what for one rig and device."""
    t = _Terminal(console)
    t.heading("Does it fit?")
    _fit(t, fit)
    t.say(DISCLAIMER, "bold")


def render_fit_card(card: FitCard, console: Console) -> None:
    """Print a shelf's fit card, in as many tables as the width asks for."""
    t = _Terminal(console)
    marks = noted(card)
    t.say(card.title, "bold")
    t.say(HOW)
    at_once = max((t.width - _CARD_NAME) // _CARD_COLUMN, 1)
    for first in range(0, len(card.loads), at_once):
        shown = slice(first, first + at_once)
        heads = ["bore, mm", *(load.label for load in card.loads[shown])]
        rows = [
            [f"{row.name}, {number(row.bore_mm, 2)}", *(_card_cell(cell, marks) for cell in row.cells[shown])]
            for row in card.rows
        ]
        t.table(heads, rows, (_CARD_NAME, *(_CARD_COLUMN for _ in card.loads[shown])))
    signs = ", ".join(f"{VERDICT_MARKS[verdict]} {words}" for verdict, words in VERDICTS.items())
    t.say(f"{signs}; {NOT_ASKED} does not arise")
    t.bullets([f"({mark}) {note}" for note, mark in marks.items()])
    t.bullets([f"{load.label}: {load.note}" for load in card.loads])
    t.say(DISCLAIMER, "bold")


def _card_cell(cell: CardCell, marks: dict[str, str]) -> str:
    sign = NOT_ASKED if cell.verdict is None else VERDICT_MARKS[cell.verdict]
    mark = f" ({marks[cell.note]})" if cell.note else ""
    return f"{sign} {cell_words(cell)[1]}".strip() + mark


def _fit(t: _Terminal, fit: Fit | FitReport) -> None:
    t.say(f"{fit_words(fit)}; tightest: {fit.where}", "bold")
    if fit.nearest_fix:
        t.say(f"Nearest change that fits: {fit.nearest_fix}")
    rows = [
        [
            line.what,
            line.through,
            f"{VERDICT_MARKS[line.verdict]} {VERDICTS[line.verdict]}",
            "" if line.spare_mm is None else quantity(line.spare_mm, "mm", 2),
            line.note,
        ]
        for line in fit.lines
    ]
    t.table(["what", "through", "verdict", "free width", "note"], rows, (22, 20, 15, 11, 28))


def _rests(t: _Terminal, plan: PlanDocument) -> None:
    t.heading("What the answer rests on")
    t.say(BACKUP_UNVALIDATED)
    t.bullets([f"unvalidated: {item}" for item in unvalidated([plan.in_place])])
    t.bullets([f"about this case's inputs: {item}" for item in plan.warnings])
    t.say(f"{len(plan.draws)} uncertain inputs with their sources: in the page, the sheet and the JSON")
