"""Does everything pass: what goes through what on the way in, and whether it is long enough."""

from __future__ import annotations

from dataclasses import dataclass, replace

from backstay.core.rigging.devices import OverWireDevice, Shelf
from backstay.core.rigging.fit_card import fit_card as fit_card
from backstay.core.rigging.fit_lengths import length_lines
from backstay.core.rigging.fit_remedy import nearest_fix
from backstay.core.rigging.lines import FitLine, worst
from backstay.core.rigging.passage import (
    Bore,
    Circle,
    Member,
    Part,
    Passage,
    STANDARD_WIRE_mm,
    parts,
    passage,
    wire_member,
)
from backstay.core.rigging.rig import Rig
from backstay.errors import InputError
from backstay.identifiers import Verdict
from backstay.units import french_to_mm


@dataclass(frozen=True)
class Section:
    """What lies in the tightest bore on the way in.

    Attributes
    ----------
    lumen_name : str
        The bore.
    lumen_radius_mm : float
        Its radius.
    at_mm : float or None
        Place on the path; None proximal to the ostium.
    circles : tuple of Circle
        The members where they lie; they reach beyond the bore when they do not fit.
    """

    lumen_name: str
    lumen_radius_mm: float
    at_mm: float | None
    circles: tuple[Circle, ...]


@dataclass(frozen=True)
class FitReport:
    """Whether a device passes through a rig to where it is to land.

    Attributes
    ----------
    verdict : Verdict
        The worst of all lines but the vessel's own, which is a matter of push.
    spare_mm : float
        Free width left for the device at the tightest bore; negative when it does not pass.
    where : str
        The bore (or the check) that decides.
    nearest_fix : str
        The least change that makes it fit; empty when it fits.
    lines : tuple of FitLine
        Every check.
    section : Section
        The tightest bore.
    """

    verdict: Verdict
    spare_mm: float
    where: str
    nearest_fix: str
    lines: tuple[FitLine, ...]
    section: Section


@dataclass(frozen=True)
class _Stretch:
    """A piece of the way in over which bore and members do not change; it begins at `from_mm` on the path."""

    from_mm: float
    bore: Bore
    members: tuple[Member, ...]


def check_fit(
    rig: Rig,
    device: OverWireDevice,
    *,
    landing_tip_mm: float,
    lumen_radius_mm: float | None = None,
    shelf: Shelf | None = None,
) -> FitReport:
    """Check what passes through what along the way in, and the lengths.

    Parameters
    ----------
    rig : Rig
        What is in place.
    device : OverWireDevice
        What is pushed, on the rig's rail.
    landing_tip_mm : float
        Where the device's tip is to stand on the path [mm], beyond the guide's tip.
    lumen_radius_mm : float or None
        Smallest radius of the vessel up to there [mm], for a remark; a tight lesion is no reason that a
        device does not fit, it is counted as push.
    shelf : Shelf or None
        Devices to choose the nearest fix from; without one it is given as a size.

    Returns
    -------
    FitReport
        Verdict, free width, place, nearest fix, every check and the tightest section.

    Raises
    ------
    InputError
        The landing is not beyond the guide's tip.
    OutsideValidity
        More than eight things side by side.

    Notes
    -----
    The way in is cut where a bore or a member changes: at the extension's collar and tip, at the anchor's
    branch, where the anchor's wire leaves its shaft. Each part of the device (widest section, distal shaft,
    proximal shaft with the wire beside it) is packed with what lies there if it gets there at all, so bulky
    parts that pass one after another are not added up. Wires, anchor and device run inside the extension;
    its push rod lies beside them only proximal to the collar.
    """
    if landing_tip_mm <= rig.seat_mm:
        raise InputError(
            "the landing is not beyond the guide's tip",
            field="landing_tip_mm",
            value=landing_tip_mm,
            allowed=f"more than {rig.seat_mm:g} mm",
        )
    report = _judged(rig, device, landing_tip_mm, lumen_radius_mm)
    if report.verdict is not Verdict.NO:
        return report

    def still_fails(other_rig: Rig, other_device: OverWireDevice) -> bool:
        # The same working section lands in the same place, whatever the nose of the device that carries it.
        tip_mm = landing_tip_mm + other_device.nose_mm - device.nose_mm
        if tip_mm <= other_rig.seat_mm:
            return True
        return _judged(other_rig, other_device, tip_mm, None).verdict is Verdict.NO

    fix = nearest_fix(rig, device, shelf=shelf, still_fails=still_fails)
    return replace(report, nearest_fix=fix)


def _judged(
    rig: Rig, device: OverWireDevice, landing_tip_mm: float, lumen_radius_mm: float | None
) -> FitReport:
    """Return the report without its nearest fix."""
    placed = _tightest_of_each(rig, device, landing_tip_mm)
    lines = [
        *_catheter_lines(rig),
        *(_as_line(p, name) for name, _, p in placed),
        *_bore_named(rig, device),
        *length_lines(rig, device, landing_tip_mm=landing_tip_mm),
    ]
    _, at_mm, tightest = min(placed, key=lambda item: item[2].spare_mm)
    verdict = worst(line.verdict for line in lines)
    where = tightest.bore.name
    if verdict is not tightest.verdict:
        deciding = next(line for line in lines if line.verdict is verdict)
        where = f"{deciding.what} / {deciding.through}"
    section = Section(
        tightest.bore.name,
        0.5 * tightest.bore.diameter_mm,
        at_mm if at_mm >= 0.0 else None,
        tightest.circles,
    )
    lines += _vessel_line(device, lumen_radius_mm)
    return FitReport(verdict, tightest.spare_mm, where, "", tuple(lines), section)


def _tightest_of_each(
    rig: Rig, device: OverWireDevice, landing_tip_mm: float
) -> list[tuple[str, float, Passage]]:
    """Return, for each bore and part of the device, the tightest passage: (part, place [mm], passage)."""
    found: dict[tuple[str, str], tuple[str, float, Passage]] = {}
    device_parts = parts(device, wire_member(rig.rail, "wire"))
    for stretch in _way_in(rig):
        for part in device_parts:
            if part.behind_tip_mm >= landing_tip_mm - stretch.from_mm:
                continue
            tried = passage(stretch.bore, (*part.members, *stretch.members))
            key = (stretch.bore.name, part.name)
            if key not in found or tried.spare_mm < found[key][2].spare_mm - 1e-12:
                found[key] = (part.name, stretch.from_mm, tried)
    return list(found.values())


def _way_in(rig: Rig) -> list[_Stretch]:
    """Cut the way in where a bore or a member changes; the collar is a stretch of no length."""
    hub_mm = rig.seat_mm - 10.0 * rig.guide.length_cm
    guide = Bore(f"bore of the {rig.guide.name}", rig.guide.inner_diameter_mm)
    ext = rig.extension
    end_mm = rig.seat_mm if ext is None else max(rig.seat_mm, rig.extension_depth_mm)
    cuts = {hub_mm, *_member_changes_mm(rig)}
    collar_mm = end_mm
    if ext is not None:
        collar_mm = rig.extension_depth_mm - ext.tube_length_mm
        cuts.add(collar_mm)
    found: list[_Stretch] = []
    for from_mm in sorted(c for c in cuts if hub_mm <= c < end_mm):
        members = _members_at(rig, from_mm)
        if ext is None or from_mm < collar_mm:
            rod = () if ext is None else (_rod(ext.name, ext.push_rod_diameter_mm),)
            found.append(_Stretch(from_mm, guide, (*rod, *members)))
            continue
        if from_mm == collar_mm:
            found.append(
                _Stretch(from_mm, Bore(f"collar of the {ext.name}", ext.collar_inner_diameter_mm), members)
            )
        found.append(_Stretch(from_mm, Bore(f"bore of the {ext.name}", ext.inner_diameter_mm), members))
    return found


def _rod(name: str, diameter_mm: float) -> Member:
    return Member(f"push rod of the {name}", "rod", 0.5 * diameter_mm)


def _anchor_parts(rig: Rig) -> list[tuple[float, Part]]:
    """Return the anchor's parts on the path, each with the place [mm] up to which it lies."""
    if rig.anchor is None:
        return []
    wire = Member("anchor's wire", "anchor", 0.5 * STANDARD_WIRE_mm)
    balloon = rig.anchor.balloon
    shaft_from_mm = balloon.nose_mm + balloon.working_mm
    # The balloon lies in the branch with its back edge at the mouth: only shaft on the path.
    return [
        (rig.anchor.at_mm - (part.behind_tip_mm - shaft_from_mm), part)
        for part in parts(balloon, wire, kind="anchor")[1:]
    ]


def _member_changes_mm(rig: Rig) -> list[float]:
    """Return the places just beyond which a member ends or changes."""
    ends = [up_to_mm for up_to_mm, _ in _anchor_parts(rig)]
    return ends + ([rig.trapped.to_mm] if rig.trapped is not None else [])


def _members_at(rig: Rig, at_mm: float) -> tuple[Member, ...]:
    """Return what lies beside the device just beyond `at_mm`."""
    found = [wire_member(wire, "buddy") for wire in rig.buddies]
    if rig.trapped is not None and at_mm < rig.trapped.to_mm:
        found.append(wire_member(rig.trapped.wire, "trapped"))
    lying = [part for up_to_mm, part in _anchor_parts(rig) if at_mm < up_to_mm]
    if lying:
        # The most proximal part that reaches this far is the one that lies here.
        found += lying[-1].members
    return tuple(found)


def _as_line(p: Passage, part_name: str) -> FitLine:
    packed_with = [m.name for m in p.members if m.kind not in ("device", "shaft", "wire")]
    what = part_name + (f" beside {', '.join(packed_with)}" if packed_with else "")
    return FitLine(what, p.bore.name, p.verdict, p.spare_mm, p.note)


def _catheter_lines(rig: Rig) -> list[FitLine]:
    """Return guide through sheath and extension through guide: made for each other, any room will do."""
    guide, ext = rig.guide, rig.extension
    room_mm = french_to_mm(rig.access.sheath_fr - guide.size_fr)
    lines = [
        FitLine(
            guide.name,
            f"{rig.access.sheath_fr:g} Fr sheath",
            Verdict.FITS if room_mm >= 0.0 else Verdict.NO,
            room_mm,
            "a sheath is named after the guide it takes",
        )
    ]
    if ext is not None:
        room_mm = guide.inner_diameter_mm - ext.outer_diameter_mm
        goes = room_mm >= 0.0 and ext.for_guide_fr <= guide.size_fr
        note = "" if goes else f"made for guides of {ext.for_guide_fr:g} Fr or more"
        lines.append(
            FitLine(
                ext.name, f"bore of the {guide.name}", Verdict.FITS if goes else Verdict.NO, room_mm, note
            )
        )
        if rig.anchor is not None and rig.anchor.at_mm <= rig.extension_depth_mm:
            note = "the anchor's shaft leaves through the branch, so the extension cannot go past it"
            lines.append(
                FitLine(f"{ext.name} past {rig.anchor.branch}", "the anchored branch", Verdict.NO, None, note)
            )
    return lines


def _bore_named(rig: Rig, device: OverWireDevice) -> list[FitLine]:
    """Return the check against the guide bore that the instructions for use name."""
    least_mm = device.smallest_guide_bore_mm
    if least_mm is None:
        return []
    spare_mm = rig.guide.inner_diameter_mm - least_mm
    goes = spare_mm >= -1e-9
    return [
        FitLine(
            device.name,
            f"bore of the {rig.guide.name}",
            Verdict.FITS if goes else Verdict.NO,
            spare_mm,
            f"its instructions for use name a guide bore of at least {least_mm:.2f} mm",
        )
    ]


def _vessel_line(device: OverWireDevice, lumen_radius_mm: float | None) -> list[FitLine]:
    if lumen_radius_mm is None:
        return []
    spare_mm = 2.0 * lumen_radius_mm - device.crossing_diameter_mm
    tight = spare_mm < 0.0
    note = "narrower than the device: counted as push needed, not as fit" if tight else ""
    return [
        FitLine(
            device.name,
            "narrowest lumen on the way",
            Verdict.TIGHT if tight else Verdict.FITS,
            spare_mm,
            note,
        )
    ]
