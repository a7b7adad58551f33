"""Ten invented full cases run through the hazards: what is shown, what is kept back, what nobody asked for."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

import numpy as np

from backstay.adapters.shelf_file import read_shelf
from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.record.entries import Entry
from backstay.core.safety.attention import MOST_AT_ONCE, Moment, QUIET_s, along
from backstay.core.safety.protocol import HeparinProtocol, Protocol
from backstay.core.safety.setting import Agreed, Patient, Setting
from backstay.identifiers import Calcium, EventKind

READY = {"covered_stent", "pericardiocentesis", "snare"}
BEND_deg = 120.0


@dataclass
class FullCase:
    """One case: its title, its setting, its steps, and what is wanted at each."""

    title: str
    setting: Setting
    entries: list[Entry] = field(default_factory=list)
    wanted: list[set[str]] = field(default_factory=list)


def path() -> LumenPath:
    """Return an invented vessel of 100 mm, 3.0 mm wide, bent evenly."""
    s = np.arange(0.0, 101.0)
    turn = np.radians(BEND_deg) * s / 100.0
    step = np.stack([np.cos(turn), np.sin(turn), 0.0 * turn], axis=1)
    points = np.vstack([np.zeros(3), np.cumsum(0.5 * (step[1:] + step[:-1]), axis=0)])
    return LumenPath.through(points, np.full(len(s), 1.5), radius_sd_mm=0.1, spacing_mm=1.0)


def read_cases(root: Path) -> list[FullCase]:
    """Return the cases of the text file beside this module."""
    shelf, vessel = read_shelf(root / "examples" / "demo" / "shelf.toml"), path()
    cases: list[FullCase] = []
    for line in (root / "evidence" / "full_cases.txt").read_text(encoding="utf-8").splitlines():
        if line.startswith("== "):
            title, _, options = line[3:].partition(" | ")
            cases.append(FullCase(title, _setting(options.split(), shelf.devices, vessel)))
        elif line and not line.startswith("#"):
            step, _, wanted = line.partition(" ! ")
            cases[-1].entries.append(_entry(step, len(cases[-1].entries)))
            cases[-1].wanted.append(set(wanted.split()))
    return cases


def _setting(options: list[str], devices: object, vessel: LumenPath) -> Setting:
    said = dict(option.partition("=")[::2] for option in options)
    ready = {name: "ready" in said or name in said for name in READY}
    return Setting(
        devices=devices,  # type: ignore[arg-type]
        path=vessel,
        lesions=(Lesion(40.0, 60.0, Calcium(said["calcium"])),),
        branches=(Branch("small", 20.0, 1.8, 1.0),),
        patient=Patient(
            weight_kg=80.0, egfr=float(said.get("egfr", 70)), contrast_allergy=False, p2y12_loaded=True
        ),
        agreed=Agreed(
            contrast_mL=float(said["contrast_mL"]),
            air_kerma_mGy=3000.0,
            minutes=float(said["minutes"]),
            **ready,
        ),
    )


def _entry(text: str, number: int) -> Entry:
    minute, kind, *rest = text.split()
    values: dict[str, object] = {}
    for part in rest:
        name, _, word = part.partition("=")
        values[name] = _value(name, word)
    return Entry(f"e{number}", EventKind(kind), 60.0 * float(minute), "recorder", values=values)


def _value(name: str, word: str) -> object:
    if name == "traps":
        return word.split(",")
    if word in ("yes", "no"):
        return word == "yes"
    try:
        return float(word)
    except ValueError:
        return word


@dataclass
class Tally:
    """What one case came to."""

    title: str
    steps: int
    shown: int
    useful: int
    nuisance: Counter[str]
    kept_back: Counter[str]
    missed: Counter[str]
    most_at_once: int


def tally(case: FullCase) -> Tally:
    """Return what was shown of a case, against what was wanted."""
    moments = along(case.entries, case.setting)
    nuisance, missed = Counter[str](), Counter[str]()
    useful = 0
    for k, (moment, wanted) in enumerate(zip(moments, case.wanted, strict=True)):
        shown = {one.rule.id for one in moment.shown}
        useful += len(shown & wanted)
        nuisance.update(shown - wanted)
        missed.update(wanted - shown - _said_lately(moments, k))
    return Tally(
        case.title,
        len(moments),
        sum(len(m.shown) for m in moments),
        useful,
        nuisance,
        Counter(one.rule.id for m in moments for one in m.suppressed),
        missed,
        max(len(m.shown) for m in moments),
    )


def _said_lately(moments: tuple[Moment, ...], k: int) -> set[str]:
    since = moments[k].entry.at_s - QUIET_s
    return {one.rule.id for m in moments[:k] if m.entry.at_s >= since for one in m.shown}


def study(root: Path) -> list[str]:
    """Return the section of the page."""
    tallies = [tally(case) for case in read_cases(root)]
    steps, shown = sum(t.steps for t in tallies), sum(t.shown for t in tallies)
    nuisance = sum((t.nuisance for t in tallies), Counter[str]())
    kept = sum((t.kept_back for t in tallies), Counter[str]())
    missed = sum((t.missed for t in tallies), Counter[str]())
    extra = sum(nuisance.values())
    lines = [
        f"Ten invented full cases, {steps} steps; what is wanted at each step was written down before the first run. Cases, wishes "
        "and hazards are by the same hand: this counts noise, it does not validate the hazards. "
        "The cases name no instrument for the clotting time: the first value that one of its two families would call too short asks for "
        "it, once a case.",
        "",
        f"- shown: {shown}, that is {10.0 * shown / steps:.1f} per 10 steps, at most {max(t.most_at_once for t in tallies)} at once "
        f"(allowed {MOST_AT_ONCE})",
        f"- not asked for: {extra} of {shown} ({100.0 * extra / shown:.0f} %), {extra / len(tallies):.1f} a case"
        + (f": {_listed(nuisance)}" if nuisance else ""),
        f"- kept back (said not long ago, or a third at once): {sum(kept.values())}: {_listed(kept)}",
        f"- asked for and not heard: {sum(missed.values())}" + (f": {_listed(missed)}" if missed else ""),
        *(_with_instrument(root, family) for family in ("lower reading", "higher reading")),
        "",
        "| case | steps | shown | useful | not asked for | kept back | missed |",
        "|---|---|---|---|---|---|---|",
    ]
    for t in tallies:
        counts = (t.steps, t.shown, t.useful, *(sum(c.values()) for c in (t.nuisance, t.kept_back, t.missed)))
        lines.append(f"| {t.title} | " + " | ".join(str(n) for n in counts) + " |")
    return lines


def _with_instrument(root: Path, family: Literal["lower reading", "higher reading"]) -> str:
    """Return what the cases come to where the lab's protocol names its instrument, as no case above does."""
    lab = Protocol(heparin=HeparinProtocol(instrument=family))
    cases = read_cases(root)
    tallies = [tally(replace(case, setting=replace(case.setting, protocol=lab))) for case in cases]
    nuisance = sum((t.nuisance for t in tallies), Counter[str]())
    shown = sum(t.shown for t in tallies)
    return (
        f"- with a {family} instrument named in the lab's protocol: shown {shown}, not asked for "
        f"{sum(nuisance.values())} ({100.0 * sum(nuisance.values()) / shown:.0f} %)"
        + (f": {_listed(nuisance)}" if nuisance else "")
    )


def _listed(counts: Counter[str]) -> str:
    return ", ".join(f"`{name}` {n}" for name, n in sorted(counts.items(), key=lambda x: (-x[1], x[0])))
