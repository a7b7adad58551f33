"""Devices as the model sees them: what is on the label, and the profile along the length.

All are generic. A device's `profile` is measured from its own tip backwards (towards the operator).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from backstay.errors import InputError
from backstay.identifiers import Access, DeviceKind, GuideShape

FloatArray = NDArray[np.float64]

SMALL_BALLOON_MM = 1.5
"""A semi-compliant balloon up to this size opens a way and softens little: common practice, no source."""


@dataclass(frozen=True)
class Profile:
    """Outer radius and bending stiffness along a device, piecewise linear.

    Attributes
    ----------
    behind_tip_mm : ndarray, shape (n,)
        Distance from the device's tip, increasing from 0.
    radius_mm : ndarray, shape (n,)
        Outer radius.
    stiffness_Nmm2 : ndarray, shape (n,)
        Bending stiffness of the device alone, without the wire inside it.
    """

    behind_tip_mm: FloatArray
    radius_mm: FloatArray
    stiffness_Nmm2: FloatArray

    def __post_init__(self) -> None:
        if self.behind_tip_mm[0] != 0.0 or np.any(np.diff(self.behind_tip_mm) <= 0.0):
            raise InputError(
                "a profile runs from the tip backwards", field="behind_tip_mm", allowed="increasing from 0"
            )

    def radius_at_mm(self, behind_tip_mm: FloatArray) -> FloatArray:
        """Return the outer radius [mm] at distances behind the tip [mm], any shape; 0 ahead of the tip."""
        inside = np.interp(behind_tip_mm, self.behind_tip_mm, self.radius_mm)
        return np.where(behind_tip_mm < 0.0, 0.0, inside)

    def stiffness_at_Nmm2(self, behind_tip_mm: FloatArray) -> FloatArray:
        """Return the bending stiffness [N mm2] at distances behind the tip [mm]; 0 ahead of the tip."""
        inside = np.interp(behind_tip_mm, self.behind_tip_mm, self.stiffness_Nmm2)
        return np.where(behind_tip_mm < 0.0, 0.0, inside)


@dataclass(frozen=True, kw_only=True)
class Device:
    """What every device has.

    Attributes
    ----------
    id : str
        The user's short name in the shelf file.
    name : str
        Generic description as shown.
    unvalidated : tuple of str
        Names of fields whose values have no published source.
    sources : dict of str to str
        Source key (or evidence word) by field name.
    """

    id: str
    name: str
    unvalidated: tuple[str, ...] = ()
    sources: dict[str, str] = field(default_factory=dict)

    @property
    def kind(self) -> DeviceKind:
        """Return the table of the shelf the device belongs to."""
        return _KINDS[type(self)]


@dataclass(frozen=True, kw_only=True)
class Guide(Device):
    """A guide catheter.

    Attributes
    ----------
    size_fr, inner_diameter_mm, length_cm : float
        Outer size, bore, length.
    shape : GuideShape
        Curve family.
    """

    size_fr: float
    inner_diameter_mm: float
    length_cm: float
    shape: GuideShape


@dataclass(frozen=True, kw_only=True)
class Extension(Device):
    """A guide extension: a tube on a push rod, run through the guide into the vessel.

    Attributes
    ----------
    for_guide_fr : float
        Smallest guide it goes through.
    inner_diameter_mm, outer_diameter_mm, tube_length_mm : float
        The tube.
    collar_inner_diameter_mm : float
        Bore at the collar, where devices enter the tube.
    push_rod_diameter_mm : float
        Diameter of the rod that runs beside the devices in the guide, proximal to the collar.
    length_cm : float
        Working length.
    stiffness_Nmm2 : float
        Bending stiffness of the tube.
    """

    for_guide_fr: float
    inner_diameter_mm: float
    outer_diameter_mm: float
    tube_length_mm: float
    collar_inner_diameter_mm: float
    push_rod_diameter_mm: float
    length_cm: float
    stiffness_Nmm2: float


@dataclass(frozen=True, kw_only=True)
class Wire(Device):
    """A coronary guidewire.

    Attributes
    ----------
    diameter_mm, length_cm : float
        Diameter and length.
    core_stiffness_Nmm2 : float
        Bending stiffness of the supporting section.
    tip_stiffness_Nmm2 : float
        Bending stiffness of the last few millimetres.
    floppy_mm : float
        Length over which stiffness rises from tip to supporting section.
    tip_load_N : float
        Load at which the last 10 mm deflect.
    coating : str
        "polymer_jacket", "hydrophilic" or "hydrophobic".
    """

    diameter_mm: float
    length_cm: float
    core_stiffness_Nmm2: float
    tip_stiffness_Nmm2: float
    floppy_mm: float
    tip_load_N: float
    coating: str

    @property
    def profile(self) -> Profile:
        """Return radius and stiffness from the wire's tip back."""
        x = np.array([0.0, 10.0, 10.0 + self.floppy_mm])
        k = np.array([self.tip_stiffness_Nmm2, self.tip_stiffness_Nmm2, self.core_stiffness_Nmm2])
        return Profile(x, np.full(3, 0.5 * self.diameter_mm), k)


@dataclass(frozen=True, kw_only=True)
class OverWireDevice(Device):
    """A device that runs over the wire: a nose, a working section, a distal shaft, a proximal shaft.

    Attributes
    ----------
    tip_diameter_mm : float
        Outer diameter at the very tip.
    nose_mm : float
        From the tip to the front of the working section.
    working_mm : float
        Length of the working section (stent, balloon body, burr).
    crossing_diameter_mm : float
        Largest diameter of the working section as it goes in.
    working_stiffness_Nmm2, nose_stiffness_Nmm2, shaft_stiffness_Nmm2 : float
        Bending stiffness of the three sections, without the wire.
    shaft_diameter_mm : float
        Outer diameter of the distal shaft (the part that carries the wire).
    wire_lumen_mm : float
        Inner diameter of the wire lumen.
    rapid_exchange_mm : float
        Length behind the tip that runs over the wire; the full length for an over-the-wire device.
    proximal_shaft_diameter_mm : float
        Outer diameter of the shaft behind that.
    length_cm : float
        Shaft length.
    nominal_diameter_mm : float
        Labelled size when opened (for a burr or microcatheter its outer diameter).
    smallest_guide_bore_mm : float or None
        Smallest guide bore its instructions for use name, where known.
    """

    tip_diameter_mm: float
    nose_mm: float
    working_mm: float
    crossing_diameter_mm: float
    working_stiffness_Nmm2: float
    nose_stiffness_Nmm2: float
    shaft_stiffness_Nmm2: float
    shaft_diameter_mm: float
    wire_lumen_mm: float
    rapid_exchange_mm: float
    proximal_shaft_diameter_mm: float
    length_cm: float
    nominal_diameter_mm: float
    smallest_guide_bore_mm: float | None = None

    @property
    def profile(self) -> Profile:
        """Return radius and stiffness from the tip back; steps are ramps of 1 mm (taper half of the nose)."""
        front, back = self.nose_mm, self.nose_mm + self.working_mm
        x = np.array([0.0, 0.5 * front, front, back, back + 1.0])
        d = np.array(
            [
                self.tip_diameter_mm,
                0.5 * (self.tip_diameter_mm + self.crossing_diameter_mm),
                self.crossing_diameter_mm,
                self.crossing_diameter_mm,
                self.shaft_diameter_mm,
            ]
        )
        k = np.array(
            [
                self.nose_stiffness_Nmm2,
                self.nose_stiffness_Nmm2,
                self.working_stiffness_Nmm2,
                self.working_stiffness_Nmm2,
                self.shaft_stiffness_Nmm2,
            ]
        )
        return Profile(x, 0.5 * d, k)

    def landing_tip_mm(self, to_mm: float) -> float:
        """Return where the tip stands [mm] when the working section's front edge is at `to_mm`."""
        return to_mm + self.nose_mm


@dataclass(frozen=True, kw_only=True)
class Balloon(OverWireDevice):
    """A balloon catheter.

    Attributes
    ----------
    balloon_type : str
        semi_compliant, non_compliant, scoring, lithotripsy or drug_coated.
    nominal_atm, rated_burst_atm : float
        Pressure at the labelled size, and the highest allowed.
    compliance : tuple of (float, float)
        Diameter [mm] by pressure [atm], pressure rising; empty where the shelf has no table.
    price : float or None
        What the lab pays, in its own currency.
    """

    balloon_type: str
    nominal_atm: float
    rated_burst_atm: float
    compliance: tuple[tuple[float, float], ...] = ()
    price: float | None = None


@dataclass(frozen=True, kw_only=True)
class Stent(OverWireDevice):
    """A drug-eluting stent on its balloon.

    Attributes
    ----------
    expansion_limit_mm : float
        Widest the platform may be opened to; it belongs to the design, not to the labelled size.
    nominal_atm, rated_burst_atm, compliance, price
        As of a balloon.
    """

    expansion_limit_mm: float
    nominal_atm: float
    rated_burst_atm: float
    compliance: tuple[tuple[float, float], ...] = ()
    price: float | None = None


@dataclass(frozen=True, kw_only=True)
class Microcatheter(OverWireDevice):
    """A microcatheter for wire exchange."""


@dataclass(frozen=True, kw_only=True)
class Burr(OverWireDevice):
    """A rotational atherectomy burr on its drive shaft."""


_KINDS: dict[type[Device], DeviceKind] = {
    Guide: DeviceKind.GUIDE,
    Extension: DeviceKind.EXTENSION,
    Wire: DeviceKind.WIRE,
    Balloon: DeviceKind.BALLOON,
    Stent: DeviceKind.STENT,
    Microcatheter: DeviceKind.MICROCATHETER,
    Burr: DeviceKind.BURR,
}


@dataclass(frozen=True)
class Shelf:
    """The devices a lab has.

    Attributes
    ----------
    title : str
        What the file calls itself.
    devices : dict of str to Device
        Every device by id, in the order of the file.
    """

    title: str
    devices: dict[str, Device]

    def of(self, kind: DeviceKind) -> list[Device]:
        """Return the devices of one kind, in shelf order."""
        return [d for d in self.devices.values() if d.kind == kind]


@dataclass(frozen=True)
class AccessRoute:
    """Where the guide comes from.

    Attributes
    ----------
    route : Access
        Femoral, right or left radial.
    sheath_fr : float
        Sheath size.
    """

    route: Access
    sheath_fr: float
