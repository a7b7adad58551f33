"""Unit conversions, in one place. Inside the core everything is mm, N, s, rad (so MPa and N mm2).

>>> round(french_to_mm(6), 3)
2.0
>>> round(inch_to_mm(0.014), 4)
0.3556
"""

from __future__ import annotations

import math

MM_PER_INCH = 25.4
MM_PER_FRENCH = 1.0 / 3.0
N_PER_GRAM_FORCE = 9.80665e-3
MPA_PER_ATM = 0.101325
MPA_PER_BAR = 0.1
MPA_PER_MMHG = 133.322387415e-6


def french_to_mm(size_fr: float) -> float:
    """Return the outer diameter in mm of a size in French (three French to the millimetre)."""
    return size_fr * MM_PER_FRENCH


def mm_to_french(diameter_mm: float) -> float:
    """Return the size in French of an outer diameter in mm."""
    return diameter_mm / MM_PER_FRENCH


def inch_to_mm(length_in: float) -> float:
    """Return a length in mm from inches."""
    return length_in * MM_PER_INCH


def mm_to_inch(length_mm: float) -> float:
    """Return a length in inches from mm."""
    return length_mm / MM_PER_INCH


def gram_force_to_N(force_gf: float) -> float:
    """Return a force in N from grams-force (standard gravity)."""
    return force_gf * N_PER_GRAM_FORCE


def atm_to_MPa(pressure_atm: float) -> float:
    """Return a pressure in MPa from standard atmospheres."""
    return pressure_atm * MPA_PER_ATM


def bar_to_atm(pressure_bar: float) -> float:
    """Return a pressure in standard atmospheres from bar."""
    return pressure_bar * MPA_PER_BAR / MPA_PER_ATM


def deg_to_rad(angle_deg: float) -> float:
    """Return an angle in rad from degrees."""
    return math.radians(angle_deg)


def rad_to_deg(angle_rad: float) -> float:
    """Return an angle in degrees from rad."""
    return math.degrees(angle_rad)


# UCUM codes as dose reports and dose summaries use them, and what one of each is in the unit named.
MGY_PER: dict[str, float] = {"Gy": 1e3, "dGy": 1e2, "cGy": 10.0, "mGy": 1.0, "uGy": 1e-3}
GYCM2_PER: dict[str, float] = {
    "Gy.m2": 1e4,
    "mGy.m2": 10.0,
    "uGy.m2": 1e-2,
    "Gy.cm2": 1.0,
    "dGy.cm2": 0.1,
    "cGy.cm2": 1e-2,
    "mGy.cm2": 1e-3,
    "uGy.cm2": 1e-6,
}
MM_PER: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1e3}
MM2_PER: dict[str, float] = {"mm2": 1.0, "cm2": 1e2, "m2": 1e6}
S_PER: dict[str, float] = {"s": 1.0, "ms": 1e-3, "min": 60.0, "h": 3600.0}
DEG_PER: dict[str, float] = {"deg": 1.0, "rad": 180.0 / math.pi}
UMOL_L_PER_MG_DL = 88.4
"""Of creatinine; from memory."""


def mmHg_to_MPa(pressure_mmHg: float) -> float:
    """Return a pressure in MPa from millimetres of mercury."""
    return pressure_mmHg * MPA_PER_MMHG


def MPa_to_mmHg(pressure_MPa: float) -> float:
    """Return a pressure in millimetres of mercury from MPa."""
    return pressure_MPa / MPA_PER_MMHG


def mL_min_to_mm3_s(flow_mL_min: float) -> float:
    """Return a flow in mm3/s from mL/min."""
    return flow_mL_min * 1000.0 / 60.0


def mPas_to_MPas(viscosity_mPas: float) -> float:
    """Return a viscosity in MPa s, the unit that goes with mm, N and s, from mPa s."""
    return viscosity_mPas * 1e-9


def kg_m3_to_t_mm3(density_kg_m3: float) -> float:
    """Return a density in tonnes per mm3, the unit that goes with mm, N and s, from kg/m3."""
    return density_kg_m3 * 1e-12
