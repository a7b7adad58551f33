"""Long enough: shafts for the way in, wires for the exchange, an extension's tube for its depth."""

from __future__ import annotations

from backstay.core.rigging.devices import Extension, OverWireDevice
from backstay.core.rigging.lines import FitLine
from backstay.core.rigging.passage import Bore, Member, is_over_the_wire, passage, wire_member
from backstay.core.rigging.rig import Rig
from backstay.identifiers import Verdict

# Common practice, no source, for all of these lengths.
HUB_mm = 100.0
"""Shaft taken by the connector at the guide's hub and by the hand."""
WIRE_BEYOND_mm = 30.0
"""Wire kept beyond the device's tip."""
LEAST_TUBE_IN_GUIDE_mm = 20.0
EASY_TUBE_IN_GUIDE_mm = 50.0
SHORT_mm = 50.0
"""Length left below which a shaft is called tight."""

TRAPPING_PROFILE_mm = 0.853
"""Crossing profile of a semi-compliant balloon of 3.0 mm [@balloondata], taken for the trapping balloon."""


def length_lines(rig: Rig, device: OverWireDevice, *, landing_tip_mm: float) -> list[FitLine]:
    """Check every length on the way in.

    Parameters
    ----------
    rig : Rig
        What is in place.
    device : OverWireDevice
        What is pushed.
    landing_tip_mm : float
        Where its tip is to stand on the path [mm].

    Returns
    -------
    list of FitLine
        Shaft, wire and, with an extension, its shaft and tube. `spare_mm` is None: the note says what is
        left.
    """
    guide_mm = 10.0 * rig.guide.length_cm - rig.seat_mm
    needed_mm = guide_mm + landing_tip_mm + HUB_mm
    lines = [
        _shaft(device.name, 10.0 * device.length_cm, needed_mm),
        _wire(rig, device, guide_mm + landing_tip_mm),
    ]
    if rig.extension is not None:
        needed_mm = guide_mm + rig.extension_depth_mm + HUB_mm
        lines.append(_shaft(rig.extension.name, 10.0 * rig.extension.length_cm, needed_mm))
        lines.append(_tube(rig, rig.extension))
    return lines


def _shaft(name: str, length_mm: float, needed_mm: float) -> FitLine:
    left_mm = length_mm - needed_mm
    verdict = Verdict.FITS if left_mm >= SHORT_mm else Verdict.TIGHT if left_mm >= 0.0 else Verdict.NO
    return FitLine(f"shaft of {name}", "guide, connector and vessel", verdict, None, _left(left_mm))


def _left(left_mm: float) -> str:
    return f"{left_mm:.0f} mm to spare" if left_mm >= 0.0 else f"{-left_mm:.0f} mm too short"


def tube_in_guide_mm(rig: Rig, extension: Extension) -> float:
    """Return how much of an extension's tube is left inside the guide.

    Parameters
    ----------
    rig : Rig
        What is in place.
    extension : Extension
        The extension.

    Returns
    -------
    float
        Length [mm]; negative when the collar is out of the guide.
    """
    return extension.tube_length_mm - (rig.extension_depth_mm - rig.seat_mm)


def _tube(rig: Rig, extension: Extension) -> FitLine:
    left_mm = tube_in_guide_mm(rig, extension)
    verdict = Verdict.FITS
    if left_mm < EASY_TUBE_IN_GUIDE_mm:
        verdict = Verdict.TIGHT if left_mm >= LEAST_TUBE_IN_GUIDE_mm else Verdict.NO
    least = f"at least {LEAST_TUBE_IN_GUIDE_mm:.0f} mm (common practice, no source)"
    note = f"{left_mm:.0f} mm of tube in the guide; {least}"
    return FitLine(f"tube of {extension.name}", "back into the guide", verdict, None, note)


def wire_needed_mm(rig: Rig, device: OverWireDevice, *, landing_tip_mm: float) -> float:
    """Return the length of rail that lets a device come off it with the wire held.

    Parameters
    ----------
    rig : Rig
        What is in place.
    device : OverWireDevice
        The device.
    landing_tip_mm : float
        Where its tip is to stand on the path [mm].

    Returns
    -------
    float
        Wire in the body and connector, and outside as much as runs inside the device [mm].
    """
    in_body_mm = 10.0 * rig.guide.length_cm - rig.seat_mm + landing_tip_mm + WIRE_BEYOND_mm
    outside_mm = 10.0 * device.length_cm if is_over_the_wire(device) else device.rapid_exchange_mm + HUB_mm
    return in_body_mm + outside_mm


def _wire(rig: Rig, device: OverWireDevice, reach_mm: float) -> FitLine:
    landing_tip_mm = reach_mm - (10.0 * rig.guide.length_cm - rig.seat_mm)
    left_mm = 10.0 * rig.rail.length_cm - wire_needed_mm(rig, device, landing_tip_mm=landing_tip_mm)
    what, through = rig.rail.name, f"exchange of {device.name}"
    if left_mm >= 0.0:
        return FitLine(what, through, Verdict.FITS, None, _left(left_mm))
    if 10.0 * rig.rail.length_cm < reach_mm + WIRE_BEYOND_mm + HUB_mm:
        return FitLine(what, through, Verdict.NO, None, f"{_left(left_mm)}; it does not even reach")
    trapped = _beside_a_trapping_balloon(rig, device)
    if trapped:
        note = f"{_left(left_mm)}: take a longer wire, or trap this one (a trapping balloon passes beside)"
        return FitLine(what, through, Verdict.TIGHT, None, note)
    note = f"{_left(left_mm)}, and no room for a trapping balloon beside it in the guide"
    return FitLine(what, through, Verdict.NO, None, note)


def _beside_a_trapping_balloon(rig: Rig, device: OverWireDevice) -> bool:
    """Whether a trapping balloon goes in beside the device's shaft and what else lies in the guide."""
    beside = [wire_member(wire, "buddy") for wire in rig.buddies]
    if rig.trapped is not None:
        beside.append(wire_member(rig.trapped.wire, "trapped"))
    if rig.extension is not None:
        beside.append(Member("push rod", "rod", 0.5 * rig.extension.push_rod_diameter_mm))
    if rig.anchor is not None:
        beside.append(Member("anchor's shaft", "anchor", 0.5 * rig.anchor.balloon.shaft_diameter_mm))
    balloon = Member("trapping balloon", "device", 0.5 * TRAPPING_PROFILE_mm)
    shaft = Member("shaft", "shaft", 0.5 * device.shaft_diameter_mm)
    bore = Bore(f"bore of the {rig.guide.name}", rig.guide.inner_diameter_mm)
    return passage(bore, (balloon, shaft, *beside)).verdict is not Verdict.NO
