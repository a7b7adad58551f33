"""The way back out of a rig: every thing in place, its pull, what catches; and how page and terminal tell it."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from rich.console import Console

from backstay.adapters.way_back_file import BackItem, WayBackDocument
from backstay.app.loading import LoadedCase, load_case
from backstay.app.solving import Answer, solve_rigs
from backstay.app.way_back import way_back
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.devices import Balloon, Extension, Stent
from backstay.core.rigging.rig import Anchor, TrappedWire
from backstay.core.withdrawal.draws import with_way_back
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import BodyItem, Catch, TrappedEnd
from backstay.report.terminal import Terminal
from backstay.report.way_back import way_back_lines, way_back_section, way_back_terminal


@pytest.fixture(scope="module")
def case(demo_dir: Path) -> LoadedCase:
    return load_case(demo_dir / "case.toml")


@pytest.fixture(scope="module")
def draws() -> DrawSet:
    return with_way_back(sample(DEFAULT_DRAWS, count=256, seed=7), seed=7)


@pytest.fixture(scope="module")
def full(case: LoadedCase) -> LoadedCase:
    """Everything at once: an extension, a buddy, an anchor, and a wire trapped behind a stent."""
    shelf = case.shelf.devices
    extension, balloon = shelf["ext-6"], next(d for d in shelf.values() if isinstance(d, Balloon))
    stent = next(d for d in shelf.values() if isinstance(d, Stent) and d.working_mm <= 20.0)
    assert isinstance(extension, Extension)
    rig = case.rig.with_extension(extension, 15.0).with_buddy(case.rig.rail)
    anchor = Anchor(balloon, "first right ventricular branch", 20.0, 1.8, 6.0)
    trapped = TrappedWire(case.rig.rail, 34.0, 34.0 + stent.working_mm)
    return replace(case, rig=replace(rig, anchor=anchor, trapped=trapped))


@pytest.fixture(scope="module")
def extended(case: LoadedCase) -> LoadedCase:
    extension = case.shelf.devices["ext-6"]
    assert isinstance(extension, Extension)
    return replace(case, rig=case.rig.with_extension(extension, 15.0))


def solved(case: LoadedCase, draws: DrawSet) -> Answer:
    options = alternatives(
        case.rig, case.device, shelf=case.shelf, path=case.path, lesions=case.lesions, branches=case.branches,
        target_from_mm=case.target_from_mm, target_to_mm=case.target_to_mm, most=1,
    )  # fmt: skip
    return solve_rigs(case, options[:1], draws)[0].answer(draws)


@pytest.fixture(scope="module")
def plain(case: LoadedCase, draws: DrawSet) -> WayBackDocument:
    return way_back(case, solved(case, draws), draws)


@pytest.fixture(scope="module")
def crowded(full: LoadedCase, draws: DrawSet) -> WayBackDocument:
    return way_back(full, solved(full, draws), draws)


@pytest.fixture(scope="module")
def inside(extended: LoadedCase, draws: DrawSet) -> WayBackDocument:
    return way_back(extended, solved(extended, draws), draws)


def only(document: WayBackDocument, kind: BodyItem) -> BackItem:
    (item,) = [item for item in document.items if item.kind is kind]
    return item


def test_everything_in_place_comes_back(plain: WayBackDocument, crowded: WayBackDocument) -> None:
    assert [item.kind for item in plain.items] == [BodyItem.STENT_ON_BALLOON, BodyItem.WIRE]
    assert [item.kind for item in crowded.items] == [
        BodyItem.STENT_ON_BALLOON, BodyItem.ANCHOR_BALLOON, BodyItem.WIRE, BodyItem.WIRE, BodyItem.TRAPPED_WIRE,
        BodyItem.EXTENSION,
    ]  # fmt: skip
    for item in (*plain.items, *crowded.items):
        assert item.pull_N.p10 is not None and item.pull_N.p10 >= 0.0
        q = item.guide_in_mm
        assert q.p10 is not None and q.p50 is not None and q.p90 is not None and q.p10 <= q.p50 <= q.p90


def test_the_device_comes_back_from_where_it_stops(plain: WayBackDocument, case: LoadedCase) -> None:
    device = only(plain, BodyItem.STENT_ON_BALLOON)
    landing = case.device.landing_tip_mm(case.target_to_mm)
    assert device.from_mm.p90 is not None and device.from_mm.p90 <= landing + 1e-6
    assert device.push_N is not None and device.push_N.p50 is not None
    assert [row.what for row in device.catches if row.what is Catch.GUIDE_TIP] == [Catch.GUIDE_TIP]


def test_with_an_extension_the_mouth_is_the_rim(inside: WayBackDocument) -> None:
    kinds = {row.what: row for row in only(inside, BodyItem.STENT_ON_BALLOON).catches}
    assert Catch.GUIDE_TIP not in kinds
    assert kinds[Catch.EXTENSION_MOUTH].at_mm == pytest.approx(15.0, abs=0.1)


def test_a_trapped_wire_ends_in_one_of_three_ways(crowded: WayBackDocument, plain: WayBackDocument) -> None:
    row = only(crowded, BodyItem.TRAPPED_WIRE)
    assert row.trapped is not None and set(row.trapped.ends) == set(TrappedEnd)
    assert sum(row.trapped.ends.values()) == pytest.approx(1.0, abs=1e-3)
    assert row.trapped.at_stent_N.p50 is not None and row.pull_N.p50 is not None
    assert row.pull_N.p50 > row.trapped.at_stent_N.p50  # the bends add to it
    assert all(item.trapped is None for item in plain.items)


def test_friction_raises_the_pull_and_draws_the_guide_farther_in(case: LoadedCase, draws: DrawSet) -> None:
    rough = replace(draws, values={**draws.values, "friction_wall": 1.5 * draws["friction_wall"]})
    smooth, harsh = (
        only(way_back(case, solved(case, d), d), BodyItem.STENT_ON_BALLOON) for d in (draws, rough)
    )
    assert harsh.pull_N.p50 is not None and smooth.pull_N.p50 is not None
    assert harsh.pull_N.p50 > smooth.pull_N.p50


def test_steep_rims_catch_and_are_said(extended: LoadedCase, draws: DrawSet) -> None:
    steep = replace(draws, values={**draws.values, "rim_slope": np.full(draws.count, 1.6)})
    there = solved(extended, steep)
    device = only(way_back(extended, there, steep), BodyItem.STENT_ON_BALLOON)
    caught = next(row for row in device.catches if row.what is Catch.EXTENSION_MOUTH)
    rear_mm = extended.device.nose_mm + extended.device.working_mm
    way = there.outcome
    left = (way.stopped > 0) & (way.tips_mm[np.maximum(way.stopped, 1) - 1] >= 15.0 + rear_mm)
    assert (
        0.5 < caught.chance == pytest.approx(np.mean(left), abs=1e-3)
    )  # in the others the edge never left the mouth
    assert device.pull_N.p50 is None  # locks
    assert any("extension's mouth" in text for text in device.warnings)
    assert any("an edge locks" in text for text in device.warnings)


def test_the_page_and_the_terminal_tell_it(crowded: WayBackDocument) -> None:
    html = way_back_section(crowded)
    out = io.StringIO()
    way_back_terminal(Terminal(Console(file=out, width=100, color_system=None)), crowded)
    text = " ".join(out.getvalue().split())
    for said in ("The way back out", "slips out first", "The guide's hub is held"):
        assert said in text
    assert "slips out first" in html and "<script" not in html
    for line in way_back_lines(crowded):
        assert line.split(": ")[1][:20] in text
    hostile = crowded.model_copy(
        update={
            "items": [crowded.items[0].model_copy(update={"name": "<b>x</b> & [red]"}), *crowded.items[1:]]
        }
    )
    assert "<b>x</b>" not in way_back_section(hostile)
    assert "&lt;b&gt;x&lt;/b&gt; &amp; [red]" in way_back_section(hostile)


def test_the_case_file_sets_the_inputs_of_the_way_back(demo_dir: Path, tmp_path: Path) -> None:
    for name in ("case.toml", "path.csv", "shelf.toml"):
        (tmp_path / name).write_text((demo_dir / name).read_text())
    file = tmp_path / "case.toml"
    original = file.read_text()
    file.write_text(
        original
        + "\n[draws]\nstent_gives_N = { median = 0.8, spread = 0.3 }\nbed_MPa = { median = 0.2, spread = 0.5 }\n"
    )
    loaded = load_case(file)
    assert loaded.way_back_overrides == {"stent_gives_N": (0.8, 0.3)}
    assert loaded.draw_overrides == {"bed_MPa": (0.2, 0.5)}
    file.write_text(original + "\n[draws]\nstent_give_N = { median = 0.8, spread = 0.3 }\n")
    with pytest.raises(
        FileFormatError, match=r"draws.stent_give_N.*did you mean stent_gives_N|did you mean stent_gives_N"
    ):
        load_case(file)
    file.write_text(original + "\n[draws]\nrim_slope = { median = -0.1, spread = 0.3 }\n")
    with pytest.raises((InputError, FileFormatError), match="rim_slope"):
        load_case(file)


def test_the_added_draws_leave_the_others_alone_and_are_independent(draws: DrawSet) -> None:
    plain = sample(DEFAULT_DRAWS, count=256, seed=7)
    for name, values in plain.values.items():
        assert np.array_equal(draws[name], values)
    assert with_way_back(draws, seed=7) is draws
    logs = np.log(
        [
            draws[name]
            for name in ("friction_wall", "guide_hold_N", "guide_in_share", "rim_slope", "stent_gives_N")
        ]
    )
    off = np.corrcoef(logs) - np.eye(5)
    assert np.abs(off).max() < 0.12
