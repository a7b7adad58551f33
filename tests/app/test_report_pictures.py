"""Pictures: what a person sees in them, that they are sound SVG, that nothing depends on colour alone."""

from __future__ import annotations

import math
import re
import runpy
import xml.etree.ElementTree as ET
from itertools import combinations
from pathlib import Path
from typing import Any

import pytest

from backstay.adapters.plan_file import Chance, Circle, CrossSection, PlanDocument, RigResult
from backstay.errors import NotFound
from backstay.identifiers import LimitedBy, Verdict
from backstay.report import theme
from backstay.report.axes import Scale, round_up, ticks
from backstay.report.causes import cause_rows, causes_bar
from backstay.report.labels import Label, place
from backstay.report.rungs import chance_pips
from backstay.report.scene import Line, Paint, Rect, Scene, Text, text_width, wrap
from backstay.report.section import cross_section, draw_section
from backstay.report.sheet import png
from backstay.report.strip import PHONE, WIDE, path_strip
from backstay.report.strip_force import Force
from backstay.report.strip_frame import frame

SVG = "{http://www.w3.org/2000/svg}"
HOSTILE = '<script>alert(1)</script> & "quotes" \x07 #strong[x] $y$ \\z *b* [/red]'


@pytest.fixture(scope="module")
def plan(root: Path) -> PlanDocument:
    return runpy.run_path(str(root / "tests" / "app" / "plan_sample.py"))["sample_plan"]()


def texts(scene: Scene) -> list[str]:
    return [shape.text for shape in scene.shapes if isinstance(shape, Text)]


def lines(scene: Scene, kind: str) -> list[Line]:
    return [shape for shape in scene.shapes if isinstance(shape, Line) and shape.kind == kind]


def scenes(plan: PlanDocument) -> list[Scene]:
    made = [path_strip(plan, rig.id, width=width) for rig in plan.rigs for width in (WIDE, PHONE, 800.0)]
    made += [cross_section(plan, rig.id) for rig in plan.rigs]
    made += [causes_bar(rig, width=width) for rig in plan.rigs for width in (700.0, PHONE)]
    return made + [chance_pips(rig.chance, name=rig.id) for rig in plan.rigs]


# Sound SVG


def test_every_picture_is_sound_xml_in_every_theme(plan: PlanDocument) -> None:
    for scene in scenes(plan):
        for look in (theme.LIGHT, theme.DARK, theme.PRINT, None):
            tree = ET.fromstring(scene.svg(look))
            assert tree.find(f"{SVG}title").text == scene.title
            assert tree.find(f"{SVG}desc").text
            ids = [node.get("id") for node in tree.iter() if node.get("id")]
            assert len(ids) == len(set(ids))
            used = set(re.findall(r"url\(#([^)]+)\)", scene.svg(look)))
            assert used <= set(ids)


def test_on_its_own_a_picture_carries_its_colours_and_in_the_page_it_follows_the_page(
    plan: PlanDocument,
) -> None:
    scene = path_strip(plan, plan.in_place.id)
    assert "var(" not in scene.svg(theme.DARK)
    assert theme.DARK.colours["need"] in scene.svg(theme.DARK)
    assert re.findall(r'(?:fill|stroke)="#', scene.svg(None)) == []
    assert scene._repr_svg_() == scene.svg(theme.LIGHT)


def test_text_is_escaped_and_comes_out_as_written(plan: PlanDocument) -> None:
    scene = Scene(
        "a", HOSTILE, HOSTILE, 10, 10, (Text(0, 0, HOSTILE), Rect(0, 0, 1, 1, Paint("ink"), tip=HOSTILE))
    )
    tree = ET.fromstring(scene.svg())
    expected = HOSTILE.replace("\x07", "\ufffd")
    assert tree.find(f"{SVG}text").text == expected
    assert tree.find(f"{SVG}rect/{SVG}title").text == expected
    assert tree.find(f".//{SVG}script") is None


def test_numbers_in_svg_have_no_negative_zero_and_two_decimals_at_most() -> None:
    svg = Scene("a", "t", "d", 10, 10, (Rect(-0.0001, 1.23456, 5.0, 2.5, Paint("ink")),)).svg()
    assert '<rect x="0" y="1.23" width="5" height="2.5"' in svg


def test_a_png_is_made_with_the_compilers_own_letters(plan: PlanDocument) -> None:
    scene = chance_pips(plan.in_place.chance, name="x")
    image = png(scene, scale=2.0)
    assert image[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = (int.from_bytes(image[i : i + 4], "big") for i in (16, 20))
    assert width == pytest.approx(2.0 * scene.width, abs=1.0)
    assert height == pytest.approx(2.0 * scene.height, abs=1.0)


# Colours


@pytest.mark.parametrize("look", [theme.LIGHT, theme.DARK, theme.PRINT], ids=lambda look: look.name)
def test_every_colour_of_text_stands_out_on_every_ground(look: theme.Theme) -> None:
    ratios = {
        (text, ground): theme.contrast(look.colours[text], look.colours[ground])
        for text in theme.TEXT_ROLES
        for ground in theme.GROUND_ROLES
    }
    assert min(ratios.values()) >= 4.5, ratios


def test_contrast_is_the_standards() -> None:
    assert theme.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert theme.contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)
    assert theme.contrast("#777777", "#ffffff") < 4.5


def test_text_is_set_in_checked_colours_only_and_large_enough(plan: PlanDocument) -> None:
    for scene in scenes(plan):
        for shape in scene.shapes:
            if isinstance(shape, Text):
                assert shape.role in theme.TEXT_ROLES
                assert shape.size >= 11.0


def test_push_and_backup_differ_by_more_than_colour(plan: PlanDocument) -> None:
    scene = path_strip(plan, plan.in_place.id)
    (need,), (backup,) = lines(scene, "need"), lines(scene, "backup")
    (need_range,), (backup_range,) = lines(scene, "need-range"), lines(scene, "backup-range")
    assert (need.paint.dash == "") != (backup.paint.dash == "")
    assert need_range.paint.hatch is None and backup_range.paint.hatch == "ruled"
    assert {"push needed at landing", "backup"} <= set(texts(scene))
    plaques = [shape.paint.hatch for shape in lines(scene, "plaque") if shape.paint.hatch]
    assert set(plaques) == {"crossed", "dotted"}
    assert any("severe calcium" in words for words in texts(scene))


# The strip


@pytest.mark.parametrize("width", [WIDE, PHONE])
def test_the_strip_says_where_it_stops_and_why(plan: PlanDocument, width: float) -> None:
    rig = plan.in_place
    words = " ".join(texts(path_strip(plan, rig.id, width=width)))
    assert f"Stops at {rig.stops_at_mm:.0f} mm" in words
    assert "the guide backs out" in words
    assert f"stops {rig.stops_at_mm:.0f} mm" in words
    assert f"landing {plan.target.tip_mm:.0f} mm" in words
    assert f"{rig.curve.need_p50_N[-1]:.1f} N" in words
    assert f"{rig.curve.backup_p50_N:.1f} N" in words
    assert "unvalidated" in words


def test_the_stop_is_drawn_where_it_is(plan: PlanDocument) -> None:
    scene = path_strip(plan, plan.in_place.id)
    along = frame(plan, plan.in_place, WIDE).along
    (stop,) = lines(scene, "stop")
    assert {x for x, _ in stop.points} == {along(plan.in_place.stops_at_mm)}
    assert lines(path_strip(plan, "ext-42"), "stop") == []


def test_axes_run_one_way_and_every_part_shares_the_axis_along_the_vessel(plan: PlanDocument) -> None:
    for rig in plan.rigs:
        f = frame(plan, rig, WIDE)
        force = Force(f, 0.0)
        assert f.along(0.0) < f.along(10.0) < f.along(100.0)
        assert force.up(0.0) > force.up(1.0) > force.up(2.0)
        scene = path_strip(plan, rig.id)
        for kind in ("need", "bends", "prolapse"):
            for line in lines(scene, kind):
                x = [point[0] for point in line.points]
                assert x == sorted(x)
        ends = {round(f.along(at), 6) for at in rig.curve.tip_mm}
        for line in lines(scene, "need"):
            assert {round(x, 6) for x, _ in line.points} <= ends


def test_need_higher_is_drawn_higher_and_ranges_hold_their_medians(plan: PlanDocument) -> None:
    rig = plan.in_place
    f = frame(plan, rig, WIDE)
    force = Force(f, 0.0)
    drawn = [force.up(n) for n in rig.curve.need_p50_N if n is not None]
    assert drawn == sorted(drawn, reverse=True)
    assert all(force.top <= y <= force.bottom for y in drawn)


def test_across_the_vessel_everything_is_drawn_alike(plan: PlanDocument) -> None:
    rig = plan.in_place
    f = frame(plan, rig, WIDE)
    assert f.across == pytest.approx(f.exaggeration * f.along.per_unit)
    scene = path_strip(plan, rig.id)
    (device,) = lines(scene, "device")
    y = [point[1] for point in device.points]
    radius = next(item.radius_mm for item in rig.lying if item.kind == "device")
    assert max(y) - min(y) == pytest.approx(2.0 * radius * f.across)
    assert any(f"drawn {f.exaggeration} times as wide" in words for words in texts(scene))


def test_the_device_is_drawn_where_it_stops_and_in_outline_where_it_was_to_land(plan: PlanDocument) -> None:
    along = frame(plan, plan.in_place, WIDE).along
    scene = path_strip(plan, plan.in_place.id)
    (device,), (outline,) = lines(scene, "device"), lines(scene, "landing")
    assert max(x for x, _ in device.points) == pytest.approx(along(plan.in_place.stops_at_mm))
    assert max(x for x, _ in outline.points) == pytest.approx(along(plan.target.tip_mm))
    landed = path_strip(plan, "ext-42")
    assert lines(landed, "landing") == []
    tip = max(x for x, _ in lines(landed, "device")[0].points)
    assert tip == pytest.approx(frame(plan, plan.rigs[1], WIDE).along(plan.target.tip_mm))


def test_where_most_draws_prolapse_the_strip_says_not_reached(plan: PlanDocument) -> None:
    rig = next(r for r in plan.rigs if r.need_N.p50 is None)
    scene = path_strip(plan, rig.id)
    assert "not reached" in texts(scene)
    assert "more than half" in texts(scene)
    reached = [n for n in rig.curve.need_p50_N if n is not None]
    assert len(lines(scene, "need")[0].points) == len(reached)
    hatches = {shape.paint.hatch for shape in scene.shapes if isinstance(shape, Rect)}
    assert "dotted" in hatches


def test_a_gap_in_the_need_is_drawn_as_a_gap(plan: PlanDocument) -> None:
    rig = plan.in_place
    need = [None, *rig.curve.need_p50_N[1:8], None, None, *rig.curve.need_p50_N[10:]]
    curve = rig.curve.model_copy(update={"need_p50_N": need})
    scene = path_strip(with_rig(plan, rig.model_copy(update={"curve": curve})), rig.id)
    assert [len(line.points) for line in lines(scene, "need")] == [7, len(need) - 10]
    dots = [s for s in scene.shapes if isinstance(s, Rect) and s.paint.hatch == "dotted"]
    assert len(dots) == 2
    along, tips = frame(plan, rig, WIDE).along, rig.curve.tip_mm
    assert dots[1].x == pytest.approx(along(0.5 * (tips[7] + tips[8])))
    assert dots[1].x + dots[1].width == pytest.approx(along(0.5 * (tips[9] + tips[10])))


@pytest.mark.parametrize("level_N", [0.02, 0.5, 1.5, 3.9])
def test_the_two_labels_stay_apart_and_inside(plan: PlanDocument, level_N: float) -> None:
    for height in (None, 215.0):
        force = Force(frame(plan, plan.in_place, WIDE), 0.0, height=height)
        for other in (0.02, 1.5, 3.9):
            first, second = force._apart(force.up(level_N), force.up(other))
            assert abs(first - second) >= 60.0
            assert min(first, second) >= force.top + 30.0
            assert max(first, second) <= force.bottom - 26.0
            if level_N != other:
                assert (first < second) == (level_N > other)


def test_where_nothing_is_ever_reached_the_strip_still_stands(plan: PlanDocument) -> None:
    rig = plan.in_place
    never = rig.curve.model_copy(
        update={
            "need_p10_N": [None] * len(rig.curve.tip_mm),
            "need_p50_N": [None] * len(rig.curve.tip_mm),
            "need_p90_N": [None] * len(rig.curve.tip_mm),
            "prolapsed": [1.0] * len(rig.curve.tip_mm),
        }
    )
    other = with_rig(plan, rig.model_copy(update={"curve": never, "stops_at_mm": 0.0}))
    scene = path_strip(other, rig.id)
    ET.fromstring(scene.svg())
    assert lines(scene, "need") == []
    assert "not reached" in texts(scene)


def test_what_leaves_the_axis_is_named_with_its_number(plan: PlanDocument) -> None:
    rig = plan.in_place
    high = [None if n is None else 9.0 * n for n in rig.curve.need_p90_N]
    other = with_rig(
        plan, rig.model_copy(update={"curve": rig.curve.model_copy(update={"need_p90_N": high})})
    )
    assert max(high) > Force(frame(other, other.in_place, WIDE), 0.0).highest_N
    assert f"↑ up to {max(high):.1f} N" in texts(path_strip(other, rig.id))
    assert not any("↑" in words for words in texts(path_strip(plan, rig.id)))


def test_a_rig_that_does_not_fit_says_so_first(plan: PlanDocument) -> None:
    rig = next(r for r in plan.rigs if r.fits.verdict is Verdict.NO)
    scene = path_strip(plan, rig.id)
    assert texts(scene)[0].startswith("Does not fit")
    assert lines(scene, "stop") == []


def test_no_label_of_the_strip_leaves_the_picture(plan: PlanDocument) -> None:
    for rig in plan.rigs:
        for width in (WIDE, PHONE):
            scene = path_strip(plan, rig.id, width=width)
            for shape in scene.shapes:
                if isinstance(shape, Text):
                    wide = text_width(shape.text, shape.size, bold=shape.bold)
                    start = shape.x - {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor] * wide
                    assert start > -8.0, (rig.id, width, shape)
                    assert start + wide < width + 8.0, (rig.id, width, shape)


def test_an_unknown_rig_is_refused(plan: PlanDocument) -> None:
    with pytest.raises(NotFound, match="no such rig"):
        path_strip(plan, "nothing")


# The cross-section


def drawn_circles(scene: Scene) -> list[tuple[float, float, float, str]]:
    found = []
    for node in ET.fromstring(scene.svg()).iter(f"{SVG}circle"):
        tip = node.find(f"{SVG}title")
        if tip is not None:
            found.append((*(float(node.get(key)) for key in ("cx", "cy", "r")), tip.text))
    return found


def test_circles_lie_inside_the_lumen_and_apart_where_it_fits(plan: PlanDocument) -> None:
    fitting = [r for r in plan.rigs if r.fits.verdict is not Verdict.NO]
    assert fitting
    for rig in fitting:
        lumen, *members = drawn_circles(cross_section(plan, rig.id))
        assert lumen[3] == rig.fits.section.lumen_name
        assert len(members) == len(rig.fits.section.circles)
        for x, y, r, _ in members:
            assert math.hypot(x - lumen[0], y - lumen[1]) + r <= lumen[2] + 0.5
        for a, b in combinations(members, 2):
            apart = math.hypot(a[0] - b[0], a[1] - b[1])
            inside = apart + min(a[2], b[2]) <= max(a[2], b[2]) + 0.5
            assert inside or apart >= a[2] + b[2] - 0.5


def test_the_section_is_to_one_scale_with_a_bar(plan: PlanDocument) -> None:
    section = plan.in_place.fits.section
    scene = draw_section(section, 0.44)
    lumen, *members = drawn_circles(scene)
    scale = lumen[2] / section.lumen_radius_mm
    wanted = {c.name: c.radius_mm for c in section.circles}
    for _, _, r, name in members:
        assert r / wanted[name] == pytest.approx(scale, abs=0.1)
    bars = [shape for shape in scene.shapes if isinstance(shape, Rect) and shape.height == 2.0]
    assert [bar.width for bar in bars] == [pytest.approx(scale * 1.0, rel=0.01)]
    assert "1.0 mm" in texts(scene)
    assert "free width 0.44 mm" in texts(scene)


def test_what_does_not_pass_is_drawn_past_the_wall_and_said(plan: PlanDocument) -> None:
    rig = next(r for r in plan.rigs if r.fits.verdict is Verdict.NO)
    wide = [Circle(name="two", kind="device", x_mm=0.3, y_mm=0.0, radius_mm=0.6)]
    section = CrossSection(lumen_name="collar", lumen_radius_mm=0.7, at_mm=12.0, circles=wide)
    scene = draw_section(section, rig.fits.spare_mm)
    lumen, member = drawn_circles(scene)
    assert math.hypot(member[0] - lumen[0], member[1] - lumen[1]) + member[2] > lumen[2]
    assert "too wide by 0.09 mm" in texts(scene)


# Causes and chance


def test_causes_sum_to_the_need_and_fill_the_bar(plan: PlanDocument) -> None:
    rig = plan.in_place
    rows = cause_rows(rig)
    assert sum(value for _, value, _ in rows) == pytest.approx(sum(rig.causes.values()))
    scene = causes_bar(rig, width=700.0)
    bars = [shape for shape in scene.shapes if isinstance(shape, Rect) and shape.tip]
    assert sum(bar.width for bar in bars) == pytest.approx(692.0)
    assert [bar.width for bar in bars] == sorted((bar.width for bar in bars), reverse=True)
    looks = {(bar.paint.fill, bar.paint.hatch) for bar in bars}
    assert len(looks) == len(bars)


@pytest.mark.parametrize("value", [0.0, 0.004, 0.35, 0.5, 0.97, 1.0])
def test_beads_are_filled_to_the_chance(value: float) -> None:
    scene = chance_pips(
        Chance(value=value, low=max(value - 0.05, 0), high=min(value + 0.05, 1), words="w"), name="x"
    )
    full = [s for s in scene.shapes if not isinstance(s, Line) and getattr(s.paint, "fill", None) == "ink"]
    assert len(full) == pytest.approx(10.0 * value, abs=1.0)
    (bracket,) = lines(scene, "range")
    x = [point[0] for point in bracket.points]
    assert min(x) <= 4.0 + 200.0 * value <= max(x)


# Axes and labels


def test_ticks_are_round_and_inside() -> None:
    assert ticks(0.0, 4.0, most=5) == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert ticks(-3.0, 107.0, most=10) == [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]
    assert round_up(3.3) == 4.0
    assert round_up(0.083) == pytest.approx(0.1)
    assert Scale(0.0, 10.0, 100.0, 0.0)(2.5) == 75.0


def test_labels_never_lie_on_each_other() -> None:
    wanted = [Label(x, 0.0, "a label of some length") for x in (10.0, 40.0, 42.0, 300.0, 310.0, 395.0)]
    placed = place(wanted, size=13.0, left=0.0, right=400.0)
    half = 0.5 * text_width(wanted[0].text, 13.0)
    assert len(placed) == len(wanted)
    for a, b in combinations(placed, 2):
        assert a.row != b.row or abs(a.middle - b.middle) >= 2.0 * half
    assert all(half <= p.middle <= 400.0 - half for p in placed)


def test_wrapping_keeps_every_word() -> None:
    text = "the assembly bows out of its path instead of passing the push on"
    broken = wrap(text, 13.0, 120.0)
    assert len(broken) > 1
    assert " ".join(broken) == text


def with_rig(plan: PlanDocument, rig: RigResult) -> PlanDocument:
    rigs = [rig if other.id == rig.id else other for other in plan.rigs]
    return plan.model_copy(update={"rigs": rigs})


def test_only_what_is_known_is_said_to_stop_it(plan: PlanDocument) -> None:
    rig: Any = plan.in_place.model_copy(
        update={"limited_by": {LimitedBy.EDGE_LOCK: 0.6, LimitedBy.PROLAPSE: 0.0}}
    )
    words = " ".join(texts(path_strip(with_rig(plan, rig), rig.id)))
    assert "the leading edge catches" in words
    assert "the assembly prolapses" not in words
