"""From a rig and a device to what the solver needs: what lies along the path, how stiff, how thick, how loaded."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.easing import eased
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.mechanics.crossing import IN, drag_density_N_per_mm, lesion_fields
from backstay.core.mechanics.elastic import Load, Tube, tube
from backstay.core.rigging.devices import OverWireDevice, Wire
from backstay.core.rigging.packing import belt_radius_mm, enclosing_radius_mm
from backstay.core.rigging.rig import Rig

FloatArray = NDArray[np.float64]

GRID_MM = 0.25
BEYOND_TIP_MM = 25.0
"""Wire ahead of the device that is still solved for; further out nothing is felt at the device."""
ENTRY_STIFFNESS_MPa = 50.0
"""Lateral stiffness of the guide's mouth."""
SHORTEST_AHEAD_MM = 8.0
TIGHTEST_TURN = 0.5
"""Largest curvature times lumen radius that is solved for. Offsets from a centreline mean nothing from its centre of curvature on, and
stiff wires on a soft wall come that far in a turn measured at a carina."""


@dataclass(frozen=True)
class ShapeFactors:
    """The uncertain inputs that change the shape.

    Attributes
    ----------
    friction_wall : float
        Coefficient of friction of what moves on the wall.
    bed_MPa : float
        Lateral stiffness of wall and bed per path length.
    device_stiffness_factor, wire_stiffness_factor : float
        Factors on bending stiffness.
    radius_shift_sd : float
        Lumen radius error, in standard deviations of the path's own.
    curvature_factor : float
        Factor on the path's turning.
    """

    friction_wall: float
    bed_MPa: float
    device_stiffness_factor: float = 1.0
    wire_stiffness_factor: float = 1.0
    radius_shift_sd: float = 0.0
    curvature_factor: float = 1.0


SHAPE_INPUTS = (
    "friction_wall",
    "bed_MPa",
    "device_stiffness_factor",
    "wire_stiffness_factor",
    "radius_shift_sd",
    "curvature_factor",
)


@dataclass(frozen=True)
class Passage:
    """One rig and one device on one vessel: everything fixed while the uncertain inputs vary.

    Attributes
    ----------
    path : LumenPath
        The vessel from the guide's tip on.
    lesions : tuple of Lesion
        On that path.
    rig : Rig
        What is in place.
    device : OverWireDevice
        What is pushed.
    wire_tip_mm : float
        Where the wires end on the path.
    beside_mm, beside_belt_mm : float
        Added to the device's radius for the wires that lie beside it where the lumen stays round, and where its wall gives way like a
        belt; computed.
    """

    path: LumenPath
    lesions: tuple[Lesion, ...]
    rig: Rig
    device: OverWireDevice
    wire_tip_mm: float
    beside_mm: float = field(init=False, default=0.0)
    beside_belt_mm: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        wires = tuple(0.5 * wire.diameter_mm for wire in self.wires[1:])
        widest = 0.5 * self.device.crossing_diameter_mm
        if wires:
            together = (widest, *wires)
            object.__setattr__(self, "beside_mm", enclosing_radius_mm(together).radius_mm - widest)
            object.__setattr__(self, "beside_belt_mm", belt_radius_mm(together) - widest)

    @property
    def wires(self) -> tuple[Wire, ...]:
        """Return the wires that lie in the vessel, the rail first."""
        trapped = (self.rig.trapped.wire,) if self.rig.trapped is not None else ()
        return (self.rig.rail, *self.rig.buddies, *trapped)

    def beside_where_mm(self, roundness: FloatArray) -> FloatArray:
        """Return what wires beside the device add to its radius in a lumen that stays round by a share [mm], any shape."""
        return np.asarray(self.beside_belt_mm + roundness * (self.beside_mm - self.beside_belt_mm))

    def outer_mm(self, behind_tip_mm: FloatArray) -> FloatArray:
        """Return the radius of the whole bundle [mm] at distances behind the tip [mm]; the wires alone ahead of it."""
        wires = tuple(0.5 * wire.diameter_mm for wire in self.wires)
        ahead = enclosing_radius_mm(wires).radius_mm if len(wires) > 1 else wires[0]
        inside = np.maximum(self.device.profile.radius_at_mm(behind_tip_mm) + self.beside_mm, ahead)
        return np.where(behind_tip_mm < 0.0, ahead, inside)

    def last_node(self, tip_mm: float) -> int:
        """Return the last path node solved for when the device's tip stands at `tip_mm`."""
        ends = min(
            self.path.s_mm[-1], max(self.wire_tip_mm, tip_mm + SHORTEST_AHEAD_MM), tip_mm + BEYOND_TIP_MM
        )
        return int(min(np.floor(ends / self.path.spacing_mm + 1e-9), len(self.path.s_mm) - 1))


@dataclass(frozen=True)
class Vessel:
    """A passage's path with one set of uncertain inputs applied, ready for every depth.

    Attributes
    ----------
    passage : Passage
        What it was made from.
    factors : ShapeFactors
        The inputs applied.
    path : LumenPath
        The path with its errors applied.
    tube : Tube
        The same for the solver.
    static_Nmm2, wire_Nmm2, sleeve_mm : ndarray, shape (n,)
        Stiffness of what does not move, of the rail, and the radius of an extension, by node.
    moving_Nmm2, outer_mm : ndarray
        Profile tables behind the tip, starting one step ahead of it.
    drag_MPa : ndarray, shape (n,)
        Radial stiffness of the lesions, by node.
    """

    passage: Passage
    factors: ShapeFactors
    path: LumenPath
    tube: Tube
    static_Nmm2: FloatArray
    wire_Nmm2: FloatArray
    sleeve_mm: FloatArray
    moving_Nmm2: FloatArray
    outer_mm: FloatArray
    drag_MPa: FloatArray

    def load(self, tip_mm: float, share: FloatArray | None = None) -> Load:
        """Return the assembly with the device's tip at `tip_mm` [mm], the load at the lesion shared out by `share` where it is given."""
        return Load(
            self.moving_Nmm2,
            self.outer_mm,
            GRID_MM,
            self.static_Nmm2,
            self.sleeve_mm,
            self.load_share(tip_mm) if share is None else share,
            float(self.factors.friction_wall),
            float(tip_mm),
        )

    def load_share(self, tip_mm: float, *, going: int = IN, front_mm: float = 0.0) -> FloatArray:
        """Return how the load at the lesion is spread over the nodes: as the drag lies, at the front where there is none.

        `going` says which way the device moves; `front_mm` how far behind its tip the edge lies that leads [mm].
        """
        s = self.path.s_mm
        density = drag_density_N_per_mm(
            behind_tip_mm=tip_mm - s,
            lumen_mm=self.path.radius_mm,
            stiffness_MPa=self.drag_MPa,
            profile=self.passage.device.profile,
            beside_mm=self.passage.beside_mm,
            friction=self.factors.friction_wall,
            going=going,
        )
        density = np.where(self.sleeve_mm > 0.0, 0.0, density)
        density[0] = 0.0
        total = float(density.sum())
        if total > 0.0:
            return density / total
        share = np.zeros(s.shape)
        at = min(max((tip_mm - front_mm) / self.path.spacing_mm, 1.0), len(s) - 1.001)
        i = int(at)
        share[i], share[i + 1] = 1.0 - (at - i), at - i
        return share


def prepare(passage: Passage, factors: ShapeFactors) -> Vessel:
    """Apply a set of uncertain inputs to a passage.

    Parameters
    ----------
    passage : Passage
        Vessel, rig and device.
    factors : ShapeFactors
        The uncertain inputs.

    Returns
    -------
    Vessel
        Ready for every depth.
    """
    measured = passage.path.with_errors(
        curvature_factor=factors.curvature_factor, radius_shift_sd=factors.radius_shift_sd
    )
    path = eased(measured, TIGHTEST_TURN)
    s, rig = path.s_mm, passage.rig
    wires = [wire.profile.stiffness_at_Nmm2(passage.wire_tip_mm - s) for wire in passage.wires]
    ends = np.array([wire.tip_stiffness_Nmm2 for wire in passage.wires])
    bent = [
        np.maximum(k, floor) * factors.wire_stiffness_factor for k, floor in zip(wires, ends, strict=True)
    ]
    static = np.sum(bent, axis=0)
    sleeve, lumen = np.zeros(s.shape), path.radius_mm.copy()
    lumen[0] = 0.5 * rig.guide.inner_diameter_mm
    wall = np.full(s.shape, factors.bed_MPa)
    wall[0] = ENTRY_STIFFNESS_MPa
    if rig.extension is not None and rig.extension_depth_mm > 0.0:
        covered = s <= rig.extension_depth_mm
        static = static + np.where(covered, rig.extension.stiffness_Nmm2, 0.0)
        sleeve = np.where(covered, 0.5 * rig.extension.outer_diameter_mm, 0.0)
    grid = GRID_MM * np.arange(-1, int(passage.path.length_mm / GRID_MM) + 40, dtype=np.float64)
    stiffness = passage.device.profile.stiffness_at_Nmm2(grid) * factors.device_stiffness_factor
    radial, _ = lesion_fields(s, passage.lesions)
    return Vessel(
        passage=passage,
        factors=factors,
        path=path,
        tube=tube(
            path.points_mm,
            path.normals1,
            path.normals2,
            lumen_mm=lumen,
            wall_MPa=wall,
            entry=path.tangents[0],
            spacing_mm=path.spacing_mm,
        ),
        static_Nmm2=static,
        wire_Nmm2=bent[0],
        sleeve_mm=sleeve,
        moving_Nmm2=stiffness,
        outer_mm=passage.outer_mm(grid),
        drag_MPa=radial,
    )


NUDGES: dict[str, float] = {
    "friction_wall": 1e-3,
    "bed_MPa": 1e-3,
    "device_stiffness_factor": 1e-3,
    "wire_stiffness_factor": 1e-3,
    "radius_shift_sd": 1e-3,
    "curvature_factor": 1e-4,
}
"""How far each input is moved for its sensitivity: relative, but for the radius shift, which is in standard deviations."""


def nudged(factors: ShapeFactors, name: str) -> ShapeFactors:
    """Return the inputs with one of them moved by its nudge.

    Parameters
    ----------
    factors : ShapeFactors
        The inputs.
    name : str
        One of `SHAPE_INPUTS`.

    Returns
    -------
    ShapeFactors
        The same but for the one moved.

    Examples
    --------
    >>> at = ShapeFactors(friction_wall=0.2, bed_MPa=1.0)
    >>> round(nudged(at, "friction_wall").friction_wall, 9), nudged(at, "radius_shift_sd").radius_shift_sd
    (0.2002, 0.001)
    """
    value = getattr(factors, name)
    moved = value + NUDGES[name] if name == "radius_shift_sd" else value * (1.0 + NUDGES[name])
    return replace(factors, **{name: moved})
