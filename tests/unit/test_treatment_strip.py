"""The treatment's path strip: every length and width on it is to the scale it names."""

from __future__ import annotations

import re
import runpy
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from backstay.adapters.treatment_file import TreatmentDocument
from backstay.app.loading import load_case
from backstay.app.treatment import size_case
from backstay.report.scene import Line, Rect, Scene, Text
from backstay.report.treatment_strip import PHONE, WIDE, treatment_strip

W = SimpleNamespace(**runpy.run_path(str(Path(__file__).parents[1] / "treatment_cases.py")))
LESIONS = W.lesion(20, 36) + W.lesion(58, 74, calcium="severe")


@pytest.fixture(scope="module")
def doc(demo_dir: Path, tmp_path_factory: pytest.TempPathFactory) -> TreatmentDocument:
    """Return two stretches in a vessel that tapers, with a branch under none of them."""
    folder = tmp_path_factory.mktemp("strip")
    narrowed = [(28.0, 8.0, 0.6), (66.0, 8.0, 0.5)]
    file = W.write_case(folder, demo_dir / "shelf.toml", narrowed, LESIONS + W.BRANCH, start_mm=3.3)
    return size_case(load_case(file))


def along(scene: Scene) -> tuple[float, float]:
    """Return place and px per mm of the scale as its own tick labels show them."""
    labels = [t for t in scene.shapes if isinstance(t, Text) and t.anchor == "middle" and t.text.isdigit()]
    places = [(float(t.text), t.x) for t in labels if t.y == labels[-1].y]
    assert len(places) >= 4
    slope, start = np.polyfit(*zip(*places, strict=True), 1)
    assert [start + slope * at for at, _ in places] == pytest.approx([x for _, x in places], abs=1e-6)
    return float(start), float(slope)


def across(scene: Scene, doc: TreatmentDocument) -> float:
    """Return px per mm across, from the reference ticks."""
    drawn = [x for x in scene.shapes if isinstance(x, Line) and x.kind == "tick"]
    assert len(drawn) == len(doc.ticks) == 4
    start, slope = along(scene)
    found = []
    for line, tick in zip(drawn, doc.ticks, strict=True):
        (x, top), (other, bottom) = line.points
        assert x == other == pytest.approx(start + slope * tick.at_mm, abs=0.05)
        found.append((bottom - top) / tick.diameter_mm.value)
    assert found == pytest.approx([found[0]] * 4, rel=1e-9)
    return float(found[0])


@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_the_exaggeration_named_is_the_one_drawn(doc: TreatmentDocument, width: float) -> None:
    scene = treatment_strip(doc, width=width)
    said = " ".join(t.text for t in scene.shapes if isinstance(t, Text))
    (named,) = re.findall(r"across it (\d+) times as wide", said)
    assert across(scene, doc) / along(scene)[1] == pytest.approx(float(named), rel=1e-6)


@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_stents_and_balloons_are_as_long_and_wide_as_planned(doc: TreatmentDocument, width: float) -> None:
    scene = treatment_strip(doc, width=width)
    (start, slope), wide = along(scene), across(scene, doc)
    rects = [x for x in scene.shapes if isinstance(x, Rect)]
    stents = [s for stretch in doc.stretches if stretch.best is not None for s in stretch.best.stents]
    balloons = [b for s in doc.stretches for b in s.after if b.diameter_mm is not None]
    assert len(doc.stretches) == 2 and balloons
    planned = [(s.from_mm, s.to_mm, s.opened_mm or s.label_mm) for s in stents]
    inside, bars = rects[: len(stents)], rects[len(stents) :]
    below = [*planned, *((b.from_mm, b.to_mm, b.diameter_mm) for b in balloons)]
    assert len(bars) == len(below)
    for drawn, wanted, part in ((inside, planned, 1.0), (bars, below, 0.5)):
        for rect, (from_mm, to_mm, diameter_mm) in zip(drawn, wanted, strict=True):
            assert rect.x == pytest.approx(start + slope * from_mm, abs=0.05)
            assert rect.width == pytest.approx(slope * (to_mm - from_mm), abs=0.05)
            assert rect.height == pytest.approx(part * wide * (diameter_mm or 0.0), rel=1e-6)


@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_the_lumen_is_as_wide_as_it_was_measured(doc: TreatmentDocument, width: float) -> None:
    scene = treatment_strip(doc, width=width)
    (start, slope), wide = along(scene), across(scene, doc)
    (lumen,) = (x for x in scene.shapes if isinstance(x, Line) and x.kind == "lumen")
    points = np.array(lumen.points)
    for at in (10.0, 28.0, 47.0, 66.0):  # healthy, narrowest, healthy, narrowest
        k = int(np.argmin(np.abs(np.array(doc.picture.s_mm) - at)))
        x = start + slope * doc.picture.s_mm[k]
        ys = points[np.abs(points[:, 0] - x) < 0.05 * slope, 1]
        assert ys.size == 2
        assert np.ptp(ys) == pytest.approx(wide * doc.picture.lumen_mm[k], rel=1e-3)
