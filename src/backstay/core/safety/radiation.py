"""Levels of radiation during a case, and what a dose to the skin may do afterwards."""

from __future__ import annotations

import math
from dataclasses import dataclass

from backstay.core.safety.protocol import Protocol
from backstay.identifiers import Evidence


@dataclass(frozen=True)
class LevelReached:
    """Where one quantity stands against its levels.

    Attributes
    ----------
    what : str
        The quantity, in words.
    value : float or None
        As it stands; None where it is not known.
    unit : str
        Its unit.
    notices : int
        How many notices it has passed.
    next_notice : float
        The next one.
    substantial : float
        The substantial level.
    past_substantial : bool
        It is at or past that level.
    source : str
        Whose the substantial level is.
    notice_source : str
        Whose the notices are.
    """

    what: str
    value: float | None
    unit: str
    notices: int
    next_notice: float
    substantial: float
    past_substantial: bool
    source: str
    notice_source: str


def notices_passed(value: float, *, first: float, step: float) -> int:
    """Return how many notices a running total has passed.

    Parameters
    ----------
    value : float
        The total.
    first, step : float
        The first notice, and every so much after it; same unit.

    Returns
    -------
    int
        0 below the first; at a notice it counts as passed.

    Examples
    --------
    >>> [notices_passed(x, first=3000, step=1000) for x in (2999, 3000, 3999, 4000)]
    [0, 1, 1, 2]
    """
    if value < first:
        return 0
    # A hair of rounding must not swallow a notice.
    return 1 + math.floor((value - first) / step + 1e-9)


def radiation_levels(
    protocol: Protocol,
    *,
    air_kerma_mGy: float | None,
    kap_Gycm2: float | None,
    fluoroscopy_min: float | None,
) -> tuple[LevelReached, ...]:
    """Return where air kerma, kerma-area product and fluoroscopy time stand [@aapm2022; @ncrp168].

    Parameters
    ----------
    protocol : Protocol
        The levels, and which of them the lab set.
    air_kerma_mGy : float or None
        Air kerma at the reference point [mGy].
    kap_Gycm2 : float or None
        Air kerma-area product [Gy cm2].
    fluoroscopy_min : float or None
        Fluoroscopy time [min].

    Returns
    -------
    tuple of LevelReached
        Air kerma first. Levels of the other two are from memory unless the lab set them.
    """
    rows = (
        ("air kerma at the reference point", air_kerma_mGy, "mGy", "notice_mGy", "substantial_mGy", "aapm2022"),
        ("air kerma-area product", kap_Gycm2, "Gy cm2", "kap_Gycm2", "substantial_kap_Gycm2", "ncrp168"),
        ("fluoroscopy time", fluoroscopy_min, "min", "fluoroscopy_min", "substantial_fluoroscopy_min", "ncrp168"),
    )  # fmt: skip
    return tuple(_level(protocol, *row) for row in rows)


def _level(
    protocol: Protocol, what: str, value: float | None, unit: str, notice: str, level: str, source: str
) -> LevelReached:
    r = protocol.radiation
    first, step, substantial = (getattr(r, name) for name in (f"first_{notice}", f"next_{notice}", level))
    passed = 0 if value is None else notices_passed(value, first=first, step=step)
    return LevelReached(
        what,
        value,
        unit,
        passed,
        first + passed * step,
        substantial,
        value is not None and value >= substantial,
        protocol.whose(f"radiation.{level}", otherwise=source),
        protocol.whose(f"radiation.first_{notice}", f"radiation.next_{notice}", otherwise=source),
    )


@dataclass(frozen=True)
class SkinBand:
    """What a single dose to the skin may do, and what to do about it.

    Attributes
    ----------
    from_Gy, to_Gy : float
        The band; its upper end belongs to the next.
    grade : str
        Grade of the reaction to be expected [@balter2010].
    effect : str
        In words; from memory above 5 Gy, where only the grades were read.
    advice : str
        Follow-up.
    advice_source : str
        Whose advice.
    """

    from_Gy: float
    to_Gy: float
    grade: str
    effect: str
    advice: str
    advice_source: str = Evidence.COMMON_PRACTICE.value


SKIN_BANDS = (
    SkinBand(0.0, 2.0, "none expected", "no visible effect expected", "none needed for the skin"),
    SkinBand(
        2.0,
        5.0,
        "1",
        "passing redness, hair loss that grows back",
        "tell the patient where to look; call back if redness lasts; from 3 Gy record and inform the physicist",
    ),
    SkinBand(
        5.0,
        10.0,
        "1 to 2",
        "redness, hair loss, perhaps lasting; recovery or mild late change",
        "written advice; the skin looked at 2 to 4 weeks later and again after months; physicist's estimate",
    ),
    SkinBand(
        10.0,
        15.0,
        "2 to 3",
        "moist breakdown of the skin possible; late thinning of the skin",
        "written advice; the skin looked at 2 to 4 weeks later and again after months; physicist's estimate now; "
        "dermatology early; no further dose to that skin for months",
    ),
    SkinBand(
        15.0,
        math.inf,
        "3 to 4",
        "skin may break down and not heal without surgery",
        "written advice; the skin looked at 2 to 4 weeks later and again after months; physicist's estimate now; "
        "dermatology early; no further dose to that skin for months; the local review of a serious event",
    ),
)


def skin_band(dose_Gy: float) -> SkinBand:
    """Return the band a single dose to the skin lies in [@balter2010].

    Parameters
    ----------
    dose_Gy : float
        Dose to the skin in one case [Gy].

    Returns
    -------
    SkinBand
        A band's lower edge belongs to it.

    Examples
    --------
    >>> skin_band(2.0).grade, skin_band(1.99).grade
    ('1', 'none expected')
    """
    return next(band for band in SKIN_BANDS if dose_Gy < band.to_Gy)
