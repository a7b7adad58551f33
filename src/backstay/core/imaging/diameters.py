"""One diameter and its error from what each view shows, and what the views contradict each other in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d

from backstay.core.imaging.pairs import Doubt, Remark

FloatArray = NDArray[np.float64]

DIFFER_SHARE, DIFFER_OVER_MM = 0.25, 2.0
"""Two views of one lumen that differ by more than this share over so many millimetres are not both right: judgement, no source."""
PLACE_SD_MM = 0.25
"""Of the place along the vessel that a diameter is given for: rows are averaged along it, rays that lean cross more than one
place, and the places of the two views are matched. Chosen on vessels of the phantom, other ones than the study's."""


def both_views(
    diameters_mm: Sequence[FloatArray], sds_mm: Sequence[FloatArray], sines: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Return the diameter of both views, each by its error and by how squarely it sees the vessel, and its error.

    Parameters
    ----------
    diameters_mm, sds_mm : two ndarrays, shape (n,)
        Diameter along the vessel in either view, and its error [mm].
    sines : two ndarrays, shape (n,)
        Of the angle between ray and vessel.

    Returns
    -------
    diameter_mm, sd_mm : ndarray, shape (n,)
        Mean and its error: where the views differ by more than theirs (an oval lumen, another vessel over it), half the
        difference, which is the error of a mean of two.

    Notes
    -----
    A ray that leans through a narrowing crosses its shoulders, the more the more it leans: hence the fourth power.
    """
    weights = [sine**4 / sd**2 for sd, sine in zip(sds_mm, sines, strict=True)]
    total = np.sum(weights, axis=0)
    diameter = np.sum([w * d for w, d in zip(weights, diameters_mm, strict=True)], axis=0) / total
    sd = np.sqrt(np.sum([(w * e) ** 2 for w, e in zip(weights, sds_mm, strict=True)], axis=0)) / total
    return diameter, np.maximum(sd, 0.5 * np.abs(diameters_mm[0] - diameters_mm[1]))


def views_differ(s_mm: FloatArray, diameters_mm: Sequence[FloatArray]) -> tuple[Remark, ...]:
    """Return a remark where the views' diameters differ by too much over a stretch to be both right.

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Distance along the vessel [mm], evenly spaced.
    diameters_mm : two ndarrays, shape (n,)
        Diameter in either view [mm].

    Returns
    -------
    tuple of Remark
        One, of the place where they differ most; none where they agree.
    """
    one, other = diameters_mm
    share = np.abs(one - other) / (0.5 * (one + other))
    span = max(round(DIFFER_OVER_MM / (s_mm[1] - s_mm[0])), 1)
    lasting = minimum_filter1d(share, span)
    k = int(np.argmax(lasting))
    if lasting[k] <= DIFFER_SHARE:
        return ()
    text = (
        f"the views see {one[k]:.2f} and {other[k]:.2f} mm at {s_mm[k]:.0f} mm, too far apart for one lumen: another vessel over it in "
        "one view, or an oval lumen; look at both, set the edges by hand or choose other frames"
    )
    return (Remark(Doubt.DIAMETERS_DIFFER, False, text),)


def placed_sd_mm(diameter_mm: FloatArray, sd_mm: FloatArray, *, spacing_mm: float) -> FloatArray:
    """Return the error of diameters with that of their place along the vessel.

    Parameters
    ----------
    diameter_mm, sd_mm : ndarray, shape (n,)
        Diameter along the vessel, and its error at a place that is sure [mm].
    spacing_mm : float
        Distance of neighbours along the vessel [mm], above 0.

    Returns
    -------
    ndarray, shape (n,)
        Larger where the diameter changes along the vessel: at the flanks of a narrowing and where a branch leaves [mm].

    Examples
    --------
    A taper of 0.2 mm a millimetre:

    >>> placed_sd_mm(np.array([2.0, 1.9, 1.8]), np.zeros(3), spacing_mm=0.5).round(3).tolist()
    [0.05, 0.05, 0.05]
    """
    return np.hypot(sd_mm, PLACE_SD_MM * np.gradient(diameter_mm, spacing_mm))
