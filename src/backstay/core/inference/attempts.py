"""How likely an attempt's end is, for every draw of the unknowns.

A draw says how the highest push so far grows along the way in, and what guide, hand and shaft can give. Between one try and the
next the limit varies by a factor exp(sd z), z standard normal, which is integrated in closed form: the chance to stop within
a depth's cell is the chance that the varied limit lies between the peaks at both its ends. Where the device stopped is read
with an error, and what gave is named rightly only most of the time. A small share of attempts, the floor, ends anyhow for reasons
the model does not know; so no single report can rule a draw out.

Every number here is judgement, no source, until a lab's own attempts say better.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from backstay.core.inference.quick import PROLAPSED, QuickRig, WayIn
from backstay.identifiers import LimitedBy, Pushed

FloatArray = NDArray[np.float64]

ENDINGS = (
    LimitedBy.GUIDE_OUT,
    LimitedBy.PUSH_LOST,
    LimitedBy.SHAFT_KINK,
    LimitedBy.PROLAPSE,
    LimitedBy.EDGE_LOCK,
)
"""What ends a way in by the model: the three limits in the order of `WayIn.limits_N`, then what no limit can help."""
_LIMITS = 3
_FAR_SD = 7.0
"""A place is never read farther off than this: a chance of 1e-12."""

_NAMED = np.array(
    [
        # guide_out push_lost shaft_kink prolapse edge_lock, as named by the team
        [0.86, 0.06, 0.02, 0.04, 0.02],
        [0.10, 0.66, 0.08, 0.08, 0.08],
        [0.04, 0.08, 0.80, 0.06, 0.02],
        [0.12, 0.10, 0.06, 0.66, 0.06],
        [0.08, 0.16, 0.02, 0.06, 0.68],
    ]
)


@dataclass(frozen=True)
class AttemptModel:
    """How attempts vary and are reported; all judgement, no source.

    Attributes
    ----------
    execution_sd : float
        Spread of the limit from one try to the next, of its logarithm.
    place_sd_mm : float
        Error of the place the device's tip is said to have stopped at [mm].
    misread : float
        Share of stops whose place and reason are told anyhow (another view, a slip): that it stopped is all they tell.
    floor : float
        Share of attempts that end anyhow.
    push_share : mapping of Pushed to float
        Share of the hand's whole push that was given.
    said_share : mapping of Pushed to float
        How often each is meant where nothing was said.
    named : ndarray, shape (5, 5)
        Chance that an ending (row, in the order of `ENDINGS`) is reported as each of them; rows sum to 1.
    """

    execution_sd: float = 0.10
    place_sd_mm: float = 2.0
    misread: float = 0.05
    floor: float = 0.02
    push_share: Mapping[Pushed, float] = field(
        default_factory=lambda: MappingProxyType(
            {Pushed.GENTLE: 0.2, Pushed.FIRM: 0.5, Pushed.ALL_THAT_WAS_SAFE: 1.0}
        )
    )
    said_share: Mapping[Pushed, float] = field(
        default_factory=lambda: MappingProxyType(
            {Pushed.GENTLE: 0.1, Pushed.FIRM: 0.4, Pushed.ALL_THAT_WAS_SAFE: 0.5}
        )
    )
    named: FloatArray = field(default_factory=lambda: _NAMED.copy())


@dataclass(frozen=True)
class Attempt:
    """One try and how it ended.

    Attributes
    ----------
    id : str
        Counts once, however often it is given.
    rig : str
        What was in place and what was pushed: a key to the rigs solved.
    reached : bool
        Whether the device came to its landing place.
    stopped_at_mm : float or None
        Where its tip stopped, from the ostium [mm].
    limited_by : LimitedBy or None
        What gave.
    push : Pushed or None
        How hard it was pushed.
    anatomy : int
        Which state of the vessel it was made in, from 0.
    """

    id: str
    rig: str
    reached: bool
    stopped_at_mm: float | None = None
    limited_by: LimitedBy | None = None
    push: Pushed | None = None
    anatomy: int = 0


@dataclass(frozen=True)
class Ends:
    """How every draw's try may end.

    Attributes
    ----------
    reached : ndarray, shape (count,)
        Chance to reach the landing place.
    before : ndarray, shape (count,)
        Chance to stop before the first of the depths asked about.
    stops : ndarray, shape (count, d)
        Chance to stop within each depth's cell.
    given : ndarray, shape (count, d)
        The part of it in which a limit gives; the rest prolapses or locks.
    limit, other : ndarray of int, shape (count,)
        Which of `ENDINGS` each part is.
    """

    reached: FloatArray
    before: FloatArray
    stops: FloatArray
    given: FloatArray
    limit: NDArray[np.int64]
    other: NDArray[np.int64]

    def by_ending(self, weights: FloatArray) -> FloatArray:
        """Return the chance of each ending (count, 5), the cells weighed by `weights` (d,)."""
        out = np.zeros((len(self.reached), len(ENDINGS)))
        rows = np.arange(len(out))
        given = self.given @ weights
        out[rows, self.limit] = given
        out[rows, self.other] += self.stops @ weights - given
        return out


def ends(way: WayIn, push: Pushed, model: AttemptModel, *, depths: slice = slice(None)) -> Ends:
    """Return how every draw's try may end, pushed so hard.

    Parameters
    ----------
    way : WayIn
        What the way in asks of every draw.
    push : Pushed
        How hard.
    model : AttemptModel
        How attempts vary.
    depths : slice
        The depths whose cells are asked about.

    Returns
    -------
    Ends

    Examples
    --------
    A limit of 1 N against a peak of 1 N: as likely as not.

    >>> way = WayIn(np.array([[0.1, 1.0]]), np.zeros(1, dtype=np.int8), np.array([[1.0, 9.0, 9.0]]))
    >>> found = ends(way, Pushed.ALL_THAT_WAS_SAFE, AttemptModel())
    >>> found.reached.round(6).tolist(), found.stops.round(6).tolist()
    ([0.5], [[0.0, 0.5]])
    """
    limits_N = way.limits_N * np.array([1.0, model.push_share[push], 1.0])
    least_N = limits_N.min(axis=1)[:, None]

    def by_then(peaks_N: FloatArray) -> FloatArray:
        with np.errstate(divide="ignore"):
            return np.asarray(ndtr(np.log(peaks_N / least_N) / model.execution_sd))

    first, last, _ = depths.indices(way.peaks_N.shape[1])
    before = by_then(way.peaks_N[:, first - 1 : first])[:, 0] if first else np.zeros(len(least_N))
    stops = np.diff(by_then(way.peaks_N[:, first:last]), axis=1, prepend=before[:, None])
    given = np.where(np.isfinite(way.peaks_N[:, depths]), stops, 0.0)
    other = np.where(way.ends == PROLAPSED, _LIMITS, _LIMITS + 1)
    reached = 1.0 - by_then(way.peaks_N[:, -1:])[:, 0]
    return Ends(reached, before, stops, given, np.argmin(limits_N, axis=1), other)


def cells_mm(rig: QuickRig) -> tuple[FloatArray, FloatArray]:
    """Return where each depth's cell begins and ends.

    Parameters
    ----------
    rig : QuickRig
        The rig.

    Returns
    -------
    lower_mm, upper_mm : ndarray, shape (d,)
        From the ostium [mm]; the first cell begins at the guide's tip.
    """
    upper = rig.tips_mm + rig.seat_mm
    return np.concatenate([[rig.seat_mm], upper[:-1]]), upper


def place_density(rig: QuickRig, at_mm: FloatArray, model: AttemptModel) -> FloatArray:
    """Return the density of reading a place when the tip stopped within each cell [1/mm].

    Parameters
    ----------
    rig : QuickRig
        The rig.
    at_mm : ndarray, shape (m,)
        Places read, from the ostium [mm].
    model : AttemptModel
        How far readings are off.

    Returns
    -------
    ndarray, shape (m, d)
    """
    lower, upper = cells_mm(rig)
    at = np.asarray(at_mm)[:, None]
    inside = ndtr((at - lower) / model.place_sd_mm) - ndtr((at - upper) / model.place_sd_mm)
    return np.asarray(inside / (upper - lower))


def likelihood(attempt: Attempt, rig: QuickRig, way: WayIn, model: AttemptModel) -> FloatArray:
    """Return how likely an attempt's end is, for every draw.

    Parameters
    ----------
    attempt : Attempt
        What was tried and how it ended.
    rig : QuickRig
        The rig it was tried with.
    way : WayIn
        What the way in asked of every draw.
    model : AttemptModel
        How attempts vary and are reported.

    Returns
    -------
    ndarray, shape (count,)
        A probability, or per millimetre where a place was read; never 0.

    Notes
    -----
    What was not said is summed over. Of most odd stops it is the place or the reason that is odd, not that the device stopped. A stop for
    a reason no term of the model stands behind (a wrapped wire, a caught collar, ischaemia) says only that the device came as far as
    that. Where the fit says that nothing passes, the model has nothing to learn from the attempt.
    """
    anyhow = _anywhere(attempt, rig)
    if not rig.passes:
        return np.full(len(way.ends), 0.5 * anyhow)
    pushes = model.said_share if attempt.push is None else {attempt.push: 1.0}
    cells, depths = _cells(attempt, rig, model)
    by_model = not attempt.reached and attempt.limited_by in (None, *ENDINGS)
    told = np.zeros(len(way.ends))
    for push, share in pushes.items():
        found = ends(way, push, model, depths=depths)
        one = _told(attempt, found, cells, model)
        if by_model:
            one = (1.0 - model.misread) * one + model.misread * anyhow * (1.0 - found.reached)
        told += share * one
    return np.asarray((1.0 - model.floor) * told + model.floor * 0.5 * anyhow)


def _anywhere(attempt: Attempt, rig: QuickRig) -> float:
    """Return the density of what is told of an end where place and reason are told at random."""
    if attempt.reached or (attempt.limited_by is not None and attempt.limited_by not in ENDINGS):
        return 1.0
    place = 1.0 if attempt.stopped_at_mm is None else 1.0 / (rig.landing_tip_mm - rig.seat_mm)
    return place * (1.0 if attempt.limited_by is None else 1.0 / len(ENDINGS))


def _cells(attempt: Attempt, rig: QuickRig, model: AttemptModel) -> tuple[FloatArray, slice]:
    """Return what each cell stopped in gives to the place that was read, and the depths at which that is anything."""
    at_mm = attempt.stopped_at_mm
    if attempt.reached:
        return np.zeros(0), slice(0, 0)
    if at_mm is None:
        return np.ones(len(rig.tips_mm)), slice(None)
    lower, upper = cells_mm(rig)
    within = (lower <= at_mm + _FAR_SD * model.place_sd_mm) & (upper >= at_mm - _FAR_SD * model.place_sd_mm)
    near = np.flatnonzero(within)
    depths = slice(int(near[0]), int(near[-1]) + 1) if len(near) else slice(0, 0)
    return place_density(rig, np.array([at_mm]), model)[0, depths], depths


def _told(attempt: Attempt, found: Ends, cells: FloatArray, model: AttemptModel) -> FloatArray:
    """Return the likelihood of an end that the model knows."""
    if attempt.reached:
        return found.reached
    if attempt.limited_by is None:
        return np.asarray(found.stops @ cells)
    if attempt.limited_by in ENDINGS:
        column = model.named[:, ENDINGS.index(attempt.limited_by)]
        return np.asarray(found.by_ending(cells) @ column)
    if attempt.stopped_at_mm is None:
        return np.ones(len(found.reached))
    came = 1.0 - found.before[:, None] - np.cumsum(found.stops, axis=1) + found.stops
    return np.asarray(came @ (cells / max(float(cells.sum()), 1e-300)))


def simulate(
    rig: QuickRig,
    way: WayIn,
    *,
    rng: np.random.Generator,
    model: AttemptModel,
    push: Pushed = Pushed.ALL_THAT_WAS_SAFE,
    id: str = "simulated",
    name: str = "",
) -> Attempt:
    """Return an attempt as the model expects it to end, for the first draw.

    Parameters
    ----------
    rig : QuickRig
        What is tried.
    way : WayIn
        What the way in asks; only its first draw is used.
    rng : numpy.random.Generator
        Source of chance.
    model : AttemptModel
        How attempts vary and are reported.
    push : Pushed
        How hard it is pushed.
    id, name : str
        Of the attempt, and the key of its rig.

    Returns
    -------
    Attempt
        With place and reason where it stopped.
    """
    lower, upper = cells_mm(rig)
    anyhow = rng.random() < model.floor
    if anyhow and rng.random() < 0.5:
        return Attempt(id, name, True, push=push)
    limits = way.limits_N[0] * np.array([1.0, model.push_share[push], 1.0])
    beyond = way.peaks_N[0] > limits.min() * np.exp(model.execution_sd * rng.standard_normal())
    if not anyhow and not beyond.any():
        return Attempt(id, name, True, push=push)
    if anyhow or rng.random() < model.misread:
        at = float(rng.uniform(rig.seat_mm, rig.landing_tip_mm))
        return Attempt(id, name, False, at, ENDINGS[int(rng.integers(len(ENDINGS)))], push)
    j = int(beyond.argmax())
    other = _LIMITS if way.ends[0] == PROLAPSED else _LIMITS + 1
    row = int(np.argmin(limits)) if np.isfinite(way.peaks_N[0, j]) else other
    said = ENDINGS[int(rng.choice(len(ENDINGS), p=model.named[row]))]
    at = float(rng.uniform(lower[j], upper[j]) + model.place_sd_mm * rng.standard_normal())
    return Attempt(id, name, False, at, said, push)
