"""Page, sheet and terminal: they answer the three questions, show the numbers, and take text as text."""

from __future__ import annotations

import io
import json
import re
import runpy
import shutil
import subprocess
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.app import event_words
from backstay.identifiers import Calcium, Cause, LimitedBy, MoveId, Verdict
from backstay.report import page, sheet, terminal, words
from backstay.report.answers import next_step, not_to_do

HOSTILE = '<script>alert(1)</script> & "q" #strong[x] $y$ *b* _i_ [bold]z[/bold] @ref `c` \\u{41}'
VOID = {"meta", "br", "hr", "img", "link", "input"}


@pytest.fixture(scope="module")
def plan(root: Path) -> PlanDocument:
    return runpy.run_path(str(root / "tests" / "app" / "plan_sample.py"))["sample_plan"]()


@pytest.fixture(scope="module")
def html(plan: PlanDocument) -> str:
    return page.html(plan)


@pytest.fixture(scope="module")
def hostile(plan: PlanDocument) -> PlanDocument:
    """Return the plan with markup of every kind in every free text."""
    first = plan.in_place
    fits = first.fits.model_copy(update={"where": HOSTILE, "nearest_fix": HOSTILE})
    rig = first.model_copy(update={"change": HOSTILE, "rig": HOSTILE, "cautions": [HOSTILE], "fits": fits})
    branch = plan.branches[0].model_copy(update={"name": HOSTILE})
    changed: dict[str, Any] = {
        "title": HOSTILE,
        "vessel": HOSTILE,
        "cautions": [HOSTILE],
        "warnings": [HOSTILE],
    }
    return plan.model_copy(update={**changed, "branches": [branch], "rigs": [rig, *plan.rigs[1:]]})


class Reader(HTMLParser):
    """Collects text by element, and refuses tags that are not closed in order."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open and self.open[-1] == tag, (tag, self.open[-3:])
        self.open.pop()

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.text.append(data)


def read(markup: str) -> Reader:
    reader = Reader()
    reader.feed(markup)
    reader.close()
    assert reader.open == []
    return reader


def visible(markup: str) -> str:
    return " ".join(" ".join(read(markup).text).split())


def printed(plan: PlanDocument, width: int = 100, **options: Any) -> str:
    out = io.StringIO()
    terminal.render(plan, Console(file=out, width=width, **options))
    return out.getvalue()


def pdf_text(pdf: bytes, tmp_path: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    file = tmp_path / "plan.pdf"
    file.write_bytes(pdf)
    made = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True
    )
    return made.stdout.replace("\u00a0", " ")


def headline(rig: RigResult) -> list[str]:
    """Return the numbers of a rig's answer as they are printed."""
    numbers = [f"{getattr(q, p):.1f}" for q in (rig.need_N, rig.backup_N) for p in ("p10", "p50", "p90")]
    numbers += [f"{abs(getattr(rig.margin_N, p)):.1f}" for p in ("p10", "p50", "p90")]
    numbers += [f"{getattr(rig.reach_mm, p):.0f}" for p in ("p10", "p50", "p90")]
    ends = [f"{10 * v:.1f}".removesuffix(".0") for v in (rig.chance.low, rig.chance.high)]
    return [*numbers, *ends, f"{rig.stops_at_mm:.0f} mm"]


# The page


def test_the_page_answers_three_questions_first(html: str) -> None:
    text = visible(html)
    places = [
        text.index(q) for q in ("Will it go?", "If not, what next?", "What must I not do?", "In place now")
    ]
    assert places == sorted(places)


def test_every_number_of_the_headline_is_on_the_page(plan: PlanDocument, html: str) -> None:
    answers = html[html.index('<div class="answers">') : html.index("In place now")]
    text = visible(answers[: answers.rindex("<section>")])
    missing = [number for number in headline(plan.in_place) if number not in text]
    assert missing == []
    assert plan.in_place.chance.words.capitalize() in text


def test_every_rig_has_a_row_with_its_chance_and_what_limits_it(plan: PlanDocument, html: str) -> None:
    start = html.index('<table class="rungs')
    rows = html[start : html.index("</table>", start)].split("<tr")[2:]
    assert len(rows) == len(plan.rigs)
    for rig, row in zip(plan.rigs, rows, strict=True):
        text = visible(f"<table><tr{row.replace('</tbody>', '')}</table>")
        assert rig.change in text
        if rig.fits.verdict is Verdict.NO:
            assert "does not fit" in text and " in 10" not in text
        else:
            assert rig.chance.words in text
            assert words.main_limit(rig) in text
        assert all(caution in text for caution in rig.cautions)


def test_the_page_asks_for_nothing_from_outside_and_runs_no_script(html: str) -> None:
    without_names = html.replace('xmlns="http://www.w3.org/2000/svg"', "")
    assert re.findall(r"https?://|//\w+\.\w+/", without_names) == []
    reader = read(html)
    assert not {tag for tag, _ in reader.tags} & {"script", "link", "img", "iframe", "object", "embed"}
    assert not [a for _, attrs in reader.tags for a in attrs if a in ("src", "href") or a.startswith("on")]
    assert "@import" not in html
    assert set(re.findall(r"url\(([^)]*)\)", html)) == {f"#{i}" for i in re.findall(r"url\(#([^)]*)\)", html)}


def test_ids_on_the_page_are_unique_and_pictures_are_named(html: str) -> None:
    reader = read(html)
    ids = [attrs["id"] for _, attrs in reader.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for tag, attrs in reader.tags:
        if tag == "svg":
            assert attrs["role"] == "img"
            assert set((attrs["aria-labelledby"] or "").split()) <= set(ids)


def test_what_is_unvalidated_is_said_beside_chance_and_backup(html: str) -> None:
    assert html.count(words.DISCLAIMER) >= 3
    text = visible(html)
    rows = text.index("Ways to close the gap")
    assert "scale unvalidated" in text[text.index("Will it go?") : text.index("If not, what next?")]
    assert words.BACKUP_UNVALIDATED in text[rows : rows + 600]
    assert "absolute backup scale" in text


def test_tables_stand_behind_charts_and_headings_go_down_by_one(html: str) -> None:
    reader = read(html)
    levels = [int(tag[1]) for tag, _ in reader.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert html.count("The numbers behind this picture") >= 3
    assert [attrs for tag, attrs in reader.tags if tag == "th" and "scope" not in attrs] == []


def test_null_is_shown_as_not_reached(plan: PlanDocument, html: str) -> None:
    rig = next(r for r in plan.rigs if r.need_N.p50 is None)
    start = html.index(f"<summary>{rig.change} ")
    part = html[start : html.index('<details class="rig">', start)]
    assert "not reached" in visible(f"<details>{part}")
    assert words.spread(rig.need_N, "N") == f"not reached ({rig.need_N.p10:.1f} to not reached)"
    assert "None" not in visible(html) and "nan" not in visible(html).lower().split()


def test_markup_in_text_is_text_on_the_page(hostile: PlanDocument) -> None:
    made = page.html(hostile)
    assert "<script" not in made
    assert HOSTILE in visible(made)
    read(made)


def test_a_case_that_does_not_fit_says_no(plan: PlanDocument) -> None:
    misfit = next(r for r in plan.rigs if r.fits.verdict is Verdict.NO)
    rigs = [misfit.model_copy(update={"in_place": True}), *(r for r in plan.rigs[1:] if r.id != misfit.id)]
    other = plan.model_copy(update={"rigs": rigs})
    text = visible(page.html(other))
    assert "No: it does not fit" in text
    assert misfit.fits.nearest_fix in text
    assert "NO: IT DOES NOT FIT" in printed(other)


def test_where_nothing_is_better_it_says_so(plan: PlanDocument) -> None:
    worst = min(plan.rigs, key=lambda rig: rig.chance.value)
    none = worst.chance.model_copy(update={"value": 0.0})
    worse = worst.model_copy(update={"in_place": False, "id": "worse", "chance": none})
    some, alone = (
        plan.model_copy(update={"rigs": rigs}) for rigs in ([plan.in_place, worse], [plan.in_place])
    )
    for one, said in (
        (some, "Nothing on this shelf raises the chance."),
        (alone, "Only the rig in place was asked about."),
    ):
        for text in (visible(page.html(one)), printed(one), json.dumps(sheet.sheet_data(one))):
            assert said in text


def test_a_rig_that_does_not_fit_is_never_what_comes_next(plan: PlanDocument) -> None:
    misfit = next(r for r in plan.rigs if r.fits.verdict is Verdict.NO)
    sure = misfit.chance.model_copy(update={"value": 1.0, "high": 1.0})
    rigs = [misfit.model_copy(update={"chance": sure}) if r.id == misfit.id else r for r in plan.rigs]
    best = words.best_other(plan.model_copy(update={"rigs": rigs}))
    assert best is not None and best.id != misfit.id


def test_small_forces_are_given_with_two_decimals(plan: PlanDocument) -> None:
    rig = plan.in_place
    small = rig.need_N.model_copy(update={"p10": 0.043, "p50": 0.184, "p90": 0.362})
    assert words.digits_N(rig) == 1
    rows = dict(words.answer_rows(rig.model_copy(update={"need_N": small})))
    assert rows["push needed"] == "0.18 N (0.04 to 0.36)"


def test_what_every_rig_asks_is_said_once_and_first(plan: PlanDocument) -> None:
    gate = "a balloon has opened fully in two views"
    rigs = [rig.model_copy(update={"conditions": [gate, *rig.conditions]}) for rig in plan.rigs]
    other = plan.model_copy(update={"rigs": rigs})
    assert words.shared_conditions(other) == [gate]
    text = visible(page.html(other))
    rows = text[text.index("Ways to close the gap") : text.index("Why it needs that push")]
    assert f"Before any of them: {gate}." in rows
    assert rows.count(gate) == 1
    top = text[text.index("What must I not do?") : text.index("In place now")]
    assert f"Make sure first: {gate}" in top
    assert f"Make sure first: {gate}" in " ".join(printed(other).split())
    assert "A balloon has crossed beyond 42 mm" in rows


def test_cautions_are_told_apart_by_the_rig_they_belong_to(plan: PlanDocument) -> None:
    found = not_to_do(plan, next_step(plan))
    assert list(found.now) == plan.cautions
    assert list(found.then) == next_step(plan).rig.cautions
    every = {*plan.cautions, *(caution for rig in plan.rigs for caution in rig.cautions)}
    assert found.left == len(every) - len(found.now) - len(found.then)
    # A plan that lists its rigs' cautions too does not show another rig's as if it held now.
    listed = plan.model_copy(update={"cautions": sorted(every)})
    assert sorted(not_to_do(listed, next_step(listed)).now) == sorted(plan.cautions)


def test_unvalidated_fields_of_one_device_stand_together(plan: PlanDocument) -> None:
    items = ["scale of backup", "Stent A: nose_mm", "Stent A: shaft_stiffness_Nmm2", "scale of backup"]
    rig = plan.in_place.model_copy(update={"unvalidated": items})
    assert words.unvalidated([rig]) == ["scale of backup", "Stent A: nose, shaft stiffness"]


def test_a_rig_that_lands_still_says_what_stops_the_rest(plan: PlanDocument) -> None:
    lands = next(r for r in plan.rigs if r.stops_at_mm is None and r.fits.verdict is not Verdict.NO)
    assert words.stop_words(lands).endswith("in the median draw; when it stops, the guide backs out.")
    never = lands.model_copy(update={"limited_by": {}})
    assert words.stop_words(never).endswith("in the median draw.")


# The sheet


def test_every_caution_of_a_row_stands_under_its_number(plan: PlanDocument) -> None:
    data = sheet.sheet_data(plan)
    notes = {note["mark"]: note["text"] for note in data["notes"]}
    for rig, row in zip(plan.rigs, data["rungs"], strict=True):
        named = [notes[mark] for mark in row["notes"].split(", ")] if row["notes"] else []
        assert sorted(named) == sorted([*rig.cautions, *(f"first: {c}" for c in rig.conditions)])


def test_the_sheet_holds_the_numbers(plan: PlanDocument, tmp_path: Path) -> None:
    text = pdf_text(sheet.pdf(plan), tmp_path)
    missing = [number for number in headline(plan.in_place) if number not in text]
    assert missing == []
    flat = " ".join(text.split())
    for phrase in (plan.title, "INVENTED CASE", "Will it go?", "What must I not do?", words.DISCLAIMER):
        assert phrase in flat
    assert "absolute scale of backup is unvalidated" in flat
    assert "not reached" not in flat.split("Ways to close the gap")[0]
    assert text.count("\f") <= 4


def test_markup_in_text_is_text_on_the_sheet(hostile: PlanDocument, tmp_path: Path) -> None:
    text = " ".join(pdf_text(sheet.pdf(hostile), tmp_path).split())
    assert text.count("#strong[x] $y$ *b* _i_ [bold]z[/bold] @ref `c`") >= 2
    assert "<script>" in text


def test_the_same_plan_gives_the_same_sheet(plan: PlanDocument) -> None:
    made = sheet.pdf(plan)
    assert made == sheet.pdf(plan)
    # No time of making, so the next day's is the same too.
    assert re.findall(rb"D:(?!1970)\d{4}|<xmp:\w+Date>(?!1970)", made) == []


# The terminal


@pytest.mark.parametrize("width", [80, 100, 120])
def test_the_terminal_holds_the_numbers_and_its_width(plan: PlanDocument, width: int) -> None:
    text = printed(plan, width)
    assert [number for number in headline(plan.in_place) if number not in text] == []
    assert max(len(line) for line in text.splitlines()) <= width
    flat = " ".join(text.split())
    assert words.DISCLAIMER in flat
    assert "absolute scale unvalidated" in flat
    assert all(caution in flat for caution in plan.cautions)


def test_the_terminal_says_each_caution_once(plan: PlanDocument) -> None:
    flat = " ".join(printed(plan, 120).split())
    assert flat.count(words.DISCLAIMER) == 1
    every = {*plan.cautions, *(caution for rig in plan.rigs for caution in rig.cautions)}
    assert {text: flat.count(text) for text in every} == dict.fromkeys(every, 1)


def test_the_terminal_says_the_same_without_colour(
    plan: PlanDocument, monkeypatch: pytest.MonkeyPatch
) -> None:
    coloured = printed(plan, force_terminal=True, color_system="standard")
    assert "\x1b[1;33m" in coloured
    monkeypatch.setenv("NO_COLOR", "1")
    plain = printed(plan, force_terminal=True, color_system="standard")
    assert re.search(r"\x1b\[[0-9;]*3[0-7]m", plain) is None

    def bare(text: str) -> str:
        return re.sub(r"\x1b\[[0-9;]*m", "", text)

    assert bare(plain) == bare(coloured)


def test_a_terminal_that_holds_only_ascii_gets_ascii(plan: PlanDocument) -> None:
    raw = io.BytesIO()
    out = io.TextIOWrapper(raw, encoding="ascii")
    terminal.render(plan, Console(file=out, width=80))
    out.flush()
    text = raw.getvalue().decode("ascii")
    assert "STOPS AT" in text.upper()
    assert "X stops" in " ".join(text.split())


def test_markup_in_text_is_text_in_the_terminal(hostile: PlanDocument) -> None:
    text = printed(hostile, 120)
    assert text.splitlines()[0] == HOSTILE
    below = " ".join(text[len(HOSTILE) :].split())
    # Vessel, rig and what stands in lists and tables: the same, broken over lines or not.
    assert below.count(" ".join(HOSTILE.split())) >= 4


def test_the_strip_in_letters_puts_push_above_backup_where_it_stops(plan: PlanDocument) -> None:
    text = printed(plan, 100)
    body = text[text.index("Push needed against backup") : text.index("Ways to close the gap")].splitlines()
    rows = [line for line in body if "█" in line and "median" not in line]
    backup = next(i for i, line in enumerate(body) if "━" in line)
    assert "█" in body[backup - 1]  # past the stop the median push lies above the median backup
    first, last = rows[-1].index("█"), max(line.rindex("█") for line in rows)
    assert first < 10 and last > 80
    stop = next(line.index("✗") for line in body if "✗" in line and "stops" not in line)
    land = next(line.index("│") for line in body if "│" in line and "landing" not in line)
    assert stop < land


# Words


def test_every_identifier_has_its_own_plain_words() -> None:
    for kinds, table in (
        (LimitedBy, event_words.LIMITED_BY),
        (Cause, words.CAUSES),
        (Verdict, words.VERDICTS),
        (MoveId, event_words.MOVES),
        (Calcium, words.CALCIUM),
    ):
        assert set(table) == set(kinds)
        assert len(set(table.values())) == len(table)
        assert not any("_" in text for text in table.values())


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(1.94, 1, "1.9"), (-0.44, 1, "\u22120.4"), (-0.01, 1, "0.0"), (None, 1, "not reached"), (71.5, 0, "72")],
)
def test_numbers_as_people_read_them(value: float | None, digits: int, text: str) -> None:
    assert words.number(value, digits) == text


def test_shares_are_of_the_draws_that_stop_short(plan: PlanDocument) -> None:
    shares = [share for _, share in words.limits(plan.in_place)]
    assert sum(shares) == pytest.approx(1.0)
    assert shares == sorted(shares, reverse=True)
    assert words.percent(0.004) == "under 1 %"
    assert words.percent(0.0) == "0 %"
    assert words.percent(0.934) == "93 %"
