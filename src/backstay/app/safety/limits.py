"""The limits of a case: kidney and contrast, heparin, radiation, bleeding, what is in the body, what moves would take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from backstay.adapters.limits_file import (
    ActPart,
    AnticoagulationPart,
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
    SkinPart,
)
from backstay.app.safety.hazards import current, hazard_row, move_hazards, plan_findings
from backstay.app.safety.setting import CaseSafety, has_condition
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
from backstay.core.safety.heparin import act_target_s, bivalirudin_dose, heparin_dose_U, read_act
from backstay.core.safety.now import Inside
from backstay.core.safety.radiation import radiation_levels
from backstay.identifiers import BodyItem, Drug
from backstay.sources import all_sources

DISCLAIMER = (
    "Planning and teaching aid. It counts and suggests; the licensed operator decides. Local protocols and the "
    "instructions for use come first."
)
MOVES_LISTED = 14
_SECONDS_PER_MINUTE = 60.0


def limits_of(
    safety: CaseSafety, *, options: Sequence[Alternative] | None = None, skin: SkinPart | None = None
) -> LimitsDocument:
    """Return the limits of a case.

    Parameters
    ----------
    safety : CaseSafety
        The case and its record.
    options : sequence of Alternative, optional
        What could be tried next; found from the shelf when not given.
    skin : SkinPart, optional
        Dose to the skin, where a dose report was read.
    """
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
        anticoagulation=_anticoagulation(safety),
        radiation=_radiation(safety),
        kerma_limit_mGy=kerma.limit,
        kerma_state=kerma.state,
        skin=skin,
        bleeding=_bleeding(safety),
        moves=moves,
        every_move=_shared(moves),
        inside=[_inside(one, safety) for one in now.inside],
        hazards=[hazard_row(one) for one in shown],
        hazards_waiting=[hazard_row(one) for one in waiting],
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
    if patient.age_y is None and safety.egfr is None:
        return None
    volume = budget.used if safety.recorded or budget.limit is None else budget.limit
    hematocrit, sex = patient.hematocrit_percent, patient.sex

    def named(*words: str) -> bool | None:
        return True if has_condition(patient, *words) else None

    given = ScoreInputs(
        hypotension=named("hypotension"),
        balloon_pump=named("balloon pump"),
        heart_failure=named("heart failure"),
        age_y=patient.age_y,
        anaemia=None
        if hematocrit is None or sex is None
        else anaemia_2004(hematocrit_percent=hematocrit, female=sex == "female"),
        diabetes=named("diabetes"),
        egfr=safety.egfr,
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


def _anticoagulation(safety: CaseSafety) -> AnticoagulationPart:
    now, weight = safety.now, safety.case.patient.weight_kg
    agent = "bivalirudin" if Drug.BIVALIRUDIN in now.drugs else safety.case.anticoagulation.agent
    inhibitor = safety.setting.agreed.glycoprotein_inhibitor or Drug.GLYCOPROTEIN_INHIBITOR in now.drugs
    protocol = safety.setting.protocol.heparin
    first: tuple[float, float] | None = None
    infusion: float | None = None
    if weight is not None and agent == "heparin":
        dose = heparin_dose_U(weight_kg=weight, glycoprotein_inhibitor=inhibitor)
        first = (dose.low, dose.high)
    elif weight is not None:
        drug = bivalirudin_dose(weight_kg=weight, clearance_mL_min=safety.clearance_mL_min)
        first, infusion = (drug.bolus_mg, drug.bolus_mg), drug.infusion_mg_h
    target = act_target_s(protocol, glycoprotein_inhibitor=inhibitor) if agent == "heparin" else None
    act = _act(safety, inhibitor) if agent == "heparin" else None
    return AnticoagulationPart(
        agent=agent,
        glycoprotein_inhibitor=inhibitor,
        first_dose=first,
        first_dose_unit="U" if agent == "heparin" else "mg",
        infusion_mg_h=infusion,
        target_s=None if target is None else (target.low, target.high),
        instrument=protocol.instrument,
        given_U=now.heparin_U,
        given_U_per_kg=None if weight is None else now.heparin_U / weight,
        act=act,
        suggestions=_suggestions(safety, act, first, agent),
    )


def _act(safety: CaseSafety, inhibitor: bool) -> ActPart | None:
    now = safety.now
    if now.act_s is None or now.act_at_s is None or now.last_s is None:
        return None
    site = {"guide": "guide", "sheath": "sheath", "vein": "vein"}.get(now.act_site or "")
    reading = read_act(
        now.act_s,
        age_min=(now.last_s - now.act_at_s) / _SECONDS_PER_MINUTE,
        site=site,  # type: ignore[arg-type]  # one of the three words, or None
        glycoprotein_inhibitor=inhibitor,
        protocol=safety.setting.protocol.heparin,
    )
    return ActPart(
        act_s=reading.act_s,
        age_min=reading.age_min,
        verdict=reading.verdict,
        sampled_from=now.act_site,
        sheath_s=reading.sheath_s,
        site_doubt=reading.site_doubt,
        due_in_min=reading.due_in_min,
        overdue=reading.overdue,
    )


def _suggestions(
    safety: CaseSafety, act: ActPart | None, first: tuple[float, float] | None, agent: str
) -> list[str]:
    """Return what could be done next about clotting; the operator decides."""
    now, found = safety.now, list[str]()
    if agent == "bivalirudin":
        return [
            "the clotting time does not guide the dose; for a stop in the infusion see the local protocol"
        ]
    if safety.recorded and not now.anticoagulated:
        found.append("no heparin is recorded")
    if safety.setting.protocol.heparin.instrument == "unknown":
        found.append(
            "which family of instrument the lab has is not said: the target spans both; name it in the protocol"
        )
    if act is None:
        return found
    if act.verdict == "below":
        room = "" if first is None else f"; given {now.heparin_U:.0f} U, first dose up to {first[1]:.0f} U"
        found.append(f"below target: more heparin by the local protocol, then another value{room}")
    found += _family_doubt(safety, act.act_s)
    if act.site_doubt:
        found.append(
            "sampled from the guide, which reads about 43 s more than the sheath: the verdict hangs on it"
        )
    if act.overdue or act.due_in_min <= 0.0:
        found.append(f"the value is {act.age_min:.0f} min old: repeat it (interval from memory)")
    return found


def _family_doubt(safety: CaseSafety, act_s: float) -> list[str]:
    """Return what each family of instrument would make of a value, where the lab's is not said and they differ."""
    protocol = safety.setting.protocol.heparin
    if protocol.instrument != "unknown":
        return []
    inhibitor = (
        safety.setting.agreed.glycoprotein_inhibitor or Drug.GLYCOPROTEIN_INHIBITOR in safety.now.drugs
    )
    lower, higher = (
        act_target_s(replace(protocol, instrument=one), glycoprotein_inhibitor=inhibitor).verdict(act_s)
        for one in ("lower reading", "higher reading")
    )
    if lower == higher:
        return []
    return [
        f"the instrument decides: {lower} target on a lower reading one, {higher} on a higher reading one"
    ]


def _radiation(safety: CaseSafety) -> list[LevelRow]:
    now = safety.now
    rows = radiation_levels(
        safety.setting.protocol.radiation,
        air_kerma_mGy=now.air_kerma_mGy,
        kap_Gycm2=now.kap_Gycm2,
        fluoroscopy_min=now.fluoroscopy_min,
    )
    return [LevelRow(**vars(row)) for row in rows]


def _bleeding(safety: CaseSafety) -> BleedingPart:
    found, patient = safety.bleeding, safety.case.patient
    chronic = has_condition(patient, "chronic coronary", "stable angina")
    acute = True if has_condition(patient, "acute coronary") else False if chronic else None
    rows = [
        f"{row.guideline}, {'acute' if row.acute else 'chronic'}: {row.default}; shorter: {row.shorter} [{row.source}, second-hand]"
        for row in dual_therapy(acute=acute)
    ]
    unread = [] if acute else [UNREAD]
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
    where = one.branch or {"rail": "main vessel", "buddy": "beside the rail"}.get(one.role, "")
    if one.from_mm is not None and one.to_mm is not None and one.item is not BodyItem.ANCHOR_BALLOON:
        where = f"{one.from_mm:.0f} to {one.to_mm:.0f} mm"
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


def _notes(safety: CaseSafety) -> list[str]:
    """Return what a reader must know of what is missing or in dispute."""
    patient, notes = safety.case.patient, list[str]()
    missing = [
        name for name in ("age_y", "sex", "weight_kg", "creatinine_mg_dL") if getattr(patient, name) is None
    ]
    if missing:
        notes.append(f"not in the case file: {', '.join(missing)}; limits that need them are left out")
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
