"""The ladder over invented cases: common practice counted, and what it predicts beside published rates.

Nothing is tuned to either. Sizes, seeds and cases are fixed here; the cases are invented and marked so. They were made
harder once, before any order or rate was looked at: in two of a first, easier set the device went at the first push in
95 and 99 of 100 draws, which leaves a ladder nothing to order.
"""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from backstay.app.ladder.climbing import Climbed, Effort, climb
from backstay.app.ladder.document import blocked_rows
from backstay.app.loading import LoadedCase, load_case
from backstay.app.safety import case_safety
from backstay.app.sketching import sketch_case
from backstay.core.anatomy.lesion import Branch
from backstay.core.inference.draws import DEFAULT_DRAWS, sample, with_overrides
from backstay.core.inference.ladder import Choice
from backstay.core.rigging.devices import Shelf
from backstay.identifiers import PREPARING, Calcium, MoveId

CASES = 20
SEED = 23
DRAWS = 2048
EFFORT = Effort(depth=3, depths=8, most_solves=3, fewest=60)
"""Coarser than a plan's: orders are counted here, no single number is shown to anyone."""
VESSELS = ("left anterior descending artery", "right coronary artery")


@dataclass
class Seen:
    """What one case's ladder did."""

    name: str
    calcium: Calcium
    dissected: bool
    buddy: bool
    order: list[MoveId]
    opened_first: bool
    atherectomy_offered: bool
    trap_offered: bool
    trap_fits: bool
    chance: float
    rates: dict[str, float] = field(default_factory=dict)


def cases(folder: Path) -> list[LoadedCase]:
    """Return the invented cases: bends, calcium, narrowing and rig drawn by chance, dissection and a buddy in some."""
    rng, found = np.random.default_rng(SEED), []
    for k in range(CASES):
        calcium = list(Calcium)[int(rng.choice(4, p=[0.1, 0.2, 0.35, 0.35]))]
        wide = rng.uniform(2.9, 3.4)
        length = rng.uniform(14.0, 34.0)
        bends = rng.uniform([40.0, 40.0, 20.0], [180.0, 140.0, 90.0])
        text = (
            f"20 mm {wide:.1f} bend {bends[0]:.0f} | 15 mm {wide - 0.2:.1f} bend {bends[1]:.0f} | "
            f"{length:.0f} mm {wide - 0.4:.1f} tight {rng.uniform(0.6, 1.0):.1f} {calcium.value} bend {bends[2]:.0f}"
            f"{' dissected' if k % 5 == 4 else ''} prepared semi_compliant | 45 mm {wide - 0.6:.1f}"
        )
        case = load_case(sketch_case(text, folder / str(k), vessel=VESSELS[k % 2]))
        branch = Branch("first branch", float(rng.uniform(12.0, 30.0)), float(rng.uniform(1.4, 2.2)), 1.0)
        rig = case.rig.with_buddy(case.rig.rail) if k % 4 == 3 else case.rig
        found.append(replace(case, branches=(branch,), rig=rig, shelf=_smaller(case.shelf)))
    return found


def _smaller(shelf: Shelf) -> Shelf:
    """Return the shelf with one stiffer wire, so that a case is solved sooner."""
    return Shelf(shelf.title, {k: d for k, d in shelf.devices.items() if k not in {"wire-support"}})


def climbed(case: LoadedCase) -> Climbed:
    """Return a case's ladder, its moves' own deliveries left out."""
    draws = sample(with_overrides(DEFAULT_DRAWS, case.draw_overrides), count=DRAWS, seed=SEED)
    return climb(case, case_safety(case, []), draws, effort=EFFORT)


def order_of(c: Climbed) -> list[MoveId]:
    """Return the kinds of move down the ladder, each as often as it comes."""
    found: list[MoveId] = []
    choice: Choice | None = c.best
    while choice is not None and choice.step is not None:
        option = c.tree.taken.get((choice.state.at, choice.step.name))
        found.append(MoveId.AS_IT_IS if option is None else option.moves[0])
        choice = choice.if_not if choice.opens == 0.0 else choice.then
    return found


def seen(case: LoadedCase) -> Seen:
    """Return what a case's ladder did."""
    c = climbed(case)
    s = c.tree.met[c.tree.start.at].situation
    refused = {row.move for row in blocked_rows(s)}
    offered = {option.moves[0] for option, _ in c.tree.offered(c.tree.start.at)}
    order = order_of(c)
    pushes = [m for m in order if m is not MoveId.AS_IT_IS or not c.tree.start.shut]
    return Seen(
        name=case.file.parent.name,
        calcium=max((x.calcium for x in case.lesions), key=list(Calcium).index),
        dissected=any(x.dissected for x in case.lesions),
        buddy=bool(case.rig.buddies),
        order=order,
        opened_first=not c.tree.start.shut or (not pushes or pushes[0] in PREPARING),
        atherectomy_offered=MoveId.ATHERECTOMY in offered,
        trap_offered=MoveId.TRAPPED_WIRE in offered and MoveId.TRAPPED_WIRE not in refused,
        trap_fits=s.target_length_mm >= 30.0,
        chance=c.best.total,
        rates=_rates(c),
    )


def _rates(c: Climbed) -> dict[str, float]:
    """Return what published rates are compared with; a share is left out where nothing it is taken of happens."""
    at, landings = c.tree.start.at, c.landings
    here = landings.lands(at)
    failed = c.ladder.weighing.everything & ~here
    found = {"fails as it is": failed.bit_count() / DRAWS}
    for option, after in c.tree.offered(at):
        landed = landings.lands(after)
        if option.moves == (MoveId.EXTENSION,) and failed:
            share = (landed & failed).bit_count() / failed.bit_count()
            found["extension after failure"] = max(found.get("extension after failure", 0.0), share)
        opens = None if not c.tree.start.shut else _opens(c, option.id)
        if opens is not None and option.moves[0] in PREPARING:
            found[f"opens: {option.moves[0].value}"] = opens
    return found


def _opens(c: Climbed, name: str) -> float | None:
    steps = {step.name: step for step in c.tree.steps(c.tree.start)}
    step = steps.get(name)
    return None if step is None or not step.opens else step.opens.bit_count() / DRAWS


def before(order: list[MoveId], first: MoveId, second: MoveId) -> bool | None:
    """Return whether one move comes before another; None where the second is no rung."""
    if second not in order:
        return None
    return first in order and order.index(first) < order.index(second)


def study(root: Path) -> list[str]:
    """Do the study and return its lines."""
    with tempfile.TemporaryDirectory() as folder:
        rows = [seen(case) for case in cases(Path(folder))]
    return [
        f"{CASES} invented cases (seed {SEED}; common practice, no source, is what they are held to): "
        f"bends of 100 to 410 degrees, a lesion narrowed to 0.6 to 1.0 mm over "
        f"14 to 34 mm, of every calcium class, left and right, every "
        f"fifth dissected, every fourth with a buddy wire in place. {DRAWS} draws, "
        f"{EFFORT.depths} depths, {EFFORT.depth} moves ahead; what a move places is taken to arrive. Nothing is tuned to these counts.",
        "",
        *_practice(rows),
        "",
        *_published(rows),
        "",
        "| case | calcium | order of the ladder | lands in the end |",
        "|---|---|---|---|",
        *(
            f"| {r.name}{', dissected' if r.dissected else ''}{', buddy' if r.buddy else ''} | {r.calcium.value} | "
            f"{', '.join(m.value.replace('_', ' ') for m in r.order) or 'stop'} | {100.0 * r.chance:.0f} % |"
            for r in rows
        ),
    ]


def _practice(rows: list[Seen]) -> list[str]:
    support = {
        MoveId.EXTENSION,
        MoveId.SEAT_DEEPER,
        MoveId.SIDE_BRANCH_ANCHOR,
        MoveId.BUDDY_WIRE,
        MoveId.OTHER_GUIDE,
    }
    support |= {MoveId.STIFFER_RAIL, MoveId.TRAPPED_WIRE, MoveId.SECOND_ACCESS}
    hard = [r for r in rows if r.calcium in (Calcium.MODERATE, Calcium.SEVERE)]
    dissected = [r for r in rows if r.dissected]
    supported = [r for r in rows if support.intersection(r.order)]
    first = [next(m for m in r.order if m in support) for r in supported]
    guide = [before(r.order, MoveId.EXTENSION, MoveId.OTHER_GUIDE) for r in rows]
    late = [g for g in guide if g is not None]
    untrapped = [r for r in rows if not (r.buddy and r.trap_fits)]
    lines = [
        (
            "preparation before any stent where calcium is moderate or severe",
            sum(r.opened_first for r in hard),
            len(hard),
        ),
        (
            "no atherectomy offered once a dissection is known",
            sum(not r.atherectomy_offered for r in dissected),
            len(dissected),
        ),
        (
            "no wire trapped without a buddy in place and a lesion of 30 mm",
            sum(not r.trap_offered for r in untrapped),
            len(untrapped),
        ),
        (
            "an extension or a deeper seat is the first support",
            sum(m in (MoveId.EXTENSION, MoveId.SEAT_DEEPER) for m in first),
            len(first),
        ),
        ("an extension is the first support", sum(m is MoveId.EXTENSION for m in first), len(first)),
        (
            "a guide change is never the first support",
            sum(m is not MoveId.OTHER_GUIDE for m in first),
            len(first),
        ),
        ("where the guide is changed, an extension came before", sum(late), len(late)),
    ]
    return [
        "| common practice | cases that follow | of |",
        "|---|---|---|",
        *(f"| {what} | {count} | {of} |" for what, count, of in lines),
        "",
        "Where an extension is not the first support, deep seating mostly is: it is judged at 1 min, 3 mL and 15 mGy, an extension at "
        "5 min, 8 mL and 50 mGy, and both add to the guide's hold by the same curve of depth. What speaks against deep seating does "
        "not weigh here: harm is never weighed (its rate, 1.26 in 1000 [@klaudel2024], is of all procedures, that of extensions, "
        "33 in 1000 [@waterbury2016], of extensions: they cannot be held against each other), damped pressure and a tip out of line "
        "are asked before the move and have no chance of their own, and what moves place is taken to arrive. A guide is seated "
        "only round bends it goes round. Prices were not tuned to the order.",
    ]


def _published(rows: list[Seen]) -> list[str]:
    def spread(key: str) -> str:
        values = [r.rates[key] for r in rows if key in r.rates]
        if not values:
            return "no case"
        low, mid, high = (100.0 * float(v) for v in np.quantile(values, [0.0, 0.5, 1.0]))
        return f"{mid:.0f} % ({low:.0f} to {high:.0f}), {len(values)} cases"

    table = [
        (
            "device delivered with an extension",
            "73 to 93 % [@duong2015; @waterbury2016; @huangextension; @extensioncongress]",
            "extension after failure",
        ),
        (
            "severe calcium opened by a scoring or cutting balloon strategy",
            "81 % [@abdelwahab2018]",
            "opens: scoring_balloon",
        ),
        (
            "lesion opened by a non-compliant balloon",
            "88 to 92 % of occlusions [@undilatable2022]",
            "opens: prepare_again",
        ),
        ("stent not delivered, all comers", "1.6 to 8.3 % [@ferrer2007] [@cantor1998]", "fails as it is"),
    ]
    return [
        "Published rates are of populations that nobody described to the model; these cases are all hard. "
        "Where the two differ that says so "
        "and no more. Median over cases, lowest and highest in brackets.",
        "",
        "| what | published | predicted |",
        "|---|---|---|",
        *(f"| {what} | {printed} | {spread(key)} |" for what, printed, key in table),
        "",
        "Rates of harm are shown beside each rung as printed; the model predicts none.",
    ]
