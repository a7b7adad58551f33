"""Lesions of a path: where they are, how tight, how long, and where a stent would land, each with its spread.

A lesion ends where the lumen comes back to within a tenth of its reference and stays there for 3 mm. That is
the rule for the true ends in the study of generated vessels too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from backstay.core.treatment.branching import beyond_branch_mm
from backstay.core.treatment.reference import Lumen, Mouth, ReferenceFit, Span, fit_reference

FloatArray = NDArray[np.float64]

END_RATIO = 0.10
STAYS_MM = 3.0
LESION_RATIO = 0.30
"""A narrowing that nobody named counts as a lesion from here; judgement, no source."""
NOTICED_RATIO = 0.15
"""From here a narrowing is kept out of the reference, whether or not it is called a lesion."""
PAD_MM = 4.0
OFFSET_MM = 0.6
END_SD_MM = 0.25
"""Error of an end by the shape of its shoulder, which a smooth curve rounds: found on generated vessels of other seeds."""
LANDING_MM = 2.0
"""From a lesion's end to the landing zone: common practice, no source."""
LEAST_LUMEN_MM = 0.05
_ROUNDS = 3
_SMOOTH_MM = 1.5


@dataclass(frozen=True)
class Estimate:
    """A number with its spread: median and the central 95 % of the draws."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Measured:
    """One lesion.

    Attributes
    ----------
    named : int or None
        Its number among the lesions the user named, from 0; None where it was found on the path alone.
    from_mm, to_mm : Estimate
        Its ends.
    length_mm : Estimate
        Length.
    narrowest_at_mm : float
        Where it is tightest.
    least_mm : Estimate
        Least lumen diameter.
    reference_mm : Estimate
        Reference at the tightest place.
    diameter_percent, area_percent : Estimate
        Stenosis by diameter and by area.
    proximal_mm, distal_mm : Estimate
        Reference at the two landing zones.
    landing_mm : tuple of float
        The two landing zones.
    covered : ndarray, shape (draws, 2)
        Ends of the lesion in every draw, within the path.
    ostial : bool
        It begins within 3 mm of the path's first point, or cannot be told from that.
    reaches_end : bool
        It runs to the end of the path: no distal landing zone was seen.
    """

    named: int | None
    from_mm: Estimate
    to_mm: Estimate
    length_mm: Estimate
    narrowest_at_mm: float
    least_mm: Estimate
    reference_mm: Estimate
    diameter_percent: Estimate
    area_percent: Estimate
    proximal_mm: Estimate
    distal_mm: Estimate
    landing_mm: tuple[float, float]
    covered: FloatArray
    ostial: bool
    reaches_end: bool

    def share_covered(self, from_mm: float, to_mm: float) -> float:
        """Return the share of draws in which a stretch covers the lesion from end to end."""
        inside = (self.covered[:, 0] >= from_mm - 1e-9) & (self.covered[:, 1] <= to_mm + 1e-9)
        return float(np.mean(inside))


def estimate(draws: FloatArray) -> Estimate:
    """Return median and central 95 % of draws.

    Parameters
    ----------
    draws : ndarray, shape (n,)
        The draws.

    Returns
    -------
    Estimate
        Rounded to a thousandth.

    Examples
    --------
    >>> estimate(np.linspace(0.0, 1.0, 1001))
    Estimate(value=0.5, low=0.025, high=0.975)
    """
    low, middle, high = np.quantile(draws, [0.025, 0.5, 0.975])
    return Estimate(round(float(middle), 3), round(float(low), 3), round(float(high), 3))


def measure_lesions(
    lumen: Lumen, mouths: Sequence[Mouth], named: Sequence[Span], *, rng: np.random.Generator
) -> tuple[ReferenceFit, list[Measured]]:
    """Return the reference along the path and every lesion on it.

    Parameters
    ----------
    lumen : Lumen
        What was measured.
    mouths : sequence of Mouth
        Branches.
    named : sequence of Span
        Lesions the user named; each is measured even where the lumen hardly shows it. Others are found.
    rng : numpy.random.Generator
        For the draws.

    Returns
    -------
    tuple of ReferenceFit and list of Measured
        Lesions in order along the path.

    Notes
    -----
    First a robust line with steps at the branches, which looks at the upper part of the lumen; what lies
    below it is kept out, the reference fitted to the rest, and what lies below that kept out in turn.
    """
    reference = _robust_reference_mm(lumen, mouths)
    spans = _diseased(lumen, reference, named)
    fit = fit_reference(lumen, mouths, spans, rng=rng)
    for _ in range(_ROUNDS):
        found = _diseased(lumen, np.interp(lumen.s_mm, fit.s_mm, fit.reference_mm), named)
        if _same(found, spans):
            break
        spans = found
        fit = fit_reference(lumen, mouths, spans, rng=rng)
    return fit, measured_on(fit, named, rng)


def _same(a: Sequence[Span], b: Sequence[Span]) -> bool:
    return len(a) == len(b) and all(
        abs(x.from_mm - y.from_mm) < 1.0 and abs(x.to_mm - y.to_mm) < 1.0 for x, y in zip(a, b, strict=True)
    )


# Finding


def _robust_reference_mm(lumen: Lumen, mouths: Sequence[Mouth]) -> FloatArray:
    """Return a first reference at the rows: a line with steps, blind to what lies well below it."""
    s, d = lumen.s_mm, lumen.diameter_mm
    middle = float(np.mean(s))
    top = float(np.quantile(d, 0.8))
    columns, centre = [np.ones_like(s), s - middle], [top, -0.006]
    spread = [1.0, 0.010]
    for mouth in mouths:
        near = float(np.quantile(d[np.argsort(np.abs(s - mouth.at_mm + 4.0))[:9]], 0.7))
        step = beyond_branch_mm(mother_mm=near, branch_mm=min(mouth.diameter_mm, 0.9 * near)) - near
        columns.append(np.clip((s - mouth.at_mm) / max(mouth.diameter_mm, 0.5) + 0.5, 0.0, 1.0))
        centre.append(step)
        spread.append(0.35 * abs(step) + 0.05)
    x = np.column_stack(columns)
    weight_prior = np.diag(1.0 / np.square(spread))
    beta = np.array(centre)
    beta[0] += float(np.quantile(d - x @ beta, 0.7))
    noise = max(lumen.sd_mm, 0.05)
    for width in (8.0, 4.0, 3.0, 3.0, 3.0):
        residual = (d - x @ beta) / noise
        weight = np.where(residual < 0.0, np.exp(-0.5 * (residual / width) ** 2), 1.0)
        weight = weight / (1.0 + np.square(np.maximum(residual, 0.0) / width)) / noise**2
        left = x.T @ (weight[:, None] * x) + weight_prior
        right = x.T @ (weight * d) + weight_prior @ np.array(centre)
        beta = np.linalg.solve(left, right)
    return np.asarray(x @ beta)


def _smoothed(lumen: Lumen) -> FloatArray:
    gap = lumen.s_mm[:, None] - lumen.s_mm[None, :]
    weight = np.exp(-0.5 * (gap / _SMOOTH_MM) ** 2)
    return np.asarray(weight @ lumen.diameter_mm / weight.sum(axis=1))


def _diseased(lumen: Lumen, reference_mm: FloatArray, named: Sequence[Span]) -> list[Span]:
    """Return the stretches to keep out of the reference, with 3 mm to spare, joined where they meet."""
    narrowed = 1.0 - _smoothed(lumen) / reference_mm
    spans = [Span(x.from_mm - PAD_MM, x.to_mm + PAD_MM) for x in named]
    below = np.flatnonzero(narrowed > 0.5 * END_RATIO)
    for run in np.split(below, np.flatnonzero(np.diff(below) > 1) + 1):
        if run.size and narrowed[run].max() >= NOTICED_RATIO:
            spans.append(Span(lumen.s_mm[run[0]] - PAD_MM, lumen.s_mm[run[-1]] + PAD_MM))
    joined: list[Span] = []
    for span in sorted(spans, key=lambda x: x.from_mm):
        if joined and span.from_mm <= joined[-1].to_mm:
            joined[-1] = Span(joined[-1].from_mm, max(joined[-1].to_mm, span.to_mm))
        else:
            joined.append(span)
    return joined


# Measuring


def measured_on(fit: ReferenceFit, named: Sequence[Span], rng: np.random.Generator) -> list[Measured]:
    """Return every lesion of a fit, those named and those found, from the ostium on.

    Parameters
    ----------
    fit : ReferenceFit
        Reference and lumen.
    named : sequence of Span
        Lesions the user named.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    list of Measured
        As of `measure_lesions`.
    """
    narrowed = 1.0 - fit.lumen_mm / fit.reference_mm
    peaks = _peaks(fit, narrowed, named)
    return [_one(fit, peak, number, rng) for peak, number in sorted(peaks, key=lambda x: x[0])]


def _peaks(fit: ReferenceFit, narrowed: FloatArray, named: Sequence[Span]) -> list[tuple[int, int | None]]:
    """Return the tightest place of every lesion with its number among those named."""
    s = fit.s_mm
    found: list[tuple[int, int | None]] = []
    taken = np.zeros(s.shape, dtype=bool)
    for number, span in enumerate(named):
        inside = np.flatnonzero((s >= span.from_mm) & (s <= span.to_mm))
        if not inside.size:  # shorter than the grid
            inside = np.array([np.argmin(np.abs(s - 0.5 * (span.from_mm + span.to_mm)))])
        peak = int(inside[np.argmax(narrowed[inside])])
        first, last = _ends(narrowed[None, :], np.array([peak]), s)
        taken |= (s >= min(first[0], span.from_mm)) & (s <= max(last[0], span.to_mm))
        found.append((peak, number))
    left = np.where(taken, 0.0, narrowed)
    while left.max() >= LESION_RATIO:
        peak = int(np.argmax(left))
        first, last = _ends(narrowed[None, :], np.array([peak]), s)
        left[(s >= first[0]) & (s <= last[0])] = 0.0
        left[peak] = 0.0
        found.append((peak, None))
    return found


def _ends(narrowed: FloatArray, peak: NDArray[np.int64], s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return both ends of the lesion about each row's peak, shape (draws,), linear between grid places."""
    return _end(narrowed, peak, s, last=False), _end(narrowed, peak, s, last=True)


def _end(narrowed: FloatArray, peak: NDArray[np.int64], s: FloatArray, *, last: bool) -> FloatArray:
    step = float(s[1] - s[0])
    stays = max(round(STAYS_MM / step), 1)
    if last:
        return np.asarray(s[0] + _end_beyond(narrowed, peak, stays) * step)
    return np.asarray(s[-1] - _end_beyond(narrowed[:, ::-1], narrowed.shape[1] - 1 - peak, stays) * step)


def _end_beyond(narrowed: FloatArray, peak: NDArray[np.int64], stays: int) -> FloatArray:
    """Return the place (grid units) beyond each peak where the narrowing falls below the end's level to stay.

    A stretch shorter than `stays` that reaches the path's end counts when all of it is healthy.
    """
    draws, size = narrowed.shape
    healthy = narrowed < END_RATIO
    next_ill = np.where(healthy, size, np.arange(size))
    run = np.minimum.accumulate(next_ill[:, ::-1], axis=1)[:, ::-1] - np.arange(size)
    need = np.minimum(stays, size - np.arange(size))
    is_end = run >= need
    is_end &= np.arange(size) > peak[:, None]
    end = np.where(is_end.any(axis=1), is_end.argmax(axis=1), size - 1)
    rows = np.arange(draws)
    before, after = narrowed[rows, end - 1], narrowed[rows, end]
    fall = np.where(before > after, before - after, 1.0)
    back = np.where(is_end.any(axis=1), np.clip((END_RATIO - after) / fall, 0.0, 1.0), 0.0)
    return np.asarray(end - back)


def _ends_by_draw(
    mean: FloatArray, draws: FloatArray, peak: int, s: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return both ends in every draw, shape (draws,): those of the mean curve, moved by how far the draw lies off it there.

    A draw wiggles, and a rule that asks it to stay below a level would push every end outwards; its offset over a few
    millimetres at the end does not wiggle. Elsewhere the curve moves by as much as the draws do, on average, with such an
    offset: hardly at all far from the end, where it is another part of the vessel.
    """
    found = []
    off = draws - mean
    for last, end in enumerate(_ends(mean[None, :], np.array([peak]), s)):
        offset = off[:, np.abs(s - end[0]) <= OFFSET_MM].mean(axis=1)
        spread = float(offset @ offset)
        follows = offset @ off / spread if spread > 0.0 else np.zeros(s.shape)
        moved = mean + offset[:, None] * np.clip(follows, 0.0, None)
        found.append(_end(moved, np.full(len(draws), peak), s, last=bool(last)))
    return found[0], found[1]


def _one(fit: ReferenceFit, peak: int, number: int | None, rng: np.random.Generator) -> Measured:
    s = fit.s_mm
    mean = 1.0 - fit.lumen_mm / fit.reference_mm
    first, last = _ends(mean[None, :], np.array([peak]), s)
    # What is hardly narrowed ends where it begins, and by rounding a little before.
    inside = np.flatnonzero((s >= min(first[0], s[peak])) & (s <= max(last[0], s[peak])))
    draws = 1.0 - fit.lumen_draws_mm / fit.reference_draws_mm
    at = inside[np.argmin(fit.lumen_mm[inside])]
    near = np.abs(s - s[at]) <= OFFSET_MM
    least = fit.lumen_mm[at] + (fit.lumen_draws_mm[:, near] - fit.lumen_mm[near]).mean(axis=1)
    # The least of a curve with error lies too low: by about as much as the least of a draw lies below that of the mean.
    least -= float(np.mean(fit.lumen_draws_mm[:, inside].min(axis=1))) - fit.lumen_mm[at]
    least = np.maximum(least, LEAST_LUMEN_MM)
    rows, by_draw = np.arange(len(draws)), inside[np.argmin(fit.lumen_draws_mm[:, inside], axis=1)]
    reference = fit.reference_draws_mm[rows, by_draw]
    stenosis = 1.0 - least / reference
    starts, stops = _ends_by_draw(mean, draws, peak, s)
    # Beyond the path nothing was seen: a lesion that reaches its end is known up to there, and noted to reach it.
    starts, stops = (
        np.clip(x + END_SD_MM * rng.standard_normal(x.shape), s[0], s[-1]) for x in (starts, stops)
    )
    begin, end = estimate(starts), estimate(stops)
    landing = (max(begin.value - LANDING_MM, float(s[0])), min(end.value + LANDING_MM, float(s[-1])))
    near, far = (int(np.argmin(np.abs(s - place))) for place in landing)
    return Measured(
        named=number,
        from_mm=begin,
        to_mm=end,
        # Where nothing is narrowed by the rule for the ends, their own error may cross them.
        length_mm=estimate(np.maximum(stops - starts, 0.0)),
        narrowest_at_mm=float(s[at]),
        least_mm=estimate(least),
        reference_mm=estimate(reference),
        diameter_percent=estimate(100.0 * stenosis),
        area_percent=estimate(100.0 * (1.0 - (1.0 - stenosis) ** 2)),
        proximal_mm=estimate(fit.reference_draws_mm[:, near]),
        distal_mm=estimate(fit.reference_draws_mm[:, far]),
        landing_mm=landing,
        covered=np.stack([starts, stops], axis=1),
        ostial=begin.low <= 3.0,
        reaches_end=end.high >= float(s[-1]) - 0.5,
    )
