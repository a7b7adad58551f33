"""A guide's cross-section and what it makes of bending, twist and stretch."""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.errors import InputError


@dataclass(frozen=True)
class Wall:
    """What a guide's wall is made of, as one material.

    Attributes
    ----------
    modulus_MPa : float
        Bending modulus of the shaft. Nylon or polyether block amide round a steel braid, at body temperature: 1000 to 4000 MPa; judgement,
        no source (20 cm of a 6 Fr guide sag by about 2 cm under their own weight).
    tip_share : float
        Modulus of the soft tip against the shaft; judgement.
    tip_mm : float
        Length of the soft tip; common practice, no source.
    """

    modulus_MPa: float = 2000.0
    tip_share: float = 0.5
    tip_mm: float = 5.0


MODULUS_RANGE_MPA = (1000.0, 4000.0)
_POISSON = 0.4
_SHEAR_SHARE = 0.5


@dataclass(frozen=True)
class Section:
    """Stiffness of a tube's section.

    Attributes
    ----------
    bending_Nmm2, twist_Nmm2 : float
        Against bending and twist.
    stretch_N, shear_N : float
        Against stretch and shear.
    radius_mm : float
        Outer radius.
    """

    bending_Nmm2: float
    twist_Nmm2: float
    stretch_N: float
    shear_N: float
    radius_mm: float


def tube_section(*, outer_mm: float, bore_mm: float, modulus_MPa: float) -> Section:
    """Return the stiffness of a tube of one material.

    Parameters
    ----------
    outer_mm, bore_mm : float
        Diameters [mm].
    modulus_MPa : float
        Modulus.

    Returns
    -------
    Section
        E I = E pi (D^4 - d^4) / 64, twist with G = E / (2 (1 + 0.4)), stretch E A, shear half G A.

    Raises
    ------
    InputError
        The bore is not smaller than the tube, or a value is not positive.

    Examples
    --------
    >>> round(tube_section(outer_mm=2.0, bore_mm=1.8, modulus_MPa=2000.0).bending_Nmm2)
    540
    """
    if not 0.0 <= bore_mm < outer_mm:
        raise InputError(
            "the bore must be smaller than the tube",
            field="bore_mm",
            value=bore_mm,
            allowed=f"0 to below {outer_mm:g}",
        )
    if not modulus_MPa > 0.0:
        raise InputError(
            "a modulus must be positive", field="modulus_MPa", value=modulus_MPa, allowed="above 0"
        )
    inertia = math.pi / 64.0 * (outer_mm**4 - bore_mm**4)
    area = math.pi / 4.0 * (outer_mm**2 - bore_mm**2)
    shear = modulus_MPa / (2.0 * (1.0 + _POISSON))
    return Section(
        modulus_MPa * inertia,
        2.0 * shear * inertia,
        modulus_MPa * area,
        _SHEAR_SHARE * shear * area,
        0.5 * outer_mm,
    )
