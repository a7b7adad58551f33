"""The small banded solver against general-purpose linear algebra, and the rod's matrix against differences of its residual."""

from __future__ import annotations

import runpy
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import solve_banded

from backstay.core.mechanics.banded import BAND, HALF, factor, ldl, ldl_solve, solve
from backstay.core.mechanics.coupled import assemble
from backstay.core.mechanics.elastic import lay_assembly, lay_edges

RODS = runpy.run_path(str(Path(__file__).resolve().parents[1] / "rods.py"))
EPSILON = np.finfo(float).eps


def rows_of(dense: np.ndarray) -> np.ndarray:
    """The solver's storage: row i holds columns i - BAND .. i + 2 BAND."""
    size = len(dense)
    rows = np.zeros((size, 3 * BAND + 1))
    for i in range(size):
        for j in range(max(0, i - BAND), min(size, i + BAND + 1)):
            rows[i, j - i + BAND] = dense[i, j]
    return rows


def random_band(rng: np.random.Generator, size: int, half: int = BAND) -> np.ndarray:
    full = rng.normal(size=(size, size))
    i, j = np.indices(full.shape)
    return np.where(np.abs(i - j) <= half, full, 0.0)


def solved(dense: np.ndarray, right: np.ndarray) -> np.ndarray:
    size = len(dense)
    rows, pivots, x = rows_of(dense), np.zeros((size, 2), dtype=np.int64), right.copy()
    assert factor(rows, pivots, size)
    solve(rows, pivots, x, size)
    return x


@pytest.mark.parametrize("size", [1, 2, 7, 8, 15, 40, 333])
@pytest.mark.parametrize("pivoting", [False, True])
def test_solution_agrees_with_scipy(size: int, pivoting: bool) -> None:
    rng = np.random.default_rng(size + 1000 * pivoting)
    dense = random_band(rng, size)
    if pivoting and size > 1:
        np.fill_diagonal(dense, 0.0)  # no row can start elimination without a swap
    elif not pivoting:
        dense += 20.0 * np.eye(size)
    right = rng.normal(size=size)
    band = np.zeros((2 * BAND + 1, size))
    for i in range(size):
        for j in range(max(0, i - BAND), min(size, i + BAND + 1)):
            band[BAND + i - j, j] = dense[i, j]
    wide = min(BAND, size - 1)
    expected = solve_banded((wide, wide), band[BAND - wide : BAND + wide + 1], right)
    bound = 100.0 * EPSILON * np.linalg.cond(dense) * max(np.abs(expected).max(), 1.0)
    assert np.abs(solved(dense, right) - expected).max() <= bound


def test_rows_are_really_swapped() -> None:
    dense = random_band(np.random.default_rng(5), 30)
    np.fill_diagonal(dense, 0.0)
    rows, pivots = rows_of(dense), np.zeros((30, 2), dtype=np.int64)
    assert factor(rows, pivots, 30)
    assert pivots[0, 0] != 0  # a diagonal of zero cannot stay


def test_only_the_rows_in_use_are_touched() -> None:
    rng = np.random.default_rng(6)
    dense = random_band(rng, 20) + 10.0 * np.eye(20)
    rows = np.vstack([rows_of(dense), np.full((5, 3 * BAND + 1), 7.0)])
    pivots, right = np.zeros((25, 2), dtype=np.int64), rng.normal(size=25)
    x = right.copy()
    assert factor(rows, pivots, 20)
    solve(rows, pivots, x, 20)
    assert x[:20] == pytest.approx(np.linalg.solve(dense, right[:20]), rel=1e-9, abs=1e-12)
    assert np.array_equal(x[20:], right[20:]) and np.all(rows[20:] == 7.0)


def test_singular_matrix_is_refused() -> None:
    dense = random_band(np.random.default_rng(7), 12)
    dense[:, 4] = 0.0
    assert not factor(rows_of(dense), np.zeros((12, 2), dtype=np.int64), 12)
    assert not factor(np.zeros((3, 3 * BAND + 1)), np.zeros((3, 2), dtype=np.int64), 3)


def lower_of(dense: np.ndarray) -> np.ndarray:
    size = len(dense)
    rows = np.zeros((size, HALF + 1))
    for i in range(size):
        for j in range(max(0, i - HALF), i + 1):
            rows[i, j - i + HALF] = dense[i, j]
    return rows


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("size", [1, 3, 6, 25, 80])
def test_negative_pivots_are_negative_eigenvalues(seed: int, size: int) -> None:
    rng = np.random.default_rng(seed)
    lower = np.tril(random_band(rng, size, HALF))
    dense = lower + lower.T + rng.uniform(-1.0, 6.0) * np.eye(size)
    values = np.linalg.eigvalsh(dense)
    assert np.abs(values).min() > 1e-9  # a count means nothing at a zero eigenvalue
    assert ldl(lower_of(dense), np.zeros(size), size, 0.0) == np.count_nonzero(values < 0.0)
    shift = 1.0 - values[0]
    assert ldl(lower_of(dense), np.zeros(size), size, shift) == 0
    assert ldl(lower_of(dense), np.zeros(size), size, shift - 1.5) >= 1


def test_symmetric_solution() -> None:
    rng = np.random.default_rng(9)
    lower = np.tril(random_band(rng, 50, HALF))
    dense = lower + lower.T + 12.0 * np.eye(50)
    rows, pivots, right = lower_of(dense), np.zeros(50), rng.normal(size=50)
    assert ldl(rows, pivots, 50, 0.0) == 0
    x = right.copy()
    ldl_solve(rows, pivots, x, 50)
    assert x == pytest.approx(np.linalg.solve(dense, right), rel=1e-10, abs=1e-13)


@pytest.fixture(scope="module")
def bent() -> tuple:  # type: ignore[type-arg]
    """A problem with everything in it, at a random shape far from equilibrium, in and out of wall contact."""
    profile = ([0.0, 3.0, 21.0, 22.0, 200.0], [2.0, 30.0, 30.0, 8.0, 8.0], [0.25, 0.5, 0.5, 0.4, 0.4])
    path = RODS["arc"](15.0, 2.0, lead_mm=10.0, tail_mm=15.0, spacing_mm=1.0)
    p = RODS["problem"](
        path, 1.0, lumen_mm=1.2, wall_MPa=0.1, tip_mm=33.3, wire_Nmm2=5.0, device=profile, wire_radius_mm=0.178,
        friction=0.1, mouth_MPa=100.0,
    )  # fmt: skip
    rng = np.random.default_rng(0)
    return p, rng.normal(size=(p.last + 1, 2)), 0.5 * rng.normal(size=p.last + 1)


def test_coupled_matrix_is_the_residuals_derivative(bent: tuple) -> None:  # type: ignore[type-arg]
    """The assembly's place on the path is held, as Newton holds it within a step."""
    p, w, q = bent
    size = 3 * (p.last + 1)
    matrix = p.assemble(w, q, 0.3).matrix.copy()
    dense = np.zeros((size, size))
    for i in range(size):
        for k in range(2 * BAND + 1):
            if 0 <= i + k - BAND < size:
                dense[i, i + k - BAND] = matrix[i, k]

    def residual(column: int, step: float) -> np.ndarray:
        w2, q2 = w.copy(), q.copy()
        if column % 3 < 2:
            w2[column // 3, column % 3] += step
        else:
            q2[column // 3] += step
        lay_edges(p.tube, w2, p.last, p.work)
        assemble(p.tube, p.load, w2, q2, p.last, 0.3, p.work, False)
        return np.asarray(p.work.residual[:size].copy())

    lay_edges(p.tube, w, p.last, p.work)
    lay_assembly(p.tube, p.load, p.last, p.work)
    step = 1e-5
    found = np.stack([(residual(j, step) - residual(j, -step)) / (2.0 * step) for j in range(size)], axis=1)
    found[-1, -1] = 1.0  # the push beyond the last edge is no unknown; its row keeps the matrix regular
    assert np.abs(dense - found).max() < 1e-6 * np.abs(dense).max()
    assert np.count_nonzero(np.abs(dense[2::3]) > 1e-6) > 2 * (p.last + 1) + 40  # push follows the shape too


def test_shape_hessian_is_the_matrix_without_the_push(bent: tuple) -> None:  # type: ignore[type-arg]
    """Without friction and load: these turn with the rod, so no energy stands behind their part."""
    p, w, q = bent
    work = replace(p, load=p.load._replace(friction=0.0)).assemble(w, q, 0.0)
    for i in range(2 * (p.last + 1)):
        for j in range(max(0, i - HALF), i + 1):
            row, column = 3 * (i // 2) + i % 2, 3 * (j // 2) + j % 2
            if abs(row - column) > BAND:
                assert work.hessian[i, j - i + HALF] == 0.0
                continue
            assert work.hessian[i, j - i + HALF] == pytest.approx(
                work.matrix[row, column - row + BAND], abs=1e-12
            )
            assert work.matrix[column, row - column + BAND] == pytest.approx(
                work.matrix[row, column - row + BAND], abs=1e-9
            )
