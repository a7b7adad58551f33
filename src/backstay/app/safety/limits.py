"""The limits of a case: kidney and contrast, heparin, radiation, bleeding, what is in the body, what moves would take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from backstay.adapters.limits_file import (
    BleedingPart,
    CeilingRow,
    ContrastPart,
    HazardRow,
    InsideRow,
    LevelRow,
    LimitsDocument,
    MoveCost,
    Quantity,
    RatioRow,
    ScoreRow,
)
from backstay.app.safety.clotting import anticoagulation
from backstay.app.safety.hazards import confirmed, current, hazard_row, move_hazards, plan_findings
from backstay.app.safety.patient_words import (
    BALLOON_PUMP,
    DIABETES,
    HEART_FAILURE,
    HYPOTENSION,
    acute,
    told,
)
from backstay.app.safety.setting import CaseSafety
from backstay.app.safety.skin import skin_of
from backstay.core.rigging.alternatives import alternatives
from backstay.core.rigging.moves import Alternative
from backstay.core.rules import FACTS
from backstay.core.safety.bleeding import NOT_COMPUTED, UNREAD, dual_therapy
from backstay.core.safety.budget import Budget
from backstay.core.safety.contrast import (
    CLEARANCE_RATIO_BANDS,
    EGFR_RATIO_BANDS,
    WEIGHT_RATIO_BANDS,
    Band,
    ScoreInputs,
    anaemia_2004,
    band_reached,
    lowest_binding,
    nephropathy_score_2004,
    weight_limit_ratio,
)
from backstay.core.safety.now import Inside
from backstay.core.safety.radiation import radiation_levels
from backstay.identifiers import BodyItem
from backstay.sources import all_sources

DISCLAIMER = (
    "Planning and teaching aid. It counts and suggests; the licensed operator decides. Local protocols and the "
    "instructions for use come first."
)
MOVES_LISTED = 14
_SECONDS_PER_MINUTE = 60.0


def limits_of(safety: CaseSafety, *, options: Sequence[Alternative] | None = None) -> LimitsDocument:
    """Return the limits of a case.

    Parameters
    ----------
    safety : CaseSafety
        The case, its record and its dose reports.
    options : sequence of Alternative, optional
        What could be tried next; found from the shelf when not given.
    """
    skin = skin_of(safety)
    if skin is not None and skin.where:
        safety = replace(safety, now=replace(safety.now, skin_mGy=1000.0 * skin.peak_Gy))
    case, now = safety.case, safety.now
    contrast = contrast_budget(safety)
    kerma = Budget(used=now.air_kerma_mGy or 0.0, limit=case.limits.air_kerma_mGy)
    shown, waiting = current(safety)
    not_known = () if safety.recorded else plan_findings(safety).undecided
    moves = [_move(one, safety, contrast, kerma) for one in _options(safety, options)]
    document = LimitsDocument(
        schema=1,
        title=case.title,
        invented=case.invented,
        disclaimer=DISCLAIMER,
        protocol=safety.setting.protocol.name,
        minutes=_minutes(safety),
        minutes_limit=case.limits.minutes,
        kidney=_kidney(safety),
        contrast=_contrast(safety, contrast),
        anticoagulation=anticoagulation(safety),
        radiation=_radiation(safety),
        kerma_limit_mGy=kerma.limit,
        kerma_state=kerma.state,
        skin=skin,
        bleeding=_bleeding(safety),
        moves=moves,
        every_move=_shared(moves),
        inside=[_inside(one, safety) for one in now.inside],
        hazards=[hazard_row(one, safety.setting) for one in shown],
        hazards_waiting=[hazard_row(one, safety.setting) for one in waiting],
        not_known=sorted({FACTS[name] for one in not_known for name in one.missing}),
        notes=_notes(safety),
        sources=[],
    )
    return document.model_copy(update={"sources": _sources(document)})


def contrast_budget(safety: CaseSafety) -> Budget:
    """Return contrast used against the lowest ceiling that binds."""
    share = safety.setting.protocol.contrast.near_share
    return Budget(used=safety.now.contrast_mL, limit=safety.setting.agreed.contrast_mL, near_share=share)


def _options(safety: CaseSafety, options: Sequence[Alternative] | None) -> Sequence[Alternative]:
    if options is not None:
        return options
    case = safety.case
    return alternatives(
        case.rig,
        case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
        most=MOVES_LISTED + 1,
    )


def _minutes(safety: CaseSafety) -> float | None:
    now = safety.now
    if now.started_s is None or now.last_s is None:
        return None
    return (now.last_s - now.started_s) / _SECONDS_PER_MINUTE


def _kidney(safety: CaseSafety) -> list[Quantity]:
    creatinine = safety.case.patient.creatinine_mg_dL
    return [
        Quantity(what="creatinine", value=creatinine, unit="mg/dL", source="case file"),
        Quantity(what="eGFR, 2021 equation", value=safety.egfr, unit="mL/min/1.73 m2", source="inker2021"),
        Quantity(
            what="creatinine clearance, Cockcroft-Gault",
            value=safety.clearance_mL_min,
            unit="mL/min",
            source="cockcroft1976",
        ),
    ]


def _contrast(safety: CaseSafety, budget: Budget) -> ContrastPart:
    lowest = lowest_binding(safety.ceilings)
    return ContrastPart(
        used_mL=budget.used,
        limit_mL=budget.limit,
        limit_is="" if lowest is None else lowest.what,
        left_mL=budget.left,
        over_mL=budget.over,
        state=budget.state,
        ceilings=[CeilingRow(**vars(one)) for one in safety.ceilings],
        ratios=_ratios(safety, budget),
        score=_score(safety, budget),
    )


def _ratios(safety: CaseSafety, budget: Budget) -> list[RatioRow]:
    """Return volume over what the kidney can do, as used and at the limit."""
    patient = safety.case.patient
    rows: list[RatioRow] = []

    def add(what: str, per_mL: float, bands: tuple[Band, ...], source: str) -> None:
        used = budget.used * per_mL
        band = band_reached(bands, used)
        rows.append(
            RatioRow(
                what=what,
                used=used,
                at_limit=None if budget.limit is None else budget.limit * per_mL,
                reached="" if band is None else band.says,
                source=source if band is None else band.source,
                confirmed=band is None or band.confirmed,
            )
        )

    if patient.weight_kg is not None and patient.creatinine_mg_dL is not None:
        known = {"weight_kg": patient.weight_kg, "creatinine_mg_dL": patient.creatinine_mg_dL}
        per_mL = weight_limit_ratio(volume_mL=1.0, **known)
        add("volume over 5 mL/kg over creatinine", per_mL, WEIGHT_RATIO_BANDS, "brown2010")
    if safety.clearance_mL_min:
        add("volume over clearance", 1.0 / safety.clearance_mL_min, CLEARANCE_RATIO_BANDS, "gurm2011")
    if safety.egfr:
        add("volume over eGFR", 1.0 / safety.egfr, EGFR_RATIO_BANDS, "nie2021")
    return rows


def _score(safety: CaseSafety, budget: Budget) -> ScoreRow | None:
    """Return the 2004 score at what was used, or at the limit before the case has begun."""
    patient = safety.case.patient
    if patient.age_y is None and patient.creatinine_mg_dL is None:
        return None
    volume = budget.used if safety.recorded or budget.limit is None else budget.limit
    hematocrit, sex = patient.hematocrit_percent, patient.sex

    given = ScoreInputs(
        hypotension=told(patient.conditions, HYPOTENSION),
        balloon_pump=told(patient.conditions, BALLOON_PUMP),
        heart_failure=told(patient.conditions, HEART_FAILURE),
        age_y=patient.age_y,
        anaemia=None
        if hematocrit is None or sex is None
        else anaemia_2004(hematocrit_percent=hematocrit, female=sex == "female"),
        diabetes=told(patient.conditions, DIABETES),
        egfr=safety.egfr,
        creatinine_mg_dL=patient.creatinine_mg_dL,
    )
    score = nephropathy_score_2004(given, volume_mL=volume)
    return ScoreRow(
        volume_mL=volume,
        points=score.points,
        parts=[f"{what} {points}" for what, points in score.parts],
        unknown=list(score.unknown),
        nephropathy_percent=score.nephropathy_percent,
        dialysis_percent=score.dialysis_percent,
        disputed="; ".join(
            filter(None, (score.disputed, _anaemia_disputed(hematocrit, female=sex == "female")))
        ),
    )


def _anaemia_disputed(hematocrit_percent: float | None, *, female: bool) -> str:
    """Return what the other printing of the score's edge for women says, where it matters."""
    if female and hematocrit_percent is not None and 35.0 <= hematocrit_percent < 36.0:
        return "other printings count anaemia in women below 35 only: 3 points less"
    return ""


def _radiation(safety: CaseSafety) -> list[LevelRow]:
    now = safety.now
    rows = radiation_levels(
        safety.setting.protocol,
        air_kerma_mGy=now.air_kerma_mGy,
        kap_Gycm2=now.kap_Gycm2,
        fluoroscopy_min=now.fluoroscopy_min,
    )
    return [
        LevelRow(**vars(row), confirmed=confirmed(row.source), notice_confirmed=confirmed(row.notice_source))
        for row in rows
    ]


def _bleeding(safety: CaseSafety) -> BleedingPart:
    found, patient = safety.bleeding, safety.case.patient
    is_acute = acute(patient.conditions)
    rows = [
        f"{row.guideline}, {'acute' if row.acute else 'chronic'}: {row.default}; shorter: {row.shorter} [{row.source}, second-hand]"
        for row in dual_therapy(acute=is_acute)
    ]
    unread = [] if is_acute else [UNREAD]
    return BleedingPart(
        high=found.high,
        major=list(found.major),
        minor=list(found.minor),
        unknown=list(found.unknown),
        durations=[*rows, *unread, NOT_COMPUTED],
    )


def _move(option: Alternative, safety: CaseSafety, contrast: Budget, kerma: Budget) -> MoveCost:
    then = contrast.after(option.contrast_mL)
    return MoveCost(
        id=option.id,
        move=option.change,
        contrast_mL=option.contrast_mL,
        contrast_left_mL=then.left,
        contrast_state=then.state,
        air_kerma_mGy=option.air_kerma_mGy,
        kerma_state=kerma.after(option.air_kerma_mGy).state,
        source=option.cost_source,
        hazards=list(move_hazards(safety, option)),
    )


def _shared(moves: Sequence[MoveCost]) -> list[HazardRow]:
    """Return the hazards of every move that ends in a push."""
    pushed = [move for move in moves if any(row.because.get("step") == "push" for row in move.hazards)]
    if len(pushed) < 2:
        return []
    common = set.intersection(*({row.id for row in move.hazards} for move in pushed))
    return [row for row in pushed[0].hazards if row.id in common]


def _inside(one: Inside, safety: CaseSafety) -> InsideRow:
    device, now = safety.case.shelf.devices.get(one.device), safety.now
    places = {"rail": "main vessel", "buddy": "beside the rail", "branch": "a branch"}
    where = one.branch or places.get(one.role, "")
    if one.from_mm is not None and one.to_mm is not None and one.item is not BodyItem.ANCHOR_BALLOON:
        where = f"{one.from_mm:.0f} to {one.to_mm:.0f} mm"
    if one.tip is not None:
        where = f"{where}; tip {one.tip.replace('_', ' ')}".lstrip("; ")
    if one.item is BodyItem.EXTENSION and now.extension_depth_mm is not None:
        where = f"tip at {now.extension_depth_mm:.0f} mm"
    since = one.since_s or now.started_s or 0.0
    return InsideRow(
        device=one.device,
        name=one.device if device is None else device.name,
        item=one.item,
        where=where,
        minutes=0.0 if now.last_s is None else max(now.last_s - since, 0.0) / _SECONDS_PER_MINUTE,
        stays=one.stays,
        presumed_out=one.presumed_out,
        unplanned=one.unplanned,
    )


_ASKED = {"age": "age_y", "sex": "sex", "weight": "weight_kg", "creatinine": "creatinine_mg_dL"}


def _notes(safety: CaseSafety) -> list[str]:
    """Return what a reader must know of what is missing or in dispute."""
    patient, notes = safety.case.patient, list[str]()
    missing = [word for word, name in _ASKED.items() if getattr(patient, name) is None]
    if missing:
        notes.append(f"not in the case file: {', '.join(missing)}; limits that need them are left out")
    if safety.reports:
        notes.append(
            "air kerma, kerma-area product and fluoroscopy time are each the larger of the record's and the dose reports' sum"
        )
    agreed, binding = safety.case.limits.contrast_mL, safety.setting.agreed.contrast_mL
    if agreed is not None and binding is not None and binding < agreed:
        notes.append(
            f"the {agreed:.0f} mL set for this case are above the lowest ceiling of {binding:.0f} mL, which is used"
        )
    if patient.weight_kg is not None and patient.creatinine_mg_dL is not None:
        notes.append(
            "where the 300 mL cap of the weight-and-creatinine limit goes is disputed: both readings are listed"
        )
    return notes


def _sources(document: LimitsDocument) -> list[str]:
    """Return the keys of the sources whose numbers the document shows."""
    text = document.model_dump_json()
    return [key for key in all_sources() if f'"{key}"' in text or f"[{key}," in text]
