"""What is drawn back or brought to its own place, as the solver takes it: extension tubes and bare wires as devices over a wire."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import cast

import numpy as np

from backstay.core.mechanics.holds import shaft_spring_N_per_mm, wire_spring_N_per_mm
from backstay.core.rigging.devices import Balloon, Extension, OverWireDevice, Profile, Wire
from backstay.core.rigging.packing import enclosing_radius_mm
from backstay.core.rigging.rig import Rig

_SOFT_Nmm2 = 0.02
"""A wire that is not there: soft enough to bend with anything, stiff enough to be solved."""
NO_WIRE = "no wire"
_TUBE_TIP_mm = 2.0
_LONG_mm = 400.0
_STEEL_MPa = 193_000.0  # from memory, as in [@solidrod]
_HUB_TO_TIP_mm = 1_400.0


@dataclass(frozen=True, kw_only=True)
class Laid(OverWireDevice):
    """A thing that runs in the vessel with a profile of its own.

    Attributes
    ----------
    laid : Profile
        Radius and stiffness from its tip back.
    spring_N_per_mm : float
        Stiffness in tension from the hub to the tip.
    """

    laid: Profile
    spring_N_per_mm: float

    @property
    def profile(self) -> Profile:
        """Return the profile from the tip back."""
        return self.laid


def rear_edge_mm(device: OverWireDevice) -> float | None:
    """Return how far behind the tip the edge lies that leads on the way out [mm]; None where there is none.

    Parameters
    ----------
    device : OverWireDevice
        What is drawn back.

    Returns
    -------
    float or None
        Rear end of the working section; None for a tube, a wire, or a device no wider there than its shaft.
    """
    if isinstance(device, Laid) or device.crossing_diameter_mm <= device.shaft_diameter_mm + 0.04:
        return None
    return device.nose_mm + device.working_mm


def spring_N_per_mm(device: OverWireDevice) -> float:
    """Return the stiffness in tension from the hub to the tip.

    Parameters
    ----------
    device : OverWireDevice
        What is drawn back.

    Returns
    -------
    float
        Stiffness [N/mm]: a tube's push rod, a wire's core, a catheter's shaft as in the backup model.
    """
    if isinstance(device, Laid):
        return device.spring_N_per_mm
    return shaft_spring_N_per_mm(
        cast(Balloon, device)
    )  # every catheter over the wire has the fields it reads


def tube(extension: Extension, *, over: OverWireDevice | None = None) -> Laid:
    """Return an extension as a device over the rail.

    Parameters
    ----------
    extension : Extension
        The extension.
    over : OverWireDevice, optional
        A balloon it is tracked over: its nose leads, its shaft stiffens the tube.

    Returns
    -------
    Laid
        A tube of even diameter and stiffness; its collar stays in the guide, and the shaft behind it is its push rod (a round steel rod).
    """
    radius, inner = 0.5 * extension.outer_diameter_mm, 0.0 if over is None else over.shaft_stiffness_Nmm2
    stiff, rod_mm = extension.stiffness_Nmm2 + inner, extension.push_rod_diameter_mm
    if over is None:
        x, r = np.array([0.0, _TUBE_TIP_mm, _LONG_mm]), np.full(3, radius)
        k = np.array([0.5 * stiff, stiff, stiff])
        lead_mm = 0.0
    else:
        lead_mm = over.nose_mm + min(5.0, 0.5 * over.working_mm)
        tip, body = 0.5 * over.tip_diameter_mm, 0.5 * over.crossing_diameter_mm
        x = np.array([0.0, over.nose_mm, lead_mm, lead_mm + _TUBE_TIP_mm, _LONG_mm])
        r = np.array([tip, body, body, radius, radius])
        k = np.array(
            [over.nose_stiffness_Nmm2, over.working_stiffness_Nmm2, over.working_stiffness_Nmm2, stiff, stiff]
        )
    return Laid(
        id=extension.id if over is None else f"{extension.id} over {over.id}",
        name=extension.name if over is None else f"{extension.name} over {over.name}",
        unvalidated=extension.unvalidated,
        sources=extension.sources,
        tip_diameter_mm=2.0 * float(r[0]),
        nose_mm=lead_mm,
        working_mm=extension.tube_length_mm,
        crossing_diameter_mm=extension.outer_diameter_mm,
        working_stiffness_Nmm2=stiff,
        nose_stiffness_Nmm2=float(k[0]),
        shaft_stiffness_Nmm2=_STEEL_MPa * math.pi * rod_mm**4 / 64.0,
        shaft_diameter_mm=rod_mm,
        wire_lumen_mm=extension.inner_diameter_mm,
        rapid_exchange_mm=extension.tube_length_mm,
        proximal_shaft_diameter_mm=rod_mm,
        length_cm=extension.length_cm,
        nominal_diameter_mm=extension.outer_diameter_mm,
        laid=Profile(x, r, k),
        spring_N_per_mm=_STEEL_MPa * 0.25 * math.pi * rod_mm**2 / _HUB_TO_TIP_mm,
    )


def bare(wire: Wire, *, beside: tuple[Wire, ...] = ()) -> Laid:
    """Return a wire as the thing that moves.

    Parameters
    ----------
    wire : Wire
        The wire drawn back.
    beside : tuple of Wire
        Wires that stay where they are.

    Returns
    -------
    Laid
        The wire's own profile; as thick as the smallest circle round it and the wires beside it.
    """
    own = wire.profile
    radii = (0.5 * wire.diameter_mm, *(0.5 * other.diameter_mm for other in beside))
    bundle_mm = enclosing_radius_mm(radii).radius_mm if len(radii) > 1 else radii[0]
    return Laid(
        id=f"bare {wire.id}",
        name=wire.name,
        unvalidated=wire.unvalidated,
        sources=wire.sources,
        tip_diameter_mm=wire.diameter_mm,
        nose_mm=0.0,
        working_mm=_LONG_mm,
        crossing_diameter_mm=wire.diameter_mm,
        working_stiffness_Nmm2=wire.core_stiffness_Nmm2,
        nose_stiffness_Nmm2=wire.tip_stiffness_Nmm2,
        shaft_stiffness_Nmm2=wire.core_stiffness_Nmm2,
        shaft_diameter_mm=wire.diameter_mm,
        wire_lumen_mm=0.0,
        rapid_exchange_mm=_LONG_mm,
        proximal_shaft_diameter_mm=wire.diameter_mm,
        length_cm=wire.length_cm,
        nominal_diameter_mm=wire.diameter_mm,
        laid=Profile(own.behind_tip_mm, np.full(len(own.behind_tip_mm), bundle_mm), own.stiffness_Nmm2),
        spring_N_per_mm=wire_spring_N_per_mm(wire),
    )


def without_wire(rig: Rig, wire: Wire) -> Rig:
    """Return the rig in which one wire moves and only the others lie still.

    Parameters
    ----------
    rig : Rig
        What is in place.
    wire : Wire
        The wire that moves: the rail or a buddy.

    Returns
    -------
    Rig
        Without it. Where it was the only one, a wire too soft to matter lies in its place: the solver wants a rail.
    """
    others = list(rig.buddies)
    if wire is rig.rail:
        ghost = replace(wire, id=NO_WIRE, core_stiffness_Nmm2=_SOFT_Nmm2, tip_stiffness_Nmm2=_SOFT_Nmm2)
        return replace(rig, rail=others.pop(0) if others else ghost, buddies=tuple(others))
    others.remove(wire)
    return replace(rig, buddies=tuple(others))
