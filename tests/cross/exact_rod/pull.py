"""Write pull.json: the cases of reference.json drawn back, by the same independent rod (generate.py beside this file).

Drawn back, the wall's friction and the load at the tip act forwards along the rod's tangent: both enter the rod's balance with a minus sign
and nothing else changes. Each case is let come to rest unloaded by the gradient flow and then drawn on in steps of the load; a step that
Newton's method does not take is halved, and at 0.002 N the gradient flow decides. A state is kept where every eigenvalue is positive.

    OPENBLAS_NUM_THREADS=1 python pull.py
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import generate as rod

LOADS_N = [0.0, 0.25, 0.5, 1.0, 1.5]
STEP_N, LEAST_STEP_N = 0.05, 0.002


def drawn_back(case: rod.Case, link: float) -> tuple[list[float | None], int]:
    """Return the pull at the guide at each load, and how often the flow had to decide."""
    chain = rod.Chain(replace(case, friction=-case.friction), link)
    state, flows = chain.flow(chain.centred(), 0.0), 0
    found: list[float | None] = []
    for load in LOADS_N:
        step = STEP_N
        while state is not None and state.load > -load + 1e-12:
            goal = max(-load, state.load - step)
            try:
                state = chain.newton(state, goal, cap=0.5)
                step = STEP_N
            except (rod.NotConvergedError, RuntimeError):
                step *= 0.5
                if step < LEAST_STEP_N:
                    state, flows, step = chain.flow(state, goal), flows + 1, STEP_N
        if state is not None and chain.modes(state)[0][0] <= 0.0:
            shape = chain.modes(state)[1]
            state, flows = chain.flow(chain.nudged(state, shape[:, 0], 0.02), state.load), flows + 1
        found.append(None if state is None else -chain.need(state))
    return found, flows


def main() -> None:
    """Write pull.json beside this file."""
    records = []
    for case in rod.all_cases():
        (coarse, _), (fine, flows) = drawn_back(case, 0.25), drawn_back(case, 0.125)
        records.append(
            {
                "id": case.id,
                "loads_N": LOADS_N,
                "pull_N": rod.rounded(fine),
                "pull_change_N": rod.change(fine, coarse),
                "flows": flows,
            }
        )
    text = json.dumps({"note": "drawn back; see pull.py", "cases": records}, indent=1) + "\n"
    (Path(__file__).parent / "pull.json").write_text(text)


if __name__ == "__main__":
    main()
