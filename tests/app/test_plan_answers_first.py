"""What is known is said first: the rig in place before its way back, the first rung before what moves place and the whole ladder."""

from __future__ import annotations

from dataclasses import replace

import pytest
from typer.testing import CliRunner

from backstay.app import plan as planning
from backstay.app.ladder import provisional_rung
from backstay.app.loading import LoadedCase, load_case
from backstay.app.plan import options_of, plan_case, plan_in_place
from backstay.app.progress import FIRST_RUNG
from backstay.app.safety import case_safety
from backstay.app.sketching import demo_folder
from backstay.app.solving import Answer, solve_rigs
from backstay.cli import app
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.safety.body import Opening
from backstay.identifiers import PREPARING
from backstay.report.way_back import TITLE as WAY_BACK

FEW = 64


@pytest.fixture(scope="module")
def case() -> LoadedCase:
    return load_case(demo_folder() / "case.toml")


def test_the_rig_in_place_is_answered_before_its_way_back_is_solved(
    case: LoadedCase, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[str] = []
    real = planning.way_back

    def counted(*given: object, **named: object) -> object:
        asked.append("way back")
        return real(*given, **named)  # type: ignore[arg-type]

    monkeypatch.setattr(planning, "way_back", counted)
    found = plan_in_place(case, draws=FEW)
    assert asked == [] and found.document.way_back is None and found.document.in_place.chance.value > 0.0
    whole = found.whole()
    assert asked == ["way back"] and whole.way_back is not None and whole.way_back.items
    assert whole == plan_case(case, draws=FEW, only_in_place=True)


def test_the_command_prints_the_answer_then_the_way_back() -> None:
    said = CliRunner().invoke(app, ["plan", str(demo_folder() / "case.toml"), "--only", "--draws", str(FEW)])
    assert said.exit_code == 0
    assert (
        0 < said.stdout.index("Will it go?") < said.stdout.index("Does it fit?") < said.stdout.index(WAY_BACK)
    )
    assert said.stdout.count(WAY_BACK) == 1


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return sample(DEFAULT_DRAWS, count=256, seed=5)


@pytest.fixture(scope="module")
def answers(case: LoadedCase, draws: DrawSet) -> list[Answer]:
    # Preparing a lesion changes no shape: these rigs take one solve.
    options = [o for o in options_of(case) if o.rig == case.rig and o.device == case.device]
    return [rig.answer(draws) for rig in solve_rigs(case, options, draws)]


def safety_of(case: LoadedCase, opened: bool | None):  # type: ignore[no-untyped-def]
    safety = case_safety(case, [])
    return replace(
        safety,
        now=replace(safety.now, opened_fully=opened, opened_by=(Opening("bal-nc-275-15", 45.0, 60.0),)),
    )


def test_behind_the_gate_the_first_rung_so_far_prepares(
    case: LoadedCase, draws: DrawSet, answers: list[Answer]
) -> None:
    said = provisional_rung(case, safety_of(case, None), draws, answers)
    preparing = {a.alternative.change for a in answers if PREPARING.intersection(a.alternative.moves)}
    assert said in preparing


def test_with_the_gate_open_the_first_rung_so_far_is_a_push_as_it_is(
    case: LoadedCase, draws: DrawSet, answers: list[Answer]
) -> None:
    assert answers[0].outcome.chance > 0.1
    assert provisional_rung(case, safety_of(case, True), draws, answers) == "as it is"


def test_where_stopping_costs_nothing_the_first_rung_so_far_is_to_stop(
    case: LoadedCase, draws: DrawSet, answers: list[Answer]
) -> None:
    cheap = replace(case, weights=case.weights.model_copy(update={"stopping": 0.01}))
    assert provisional_rung(cheap, safety_of(cheap, True), draws, answers) == "stop"


def test_a_plan_tells_the_first_rung_before_what_moves_place(
    case: LoadedCase, draws: DrawSet, answers: list[Answer], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Told as soon as the rigs are answered: the next thing done is to carry things to their places."""

    class Reached(Exception):
        pass

    def stop(*given: object, **named: object) -> None:
        raise Reached

    told: list[str] = []
    monkeypatch.setattr(planning, "carry", stop)
    solved = solve_rigs(case, [a.alternative for a in answers], draws)
    with pytest.raises(Reached):
        planning.plan_of(
            case, (), case, solved, draws, seed=5, progress=lambda what, share: told.append(what)
        )
    assert told[-1].startswith(FIRST_RUNG)
