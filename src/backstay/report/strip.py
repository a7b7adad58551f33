"""The path strip: the vessel laid out straight, the assembly in it, and under it push against backup."""

from __future__ import annotations

from dataclasses import replace

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.report.scene import Line, Paint, Scene, Shape, Text, wrap
from backstay.report.strip_force import Force
from backstay.report.strip_frame import NARROW, Frame, frame
from backstay.report.strip_vessel import Vessel
from backstay.report.words import chance_range, find_rig, number, quantity, stop_words

WIDE = 1120.0
PHONE = 372.0


def path_strip(
    plan: PlanDocument,
    rig_id: str,
    *,
    width: float = WIDE,
    force_height: float | None = None,
    tip_mm: float | None = None,
) -> Scene:
    """Return the path strip of one rig; below 620 px it takes the form for a phone.

    `force_height` (px) sets the height of push against backup where the room is given, as on paper. `tip_mm`
    draws the device with its tip there, and a line through the forces at that place.
    """
    rig = find_rig(plan, rig_id)
    f = replace(frame(plan, rig, width), tip_mm=tip_mm)
    heading, top = _heading(f)
    vessel = Vessel(f, top)
    force = Force(f, vessel.bottom + 14.0, height=force_height)
    foot, bottom = _foot(f, force.end)
    here = _here(f, vessel, force)
    shapes = [*heading, *vessel.shapes(), *here, *force.shapes(), *_through(f, vessel, force), *foot]
    return Scene(
        name=f"strip-{rig.id}-{'narrow' if width < NARROW else 'wide'}",
        title=f"Path strip, {rig.change}",
        description=_description(plan, rig),
        width=width,
        height=bottom,
        shapes=tuple(shapes),
    )


def _heading(f: Frame) -> tuple[list[Shape], float]:
    big, small = (19.0, 13.0) if f.narrow else (27.0, 16.0)
    room = f.width - 16.0
    chance = f.rig.chance
    words = f"Chance of landing: {chance.words} ({chance_range(chance)}); unvalidated scale."
    shapes: list[Shape] = []
    y = 6.0
    for line in wrap(stop_words(f.rig), big, room, bold=True):
        y += 1.15 * big
        shapes.append(Text(8.0, y, line, big, "stop" if f.stop_mm is not None else "ink", bold=True))
    for line in wrap(words, small, room):
        y += 1.4 * small
        shapes.append(Text(8.0, y, line, small, "soft"))
    return shapes, y + 8.0


def _through(f: Frame, vessel: Vessel, force: Force) -> list[Shape]:
    """Carry the stop and the landing place up through the vessel."""
    bottom = force.title_y - 14.0
    land = f.along(f.landing_mm)
    shapes: list[Shape] = [
        Line(
            ((land, vessel.vessel_top), (land, vessel.below_edge)), Paint(stroke="ink", width=1.6, dash="3 4")
        )
    ]
    if f.stop_mm is not None:
        x = f.along(f.stop_mm)
        shapes.append(Line(((x, vessel.vessel_top), (x, vessel.below_edge)), Paint(stroke="stop", width=3.0)))
        shapes.append(Line(((x, vessel.bends_top), (x, bottom)), Paint(stroke="stop", width=1.2)))
    return shapes


def _here(f: Frame, vessel: Vessel, force: Force) -> list[Shape]:
    """Carry the place of the device's tip through vessel and forces, where one was asked for."""
    if f.tip_mm is None:
        return []
    x = f.along(f.tip_mm)
    grip = ((x, force.share_bottom), (x - 7.0, force.share_bottom + 9.0), (x + 7.0, force.share_bottom + 9.0))
    return [
        Line(
            ((x, vessel.vessel_top), (x, force.share_bottom)), Paint(stroke="device", width=4.0), kind="here"
        ),
        Line(grip, Paint("device"), closed=True),
    ]


def _foot(f: Frame, top: float) -> tuple[list[Shape], float]:
    beyond = f.plan.path.length_mm - f.vessel_end_mm
    words = f"Along the vessel to scale; across it drawn {f.exaggeration} times as wide, everything alike."
    if beyond > 0.5:
        words += f" The vessel goes on for {number(beyond, 0)} mm."
    words += " Bands hold 8 of 10 draws, lines are medians. The absolute scale of backup is unvalidated."
    shapes: list[Shape] = []
    y = top + 4.0
    for line in wrap(words, f.small, f.width - 16.0):
        y += 1.35 * f.small
        shapes.append(Text(8.0, y, line, f.small, "soft"))
    return shapes, y + 10.0


def _description(plan: PlanDocument, rig: RigResult) -> str:
    return (
        f"{rig.rig}; {rig.device}. {stop_words(rig)} "
        f"Chance {rig.chance.words} ({chance_range(rig.chance)}). "
        f"At the landing place the median push needed is {quantity(rig.curve.need_p50_N[-1], 'N')}, "
        f"the median backup {quantity(rig.curve.backup_p50_N, 'N')}."
    )
