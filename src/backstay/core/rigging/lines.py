"""One check of what passes through what, and the worst of several."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from backstay.identifiers import Verdict

_ORDER = (Verdict.FITS, Verdict.TIGHT, Verdict.NO)


@dataclass(frozen=True)
class FitLine:
    """One check.

    Attributes
    ----------
    what, through : str
        What passes, and through what.
    verdict : Verdict
        Whether it does.
    spare_mm : float or None
        Free width left [mm]; None for a check of lengths, whose note says what is left.
    note : str
        What else to know.
    """

    what: str
    through: str
    verdict: Verdict
    spare_mm: float | None
    note: str = ""


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """Return the worst of several verdicts.

    Parameters
    ----------
    verdicts : iterable of Verdict
        Any number; none is a fit.

    Returns
    -------
    Verdict
        The worst.
    """
    return max(verdicts, key=_ORDER.index, default=Verdict.FITS)
