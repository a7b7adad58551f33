"""What the compiled solver is measured against: the same residual and Hessian in the hands of SciPy's general solvers."""

from __future__ import annotations

from dataclasses import dataclass
from time import perf_counter
from typing import Any

import numpy as np
import scipy.optimize
import scipy.sparse
import scipy.sparse.linalg
from numpy.typing import NDArray

from backstay.core.mechanics.banded import BAND, HALF
from backstay.core.mechanics.coupled import assemble
from backstay.core.mechanics.elastic import Load, Tube, Work, lay_assembly, lay_edges, stored_energy
from backstay.core.mechanics.equilibrium import LARGEST_STEP_MM, STEP_TOLERANCE_MM

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class ShapeProblem:
    """One shape: a vessel, what lies in it, a load, where to start, and the converged state."""

    tube: Tube
    load: Load
    m: int
    lesion_N: float
    start_w: FloatArray
    start_q: FloatArray
    w: FloatArray
    q: FloatArray
    iterations: int


def sparse(matrix: FloatArray, size: int) -> scipy.sparse.csc_array:
    """Return the banded matrix (row i holds columns i - BAND ..) as compressed columns."""
    rows = np.repeat(np.arange(size), 2 * BAND + 1)
    columns = rows + np.tile(np.arange(-BAND, BAND + 1), size)
    values = matrix[:size, : 2 * BAND + 1].ravel()
    inside = (columns >= 0) & (columns < size)
    return scipy.sparse.csc_array((values[inside], (rows[inside], columns[inside])), shape=(size, size))


def newton_superlu(problem: ShapeProblem, work: Work, limit: int = 40) -> tuple[int, FloatArray]:
    """Solve one shape as `march.newton` does, with SuperLU on a general sparse matrix; return iterations and the shape."""
    p, m = problem, problem.m
    w, q, size = p.start_w.copy(), p.start_q.copy(), 3 * (problem.m + 1)
    for iteration in range(limit):
        lay_edges(p.tube, w, m, work)
        if iteration < 4:
            lay_assembly(p.tube, p.load, m, work)
        assemble(p.tube, p.load, w, q, m, p.lesion_N, work, True)
        x = scipy.sparse.linalg.spsolve(sparse(work.matrix, size), work.residual[:size]).reshape(-1, 3)
        largest = float(np.abs(x[:, :2]).max())
        scale = min(1.0, LARGEST_STEP_MM / largest)
        w[: m + 1] -= scale * x[:, :2]
        q[:m] -= scale * x[:m, 2]
        if largest < STEP_TOLERANCE_MM and iteration > 0:
            return iteration + 1, w
    return -1, w


class Energy:
    """The energy of the shape at fixed push, for general minimisers: value, gradient and Hessian, all exact."""

    def __init__(self, problem: ShapeProblem, work: Work) -> None:
        self.p, self.work, self.size = problem, work, 2 * (problem.m + 1)
        self.at: FloatArray | None = None
        self.kept = scipy.sparse.csr_array((self.size, self.size))
        lay_edges(problem.tube, problem.w, problem.m, work)
        lay_assembly(problem.tube, problem.load, problem.m, work)

    def _lay(self, x: FloatArray) -> FloatArray:
        w = np.zeros_like(self.p.w)
        w[: self.p.m + 1] = x.reshape(-1, 2)
        lay_edges(self.p.tube, w, self.p.m, self.work)
        return w

    def value_and_gradient(self, x: FloatArray) -> tuple[float, FloatArray]:
        """Return energy [N mm] and gradient [N]."""
        p, w = self.p, self._lay(x)
        value = stored_energy(p.tube, w, p.m, self.work) - float(p.q[: p.m] @ self.work.length_mm[: p.m])
        assemble(p.tube, p.load, w, p.q, p.m, p.lesion_N, self.work, False)
        gradient = self.work.residual[: 3 * (p.m + 1)].reshape(-1, 3)[:, :2].ravel().copy()
        return value, gradient

    def product(self, x: FloatArray, p: FloatArray) -> FloatArray:
        """Return the Hessian times a vector; the Hessian is assembled once per shape."""
        if self.at is None or not np.array_equal(self.at, x):
            self.at, self.kept = x.copy(), self.hessian(x)
        return np.asarray(self.kept @ p)

    def hessian(self, x: FloatArray) -> scipy.sparse.csr_array:
        """Return the Hessian [N/mm]."""
        p, w = self.p, self._lay(x)
        assemble(p.tube, p.load, w, p.q, p.m, p.lesion_N, self.work, True)
        diagonals = [self.work.hessian[k : self.size, HALF - k] for k in range(HALF + 1)]
        return scipy.sparse.csr_array(
            scipy.sparse.diags_array(
                [*diagonals, *diagonals[1:]], offsets=[*(-k for k in range(HALF + 1)), *range(1, HALF + 1)]
            )
        )


class _Arrived(Exception):
    """The minimiser came within the tolerance of the converged shape."""


def minimise(problem: ShapeProblem, work: Work, method: str, limit: int = 20_000) -> tuple[float, float]:
    """Minimise the energy at the converged push from the problem's start; return seconds and distance to the shape [mm].

    The minimiser is stopped the moment it is within the solver's tolerance of the converged shape: it is told the answer, which can
    only help it.
    """
    energy = Energy(problem, work)
    goal = problem.w[: problem.m + 1].ravel()
    distance = [float(np.abs(problem.start_w[: problem.m + 1].ravel() - goal).max())]

    def check(x: FloatArray, *_: Any) -> None:
        distance[0] = float(np.abs(x - goal).max())
        if distance[0] < STEP_TOLERANCE_MM:
            raise _Arrived

    options: dict[str, Any] = {"maxiter": limit}
    if method == "L-BFGS-B":
        options |= {"maxfun": 2 * limit, "ftol": 0.0, "gtol": 1e-12, "maxcor": 30}
    else:
        options |= {"gtol": 1e-10}
    extra = {"hessp": energy.product} if method.startswith("trust") else {}
    begun = perf_counter()
    try:
        scipy.optimize.minimize(
            energy.value_and_gradient,
            problem.start_w[: problem.m + 1].ravel(),
            jac=True,
            method=method,
            callback=check,
            options=options,
            **extra,
        )
    except _Arrived:
        pass
    return perf_counter() - begun, distance[0]
