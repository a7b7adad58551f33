"""Speed of the solver and of a plan, in one run on one machine: bars, ratios to general solvers, and how cost grows.

Every ratio is between two ways of doing the same work in this process; nothing is compared with numbers from elsewhere.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from time import perf_counter

import numpy as np
import scipy.linalg

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "src"), str(ROOT / "benchmarks")]

from reference_solvers import ShapeProblem, minimise, newton_superlu  # noqa: E402

from backstay.app.loading import LoadedCase, load_case  # noqa: E402
from backstay.app.solving import (  # noqa: E402
    landing_tip_mm,
    passage_for,
    tips_for,
)
from backstay.core.mechanics.assembly import Passage, ShapeFactors, prepare  # noqa: E402
from backstay.core.mechanics.banded import BAND, factor, solve  # noqa: E402
from backstay.core.mechanics.compiled import compiled  # noqa: E402
from backstay.core.mechanics.coupled import assemble  # noqa: E402
from backstay.core.mechanics.delivery import transfer  # noqa: E402
from backstay.core.mechanics.elastic import lay_assembly, lay_edges, workspace  # noqa: E402
from backstay.core.mechanics.equilibrium import STEP_TOLERANCE_MM, begin, newton  # noqa: E402
from backstay.core.rigging.alternatives import alternatives  # noqa: E402

CASE = ROOT / "examples" / "demo" / "case.toml"
FACTORS = ShapeFactors(friction_wall=0.08, bed_MPa=0.15)
LOAD_N = 0.05
SHAPES = 6
BARS = {
    "SuperLU": 8.0,
    "general minimiser": 100.0,
    "all rigs [s]": 15.0,
    "one rig [s]": 2.0,
    "memory [MB]": 600.0,
}


@compiled
def _newton_times(problem_tube, load, w0, q0, w, q, m, lesion_N, work, count):  # type: ignore[no-untyped-def]
    total = 0
    for _ in range(count):
        w[:] = w0
        q[:] = q0
        total += newton(problem_tube, load, w, q, m, lesion_N, work, 40)
    return total


@compiled
def _linear_times(matrix, rhs, a, x, pivots, size, count, really):  # type: ignore[no-untyped-def]
    done = 0.0
    for _ in range(count):
        a[:] = matrix
        x[:] = rhs
        if really:
            factor(a, pivots, size)
            solve(a, pivots, x, size)
        done += x[0]
    return done


def best_s(function: Callable[[], object], repeats: int = 5) -> float:
    """Return the least time of several calls [s]: the one least disturbed."""
    times = []
    for _ in range(repeats):
        begun = perf_counter()
        function()
        times.append(perf_counter() - begun)
    return min(times)


def in_place(case: LoadedCase) -> tuple[Passage, float]:
    """Return the rig in place as a problem, and where the tip lands."""
    first = alternatives(
        case.rig,
        case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
    )[0]
    landing = landing_tip_mm(case, first)
    return passage_for(case.path, first.lesions, first, landing), landing


def shape_problems(passage: Passage, landing: float, friction: float) -> list[ShapeProblem]:
    """Return shapes at several depths under load, each starting from the unloaded shape there."""
    vessel = prepare(passage, FACTORS)
    nodes = len(passage.path.s_mm)
    work, found = workspace(nodes), []
    for tip in np.linspace(12.0, landing, SHAPES):
        load = vessel.load(float(tip))._replace(friction=friction)
        m = passage.last_node(float(tip))
        w, q = np.zeros((nodes, 2)), np.zeros(nodes)
        if begin(vessel.tube, load, w, q, m, work) < 0:
            continue
        start_w, start_q = w.copy(), q.copy()
        iterations = newton(vessel.tube, load, w, q, m, LOAD_N, work, 40)
        if iterations > 0:
            found.append(ShapeProblem(vessel.tube, load, m, LOAD_N, start_w, start_q, w, q, iterations))
    return found


def newton_s(p: ShapeProblem, count: int = 50) -> float:
    """Return the compiled Newton's time for one shape [s]."""
    w, q, work = p.start_w.copy(), p.start_q.copy(), workspace(len(p.start_q))
    call = lambda n: _newton_times(p.tube, p.load, p.start_w, p.start_q, w, q, p.m, p.lesion_N, work, n)  # noqa: E731
    call(1)
    return best_s(lambda: call(count)) / count


def linear_s(p: ShapeProblem, count: int = 200) -> tuple[float, float, float]:
    """Return the time of one factor and solve: ours, LAPACK's dgbsv, `scipy.linalg.solve_banded` [s]."""
    work, size = workspace(len(p.start_q)), 3 * (p.m + 1)
    lay_edges(p.tube, p.w, p.m, work)
    lay_assembly(p.tube, p.load, p.m, work)
    assemble(p.tube, p.load, p.w, p.q, p.m, p.lesion_N, work, True)
    matrix, rhs = work.matrix[:size].copy(), work.residual[:size] + 1.0
    a, x, pivots = matrix.copy(), rhs.copy(), np.zeros((size, 2), dtype=np.int64)
    for really in (True, False):
        _linear_times(matrix, rhs, a, x, pivots, size, 1, really)
    ours = best_s(lambda: _linear_times(matrix, rhs, a, x, pivots, size, count, True))
    ours -= best_s(lambda: _linear_times(matrix, rhs, a, x, pivots, size, count, False))
    band = np.zeros((2 * BAND + 1, size))
    for k in range(-BAND, BAND + 1):  # LAPACK holds columns
        rows = np.arange(max(0, -k), min(size, size - k))
        band[BAND - k, rows + k] = matrix[rows, BAND + k]
    wide = np.asfortranarray(np.vstack([np.zeros((BAND, size)), band]))
    lapack = best_s(lambda: scipy.linalg.lapack.dgbsv(BAND, BAND, wide, rhs), 50)
    scipys = best_s(lambda: scipy.linalg.solve_banded((BAND, BAND), band, rhs), 50)
    error = np.abs(scipy.linalg.solve_banded((BAND, BAND), band, rhs) - _solved(matrix, rhs, size)).max()
    assert error < 1e-6 * max(1.0, float(np.abs(rhs).max()))
    return ours / count, lapack, scipys


def _solved(matrix: np.ndarray, rhs: np.ndarray, size: int) -> np.ndarray:
    a, x, pivots = matrix.copy(), rhs.copy(), np.zeros((size, 2), dtype=np.int64)
    factor(a, pivots, size)
    solve(a, pivots, x, size)
    return x


def ratios(case: LoadedCase) -> dict[str, float]:
    """Time the same shapes in every way and print the ratios."""
    passage, landing = in_place(case)
    problems = shape_problems(passage, landing, FACTORS.friction_wall)
    if not problems:
        raise SystemExit("no shape of the demo could be solved: nothing to time")
    work = workspace(len(passage.path.s_mm))
    out: dict[str, float] = {}
    ours = [newton_s(p) for p in problems]
    superlu = [best_s(lambda p=p: newton_superlu(p, work), 3) for p in problems]
    for p in problems:
        count, w = newton_superlu(p, work)
        assert count > 0 and np.abs(w - p.w).max() < 10 * STEP_TOLERANCE_MM, "SuperLU came to another shape"
    linear = [linear_s(p) for p in problems]
    share = [p.iterations * t[0] / o for p, t, o in zip(problems, linear, ours, strict=True)]
    out["SuperLU"] = sum(superlu) / sum(ours)
    out["linear share"] = float(np.mean(share))
    print(f"{len(problems)} shapes of the demo, {LOAD_N} N at the lesion, tolerance {STEP_TOLERANCE_MM} mm")
    print(
        f"  compiled Newton per shape        {np.mean(ours) * 1e3:8.3f} ms ({np.mean([p.iterations for p in problems]):.1f} steps)"
    )
    print(
        f"  same steps, SuperLU from Python  {np.mean(superlu) * 1e3:8.3f} ms  ratio {out['SuperLU']:.1f} (bar {BARS['SuperLU']:.0f})"
    )
    print(
        f"  linear algebra's share of Newton {out['linear share']:8.2f}    our own compiled banded LU, not LAPACK"
    )
    names = ("ours, compiled", "LAPACK dgbsv, called from Python", "scipy.linalg.solve_banded")
    for name, column in zip(names, np.mean(linear, axis=0), strict=True):
        print(f"    one factor and solve, {name:33s} {column * 1e6:8.1f} us")
    smooth = shape_problems(passage, landing, 0.0)
    mine = [newton_s(p) for p in smooth]
    best = np.full(len(smooth), np.inf)
    for method in ("L-BFGS-B", "trust-krylov"):
        runs = [minimise(p, work, method) for p in smooth]
        arrived = np.array([d < STEP_TOLERANCE_MM for _, d in runs])
        times = np.array([t for t, _ in runs])
        best = np.minimum(best, np.where(arrived, times, np.inf))
        print(
            f"  frictionless, {method:13s} {np.mean(times) * 1e3:10.1f} ms  ratio {times.sum() / sum(mine):.0f}, "
            f"arrived in {arrived.sum()} of {len(smooth)}"
        )
    solved = np.isfinite(best)
    out["general minimiser"] = (
        float(best[solved].sum() / np.array(mine)[solved].sum()) if solved.any() else np.inf
    )
    print(
        f"  best of the two where one arrived: ratio {out['general minimiser']:.0f} (bar {BARS['general minimiser']:.0f})"
    )
    return out


def growth(case: LoadedCase) -> None:
    """Print how the cost of a solve grows with depths, loads and rigs."""
    passage, landing = in_place(case)
    everything = tips_for(passage, landing)

    def once(depths: int, loads: int, rigs: int = 1) -> float:
        levels = np.linspace(0.0, 0.4, loads)
        tips = everything[:: len(everything) // depths][:depths]
        run = lambda: [  # noqa: E731
            transfer(passage, FACTORS, tips_mm=tips, levels_N=levels, search_to_N=0.4) for _ in range(rigs)
        ]
        return best_s(run, 2)

    once(2, 3)
    print("Cost of a solve on one core: seconds, and seconds per (depth, load, rig)")
    for name, sizes in (
        ("depths", [(10, 8, 1), (20, 8, 1), (40, 8, 1)]),
        ("loads", [(20, 4, 1), (20, 8, 1), (20, 16, 1), (20, 32, 1)]),
        ("rigs", [(20, 8, 1), (20, 8, 2), (20, 8, 4)]),
    ):
        for depths, loads, rigs in sizes:
            t = once(depths, loads, rigs)
            print(
                f"  {name:7s} depths {depths:3d} loads {loads:3d} rigs {rigs:2d} {t:8.3f} s {t / (depths * loads * rigs) * 1e3:8.3f} ms"
            )


def plan_s(*options: str) -> tuple[float, float]:
    """Return wall time [s] and peak memory [MB] of `backstay plan` in its own process."""
    with tempfile.TemporaryDirectory() as folder:
        command = [
            sys.executable,
            "-m",
            "backstay",
            "plan",
            str(CASE),
            "--json",
            str(Path(folder) / "plan.json"),
            *options,
        ]
        environment = {**os.environ, "PYTHONPATH": str(ROOT / "src")}
        begun = perf_counter()
        process = subprocess.Popen(
            command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        _, status, usage = os.wait4(process.pid, 0)
        seconds = perf_counter() - begun
        code = os.waitstatus_to_exitcode(status)
        process.returncode = code
        assert process.stderr is not None
        message = process.stderr.read()
        process.stderr.close()
        if code != 0:
            raise SystemExit(f"backstay plan failed: {message}")
    return seconds, usage.ru_maxrss / 1024.0


def plans() -> dict[str, float]:
    """Time a plan of the demo, warm (the compiled code is on disk)."""
    plan_s("--only")
    one, memory_one = min(plan_s("--only") for _ in range(2))
    every, memory = min(plan_s() for _ in range(2))
    print(f"Plan of the demo, warm, {os.cpu_count()} cores, whole process")
    print(
        f"  all rigs       {every:6.2f} s  (bar {BARS['all rigs [s]']:.0f}, goal 4)   peak {memory:.0f} MB (bar {BARS['memory [MB]']:.0f})"
    )
    print(
        f"  rig in place   {one:6.2f} s  (bar {BARS['one rig [s]']:.0f})            peak {memory_one:.0f} MB"
    )
    return {"all rigs [s]": every, "one rig [s]": one, "memory [MB]": max(memory, memory_one)}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", type=Path, help="also write the numbers here")
    parser.add_argument("--solver-only", action="store_true", help="leave out the plans")
    arguments = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} (a busy machine slows everything)")
    case = load_case(CASE)
    numbers = ratios(case)
    growth(case)
    if not arguments.solver_only:
        numbers |= plans()
    misses = [
        name
        for name, bar in BARS.items()
        if name in numbers
        and (numbers[name] < bar if name in ("SuperLU", "general minimiser") else numbers[name] > bar)
    ]
    print("Bars missed: " + (", ".join(misses) or "none"))
    if arguments.json:
        arguments.json.write_text(json.dumps(numbers, indent=1) + "\n")
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())
