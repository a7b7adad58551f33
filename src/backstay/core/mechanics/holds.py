"""What ties the guide to the vessel besides itself: springs and holding limits of wires and an anchor.

None of the holding limits has been measured in a form that could be read; each is an estimate from friction
and contact load that follows the bench's trends, with a factor among the uncertain inputs. All are
unvalidated.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.draws import DrawSet
from backstay.core.rigging.devices import Balloon, Wire
from backstay.core.rigging.rig import Anchor, TrappedWire
from backstay.errors import InputError
from backstay.units import atm_to_MPa

FloatArray = NDArray[np.float64]

_STEEL_MPa = 193_000.0  # from memory, as in [@solidrod]
_POLYMER_MPa = 1_000.0  # polyamide shaft, from memory, order of magnitude
_HYPOTUBE_WALL_mm = 0.08  # judgement
_HUB_TO_TIP_mm = 1_400.0

_BEND_LENGTH_mm = 15.0  # length over which a coronary artery turns by a radian; judgement
_OPENING_atm = 2.0  # pressure that unfolds a balloon; judgement
_PRESSURE_SHARE = 0.5  # share of the rest that presses on the wall; judgement
_FILLS_FROM = 0.9  # below this part of the branch's diameter a balloon does not touch it; judgement
_TRAPPED_CONTACT_MPa = 0.35  # see trapped_hold_N
_TIP_CORE_mm, _TIP_CORE_MPa = 0.05, 2_600.0


def wire_spring_N_per_mm(wire: Wire) -> float:
    """Return the stiffness of a wire in tension from hub to tip.

    Parameters
    ----------
    wire : Wire
        The wire.

    Returns
    -------
    float
        E A / L [N/mm] over 1.4 m, with the section A of the solid steel core that has the wire's bending
        stiffness: A = sqrt(4 pi B / E). Derived; slack in the guide and the soft end are left out, so it is
        an upper bound.
    """
    return math.sqrt(4.0 * math.pi * wire.core_stiffness_Nmm2 * _STEEL_MPa) / _HUB_TO_TIP_mm


def shaft_spring_N_per_mm(balloon: Balloon) -> float:
    """Return the stiffness of a balloon catheter's shaft in tension from hub to balloon.

    Parameters
    ----------
    balloon : Balloon
        The balloon.

    Returns
    -------
    float
        Steel tube (wall 0.08 mm) and polymer shaft (half the ring between its outside and the wire lumen) in
        series [N/mm]. Derived from the shelf's diameters with assumed wall and moduli.

    Raises
    ------
    InputError
        The wire lumen is as wide as the shaft.
    """
    ring_mm2 = 0.25 * math.pi * (balloon.shaft_diameter_mm**2 - balloon.wire_lumen_mm**2)
    if ring_mm2 <= 0.0:
        raise InputError(
            "the wire lumen is as wide as the shaft",
            field=f"{balloon.id}.wire_lumen_mm",
            value=balloon.wire_lumen_mm,
            allowed=f"below {balloon.shaft_diameter_mm}",
        )
    polymer_mm = min(balloon.rapid_exchange_mm, _HUB_TO_TIP_mm)
    steel_mm2 = math.pi * (balloon.proximal_shaft_diameter_mm - _HYPOTUBE_WALL_mm) * _HYPOTUBE_WALL_mm
    give_mm_per_N = polymer_mm / (_POLYMER_MPa * 0.5 * ring_mm2)
    give_mm_per_N += (_HUB_TO_TIP_mm - polymer_mm) / (_STEEL_MPa * steel_mm2)
    return 1.0 / give_mm_per_N


def free_wire_hold_N(wire: Wire, draws: DrawSet, *, beyond_mm: float, bend_rad: float) -> FloatArray:
    """Return the force at which a wire held at the hub slides out of the vessel beyond the device.

    Parameters
    ----------
    wire : Wire
        A wire whose tip lies at the end of the path.
    draws : DrawSet
        Uncertain inputs (`friction_wall`, `wire_stiffness_factor`, `curvature_factor`, `wire_hold_factor`).
    beyond_mm : float
        Length of wire beyond the device's tip [mm].
    bend_rad : float
        Bend of the path over that length, as measured [rad].

    Returns
    -------
    ndarray, shape (count,)
        Hold [N]; unvalidated (no measured force of a free buddy wire was found).

    Notes
    -----
    A wire of bending stiffness B pressed by three points into a bend of one radian over a length L (15 mm)
    loads the wall with 8 B / L^2 in all. Sliding round bends of theta in all, with the pull already in it
    pressing it on as well, dT = mu (8 B / L^2 + T) dtheta, so T = (8 B / L^2) (exp(mu theta) - 1). B is the
    mean over the wire's end that lies there, so a floppy end holds little and a stiff wire more. What the
    wall beside the device and nearer the guide adds is left out.
    """
    if beyond_mm <= 0.0:
        return np.zeros(draws.count)
    behind_tip_mm = np.linspace(0.0, beyond_mm, 101)
    mean_Nmm2 = float(np.mean(wire.profile.stiffness_at_Nmm2(behind_tip_mm)))
    contact_N = 8.0 * mean_Nmm2 * draws["wire_stiffness_factor"] / _BEND_LENGTH_mm**2
    turn = draws["friction_wall"] * bend_rad * draws["curvature_factor"]
    return np.asarray(draws["wire_hold_factor"] * contact_N * np.expm1(turn))


def anchor_hold_N(anchor: Anchor, draws: DrawSet) -> FloatArray:
    """Return the force at which an anchor balloon slips in its branch.

    Parameters
    ----------
    anchor : Anchor
        Balloon, branch and pressure.
    draws : DrawSet
        Uncertain inputs (`friction_wall`, `anchor_factor`).

    Returns
    -------
    ndarray, shape (count,)
        Hold [N]; unvalidated (the bench's grams could not be read).

    Notes
    -----
    friction x contact pressure x pi x branch diameter x balloon length. The contact pressure is half of what
    is left of the inflation pressure after unfolding (2 atm). On the bench hold rose with pressure and
    length and not with the balloon's diameter [@anchorbench2020]: once it fills the branch a larger label
    adds nothing here either. A balloon smaller than 0.9 of the branch does not touch it and holds nothing.
    The hold of a wire pinned beneath it is left out.
    """
    diameter_ratio = anchor.balloon.nominal_diameter_mm / anchor.branch_diameter_mm
    fills = min(max((diameter_ratio - _FILLS_FROM) / (1.0 - _FILLS_FROM), 0.0), 1.0)
    contact_MPa = _PRESSURE_SHARE * atm_to_MPa(max(anchor.pressure_atm - _OPENING_atm, 0.0)) * fills
    load_N = contact_MPa * math.pi * anchor.branch_diameter_mm * anchor.balloon.working_mm
    return np.asarray(draws["anchor_factor"] * draws["friction_wall"] * load_N)


def trapped_strength_N() -> float:
    """Return the pull that breaks the trapped end of a wire.

    Returns
    -------
    float
        Strength of a 0.05 mm core at 2600 MPa [N]: derived, with an assumed diameter.

    References
    ----------
    [@snider2019]

    Examples
    --------
    >>> round(trapped_strength_N(), 1)
    5.1
    """
    return 0.25 * math.pi * _TIP_CORE_mm**2 * _TIP_CORE_MPa


def trapped_hold_N(trapped: TrappedWire, draws: DrawSet) -> FloatArray:
    """Return the force at which a wire trapped behind a stent slips or breaks.

    Parameters
    ----------
    trapped : TrappedWire
        Wire and the stretch behind the stent.
    draws : DrawSet
        Uncertain inputs (`friction_wall`, `trapped_factor`).

    Returns
    -------
    ndarray, shape (count,)
        Hold [N]; unvalidated (no pull-out force of a jailed wire was found), never above the strength of the
        wire's end.

    Notes
    -----
    friction x contact pressure x length x two wire diameters (stent on one side, wall on the other). The
    local pressure on the wire, 0.35 MPa, is about three times what a stent can press with before it
    collapses (0.12 MPa, order of magnitude from memory), because the wall is drawn over the wire like a
    tent: 2 p R sin(phi) per length against 2 p d, with sin(phi) about sqrt(2 d / R) for a wire of diameter d
    on a stent of radius R. Operators judge a trapped wire about as good as an anchor balloon and far better
    than a free wire [@rath2023].
    """
    length_mm = max(trapped.to_mm - trapped.from_mm, 0.0)
    load_N = _TRAPPED_CONTACT_MPa * length_mm * 2.0 * trapped.wire.diameter_mm
    slips_N = draws["trapped_factor"] * draws["friction_wall"] * load_N
    return np.asarray(np.minimum(slips_N, trapped_strength_N()))
