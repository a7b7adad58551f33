"""The true-scale cross-section at the tightest place of the way in."""

from __future__ import annotations

from backstay.adapters.plan_file import Circle as Member
from backstay.adapters.plan_file import CrossSection, PlanDocument
from backstay.report.scene import Circle, Line, Paint, Rect, Scene, Shape, Text, slug, wrap
from backstay.report.words import find_rig, number

WIDTH = 360.0
_CENTRE = (132.0, 132.0)
_RADIUS = 112.0
_NUMBERS_X = 286.0
_PAINTS = {
    "device": Paint("device", "ink", 1.5),
    "shaft": Paint("panel", "ink", 1.5),
    "wire": Paint("ink", "ground", 1.5),
    "buddy": Paint("soft", "ink", 1.5),
    "rod": Paint("soft", "ink", 1.5, hatch="ruled"),
}
_OTHER = Paint("soft", "ink", 1.5, hatch="dotted")


def cross_section(plan: PlanDocument, rig_id: str) -> Scene:
    """Return the cross-section at the tightest place of one rig's way in."""
    rig = find_rig(plan, rig_id)
    return draw_section(rig.fits.section, rig.fits.spare_mm, name=f"section-{rig.id}")


def draw_section(section: CrossSection, spare_mm: float | None, *, name: str = "section") -> Scene:
    """Return the tightest lumen with everything that lies in it, to one scale, numbered and named.

    Parameters
    ----------
    section : CrossSection
        Lumen and circles.
    spare_mm : float or None
        Free width left; negative when it does not pass.
    name : str
        Unique on the page.
    """
    reach = max(
        [section.lumen_radius_mm, *((c.x_mm**2 + c.y_mm**2) ** 0.5 + c.radius_mm for c in section.circles)]
    )
    px_per_mm = _RADIUS / reach
    ordered = sorted(section.circles, key=lambda c: -c.radius_mm)
    shapes: list[Shape] = [_lumen(section, px_per_mm)]
    shapes += [_member(c, px_per_mm) for c in ordered]
    shapes += _numbers(ordered, px_per_mm)
    shapes += _scale_bar(px_per_mm)
    lines, bottom = _list(section, ordered, spare_mm)
    return Scene(
        name=f"{name}-{slug(section.lumen_name)}",
        title=f"Cross-section, {section.lumen_name}",
        description="; ".join(line.text for line in lines),
        width=WIDTH,
        height=bottom,
        shapes=(*shapes, *lines),
    )


def _at(c: Member, px_per_mm: float) -> tuple[float, float]:
    return _CENTRE[0] + c.x_mm * px_per_mm, _CENTRE[1] - c.y_mm * px_per_mm


def _lumen(section: CrossSection, px_per_mm: float) -> Shape:
    radius = section.lumen_radius_mm * px_per_mm
    return Circle(*_CENTRE, radius, Paint("lumen", "wall", 4.0), tip=section.lumen_name)


def _member(c: Member, px_per_mm: float) -> Shape:
    return Circle(*_at(c, px_per_mm), c.radius_mm * px_per_mm, _PAINTS.get(c.kind, _OTHER), tip=c.name)


def _numbers(ordered: list[Member], px_per_mm: float) -> list[Shape]:
    """Number the members at the right; a leader ends in a dot inside its circle, clear of smaller ones."""
    shapes: list[Shape] = []
    spots: list[tuple[float, float]] = []
    for c in ordered:
        x, y = _spot(c, ordered, px_per_mm)
        # A leader runs to the right: a dot level with another would lie on the other's leader.
        level = any(abs(y - other) < 8.0 for _, other in spots)
        spots.append((x, y + 0.6 * c.radius_mm * px_per_mm if level else y))
    by_height = sorted(range(len(ordered)), key=lambda i: spots[i][1])
    step = min(34.0, 2.0 * _RADIUS / max(len(ordered), 1))
    first = _CENTRE[1] - 0.5 * step * (len(ordered) - 1)
    for rank, i in enumerate(by_height):
        (x, y), row = spots[i], first + rank * step
        shapes.append(
            Line(
                ((x, y), (_NUMBERS_X - 28.0, row), (_NUMBERS_X - 12.0, row)), Paint(stroke="ground", width=4)
            )
        )
        shapes.append(
            Line(
                ((x, y), (_NUMBERS_X - 28.0, row), (_NUMBERS_X - 12.0, row)), Paint(stroke="stop", width=1.5)
            )
        )
        shapes.append(Circle(x, y, 3.5, Paint("stop", "ground", 1.2)))
        shapes.append(Text(_NUMBERS_X, row + 6.0, str(i + 1), 17.0, bold=True))
    return shapes


def _spot(c: Member, ordered: list[Member], px_per_mm: float) -> tuple[float, float]:
    """Return a place inside a circle that no smaller circle covers: its middle, or its upper or lower rim."""
    x, y = _at(c, px_per_mm)
    for drop in (0.0, -0.75, 0.75):
        place = (x, y + drop * c.radius_mm * px_per_mm)
        covered = any(
            (place[0] - _at(o, px_per_mm)[0]) ** 2 + (place[1] - _at(o, px_per_mm)[1]) ** 2
            <= (o.radius_mm * px_per_mm + 4.0) ** 2
            for o in ordered
            if o.radius_mm < c.radius_mm
        )
        if not covered:
            return place
    return x, y - 0.75 * c.radius_mm * px_per_mm


def _scale_bar(px_per_mm: float) -> list[Shape]:
    length = next(mm for mm in (1.0, 0.5, 0.2, 0.1) if mm * px_per_mm <= 1.6 * _RADIUS)
    x, y, half = _CENTRE[0] - 0.5 * length * px_per_mm, _CENTRE[1] + _RADIUS + 22.0, 5.0
    ends = [Rect(at - 1.0, y - half, 2.0, 2 * half, Paint("ink")) for at in (x, x + length * px_per_mm)]
    bar = Rect(x, y - 1.0, length * px_per_mm, 2.0, Paint("ink"))
    return [bar, *ends, Text(x + length * px_per_mm + 10.0, y + 5.0, f"{number(length)} mm", 13.5)]


def _list(section: CrossSection, ordered: list[Member], spare_mm: float | None) -> tuple[list[Text], float]:
    size, y = 14.0, _CENTRE[1] + _RADIUS + 58.0
    lumen = f"{section.lumen_name}, {number(2.0 * section.lumen_radius_mm, 2)} mm wide"
    if section.at_mm is not None:
        lumen += f", at {number(section.at_mm, 0)} mm"
    texts: list[Text] = []
    for line in wrap(lumen, size, WIDTH - 8.0, bold=True):
        texts.append(Text(4.0, y, line, size, bold=True))
        y += 19.0
    for i, c in enumerate(ordered):
        for j, line in enumerate(wrap(f"{c.name}, {number(2.0 * c.radius_mm, 2)} mm", size, WIDTH - 34.0)):
            if j == 0:
                texts.append(Text(4.0, y, str(i + 1), size, bold=True))
            texts.append(Text(26.0, y, line, size))
            y += 19.0
    if spare_mm is not None:
        words = (
            f"too wide by {number(-spare_mm, 2)} mm"
            if spare_mm < 0.0
            else f"free width {number(spare_mm, 2)} mm"
        )
        texts.append(Text(4.0, y + 5.0, words, 18.0, "stop" if spare_mm < 0.0 else "ink", bold=True))
        y += 26.0
    return texts, y
