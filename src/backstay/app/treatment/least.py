"""The least result to accept of a case's treatment, in words, to be said aloud before it."""

from __future__ import annotations

from backstay.app.loading import LoadedCase
from backstay.app.treatment.sizing import size_case
from backstay.sources import source

SOURCE = "raber2018"
LEFT_MAIN = "; the sets for the left main disagree, say which one counts"


def minimum_results(case: LoadedCase) -> list[str]:
    """Return the least stent area of every stretch that is to be treated.

    Parameters
    ----------
    case : LoadedCase
        The case.

    Returns
    -------
    list of str
        Empty where nothing is to be treated.
    """
    mark = ", from memory" if source(SOURCE).read_as == "memory" else ""
    found = size_case(case).stretches
    return [
        f"{one.from_mm:.0f} to {one.to_mm:.0f} mm: stent area {one.expected.least_area_mm2:.1f} mm2 or more "
        f"({one.expected.least_diameter_mm:.2f} mm round), 80 % of the mean reference lumen ({SOURCE}{mark})"
        + (f"; {one.expected.least_note}" if one.expected.least_note else "")
        + (LEFT_MAIN if one.expected.left_main else "")
        for one in found
    ]
