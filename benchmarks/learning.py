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
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from time import perf_counter, process_time

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.adapters.events_file import events_path, read_events  # noqa: E402
from backstay.adapters.ladder_file import LadderPart  # noqa: E402
from backstay.adapters.record_entries import entries_of  # noqa: E402
from backstay.app.holds import case_specs  # noqa: E402
from backstay.app.ladder import climb, ladder_part  # noqa: E402
from backstay.app.ladder.landings import ShapeKey  # noqa: E402
from backstay.app.learning import as_it_stands, learned_case  # noqa: E402
from backstay.app.learning.knowing import packed  # noqa: E402
from backstay.app.learning.pooling import pool_cases  # noqa: E402
from backstay.app.learning.reranking import LadderAfter, ladder_after  # noqa: E402
from backstay.app.learning.tried import options_at, path_sha256  # noqa: E402
from backstay.app.loading import load_case  # noqa: E402
from backstay.app.plan import MOST_RIGS, carry, options_of  # noqa: E402
from backstay.app.safety import case_safety  # noqa: E402
from backstay.app.solving import solve_rigs  # noqa: E402
from backstay.core.inference import insight  # noqa: E402
from backstay.core.inference.attempts import Attempt, AttemptModel  # noqa: E402
from backstay.core.inference.draws import DEFAULT_DRAWS, sample  # noqa: E402
from backstay.core.inference.learning import before_any, let_in  # noqa: E402
from backstay.core.mechanics.delivery import Transfer  # noqa: E402
from backstay.core.record.entries import standing  # noqa: E402
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
    """Time each attempt with the chances of every listed rig after it."""
    case, draws = load_case(CASE), sample(DEFAULT_DRAWS, count=DRAWS, seed=1)
    options = options_at(case, MOST_RIGS)
    solved = solve_rigs(case, options, draws)
    rigs, model, ok = {one.alternative.id: packed(one, draws) for one in solved}, AttemptModel(), True
    let_in(  # its loops are compiled, or read from disk, before anything is timed
        before_any(DEFAULT_DRAWS, count=64, seed=1),
        RECORDS["all three fail"][0],
        rigs,
        rng=np.random.default_rng(1),
        model=model,
    )
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
    return ok


def ladders() -> bool:
    """Time the whole ladder from rigs solved before: before any attempt, and as attempts leave it."""
    ok = True
    with tempfile.TemporaryDirectory() as name:
        for attempts in range(3):
            file = _copied(Path(name) / str(attempts), attempts - 1) if attempts else CASE
            shapes: dict[ShapeKey, Sequence[Transfer]] = {}
            find = _ladder_of(file, shapes)
            wall, cpu, _ = timed(find)
            print(
                f"{attempts} attempts, {LADDER_DRAWS} draws: the first ladder, which solves {len(shapes)} shapes, {wall:.2f} s wall, "
                f"{cpu:.2f} s of processor"
            )
            wall, cpu, found = timed(find)
            ok &= within("ladder, all of it solved", wall, cpu, BARS_s["ladder"])
            if isinstance(found, LadderAfter):
                wall, cpu, _ = timed(found.document)
                print(f"    what it changed, told after it: {wall:.2f} s wall, {cpu:.2f} s of processor")
    return ok


def _ladder_of(
    file: Path, shapes: dict[ShapeKey, Sequence[Transfer]]
) -> Callable[[], LadderAfter | LadderPart]:
    """Return what finds a case's ladder from its solved rigs, adding what more it solves to the shapes."""
    as_filed, entries = load_case(file), tuple(standing(entries_of(read_events(events_path(file)))))
    case, draws = as_it_stands(as_filed, entries), sample(case_specs(as_filed), count=DRAWS, seed=1)
    solved = solve_rigs(case, options_of(case), draws)
    carried = carry(case, [rig.alternative for rig in solved], draws, seed=1)
    known = learned_case(
        as_filed, entries=entries, solved=solved, seed=1, particles=LADDER_DRAWS, progress=None
    )
    if known is not None:
        return partial(ladder_after, known, carried, shapes)
    many = sample(draws.specs, count=LADDER_DRAWS, seed=1)

    def find() -> LadderPart:
        found = climb(case, case_safety(case), many, solved=solved, carried=carried, seed=1, shapes=shapes)
        shapes.update(found.landings.solved)
        return ladder_part(found)

    return find


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
    results = [updates(), ladders()]
    if words.cases:
        results.append(pools(words.cases))
    return int(not all(results))


if __name__ == "__main__":
    sys.exit(main())
