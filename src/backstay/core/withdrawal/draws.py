"""The uncertain inputs that only the way back out needs, drawn beside those of the way in."""

from __future__ import annotations

from dataclasses import replace

from backstay.core.inference.draws import DrawSet, DrawSpec, sample
from backstay.identifiers import Evidence

_JUDGEMENT = Evidence.JUDGEMENT.value

WAY_BACK_DRAWS: tuple[DrawSpec, ...] = (
    # Drawn in, a guide has no wall to lean on: its own curve holds it. From twelve guides of 6 Fr as elastic curves (core.guide), over the
    # first millimetre: median 0.8, logarithms spread by 0.47. Nobody measured it.
    DrawSpec(
        "guide_in_share",
        "stiffness of the guide drawn in, against its stiffness pushed out",
        "",
        0.8,
        0.45,
        "lognormal",
        Evidence.DERIVED.value,
        Evidence.DERIVED.value,
    ),
    DrawSpec(
        "rim_slope",
        "slope with which a crimped stent's rear edge meets the rim it returns into",
        "rad",
        0.30,
        0.40,
        "lognormal",
        _JUDGEMENT,
        _JUDGEMENT,
    ),
    DrawSpec(
        "stent_end_slope",
        "slope of an opened stent's end against the wall",
        "rad",
        0.30,
        0.40,
        "lognormal",
        _JUDGEMENT,
        _JUDGEMENT,
    ),
    # 0.45 to 0.76 N/mm for coated stents, rising with the speed of the pull [@bognar2010]: the middle and half the span of their
    # logarithms.
    DrawSpec(
        "stent_grip_N_per_mm",
        "hold of a crimped stent on its balloon, per length",
        "N/mm",
        0.585,
        0.26,
        "lognormal",
        "bognar2010",
        Evidence.DERIVED.value,
    ),
    # The load with which a caught catheter tip shortens a fresh stent [@prabhu2012]: an order of magnitude, so the spread is wide.
    DrawSpec(
        "stent_gives_N",
        "load along its length that moves or shortens an opened stent (order of magnitude)",
        "N",
        0.49,
        0.70,
        "lognormal",
        "prabhu2012",
        _JUDGEMENT,
    ),
    # A core of 0.05 mm breaks at 2.3 N (nitinol) to 5.1 N (cobalt alloy), one of 0.08 mm at 5.9 to 13.1 N [@snider2019]; the diameters are
    # assumed.
    DrawSpec(
        "wire_end_strength_N",
        "pull that breaks the soft end of a wire",
        "N",
        5.1,
        0.45,
        "lognormal",
        "snider2019",
        Evidence.DERIVED.value,
    ),
)
"""What the way back adds to the table of uncertain inputs."""


def with_way_back(draws: DrawSet, *, seed: int, specs: tuple[DrawSpec, ...] = WAY_BACK_DRAWS) -> DrawSet:
    """Return the draws with those of the way back beside them.

    Parameters
    ----------
    draws : DrawSet
        Draws of the way in; they stay as they are.
    seed : int
        Seed of the scrambling.
    specs : tuple of DrawSpec
        What the way back adds, with the case's own medians and spreads.

    Returns
    -------
    DrawSet
        The same draws with more inputs: keep or drop rows of all of them together.

    Notes
    -----
    The new inputs take the dimensions of the Sobol sequence that follow those already used, so that they are independent of them whatever
    the seed.

    Examples
    --------
    >>> from backstay.core.inference.draws import DEFAULT_DRAWS
    >>> draws = with_way_back(sample(DEFAULT_DRAWS, count=256, seed=1), seed=1)
    >>> draws.count, round(float(draws["stent_gives_N"].min()), 1) < 0.3
    (256, True)
    """
    missing = tuple(spec for spec in specs if spec.name not in draws.values)
    if not missing:
        return draws
    joined = sample((*draws.specs, *missing), count=draws.count, seed=seed)
    added = {spec.name: joined.values[spec.name] for spec in missing}
    return replace(draws, values={**draws.values, **added}, specs=(*draws.specs, *missing))
