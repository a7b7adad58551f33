"""Solve the way back: every thing's curves in tension at the design points, then every draw by interpolation."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.app.progress import Progress
from backstay.app.solving import HIGHEST_LOAD_N, LOWEST_TOP_N, passage_for
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import crossing_load_N
from backstay.core.inference.draws import DrawSet, DrawSpec
from backstay.core.inference.surface import Curves, curves_for_draws, design, factors_at, scores_of
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.crossing import BACK
from backstay.core.mechanics.delivery import Transfer
from backstay.core.rigging.devices import OverWireDevice
from backstay.core.rigging.moves import Alternative
from backstay.core.rigging.rig import Rig
from backstay.core.withdrawal.pull import mouth_mm, tips_back
from backstay.core.withdrawal.sweep import transfer_back
from backstay.core.withdrawal.things import rear_edge_mm

FloatArray = NDArray[np.float64]

DEPTHS_BACK = 20
LEVEL_SHARES_BACK = np.array([0.0, 0.2, 0.5, 1.0])


@dataclass(frozen=True)
class Thing:
    """One thing to be drawn back.

    Attributes
    ----------
    passage : Passage
        Vessel, what stays, what moves.
    tips_mm : ndarray, shape (d,)
        Places of its tip, from the guide's tip.
    levels_N : ndarray, shape (d, k)
        Loads that resist.
    rear_mm : float or None
        Its rear edge, behind the tip.
    stent_ends_mm : tuple of float
        Far ends of stents already open, from the guide's tip.
    """

    passage: Passage
    tips_mm: FloatArray
    levels_N: FloatArray
    rear_mm: float | None
    stent_ends_mm: tuple[float, ...]


def thing(
    path: LumenPath,
    lesions: Sequence[Lesion],
    rig: Rig,
    device: OverWireDevice,
    draws: DrawSet,
    *,
    to_mm: float,
    wires_end_mm: float,
    like: Alternative,
    depths: int = DEPTHS_BACK,
    load_to_N: float = 0.0,
) -> Thing:
    """Return what is to be solved to draw `device` back from `to_mm` with `rig` in place, places from the ostium.

    `wires_end_mm` is where the wires that stay end; `load_to_N` a load to be solved up to beyond the drag met.
    """
    passage = passage_for(
        path, lesions, replace(like, rig=rig, device=device), min(to_mm, path.length_mm - 1.0)
    )
    seat = rig.seat_mm
    passage = replace(passage, wire_tip_mm=min(wires_end_mm, path.length_mm) - seat)
    rear = rear_edge_mm(device)
    ends = (rig.trapped.to_mm - seat,) if rig.trapped is not None else ()
    tip = min(to_mm, path.length_mm - 1.0) - seat
    tips = tips_back(to_mm=tip, rear_mm=rear, edges_mm=(mouth_mm(passage), *ends), count=depths)
    top = np.clip(
        1.3 * np.quantile(crossing_load_N(passage, draws, tips, going=BACK), 0.98, axis=0),
        LOWEST_TOP_N,
        HIGHEST_LOAD_N,
    )
    levels = np.maximum(top, load_to_N)[:, None] * LEVEL_SHARES_BACK
    return Thing(passage, tips, levels, rear, ends)


def solve_back(
    things: Sequence[Thing], specs: Sequence[DrawSpec], progress: Progress | None = None
) -> list[list[Transfer]]:
    """Return every thing's solves at the design points, side by side on the machine's cores."""
    scores = design()
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        jobs = [
            [
                pool.submit(
                    transfer_back,
                    one.passage,
                    factors_at(specs, score),
                    tips_mm=one.tips_mm,
                    levels_N=one.levels_N,
                    rear_mm=one.rear_mm or 0.0,
                )
                for score in scores
            ]
            for one in things
        ]
        found = []
        for done, row in enumerate(jobs, start=1):
            found.append([job.result() for job in row])
            if progress is not None:
                progress("the way back out", done / len(things))
    return found


def curves_back(things: Sequence[Thing], draws: DrawSet, progress: Progress | None = None) -> list[Curves]:
    """Return the curves of every thing for every draw."""
    at = scores_of(draws.specs, draws)
    return [
        curves_for_draws(transfers, draws.specs, design(), at=at, search_to_N=one.levels_N[:, -1])
        for one, transfers in zip(things, solve_back(things, draws.specs, progress), strict=True)
    ]
