"""Kidney function from creatinine: an indexed filtration rate and a clearance in mL/min."""

from __future__ import annotations


def ckd_epi_2021(*, creatinine_mg_dL: float, age_y: float, female: bool) -> float:
    """Return the estimated filtration rate by the 2021 creatinine equation [@inker2021].

    Parameters
    ----------
    creatinine_mg_dL : float
        Serum creatinine [mg/dL].
    age_y : float
        Age [years]; the equation is for adults.
    female : bool
        Sex as the equation takes it.

    Returns
    -------
    float
        eGFR [mL/min per 1.73 m2 of body surface].

    Examples
    --------
    Two rows printed in the documentation of an open package (see tests/published):

    >>> round(ckd_epi_2021(creatinine_mg_dL=0.8, age_y=70, female=False), 1)
    95.2
    >>> round(ckd_epi_2021(creatinine_mg_dL=0.8, age_y=70, female=True), 1)
    79.2
    """
    kappa_mg_dL, alpha, sex_factor = (0.7, -0.241, 1.012) if female else (0.9, -0.302, 1.0)
    ratio = creatinine_mg_dL / kappa_mg_dL
    return float(142.0 * min(ratio, 1.0) ** alpha * max(ratio, 1.0) ** -1.200 * 0.9938**age_y * sex_factor)


def cockcroft_gault(*, creatinine_mg_dL: float, age_y: float, weight_kg: float, female: bool) -> float:
    """Return the creatinine clearance by Cockcroft and Gault [@cockcroft1976].

    Parameters
    ----------
    creatinine_mg_dL : float
        Serum creatinine [mg/dL].
    age_y : float
        Age [years].
    weight_kg : float
        Body weight [kg].
    female : bool
        Sex as the formula takes it.

    Returns
    -------
    float
        Clearance [mL/min], not indexed to body surface; none below 0, beyond 140 years.

    Examples
    --------
    >>> cockcroft_gault(creatinine_mg_dL=1.0, age_y=50, weight_kg=80, female=False)
    100.0
    """
    clearance = max(140.0 - age_y, 0.0) * weight_kg / (72.0 * creatinine_mg_dL)
    return 0.85 * clearance if female else clearance
