"""What lies in the vessel with the device at its landing place, for the pictures."""

from __future__ import annotations

from typing import Literal, cast

from backstay.adapters.plan_file import Lying
from backstay.app.loading import LoadedCase
from backstay.app.solving import WIRE_BEYOND_MM, landing_tip_mm
from backstay.core.rigging.moves import Alternative


def lying_of(option: Alternative, case: LoadedCase) -> list[Lying]:
    """Return what lies in the vessel with the device at its landing place."""
    rig, device = option.rig, option.device
    tip = landing_tip_mm(case, option)
    end = min(case.path.length_mm, tip + WIRE_BEYOND_MM)

    def lies(name: str, kind: str, from_mm: float, to_mm: float, diameter_mm: float) -> Lying:
        literal = cast(
            Literal["guide", "extension", "wire", "buddy", "shaft", "device", "anchor", "trapped"], kind
        )
        return Lying(name=name, kind=literal, from_mm=from_mm, to_mm=to_mm, radius_mm=0.5 * diameter_mm)

    lying = [lies(rig.guide.name, "guide", -8.0, rig.seat_mm, rig.guide.size_fr / 3.0)]
    if rig.extension is not None:
        lying.append(
            lies(
                rig.extension.name, "extension", -8.0, rig.extension_depth_mm, rig.extension.outer_diameter_mm
            )
        )
    lying.append(lies(rig.rail.name, "wire", -8.0, end, rig.rail.diameter_mm))
    lying += [lies(wire.name, "buddy", -8.0, end, wire.diameter_mm) for wire in rig.buddies]
    front = tip - device.nose_mm
    lying.append(lies("shaft", "shaft", -8.0, front - device.working_mm, device.shaft_diameter_mm))
    lying.append(lies(device.name, "device", front - device.working_mm, front, device.crossing_diameter_mm))
    if rig.anchor is not None:
        lying.append(
            lies(
                rig.anchor.balloon.name,
                "anchor",
                -8.0,
                rig.anchor.at_mm,
                rig.anchor.balloon.shaft_diameter_mm,
            )
        )
    if rig.trapped is not None:
        lying.append(
            lies(rig.trapped.wire.name, "trapped", -8.0, rig.trapped.to_mm, rig.trapped.wire.diameter_mm)
        )
    return lying
