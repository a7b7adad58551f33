"""A loaded case and its record as the rules and limits take them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from backstay.adapters.case_file import PatientTable
from backstay.adapters.protocol_file import read_protocol
from backstay.adapters.record_entries import entries_of
from backstay.app.loading import LoadedCase
from backstay.app.mending import recorded
from backstay.app.safety.patient_words import CHRONIC_OCCLUSION, CONTRAST, p2y12_loaded, told
from backstay.core.record.entries import Entry, standing
from backstay.core.record.state import HANDLING
from backstay.core.rigging.rig import Rig
from backstay.core.rules.gate import HARD
from backstay.core.safety.bleeding import BleedingClass, bleeding_class
from backstay.core.safety.contrast import Ceiling, ceilings, lowest_binding
from backstay.core.safety.dose import DoseReport, with_reports
from backstay.core.safety.now import Inside, Now, now_after
from backstay.core.safety.protocol import Protocol
from backstay.core.safety.renal import ckd_epi_2021, cockcroft_gault
from backstay.core.safety.setting import Agreed, Patient, Setting
from backstay.identifiers import BodyItem, EventKind, Ready, Whose


@dataclass(frozen=True)
class CaseSafety:
    """A case with its record, as limits and hazards need it.

    Attributes
    ----------
    case : LoadedCase
        The case.
    setting : Setting
        What does not change while it runs.
    entries : tuple of Entry
        What stands of the record, by time.
    start, now : Now
        Where the case stood before the record, and where it stands.
    egfr, clearance_mL_min : float or None
        Kidney function, where it can be computed.
    ceilings : tuple of Ceiling
        For contrast, the lowest first.
    bleeding : BleedingClass
        By the consensus criteria.
    reports : tuple of DoseReport
        Dose reports handed over; `now` has their totals where they are above the record's.
    """

    case: LoadedCase
    setting: Setting
    entries: tuple[Entry, ...]
    start: Now
    now: Now
    egfr: float | None
    clearance_mL_min: float | None
    ceilings: tuple[Ceiling, ...]
    bleeding: BleedingClass
    reports: tuple[DoseReport, ...] = ()

    @property
    def recorded(self) -> bool:
        """Return whether the case has begun."""
        return bool(self.entries)


def case_safety(
    case: LoadedCase, entries: Sequence[Entry] | None = None, *, reports: Sequence[DoseReport] = ()
) -> CaseSafety:
    """Return a case as limits and hazards need it.

    Parameters
    ----------
    case : LoadedCase
        The case.
    entries : sequence of Entry, optional
        Its record, as written; read from the file beside the case when not given.
    reports : sequence of DoseReport, optional
        Dose reports of the case.

    Raises
    ------
    NotFound, FileFormatError, InputError
        The protocol file or the record cannot be read.
    """
    if entries is None:
        entries = entries_of(recorded(case.file))
    stands = standing(entries)
    protocol = Protocol() if case.protocol_file is None else read_protocol(case.protocol_file)
    patient = case.patient
    egfr, clearance = _kidney(patient)
    found = ceilings(
        protocol.contrast,
        weight_kg=patient.weight_kg,
        creatinine_mg_dL=patient.creatinine_mg_dL,
        clearance_mL_min=clearance,
        agreed_mL=case.limits.contrast_mL,
        clearance_source=protocol.whose("contrast.clearance_times", otherwise="gurm2011"),
    )
    bleeding = bleeding_class(
        age_y=patient.age_y,
        female=None if patient.sex is None else patient.sex == "female",
        egfr=egfr,
        hemoglobin_g_dL=patient.hemoglobin_g_dL,
        platelets_1e9_L=patient.platelets_1e9_L,
        listed=None if patient.bleeding_risks is None else frozenset(patient.bleeding_risks),
    )
    setting = Setting(
        devices=case.shelf.devices,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        patient=_patient(patient, egfr, bleeding),
        agreed=_agreed(case, found),
        protocol=protocol,
        opened_before=_opened_before(case),
    )
    start = _start(case.rig, stands)
    now = now_after(stands, setting.kinds, start=start, branch_at_mm=setting.branch_at_mm)
    now = with_reports(now, reports)
    return CaseSafety(case, setting, stands, start, now, egfr, clearance, found, bleeding, tuple(reports))


_ON_THE_RAIL = HANDLING | {EventKind.WIRE_IN, EventKind.WIRE_OUT}


def counted_to(safety: CaseSafety, at_s: float) -> CaseSafety:
    """Return a case with everything's age counted to a time: until its end is logged the clock runs on while nobody writes.

    Parameters
    ----------
    safety : CaseSafety
        The case.
    at_s : float
        The time, s since 1970 (UTC); one before the last entry counts as that.
    """
    last_s = safety.now.last_s
    if not safety.recorded or last_s is None or safety.now.ended:
        return safety
    return replace(safety, now=replace(safety.now, last_s=max(at_s, last_s)))


def _start(rig: Rig, stands: Sequence[Entry]) -> Now:
    """Return what was in before the record: the case's rig, unless the record itself tells how guide or rail went in.

    A rail that went in before anything ran on one is the rig's own where it is the same wire; any other comes beside it.
    """
    guide = next((e for e in stands if e.kind in (EventKind.GUIDE_IN, EventKind.GUIDE_OUT)), None)
    if guide is not None and guide.kind is EventKind.GUIDE_IN:
        return Now()
    start = rig_now(rig)
    first = next((e for e in stands if e.kind in _ON_THE_RAIL), None)
    told = first is not None and first.kind is EventKind.WIRE_IN and first.text("device") == rig.rail.id
    if first is None or not told or first.text("role") not in (None, "rail"):
        return start
    return replace(start, inside=tuple(one for one in start.inside if one.role != "rail"))


def _opened_before(case: LoadedCase) -> bool:
    """Return whether the case file says of every hard lesion on the way that it opened fully; False where none is hard."""
    hard = [x for x in case.vessel.lesion if x.calcium in HARD and x.from_mm < case.target_to_mm]
    return bool(hard) and all(x.opened_fully for x in hard)


def _kidney(patient: PatientTable) -> tuple[float | None, float | None]:
    """Return filtration rate and clearance, each None where something is missing."""
    creatinine, age, sex = patient.creatinine_mg_dL, patient.age_y, patient.sex
    if creatinine is None or age is None or sex is None:
        return None, None
    female = sex == "female"
    egfr = ckd_epi_2021(creatinine_mg_dL=creatinine, age_y=age, female=female)
    if patient.weight_kg is None:
        return egfr, None
    weight = patient.weight_kg
    return egfr, cockcroft_gault(creatinine_mg_dL=creatinine, age_y=age, weight_kg=weight, female=female)


def _patient(patient: PatientTable, egfr: float | None, bleeding: BleedingClass) -> Patient:
    allergic = None if patient.allergies is None else told(patient.allergies, CONTRAST) is True
    return Patient(
        weight_kg=patient.weight_kg,
        egfr=egfr,
        contrast_allergy=allergic,
        p2y12_loaded=p2y12_loaded(patient.p2y12),
        bleeding_high=bleeding.high,
        chronic_occlusion=told(patient.conditions, CHRONIC_OCCLUSION) is True,
    )


def _agreed(case: LoadedCase, found: tuple[Ceiling, ...]) -> Agreed:
    lowest, ready = lowest_binding(found), case.time_out.ready
    known = {one: None if ready is None else one in ready for one in Ready}
    return Agreed(
        contrast_mL=None if lowest is None else lowest.volume_mL,
        air_kerma_mGy=case.limits.air_kerma_mGy,
        minutes=case.limits.minutes,
        contrast_source=Whose.CASE.value if lowest is None else lowest.source,
        covered_stent=known[Ready.COVERED_STENT],
        pericardiocentesis=known[Ready.PERICARDIOCENTESIS_SET],
        snare=known[Ready.SNARE],
        glycoprotein_inhibitor=case.anticoagulation.glycoprotein_inhibitor,
    )


def rig_now(rig: Rig) -> Now:
    """Return where a case stands that begins with a rig in place."""
    inside = [Inside(rig.guide.id, BodyItem.GUIDE, 0.0), Inside(rig.rail.id, BodyItem.WIRE, 0.0, "rail")]
    inside += [Inside(wire.id, BodyItem.WIRE, 0.0, "buddy") for wire in rig.buddies]
    if rig.extension is not None:
        inside.append(Inside(rig.extension.id, BodyItem.EXTENSION, 0.0))
    if rig.anchor is not None:
        inside.append(Inside(rig.anchor.balloon.id, BodyItem.ANCHOR_BALLOON, 0.0, "", rig.anchor.branch))
    if rig.trapped is not None:
        held = Inside(rig.trapped.wire.id, BodyItem.TRAPPED_WIRE, 0.0, "buddy")
        inside.append(replace(held, from_mm=rig.trapped.from_mm, to_mm=rig.trapped.to_mm))
    depth = rig.extension_depth_mm if rig.extension is not None else None
    return Now(inside=tuple(inside), seat_mm=rig.seat_mm, extension_depth_mm=depth)
