"""Time of ranking working views: the first lesion, then bifurcations of a case with one to five branches; against its bar."""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
from dataclasses import replace
from pathlib import Path
from time import perf_counter

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "src"))

from backstay.app.loading import load_case  # noqa: E402
from backstay.app.views import ranked_views  # noqa: E402

BAR_ms = 100.0
MOST_BRANCHES = 5


def main() -> int:
    case = load_case(ROOT / "examples" / "demo" / "case.toml")
    case = replace(case, vessel=case.vessel.model_copy(update={"axes": "patient"}))
    first, length = case.branches[0], case.path.length_mm
    places = [length * (k + 1) / (MOST_BRANCHES + 1) for k in range(MOST_BRANCHES)]
    branches = tuple(replace(first, name=f"branch {k}", at_mm=at) for k, at in enumerate(places))
    missed = False
    for words, count, asked in (
        ("first lesion", 1, None),
        *((f"bifurcation, {k} branches", k, "branch 0") for k in range(1, MOST_BRANCHES + 1)),
    ):
        some = replace(case, branches=branches[:count])
        ranked_views(some, branch=asked)
        took = []
        for _ in range(5):
            began = perf_counter()
            ranked_views(some, branch=asked)
            took.append(1e3 * (perf_counter() - began))
        missed |= min(took) > BAR_ms
        print(
            f"  {words:26s} {min(took):7.1f} ms (bar {BAR_ms:g} ms){' MISSED' if min(took) > BAR_ms else ''}"
        )
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
