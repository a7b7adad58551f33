"""How each kind of entry changes a case: what goes in, what comes out, what is used."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from backstay.core.record.entries import Entry
from backstay.core.safety.body import Inside, Now, Opening
from backstay.identifiers import (
    BodyItem,
    Complication,
    DeviceKind,
    Drug,
    EventKind,
    Preparation,
)

_ON_RAIL = frozenset(
    {
        BodyItem.BALLOON,
        BodyItem.STENT_ON_BALLOON,
        BodyItem.STENT_BALLOON,
        BodyItem.MICROCATHETER,
        BodyItem.BURR,
        BodyItem.IMAGING_CATHETER,
    }
)
_KINDS = {
    DeviceKind.BALLOON: BodyItem.BALLOON,
    DeviceKind.STENT: BodyItem.STENT_ON_BALLOON,
    DeviceKind.MICROCATHETER: BodyItem.MICROCATHETER,
    DeviceKind.BURR: BodyItem.BURR,
}
_WORDS = {
    "balloon": BodyItem.BALLOON,
    "stent": BodyItem.STENT_ON_BALLOON,
    "microcatheter": BodyItem.MICROCATHETER,
    "burr": BodyItem.BURR,
    "imaging_catheter": BodyItem.IMAGING_CATHETER,
}
_SAME_PLACE_mm = 10.0
"""Within it a narrowing is the one that was recorded; judgement, no source."""
_WIRES = frozenset({BodyItem.WIRE, BodyItem.TRAPPED_WIRE})
_NOT_COUNTED = frozenset({"trapping", "sealing"})
"""Inflated in the guide, or to stop a leak: no ischaemia to end early."""


def with_changes(now: Now, **changes: Any) -> Now:
    """Return the case with some values changed: what `replace` does, in a fifth of the time.

    Parameters
    ----------
    now : Now
        The case.
    **changes : object
        Values by name.

    Returns
    -------
    Now
    """
    new = object.__new__(Now)
    new.__dict__.update(
        now.__dict__, **changes
    )  # every name is a field: no check is left out, for Now has none
    return new


@dataclass(frozen=True)
class Known:
    """What an entry alone does not say.

    Attributes
    ----------
    kinds : mapping of str to DeviceKind
        What each device of the shelf is, by id.
    branch_at_mm : mapping of str to float
        Where each branch leaves the path, by name [mm].
    """

    kinds: Mapping[str, DeviceKind]
    branch_at_mm: Mapping[str, float]


Change = Callable[[Now, Entry, Known], Now]


def _without(now: Now, device: str, *items: BodyItem) -> tuple[Inside, ...]:
    """Return what is inside less the last one that is this device."""
    at = [k for k, one in enumerate(now.inside) if one.device == device and (not items or one.item in items)]
    return now.inside if not at else (*now.inside[: at[-1]], *now.inside[at[-1] + 1 :])


def _presumed_out(inside: Iterable[Inside], *, but: str = "") -> tuple[Inside, ...]:
    """Return the list with the devices on the rail presumed out."""
    return tuple(
        replace(one, presumed_out=True)
        if one.item in _ON_RAIL and one.device != but and not one.branch
        else one
        for one in inside
    )


def _down_the_rail(now: Now, entry: Entry, item: BodyItem) -> tuple[Inside, ...]:
    """Return what is inside once a device went down the rail; whatever was on it came out first."""
    device = entry.text("device") or ""
    rest = _presumed_out(_without(now, device, *_ON_RAIL), but=device)
    return (*rest, Inside(device, item, entry.at_s))


def flows_again(now: Now) -> Now:
    """Return the case with its flow free where the balloon that blocked it lies there no more.

    Parameters
    ----------
    now : Now
        The case after a step.

    Returns
    -------
    Now
    """
    here = (one for one in now.inside if one.device == now.blocked_by)
    held = [one for one in here if not one.presumed_out and not one.stays]
    return now if now.blocked_at_s is None or held else with_changes(now, blocked_at_s=None, blocked_by="")


def _damped_after_a_move(now: Now) -> bool | None:
    """Return what is known of the pressure once the tip stands elsewhere: damped until somebody looks, a good curve no longer."""
    return True if now.pressure_damped else None


def _guide_in(now: Now, entry: Entry, known: Known) -> Now:
    device, seat = entry.text("device") or "", entry.number("seat_mm") or 0.0
    there, holes = now.of(BodyItem.GUIDE), entry.values.get("side_holes")
    if there and there[0].device == device:
        damped = now.pressure_damped if seat == now.seat_mm else _damped_after_a_move(now)
        known_holes = holes if isinstance(holes, bool) else now.side_holes
        return with_changes(now, seat_mm=seat, pressure_damped=damped, side_holes=known_holes)
    rest = tuple(one for one in now.inside if one.item is not BodyItem.GUIDE)
    return with_changes(
        now,
        inside=(*rest, Inside(device, BodyItem.GUIDE, entry.at_s)),
        seat_mm=seat,
        side_holes=holes if isinstance(holes, bool) else None,
        pressure_damped=None,
        exchanged=bool(there) or now.exchanged,
    )


def _guide_out(now: Now, entry: Entry, known: Known) -> Now:
    if not entry.values.get("wanted"):
        return with_changes(now, seat_mm=0.0, pressure_damped=_damped_after_a_move(now), wire_tip=None)
    rest = [one for one in now.inside if one.item not in (BodyItem.GUIDE, BodyItem.EXTENSION)]
    inside = _presumed_out(rest)
    return with_changes(
        now, inside=inside, seat_mm=0.0, extension_depth_mm=None, pressure_damped=None, exchanged=True
    )


def _wire_in(now: Now, entry: Entry, known: Known) -> Now:
    device, role = entry.text("device") or "", entry.text("role") or "rail"
    wire = Inside(device, BodyItem.WIRE, entry.at_s, role, entry.text("branch") or "")
    if role != "rail":
        return with_changes(now, inside=(*now.inside, wire))
    found = now.not_over - {Complication.WIRE_POSITION_LOST}
    return with_changes(now, inside=(*now.inside, wire), wire_tip=None, not_over=found)


def _wire_out(now: Now, entry: Entry, known: Known) -> Now:
    inside = _less_a_wire(now, entry.text("device") or "", entry.text("role"))
    changed = _freed(with_changes(now, inside=inside), Complication.WIRE_STUCK, *_WIRES)
    if changed.wires("rail"):
        return changed
    return with_changes(changed, inside=_presumed_out(inside), wire_tip=None)


def _less_a_wire(now: Now, device: str, role: str | None) -> tuple[Inside, ...]:
    """Return what is inside less one wire of a name: the one of the role that was said, else a free one.

    Which it was where nobody said, the hazards ask.
    """
    if role == "trapped":
        return _without(now, device, BodyItem.TRAPPED_WIRE)
    of_role = [
        one for one in now.inside if one.device == device and one.item is BodyItem.WIRE and one.role == role
    ]
    if of_role:
        return tuple(one for one in now.inside if one is not of_role[-1])
    free = any(one.device == device and one.item is BodyItem.WIRE for one in now.inside)
    return _without(now, device, *({BodyItem.WIRE} if free else _WIRES))


def _extension(now: Now, entry: Entry, known: Known) -> Now:
    rest = tuple(one for one in now.inside if one.item is not BodyItem.EXTENSION)
    depth = entry.number("depth_mm")
    if depth is None:
        return with_changes(
            now,
            inside=rest,
            extension_depth_mm=None,
            exchanged=True,
            pressure_damped=_damped_after_a_move(now),
        )
    there = now.of(BodyItem.EXTENSION)
    since = there[0].since_s if there else entry.at_s
    item = Inside(entry.text("device") or "", BodyItem.EXTENSION, since)
    return with_changes(
        now,
        inside=(*rest, item),
        extension_depth_mm=depth,
        exchanged=now.exchanged or not there,
        pressure_damped=_damped_after_a_move(now),
    )


def _inflation(now: Now, entry: Entry, known: Known) -> Now:
    purpose, device = entry.text("purpose"), entry.text("device") or ""
    branch = entry.text("branch") or ""
    now = _blocking(now, entry)
    if purpose == "anchor":
        rest = _without(now, device, BodyItem.ANCHOR_BALLOON)
        item = Inside(
            device,
            BodyItem.ANCHOR_BALLOON,
            entry.at_s,
            "",
            branch,
            entry.number("from_mm"),
            entry.number("to_mm"),
        )
        return with_changes(now, inside=(*rest, item))
    on_stent = any(one.device == device for one in now.of(BodyItem.STENT_BALLOON))
    inside = now.inside if on_stent else _down_the_rail(now, entry, BodyItem.BALLOON)
    opened, by = now.opened_fully, now.opened_by
    if purpose == "preparation" and not branch:
        seen = entry.values.get("opened_fully")
        opened = None if seen is None else bool(seen) and (entry.number("views") or 0.0) >= 2.0
        by = (*by, _opening(entry)) if opened else ()
    return with_changes(now, inside=inside, opened_fully=opened, opened_by=by)


def _blocking(now: Now, entry: Entry) -> Now:
    """Return the case with the clock of blocked flow as an inflation leaves it: one without a time is still up."""
    device = entry.text("device") or ""
    came_down = entry.number("duration_s") is not None
    if came_down or entry.text("purpose") in _NOT_COUNTED:
        return with_changes(now, blocked_at_s=None, blocked_by="") if device == now.blocked_by else now
    if now.blocked_at_s is not None:
        return now
    return with_changes(now, blocked_at_s=entry.at_s, blocked_by=device)


def _opening(entry: Entry) -> Opening:
    from_mm, to_mm = entry.number("from_mm"), entry.number("to_mm")
    return Opening(entry.text("device") or "", from_mm or 0.0, to_mm or 0.0)


def _deflation(now: Now, entry: Entry, known: Known) -> Now:
    device = entry.text("device")
    inside = tuple(
        replace(one, item=BodyItem.BALLOON)
        if one.device == device and one.item is BodyItem.ANCHOR_BALLOON
        else one
        for one in now.inside
    )
    still = device is not None and device != now.blocked_by
    return (
        with_changes(now, inside=inside)
        if still
        else with_changes(now, inside=inside, blocked_at_s=None, blocked_by="")
    )


def _stent(now: Now, entry: Entry, known: Known) -> Now:
    device = entry.text("device") or ""
    from_mm, to_mm = entry.number("from_mm"), entry.number("to_mm")
    traps = list(entry.values.get("traps") or ())
    inside: list[Inside] = []
    for one in now.inside:
        if one.item is BodyItem.WIRE and _lies_under(one, from_mm, to_mm, known):
            meant = one.device in traps or one.role == "branch"
            one = replace(one, item=BodyItem.TRAPPED_WIRE, from_mm=from_mm, to_mm=to_mm, unplanned=not meant)
        inside.append(one)
    left = _down_the_rail(with_changes(now, inside=tuple(inside)), entry, BodyItem.STENT_BALLOON)
    opened = Inside(device, BodyItem.STENT, entry.at_s, "", "", from_mm, to_mm)
    return with_changes(_blocking(now, entry), inside=(*left, opened))


def _lies_under(wire: Inside, from_mm: float | None, to_mm: float | None, known: Known) -> bool:
    """Return whether a stent opened there traps a wire: every buddy, and the wire of a branch it covers."""
    if wire.presumed_out or wire.role == "rail":
        return False
    at = known.branch_at_mm.get(wire.branch)
    covers = at is not None and from_mm is not None and to_mm is not None and from_mm <= at <= to_mm
    return wire.role == "buddy" or covers


def _attempt(now: Now, entry: Entry, known: Known) -> Now:
    kind = known.kinds.get(entry.text("device") or "")
    item = BodyItem.OTHER if kind is None else _KINDS.get(kind, BodyItem.OTHER)
    stopped = entry.text("outcome") == "stopped"
    hard = stopped and entry.text("push") == "all_that_was_safe"
    inside = _down_the_rail(now, entry, item) if item in _ON_RAIL or kind is None else now.inside
    limited = entry.text("limited_by") if stopped else None
    return with_changes(now, inside=inside, limited_by=limited, hard_failures=now.hard_failures + hard)


_UNNAMED = {Preparation.ATHERECTOMY: "burr", Preparation.LITHOTRIPSY: "lithotripsy balloon"}


def _called(entry: Entry, device: str) -> Entry:
    return replace(entry, values={**entry.values, "device": device})


def _prepared(now: Now, entry: Entry, known: Known) -> Now:
    what = Preparation(entry.text("what") or "")
    inside = now.inside
    item = BodyItem.BURR if what is Preparation.ATHERECTOMY else BodyItem.BALLOON
    if entry.text("device"):
        inside = _down_the_rail(now, entry, item)
    elif item is BodyItem.BALLOON or not now.of(BodyItem.BURR):
        # Which one it was nobody said: it is counted all the same.
        inside = _down_the_rail(now, _called(entry, _UNNAMED.get(what, what.value.replace("_", " "))), item)
    return with_changes(now, inside=inside, prepared=(*now.prepared, what))


def _device_in(now: Now, entry: Entry, known: Known) -> Now:
    item = _WORDS.get(entry.text("what") or "")
    if item is not None:
        return with_changes(now, inside=_down_the_rail(now, entry, item))
    other = Inside(entry.text("device") or "", BodyItem.OTHER, entry.at_s)
    return with_changes(now, inside=(*now.inside, other))


def _device_out(now: Now, entry: Entry, known: Known) -> Now:
    removable = frozenset(BodyItem) - {BodyItem.STENT}
    left = set() if entry.values.get("whole", True) else {Complication.PART_LOST}
    out = with_changes(
        now,
        inside=_without(now, entry.text("device") or "", *removable),
        not_over=now.not_over | left,
        exchanged=now.exchanged or entry.text("drawn_into") == "sheath",
    )
    if len(out.inside) == len(now.inside):
        return out
    out = _freed(out, Complication.BURR_STUCK, BodyItem.BURR)
    return _freed(out, Complication.DEVICE_STUCK, *(_ON_RAIL - {BodyItem.BURR}), BodyItem.ANCHOR_BALLOON)


def _freed(now: Now, stuck: Complication, *items: BodyItem) -> Now:
    """Return the case once something came out: what is stuck is free where nothing of its kind may still be in."""
    if any(one.item in items for one in now.inside):
        return now
    return with_changes(now, not_over=now.not_over - {stuck})


_LOST = frozenset({Complication.STENT_LOST, Complication.PART_LOST, Complication.WIRE_BROKEN})


def _complication(now: Now, entry: Entry, known: Known) -> Now:
    code, at = entry.text("code"), entry.number("at_mm")
    told = frozenset[Complication]() if code is None else frozenset({Complication(code)})
    narrowings = now.narrowings_mm
    if entry.values.get("settled") is True:
        if code == Complication.NEW_NARROWING:
            narrowings = tuple(x for x in narrowings if at is not None and abs(x - at) > _SAME_PLACE_mm)
        lost = now.still_lost(told, at)
        over = told - {one for one, _ in lost}
        return with_changes(now, not_over=now.not_over - over, narrowings_mm=narrowings, lost=lost)
    if code == Complication.NEW_NARROWING and at is not None:
        narrowings = (*narrowings, at)
    placed = {(one, at) for one in told & _LOST if at is not None}
    return with_changes(
        now,
        lost=(*now.lost, *(placed - set(now.lost))),
        dissection=now.dissection or code == Complication.DISSECTION,
        not_over=now.not_over | told,
        narrowings_mm=narrowings,
    )


def _drug(now: Now, entry: Entry, known: Known) -> Now:
    drug = Drug(entry.text("drug") or Drug.OTHER)
    return with_changes(
        now,
        drugs=now.drugs | {drug},
        reversed=now.reversed or (drug is Drug.PROTAMINE and now.heparin_U > 0.0),
    )


def _contrast(now: Now, entry: Entry, known: Known) -> Now:
    return with_changes(now, contrast_mL=now.contrast_mL + (entry.number("volume_mL") or 0.0))


def _heparin(now: Now, entry: Entry, known: Known) -> Now:
    return with_changes(
        now,
        heparin_U=now.heparin_U + (entry.number("dose_U") or 0.0),
        heparin_at_s=entry.at_s,
        act_is_old=now.act_at_s is not None,
        reversed=False,
    )


def _act(now: Now, entry: Entry, known: Known) -> Now:
    act_s = entry.number("act_s")
    return with_changes(
        now,
        act_s=act_s,
        act_at_s=entry.at_s,
        act_is_old=False,
        act_site=entry.text("sampled_from"),
        acts_s=now.acts_s if act_s is None else (*now.acts_s, act_s),
    )


def _dose(now: Now, entry: Entry, known: Known) -> Now:
    if entry.values.get("reset") is True:
        now = with_changes(
            now,
            reset_kerma_mGy=now.air_kerma_mGy or 0.0,
            reset_kap_Gycm2=now.kap_Gycm2 or 0.0,
            reset_fluoroscopy_min=now.fluoroscopy_min or 0.0,
        )
    kerma, kap, minutes = (entry.number(name) for name in ("air_kerma_mGy", "kap_Gycm2", "fluoroscopy_min"))
    return with_changes(
        now,
        air_kerma_mGy=_never_less(now.air_kerma_mGy, kerma, now.reset_kerma_mGy),
        kap_Gycm2=_never_less(now.kap_Gycm2, kap, now.reset_kap_Gycm2),
        fluoroscopy_min=_never_less(now.fluoroscopy_min, minutes, now.reset_fluoroscopy_min),
    )


def _never_less(before: float | None, said: float | None, reset: float) -> float | None:
    """Return the larger of two running totals, the one said being counted from where the display was set back to zero."""
    added = None if said is None else reset + said
    return max((x for x in (before, added) if x is not None), default=None)


def _pressure(now: Now, entry: Entry, known: Known) -> Now:
    damped = entry.values.get("damped")
    return now if damped is None else with_changes(now, pressure_damped=bool(damped))


def _wire_seen(now: Now, entry: Entry, known: Known) -> Now:
    device, role, tip = entry.text("device"), entry.text("role"), entry.text("tip")
    rails = [one.device for one in now.wires("rail")]
    if role in (None, "rail") and (not rails or device in rails):
        return with_changes(now, wire_tip=tip)

    def meant(one: Inside) -> bool:
        return one.device == device and one.item is BodyItem.WIRE and role in (None, one.role)

    return with_changes(now, inside=tuple(replace(x, tip=tip) if meant(x) else x for x in now.inside))


def _flush(now: Now, entry: Entry, known: Known) -> Now:
    return with_changes(now, exchanged=False)


def _end(now: Now, entry: Entry, known: Known) -> Now:
    return with_changes(now, ended=True, counted=bool(entry.values.get("counted")))


CHANGES: Mapping[EventKind, Change] = {
    EventKind.GUIDE_IN: _guide_in,
    EventKind.GUIDE_OUT: _guide_out,
    EventKind.WIRE_IN: _wire_in,
    EventKind.WIRE_OUT: _wire_out,
    EventKind.EXTENSION: _extension,
    EventKind.INFLATION: _inflation,
    EventKind.DEFLATION: _deflation,
    EventKind.STENT: _stent,
    EventKind.ATTEMPT: _attempt,
    EventKind.PREPARED: _prepared,
    EventKind.DEVICE_IN: _device_in,
    EventKind.DEVICE_OUT: _device_out,
    EventKind.COMPLICATION: _complication,
    EventKind.DRUG: _drug,
    EventKind.CONTRAST: _contrast,
    EventKind.HEPARIN: _heparin,
    EventKind.ACT: _act,
    EventKind.DOSE: _dose,
    EventKind.PRESSURE: _pressure,
    EventKind.WIRE_SEEN: _wire_seen,
    EventKind.FLUSH: _flush,
    EventKind.END: _end,
}
