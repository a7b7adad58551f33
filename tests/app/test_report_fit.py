"""Fit in words, in a terminal and on the card."""

from __future__ import annotations

import io
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

from backstay.core.rigging.devices import AccessRoute, Device, Extension, Guide, Shelf, Stent, Wire
from backstay.core.rigging.fit import check_fit
from backstay.core.rigging.fit_card import CardCell, CardLoad, CardRow, FitCard, fit_card
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Access, DeviceKind, GuideShape, Verdict
from backstay.report import fit_card as report_card
from backstay.report import terminal
from backstay.report.words import DISCLAIMER, VERDICTS

MARKUP = "#strong[x] $y$ *b* [red]z[/red] <t>"


def guide(size_fr: float, bore_mm: float) -> Guide:
    return Guide(
        id=f"g{size_fr:g}",
        name=f"{size_fr:g} Fr guide",
        size_fr=size_fr,
        inner_diameter_mm=bore_mm,
        length_cm=100.0,
        shape=GuideShape.STANDARD_RIGHT,
    )


def wire() -> Wire:
    return Wire(
        id="w",
        name="workhorse wire",
        diameter_mm=0.3556,
        length_cm=180.0,
        core_stiffness_Nmm2=4.0,
        tip_stiffness_Nmm2=0.1,
        floppy_mm=30.0,
        tip_load_N=0.008,
        coating="hydrophilic",
    )


def stent(crossing_mm: float = 1.06) -> Stent:
    return Stent(
        id="s",
        name="2.75 x 18 mm stent",
        tip_diameter_mm=0.45,
        nose_mm=3.0,
        working_mm=18.0,
        crossing_diameter_mm=crossing_mm,
        working_stiffness_Nmm2=20.0,
        nose_stiffness_Nmm2=3.0,
        shaft_stiffness_Nmm2=8.0,
        shaft_diameter_mm=0.86,
        wire_lumen_mm=0.42,
        rapid_exchange_mm=250.0,
        proximal_shaft_diameter_mm=0.65,
        length_cm=142.0,
        nominal_diameter_mm=2.75,
        expansion_limit_mm=3.5,
        nominal_atm=11.0,
        rated_burst_atm=16.0,
    )


def extension() -> Extension:
    return Extension(
        id="e",
        name="6 Fr extension",
        for_guide_fr=6.0,
        inner_diameter_mm=1.42,
        outer_diameter_mm=1.70,
        tube_length_mm=250.0,
        collar_inner_diameter_mm=1.40,
        push_rod_diameter_mm=0.4,
        length_cm=150.0,
        stiffness_Nmm2=30.0,
    )


@pytest.fixture
def shelf() -> Shelf:
    devices: list[Device] = [
        guide(5.0, 1.47),
        guide(6.0, 1.80),
        guide(7.0, 2.06),
        extension(),
        wire(),
        stent(),
    ]
    return Shelf("Invented shelf", {device.id: device for device in devices})


def printed(show: object, what: object, width: int = 100) -> str:
    out = io.StringIO()
    show(what, Console(file=out, width=width))  # type: ignore[operator]
    return out.getvalue()


def rig(size_fr: float = 6.0, bore_mm: float = 1.80) -> Rig:
    return Rig(access=AccessRoute(Access.FEMORAL, size_fr), guide=guide(size_fr, bore_mm), rail=wire())


def test_a_fit_in_the_terminal_says_verdict_place_and_room() -> None:
    report = check_fit(rig(), stent(), landing_tip_mm=79.0)
    text = printed(terminal.render_fit, report)
    flat = " ".join(text.split())
    assert flat.startswith("Does it fit?")
    assert f"✓ fits, {report.spare_mm:.2f} mm free" in flat
    assert report.where in flat
    assert DISCLAIMER in flat
    assert text.count("✓ fits") == 1 + sum(line.verdict is Verdict.FITS for line in report.lines)


def test_what_does_not_fit_says_by_how_much_and_what_would() -> None:
    report = check_fit(rig(5.0, 1.0), stent(), landing_tip_mm=79.0)
    assert report.verdict is Verdict.NO
    flat = " ".join(printed(terminal.render_fit, report).split())
    assert f"✗ does not fit, {-report.spare_mm:.2f} mm short" in flat
    assert report.nearest_fix and f"Nearest change that fits: {report.nearest_fix}" in flat


@pytest.mark.parametrize("width", [80, 120])
def test_the_card_in_the_terminal_has_every_row_load_and_verdict(shelf: Shelf, width: int) -> None:
    card = fit_card(shelf)
    text = printed(terminal.render_fit_card, card, width)
    assert max(len(line) for line in text.splitlines()) <= width
    for row in card.rows:
        assert f"{row.bore_mm:.2f}" in text
        for cell in row.cells:
            if cell.spare_mm is not None:
                assert f"{abs(cell.spare_mm):.2f}" in text
    flat = " ".join(text.split())
    assert all(f"{load.label}: {load.note}" in flat for load in card.loads)
    marks = {Verdict.FITS: "✓ ", Verdict.TIGHT: "≈ ", Verdict.NO: "✗ "}
    for verdict, mark in marks.items():
        shown = sum(len(re.findall(re.escape(mark) + r"\u2212?\d", line)) for line in text.splitlines())
        wanted = [
            c for row in card.rows for c in row.cells if c.verdict is verdict and c.spare_mm is not None
        ]
        assert shown == len(wanted)


def read_pdf(pdf: bytes, tmp_path: Path) -> str:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    file = tmp_path / "card.pdf"
    file.write_bytes(pdf)
    made = subprocess.run(
        ["pdftotext", "-layout", str(file), "-"], capture_output=True, text=True, check=True
    )
    return made.stdout


def test_the_card_on_paper_has_every_number(shelf: Shelf, tmp_path: Path) -> None:
    card = fit_card(shelf)
    text = read_pdf(report_card.pdf(card), tmp_path)
    spares = [f"{abs(c.spare_mm):.2f}" for row in card.rows for c in row.cells if c.spare_mm is not None]
    assert spares and [spare for spare in spares if spare not in text] == []
    flat = " ".join(text.split())
    assert DISCLAIMER in flat and card.title in flat
    assert text.count("\f") == 1


def test_verdicts_on_paper_are_words_and_markup_is_text(tmp_path: Path) -> None:
    cells = tuple(CardCell(verdict, 0.1, MARKUP if verdict is Verdict.NO else "") for verdict in Verdict)
    loads = tuple(CardLoad(f"k{i}", f"load {i}", MARKUP) for i in range(len(cells)))
    card = FitCard(MARKUP, loads, (CardRow("a", MARKUP, DeviceKind.GUIDE, 1.8, cells),))
    flat = " ".join(read_pdf(report_card.pdf(card), tmp_path).split())
    assert all(words in flat for words in VERDICTS.values())
    assert flat.count(MARKUP) >= 4
    assert MARKUP in " ".join(printed(terminal.render_fit_card, card, 120).split())


def test_equal_notes_share_a_mark(shelf: Shelf) -> None:
    card = fit_card(shelf)
    cells = tuple(CardCell(Verdict.TIGHT, 0.1, note) for note in ("one", "two", "one", ""))
    loads = tuple(CardLoad(f"k{i}", "l", "n") for i in range(4))
    noted = report_card.noted(
        replace(card, loads=loads, rows=(CardRow("a", "a", DeviceKind.GUIDE, 1.8, cells),))
    )
    assert noted == {"one": "a", "two": "b"}
    many = tuple(CardCell(None, None, f"note {i}") for i in range(60))
    row = CardRow("a", "a", DeviceKind.GUIDE, 1.8, many)
    marks = report_card.noted(replace(card, rows=(row,)))
    assert len(set(marks.values())) == 60
