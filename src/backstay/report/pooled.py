"""What many cases of a lab share, in a terminal."""

from __future__ import annotations

from rich.console import Console

from backstay.app.learning.pooling import PooledCases
from backstay.core.inference.draws import DEFAULT_DRAWS
from backstay.report.terminal import Terminal
from backstay.report.words import DISCLAIMER, number, percent

_HEAD = ("input", "the table says", "this lab", "narrower by", "")
_SHOWN_LEFT = 12


def render_pooled(found: PooledCases, console: Console) -> None:
    """Print what was pooled."""
    t, doc = Terminal(console), found.document
    t.say(f"{doc.title}: {doc.attempts} attempts of {doc.cases} cases", "bold")
    t.say(DISCLAIMER, "bold")
    specs = {spec.name: spec for spec in DEFAULT_DRAWS}
    rows = []
    for row in found.rows:
        spec = specs[row.name]
        label = spec.label.split(" (")[0] + (f", {row.group} calcium" if row.group else "")
        told = (
            f"{number(row.median, 2)} (spread {number(row.spread, 2)})" if row.identified else "as the table"
        )
        rows.append(
            [
                label,
                f"{number(spec.median, 2)} (spread {number(spec.spread, 2)})",
                told,
                percent(max(row.shrunk, 0.0)),
                "" if row.identified else f"not known from {row.cases} cases",
            ]
        )
    t.table(list(_HEAD), rows, (40, 20, 20, 10, 24))
    t.bullets([*doc.notes, *found.left_out[:_SHOWN_LEFT]], "!")
    if len(found.left_out) > _SHOWN_LEFT:
        t.say(f"{len(found.left_out) - _SHOWN_LEFT} more left out")
    t.say("Shares of lab and case, and errors of attempts: judgement, no source.")
