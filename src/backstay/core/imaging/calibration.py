"""How many millimetres a pixel spans, by the geometry in the file or by a catheter of known size; each with its error."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.imaging.pairs import Doubt, Remark
from backstay.core.imaging.projection import View
from backstay.core.imaging.rowfit import RowFits
from backstay.errors import InputError
from backstay.identifiers import CalibrationKind
from backstay.units import french_to_mm

FloatArray = NDArray[np.float64]

GEOMETRY_SD_SHARE = 0.015
"""Of a scale from tags: an object 11 mm off the isocentre at 750 mm; judgement, no source."""
GUESSED_SOURCE_SD_SHARE = 0.04
"""Where the source's distance is the one to the patient, not to the isocentre: 788 and 810 mm were seen where 750 was
likely, +6 %; judgement, no source."""
CATHETER_SD_SHARE = 0.05
"""Errors of catheter calibration reach from -15.5 to +4 % by what fills the catheter [@herrman1994], about +1 % filled
with contrast on digital frames [@tadehara2001]; a depth other than the vessel's adds 1 % for each 7.5 mm."""
SCALES_DIFFER_SDS = 2.0
"""Tags and catheter that differ by more than so many of their errors together are not both right: judgement, no source."""
SMALLEST_FR, LARGEST_FR = 4.0, 8.0
FEWEST_ROWS = 12


@dataclass(frozen=True)
class Calibration:
    """The scale of one image.

    Attributes
    ----------
    mm_per_px : float
        In the plane of the isocentre.
    sd_share : float
        Its error as a share of it (one standard deviation).
    kind : CalibrationKind
        Where it comes from.
    """

    mm_per_px: float
    sd_share: float
    kind: CalibrationKind


def from_geometry(view: View, *, source_is_guess: bool = False) -> Calibration:
    """Return the scale that distances and pixel spacing give.

    Parameters
    ----------
    view : View
        The image's geometry.
    source_is_guess : bool
        Whether the source's distance was taken from a tag that may mean something else.

    Returns
    -------
    Calibration
        Pixel spacing at the receptor x source-isocentre / source-receptor.

    Examples
    --------
    >>> a = View(0.0, 0.0, 1000.0, 765.0, 0.2, 0.2, 512, 512)
    >>> round(from_geometry(a).mm_per_px, 4)
    0.153
    """
    share = GUESSED_SOURCE_SD_SHARE if source_is_guess else GEOMETRY_SD_SHARE
    return Calibration(view.isocentre_mm_per_px, share, CalibrationKind.GEOMETRY)


def from_catheter(diameter_px: float, *, size_fr: float, diameter_sd_px: float = 0.0) -> Calibration:
    """Return the scale that a catheter of known outer size gives.

    Parameters
    ----------
    diameter_px : float
        Its width on the image [px].
    size_fr : float
        Its outer size in French.
    diameter_sd_px : float
        Error of the width [px].

    Returns
    -------
    Calibration
        Scale at the catheter's own depth, taken for the isocentre's plane; the error allows for that.

    Raises
    ------
    InputError
        A size no guide has, or a width of less than 4 px.

    Examples
    --------
    >>> round(from_catheter(14.0, size_fr=6.0).mm_per_px, 4)
    0.1429
    """
    if not SMALLEST_FR <= size_fr <= LARGEST_FR:
        raise InputError(
            "no guide has this size",
            field="catheter_fr",
            value=size_fr,
            allowed=f"{SMALLEST_FR:g} to {LARGEST_FR:g}",
        )
    if not 4.0 <= diameter_px < 200.0:
        raise InputError(
            "the catheter is too narrow on the image to calibrate by",
            field="catheter",
            value=f"{diameter_px:.1f} px",
            allowed="4 px or more",
        )
    share = float(np.hypot(CATHETER_SD_SHARE, diameter_sd_px / diameter_px))
    return Calibration(french_to_mm(size_fr) / diameter_px, share, CalibrationKind.CATHETER)


def scale_remarks(used: Calibration, tagged: Calibration | None, name: str) -> tuple[Remark, ...]:
    """Return what gives reason to doubt an image's scale.

    Parameters
    ----------
    used : Calibration
        The scale that is used.
    tagged : Calibration, optional
        What tags and user give, where that is all there.
    name : str
        What to call the run.

    Returns
    -------
    tuple of Remark
        One where the scale rests on a guess, or on a catheter that the tags contradict; none otherwise.
    """
    if used.kind is CalibrationKind.GEOMETRY:
        if used.sd_share < GUESSED_SOURCE_SD_SHARE:
            return ()
        text = (
            f"{name}: the scale rests on a tag that may mean something else: lengths and diameters are sure to "
            f"{100.0 * used.sd_share:.0f} % (one standard deviation); set isocentre_mm and pixel_mm for the room, or mark the catheter"
        )
        return (Remark(Doubt.SCALE, False, text),)
    if tagged is None:
        return ()
    share = used.mm_per_px / tagged.mm_per_px - 1.0
    if abs(share) <= SCALES_DIFFER_SDS * float(np.hypot(used.sd_share, tagged.sd_share)):
        return ()
    text = (
        f"{name}: the catheter gives {used.mm_per_px:.4f} mm a pixel, the tags {tagged.mm_per_px:.4f} ({100.0 * share:+.0f} %), too far "
        "apart for both to be right: is size_fr the catheter's, and do the clicks lie on its shaft?"
    )
    return (Remark(Doubt.SCALE, False, text),)


def catheter_width_px(fits: RowFits) -> tuple[float, float]:
    """Return the width of a traced catheter and its error.

    Parameters
    ----------
    fits : RowFits
        Fitted along the catheter, amplitude free.

    Returns
    -------
    diameter_px, sd_px : float
        Median of the rows that fit, and the error of that median [px].

    Raises
    ------
    InputError
        Too few rows fit.
    """
    good = fits.explained > 0.5
    if good.sum() < FEWEST_ROWS:
        raise InputError(
            "the catheter cannot be made out along these clicks",
            field="catheter",
            value=f"{int(good.sum())} rows",
            allowed=f"{FEWEST_ROWS} or more that fit",
        )
    widths = fits.diameter_px[good]
    middle = float(np.median(widths))
    spread = 1.4826 * float(np.median(np.abs(widths - middle)))
    # Rows next to each other are averaged: about one in five stands alone.
    return middle, 1.25 * spread / np.sqrt(good.sum() / 5.0)


def scaled_view(view: View, calibration: Calibration) -> View:
    """Return the view whose isocentre plane has the calibrated scale; distances stay, pixel spacing changes.

    Parameters
    ----------
    view : View
        As tagged, or with a nominal spacing.
    calibration : Calibration
        Measured scale.

    Returns
    -------
    View
        With the pixel spacing that gives this scale.
    """
    factor = calibration.mm_per_px / view.isocentre_mm_per_px
    return replace(view, row_mm=view.row_mm * factor, column_mm=view.column_mm * factor)
