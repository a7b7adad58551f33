"""Small banded linear algebra for the rod: LU with threshold pivoting, and the inertia of a symmetric band.

Written out (not LAPACK's dgbsv) because one system has a few hundred unknowns and a band of seven: at that size the calls cost more
than the arithmetic, and a depth's whole load march can then run compiled without returning to Python. Checked against
`scipy.linalg.solve_banded` and `numpy.linalg.eigvalsh`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from backstay.core.mechanics.compiled import compiled

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

BAND = 7
"""Sub- and superdiagonals of the coupled system (shape and push together)."""

HALF = 5
"""Subdiagonals of the shape's own Hessian."""


PIVOT_THRESHOLD = 0.1
"""Share of its column's largest entry that a diagonal needs to stay the pivot: rows then rarely change places and the band stays narrow."""


@compiled
def factor(a: FloatArray, pivots: IntArray, size: int) -> bool:
    """Factor a banded matrix in place, rows pivoted where the diagonal is small (threshold pivoting).

    Parameters
    ----------
    a : ndarray, shape (n, 3 * BAND + 1)
        Row i holds columns i - BAND .. i + 2 * BAND; the last BAND entries of each row must be zero on entry (room for fill).
    pivots : ndarray of int, shape (n, 2)
        Receives the row swapped in at each step, and the last column that its row of the upper factor reaches.
    size : int
        Rows in use.

    Returns
    -------
    bool
        False when a pivot vanishes (the matrix is singular to working precision).
    """
    for k in range(size):
        pivots[k, 1] = min(k + BAND, size - 1)
    for k in range(size):
        last = min(k + BAND, size - 1)
        best, row = abs(a[k, BAND]), k
        for i in range(k + 1, last + 1):
            value = abs(a[i, k - i + BAND])
            if value > best:
                best, row = value, i
        if best < 1e-300:
            return False
        if abs(a[k, BAND]) >= PIVOT_THRESHOLD * best:
            row = k
        pivots[k, 0] = row
        if row != k:
            shift = k - row + BAND
            for j in range(max(pivots[k, 1], pivots[row, 1]) - k + 1):
                a[k, BAND + j], a[row, shift + j] = a[row, shift + j], a[k, BAND + j]
            pivots[k, 1], pivots[row, 1] = pivots[row, 1], pivots[k, 1]
        reach = pivots[k, 1] - k
        inverse = 1.0 / a[k, BAND]
        for i in range(k + 1, last + 1):
            shift = k - i + BAND
            m = a[i, shift] * inverse
            a[i, shift] = m
            if m == 0.0:
                continue
            if reach == BAND:  # a fixed length, which the compiler unrolls
                for j in range(1, BAND + 1):
                    a[i, shift + j] -= m * a[k, BAND + j]
            else:
                for j in range(1, reach + 1):
                    a[i, shift + j] -= m * a[k, BAND + j]
                pivots[i, 1] = max(pivots[i, 1], pivots[k, 1])
    return True


@compiled
def solve(a: FloatArray, pivots: IntArray, b: FloatArray, size: int) -> None:
    """Solve with the factors of `factor`.

    Parameters
    ----------
    a : ndarray, shape (n, 3 * BAND + 1)
        Factors as `factor` left them.
    pivots : ndarray of int, shape (n, 2)
        Row swaps and reaches as `factor` left them.
    b : ndarray, shape (n,)
        Right-hand side; replaced by the solution.
    size : int
        Rows in use.
    """
    for k in range(size):
        row = pivots[k, 0]
        if row != k:
            b[k], b[row] = b[row], b[k]
        value = b[k]
        if value != 0.0:
            for i in range(k + 1, min(k + BAND, size - 1) + 1):
                b[i] -= a[i, k - i + BAND] * value
    for k in range(size - 1, -1, -1):
        total = b[k]
        for j in range(1, pivots[k, 1] - k + 1):
            total -= a[k, BAND + j] * b[k + j]
        b[k] = total / a[k, BAND]


@compiled
def sign(a: FloatArray, pivots: IntArray, size: int) -> int:
    """Return the sign of the determinant.

    Parameters
    ----------
    a : ndarray, shape (n, 3 * BAND + 1)
        Factors as `factor` left them.
    pivots : ndarray of int, shape (n, 2)
        Row swaps as `factor` left them.
    size : int
        Rows in use.

    Returns
    -------
    int
        1 or -1.
    """
    out = 1
    for k in range(size):
        if pivots[k, 0] != k:
            out = -out
        if a[k, BAND] < 0.0:
            out = -out
    return out


@compiled
def ldl(h: FloatArray, d: FloatArray, size: int, shift: float) -> int:
    """Factor a symmetric band as L D L^T in place and return the number of negative pivots (Sylvester's inertia).

    Parameters
    ----------
    h : ndarray, shape (n, HALF + 1)
        Row i holds the lower band: column i - HALF + j at position j, the diagonal last.
    d : ndarray, shape (n,)
        Receives the pivots.
    size : int
        Rows in use.
    shift : float
        Added to the diagonal first.

    Returns
    -------
    int
        How many pivots are negative: 0 for a positive definite matrix.
    """
    negative = 0
    for i in range(size):
        first = max(0, i - HALF)
        for j in range(first, i):
            total = h[i, j - i + HALF]
            for k in range(max(first, j - HALF), j):
                total -= h[i, k - i + HALF] * h[j, k - j + HALF]
            h[i, j - i + HALF] = total
        total = h[i, HALF] + shift
        for j in range(first, i):
            y = h[i, j - i + HALF]
            m = y / d[j]
            total -= y * m
            h[i, j - i + HALF] = m
        if total == 0.0:
            total = 1e-300
        d[i] = total
        if total < 0.0:
            negative += 1
    return negative


@compiled
def ldl_solve(h: FloatArray, d: FloatArray, b: FloatArray, size: int) -> None:
    """Solve with the factors of `ldl`.

    Parameters
    ----------
    h : ndarray, shape (n, HALF + 1)
        Factor L as `ldl` left it.
    d : ndarray, shape (n,)
        Pivots as `ldl` left them.
    b : ndarray, shape (n,)
        Right-hand side; replaced by the solution.
    size : int
        Rows in use.
    """
    for i in range(size):
        total = b[i]
        for j in range(max(0, i - HALF), i):
            total -= h[i, j - i + HALF] * b[j]
        b[i] = total
    for i in range(size):
        b[i] /= d[i]
    for i in range(size - 1, -1, -1):
        value = b[i]
        for j in range(max(0, i - HALF), i):
            b[j] -= h[i, j - i + HALF] * value
