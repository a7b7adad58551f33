"""What a procedure used and left: contrast, heparin, radiation, devices."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

from backstay.adapters.limits_file import LevelRow, SkinPart
from backstay.adapters.log_words import LEFT_IN_PLACE
from backstay.adapters.report_file import (
    ActValue,
    Ceiling,
    ChartPiece,
    Clotting,
    ContrastUsed,
    DoseLevel,
    LeftIn,
    Radiation,
    Used,
)
from backstay.app.reporting.told import Told
from backstay.app.safety.clotting import target_words
from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Balloon, Stent
from backstay.core.safety.body import Inside
from backstay.core.treatment.compliance import diameter_at_mm
from backstay.errors import OutsideValidity
from backstay.identifiers import BodyItem, Complication, EventKind

_GRID = frozenset({"around_mm", "height_mm", "dose_mGy"})


def contrast(told: Told) -> ContrastUsed:
    """Return contrast; nothing given is only said where the record says so."""
    part = told.limits.contrast
    recorded = bool(told.of(EventKind.CONTRAST))
    return ContrastUsed(
        used_mL=round(part.used_mL, 1) if recorded else None,
        limit_mL=None if part.limit_mL is None else round(part.limit_mL, 1),
        limit_is=part.limit_is,
        state=part.state,
        ratios=[
            Ceiling(
                what=row.what,
                ratio=round(row.used, 2),
                says=row.reached,
                source=row.source,
                confirmed=row.confirmed,
            )
            for row in part.ratios
            if recorded
        ],
    )


def clotting(told: Told) -> Clotting:
    """Return heparin, clotting times and other drugs."""
    part, given = told.limits.anticoagulation, told.of(EventKind.HEPARIN)
    target = part.target_s
    per_kg, rests_on = part.given_U_per_kg, part.target_note or f"instrument: {part.instrument}"
    return Clotting(
        heparin_U=round(part.given_U, 1) if given else None,
        heparin_U_per_kg=round(per_kg, 1) if given and per_kg is not None else None,
        acts=[
            ActValue(at=told.at(e.at_s), act_s=e.number("act_s") or 0.0, sampled_from=e.text("sampled_from"))
            for e in told.of(EventKind.ACT)
        ],
        target="" if target is None else f"{target_words(target)} ({rests_on})",
        drugs=told.said(told.of(EventKind.DRUG)),
    )


def radiation(told: Told) -> Radiation:
    """Return the machine's totals against their levels, and the dose to the skin."""
    limits = told.limits
    return Radiation(
        levels=[_level(row) for row in limits.radiation],
        limit_mGy=limits.kerma_limit_mGy,
        state=limits.kerma_state,
        skin=None if limits.skin is None else _rounded(limits.skin),
    )


def _level(row: LevelRow) -> DoseLevel:
    return DoseLevel(
        what=row.what,
        value=None if row.value is None else round(row.value, 1),
        unit=row.unit,
        substantial=row.substantial,
        past_substantial=row.past_substantial,
        source=row.source,
        confirmed=row.confirmed,
    )


def _rounded(part: SkinPart) -> SkinPart:
    """Return the dose to the skin to one hundredth of a gray; the other views were for during the case."""
    data: dict[str, Any] = part.model_dump()
    for name, value in data.items():
        if name not in _GRID and isinstance(value, float):
            data[name] = round(value, 1 if name.endswith("_cm2") else 2)
    return SkinPart.model_validate({**data, "other_views": []})


# Devices


def left_in(told: Told) -> list[LeftIn]:
    """Return stents, wires that a stent holds and nothing says came out, by place, and what was lost and stays."""
    found = [one for one in told.now.inside if one.item in (BodyItem.STENT, BodyItem.TRAPPED_WIRE)]
    held = [_left(told, one) for one in sorted(found, key=lambda one: (one.item, one.from_mm or 0.0))]
    return [*held, *_lost(told)]


_LOST = {
    Complication.STENT_LOST: "stent that came off its balloon",
    Complication.PART_LOST: "part of a device",
    Complication.WIRE_BROKEN: "part of a wire",
}


def _lost(told: Told) -> list[LeftIn]:
    """Return what was lost in the body, unless the record says that it was found and taken out."""
    found: list[LeftIn] = []
    for code, words in _LOST.items():
        said = [e for e in told.of(EventKind.COMPLICATION) if e.text("code") == code]
        if code is Complication.PART_LOST:
            said += [e for e in told.of(EventKind.DEVICE_OUT) if e.values.get("whole") is False]
        open_now = [e for e in said if not e.values.get("settled")]
        if not open_now:
            continue
        first = min(open_now, key=lambda e: e.at_s)
        fates = [
            (next((x for x in open_now if x.number("at_mm") == e.number("at_mm")), first), "left in place")
            for e in said
            if e.values.get("settled") and LEFT_IN_PLACE in (e.text("what") or "")
        ]
        if code in told.now.unsettled:
            places = {mm for one, mm in told.now.lost if one is code}
            open_there = [e for e in open_now if e.number("at_mm") in places]
            fates += [(e, "not recorded as found") for e in open_there or [first]]
        found += [_lost_one(told, e, words, fate) for e, fate in fates]
    return found


def _lost_one(told: Told, lost: Entry, words: str, fate: str) -> LeftIn:
    place, device = lost.number("at_mm"), lost.text("device")
    name = words if device is None else f"{words} ({told.name(device)})"
    where = "" if place is None else f", lost at {place:g} mm"
    return LeftIn(
        device=device or "",
        name=f"{name}{where}: {fate}",
        item=BodyItem.OTHER,
        from_mm=None,
        to_mm=None,
        branch="",
        label_mm=None,
        length_mm=None,
        pressure_atm=None,
        by_chart=[],
        since=told.at(lost.at_s),
        unplanned=False,
    )


def _left(told: Told, one: Inside) -> LeftIn:
    device = told.case.shelf.devices.get(one.device)
    stent = device if isinstance(device, Stent) else None
    opened = _opened(told, one) if one.item is BodyItem.STENT else None
    return LeftIn(
        device=one.device,
        name=told.name(one.device),
        item=one.item,
        from_mm=one.from_mm,
        to_mm=one.to_mm,
        branch=one.branch,
        label_mm=None if stent is None else stent.nominal_diameter_mm,
        length_mm=None if stent is None else stent.working_mm,
        pressure_atm=None if opened is None else opened.number("pressure_atm"),
        by_chart=[] if opened is None else _by_chart(told, opened),
        since=told.at(one.since_s),
        unplanned=one.unplanned,
    )


def _opened(told: Told, one: Inside) -> Entry | None:
    """Return the event that opened a stent."""
    return next(
        (e for e in told.of(EventKind.STENT) if e.text("device") == one.device and e.at_s == one.since_s),
        None,
    )


def _by_chart(told: Told, opened: Entry) -> list[ChartPiece]:
    """Return the largest diameter by chart of the stent's balloon and of those inflated in it later, along it.

    Nothing where a chart is missing or a pressure lies beyond it: nothing is read past a chart's end.
    """
    from_mm, to_mm = opened.number("from_mm") or 0.0, opened.number("to_mm") or 0.0
    spans = [(from_mm, to_mm, _chart_mm(told, opened))]
    for e in told.of(EventKind.INFLATION):
        inside = e.text("purpose") in ("stent", "after_stent") and not e.text("branch")
        start, end = max(e.number("from_mm") or 0.0, from_mm), min(e.number("to_mm") or 0.0, to_mm)
        if inside and e.at_s >= opened.at_s and start < end:
            spans.append((start, end, _chart_mm(told, e)))
    if any(size is None for *_, size in spans):
        return []
    places = sorted({place for start, end, _ in spans for place in (start, end)})
    return [
        ChartPiece(
            from_mm=low,
            to_mm=high,
            diameter_mm=round(
                max(size or 0.0 for start, end, size in spans if start <= low and high <= end), 2
            ),
        )
        for low, high in pairwise(places)
    ]


def _chart_mm(told: Told, inflated: Entry) -> float | None:
    device = told.case.shelf.devices.get(inflated.text("device") or "")
    if not isinstance(device, Balloon | Stent):
        return None
    try:
        return diameter_at_mm(device, inflated.number("pressure_atm") or 0.0)
    except OutsideValidity:
        return None


def not_out(told: Told) -> list[str]:
    """Return what went in and is not recorded as out, and what came out not whole."""
    found = [told.name(one.device) for one in told.now.to_come_out if one.item is not BodyItem.TRAPPED_WIRE]
    broken = [
        f"part of {told.name(e.text('device') or '')}: it came out not whole"
        for e in told.of(EventKind.DEVICE_OUT)
        if e.values.get("whole") is False
    ]
    return [*dict.fromkeys(found), *broken]


def used(told: Told) -> list[Used]:
    """Return every device the record names, in the order of first use."""
    times = Counter(e.text("device") for e in told.entries if e.text("device"))
    found = []
    for device, count in times.items():
        known = told.case.shelf.devices.get(str(device))
        found.append(
            Used(
                device=str(device),
                name=told.name(str(device)),
                kind="not on the shelf" if known is None else known.kind.value,
                times=count,
            )
        )
    return found
