"""The ladder of a case: gate, limits, numbers with enough draws behind them, the same for the same seed, and as people see it."""

from __future__ import annotations

import io
import re
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from backstay.adapters.ladder_file import ClosedBy, LadderPart
from backstay.app.ladder import climb, ladder_part
from backstay.app.ladder.climbing import Climbed, Effort
from backstay.app.ladder.closed import NEAREST_FIRST
from backstay.app.ladder.handling import JUDGED
from backstay.app.ladder.restating import restate
from backstay.app.loading import LoadedCase, load_case
from backstay.app.safety import case_safety
from backstay.app.safety.setting import CaseSafety
from backstay.app.sketching import demo_folder
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.ladder import FEWEST_DRAWS
from backstay.core.rigging.devices import Shelf
from backstay.core.rigging.move_table import MOVES
from backstay.core.rigging.needs import NO_LEAK
from backstay.core.safety.body import Opening
from backstay.identifiers import PREPARING, Complication, MoveId
from backstay.report import ladder as words
from backstay.report.terminal import Terminal

SEED = 4
EFFORT = Effort(depth=2, depths=6, most_solves=2)
KEPT = {
    "guide-6-sr",
    "guide-6-al",
    "ext-6",
    "wire-workhorse",
    "bal-nc-275-15",
    "bal-sc-150-12",
    "stent-275-33",
}


@pytest.fixture(scope="module")
def case() -> LoadedCase:
    demo = load_case(demo_folder() / "case.toml")
    kept = {k: d for k, d in demo.shelf.devices.items() if k in KEPT}
    return replace(demo, shelf=Shelf("few", kept))


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return sample(DEFAULT_DRAWS, count=1024, seed=SEED)


def safety_of(case: LoadedCase, *, opened: bool | None = None) -> CaseSafety:
    safety = case_safety(case, [])
    return replace(
        safety,
        now=replace(safety.now, opened_fully=opened, opened_by=(Opening("bal-nc-275-15", 45.0, 60.0),)),
    )


@pytest.fixture(scope="module")
def shut(case: LoadedCase, draws: DrawSet) -> Climbed:
    return climb(case, safety_of(case), draws, effort=EFFORT, seed=SEED)


def again(case: LoadedCase, draws: DrawSet, solved: Climbed, safety: CaseSafety, **more: object) -> Climbed:
    """Climb anew with what is solved already."""
    shapes = solved.landings.solved
    return climb(case, safety, draws, effort=EFFORT, seed=SEED, shapes=shapes, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def open_(case: LoadedCase, draws: DrawSet, shut: Climbed) -> Climbed:
    return again(case, draws, shut, safety_of(case, opened=True))


def test_behind_the_gate_preparation_comes_first_and_nothing_is_pushed_before_it_opened(
    shut: Climbed,
) -> None:
    part = ladder_part(shut)
    assert "opened fully in two views" in part.gate
    first = part.rungs[0]
    assert PREPARING.intersection(first.moves)
    assert first.opens is not None and first.chance is not None and first.chance <= first.opens
    assert all(PREPARING.intersection(step_moves(shut, name)) for name in names_of(shut))


def names_of(c: Climbed) -> list[str]:
    return [step.name for step in c.tree.steps(c.tree.start)]


def step_moves(c: Climbed, name: str) -> tuple[MoveId, ...]:
    return c.tree.taken[c.tree.start.at, name].moves


def test_with_the_gate_open_the_rig_in_place_is_pushed_first(open_: Climbed) -> None:
    part = ladder_part(open_)
    assert part.gate == "" and part.rungs[0].id == "as_it_is"
    assert all(rung.opens is None for rung in part.rungs) and part.not_opened == []
    assert len(part.rungs) >= 2


def test_chances_are_those_of_the_draws_in_which_all_before_failed(open_: Climbed) -> None:
    part, alive = ladder_part(open_), np.ones(1024, dtype=bool)
    seeded = replace(open_, seed=None)  # the draws of the search alone
    choice, counted = open_.best, restate(seeded)
    while choice.step is not None:
        mask = open_.landings.lands(choice.step.then.at)
        landed = np.array([bool(mask >> k & 1) for k in range(1024)])
        assert counted.of(choice).landed / counted.of(choice).weight == pytest.approx(landed[alive].mean())
        alive &= ~landed
        if choice.then is None:
            break
        choice = choice.then
    assert part.chance == pytest.approx(1.0 - alive.mean(), abs=0.05)


def test_every_number_shown_has_enough_draws_behind_it(shut: Climbed, open_: Climbed) -> None:
    for part in (ladder_part(shut), ladder_part(open_)):
        assert part.rungs
        assert all(rung.draws >= FEWEST_DRAWS for rung in [*part.rungs, *part.not_opened])


def test_more_draws_are_followed_only_where_numbers_need_them(open_: Climbed) -> None:
    few = restate(replace(open_, seed=None))
    more = restate(open_)
    short = [c for c in chain(open_) if few.of(c).draws < FEWEST_DRAWS]
    assert (more.draw_count > 1024) == bool(short)
    for choice in chain(open_):
        a, b = few.of(choice), more.of(choice)
        error = np.sqrt(0.25 / max(a.draws, 1.0))
        assert b.landed / b.weight == pytest.approx(a.landed / a.weight, abs=4.0 * error)


def chain(c: Climbed) -> list:  # type: ignore[type-arg]
    found, choice = [], c.best
    while choice is not None and choice.step is not None:
        found.append(choice)
        choice = choice.then
    return found


def test_the_same_seed_gives_the_same_ladder(case: LoadedCase, draws: DrawSet, shut: Climbed) -> None:
    one, other = (ladder_part(again(case, draws, shut, safety_of(case))) for _ in range(2))
    assert one == other
    assert one.rungs[0].id == ladder_part(shut).rungs[0].id


def test_equal_weights_change_nothing(case: LoadedCase, draws: DrawSet, open_: Climbed) -> None:
    weighted = again(case, draws, open_, safety_of(case, opened=True), weights=np.full(1024, 0.3))
    free = [q for step, q in weighted.best.options if step.name == "as_it_is"]
    assert free == pytest.approx([open_.best.expected])


def test_what_attempts_made_of_the_draws_counts(case: LoadedCase, draws: DrawSet, open_: Climbed) -> None:
    landed = open_.landings.lands(open_.tree.start.at)
    failed = np.array([not landed >> k & 1 for k in range(1024)], dtype=float)
    told = again(case, draws, open_, safety_of(case, opened=True), weights=failed)
    assert told.best.step is not None and told.best.step.name != "as_it_is"


def test_a_limit_that_is_used_up_leaves_nothing_but_to_stop(
    case: LoadedCase, draws: DrawSet, shut: Climbed
) -> None:
    safety = safety_of(case, opened=True)
    tight = replace(safety, case=replace(case, limits=case.limits.model_copy(update={"minutes": 1.0})))
    part = ladder_part(again(case, draws, shut, tight))
    assert part.rungs == [] and part.ends.startswith("stop")
    closed = {row.move: row for row in part.closed}
    assert set(closed) == {MoveId.AS_IT_IS, *(move.id for move in MOVES if move.effects)}
    offered = {option.moves[0] for option, _ in shut.tree.offered(shut.tree.start.at)}
    for move in (MoveId.AS_IT_IS, *offered):
        assert closed[move].by is ClosedBy.LIMIT and closed[move].why[0].endswith("1 min are left")
    assert all(closed[row.move].by in (ClosedBy.NEED, ClosedBy.SHELF) for row in part.blocked)
    kinds = [row.by for row in part.closed]
    assert kinds == sorted(kinds, key=NEAREST_FIRST.index)


def test_a_ladder_that_only_stops_says_what_closed_each_move(
    case: LoadedCase, draws: DrawSet, shut: Climbed
) -> None:
    """Stopping for next to nothing beats every move: cost closes what prepares, the gate what only supports."""
    cheap = replace(case, weights=case.weights.model_copy(update={"stopping": 0.1}))
    part = ladder_part(again(cheap, draws, shut, safety_of(cheap)))
    closed = {row.move: row for row in part.closed}
    assert part.rungs == [] and closed[MoveId.AS_IT_IS].by is ClosedBy.GATE
    assert closed[MoveId.PREPARE_AGAIN].by is ClosedBy.COST
    assert (
        "stopping 0" in closed[MoveId.PREPARE_AGAIN].why[0] and "opens" in closed[MoveId.PREPARE_AGAIN].why[0]
    )
    assert closed[MoveId.EXTENSION].by is ClosedBy.GATE
    assert closed[MoveId.TRAPPED_WIRE].by is ClosedBy.NEED
    assert closed[MoveId.STIFFER_RAIL].by is ClosedBy.SHELF
    assert all(words.CLOSED_BY[row.by] and row.why for row in part.closed)


@pytest.mark.parametrize("trouble", [Complication.PERFORATION, Complication.TAMPONADE])
@pytest.mark.parametrize("opened", [None, True])
def test_while_blood_leaks_out_nothing_is_pushed(
    case: LoadedCase, draws: DrawSet, shut: Climbed, trouble: Complication, opened: bool | None
) -> None:
    safety = safety_of(case, opened=opened)
    leaks = replace(safety, now=replace(safety.now, not_over=frozenset({trouble})))
    part = ladder_part(again(case, draws, shut, leaks))
    assert part.rungs == [] and part.chance == 0.0 and part.gate == "no perforation or tamponade"
    assert part.ends == f"stop: {NO_LEAK.rule.say}"
    assert {row.by for row in part.closed} <= {ClosedBy.NEED, ClosedBy.SHELF}
    pushed = next(row for row in part.closed if row.move is MoveId.AS_IT_IS)
    assert pushed.by is ClosedBy.NEED and pushed.why == [NO_LEAK.rule.say]
    for row in part.blocked:
        assert NO_LEAK.rule.say in row.why


def test_a_ladder_with_a_rung_has_nothing_closed(shut: Climbed, open_: Climbed) -> None:
    assert ladder_part(shut).closed == [] and ladder_part(open_).closed == []


def test_a_limit_allows_what_still_fits(case: LoadedCase, draws: DrawSet, shut: Climbed) -> None:
    safety = safety_of(case, opened=True)
    some = replace(safety, case=replace(case, limits=case.limits.model_copy(update={"minutes": 6.0})))
    part = ladder_part(again(case, draws, shut, some))
    assert part.rungs and sum(rung.minutes for rung in part.rungs) <= 6.0


def test_blocked_and_unranked_moves_are_listed_with_the_reason(shut: Climbed) -> None:
    part = ladder_part(shut)
    blocked = {row.move: row.why for row in part.blocked}
    assert blocked[MoveId.TRAPPED_WIRE][0] == "only a wire that already lies beside the rail can be trapped"
    assert MoveId.ATHERECTOMY in blocked and all(why for row in part.blocked for why in row.why)
    unranked = {row.move for row in part.unranked}
    assert {MoveId.HOLD_WIRE_IN_TENSION, MoveId.ANOTHER_DAY, MoveId.STOP} <= unranked
    assert not unranked & set(blocked)


def test_what_hands_do_is_told_by_the_model_beside_the_first_push(open_: Climbed) -> None:
    rows = {row.move: " ".join(row.why) for row in ladder_part(open_).unranked}
    found = {move: re.findall(r"in ([0-9.]+) of 100, else in ([0-9.]+)", rows[move]) for move in JUDGED}
    here = open_.landings.lands(open_.best.step.then.at).bit_count() / 1024  # type: ignore[union-attr]
    for numbers in found.values():
        ((then, before),) = numbers
        assert float(before) == pytest.approx(100.0 * here, abs=0.06)
        assert 0.0 <= float(then) <= 100.0
    assert float(found[MoveId.ROTATE_GUIDE][0][0]) >= float(found[MoveId.ROTATE_GUIDE][0][1])
    assert float(found[MoveId.DEEP_INSPIRATION][0][0]) > float(found[MoveId.DEEP_INSPIRATION][0][1])
    assert not any("of 100" in text for move, text in rows.items() if move not in JUDGED)


@pytest.fixture(scope="module")
def part(shut: Climbed) -> LadderPart:
    return ladder_part(shut)


def test_the_ladder_in_a_terminal_and_on_a_page(part: LadderPart) -> None:
    console = Console(width=110, record=True, file=io.StringIO())
    words.render(Terminal(console), part)
    said, page = console.export_text(), words.ladder_section(part)
    for text in (words.TITLE, "Gate:", words.BLOCKED, words.UNRANKED, "Harm stands apart"):
        assert text in said and text in page
    assert page.count("<details") >= 3 and page.count("<section") == 1
    sheet = words.sheet_parts(part)
    assert len(sheet["rungs"]) == len(part.rungs) and sheet["gate"]
    for rung in part.rungs:
        assert rung.change in page
        assert all(text in page for text in rung.cautions if "&" not in text and "'" not in text)
