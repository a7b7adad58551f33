"""The few lines of Python that the README shows."""

from __future__ import annotations

from pathlib import Path

import pytest

import backstay

DEMO = Path(__file__).resolve().parents[2] / "examples" / "demo" / "case.toml"


def test_plan_from_python_shows_itself() -> None:
    said: dict[str, list[float]] = {}
    plan = backstay.plan(
        DEMO,
        draws=64,
        only_in_place=True,
        progress=lambda what, share: said.setdefault(what, []).append(share),
    )
    assert isinstance(plan, backstay.Plan)
    assert said and all(shares == sorted(shares) for shares in said.values())
    assert list(said.values())[-1][-1] == 1.0
    assert plan.in_place is plan.best
    assert 0.0 < plan.in_place.chance.value < 1.0
    need = plan.in_place.need_N
    assert need.p10 is not None and need.p50 is not None and need.p10 < need.p50
    assert plan._repr_html_().startswith("<iframe srcdoc=")
    assert plan.path_strip()._repr_svg_().startswith("<svg")
    assert sum(plan.in_place.limited_by.values()) == pytest.approx(1.0 - plan.in_place.chance.value)


def test_the_same_seed_gives_the_same_plan() -> None:
    first, again = (backstay.plan(DEMO, draws=64, only_in_place=True, seed=3) for _ in range(2))
    assert first == again
    assert first != backstay.plan(DEMO, draws=64, only_in_place=True, seed=4)


def test_an_unknown_name_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plane'"):
        backstay.plane  # noqa: B018
