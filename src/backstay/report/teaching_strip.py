"""The vessel of a teaching case, laid straight with nothing in it: the question comes before any force."""

from __future__ import annotations

from backstay.adapters.plan_file import PlanDocument
from backstay.report.axes import ticks
from backstay.report.scene import Line, Paint, Scene, Shape, Text
from backstay.report.strip import WIDE
from backstay.report.strip_frame import NARROW, frame
from backstay.report.strip_vessel import Vessel
from backstay.report.words import number


def anatomy_strip(plan: PlanDocument, *, width: float = WIDE) -> Scene:
    """Return lumen, lesions, branches and bends; below 620 px in the form for a phone."""
    rig = plan.in_place.model_copy(update={"lying": [], "stops_at_mm": None})
    f = frame(plan, rig, width)
    vessel = Vessel(f, 6.0)
    shapes: list[Shape] = [*vessel.shapes()]
    y = vessel.bottom + 12.0
    for at in ticks(0.0, min(f.along.high, f.vessel_end_mm), most=5 if f.narrow else 10):
        x = f.along(at)
        shapes += [
            Line(((x, y), (x, y + 6.0)), Paint(stroke="ink")),
            Text(x, y + 20.0, number(at, 0), f.small + 1, "ink", "middle"),
        ]
    words = f"mm from the ostium; across drawn {f.exaggeration} times as wide"
    shapes.append(Text(f.along(0.0), y + 38.0, words, f.small, "soft"))
    places = ", ".join(f"{x.from_mm:g} to {x.to_mm:g} mm" for x in plan.lesions) or "none"
    return Scene(
        name=f"anatomy-{'narrow' if width < NARROW else 'wide'}",
        title="The vessel laid straight",
        description=f"Length {plan.path.length_mm:.0f} mm, lesions {places}.",
        width=width,
        height=y + 46.0,
        shapes=tuple(shapes),
    )
