"""The posterior over the unknowns after each attempt: particles in standard scores.

Every uncertain input is a function of a standard normal score, so the prior is N(0, I) whatever the table says, and one way of
tempering and moving particles fits all (`tempering`).
Attempts are let in one by one, so there is a posterior before each of them: what it expected can be held against what happened.

When the vessel is seen anew (another angiogram, a new dissection) the inputs bound to the path get fresh scores beside the old ones:
what was learnt of friction, guide and hand stays, and the old attempts keep their old path.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

from backstay.core.inference.attempts import Attempt, AttemptModel, likelihood
from backstay.core.inference.draws import DrawSet, DrawSpec, sample
from backstay.core.inference.quick import QuickRig, way_in
from backstay.core.inference.tempering import temper
from backstay.errors import NotFound

FloatArray = NDArray[np.float64]
Run = Callable[[Callable[[Any], Any], Sequence[Any]], Iterable[Any]]

PATH_BOUND = ("radius_shift_sd", "curvature_factor", "lesion_factor", "ledge_factor")
"""Inputs that belong to the vessel as it was seen."""
FOLLOWED_SD = 6.0
"""A draw is followed no further once its peak is this many spreads of execution above its limit."""


@dataclass(frozen=True)
class Letting:
    """How one attempt was let in.

    Attributes
    ----------
    attempt : Attempt
        The attempt.
    expected : float
        Its likelihood as expected before, averaged over the particles (a probability, or per millimetre).
    lowest_share : float
        Lowest effective share of particles on the way in.
    steps : int
        Degrees it took.
    accepted : float
        Share of moves accepted.
    distinct : float
        Share of particles that differ from each other at the end.
    """

    attempt: Attempt
    expected: float
    lowest_share: float
    steps: int
    accepted: float
    distinct: float


@dataclass(frozen=True)
class Posterior:
    """What is believed after some attempts: equally weighted particles.

    Attributes
    ----------
    specs : tuple of DrawSpec
        The uncertain inputs.
    scores : ndarray, shape (count, k)
        Standard scores: one column per input, then the path-bound inputs of each later anatomy.
    anatomies : int
        How often the vessel was seen.
    lettings : tuple of Letting
        One per attempt, in the order let in.
    """

    specs: tuple[DrawSpec, ...]
    scores: FloatArray
    anatomies: int = 1
    lettings: tuple[Letting, ...] = ()

    @property
    def count(self) -> int:
        """Return the number of particles."""
        return len(self.scores)

    @property
    def current(self) -> FloatArray:
        """Return the scores of the vessel as it was last seen, shape (count, inputs)."""
        return self.scores[:, columns(self.specs, self.anatomies - 1)]

    @property
    def draws(self) -> DrawSet:
        """Return the particles as draws of the vessel as it was last seen."""
        return draws_at(self.specs, self.current)


def scores_of_all(draws: DrawSet) -> FloatArray:
    """Return the standard scores of every input.

    Parameters
    ----------
    draws : DrawSet
        Draws from its own specs.

    Returns
    -------
    ndarray, shape (count, inputs)
        Scores, columns in the order of the specs.

    Examples
    --------
    >>> from backstay.core.inference.draws import DEFAULT_DRAWS
    >>> draws = sample(DEFAULT_DRAWS, count=8, seed=1)
    >>> back = draws_at(DEFAULT_DRAWS, scores_of_all(draws))
    >>> bool(np.allclose(back["guide_hold_N"], draws["guide_hold_N"]))
    True
    """
    scale: dict[str, Callable[[Any], Any]] = {"lognormal": np.log, "normal": np.asarray, "logit": logit}
    return np.stack(
        [
            (scale[spec.kind](draws[spec.name]) - scale[spec.kind](spec.median)) / spec.spread
            for spec in draws.specs
        ],
        axis=1,
    )


def draws_at(specs: tuple[DrawSpec, ...], scores: FloatArray) -> DrawSet:
    """Return the draws at standard scores.

    Parameters
    ----------
    specs : tuple of DrawSpec
        The uncertain inputs.
    scores : ndarray, shape (count, inputs)
        Standard scores, columns in the order of the specs.

    Returns
    -------
    DrawSet
    """
    values = {spec.name: spec.at(scores[:, j]) for j, spec in enumerate(specs)}
    return DrawSet(values, len(scores), specs)


def columns(specs: Sequence[DrawSpec], anatomy: int) -> NDArray[np.int64]:
    """Return which columns of the particles hold the inputs of one state of the vessel.

    Parameters
    ----------
    specs : sequence of DrawSpec
        The uncertain inputs.
    anatomy : int
        Which state, from 0.

    Returns
    -------
    ndarray of int, shape (inputs,)
        The same as for the first state but for the inputs bound to the path.
    """
    bound = [spec.name for spec in specs if spec.name in PATH_BOUND]
    first = len(specs) + (anatomy - 1) * len(bound)
    return np.array(
        [
            first + bound.index(spec.name) if anatomy > 0 and spec.name in bound else j
            for j, spec in enumerate(specs)
        ]
    )


def before_any(specs: tuple[DrawSpec, ...], *, count: int, seed: int) -> Posterior:
    """Return what is believed before any attempt: the plan's own draws.

    Parameters
    ----------
    specs : tuple of DrawSpec
        The uncertain inputs.
    count : int
        Number of particles.
    seed : int
        Seed of the draws, as for the plan.

    Returns
    -------
    Posterior
    """
    return Posterior(specs, scores_of_all(sample(specs, count=count, seed=seed)))


def seen_anew(posterior: Posterior, rng: np.random.Generator) -> Posterior:
    """Return what is believed once the vessel has been seen anew: path-bound inputs fresh, all others kept.

    Parameters
    ----------
    posterior : Posterior
        What was believed.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    Posterior
    """
    bound = sum(spec.name in PATH_BOUND for spec in posterior.specs)
    fresh = rng.standard_normal((posterior.count, bound))
    return Posterior(
        posterior.specs,
        np.hstack([posterior.scores, fresh]),
        posterior.anatomies + 1,
        posterior.lettings,
    )


def log_likelihoods(
    attempts: Sequence[Attempt],
    rigs: Mapping[str, QuickRig],
    specs: tuple[DrawSpec, ...],
    scores: FloatArray,
    model: AttemptModel,
) -> FloatArray:
    """Return the log-likelihood of each attempt at each particle.

    Tries of one rig in one state of the vessel share the work of following the draws.

    Parameters
    ----------
    attempts : sequence of Attempt
        What was tried and how it ended.
    rigs : mapping of str to QuickRig
        What they were made with.
    specs : tuple of DrawSpec
        The uncertain inputs.
    scores : ndarray, shape (count, k)
        Particles, as in `Posterior.scores`.
    model : AttemptModel
        How attempts vary and are reported.

    Returns
    -------
    ndarray, shape (attempts, count)
    """
    found = np.zeros((len(attempts), len(scores)))
    ways: dict[tuple[str, int], Any] = {}
    for row, attempt in enumerate(attempts):
        rig, key = rigs[attempt.rig], (attempt.rig, attempt.anatomy)
        if key not in ways:
            draws = draws_at(specs, scores[:, columns(specs, attempt.anatomy)])
            ways[key] = way_in(rig, draws, enough=float(np.exp(FOLLOWED_SD * model.execution_sd)))
        found[row] = np.log(likelihood(attempt, rig, ways[key], model))
    return found


def learn(
    attempts: Sequence[Attempt],
    rigs: Mapping[str, QuickRig],
    specs: tuple[DrawSpec, ...],
    *,
    count: int,
    seed: int,
    model: AttemptModel | None = None,
    run: Run = map,
) -> tuple[Posterior, ...]:
    """Return what is believed before any attempt and after each.

    Parameters
    ----------
    attempts : sequence of Attempt
        In the order made; one given twice counts once.
    rigs : mapping of str to QuickRig
        What they were made with.
    specs : tuple of DrawSpec
        The uncertain inputs the rigs were solved for.
    count : int
        Number of particles.
    seed : int
        The same seed gives the same particles.
    model : AttemptModel, optional
        How attempts vary and are reported.
    run : callable
        As `map`; one that works side by side makes it faster and changes nothing.

    Returns
    -------
    tuple of Posterior
        One more than there are attempts.

    Raises
    ------
    NotFound
        An attempt names a rig that is not given.
    """
    once = list({attempt.id: attempt for attempt in attempts}.values())
    for attempt in once:
        if attempt.rig not in rigs:
            raise NotFound("no such rig", field="attempt.rig", value=attempt.rig, allowed=", ".join(rigs))
    found = [before_any(specs, count=count, seed=seed)]
    for number, attempt in enumerate(once):
        rng = np.random.default_rng([seed, number])
        found.append(let_in(found[-1], attempt, rigs, rng=rng, model=model, run=run))
    return tuple(found)


def let_in(
    posterior: Posterior,
    attempt: Attempt,
    rigs: Mapping[str, QuickRig],
    *,
    rng: np.random.Generator,
    model: AttemptModel | None = None,
    run: Run = map,
) -> Posterior:
    """Return what is believed after one more attempt.

    Parameters
    ----------
    posterior : Posterior
        What was believed before.
    attempt : Attempt
        What was tried and how it ended; an id already let in changes nothing.
    rigs : mapping of str to QuickRig
        What this and the earlier attempts were made with.
    rng : numpy.random.Generator
        Source of chance.
    model : AttemptModel, optional
        How attempts vary and are reported.
    run : callable
        As `map`.

    Returns
    -------
    Posterior
    """
    earlier = [one.attempt for one in posterior.lettings]
    if attempt.id in [one.id for one in earlier]:
        return posterior
    while posterior.anatomies <= attempt.anatomy:
        posterior = seen_anew(posterior, rng)
    told = _Told([*earlier, attempt], rigs, posterior.specs, model or AttemptModel(), run)
    found = temper(posterior.scores, told.at, rng=rng)
    letting = Letting(
        attempt,
        float(np.exp(found.log_expected)),
        min(found.shares),
        len(found.shares),
        float(np.mean(found.accepted or 1.0)),
        len(np.unique(found.scores[:, 0])) / posterior.count,
    )
    return Posterior(posterior.specs, found.scores, posterior.anatomies, (*posterior.lettings, letting))


@dataclass(frozen=True)
class _Told:
    """What the attempts say of particles, in pieces that can be worked on side by side."""

    attempts: Sequence[Attempt]
    rigs: Mapping[str, QuickRig]
    specs: tuple[DrawSpec, ...]
    model: AttemptModel
    run: Run
    pieces: int = 2

    def at(self, z: FloatArray) -> FloatArray:
        def one(part: FloatArray) -> FloatArray:
            return log_likelihoods(self.attempts, self.rigs, self.specs, part, self.model)

        return np.hstack(list(self.run(one, np.array_split(z, self.pieces))))
