"""Grey values of a frame as contrast density: a number that grows with the contrast a ray has passed."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from backstay.errors import InputError
from backstay.identifiers import Intensity

FloatArray = NDArray[np.float64]


def density(frame: ArrayLike, *, intensity: Intensity, most: float, inverted: bool = False) -> FloatArray:
    """Return how much each pixel's ray was weakened, up to a factor and an offset.

    Parameters
    ----------
    frame : array_like, shape (rows, columns)
        Grey values.
    intensity : Intensity
        How grey values follow the signal of the receptor.
    most : float
        Largest grey value the file's bits allow.
    inverted : bool
        Whether a larger grey value means less signal.

    Returns
    -------
    ndarray, shape (rows, columns)
        -log of the signal where it is linear; otherwise the grey scale itself, turned so that contrast is high.
        In units of e-folds for a linear signal, of the grey range for the others.

    Raises
    ------
    InputError
        A frame without rows and columns, or of one grey value.
    """
    grey = np.asarray(frame, dtype=np.float64)
    if grey.ndim != 2 or min(grey.shape) < 16:
        raise InputError(
            "a frame needs rows and columns", field="frame", value=grey.shape, allowed="16 x 16 or more"
        )
    if not np.ptp(grey) > 0.0:
        raise InputError("the frame has one grey value only", field="frame", allowed="a picture")
    signal = (most - grey if inverted else grey) / most
    if intensity is Intensity.LINEAR:
        # Half a grey step keeps black finite.
        return np.asarray(-np.log(np.maximum(signal, 0.5 / most)))
    return -signal
