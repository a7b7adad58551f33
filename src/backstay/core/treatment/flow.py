"""Pressure lost in a stenosis, and what measured pressures say of two in a row.

An estimate from shape. It is shown in mmHg and never stands in for a measured flow reserve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from backstay.errors import InputError
from backstay.units import MPa_to_mmHg, kg_m3_to_t_mm3, mL_min_to_mm3_s, mmHg_to_MPa, mPas_to_MPas

TURBULENCE_FACTOR = 1.52
VISCOUS_FACTOR = 32.0


@dataclass(frozen=True, kw_only=True)
class Stenosis:
    """A narrowing as the pressure sees it.

    Attributes
    ----------
    normal_mm : float
        Diameter without it.
    narrowest_mm : float
        Least diameter.
    length_mm : float
        Length.
    """

    normal_mm: float
    narrowest_mm: float
    length_mm: float

    def __post_init__(self) -> None:
        if not 0.0 < self.narrowest_mm <= self.normal_mm < math.inf:
            raise InputError(
                "a stenosis is no wider than the vessel",
                field="narrowest_mm",
                value=self.narrowest_mm,
                allowed=f"above 0, up to {self.normal_mm:g} mm",
            )
        if not 0.0 <= self.length_mm < math.inf:
            raise InputError(
                "a stenosis has a length", field="length_mm", value=self.length_mm, allowed="0 mm or more"
            )


@dataclass(frozen=True)
class Loss:
    """Pressure lost.

    Attributes
    ----------
    viscous_mmHg : float
        By friction; in proportion to flow.
    separation_mmHg : float
        By the jet behind the narrowing; with the square of flow.
    """

    viscous_mmHg: float
    separation_mmHg: float

    @property
    def total_mmHg(self) -> float:
        """Return the whole loss [mmHg]."""
        return self.viscous_mmHg + self.separation_mmHg


def loss_young_tsai(
    stenosis: Stenosis, *, flow_mL_min: float, viscosity_mPas: float, density_kg_m3: float
) -> Loss:
    """Return the pressure lost in a stenosis at steady flow.

    Parameters
    ----------
    stenosis : Stenosis
        The narrowing.
    flow_mL_min : float
        Flow [mL/min]; against the direction it counts negative.
    viscosity_mPas, density_kg_m3 : float
        Of the blood [mPa s, kg/m3].

    Returns
    -------
    Loss
        Viscous and separation part [mmHg].

    Notes
    -----
    a Q + b Q |Q| with a = K_v mu / (A0 D0), b = K_t rho (A0/As - 1)^2 / (2 A0^2),
    K_v = 32 (0.83 L + 1.64 Ds)/D0 (A0/As)^2 and K_t = 1.52. Steady flow: the inertia of the pulse is left
    out. No published numeric example could be read; the coefficients agree in two independent public
    sources. Where there is no narrowing (Ds = D0) the formula still has an entrance term, so it is not the
    Poiseuille loss.

    References
    ----------
    [@young1973; @seeley1976]

    Examples
    --------
    >>> loss = loss_young_tsai(
    ...     Stenosis(normal_mm=3.0, narrowest_mm=1.5, length_mm=10.0),
    ...     flow_mL_min=120.0, viscosity_mPas=3.5, density_kg_m3=1060.0,
    ... )
    >>> round(loss.viscous_mmHg, 3), round(loss.separation_mmHg, 3), round(loss.total_mmHg, 2)
    (4.547, 4.354, 8.9)
    """
    a, b = _coefficients(stenosis, viscosity_mPas, density_kg_m3)
    flow_mm3_s = mL_min_to_mm3_s(flow_mL_min)
    return Loss(MPa_to_mmHg(a * flow_mm3_s), MPa_to_mmHg(b * flow_mm3_s * abs(flow_mm3_s)))


def viscous_coefficient(stenosis: Stenosis) -> float:
    """Return the viscous coefficient K_v of a stenosis.

    Parameters
    ----------
    stenosis : Stenosis
        The narrowing.

    Returns
    -------
    float
        K_v, without a unit.

    Examples
    --------
    >>> round(viscous_coefficient(Stenosis(normal_mm=3.0, narrowest_mm=1.5, length_mm=10.0)), 1)
    1836.4
    """
    area_ratio = (stenosis.normal_mm / stenosis.narrowest_mm) ** 2
    shape = (0.83 * stenosis.length_mm + 1.64 * stenosis.narrowest_mm) / stenosis.normal_mm
    return VISCOUS_FACTOR * shape * area_ratio**2


def _coefficients(stenosis: Stenosis, viscosity_mPas: float, density_kg_m3: float) -> tuple[float, float]:
    """Return a [MPa s/mm3] and b [MPa s2/mm6]."""
    area_mm2 = 0.25 * math.pi * stenosis.normal_mm**2
    area_ratio = (stenosis.normal_mm / stenosis.narrowest_mm) ** 2
    a = viscous_coefficient(stenosis) * mPas_to_MPas(viscosity_mPas) / (area_mm2 * stenosis.normal_mm)
    density_t_mm3 = kg_m3_to_t_mm3(density_kg_m3)
    b = TURBULENCE_FACTOR * density_t_mm3 * (area_ratio - 1.0) ** 2 / (2.0 * area_mm2**2)
    return a, b


def loss_poiseuille_mmHg(
    *, diameter_mm: float, length_mm: float, flow_mL_min: float, viscosity_mPas: float
) -> float:
    """Return the pressure lost in a straight round tube at slow steady flow.

    Parameters
    ----------
    diameter_mm, length_mm : float
        The tube [mm].
    flow_mL_min : float
        Flow [mL/min].
    viscosity_mPas : float
        Of the blood [mPa s].

    Returns
    -------
    float
        Loss [mmHg].

    Examples
    --------
    >>> round(loss_poiseuille_mmHg(diameter_mm=3, length_mm=20, flow_mL_min=120, viscosity_mPas=3.5), 3)
    0.528
    """
    viscosity_MPas = mPas_to_MPas(viscosity_mPas)
    flow_mm3_s = mL_min_to_mm3_s(flow_mL_min)
    return MPa_to_mmHg(128.0 * viscosity_MPas * length_mm * flow_mm3_s / (math.pi * diameter_mm**4))


@dataclass(frozen=True)
class Carried:
    """What a vessel carries with its stenoses in it.

    Attributes
    ----------
    flow_mL_min : float
        Flow.
    distal_mmHg : float
        Pressure beyond the last stenosis.
    losses : tuple of Loss
        One per stenosis, in order.
    """

    flow_mL_min: float
    distal_mmHg: float
    losses: tuple[Loss, ...]


def carried_through(
    stenoses: Sequence[Stenosis],
    *,
    normal_mL_min: float,
    aortic_mmHg: float,
    viscosity_mPas: float,
    density_kg_m3: float,
) -> Carried:
    """Return flow and pressure when the stenoses stand in series before the bed they feed.

    Parameters
    ----------
    stenoses : sequence of Stenosis
        In order; may be empty.
    normal_mL_min : float
        Hyperaemic flow without any of them [mL/min]; with the aortic pressure it gives the bed's resistance.
    aortic_mmHg : float
        Mean aortic pressure at hyperaemia [mmHg]; venous pressure is taken as 0.
    viscosity_mPas, density_kg_m3 : float
        Of the blood.

    Returns
    -------
    Carried
        Flow, distal pressure and each one's loss; they add up to the aortic pressure.

    Notes
    -----
    The bed's resistance does not change and there are no collaterals; losses in series are added, which
    holds where the jet of one has died away before the next.

    Examples
    --------
    >>> one = Stenosis(normal_mm=3.0, narrowest_mm=1.5, length_mm=10.0)
    >>> found = carried_through(
    ...     [one], normal_mL_min=200, aortic_mmHg=95, viscosity_mPas=3.5, density_kg_m3=1060
    ... )
    >>> round(found.flow_mL_min, 1), round(found.distal_mmHg / 95, 3)
    (168.5, 0.842)
    """
    pairs = [_coefficients(s, viscosity_mPas, density_kg_m3) for s in stenoses]
    aortic_MPa = mmHg_to_MPa(aortic_mmHg)
    linear = sum(a for a, _ in pairs) + aortic_MPa / mL_min_to_mm3_s(normal_mL_min)
    square = sum(b for _, b in pairs)
    # The stable form of the quadratic's positive root: it holds where the square term vanishes.
    flow_mm3_s = 2.0 * aortic_MPa / (linear + math.sqrt(linear**2 + 4.0 * square * aortic_MPa))
    losses = tuple(Loss(MPa_to_mmHg(a * flow_mm3_s), MPa_to_mmHg(b * flow_mm3_s**2)) for a, b in pairs)
    flow_mL_min = normal_mL_min * flow_mm3_s / mL_min_to_mm3_s(normal_mL_min)
    return Carried(flow_mL_min, aortic_mmHg - sum(loss.total_mmHg for loss in losses), losses)


def tandem_proximal_ratio(
    *, aortic_mmHg: float, between_mmHg: float, distal_mmHg: float, wedge_mmHg: float
) -> float:
    """Return what distal over aortic pressure would be with only the proximal of two stenoses left.

    Parameters
    ----------
    aortic_mmHg, between_mmHg, distal_mmHg : float
        Measured mean pressures at hyperaemia: aortic, between the two, beyond both [mmHg].
    wedge_mmHg : float
        Distal pressure with the vessel blocked by a balloon [mmHg].

    Returns
    -------
    float
        The ratio predicted.

    Notes
    -----
    The equation is from memory; it reproduces a circuit of resistances with collaterals exactly, which the
    tests show.

    References
    ----------
    [@debruyne2000; @pijls2000]

    Examples
    --------
    >>> round(tandem_proximal_ratio(aortic_mmHg=100, between_mmHg=85, distal_mmHg=65, wedge_mmHg=25), 4)
    0.7955
    """
    _check_falling(aortic_mmHg, between_mmHg, distal_mmHg, wedge_mmHg)
    lost = (aortic_mmHg - between_mmHg) + (distal_mmHg - wedge_mmHg)
    return (distal_mmHg - between_mmHg / aortic_mmHg * wedge_mmHg) / lost


def tandem_distal_ratio(
    *, aortic_mmHg: float, between_mmHg: float, distal_mmHg: float, wedge_mmHg: float
) -> float:
    """Return what distal over aortic pressure would be with only the distal of two stenoses left.

    Parameters
    ----------
    aortic_mmHg, between_mmHg, distal_mmHg, wedge_mmHg : float
        As of `tandem_proximal_ratio` [mmHg].

    Returns
    -------
    float
        The ratio predicted.

    References
    ----------
    [@debruyne2000; @pijls2000]

    Examples
    --------
    >>> round(tandem_distal_ratio(aortic_mmHg=100, between_mmHg=85, distal_mmHg=65, wedge_mmHg=25), 4)
    0.75
    """
    _check_falling(aortic_mmHg, between_mmHg, distal_mmHg, wedge_mmHg)
    lost = (aortic_mmHg - wedge_mmHg) * (between_mmHg - distal_mmHg)
    return 1.0 - lost / (aortic_mmHg * (between_mmHg - wedge_mmHg))


def _check_falling(*pressures_mmHg: float) -> None:
    names = ("aortic_mmHg", "between_mmHg", "distal_mmHg", "wedge_mmHg")
    for k in range(1, len(names)):
        if not 0.0 <= pressures_mmHg[k] < pressures_mmHg[k - 1] < math.inf:
            raise InputError(
                "pressure falls along the vessel",
                field=names[k],
                value=pressures_mmHg[k],
                allowed=f"0 up to {names[k - 1]} = {pressures_mmHg[k - 1]:g}",
            )
