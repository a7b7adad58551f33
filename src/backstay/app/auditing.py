"""Closed cases as tidy rows: anatomy, plan, attempts with what the model said, outcome, what was used."""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from backstay.adapters.plan_file import RigResult
from backstay.adapters.quantiles import Quantiles
from backstay.adapters.record_entries import entries_of
from backstay.adapters.store import Store
from backstay.app.learning.tried import Tried, tried
from backstay.app.loading import LoadedCase, load_case
from backstay.app.mending import recorded
from backstay.app.moments import plan_at
from backstay.app.packing import case_file_in
from backstay.app.progress import Progress
from backstay.app.safety import case_safety
from backstay.core.anatomy.lesion import Lesion
from backstay.core.record.entries import Entry
from backstay.core.record.state import RecordState, state_of
from backstay.core.rigging.devices import Balloon, Device, OverWireDevice, Stent
from backstay.core.safety.contrast import lowest_binding
from backstay.errors import InputError
from backstay.identifiers import Calcium, EventKind
from backstay.units import rad_to_deg

OLDEST_DECADE_Y = 90
Row = dict[str, Any]
Audited = tuple[list[Row], list[Row]]


def audit_files(files: Sequence[Path], *, model: bool = True, progress: Progress | None = None) -> Audited:
    """Return the rows of these cases, each with its record beside it; those not closed have none."""
    cases: list[Row] = []
    attempts: list[Row] = []
    for k, file in enumerate(files):
        case, entries = load_case(file), entries_of(recorded(file))
        _add(cases, attempts, case, entries, model, progress)
        if progress is not None:
            progress(f"{k + 1} of {len(files)} cases", (k + 1) / len(files))
    return cases, attempts


def audit_store(url: str, *, model: bool = True, progress: Progress | None = None) -> Audited:
    """Return the rows of every closed record of a store; those not closed have none."""
    store = Store(url)
    cases: list[Row] = []
    attempts: list[Row] = []
    try:
        records = store.records(limit=store.count())
        for k, listed in enumerate(records):
            entries = entries_of(store.events(listed.id))
            with _kept_case(store, listed.id) as case:
                _add(cases, attempts, case, entries, model, progress)
            if progress is not None:
                progress(f"{k + 1} of {len(records)} records", (k + 1) / len(records))
    finally:
        store.close()
    return cases, attempts


@contextmanager
def _kept_case(store: Store, record: str) -> Iterator[LoadedCase]:
    """Load a case from the files kept with its record."""
    with tempfile.TemporaryDirectory(prefix="backstay-") as name:
        folder = Path(name)
        for file, content in store.files(record).items():
            if Path(file).name != file:
                raise InputError("not a file's name", field="files", value=file, where=record)
            (folder / file).write_text(content, encoding="utf-8")
        yield load_case(case_file_in(folder))


def _add(
    cases: list[Row],
    attempts: list[Row],
    case: LoadedCase,
    entries: Sequence[Entry],
    model: bool,
    progress: Progress | None,
) -> None:
    state = state_of(entries, {d.id: d.kind for d in case.shelf.devices.values()})
    closed = closed_by(state)
    if closed is None:
        return
    name = _name(entries)
    made = tried(case, state.timeline)[0]
    cases.append(
        {
            "case": name,
            **_anatomy(case),
            **_plan(case),
            **_course(case, state, made, closed),
            **_used(case, entries, state),
        }
    )
    attempts += [_attempt(case, state, name, k, one, model, progress) for k, one in enumerate(made, 1)]


def closed_by(state: RecordState) -> str | None:
    """Return what closed a record: the end of the case, or a signed report; None while it is open."""
    if state.of(EventKind.END):
        return "end"
    return "signed" if state.of(EventKind.SIGNED) else None


def _name(entries: Sequence[Entry]) -> str:
    """Return a name for a case that leads back to its record only for who has it."""
    opened = next((e for e in entries if e.kind is EventKind.OPENED), None)
    text = (opened.text("record") if opened is not None else None) or entries[0].id
    return hashlib.sha256(f"audit\n{text}".encode()).hexdigest()[:16]


# Columns of a case


def _meeting(case: LoadedCase, lesions: Sequence[Lesion]) -> list[Lesion]:
    return [x for x in lesions if x.from_mm < case.target_to_mm and case.target_from_mm < x.to_mm]


def _anatomy(case: LoadedCase) -> Row:
    path, met = case.path, _meeting(case, case.lesions)
    upto = path.s_mm <= case.target_to_mm
    age = case.patient.age_y
    return {
        "invented": case.invented,
        "age_decade_y": None if age is None else min(int(age // 10) * 10, OLDEST_DECADE_Y),
        "sex": case.patient.sex,
        "vessel": case.vessel_name,
        "path_length_mm": _r(path.length_mm),
        "bend_to_target_deg": _r(rad_to_deg(path.bend_rad(0.0, case.target_to_mm))),
        "least_lumen_mm": _r(2.0 * float(np.min(path.radius_mm[upto]))),
        "lesion_count": len(case.lesions),
        "lesion_length_mm": _r(sum(x.length_mm for x in met)),
        "calcium": max((x.calcium for x in met), key=list(Calcium).index).value if met else None,
        "prepared_before": _joined(p.value for x in met for p in x.prepared),
        "branch_count": len(case.branches),
    }


def _plan(case: LoadedCase) -> Row:
    return {
        "route": case.rig.access.route.value,
        "sheath_fr": case.rig.access.sheath_fr,
        "guide_fr": case.rig.guide.size_fr,
        "guide_shape": case.rig.guide.shape.value,
        **_device(case.device),
        "target_from_mm": case.target_from_mm,
        "target_to_mm": case.target_to_mm,
    }


def _device(device: Device | None) -> Row:
    sized = isinstance(device, Stent | Balloon)
    return {
        "device_kind": None if device is None else device.kind.value,
        "device_diameter_mm": device.nominal_diameter_mm
        if isinstance(device, Stent | Balloon) and sized
        else None,
        "device_length_mm": device.working_mm if isinstance(device, OverWireDevice) else None,
    }


def _course(case: LoadedCase, state: RecordState, made: Sequence[Tried], closed: str) -> Row:
    attempts, stents = state.of(EventKind.ATTEMPT), state.of(EventKind.STENT)
    own = [e for e in (*attempts, *stents) if e.text("device") == case.device.id]
    went = any(e.kind is EventKind.STENT or e.text("outcome") == "reached" for e in own)
    opened = [case.shelf.devices.get(e.text("device") or "") for e in stents]
    before = {id(x): len(x.prepared) for x in case.lesions}
    after = tried(case, state.timeline)[1].case.lesions
    done = [
        p.value for old, new in zip(case.lesions, after, strict=True) for p in new.prepared[before[id(old)] :]
    ]
    moves = [
        str(m)
        for one in made
        for m in (
            one.alternative.moves
            if one.alternative and one.entry.text("rig")
            else one.entry.values.get("moves", [])
        )
    ]
    return {
        "closed_by": closed,
        "duration_min": _r(state.duration_min),
        "attempts": len(attempts),
        "attempts_stopped": sum(e.text("outcome") == "stopped" for e in attempts),
        "reached": went if own else None,
        "moves": _joined(m for m in moves if m != "as_it_is"),
        "prepared": _joined(done),
        "stent_count": len(stents),
        "stent_length_mm": _r(sum(d.working_mm for d in opened if isinstance(d, OverWireDevice))),
        "complications": _joined(
            e.text("code") or "other"
            for e in state.of(EventKind.COMPLICATION)
            if e.values.get("settled") is not True
        ),
        **_results(state),
    }


def _results(state: RecordState) -> Row:
    names = ("timi_flow", "residual_stenosis_percent", "minimum_stent_area_mm2", "ffr")
    found: Row = dict.fromkeys(names)
    for entry in state.of(EventKind.RESULT):
        found |= {name: entry.values[name] for name in names if entry.values.get(name) is not None}
    return found


def _used(case: LoadedCase, entries: Sequence[Entry], state: RecordState) -> Row:
    ceiling = lowest_binding(case_safety(case, entries).ceilings)
    acts = [e.number("act_s") for e in state.of(EventKind.ACT)]
    now = state.now
    return {
        "contrast_mL": now.contrast_mL if state.of(EventKind.CONTRAST) else None,
        "contrast_limit_mL": None if ceiling is None else _r(ceiling.volume_mL),
        "air_kerma_mGy": now.air_kerma_mGy,
        "air_kerma_limit_mGy": case.limits.air_kerma_mGy,
        "kap_Gycm2": now.kap_Gycm2,
        "fluoroscopy_min": now.fluoroscopy_min,
        "minutes_limit": case.limits.minutes,
        "heparin_U": now.heparin_U if state.of(EventKind.HEPARIN) else None,
        "act_least_s": min((a for a in acts if a is not None), default=None),
        "act_last_s": now.act_s,
    }


# Columns of an attempt


def _attempt(
    case: LoadedCase,
    state: RecordState,
    name: str,
    number: int,
    one: Tried,
    model: bool,
    progress: Progress | None,
) -> Row:
    entry, made = one.entry, one.alternative
    rig = None if made is None else made.rig
    met = [] if made is None else _meeting(case, made.lesions)
    return {
        "case": name,
        "attempt": number,
        "minute": round((entry.at_s - state.timeline[0].at_s) / 60.0, 1),
        **_device(case.shelf.devices.get(entry.text("device") or "")),
        "guide_fr": None if rig is None else rig.guide.size_fr,
        "guide_shape": None if rig is None else rig.guide.shape.value,
        "seat_mm": None if rig is None else rig.seat_mm,
        "extension_depth_mm": None if rig is None or rig.extension is None else rig.extension_depth_mm,
        "rail_stiffness_Nmm2": None if rig is None else rig.rail.core_stiffness_Nmm2,
        "buddy_count": None if rig is None else len(rig.buddies),
        "anchored": None if rig is None else rig.anchor is not None,
        "wire_trapped": None if rig is None else rig.trapped is not None,
        "prepared": None if made is None else _joined(p.value for x in met for p in x.prepared),
        "dissected": None if made is None else any(x.dissected for x in met),
        "push": entry.text("push"),
        "outcome": entry.text("outcome"),
        "stopped_at_mm": entry.number("stopped_at_mm"),
        "limited_by": entry.text("limited_by"),
        **_predicted(one, model, progress),
    }


def _predicted(one: Tried, model: bool, progress: Progress | None) -> Row:
    """Return what the model says before an attempt, from nothing but what was in place."""
    blank: Row = dict.fromkeys(
        ["predicted_chance", *(f"predicted_{what}_p{p}_N" for what in ("need", "backup") for p in (10, 50, 90)),
         "predicted_stop_mm", "predicted_limited_by", "not_predicted"]
    )  # fmt: skip
    if not model:
        return blank
    if one.alternative is None:
        return blank | {"not_predicted": one.left_out}
    try:
        rig = plan_at(one.at.case, [one.alternative], progress=progress).in_place
    except InputError as error:
        return blank | {"not_predicted": error.message}
    return blank | _said(rig)


def _said(rig: RigResult) -> Row:
    def of(name: str, q: Quantiles) -> Row:
        return {
            f"predicted_{name}_p10_N": q.p10,
            f"predicted_{name}_p50_N": q.p50,
            f"predicted_{name}_p90_N": q.p90,
        }

    ranked = sorted(rig.limited_by.items(), key=lambda item: -item[1])
    return {
        "predicted_chance": rig.chance.value,
        **of("need", rig.need_N),
        **of("backup", rig.backup_N),
        "predicted_stop_mm": rig.stops_at_mm,
        "predicted_limited_by": ranked[0][0].value if ranked else None,
    }


def _joined(words: Any) -> str:
    return " ".join(dict.fromkeys(str(word) for word in words))


def _r(value: float) -> float:
    return round(float(value), 3)
