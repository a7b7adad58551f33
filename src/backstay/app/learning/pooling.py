"""Many cases of one lab: their attempts pooled into a priors file."""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.priors_file import NotKnown, PriorEntry, PriorsDocument
from backstay.adapters.record_entries import entries_of
from backstay.app.learning.knowing import packed
from backstay.app.learning.tried import Tried, tried
from backstay.app.loading import LoadedCase, hardest_on_the_way, load_case
from backstay.app.mending import recorded
from backstay.app.progress import Progress
from backstay.app.solving import (
    SolvedRig,
    landing_tip_mm,
    levels_for,
    passage_for,
    solve_all,
    tips_for,
)
from backstay.core.inference.attempts import Attempt, AttemptModel
from backstay.core.inference.chance import crossing_load_N
from backstay.core.inference.draws import DEFAULT_DRAWS, DrawSet, sample
from backstay.core.inference.learning import PATH_BOUND, log_likelihoods
from backstay.core.inference.pooling import BY_CALCIUM, LAB_SHARE, PoolCase, Pooled, pool, pool_particles
from backstay.core.inference.quick import QuickRig
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.fit import check_fit
from backstay.core.rigging.moves import Alternative
from backstay.errors import InputError
from backstay.identifiers import Calcium, EventKind

FloatArray = NDArray[np.float64]

PARTICLES = 8192
DEPTHS = 16
"""Places the device's tip is solved at: fewer than a plan's 40, for every rig of every case must be solved."""
_SOLVE_DRAWS = 256


@dataclass(frozen=True)
class PooledCases:
    """What many cases share, and what was left out.

    Attributes
    ----------
    document : PriorsDocument
        For the file.
    rows : tuple of Pooled
        Every pooled input, those that are not known among them.
    left_out : tuple of str
        Cases and attempts that do not count, with the reason.
    """

    document: PriorsDocument
    rows: tuple[Pooled, ...]
    left_out: tuple[str, ...]


def pool_cases(
    files: Sequence[Path], *, title: str = "priors of a lab", seed: int = 1, progress: Progress | None = None
) -> PooledCases:
    """Return what the attempts of many cases say of what they share.

    Raises
    ------
    InputError
        No case has an attempt that counts, or a case, or an attempt in a copy of its case, is given twice.
    NotFound, FileFormatError
        A case or its record cannot be read; nothing was pooled.

    Notes
    -----
    Medians and spreads of the table are the starting point whatever a case's own `[draws]` or priors file says: a lab must not learn from
    what it already believed.
    """
    if len({file.resolve() for file in files}) < len(files):
        raise InputError("a case is given twice", field="CASES", allowed="each case once")
    read = [(file, load_case(file), entries_of(recorded(file))) for file in files]
    _each_once(read)
    counts: list[tuple[LoadedCase, list[Tried], int]] = []
    left: list[str] = []
    for number, (file, case, entries) in enumerate(read):
        found, _ = tried(case, standing(entries))
        left += [f"{file.name}: {one.entry.id}: {one.left_out}" for one in found if one.left_out]
        counted = [one for one in found if not one.left_out]
        if counted:
            counts.append((case, counted, 1000 * seed + number))
        else:
            left.append(f"{file.name}: no attempt that counts")
    told = _all_cases(counts, progress)
    attempts = sum(len(counted) for _, counted, _ in counts)
    if not told:
        raise InputError(
            "no case has an attempt that counts", field="CASES", allowed="cases with a record of attempts"
        )
    result = pool(told, DEFAULT_DRAWS, seed=seed)
    notes = [
        f"{a} and {b} are known together rather than apart (correlation {r:.2f})" for a, b, r in result.tied
    ]
    if result.thin:
        notes.append(f"in {len(result.thin)} of {len(told)} cases few particles carry what the attempts say")
    document = PriorsDocument(
        schema=1,
        title=title,
        cases=len(told),
        attempts=attempts,
        seed=seed,
        draws={row.name: _entry(row) for row in result.rows if row.identified and row.name != BY_CALCIUM},
        lesion_factor={
            Calcium(row.group): _entry(row)
            for row in result.rows
            if row.identified and row.name == BY_CALCIUM
        },
        not_known=[
            NotKnown(input=f"{row.name} {row.group}".strip(), narrowed=round(row.shrunk, 3), cases=row.cases)
            for row in result.rows
            if not row.identified
        ],
        notes=notes,
    )
    return PooledCases(document, result.rows, tuple(left))


def _entry(row: Pooled) -> PriorEntry:
    return PriorEntry(
        median=float(f"{row.median:.4g}"),
        spread=float(f"{row.spread:.4g}"),
        narrowed=round(min(max(row.shrunk, 0.0), 1.0), 3),
    )


def _each_once(read: Sequence[tuple[Path, LoadedCase, Sequence[Entry]]]) -> None:
    """Refuse an attempt that stands in the records of two cases: a copy would count as evidence of its own."""
    seen: dict[str, Path] = {}
    for file, _, entries in read:
        for entry in entries:
            if entry.kind is EventKind.ATTEMPT and seen.setdefault(entry.id, file) is not file:
                raise InputError(
                    f"the same attempt stands in {seen[entry.id]} and in {file}: one is a copy of the other",
                    field="CASES",
                    value=entry.id,
                    allowed="each attempt once",
                )


def _all_cases(
    counts: Sequence[tuple[LoadedCase, list[Tried], int]], progress: Progress | None
) -> list[PoolCase]:
    """Return what each case's attempts say, some cases side by side: while one waits for its last shape another is solved."""
    done: list[PoolCase] = []
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as workers:
        for one in workers.map(lambda job: _one_case(job[0], job[1], seed=job[2]), counts):
            done.append(one)
            if progress is not None:
                progress(f"case {len(done)} of {len(counts)}", len(done) / len(counts))
    return done


def _one_case(case: LoadedCase, counted: Sequence[Tried], *, seed: int) -> PoolCase:
    """Return what a case's attempts say at its particles."""
    rigs, attempts = _solved(counted)
    scores = pool_particles(DEFAULT_DRAWS, count=PARTICLES, seed=seed)
    logs = np.zeros(PARTICLES)
    # What is bound to the path is drawn afresh in every state of the vessel; pooled inputs among it belong to the lab and stay.
    for anatomy in sorted({one.anatomy for one in attempts}):
        made = [one for one in attempts if one.anatomy == anatomy]
        seen = seen_fresh(scores, anatomy, seed)

        def at(part: FloatArray, made: Sequence[Attempt] = made) -> FloatArray:
            flat = [Attempt(a.id, a.rig, a.reached, a.stopped_at_mm, a.limited_by, a.push) for a in made]
            return np.asarray(log_likelihoods(flat, rigs, DEFAULT_DRAWS, part, AttemptModel()).sum(axis=0))

        with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as workers:
            logs += np.concatenate(list(workers.map(at, np.array_split(seen, 4))))
    return PoolCase(scores, logs, hardest_on_the_way(case).value)


def seen_fresh(scores: FloatArray, anatomy: int, seed: int) -> FloatArray:
    """Return the particles with what is bound to one state of the vessel drawn afresh."""
    if anatomy == 0:
        return scores
    rng, out = np.random.default_rng([seed, anatomy]), scores.copy()
    for j, spec in enumerate(DEFAULT_DRAWS):
        if spec.name in PATH_BOUND and spec.name not in LAB_SHARE:
            out[:, j] = rng.standard_normal(len(out))
    return out


def _solved(counted: Sequence[Tried]) -> tuple[dict[str, QuickRig], list[Attempt]]:
    """Return every rig that was tried, solved and packed, and the attempts that name them."""
    draws = sample(DEFAULT_DRAWS, count=_SOLVE_DRAWS, seed=1)
    rigs: dict[str, QuickRig] = {}
    attempts = []
    for one in counted:
        made, a = one.alternative, one.attempt
        assert made is not None
        key = repr((one.at.path_sha256, made.rig, made.device, made.lesions))
        if key not in rigs:
            rigs[key] = packed(_solve(one.at.case, made, draws), draws)
        attempts.append(Attempt(a.id, key, a.reached, a.stopped_at_mm, a.limited_by, a.push, a.anatomy))
    return rigs, attempts


def _solve(case: LoadedCase, made: Alternative, draws: DrawSet) -> SolvedRig:
    """Return one rig solved at fewer places than a plan solves it."""
    tip = landing_tip_mm(case, made)
    passage = passage_for(case.path, made.lesions, made, tip)
    tips = tips_for(passage, tip, DEPTHS)
    key: tuple[object, ...] = ()
    levels = levels_for(crossing_load_N(passage, draws, tips))
    solved = solve_all({key: passage}, draws.specs, tips={key: tips}, levels={key: levels}, progress=None)
    fit = check_fit(made.rig, made.device, landing_tip_mm=tip, shelf=case.shelf)
    return SolvedRig(made, passage, solved[key], case.path, tip, fit)
