"""The uncertain inputs: one table of medians and spreads, and Sobol samples of them.

Nobody knows a patient's wall friction or how well a guide holds; every result is therefore a distribution
over these inputs. The table is the user's to change, by name; what has no published source says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit, ndtri

from backstay.errors import InputError, NotFound
from backstay.identifiers import Evidence

FloatArray = NDArray[np.float64]
Kind = Literal["lognormal", "normal", "logit"]

_JUDGEMENT = Evidence.JUDGEMENT.value
_SOBOL_BITS = 30


@dataclass(frozen=True)
class DrawSpec:
    """One uncertain input.

    Attributes
    ----------
    name : str
        Short name, as in the `[draws]` table of a case file.
    label, unit : str
        What it is, in plain words, and its unit ("" for a plain number).
    median, spread : float
        With z standard normal: "lognormal" is median * exp(spread z), so about two thirds of the draws lie
        within a factor exp(spread) of the median; "normal" is median + spread z; "logit" is a share whose
        log-odds are normal about those of the median.
    kind : str
        One of the three.
    source : str
        Keys of the published sources, separated by "; ", or the evidence word again.
    evidence : str
        What kind of number the median and spread are (`Evidence`).
    """

    name: str
    label: str
    unit: str
    median: float
    spread: float
    kind: Kind
    source: str
    evidence: str

    def __post_init__(self) -> None:
        if not (np.isfinite(self.spread) and self.spread > 0.0):
            raise InputError(
                "the spread of an uncertain input must be positive",
                field=f"draws.{self.name}.spread",
                value=self.spread,
                allowed="greater than 0",
            )
        inside, allowed = {
            "lognormal": (self.median > 0.0, "greater than 0"),
            "normal": (True, "any finite number"),
            "logit": (0.0 < self.median < 1.0, "between 0 and 1"),
        }[self.kind]
        if not (np.isfinite(self.median) and inside):
            raise InputError(
                "the median of an uncertain input is outside its range",
                field=f"draws.{self.name}.median",
                value=self.median,
                allowed=allowed,
            )

    def at(self, z: FloatArray) -> FloatArray:
        """Return the values at standard normal scores `z`, any shape."""
        if self.kind == "lognormal":
            return np.asarray(self.median * np.exp(self.spread * z))
        if self.kind == "normal":
            return np.asarray(self.median + self.spread * z)
        return np.asarray(expit(logit(self.median) + self.spread * z))


@dataclass(frozen=True)
class DrawSet:
    """A sample of the uncertain inputs.

    Attributes
    ----------
    values : dict of str to ndarray, shape (count,)
        Values by name.
    count : int
        Number of draws.
    specs : tuple of DrawSpec
        What they were drawn from.
    """

    values: dict[str, FloatArray]
    count: int
    specs: tuple[DrawSpec, ...]

    def __getitem__(self, name: str) -> FloatArray:
        """Return the values of one input, shape (count,)."""
        try:
            return self.values[name]
        except KeyError:
            raise NotFound(
                "no such uncertain input", field="draws", value=name, allowed=", ".join(self.values)
            ) from None


def _factor(name: str, label: str, spread: float) -> DrawSpec:
    """Return a factor about 1: how far the model's own value may be off."""
    return DrawSpec(name, label, "", 1.0, spread, "lognormal", _JUDGEMENT, _JUDGEMENT)


def _judged(
    name: str, label: str, unit: str, median: float, spread: float, source: str = _JUDGEMENT
) -> DrawSpec:
    """Return a positive input whose median and spread are judged; `source` is what the judgement leans on."""
    return DrawSpec(name, label, unit, median, spread, "lognormal", source, _JUDGEMENT)


DEFAULT_DRAWS: tuple[DrawSpec, ...] = (
    # 95 % of these draws lie in 0.033-0.19: about the span of what was measured, 0.03-0.06 on living
    # endothelium [@dunn2007] and 0.04-0.2 for a catheter on the wall [@catheterfriction].
    _judged(
        "friction_wall",
        "friction of a device on the vessel wall",
        "",
        0.08,
        0.45,
        "dunn2007; catheterfriction",
    ),
    # Steel halves its friction when PTFE-coated, and falls to a sixth with a hydrophilic coat
    # [@schroder1993]; no number for a coronary wire in its lumen was found.
    _judged(
        "friction_wire", "friction between a wire and the lumen it runs in", "", 0.10, 0.40, "schroder1993"
    ),
    # PTFE on steel 0.04-0.10 is remembered, not read.
    _judged("friction_extension", "friction of a device on the lining of a guide extension", "", 0.06, 0.40),
    _judged("friction_guide", "friction of a shaft on the lining of the guide", "", 0.06, 0.40),
    # The only measured stand-in is a tip pushed into heart muscle, 0.11-0.14 N/mm with a tip of unstated
    # diameter [@masnok2018]; 0.03 (soft muscle) to 3 (a stiff tube) bounds the choice.
    _judged(
        "bed_MPa", "sideways stiffness of vessel wall and heart beneath it", "MPa", 0.15, 0.70, "masnok2018"
    ),
    _factor("lesion_factor", "how much stiffer the lesion is than its calcium class says", 0.50),
    _factor("ledge_factor", "how much steeper ledges are than the lesion's class says", 0.40),
    _factor("device_stiffness_factor", "bending stiffness of the device against the shelf file", 0.15),
    _factor("wire_stiffness_factor", "bending stiffness of the wires against the shelf file", 0.15),
    DrawSpec(
        "radius_shift_sd",
        "error of the lumen measurement, in its own standard deviations",
        "SD",
        0.0,
        1.0,
        "normal",
        Evidence.DERIVED.value,
        Evidence.DERIVED.value,
    ),
    _factor("curvature_factor", "true bends against measured bends", 0.10),
    # Benches gave ratios between guides, no force that could be read: the absolute scale is unvalidated.
    _judged(
        "guide_hold_N",
        "force at which the reference guide backs out (6 Fr extra-backup left, femoral, at the ostium);"
        " absolute scale unvalidated",
        "N",
        1.2,
        0.50,
    ),
    _judged("retreat_mm", "how far the guide backs before it is lost", "mm", 8.0, 0.30),
    _factor("extension_factor", "what an extension adds, against the bench", 0.20),
    _factor("wire_hold_factor", "hold of a free wire, against the estimate", 0.50),
    _factor("anchor_factor", "hold of an anchor balloon, against the estimate", 0.40),
    _factor("trapped_factor", "hold of a trapped wire, against the estimate", 0.50),
    # A bench chose 4 N at the hub as its test push [@schmidt2009]; what a hand gives before a shaft kinks is
    # judged.
    _judged("hand_push_N", "push the hand gives at the hub", "N", 8.0, 0.35, "schmidt2009"),
    _factor("shaft_factor", "stiffness of the device's shaft against the shelf file", 0.20),
    # Two things side by side need the circle round both in a lumen that stays round, only the length of a
    # belt round both where the wall gives way: geometry bounds it, where between is judged.
    DrawSpec(
        "lumen_roundness",
        "how round a tight lumen stays with a wire beside the device: 0 like a belt round both, 1 a circle",
        "",
        0.5,
        1.0,
        "logit",
        _JUDGEMENT,
        _JUDGEMENT,
    ),
)
"""The shipped table of uncertain inputs, in the order they are drawn."""


def with_overrides(
    specs: tuple[DrawSpec, ...], overrides: Mapping[str, tuple[float, float]]
) -> tuple[DrawSpec, ...]:
    """Return the table with the user's own medians and spreads.

    Parameters
    ----------
    specs : tuple of DrawSpec
        The table.
    overrides : mapping of str to (float, float)
        Median and spread by name; their meaning is that of the input's kind.

    Returns
    -------
    tuple of DrawSpec
        The same inputs in the same order; changed ones name "case file" as their source.

    Raises
    ------
    NotFound
        A name is not in the table.
    InputError
        A spread is not positive, or a median is outside its range.
    """
    names = [spec.name for spec in specs]
    for name in overrides:
        if name not in names:
            raise NotFound("no such uncertain input", field="draws", value=name, allowed=", ".join(names))
    return tuple(
        replace(
            spec,
            median=float(overrides[spec.name][0]),
            spread=float(overrides[spec.name][1]),
            source="case file",
            evidence="case file",
        )
        if spec.name in overrides
        else spec
        for spec in specs
    )


def sample(specs: tuple[DrawSpec, ...], *, count: int, seed: int) -> DrawSet:
    """Return a scrambled Sobol sample of the uncertain inputs.

    Parameters
    ----------
    specs : tuple of DrawSpec
        What to draw.
    count : int
        Number of draws; a power of two is best balanced.
    seed : int
        Seed of the scrambling. The same seed gives the same draws, and fewer of them give the first of the
        same sequence.

    Returns
    -------
    DrawSet
        The sample.

    Raises
    ------
    InputError
        `count` is below 1, or a name occurs twice.

    Notes
    -----
    Column j of the sequence belongs to input j, so changing the median or spread of one input leaves the
    scores of the others as they were. Points are moved to the middle of their cell, so that none lies at 0.

    References
    ----------
    [@joe2008]

    Examples
    --------
    >>> draws = sample(DEFAULT_DRAWS, count=1024, seed=1)
    >>> round(float(np.median(draws["friction_wall"])), 3)
    0.08
    """
    if count < 1:
        raise InputError("too few draws", field="draws", value=count, allowed="1 or more")
    names = [spec.name for spec in specs]
    if len(set(names)) != len(names):
        raise InputError("an uncertain input is listed twice", field="draws", value=", ".join(names))
    from scipy.stats import qmc  # takes a third of a second to import; what only reads files need not wait

    engine = qmc.Sobol(len(specs), scramble=True, bits=_SOBOL_BITS, rng=np.random.default_rng(seed))
    points = engine.random_base2(max(int(count - 1).bit_length(), 0))[:count]
    z = ndtri(points + 0.5 ** (_SOBOL_BITS + 1))
    values = {spec.name: spec.at(z[:, j]) for j, spec in enumerate(specs)}
    return DrawSet(values=values, count=count, specs=tuple(specs))


def median_case(specs: tuple[DrawSpec, ...]) -> DrawSet:
    """Return the one draw in which every input is at its median.

    Parameters
    ----------
    specs : tuple of DrawSpec
        The table.

    Returns
    -------
    DrawSet
        One draw.
    """
    return DrawSet({spec.name: spec.at(np.zeros(1)) for spec in specs}, 1, tuple(specs))
