"""Solve rigs: the shape design once per rig that differs to the solver, then every draw by interpolation."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from backstay.app.loading import LoadedCase
from backstay.app.progress import Progress
from backstay.core.anatomy.lesion import Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.inference.chance import Outcome, causes_N, crossing_load_N, outcome
from backstay.core.inference.draws import DrawSet, DrawSpec, median_case
from backstay.core.inference.surface import Curves, curves_for_draws, design, factors_at, scores_of
from backstay.core.mechanics.assembly import Passage
from backstay.core.mechanics.backup import backup_N
from backstay.core.mechanics.delivery import Transfer, transfer
from backstay.core.rigging.fit import FitReport, check_fit
from backstay.core.rigging.moves import Alternative
from backstay.core.rigging.rig import Rig
from backstay.errors import InputError
from backstay.identifiers import Cause, Verdict

FloatArray = NDArray[np.float64]

DEPTHS = 40
LOADS = 8
FIRST_TIP_MM = 4.0
WIRE_BEYOND_MM = 40.0
LEVEL_SHARES = np.array([0.0, 0.06, 0.15, 0.27, 0.42, 0.6, 0.8, 1.0])
"""Load levels as shares of the highest load of interest, closer together where curves start."""
HIGHEST_LOAD_N = 4.0
LOWEST_TOP_N = 0.4


@dataclass(frozen=True)
class Answer:
    """One rig's answer over all draws.

    Attributes
    ----------
    alternative : Alternative
        The rig and what it changes.
    passage : Passage
        The problem solved.
    outcome : Outcome
        Every draw's way in.
    backup_N : ndarray, shape (count,)
        Backup of every draw.
    causes : dict of Cause to float
        Parts of the push in the median case at `causes_at_mm` [N].
    causes_at_mm : float
        Place of the highest need in the median case, from the ostium.
    """

    alternative: Alternative
    passage: Passage
    outcome: Outcome
    backup_N: FloatArray
    causes: dict[Cause, float]
    causes_at_mm: float

    @property
    def seat_mm(self) -> float:
        """Return where the guide's tip stands from the ostium [mm]."""
        return self.passage.rig.seat_mm


def passage_for(
    path: LumenPath, lesions: Sequence[Lesion], alternative: Alternative, landing_tip_mm: float
) -> Passage:
    """Return the problem for one rig, its path starting at the guide's tip.

    Raises
    ------
    InputError
        The path ends before the device's tip at its landing place.
    """
    seat = alternative.rig.seat_mm
    if landing_tip_mm + 1.0 > path.length_mm:
        raise InputError(
            "the device's tip would lie beyond the end of the path",
            field="target.to_mm",
            value=round(landing_tip_mm, 1),
            allowed=f"a tip place up to {path.length_mm - 1.0:.1f} mm",
        )
    rig = alternative.rig
    if seat > 0.0:
        path = path.starting_at(seat)
        lesions = [
            replace(x, from_mm=max(x.from_mm - seat, 0.0), to_mm=x.to_mm - seat)
            for x in lesions
            if x.to_mm > seat
        ]
        rig = replace(rig, extension_depth_mm=max(rig.extension_depth_mm - seat, 0.0))
    ends = min(path.length_mm, landing_tip_mm - seat + WIRE_BEYOND_MM)
    return Passage(path, tuple(lesions), rig, alternative.device, ends)


def solver_key(passage: Passage) -> tuple[object, ...]:
    """Return what the shape depends on: rigs with the same key are solved once."""
    rig: Rig = passage.rig
    extension = (rig.extension.id, rig.extension_depth_mm) if rig.extension is not None else None
    return rig.seat_mm, extension, tuple(w.id for w in passage.wires), passage.device.id, passage.wire_tip_mm


def tips_for(passage: Passage, landing_tip_mm: float, depths: int = DEPTHS) -> FloatArray:
    """Return the places of the device's tip at which it is solved, from the guide's tip [mm]."""
    return np.linspace(FIRST_TIP_MM, landing_tip_mm - passage.rig.seat_mm, depths)


def levels_for(crossing_N: FloatArray) -> FloatArray:
    """Return each depth's load levels (d, LOADS) for draws whose drag is `crossing_N` (count, d) [N]."""
    top = np.clip(1.3 * np.quantile(crossing_N, 0.98, axis=0), LOWEST_TOP_N, HIGHEST_LOAD_N)
    return np.asarray(top[:, None] * LEVEL_SHARES)


def solve_all(
    passages: dict[tuple[object, ...], Passage],
    specs: Sequence[DrawSpec],
    *,
    tips: dict[tuple[object, ...], FloatArray],
    levels: dict[tuple[object, ...], FloatArray],
    progress: Progress | None,
) -> dict[tuple[object, ...], list[Transfer]]:
    """Solve every distinct passage at every design point, side by side on the machine's cores."""
    scores = design()
    done: dict[tuple[object, ...], list[Transfer | None]] = {key: [None] * len(scores) for key in passages}
    total = len(passages) * len(scores)
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        jobs = {
            pool.submit(
                transfer,
                passage,
                factors_at(specs, score),
                tips_mm=tips[key],
                levels_N=levels[key],
                search_to_N=levels[key][:, -1],
            ): (key, i)
            for key, passage in passages.items()
            for i, score in enumerate(scores)
        }
        for count, job in enumerate(as_completed(jobs), start=1):
            key, i = jobs[job]
            done[key][i] = job.result()
            if progress is not None:
                progress("solving shapes", count / total)
    return {key: [t for t in row if t is not None] for key, row in done.items()}


@dataclass(frozen=True)
class SolvedRig:
    """A rig solved over the whole design: any draws from the same inputs are answered without solving again.

    Attributes
    ----------
    alternative : Alternative
        The rig and what it changes.
    passage : Passage
        The problem solved, its path starting at the guide's tip.
    transfers : sequence of Transfer
        One per design point, the median case first.
    whole_path : LumenPath
        The vessel from the ostium.
    landing_tip_mm : float
        Where the device's tip stands at its landing place, from the ostium.
    fit : FitReport
        What passes through what.
    """

    alternative: Alternative
    passage: Passage
    transfers: Sequence[Transfer]
    whole_path: LumenPath
    landing_tip_mm: float
    fit: FitReport

    def answer(self, draws: DrawSet) -> Answer:
        """Return the rig's answer over the draws; their specs are those it was solved for."""
        return answer(
            self.alternative,
            self.passage,
            self.transfers,
            draws,
            whole_path=self.whole_path,
            landing_tip_mm=self.landing_tip_mm,
            passes=self.fit.verdict != Verdict.NO,
        )


def landing_tip_mm(case: LoadedCase, option: Alternative) -> float:
    """Return where the device's tip stands when its working section ends at the target [mm from the ostium]."""
    return option.device.landing_tip_mm(case.target_to_mm)


def solve_rigs(
    case: LoadedCase, options: Sequence[Alternative], draws: DrawSet, progress: Progress | None = None
) -> list[SolvedRig]:
    """Return every option solved; shapes that are the same to the solver are solved once.

    The loads solved at are those the draws ask for; others are interpolated or carried on.
    """
    landings = [landing_tip_mm(case, option) for option in options]
    passages = [
        passage_for(case.path, option.lesions, option, tip)
        for option, tip in zip(options, landings, strict=True)
    ]
    keys = [solver_key(p) for p in passages]
    distinct = dict(zip(reversed(keys), reversed(passages), strict=True))
    tips = {key: tips_for(p, tip) for key, p, tip in zip(keys, passages, landings, strict=True)}
    crossing: dict[tuple[object, ...], list[FloatArray]] = {key: [] for key in distinct}
    for key, passage in zip(keys, passages, strict=True):
        crossing[key].append(crossing_load_N(passage, draws, tips[key]))
    levels = {key: levels_for(np.max(loads, axis=0)) for key, loads in crossing.items()}
    solved = solve_all(distinct, draws.specs, tips=tips, levels=levels, progress=progress)
    return [
        SolvedRig(
            option,
            passage,
            solved[key],
            case.path,
            tip,
            check_fit(option.rig, option.device, landing_tip_mm=tip, shelf=case.shelf),
        )
        for option, passage, key, tip in zip(options, passages, keys, landings, strict=True)
    ]


def answer(
    alternative: Alternative,
    passage: Passage,
    transfers: Sequence[Transfer],
    draws: DrawSet,
    *,
    whole_path: LumenPath,
    landing_tip_mm: float,
    passes: bool,
) -> Answer:
    """Return one rig's answer from its solves."""
    specs = draws.specs
    scores = design()
    curves = curves_for_draws(
        transfers, specs, scores, at=scores_of(specs, draws), search_to_N=transfers[0].levels_N[:, -1]
    )
    hold = backup_N(
        alternative.rig,
        draws,
        path_length_mm=whole_path.length_mm,
        device_tip_mm=landing_tip_mm,
        bend_beyond_rad=whole_path.bend_rad(min(landing_tip_mm, whole_path.length_mm), whole_path.length_mm),
    )
    crossing = crossing_load_N(passage, draws, curves.tips_mm)
    result = outcome(passage, draws, curves, backup_N=hold, crossing_N=crossing, passes=passes)
    causes, at = _median_causes(passage, transfers[0], specs)
    return Answer(alternative, passage, result, hold, causes, at + passage.rig.seat_mm)


def _median_causes(
    passage: Passage, middle: Transfer, specs: Sequence[DrawSpec]
) -> tuple[dict[Cause, float], float]:
    """Return the causes in the median case at the place of its highest need that is held."""
    one = median_case(tuple(specs))
    curves = Curves(middle.tips_mm, middle.levels_N, middle.readings[None], middle.prolapse_N[None])
    crossing = crossing_load_N(passage, one, middle.tips_mm)
    result = outcome(passage, one, curves, backup_N=np.array([np.inf]), crossing_N=crossing, passes=True)
    need = np.where(np.isfinite(result.need_N[0]), result.need_N[0], -1.0)
    depth = int(np.argmax(need))
    if need[depth] < 0.0:
        return dict.fromkeys(Cause, 0.0), float(middle.tips_mm[0])
    return causes_N(one, curves, result, crossing, depth), float(middle.tips_mm[depth])
