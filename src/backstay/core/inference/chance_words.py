"""A chance in words, for people who act on it."""

from __future__ import annotations

import math

from backstay.errors import InputError


def chance_words(value: float) -> str:
    """Return a chance as a count in ten, or in twenty near the ends.

    Parameters
    ----------
    value : float
        Probability, 0 to 1.

    Returns
    -------
    str
        Words to the nearest tenth; below 0.05 and above 0.95 they only say on which side.

    Raises
    ------
    InputError
        Not a probability.

    Notes
    -----
    No tenth is shown as certain: a model that is not calibrated has no business saying "never" or "always".

    Examples
    --------
    >>> chance_words(0.88)
    'about 9 in 10'
    >>> chance_words(0.02), chance_words(0.99)
    ('fewer than 1 in 20', 'more than 19 in 20')
    """
    if not 0.0 <= value <= 1.0:  # also refuses NaN
        raise InputError("a chance lies between 0 and 1", field="value", value=value, allowed="0 to 1")
    if value < 0.05:
        return "fewer than 1 in 20"
    if value > 0.95:
        return "more than 19 in 20"
    # Half a tenth rounds up; the small term keeps 0.15 and the like, which floats miss by a hair, there.
    return f"about {min(9, math.floor(10.0 * value + 0.5 + 1e-9))} in 10"
