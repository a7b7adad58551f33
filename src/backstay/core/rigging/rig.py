"""The rig: everything in place that gives support, and the small changes that make another rig of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

from backstay.core.rigging.devices import AccessRoute, Balloon, Extension, Guide, Wire


@dataclass(frozen=True)
class Anchor:
    """A balloon held inflated to tie the guide to the vessel.

    Attributes
    ----------
    balloon : Balloon
        The balloon.
    branch : str
        Branch it lies in.
    at_mm : float
        Where the branch leaves the path.
    branch_diameter_mm : float
        Lumen of the branch there.
    pressure_atm : float
        Pressure it is held at.
    """

    balloon: Balloon
    branch: str
    at_mm: float
    branch_diameter_mm: float
    pressure_atm: float


@dataclass(frozen=True)
class TrappedWire:
    """A buddy wire held behind a stent already opened.

    Attributes
    ----------
    wire : Wire
        The wire; only its floppy end may lie behind the stent.
    from_mm, to_mm : float
        The stretch behind the stent.
    """

    wire: Wire
    from_mm: float
    to_mm: float


@dataclass(frozen=True)
class Rig:
    """What is in place when a device is pushed.

    Attributes
    ----------
    access : AccessRoute
        Route and sheath.
    guide : Guide
        Guide catheter.
    rail : Wire
        Wire the device runs on.
    seat_mm : float
        How far the guide's tip is seated beyond the ostium.
    extension : Extension or None
        Guide extension in place.
    extension_depth_mm : float
        How far its tip stands down the path.
    buddies : tuple of Wire
        Free wires beside the rail.
    anchor : Anchor or None
        Anchor balloon.
    trapped : TrappedWire or None
        Trapped wire.
    """

    access: AccessRoute
    guide: Guide
    rail: Wire
    seat_mm: float = 0.0
    extension: Extension | None = None
    extension_depth_mm: float = 0.0
    buddies: tuple[Wire, ...] = ()
    anchor: Anchor | None = None
    trapped: TrappedWire | None = None

    def with_extension(self, extension: Extension, depth_mm: float) -> Rig:
        """Return the rig with a guide extension to `depth_mm` down the path."""
        return replace(self, extension=extension, extension_depth_mm=depth_mm)

    def with_buddy(self, wire: Wire) -> Rig:
        """Return the rig with one more free wire."""
        return replace(self, buddies=(*self.buddies, wire))

    def describe(self) -> str:
        """Return the rig in the trade's words, outermost first."""
        parts = [self.guide.name]
        if self.seat_mm > 0.0:
            parts.append(f"seated {self.seat_mm:.0f} mm deep")
        if self.extension is not None:
            parts.append(f"{self.extension.name} to {self.extension_depth_mm:.0f} mm")
        parts.append(self.rail.name)
        parts += [f"buddy: {wire.name}" for wire in self.buddies]
        if self.anchor is not None:
            parts.append(f"anchor balloon in {self.anchor.branch}")
        if self.trapped is not None:
            parts.append(f"{self.trapped.wire.name} trapped behind a stent")
        return ", ".join(parts)
