"""Diameter by pressure from a device's compliance table: interpolated, never beyond the table or rated burst."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from backstay.core.rigging.devices import Balloon, Stent
from backstay.errors import OutsideValidity

Inflatable = Balloon | Stent
WHOLE_ATM = 1.0
"""An inflation device is read to the whole atmosphere."""


@dataclass(frozen=True)
class Inflation:
    """A balloon, or a stent on its balloon, at a pressure.

    Attributes
    ----------
    pressure_atm : float
        Pressure, whole atmospheres.
    diameter_mm : float
        Size by the table at that pressure.
    at_most : bool
        It is the highest pressure allowed, and the size wanted was not reached.
    """

    pressure_atm: float
    diameter_mm: float
    at_most: bool


def table_of(device: Inflatable) -> tuple[tuple[float, float], ...]:
    """Return the part of a device's compliance table that may be used.

    Parameters
    ----------
    device : Balloon or Stent
        The device.

    Returns
    -------
    tuple of (float, float)
        Pressure [atm] and diameter [mm], pressure rising, up to rated burst. Without a table on the shelf it
        is the label alone: nominal pressure and size. Empty where the table begins above rated burst.

    Notes
    -----
    What "rated burst" means is told in two ways: the pressure at which 99.9 % of balloons hold with 95 %
    confidence (from memory), and the pressure at which 1 % burst (a teaching page). It is a limit either way.
    """
    rows = device.compliance or ((device.nominal_atm, device.nominal_diameter_mm),)
    top = device.rated_burst_atm
    below = tuple(row for row in rows if row[0] <= top)
    if rows[0][0] < top < rows[-1][0] and below[-1][0] < top:
        pressures, sizes = zip(*rows, strict=True)
        return (*below, (top, float(np.interp(top, pressures, sizes))))
    return below


def diameter_at_mm(device: Inflatable, pressure_atm: float) -> float:
    """Return a device's size at a pressure, by its table.

    Parameters
    ----------
    device : Balloon or Stent
        The device.
    pressure_atm : float
        Pressure [atm].

    Returns
    -------
    float
        Diameter [mm], interpolated.

    Raises
    ------
    OutsideValidity
        Below the table, above it, or above rated burst; or no part of the table lies below that.
    """
    rows = table_of(device)
    if not rows:
        raise OutsideValidity(
            f"{device.name}: its table begins above rated burst",
            field="pressure_atm",
            value=pressure_atm,
            allowed=f"none: rated burst is {device.rated_burst_atm:g} atm",
        )
    low, high = rows[0][0], rows[-1][0]
    if not low <= pressure_atm <= high:
        limit = "rated burst" if pressure_atm > device.rated_burst_atm else "what its table holds"
        raise OutsideValidity(
            f"{device.name}: beyond {limit}",
            field="pressure_atm",
            value=pressure_atm,
            allowed=f"{low:g} to {high:g} atm" if high > low else f"{low:g} atm, the label's",
        )
    pressures, sizes = zip(*rows, strict=True)
    return float(np.interp(pressure_atm, pressures, sizes))


def inflation_to(
    device: Inflatable, diameter_mm: float, *, between_atm: tuple[float, float] | None = None
) -> Inflation | None:
    """Return the highest whole pressure at which a device is no larger than wanted.

    Parameters
    ----------
    device : Balloon or Stent
        The device.
    diameter_mm : float
        Size wanted [mm].
    between_atm : tuple of float, optional
        Lowest and highest pressure it works at [atm], besides its table and rated burst.

    Returns
    -------
    Inflation or None
        Pressure and size; None where the device is larger than wanted at the lowest pressure, or may not be used
        at any.

    Examples
    --------
    >>> from dataclasses import fields
    >>> values = {f.name: 1.0 for f in fields(Balloon)}
    >>> given = {"name": "balloon", "compliance": ((8.0, 2.9), (12.0, 3.0), (20.0, 3.1))}
    >>> balloon = Balloon(**{**values, **given, "rated_burst_atm": 18.0})
    >>> inflation_to(balloon, 3.05)
    Inflation(pressure_atm=16.0, diameter_mm=3.05, at_most=False)
    >>> inflation_to(balloon, 3.5).pressure_atm
    18.0
    """
    rows = table_of(device)
    if not rows:
        return None
    low, high = rows[0][0], rows[-1][0]
    least_atm, most_atm = between_atm or (low, high)
    if high == low:
        fits = least_atm <= low <= most_atm and rows[0][1] <= diameter_mm + 1e-9
        return Inflation(low, rows[0][1], rows[0][1] < diameter_mm - 1e-9) if fits else None
    first, last = max(low, least_atm), min(high, most_atm)
    pressures = np.arange(math.ceil(first - 1e-9), math.floor(last) + 1, WHOLE_ATM)
    if pressures.size == 0:
        return None
    sizes = np.interp(pressures, [row[0] for row in rows], [row[1] for row in rows])
    fitting = np.flatnonzero(sizes <= diameter_mm + 1e-9)
    if fitting.size == 0:
        return None
    k = int(fitting[-1])
    at_most = k == len(pressures) - 1 and bool(sizes[k] < diameter_mm - 0.005)
    return Inflation(float(pressures[k]), round(float(sizes[k]), 3), at_most)


def stent_inflation(stent: Stent, diameter_mm: float) -> Inflation | None:
    """Return the pressure that opens a stent to a size, never below its nominal pressure.

    Parameters
    ----------
    stent : Stent
        The device.
    diameter_mm : float
        Size wanted [mm].

    Returns
    -------
    Inflation or None
        The highest whole pressure at which it is no larger than wanted, the nominal one where it is larger there
        (a table is rounded, and the label may be the size wanted); None where that passes the platform's limit
        or its table knows no such pressure.

    Examples
    --------
    >>> from dataclasses import fields
    >>> values = {f.name: 1.0 for f in fields(Stent)}
    >>> given = {"name": "stent", "compliance": ((9.0, 2.97), (11.0, 3.02), (16.0, 3.2)), "rated_burst_atm": 16.0}
    >>> stent = Stent(**{**values, **given, "nominal_atm": 11.0, "nominal_diameter_mm": 3.0, "expansion_limit_mm": 3.5})
    >>> stent_inflation(stent, 3.0)
    Inflation(pressure_atm=11.0, diameter_mm=3.02, at_most=False)
    """
    from_nominal = (stent.nominal_atm, math.inf)
    at_most_mm = min(diameter_mm, stent.expansion_limit_mm)
    found = inflation_to(stent, at_most_mm, between_atm=from_nominal)
    if found is not None or not table_of(stent):
        return found
    lowest_atm = max(math.ceil(stent.nominal_atm - 1e-9), math.ceil(table_of(stent)[0][0] - 1e-9))
    lowest = inflation_to(stent, stent.expansion_limit_mm, between_atm=(lowest_atm, lowest_atm))
    return None if lowest is None else replace(lowest, at_most=False)
