"""What was learnt: which unknowns moved, what is left of the doubt about a move, and which question would tell most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.core.inference.attempts import (
    ENDINGS,
    Attempt,
    AttemptModel,
    Ends,
    cells_mm,
    ends,
    likelihood,
    place_density,
)
from backstay.core.inference.learning import Posterior
from backstay.core.inference.quick import QuickRig, WayIn, way_in
from backstay.identifiers import Pushed, Question

FloatArray = NDArray[np.float64]

BINS = 16
PLACE_STEP_MM = 2.0
SURPRISE = 0.05
"""An end to which the model gave less than this, all ends as unlikely counted in, is called a surprise."""


@dataclass(frozen=True)
class Moved:
    """How one unknown moved.

    Attributes
    ----------
    name : str
        The uncertain input.
    before, after : tuple of float
        10th, 50th and 90th percentile.
    moved_sd : float
        Shift of the mean score, in standard deviations before.
    narrowed : float
        Part of the standard deviation that is gone; negative where it widened.
    bits : float
        Information gained on it alone, as for Gaussians of the same mean and spread.
    """

    name: str
    before: tuple[float, float, float]
    after: tuple[float, float, float]
    moved_sd: float
    narrowed: float
    bits: float


def chance_per_draw(
    rig: QuickRig, posterior: Posterior, model: AttemptModel, push: Pushed = Pushed.ALL_THAT_WAS_SAFE
) -> FloatArray:
    """Return each particle's chance that the next try with this rig reaches the landing place.

    Parameters
    ----------
    rig : QuickRig
        What is tried.
    posterior : Posterior
        What is believed.
    model : AttemptModel
        How attempts vary.
    push : Pushed
        How hard it is pushed.

    Returns
    -------
    ndarray, shape (count,)
        Their mean is the chance of the next try.
    """
    if not rig.passes:
        return np.zeros(posterior.count)
    return ends(way_in(rig, posterior.draws, enough=2.0), push, model).reached


def moved(before: Posterior, after: Posterior) -> list[Moved]:
    """Return how every unknown moved, the one most was learnt about first.

    Parameters
    ----------
    before, after : Posterior
        What was believed and what is.

    Returns
    -------
    list of Moved
        One per input, of the vessel as it was last seen in each.
    """
    rows = []
    for j, spec in enumerate(after.specs):
        old, new = before.current[:, j], after.current[:, j]
        sd, shift = float(new.std() / old.std()), float((new.mean() - old.mean()) / old.std())
        bits = 0.5 * (shift**2 + sd**2 - 1.0 - 2.0 * float(np.log(sd))) / float(np.log(2.0))
        low, high = (tuple(float(v) for v in np.quantile(spec.at(z), [0.1, 0.5, 0.9])) for z in (old, new))
        rows.append(Moved(spec.name, low, high, shift, 1.0 - sd, bits))  # type: ignore[arg-type]  # three each
    return sorted(rows, key=lambda row: -row.bits)


def doubt_bits(chance: float) -> float:
    """Return the entropy of a yes or no.

    Parameters
    ----------
    chance : float
        Probability of yes.

    Returns
    -------
    float
        Bits, 0 to 1.

    Examples
    --------
    >>> doubt_bits(0.5), doubt_bits(1.0)
    (1.0, 0.0)
    """
    parts = np.array([chance, 1.0 - chance])
    parts = parts[parts > 0.0]
    return float(-np.sum(parts * np.log2(parts))) + 0.0


def carried(scores: FloatArray, chances: FloatArray) -> FloatArray:
    """Return how much of the variance of reaching the place each unknown carries by itself.

    Parameters
    ----------
    scores : ndarray, shape (count, inputs)
        Standard scores of the particles.
    chances : ndarray, shape (count,)
        Each particle's chance to reach.

    Returns
    -------
    ndarray, shape (inputs,)
        Variance of the mean chance over bins of the input, the bins' own sampling variance taken off; of a total of p (1 - p).

    Notes
    -----
    First-order sensitivity [@saltelli2010]; what only several inputs together decide is in none of the parts.
    The bins together are all the particles, so their means are spread about a mean that is known: each bin's sampling
    variance enters but for the share of it that the mean itself has.

    Examples
    --------
    >>> z = np.random.default_rng(0).standard_normal((4096, 2))
    >>> carried(z, (z[:, 0] > 0.0).astype(float)).round(2).tolist()
    [0.24, 0.0]
    """
    out = np.empty(scores.shape[1])
    for j in range(scores.shape[1]):
        bins = np.array_split(chances[np.argsort(scores[:, j], kind="stable")], BINS)
        means = np.array([b.mean() for b in bins])
        noise = float(np.mean([b.var(ddof=1) / len(b) for b in bins]))
        out[j] = max(float(means.var()) - noise * (1.0 - 1.0 / BINS), 0.0)
    return out


def tail(attempt: Attempt, rig: QuickRig, posterior: Posterior, model: AttemptModel) -> float:
    """Return the chance, before an attempt, of an end as unlikely as the one it had or more so.

    Parameters
    ----------
    attempt : Attempt
        What was tried and how it ended.
    rig : QuickRig
        What it was tried with.
    posterior : Posterior
        What was believed before.
    model : AttemptModel
        How attempts vary and are reported.

    Returns
    -------
    float
        1 for the likeliest end; 1 where the model says nothing about such an end. To have reached with what by the fit does not
        pass is as odd as can be: half the floor.

    Notes
    -----
    Whether it reached is one question, where and why it stopped another: each is asked among its own answers (places in cells of 2 mm,
    reasons as named, as far as they were said), and where both are, twice the smaller is given. Otherwise a stop, of which there are
    hundreds of kinds, would make any success look likely.
    """
    if not rig.passes:
        return 0.5 * model.floor if attempt.reached else 1.0
    if not (attempt.reached or attempt.limited_by in (None, *ENDINGS)):
        return 1.0
    way = way_in(rig, posterior.draws)
    lower, upper = cells_mm(rig)
    places: list[float | None] = [None]
    if attempt.stopped_at_mm is not None:
        first = lower[0] - 2.0 * model.place_sd_mm
        places = [float(p) for p in np.arange(first, upper[-1] + 2.0 * model.place_sd_mm, PLACE_STEP_MM)]
    cells = np.array([_mass(rig, p, model) for p in places])
    table, reached = _expected(way, attempt.push, cells, model)
    stopped = float(table.sum())
    mine, other = (reached, stopped) if attempt.reached else (stopped, reached)
    whether = 1.0 if mine > other else mine / (mine + other)
    if attempt.reached or (attempt.stopped_at_mm is None and attempt.limited_by is None):
        return whether
    if attempt.limited_by is None:
        table = table.sum(axis=1, keepdims=True)
    away = [abs((p or 0.0) - (attempt.stopped_at_mm or 0.0)) for p in places]
    column = 0 if attempt.limited_by is None else ENDINGS.index(attempt.limited_by)
    cell = float(table[int(np.argmin(away)), column])
    how = float(table[table <= cell * (1.0 + 1e-9)].sum()) / stopped
    return min(1.0, 2.0 * min(whether, how))


def _mass(rig: QuickRig, place_mm: float | None, model: AttemptModel) -> FloatArray:
    """Return the chance of reading a cell of places, for each cell stopped in."""
    if place_mm is None:
        return np.ones(len(rig.tips_mm))
    return np.asarray(place_density(rig, np.array([place_mm]), model)[0] * PLACE_STEP_MM)


def _expected(
    way: WayIn, push: Pushed | None, cells: FloatArray, model: AttemptModel
) -> tuple[FloatArray, float]:
    """Return the chance of each place and named reason (places, 5), and of reaching, averaged over the draws."""
    pushes = model.said_share if push is None else {push: 1.0}
    table, reached = np.zeros((len(cells), len(ENDINGS))), 0.0
    for one, share in pushes.items():
        found = ends(way, one, model)
        reach = float(found.reached.mean())
        table += share * (1.0 - model.misread) * _by_ending(found, cells) @ model.named
        table += share * model.misread * (1.0 - reach) / table.size
        reached += share * reach
    spread = 0.5 * model.floor / table.size
    return (1.0 - model.floor) * table + spread, (1.0 - model.floor) * reached + 0.5 * model.floor


def _by_ending(found: Ends, cells: FloatArray) -> FloatArray:
    """Return the mean chance of each place and ending, shape (places, 5)."""
    out = np.zeros((len(cells), len(ENDINGS)))
    count = len(found.reached)
    for e in range(len(ENDINGS)):
        out[:, e] += cells @ found.given[found.limit == e].sum(axis=0) / count
        rest = found.stops[found.other == e] - found.given[found.other == e]
        out[:, e] += cells @ rest.sum(axis=0) / count
    return out


@dataclass(frozen=True)
class Asked:
    """What the answer to a question about an attempt is expected to tell about the next move.

    Attributes
    ----------
    question : Question
        What is asked.
    bits : float
        Expected information on whether the next move reaches.
    share : float
        Of the doubt there is.
    """

    question: Question
    bits: float
    share: float


def open_questions(
    attempt: Attempt,
    rig: QuickRig,
    posterior: Posterior,
    chances: FloatArray,
    model: AttemptModel,
) -> list[Asked]:
    """Return what could still be asked of an attempt, the question that tells most first.

    Parameters
    ----------
    attempt : Attempt
        An attempt that is part of the posterior.
    rig : QuickRig
        What it was made with.
    posterior : Posterior
        What is believed now.
    chances : ndarray, shape (count,)
        Each particle's chance that the next move reaches.
    model : AttemptModel
        How attempts vary and are reported.

    Returns
    -------
    list of Asked
        Only of what was not said; empty for an attempt that reached.

    Notes
    -----
    Expected information [@lindley1956]: entropy of the next move's end now, less its mean over the possible answers.
    """
    if attempt.reached or not rig.passes:
        return []
    way = way_in(rig, posterior.draws)
    now = likelihood(attempt, rig, way, model)
    doubt = doubt_bits(float(chances.mean()))
    found = []
    for question, answers in _answers(attempt, rig).items():
        told = np.stack([likelihood(one, rig, way, model) for one in answers]) / now
        if question is Question.HOW_HARD:
            told *= np.array([[model.said_share[push]] for push in Pushed])
        weight = told.mean(axis=1)
        then = (told @ chances) / np.maximum(told.sum(axis=1), 1e-300)
        weight = weight / weight.sum()
        left = float(sum(w * doubt_bits(min(float(p), 1.0)) for w, p in zip(weight, then, strict=True)))
        bits = max(doubt - left, 0.0)
        found.append(Asked(question, bits, bits / doubt if doubt > 0.0 else 0.0))
    return sorted(found, key=lambda one: -one.bits)


def _answers(attempt: Attempt, rig: QuickRig) -> dict[Question, Sequence[Attempt]]:
    """Return the attempt with every answer to each question that is open."""
    found: dict[Question, Sequence[Attempt]] = {}
    if attempt.stopped_at_mm is None and attempt.limited_by in (None, *ENDINGS):
        lower, upper = cells_mm(rig)
        places = np.arange(lower[0], upper[-1] + PLACE_STEP_MM, PLACE_STEP_MM)
        found[Question.WHERE] = [replace(attempt, stopped_at_mm=float(p)) for p in places]
    if attempt.limited_by is None:
        found[Question.WHAT_GAVE] = [replace(attempt, limited_by=one) for one in ENDINGS]
    if attempt.push is None:
        found[Question.HOW_HARD] = [replace(attempt, push=one) for one in Pushed]
    return found
