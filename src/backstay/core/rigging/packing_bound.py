"""A proof that circles do not go into a round lumen: branch and bound on their distances from its middle.

In any arrangement that goes in, push every circle outward as far as it will go (the arrangement with the
largest sum of distances from the middle). Then each circle either touches the wall, or is blocked from
outside: it touches another whose centre lies further out by at least a right angle at the contact, so that
`rho_j^2 >= rho_i^2 + (r_i + r_j)^2`. Only the distances of the blocked ones are unknown. For intervals of
distances each pair needs at least a certain angle between them, and whether the angles go round once in
some order is a set of difference constraints, decided exactly by longest paths. An interval that fails is
excluded, otherwise it is halved.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

EXCLUDED, NOT_EXCLUDED, OUT_OF_BUDGET = 0, 1, 2

_TURN_rad = 2.0 * np.pi
_ROUNDING_rad = 1e-10
_STACK = 4096


@compiled
def least_angle(low_i: float, high_i: float, low_j: float, high_j: float, apart: float) -> float:
    """Return the least angle two circles can subtend at the middle when their distances lie in two intervals.

    Parameters
    ----------
    low_i, high_i, low_j, high_j : float
        Intervals of the distances from the middle [mm].
    apart : float
        Sum of the two radii [mm].

    Returns
    -------
    float
        Angle [rad], 0 where one can lie behind the other; -1 where no pair of distances keeps them apart.

    Notes
    -----
    The cosine `(a^2 + b^2 - d^2) / (2 a b)` falls and then rises along either distance, so its largest
    value over the rectangle is at a corner.
    """
    best = -np.inf
    for i in range(2):
        a = max(low_i if i == 0 else high_i, 1e-12)
        for j in range(2):
            b = max(low_j if j == 0 else high_j, 1e-12)
            best = max(best, (a * a + b * b - apart * apart) / (2.0 * a * b))
    if best < -1.0 - 1e-12:
        return -1.0
    return float(np.arccos(min(max(best, -1.0), 1.0)))


@compiled
def _closes(order: IntArray, least_rad: FloatArray, theta: FloatArray, n: int) -> bool:
    """Decide one cyclic order by longest paths; `theta` starts at its forward values and is completed."""
    change = 0.0
    for _ in range(2 * n + 1):
        change = 0.0
        for k in range(1, n):
            for j in range(k):
                need = least_rad[order[j], order[k]]
                forward = theta[j] + need - theta[k]
                if forward > 0.0:
                    theta[k] += forward
                    change = max(change, forward)
                back = theta[k] + need - _TURN_rad - theta[j]
                if back > 0.0:
                    if j == 0:
                        if back > _ROUNDING_rad:
                            return False
                    else:
                        theta[j] += back
                        change = max(change, back)
        if change <= 0.0:
            return True
    return change <= _ROUNDING_rad


@compiled
def arrangement(least_rad: FloatArray, twin: IntArray, theta: FloatArray) -> bool:
    """Look for angles at which every pair keeps its least angle.

    Parameters
    ----------
    least_rad : ndarray, shape (n, n)
        Least angle of each pair [rad].
    twin : ndarray of int, shape (n,)
        The interchangeable circle that must come earlier round the lumen, or -1.
    theta : ndarray, shape (n,)
        Receives the angles found [rad].

    Returns
    -------
    bool
        Whether such angles exist; False is proven but for rounding (1e-10 rad).
    """
    n = len(twin)
    order, choice = np.zeros(n, np.int64), np.ones(n + 1, np.int64)
    used, at, trial = np.zeros(n, np.bool_), np.zeros(n), np.zeros(n)
    depth = 1
    while depth >= 1:
        if depth == n:
            trial[:] = at
            if _closes(order, least_rad, trial, n):
                for k in range(n):
                    theta[order[k]] = trial[k]
                return True
            depth -= 1
            used[order[depth]] = False
            if depth == 0:
                break
        c = choice[depth]
        while c < n and (used[c] or (twin[c] >= 0 and not used[twin[c]])):
            c += 1
        if c >= n:
            depth -= 1
            used[order[depth]] = False
            continue
        choice[depth] = c + 1
        place = 0.0
        for k in range(depth):
            place = max(place, at[k] + least_rad[order[k], c])
        if place + least_rad[0, c] > _TURN_rad + _ROUNDING_rad:
            continue
        order[depth], at[depth], used[c] = c, place, True
        depth += 1
        choice[depth] = 1
    return False


@compiled
def _box_excluded(
    low: FloatArray, high: FloatArray, inner: FloatArray, radii: FloatArray, twin: IntArray, work: FloatArray
) -> bool:
    """Whether no arrangement has its distances in this box; `work` is (n + 1, n)."""
    n = len(radii)
    for i in range(n):
        if inner[i] > 0.0:
            blocked = False
            for j in range(n):
                apart = radii[i] + radii[j]
                if j != i and high[j] * high[j] + 1e-12 >= low[i] * low[i] + apart * apart:
                    blocked = True
            if not blocked:
                return True
    for i in range(n):
        for j in range(i):
            least = least_angle(low[i], high[i], low[j], high[j], radii[i] + radii[j])
            if least < 0.0:
                return True
            work[i, j] = least
            work[j, i] = least
    return not arrangement(work[:n], twin, work[n])


@compiled
def _twins(radii: FloatArray, inner: FloatArray) -> IntArray:
    """Chain circles of equal size that lie at the wall; the first starts the round and stands apart."""
    n = len(radii)
    twin = np.full(n, -1, np.int64)
    for i in range(1, n):
        for j in range(1, i):
            if inner[i] == 0.0 and inner[j] == 0.0 and radii[i] == radii[j]:
                twin[i] = j
    return twin


@compiled
def _skips_a_twin(radii: FloatArray, mask: int) -> bool:
    """Among equal circles only the last ones need lie inside: every other choice is the same one renamed."""
    for i in range(len(radii) - 1):
        if radii[i] == radii[i + 1] and (mask >> i) & 1 == 1 and (mask >> (i + 1)) & 1 == 0:
            return True
    return False


@compiled
def exclude(radii: FloatArray, lumen_radius_mm: float, budget: int, left_over: FloatArray) -> int:
    """Try to prove that the circles do not go into the lumen.

    Parameters
    ----------
    radii : ndarray, shape (n,)
        Radii [mm], falling; each at most that of the lumen.
    lumen_radius_mm : float
        Radius of the lumen [mm].
    budget : int
        Boxes that may be looked at.
    left_over : ndarray, shape (n, 2)
        Receives, when not excluded, distances [mm] and angles [rad] at which the circles all but go in.

    Returns
    -------
    int
        EXCLUDED: proven. NOT_EXCLUDED: a box of 1e-4 of the lumen's radius is left. OUT_OF_BUDGET: undecided.
    """
    n = len(radii)
    wall = lumen_radius_mm - radii
    lows, highs, work = np.zeros((_STACK, n)), np.zeros((_STACK, n)), np.zeros((n + 1, n))
    inner, finest = np.zeros(n), 1e-4 * lumen_radius_mm
    left = budget
    for mask in range(2**n - 1):
        if _skips_a_twin(radii, mask):
            continue
        possible = True
        for i in range(n):
            inner[i] = float((mask >> i) & 1)
            lows[0, i], highs[0, i] = wall[i], wall[i]
            if inner[i] > 0.0:
                reach = -1.0
                for j in range(n):
                    if j != i:
                        reach = max(reach, wall[j] ** 2 - (radii[i] + radii[j]) ** 2)
                possible = possible and reach >= 0.0
                lows[0, i], highs[0, i] = 0.0, min(wall[i], np.sqrt(max(reach, 0.0)))
        if not possible:
            continue
        twin, top = _twins(radii, inner), 1
        while top > 0:
            top -= 1
            left -= 1
            if left < 0 or top + 2 >= _STACK:
                return OUT_OF_BUDGET
            if _box_excluded(lows[top], highs[top], inner, radii, twin, work):
                continue
            widest = np.argmax(highs[top] - lows[top])
            width = highs[top, widest] - lows[top, widest]
            if width < finest:
                left_over[:, 0] = 0.5 * (lows[top] + highs[top])
                left_over[:, 1] = work[n]
                return NOT_EXCLUDED
            lows[top + 1], highs[top + 1] = lows[top], highs[top]
            middle = lows[top, widest] + 0.5 * width
            highs[top, widest] = middle
            lows[top + 1, widest] = middle
            top += 2
    return EXCLUDED


@compiled
def smallest_at_wall(radii: FloatArray, low_mm: float, high_mm: float, theta: FloatArray) -> float:
    """Return the smallest lumen in which all circles can touch the wall, by bisection.

    Parameters
    ----------
    radii : ndarray, shape (n,)
        Radii [mm], falling.
    low_mm, high_mm : float
        Bracket of the lumen's radius [mm].
    theta : ndarray, shape (n,)
        Receives the circles' angles [rad].

    Returns
    -------
    float
        Radius of the lumen [mm]; infinite when the upper end of the bracket is too small.
    """
    n = len(radii)
    least_rad, trial = np.zeros((n, n)), np.zeros(n)
    twin, found = _twins(radii, np.zeros(n)), np.inf
    middle = high_mm
    for _ in range(60):
        wall, possible = middle - radii, True
        for i in range(n):
            for j in range(i):
                least = least_angle(wall[i], wall[i], wall[j], wall[j], radii[i] + radii[j])
                possible = possible and least >= 0.0
                least_rad[i, j] = least
                least_rad[j, i] = least
        if possible and arrangement(least_rad, twin, trial):
            found = middle
            high_mm = middle
            theta[:] = trial
        elif middle == high_mm:
            return float(found)
        else:
            low_mm = middle
        middle = 0.5 * (low_mm + high_mm)
    return float(found)
