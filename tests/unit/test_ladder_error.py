"""The study of the ladder's quick ways: which rigs it solves in full, and that the ladder's line says no less than it found."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from evidence.ladder_error import Compared, Rung, instead

from backstay.app.ladder.document import QUICK_ERROR, RARE_ERROR

ROOT = Path(__file__).resolve().parents[2]
COUNT = 100


class Ways:
    """A tree of two moves: an extension with two lesser depths, then a wire."""

    def way_to(self, at: str) -> tuple[str, ...]:
        return ("deep", "wire")

    def along(self, way: tuple[str, ...]) -> str:
        return "+".join(way) or "start"


def mask(count: int) -> int:
    return (1 << count) - 1


@pytest.fixture
def parts(monkeypatch: pytest.MonkeyPatch) -> None:
    less = {"deep": ["middle", "shallow"]}
    monkeypatch.setattr("evidence.ladder_error.part_ways", lambda tree, before, name: less.get(name, []))


@pytest.mark.usefixtures("parts")
def test_every_rig_that_two_in_a_hundred_draws_come_to_is_solved() -> None:
    arrives = {"deep": mask(60), "middle": mask(90), "shallow": mask(91)}
    found = instead(Ways(), "end", arrives, COUNT)  # type: ignore[arg-type]
    # 60 draws get deep, 30 to the middle, one only to the shallow place (too few), nine nowhere.
    assert found == ["end", "deep+wire", "middle+wire", "wire"]


@pytest.mark.usefixtures("parts")
def test_what_always_arrives_asks_for_nothing_else() -> None:
    assert instead(Ways(), "end", {"deep": mask(COUNT)}, COUNT) == ["end", "deep+wire"]  # type: ignore[arg-type]
    assert instead(Ways(), "end", {}, COUNT) == ["end", "deep+wire"]  # type: ignore[arg-type]


def test_rungs_with_few_draws_do_not_make_the_largest_difference() -> None:
    rungs = [Rung("a", 500, 0.50, 0.48), Rung("b", 150, 0.9, 0.5)]
    assert Compared("x", rungs, 0.7, 0.71, []).worst == pytest.approx(0.02)
    assert Compared("x", rungs, 0.7, 0.75, []).worst == pytest.approx(0.05)
    assert Compared("x", rungs, 0.7, 0.71, []).rare == pytest.approx(0.4)
    assert Compared("x", rungs[:1], 0.7, 0.71, []).rare == 0.0


def test_the_ladders_line_says_no_less_than_the_study_found() -> None:
    page = (ROOT / "docs" / "validation.md").read_text("utf-8")
    found = re.findall(
        r"Largest difference of a rung's or a ladder's chance: ([0-9.]+?); further down: ([0-9.]+?)\.\*\*",
        page,
    )
    if not found:
        pytest.skip("the study has not been written to docs/validation.md yet")
    ((seen, rare),) = found
    assert float(seen) <= QUICK_ERROR and float(rare) <= RARE_ERROR
