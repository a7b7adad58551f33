"""Things side by side in a round bore: who they are, whether they pass, with how much room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from backstay.core.rigging.devices import OverWireDevice, Wire
from backstay.core.rigging.packing import MOST_CIRCLES, Packing, enclosing_radius_mm
from backstay.errors import OutsideValidity
from backstay.identifiers import Verdict
from backstay.units import inch_to_mm

TIGHT_UP_TO_mm = 0.17
"""Free width up to which a passage is called tight: one of the bench's extensions refused a burr with this
much room on paper [@pawlowski2021], and most balloons are wider than labelled [@deflatedprofiles]."""

STANDARD_WIRE_mm = inch_to_mm(0.014)
_ROUNDING_mm = 1e-9


@dataclass(frozen=True)
class Member:
    """One round thing in a bore.

    Attributes
    ----------
    name : str
        As shown.
    kind : str
        "device", "shaft", "wire", "buddy", "rod", "anchor" or "trapped".
    radius_mm : float
        Outer radius.
    inside : Member or None
        A wire inside it, drawn and not packed.
    """

    name: str
    kind: str
    radius_mm: float
    inside: Member | None = None


@dataclass(frozen=True)
class Bore:
    """A round bore.

    Attributes
    ----------
    name : str
        As shown.
    diameter_mm : float
        Inner diameter.
    """

    name: str
    diameter_mm: float


@dataclass(frozen=True)
class Circle:
    """One member of a cross-section, measured from the middle of the bore.

    Attributes
    ----------
    name, kind : str
        As in `Member`.
    x_mm, y_mm, radius_mm : float
        Place and radius.
    """

    name: str
    kind: str
    x_mm: float
    y_mm: float
    radius_mm: float


@dataclass(frozen=True)
class Passage:
    """Whether members go through a bore side by side.

    Attributes
    ----------
    bore : Bore
        What they go through.
    members : tuple of Member
        What goes through.
    verdict : Verdict
        Fits, tight or does not fit.
    spare_mm : float
        Free width left [mm of diameter]; negative when they do not go through.
    packing : Packing
        The arrangement.
    note : str
        What else to know.
    """

    bore: Bore
    members: tuple[Member, ...]
    verdict: Verdict
    spare_mm: float
    packing: Packing
    note: str = ""

    @property
    def circles(self) -> tuple[Circle, ...]:
        """Return the members in their places, a wire inside one after it."""
        found: list[Circle] = []
        for member, (x, y) in zip(self.members, self.packing.centres_mm, strict=True):
            found.append(Circle(member.name, member.kind, x, y, member.radius_mm))
            if member.inside is not None:
                wire = member.inside
                found.append(Circle(f"{wire.name}, inside", wire.kind, x, y, wire.radius_mm))
        return tuple(found)


def passage(bore: Bore, members: Iterable[Member]) -> Passage:
    """Judge whether members go through a bore side by side.

    Parameters
    ----------
    bore : Bore
        The bore.
    members : iterable of Member
        One to eight members.

    Returns
    -------
    Passage
        Tight when 0.17 mm of width or less is left; does not fit only when that is proven
        (`Packing.lower_bound_mm`).

    Raises
    ------
    OutsideValidity
        More than eight members.

    Notes
    -----
    The limit of 0.17 mm is a reading of one bench result, unvalidated otherwise: a 1.25 mm burr entered all
    but one of the 6 Fr extensions of 1.42 mm bore, so room on paper is not enough by itself
    [@pawlowski2021].
    """
    together = tuple(members)
    if len(together) > MOST_CIRCLES:
        raise OutsideValidity(
            "too many things side by side",
            field=bore.name,
            value=len(together),
            allowed=f"1 to {MOST_CIRCLES}",
        )
    packing = enclosing_radius_mm(tuple(m.radius_mm for m in together))
    spare_mm = bore.diameter_mm - 2.0 * packing.radius_mm
    note = ""
    if spare_mm > TIGHT_UP_TO_mm + _ROUNDING_mm:
        verdict = Verdict.FITS
    elif spare_mm >= -_ROUNDING_mm:
        verdict = Verdict.TIGHT
    elif bore.diameter_mm - 2.0 * packing.lower_bound_mm >= -_ROUNDING_mm:
        verdict = Verdict.TIGHT
        note = f"too close to call: the arrangement is known to {2.0 * packing.gap_mm:.3f} mm"
    else:
        verdict = Verdict.NO
    return Passage(bore, together, verdict, spare_mm, packing, note)


@dataclass(frozen=True)
class Part:
    """A stretch of a device on its wire.

    Attributes
    ----------
    name : str
        As shown.
    behind_tip_mm : float
        Where it begins, measured back from the tip.
    members : tuple of Member
        What a bore must hold there: the stretch, and the wire where it runs beside it.
    """

    name: str
    behind_tip_mm: float
    members: tuple[Member, ...]


def parts(device: OverWireDevice, wire: Member, *, kind: str = "device") -> tuple[Part, ...]:
    """Return the stretches of a device from the tip back.

    Parameters
    ----------
    device : OverWireDevice
        The device.
    wire : Member
        The wire it runs on.
    kind : str
        Kind of its working section; an "anchor" is one throughout.

    Returns
    -------
    tuple of Part
        Working section; distal shaft with the wire inside; and for a rapid-exchange device the proximal
        shaft with the wire beside it.
    """
    shaft_kind = "shaft" if kind == "device" else kind
    front_mm = device.nose_mm + device.working_mm
    widest = Member(device.name, kind, 0.5 * device.crossing_diameter_mm, wire)
    shaft = Member(f"shaft of {device.name}", shaft_kind, 0.5 * device.shaft_diameter_mm, wire)
    found = [Part(device.name, 0.0, (widest,)), Part(f"distal shaft of {device.name}", front_mm, (shaft,))]
    if not is_over_the_wire(device):
        proximal = Member(
            f"proximal shaft of {device.name}", shaft_kind, 0.5 * device.proximal_shaft_diameter_mm
        )
        behind_mm = max(device.rapid_exchange_mm, front_mm)
        found.append(Part(f"proximal shaft of {device.name} and its wire", behind_mm, (proximal, wire)))
    return tuple(found)


def is_over_the_wire(device: OverWireDevice) -> bool:
    """Return whether the wire runs inside a device over its whole length.

    Parameters
    ----------
    device : OverWireDevice
        The device.

    Returns
    -------
    bool
        True when the wire lumen is as long as the shaft.
    """
    return device.rapid_exchange_mm >= 10.0 * device.length_cm - 1.0


def wire_member(wire: Wire, kind: str) -> Member:
    """Return a wire as a member.

    Parameters
    ----------
    wire : Wire
        The wire.
    kind : str
        "wire", "buddy" or "trapped".

    Returns
    -------
    Member
        The wire.
    """
    return Member(wire.name, kind, 0.5 * wire.diameter_mm)
