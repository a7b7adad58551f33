"""Whether a lesion is seen to open: in which draws a balloon of the distal reference's size loses its waist.

No measurement of what a balloon opens was found. The number here is a judgement, wide, and unvalidated; against
published shares of lesions that a strategy opened see docs/validation.md.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from backstay.core.anatomy.lesion import Lesion
from backstay.core.inference.draws import DrawSet
from backstay.core.mechanics.crossing import RADIAL_STIFFNESS_MPa, softening
from backstay.identifiers import Calcium

OPENED_MPa = RADIAL_STIFFNESS_MPa[Calcium.SEVERE]
"""Radial stiffness of a lesion that a balloon at its rated pressure opens in half of all cases: judgement, no source."""
OPENED_SPREAD = 0.5
"""Spread of its logarithm: judgement, no source."""
_SEED = 20_240_611


OPENING_SCORE = "opening_score"
"""Name of the draw's own score, standard normal, that `with_opening` lays beside the uncertain inputs."""


def with_opening(draws: DrawSet, *, block: int = 0) -> DrawSet:
    """Return draws with a score for what a balloon opens beside them.

    Parameters
    ----------
    draws : DrawSet
        Uncertain inputs.
    block : int
        Number of the part of a longer sequence that they are; every part has scores of its own.

    Returns
    -------
    DrawSet
        The same draws; those that have scores keep them.
    """
    if OPENING_SCORE in draws.values:
        return draws
    score = np.random.default_rng((_SEED, block)).standard_normal(draws.count)
    return DrawSet({**draws.values, OPENING_SCORE: score}, draws.count, draws.specs)


def opens(lesions: Sequence[Lesion], draws: DrawSet) -> NDArray[np.bool_]:
    """Return the draws in which a balloon sized to the distal reference opens every one of some lesions.

    Parameters
    ----------
    lesions : sequence of Lesion
        As they are when the balloon is inflated, what it does itself counted in.
    draws : DrawSet
        Uncertain inputs (`lesion_factor`), with `with_opening`.

    Returns
    -------
    ndarray of bool, shape (count,)
        A draw's balloon opens up to one stiffness, the same for every try: what did not open is less likely to
        open next time.

    Examples
    --------
    >>> from backstay.core.inference.draws import DEFAULT_DRAWS, sample
    >>> draws = with_opening(sample(DEFAULT_DRAWS, count=1024, seed=1))
    >>> hard = Lesion(from_mm=10.0, to_mm=20.0, calcium=Calcium.SEVERE)
    >>> round(float(opens([hard], draws).mean()), 1)
    0.5
    """
    opened_MPa = OPENED_MPa * np.exp(OPENED_SPREAD * draws[OPENING_SCORE])
    found = np.ones(draws.count, dtype=bool)
    for lesion in lesions:
        stiffness = RADIAL_STIFFNESS_MPa[lesion.calcium] * softening(lesion.prepared)
        found &= stiffness * draws["lesion_factor"] <= opened_MPa
    return found
