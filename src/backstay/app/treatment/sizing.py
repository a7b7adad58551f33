"""Choose and size the treatment of a case: measure, plan every stretch, say what it rests on."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from backstay.adapters.treatment_file import (
    BranchMark,
    MeasuredLesion,
    ReferenceTick,
    Stretch,
    TreatmentDocument,
    VesselPicture,
    Worth,
)
from backstay.app.loading import LoadedCase
from backstay.app.treatment.afterwards import miss_words
from backstay.app.treatment.beside import met, planned_together
from backstay.app.treatment.measuring import CaseLesion, described, measure, spread, tightness
from backstay.app.treatment.recorded import as_recorded, torn_by_record
from backstay.app.treatment.stretches import cautions_of, shut_in
from backstay.app.treatment.work import Work, label_conflict, stretches_of
from backstay.app.treatment.worth import worth_of
from backstay.core.rigging.devices import Balloon, Device, Stent
from backstay.core.treatment.compliance import inflation_to
from backstay.core.treatment.lesions import END_RATIO, estimate
from backstay.core.treatment.preparation import NOTHING_LEFT
from backstay.core.treatment.reference import ReferenceFit
from backstay.core.treatment.sizing import diameter_of_area_mm, misses_across
from backstay.identifiers import Preparation
from backstay.sources import all_sources

DEFAULT_SEED = 1
DISCLAIMER = (
    "Planning and teaching aid. Not a medical device and not validated for clinical decisions. The devices' instructions for use, local "
    "protocols and the licensed operator come first."
)
CAUTIONS = (
    "never beyond a balloon's rated burst, and no stent beyond what its platform's maker allows",
    "angiography shows the lumen, not the wall: a diffusely narrowed reference is measured too small, and makes everything look better",
    "shortfall and recoil in published series are information: no device is chosen larger for them",
)
UNVALIDATED = (
    "reference, stenosis and length: checked on generated vessels, not against patients",
    "order of preparation, weights of the stent choice: common practice or judgement, no source",
    "compliance tables, prices and platform limits are the shelf's own",
)
_PREPARED_BY = {Preparation.ATHERECTOMY: "burrratio1996", Preparation.LITHOTRIPSY: "lithoprotocol"}
USED = ("huo2012", "ryan1988", "ellis1990", "corelabterms", "aziz2007", "raber2018")


def size_case(case: LoadedCase, *, seed: int = DEFAULT_SEED) -> TreatmentDocument:
    """Return the treatment of a case, its lesions as the record leaves them.

    Parameters
    ----------
    case : LoadedCase
        The case.
    seed : int
        Seed of the measurement's draws.

    Returns
    -------
    TreatmentDocument
        Lesions, stretches, worth.
    """
    case = as_recorded(case)
    fit, lesions = measure(case, np.random.default_rng(seed), torn=torn_by_record(case))
    work, stretches = planned_together(stretches_of(case, fit, lesions), fit, lesions)
    measured = _with_labels(described(case, lesions), work)
    worth = worth_of(case.flow, lesions)
    return TreatmentDocument(
        schema=1,
        title=case.title,
        invented=case.invented,
        vessel=case.vessel_name,
        picture=_picture(fit),
        ticks=_ticks(fit, lesions),
        branches=[BranchMark(name=b.name, at_mm=b.at_mm, diameter_mm=b.diameter_mm) for b in case.branches],
        noise_mm=round(fit.noise_mm, 3),
        common_mm=round(fit.common_mm, 3),
        lesions=measured,
        stretches=stretches,
        worth=worth,
        target=target_notes(case, stretches, lesions),
        attempts=_attempts(case),
        seed=seed,
        sources=_sources(stretches, worth, measured),
        unvalidated=list(UNVALIDATED),
        alerts=[
            *(f"Lesion {n}: {NOTHING_LEFT}." for one in work for n in shut_in(one)),
            *_alerts(lesions),
        ],
        warnings=list(case.warnings[: len(case.smoothed.warnings)]),
        cautions=list(dict.fromkeys([*CAUTIONS, *(c for w in work for c in cautions_of(w))])),
        disclaimer=DISCLAIMER,
    )


def _with_labels(measured: list[MeasuredLesion], work: Sequence[Work]) -> list[MeasuredLesion]:
    """Return the lesions with the conflict about a stretch's label beside those of the lesion whose zone is its distal end."""
    found = list(measured)
    for one in work:
        conflict, k = label_conflict(one), next(n for n, x in one.lesions if x is one.far) - 1
        if conflict is not None:
            found[k] = found[k].model_copy(update={"conflicts": [*found[k].conflicts, conflict]})
    return found


def _picture(fit: ReferenceFit) -> VesselPicture:
    def rounded(values: object) -> list[float]:
        return [round(float(v), 3) for v in np.asarray(values)]

    return VesselPicture(
        s_mm=rounded(fit.s_mm), reference_mm=rounded(fit.reference_mm), lumen_mm=rounded(fit.lumen_mm)
    )


def _ticks(fit: ReferenceFit, lesions: Sequence[CaseLesion]) -> list[ReferenceTick]:
    found = []
    for k, lesion in enumerate(lesions, 1):
        image = lesion.imaging
        seen = (None, None) if image is None else (image.proximal, image.distal)
        for at, what, table in zip(lesion.landing_mm, ("before", "beyond"), seen, strict=True):
            j = int(np.argmin(np.abs(fit.s_mm - at)))
            value = spread(estimate(fit.reference_draws_mm[:, j]))
            if table is not None:
                value = value.model_copy(
                    update={"value": table.lumen_mm, "low": table.lumen_mm, "high": table.lumen_mm}
                )
            found.append(ReferenceTick(at_mm=round(at, 1), diameter_mm=value, what=f"{what} lesion {k}"))
    return found


def target_notes(
    case: LoadedCase, stretches: Sequence[Stretch], lesions: Sequence[CaseLesion] = ()
) -> list[str]:
    """Return where the case's own target differs from what is chosen, a geographic miss first."""
    device, from_mm, to_mm = case.device, case.target_from_mm, case.target_to_mm
    touched = [s for s in stretches if s.from_mm < to_mm and from_mm < s.to_mm]
    if not touched:
        return ["The case's target lies in none of the stretches planned here."] if stretches else []
    found = []
    treats = isinstance(device, Stent) or (
        isinstance(device, Balloon) and device.balloon_type == "drug_coated"
    )
    for stretch in touched if treats else []:
        for gap_mm, where in ((from_mm - stretch.from_mm, "proximal"), (stretch.to_mm - to_mm, "distal")):
            if gap_mm >= 0.5:
                found.append(
                    f"Geographic miss: the case's target leaves {gap_mm:.1f} mm before the {where} landing zone bare."
                )
        far_mm = diameter_of_area_mm(stretch.expected.reference_areas_mm2[-1])
        opened_mm = _opened_mm(device, far_mm)
        if opened_mm is not None and misses_across(balloon_mm=opened_mm, artery_mm=far_mm):
            found.append(f"The case's target: {miss_words(opened_mm, far_mm)}.")
        ids = [] if stretch.best is None else [s.device for s in stretch.best.stents]
        if ids and device.id not in ids:
            found.append(f"The case's target is {device.name}; chosen here: {', '.join(_names(stretch))}.")
    if treats:
        own = {number for stretch in touched for number in stretch.lesions}
        found += [f"The case's target: {text}." for text in met(from_mm, to_mm, lesions, own=own)]
    return found


def _opened_mm(device: Device, artery_mm: float) -> float | None:
    """Return what a stent or balloon opens to in an artery: its size as near to that as its table allows."""
    if not isinstance(device, Stent | Balloon):
        return None
    found = inflation_to(device, max(artery_mm, device.nominal_diameter_mm))
    return device.nominal_diameter_mm if found is None else found.diameter_mm


def _names(stretch: Stretch) -> list[str]:
    return [] if stretch.best is None else [s.name for s in stretch.best.stents]


def _attempts(case: LoadedCase) -> list[str]:
    found = []
    for k, table in enumerate(case.vessel.lesion, 1):
        if table.imaging is not None and not table.imaging.crossed:
            name = table.imaging.catheter or f"imaging catheter ({table.imaging.method})"
            found.append(
                f"{name} did not cross the lesion at {table.from_mm:.0f} to {table.to_mm:.0f} mm (lesion entry {k}): this is an "
                "attempt, and belongs in the record as one"
            )
    return found


def _wider_words(lesion: CaseLesion) -> str:
    """Return that imaging's least lumen is wider than the reference beside it, with both, or nothing."""
    seen_mm, ref_mm, m = lesion.least_seen_mm, lesion.reference_mm.value, lesion.measured
    if seen_mm is None or seen_mm <= ref_mm:
        return ""
    return (
        f"the least lumen by imaging ({seen_mm:.2f} mm) is wider than the reference there ({ref_mm:.2f} mm): one of the two is wrong; "
        f"it counts as no narrowing, where angiography has {m.diameter_percent.value:.0f} %"
    )


def _alerts(lesions: Sequence[CaseLesion]) -> list[str]:
    """Return where what the case file names and what the path shows differ."""
    found = []
    for number, lesion in enumerate(lesions, 1):
        m, table = lesion.measured, lesion.table
        if table is None:
            found.append(
                f"A narrowing of {m.diameter_percent.value:.0f} % at {m.narrowest_at_mm:.0f} mm is not named in the case file: it is "
                "measured, and not planned."
            )
            continue
        wider = _wider_words(lesion)
        if wider:
            found.append(f"Lesion {number}: {wider}.")
        if not lesion.planned:
            found.append(
                f"Lesion {number}: a narrowing of {tightness(lesion)[1].value:.0f} % at {table.from_mm:.0f} to {table.to_mm:.0f} mm, "
                f"less than a tenth: no stent is planned. Plaque without narrowing does not show on the lumen."
            )
        elif tightness(lesion)[1].value < 100.0 * END_RATIO and not wider:
            found.append(
                f"Lesion {number}: hardly narrowed ({tightness(lesion)[1].value:.0f} %) where it is named, at {table.from_mm:.0f} to "
                f"{table.to_mm:.0f} mm, and planned for another reason, as that it was prepared: look whether the place is right."
            )
        if len(lesion.entries) > 1:
            entries = " and ".join(str(k) for k in lesion.entries)
            found.append(
                f"Lesion {number}: entries {entries} of the case file lie on one narrowing, from {m.from_mm.value:.0f} to "
                f"{m.to_mm.value:.0f} mm by the path: measured and planned once, by the harder of them."
            )
        off = max(abs(table.from_mm - m.from_mm.value), abs(table.to_mm - m.to_mm.value))
        if off > 5.0:
            found.append(
                f"Lesion {number}: the case file has it from {table.from_mm:.0f} to {table.to_mm:.0f} mm, the path shows it from "
                f"{m.from_mm.value:.0f} to {m.to_mm.value:.0f} mm; the path counts here."
            )
    return found


def _sources(
    stretches: Sequence[Stretch], worth: Worth | None, measured: Sequence[MeasuredLesion]
) -> list[str]:
    keys = {*USED, *(s.size.source for s in stretches)}
    if worth is not None:
        keys |= {"young1973", "seeley1976"}
        keys |= set() if worth.tandem_proximal is None else {"debruyne2000", "pijls2000"}
    keys |= {_PREPARED_BY[p.kind] for s in stretches for p in s.preparation if p.kind in _PREPARED_BY}
    keys |= {str(group["source"]) for s in stretches for group in s.expected.left_main}
    if any(s.expected.measured_verdict for s in stretches):
        keys.add("music1998")
    if any(b.kissing is not None for s in stretches for b in s.branches):
        keys.add("morino2008")
    missed = [b.note for s in stretches for b in s.after]
    small = [text for s in stretches for text in (s.drug.name, *(p.missing for p in s.preparation))]
    if any("geographic miss across" in text for text in missed) or any("of the artery" in x for x in small):
        keys.add("geographicmiss")
    if any(s.branches for s in stretches):
        keys |= {"finet2007", "murray1926", "medina2023", "ebc2022", "rescuetriggers"}
    if any(m.oct_score is not None for m in measured):
        keys.add("fujino2018")
    return [key for key in all_sources() if key in keys]
