"""What the attempts of a case teach: unknowns, chances before and now, the question that would tell most."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.learned_file import (
    AttemptRow,
    Doubt,
    LearnedDocument,
    QuestionRow,
    RungRow,
    Spread,
    UnknownRow,
)
from backstay.adapters.record_entries import entries_of
from backstay.app.holds import case_specs
from backstay.app.ladder.states import TRY, plus, spent_on
from backstay.app.learning.tried import Standing, Tried, options_at, tried
from backstay.app.loading import LoadedCase, load_case
from backstay.app.mending import recorded
from backstay.app.progress import Progress
from backstay.app.safety.setting import case_safety
from backstay.app.solving import SolvedRig, solve_rigs
from backstay.core.inference import insight
from backstay.core.inference.attempts import AttemptModel
from backstay.core.inference.chance_words import chance_words
from backstay.core.inference.draws import DrawSet, sample
from backstay.core.inference.learning import PATH_BOUND, Posterior, learn, seen_anew
from backstay.core.inference.quick import QuickRig, pack
from backstay.core.record.entries import Entry, standing
from backstay.core.rigging.moves import Alternative
from backstay.core.safety.budget import Budget
from backstay.identifiers import Question, Verdict

FloatArray = NDArray[np.float64]

PARTICLES = 2048
MOST_RUNGS = 15
DISCLAIMER = (
    "Planning and teaching aid, not validated for clinical decisions. What is learnt rests on judged errors of attempts; the devices' "
    "instructions for use, local protocols and the licensed operator come first."
)
UNVALIDATED = (
    "spread of the limit from try to try, error of the place, how often a reason is named wrongly, share of odd attempts "
    "(judgement, no source)",
    "absolute scale of backup and stiffness of the lesion before any attempt (judgement, no source)",
)
QUESTIONS = {
    Question.WHERE: "where exactly did the device's tip stop (mm from the ostium)",
    Question.WHAT_GAVE: "what gave: the guide, the wire and shaft bowing, an edge, the push, the shaft",
    Question.HOW_HARD: "how hard was it pushed",
}


@dataclass(frozen=True)
class Known:
    """What is known of a case after its attempts.

    Attributes
    ----------
    document : LearnedDocument
        For people and files.
    draws : DrawSet
        Equally likely draws of the unknowns on the vessel as it is: any solved rig answers them.
    chances : dict of str to float
        Chance of every rig the plan lists, the spread from try to try included.
    before : DrawSet
        As `draws`, before the last attempt.
    shifts : tuple of Moved
        What the last attempt alone did to the unknowns.
    case : LoadedCase
        The case as its record leaves it.
    solved : tuple of SolvedRig
        The rigs listed.
    landed : bool
        The last attempt brought the case's device to its place.
    """

    document: LearnedDocument
    draws: DrawSet
    chances: dict[str, float]
    before: DrawSet
    shifts: tuple[insight.Moved, ...]
    case: LoadedCase
    solved: tuple[SolvedRig, ...]
    landed: bool


@dataclass(frozen=True)
class _Work:
    """The pieces that the rows are made from."""

    case: LoadedCase
    tries: Sequence[Tried]
    counted: Sequence[Tried]
    rigs: Mapping[str, QuickRig]
    history: Sequence[Posterior]
    now: Posterior
    options: Sequence[Alternative]
    chances: Mapping[str, tuple[FloatArray, FloatArray, FloatArray]]
    model: AttemptModel


def learned(
    case_file: str | Path, *, seed: int = 1, particles: int = PARTICLES, progress: Progress | None = None
) -> Known | None:
    """Read a case with its record and return what its attempts teach; None where there are none."""
    return learned_case(load_case(case_file), seed=seed, particles=particles, progress=progress)


def learned_case(
    case: LoadedCase,
    *,
    entries: Sequence[Entry] | None = None,
    solved: Sequence[SolvedRig] | None = None,
    seed: int = 1,
    particles: int = PARTICLES,
    most: int = MOST_RUNGS,
    progress: Progress | None = None,
    model: AttemptModel | None = None,
) -> Known | None:
    """Return what the attempts of a case teach; None where there are none.

    Parameters
    ----------
    case : LoadedCase
        The case.
    entries : sequence of Entry, optional
        Its record; read from the file beside the case when not given.
    solved : sequence of SolvedRig, optional
        Rigs already solved for the case's inputs, and on its vessel as the record leaves it: these are listed, and not solved again.
    seed, particles : int
        Of the draws.
    most : int
        How many rigs are listed, the one in place included, where none are solved yet.
    progress : callable, optional
        Called with what is being done and the share done.
    model : AttemptModel, optional
        How attempts vary and are reported.
    """
    if entries is None:
        entries = entries_of(recorded(case.file))
    tries, stands = tried(case, standing(entries))
    if not tries:
        return None
    specs = case_specs(case)
    draws = sample(specs, count=particles, seed=seed)
    options = [rig.alternative for rig in solved] if solved else options_at(stands.case, most)
    tries, rigs, listed = _solved(tries, stands, options, draws, solved or (), progress)
    counted = [one for one in tries if not one.left_out]
    attempts = [one.attempt for one in counted]
    model = model or AttemptModel()
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        history = learn(attempts, rigs, specs, count=particles, seed=seed, model=model, run=pool.map)
        before, now = (
            _as_seen(one, stands, [seed, len(attempts)])
            for one in (history[-2] if len(history) > 1 else history[-1], history[-1])
        )
        stages = (history[0], before, now)

        def three(option: Alternative) -> tuple[FloatArray, FloatArray, FloatArray]:
            rig = rigs[_name(option, stands)]
            first, before, then = (insight.chance_per_draw(rig, stage, model) for stage in stages)
            return first, before, then

        chances = dict(zip([o.id for o in options], pool.map(three, options), strict=True))
    work = _Work(stands.case, tries, counted, rigs, history, now, options, chances, model)
    last = tries[-1]
    return Known(
        _document(work, seed),
        now.draws,
        {name: float(three[2].mean()) for name, three in chances.items()},
        before.draws,
        tuple(insight.moved(before, now)),
        stands.case,
        tuple(listed),
        last.attempt.reached and last.entry.text("device") == stands.case.device.id,
    )


def _as_seen(posterior: Posterior, stands: Standing, seed: list[int]) -> Posterior:
    """Return what is believed of the vessel as it now is."""
    while posterior.anatomies <= stands.anatomy:
        posterior = seen_anew(posterior, np.random.default_rng([*seed, posterior.anatomies]))
    return posterior


def _name(option: Alternative, at: Standing) -> str:
    """Return the key under which a problem is solved: everything it depends on."""
    return repr((at.path_sha256, option.rig, option.device, option.lesions))


def _solved(
    tries: Sequence[Tried],
    stands: Standing,
    options: Sequence[Alternative],
    draws: DrawSet,
    solved: Sequence[SolvedRig],
    progress: Progress | None,
) -> tuple[list[Tried], dict[str, QuickRig], list[SolvedRig]]:
    """Return the attempts, each naming its rig, every rig that is asked, solved and packed, and those of the options."""
    whole = {_name(rig.alternative, stands): rig for rig in solved}
    rigs = {key: packed(rig, draws) for key, rig in whole.items()}
    wanted: dict[str, tuple[LoadedCase, dict[str, Alternative]]] = {}
    asked = [(stands, option) for option in options]
    asked += [(one.at, one.alternative) for one in tries if one.alternative is not None]
    for at, option in asked:
        if _name(option, at) not in rigs:
            wanted.setdefault(at.path_sha256, (at.case, {}))[1][_name(option, at)] = option
    for case, group in wanted.values():
        for key, rig in zip(group, solve_rigs(case, list(group.values()), draws, progress), strict=True):
            whole[key], rigs[key] = rig, packed(rig, draws)
    named = [
        one
        if one.alternative is None
        else replace(one, attempt=replace(one.attempt, rig=_name(one.alternative, one.at)))
        for one in tries
    ]
    return named, rigs, [whole[_name(option, stands)] for option in options]


def thinned(draws: DrawSet, count: int) -> DrawSet:
    """Return about evenly chosen draws of many, `count` at most."""
    step = -(-draws.count // count)
    kept = {name: values[::step] for name, values in draws.values.items()}
    return DrawSet(kept, len(next(iter(kept.values()))), draws.specs)


def packed(rig: SolvedRig, draws: DrawSet) -> QuickRig:
    """Return a solved rig packed for many evaluations."""
    path, tip = rig.whole_path, rig.landing_tip_mm
    return pack(
        rig.passage,
        rig.transfers,
        draws.specs,
        path_length_mm=path.length_mm,
        landing_tip_mm=tip,
        bend_beyond_rad=path.bend_rad(min(tip, path.length_mm), path.length_mm),
        passes=rig.fit.verdict != Verdict.NO,
    )


def _document(work: _Work, seed: int) -> LearnedDocument:
    case, now = work.case, work.now
    rows = _attempt_rows(work)
    rungs = _rungs(work)
    nearest = next((rung.id for rung in rungs if not rung.barred), None)
    return LearnedDocument(
        schema=1,
        title=case.title,
        invented=case.invented,
        attempts=rows,
        unknowns=_unknowns(work, nearest),
        rungs=rungs,
        next=None if nearest is None else _doubt(work, nearest),
        questions=[] if nearest is None else _questions(work, nearest),
        anatomies=now.anatomies,
        particles=now.count,
        distinct=now.lettings[-1].distinct if now.lettings else 1.0,
        seed=seed,
        warnings=surprises(rows),
        unvalidated=list(UNVALIDATED),
        disclaimer=DISCLAIMER,
    )


def _attempt_rows(work: _Work) -> list[AttemptRow]:
    rows, number = [], 0
    for one in work.tries:
        expected = share = None
        passes = True
        if not one.left_out:
            rig = work.rigs[one.attempt.rig]
            passes = rig.passes
            expected = insight.tail(one.attempt, rig, work.history[number], work.model)
            share = work.history[number + 1].lettings[-1].lowest_share
            number += 1
        entry, made = one.entry, one.alternative
        device = case_name(work.case, str(entry.text("device")))
        rows.append(
            AttemptRow(
                id=entry.id,
                at=datetime.fromtimestamp(entry.at_s, UTC).isoformat(timespec="seconds"),
                device=device,
                rig="" if made is None else made.rig.describe(),
                reached=one.attempt.reached,
                stopped_at_mm=one.attempt.stopped_at_mm,
                limited_by=one.attempt.limited_by,
                push=one.attempt.push,
                left_out=one.left_out,
                expected=expected,
                surprise=expected is not None and expected < insight.SURPRISE,
                passes=passes,
                lowest_share=share,
            )
        )
    return rows


def case_name(case: LoadedCase, device: str) -> str:
    """Return a device's name, its id where the shelf does not have it."""
    found = case.shelf.devices.get(device)
    return device if found is None else found.name


def surprises(rows: Sequence[AttemptRow]) -> list[str]:
    """Return what to say of attempts in which data and model disagree, and of those left out."""
    found = []
    for k, row in enumerate(rows, 1):
        if row.left_out:
            found.append(f"attempt {k} is left out: {row.left_out}")
        elif row.surprise and not row.passes:
            found.append(
                f"attempt {k} reached its place with what by the fit does not pass ({row.rig}): correct the shelf's measures or the "
                "record; until then nothing is learnt from it, and this rig's chance stays 0"
            )
        elif row.surprise:
            found.append(
                f"attempt {k} ended as the model hardly expected (less than 1 in {1 / insight.SURPRISE:.0f}): look again at what was "
                "recorded, at the path and at the shelf before trusting these chances"
            )
    return found


def _rungs(work: _Work) -> list[RungRow]:
    safety = case_safety(work.case)
    now, limits = safety.now, work.case.limits
    used_min = None if now.started_s is None or now.last_s is None else (now.last_s - now.started_s) / 60.0
    budgets = {
        "contrast": ("mL", Budget(used=now.contrast_mL, limit=safety.setting.agreed.contrast_mL)),
        "air kerma": ("mGy", Budget(used=now.air_kerma_mGy or 0.0, limit=limits.air_kerma_mGy)),
        "time": ("min", Budget(used=used_min or 0.0, limit=limits.minutes)),
    }
    rows = []
    for option in work.options:
        minutes, contrast_mL, air_kerma_mGy = plus(spent_on(option), TRY)
        costs = {"contrast": contrast_mL, "air kerma": air_kerma_mGy, "time": minutes}
        barred = [
            f"{what}: needs {costs[what]:.0f} {unit}, {budget.left or 0.0:.0f} left"
            for what, (unit, budget) in budgets.items()
            if budget.after(costs[what]).over > 0.0
        ]
        first, before, then = (float(np.mean(v)) for v in work.chances[option.id])
        rows.append(
            RungRow(
                id=option.id,
                change=option.change,
                device=option.device.name,
                before=first,
                previous=before,
                after=then,
                error=float(np.std(work.chances[option.id][2]) / np.sqrt(work.now.count)),
                words=chance_words(min(max(then, 0.0), 1.0)),
                minutes=minutes,
                contrast_mL=contrast_mL,
                air_kerma_mGy=air_kerma_mGy,
                tried=_failed(work, option),
                barred=barred,
            )
        )
    return sorted(rows, key=lambda row: (bool(row.barred), -row.after, row.minutes))


def _failed(work: _Work, option: Alternative) -> int:
    same = (option.rig, option.device, option.lesions)
    return sum(
        not one.attempt.reached
        and one.alternative is not None
        and (one.alternative.rig, one.alternative.device, one.alternative.lesions) == same
        for one in work.counted
    )


def _doubt(work: _Work, move: str) -> Doubt:
    option = next(o for o in work.options if o.id == move)
    first, before, then = (insight.doubt_bits(float(np.mean(v))) for v in work.chances[move])
    return Doubt(move=move, change=option.change, before_bits=first, previous_bits=before, after_bits=then)


def _unknowns(work: _Work, move: str | None) -> list[UnknownRow]:
    first, now = work.history[0], work.now
    names = [spec.name for spec in now.specs]
    before, after = dict.fromkeys(names, 0.0), dict.fromkeys(names, 0.0)
    if move is not None:
        old, _, new = work.chances[move]
        before = dict(zip(names, _shares(first.current, old), strict=True))
        after = dict(zip(names, _shares(now.current, new), strict=True))
    specs = {spec.name: spec for spec in now.specs}
    return [
        UnknownRow(
            name=row.name,
            label=specs[row.name].label,
            unit=specs[row.name].unit,
            before=Spread(p10=row.before[0], p50=row.before[1], p90=row.before[2]),
            after=Spread(p10=row.after[0], p50=row.after[1], p90=row.after[2]),
            moved_sd=row.moved_sd,
            narrowed=row.narrowed,
            bits=row.bits,
            doubt_before=before[row.name],
            doubt_after=after[row.name],
            path_bound=row.name in PATH_BOUND,
        )
        for row in insight.moved(first, now)
    ]


def _shares(scores: FloatArray, chances: FloatArray) -> list[float]:
    total = float(chances.mean() * (1.0 - chances.mean()))
    parts = insight.carried(scores, chances)
    return [float(part / total) if total > 0.0 else 0.0 for part in parts]


def _questions(work: _Work, move: str) -> list[QuestionRow]:
    if not work.counted or work.counted[-1].at.anatomy != work.now.anatomies - 1:
        return []
    last = work.counted[-1].attempt
    found = insight.open_questions(last, work.rigs[last.rig], work.now, work.chances[move][2], work.model)
    return [
        QuestionRow(question=one.question, words=QUESTIONS[one.question], bits=one.bits, share=one.share)
        for one in found
    ]
