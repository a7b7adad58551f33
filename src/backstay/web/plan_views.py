"""The plan as the API gives it, made from the desk. Loaded when first asked for: it needs the solver's libraries."""

from __future__ import annotations

from collections.abc import Sequence

from backstay.adapters.plan_file import PlanDocument, RigResult
from backstay.app.plan_desk import PlanDesk
from backstay.app.progress import FIRST_RUNG
from backstay.app.safety import case_safety
from backstay.app.safety.time_out import time_out
from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Device, Extension, Guide, OverWireDevice, Wire
from backstay.errors import InputError
from backstay.report import bench as words
from backstay.report import sheet
from backstay.report import time_out as printed
from backstay.report.page import html
from backstay.report.rungs import note_words
from backstay.report.words import number
from backstay.web.desks import Desk
from backstay.web.models import Choice, PlaceView, PlanParts, PlanView, RigForm, RigView, Row, Rung

OLD = "More was logged than these chances count: they are from before it, and being weighed anew."


def plan_view(desk: Desk, entries: Sequence[Entry]) -> PlanView:
    """Return the plan as far as it is worked out, against the record as it stands."""
    bench, loaded = desk.laid_out(), desk.case
    so_far = bench.plan
    aim = (
        f"{loaded.device.name}, to lie from {number(loaded.target_from_mm, 0)} to "
        f"{number(loaded.target_to_mm, 0)} mm"
    )
    return PlanView(
        case=desk.name,
        title=loaded.title,
        vessel=loaded.vessel_name,
        invented=loaded.invented,
        aim=aim,
        ready=so_far is not None,
        doing=desk.doing,
        share=desk.share,
        rungs=_rungs(bench, so_far, desk),
        note="" if so_far is None else note_words(so_far),
        whole=_is_whole(desk, entries),
        old=_old(desk, entries),
        form=_form(desk),
        problems=[*loaded.warnings, *([desk.failed["rigs"]] if "rigs" in desk.failed else [])],
    )


def _is_whole(desk: Desk, entries: Sequence[Entry]) -> bool:
    plan = desk.laid_out().plan
    return plan is not None and plan.ladder is not None and not _old(desk, entries)


def _old(desk: Desk, entries: Sequence[Entry]) -> str:
    """Return what to say where the record holds more than the rigs were weighed by."""
    bench = desk.laid_out()
    if bench.weighs(entries) == bench.weighed_by:
        return ""
    first = desk.first_rung.removeprefix(FIRST_RUNG)
    return f"{OLD} Next move so far: {first}" if first else OLD


def parts(desk: Desk) -> PlanParts:
    """Return what holds for every rig."""
    return PlanParts(parts=words.around(_so_far(desk)))


def rig_view(desk: Desk, rig: str, *, step: int | None, narrow: bool) -> RigView:
    """Return one rig in full."""
    bench = desk.laid_out()
    so_far, found = bench.plan_with(rig), bench.rig(rig)
    return RigView(
        id=rig,
        change=found.change,
        in_place=found.in_place,
        own=found in bench.own,
        answers=words.answers(so_far, found),
        beneath=words.beneath(so_far, found),
        place=_place(bench, so_far, found, _stop_step(found) if step is None else step, narrow=narrow),
    )


def place_view(desk: Desk, rig: str, step: int, *, narrow: bool) -> PlaceView:
    """Return one rig with its device at one place."""
    bench = desk.laid_out()
    return _place(bench, bench.plan_with(rig), bench.rig(rig), step, narrow=narrow)


def paper(desk: Desk, entries: Sequence[Entry], file: str) -> bytes:
    """Return the plan as one of its files: a paper does not say later that it was not finished.

    Raises
    ------
    InputError
        The ladder does not stand yet, or the record holds more than it was weighed by.
    """
    if not _is_whole(desk, entries):
        raise InputError("the plan is still being worked out", field="plan", allowed="once its ladder stands")
    if file == "time-out.pdf":
        return printed.pdf(time_out(case_safety(desk.case), desk.laid_out().plan))
    so_far = _so_far(desk)
    if file == "plan.pdf":
        return sheet.pdf(so_far)
    if file == "plan.html":
        return html(so_far).encode()
    return so_far.model_dump_json(by_alias=True, indent=1).encode()


def _so_far(desk: Desk) -> PlanDocument:
    found = desk.laid_out().plan
    if found is None:
        raise InputError("the rig in place is still being worked out", field="plan", allowed="a moment later")
    return found


def _stop_step(found: RigResult) -> int:
    """Return the place where the median draw stops, or the landing place."""
    tips = found.curve.tip_mm
    if found.stops_at_mm is None:
        return len(tips) - 1
    return min(range(len(tips)), key=lambda k: abs(tips[k] - (found.stops_at_mm or 0.0)))


def _place(bench: PlanDesk, so_far: PlanDocument, found: RigResult, step: int, *, narrow: bool) -> PlaceView:
    at = bench.place(found.id, step)
    first, last = words.tips_on_strip(so_far, found, narrow=narrow)
    return PlaceView(
        step=at.step,
        steps=at.steps,
        strip=words.strip_at(so_far, found, at, narrow=narrow),
        from_share=first,
        to_share=last,
        words=words.place_words(found, at),
        rows=[Row(name=name, words=text) for name, text in words.place_rows(found, at)],
    )


def _rungs(bench: PlanDesk, so_far: PlanDocument | None, desk: Desk) -> list[Rung]:
    ready = [] if so_far is None else so_far.rigs
    found = [_rung(one) for one in [*ready[:1], *bench.own, *ready[1:]]]
    waiting = [one for one in bench.waiting if so_far is None or one.id != so_far.in_place.id]
    for one in waiting:
        found.append(
            Rung(
                id=one.id,
                change=one.change,
                chance="",
                detail="being worked out",
                pips="",
                in_place=one.id == "as_it_is",
                own=False,
                ready=False,
                problem=desk.failed.get("rigs", ""),
            )
        )
    return found


def _rung(one: RigResult) -> Rung:
    said = words.rung_words(one)
    return Rung(
        id=one.id,
        change=said.change,
        chance=said.chance,
        detail=said.detail,
        pips=said.pips,
        in_place=one.in_place,
        own=one.id.startswith("own_"),
        ready=True,
    )


def _form(desk: Desk) -> RigForm:
    case, rig = desk.case, desk.case.rig
    return RigForm(
        guides=_choices(desk, Guide),
        extensions=_choices(desk, Extension),
        wires=_choices(desk, Wire),
        devices=_choices(desk, OverWireDevice),
        guide=rig.guide.id,
        seat_mm=rig.seat_mm,
        extension="" if rig.extension is None else rig.extension.id,
        depth_mm=rig.extension_depth_mm if rig.extension is not None else 20.0,
        wires_in=[rig.rail.id, *(wire.id for wire in rig.buddies)],
        device=case.device.id,
        from_mm=case.target_from_mm,
        to_mm=case.target_to_mm,
        length_mm=case.path.length_mm,
        has_anchor_or_trap=rig.anchor is not None or rig.trapped is not None,
    )


def _choices(desk: Desk, kind: type[Device]) -> list[Choice]:
    devices = desk.case.shelf.devices.values()
    return [Choice(words=one.name, value=one.id) for one in devices if isinstance(one, kind)]
