"""Time of learning: one more attempt and the next move, the whole ladder from solved rigs, the pooling of many cases; against their bars.

The bars are of wall time. The processor's time of this process stands beside it: on a busy machine wall time is too long, and work
that runs one after the other takes at least so much.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import shutil
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.adapters.events_file import events_path  # noqa: E402
from backstay.app.ladder import climb, ladder_part  # noqa: E402
from backstay.app.learning.knowing import packed  # noqa: E402
from backstay.app.learning.pooling import pool_cases  # noqa: E402
from backstay.app.learning.tried import options_at, path_sha256  # noqa: E402
from backstay.app.loading import load_case  # noqa: E402
from backstay.app.plan import MOST_RIGS, carry  # noqa: E402
from backstay.app.safety import case_safety  # noqa: E402
from backstay.app.solving import solve_rigs  # noqa: E402
from backstay.core.inference import insight  # noqa: E402
from backstay.core.inference.attempts import Attempt, AttemptModel  # noqa: E402
from backstay.core.inference.draws import DEFAULT_DRAWS, sample  # noqa: E402
from backstay.core.inference.learning import before_any, let_in  # noqa: E402
from backstay.identifiers import LimitedBy, Pushed  # noqa: E402

DRAWS = 2048
LADDER_DRAWS = 4096
BARS_s = {"update": 0.5, "ladder": 5.0, "pool": 180.0}
POOL_BAR_CASES = 200
CASE = ROOT / "examples" / "demo" / "case.toml"
RECORDS = {
    "two fail, the third passes": [
        Attempt("a", "as_it_is", False, 55.0, LimitedBy.GUIDE_OUT, Pushed.FIRM),
        Attempt("b", "buddy_wire-workhorse", False, 50.0),
        Attempt("c", "extension_28mm", True),
    ],
    "all three fail": [
        Attempt("a", "as_it_is", False, 55.0, LimitedBy.GUIDE_OUT, Pushed.FIRM),
        Attempt("b", "buddy_wire-workhorse", False, 50.0),
        Attempt("c", "extension_28mm", False, 57.0, LimitedBy.GUIDE_OUT, Pushed.ALL_THAT_WAS_SAFE),
    ],
    "the third belies the first": [
        Attempt("a", "extension_28mm", True),
        Attempt("b", "as_it_is", False, 55.0, LimitedBy.GUIDE_OUT, Pushed.FIRM),
        Attempt("c", "extension_28mm", False, 57.0, LimitedBy.GUIDE_OUT, Pushed.ALL_THAT_WAS_SAFE),
    ],
}


def timed(work: Callable[[], object]) -> tuple[float, float, object]:
    """Return wall and processor time of some work [s], and what it gave."""
    wall, cpu = perf_counter(), process_time()
    found = work()
    return perf_counter() - wall, process_time() - cpu, found


def within(what: str, wall_s: float, cpu_s: float, bar_s: float, note: str = "") -> bool:
    """Print a time against its bar, which is one of wall time: what runs one after the other gains nothing from more cores."""
    print(
        f"  {what:32s} {wall_s:7.2f} s wall (bar {bar_s:g} s){'' if wall_s <= bar_s else ' MISSED'}, "
        f"{cpu_s:.2f} s of processor{note}"
    )
    return wall_s <= bar_s


def updates() -> bool:
    """Time each third attempt with the chances of every listed rig after it; then the ladder."""
    case, draws = load_case(CASE), sample(DEFAULT_DRAWS, count=DRAWS, seed=1)
    options = options_at(case, MOST_RIGS)
    solved = solve_rigs(case, options, draws)
    rigs, model, ok = {one.alternative.id: packed(one, draws) for one in solved}, AttemptModel(), True
    print(f"One more attempt at {DRAWS} draws, then the chance of each of {len(rigs)} rigs")
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as workers:
        for words, record in RECORDS.items():
            posterior = before_any(DEFAULT_DRAWS, count=DRAWS, seed=1)
            for k, attempt in enumerate(record):

                def update(attempt: Attempt = attempt, k: int = k, before=posterior):  # type: ignore[no-untyped-def]
                    after = let_in(
                        before, attempt, rigs, rng=np.random.default_rng([1, k]), model=model, run=workers.map
                    )
                    now = list(
                        workers.map(lambda r: insight.chance_per_draw(r, after, model).mean(), rigs.values())
                    )
                    return after, now

                wall, cpu, found = timed(update)
                posterior = found[0]  # type: ignore[index]
                one = posterior.lettings[-1]
                note = f"; {one.steps} degrees, lowest effective share {one.lowest_share:.2f}, {one.distinct:.2f} distinct"
                ok &= within(f"{words}: {k + 1}", wall, cpu, BARS_s["update"], note)
    safety, many = case_safety(case), sample(DEFAULT_DRAWS, count=LADDER_DRAWS, seed=1)
    carried = carry(case, options, draws, seed=1)
    first = climb(case, safety, many, solved=solved, carried=carried, told=True)
    print(f"Whole ladder, {LADDER_DRAWS} draws, rigs solved ({first.solves} shapes beyond the plan's were)")
    shapes = first.landings.solved
    wall, cpu, _ = timed(
        lambda: ladder_part(
            climb(case, safety, many, solved=solved, carried=carried, told=True, shapes=shapes)
        )
    )
    return within("ladder", wall, cpu, BARS_s["ladder"]) and ok


def pools(sizes: list[int]) -> bool:
    """Time the pooling of so many cases, one to three attempts each."""
    ok = True
    print("Pooling, one to three attempts a case, every tried rig of every case solved")
    with tempfile.TemporaryDirectory() as name:
        files = [_copied(Path(name) / f"{k:03d}", k) for k in range(max(sizes))]
        for size in sizes:
            wall, cpu, _ = timed(lambda size=size: pool_cases(files[:size]))
            bar = BARS_s["pool"] * size / POOL_BAR_CASES
            ok &= within(f"{size} cases", wall, cpu, bar, f"; {cpu / size:.2f} s of processor a case")
    return ok


def _copied(folder: Path, number: int) -> Path:
    """Return a copy of the demo with a record of one to three attempts."""
    shutil.copytree(CASE.parent, folder)
    case = folder / CASE.name
    loaded = load_case(case)
    ends = [("as_it_is", "guide_out"), ("buddy_wire-workhorse", "push_lost"), ("extension_28mm", None)]
    lines = []
    for k, (rig, gave) in enumerate(ends[: 1 + number % 3]):
        event = {
            "schema": 1,
            "id": f"{number}-{k}",
            "at": f"2031-04-05T09:3{k}:00+02:00",
            "author_role": "recorder",
            "kind": "attempt",
            "device": loaded.device.id,
            "outcome": "stopped" if gave else "reached",
            "rig": rig,
            "path_sha256": path_sha256(loaded),
        }
        lines.append(
            json.dumps(event | ({"stopped_at_mm": 50.0 + number % 7, "limited_by": gave} if gave else {}))
        )
    events_path(case).write_text("\n".join(lines) + "\n")
    return case


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--cases", type=int, nargs="*", default=[50, 100, 200], help="how many to pool; none: leave out"
    )
    words = parser.parse_args()
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} (a busy machine slows everything)")
    results = [updates()]
    if words.cases:
        results.append(pools(words.cases))
    return int(not all(results))


if __name__ == "__main__":
    sys.exit(main())
