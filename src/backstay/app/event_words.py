"""Events in words, the same in the log's echo, the report and the teaching case."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from backstay.core.record.entries import Entry
from backstay.core.rigging.move_table import MOVES as MOVE_TABLE
from backstay.identifiers import EventKind, LimitedBy, MoveId

LIMITED_BY = {
    LimitedBy.GUIDE_OUT: "the guide backs out",
    LimitedBy.PROLAPSE: "the assembly prolapses",
    LimitedBy.EDGE_LOCK: "the leading edge catches",
    LimitedBy.PUSH_LOST: "the push from the hand does not arrive",
    LimitedBy.SHAFT_KINK: "the shaft kinks",
    LimitedBy.WIRE_DRAGGED: "the wire comes forward with the device",
    LimitedBy.WIRE_WRAP: "the wires are twisted round each other",
    LimitedBy.COLLAR_CATCH: "it catches at the extension's mouth or collar",
    LimitedBy.NO_PASSAGE: "it does not fit through",
    LimitedBy.NOT_TOLERATED: "the patient does not tolerate it",
}
MOVES = {MoveId.AS_IT_IS: "as it is", **{move.id: move.words for move in MOVE_TABLE}}
MOVES[MoveId.SECOND_BUDDY_WIRE] = "second buddy wire"
PURPOSES = {
    "preparation": "to prepare",
    "stent": "to open the stent",
    "after_stent": "after the stent",
    "anchor": "as an anchor",
    "trapping": "to trap a wire",
    "sealing": "to seal",
}
PUSHES = {"gentle": "gentle push", "firm": "firm push", "all_that_was_safe": "all the push that was safe"}
Names = Mapping[str, str]


def plain(value: float | int | str | None) -> str:
    """Return a value as it stands in the record: no digit added, none lost."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    return "" if value is None else str(value)


def event_words(entry: Entry, names: Names) -> str:
    """Return what an event says, in one line; `names` gives devices their names by id."""
    words = _WORDS[entry.kind](entry.values, names)
    return words[:1].upper() + words[1:]


def instead_words(entry: Entry, names: Names, *, again: bool) -> str:
    """Return what stands instead of an event that was put right; `again`: what that one had replaced."""
    words = event_words(entry, names)
    return f"Taken back; stands again: {words}" if again else words


def _name(values: Mapping[str, Any], names: Names) -> str:
    device = str(values.get("device", ""))
    return names.get(device, device)


def _stretch(values: Mapping[str, Any]) -> str:
    return f"{plain(values['from_mm'])} to {plain(values['to_mm'])} mm"


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _if(values: Mapping[str, Any], name: str, words: str) -> str:
    """Return words with the value in them, nothing where it was not said."""
    return words.format(plain(values[name])) if values.get(name) is not None else ""


def _inflation(v: Mapping[str, Any], names: Names) -> str:
    opened = {True: _if(v, "views", "opened fully in {} views"), False: "did not open fully", None: ""}
    seconds = _if(v, "duration_s", " for {} s")
    return _joined(
        f"{_name(v, names)}: {plain(v['pressure_atm'])} atm{seconds} at {_stretch(v)}",
        PURPOSES[v["purpose"]],
        opened[v.get("opened_fully")],
        _if(v, "branch", "in {}"),
    )


def _attempt(v: Mapping[str, Any], names: Names) -> str:
    reached = v["outcome"] == "reached"
    gave = LIMITED_BY[LimitedBy(v["limited_by"])] if v.get("limited_by") else ""
    moves = [MOVES[MoveId(move)] for move in v.get("moves", [])]
    return _joined(
        f"{_name(v, names)} {'reached its place' if reached else 'stopped'}{_if(v, 'stopped_at_mm', ' at {} mm')}",
        gave,
        PUSHES.get(str(v.get("push")), ""),
        f"with {' and '.join(moves)}" if moves else "",
    )


def _wire_in(v: Mapping[str, Any], names: Names) -> str:
    role = {"rail": "as the rail", "buddy": "as a buddy", "branch": "into a branch"}[v["role"]]
    return _joined(f"{_name(v, names)} in {role}", _if(v, "branch", "{}"), _if(v, "tip_mm", "tip at {} mm"))


def _dose(v: Mapping[str, Any], _: Names) -> str:
    return _joined(
        "dose display set back to zero" if v.get("reset") else "",
        "" if v.get("reset") and not v["air_kerma_mGy"] else f"air kerma {plain(v['air_kerma_mGy'])} mGy",
        _if(v, "kap_Gycm2", "KAP {} Gy cm2"),
        _if(v, "fluoroscopy_min", "fluoroscopy {} min"),
    )


def _view(v: Mapping[str, Any], _: Names) -> str:
    across, along = v["primary_angle_deg"], v["secondary_angle_deg"]
    side = "AP" if across == 0 else f"{'LAO' if across > 0 else 'RAO'} {plain(abs(across))}"
    return f"view {side} {'cranial' if along >= 0 else 'caudal'} {plain(abs(along))} deg"


def _result(v: Mapping[str, Any], _: Names) -> str:
    said = _joined(
        _if(v, "timi_flow", "TIMI flow {}"),
        _if(v, "residual_stenosis_percent", "residual stenosis {} %"),
        _if(v, "minimum_stent_area_mm2", "minimum stent area {} mm2"),
        _if(v, "reference_area_mm2", "reference area {} mm2"),
        _if(v, "ffr", "FFR {}"),
    )
    return f"{said} ({v['measured_with']})"


def _drug(v: Mapping[str, Any], _: Names) -> str:
    # Never "ug", which is read as mg: micrograms are written mcg where people read them.
    dose = f" {plain(v['dose'])} {v['unit'].replace('ug', 'mcg')}" if v.get("dose") is not None else ""
    return f"{v.get('name') or str(v['drug']).replace('_', ' ')}{dose}"


def _guide_out(v: Mapping[str, Any], _: Names) -> str:
    return "guide out" if v["wanted"] else "the guide came out, unwanted"


def _extension(v: Mapping[str, Any], names: Names) -> str:
    depth = v.get("depth_mm")
    return f"{_name(v, names)} " + ("out" if depth is None else f"in, its tip at {plain(depth)} mm")


def _prepared(v: Mapping[str, Any], names: Names) -> str:
    passes, longest = _if(v, "passes", "{} pulses or passes"), _if(v, "longest_run_s", "longest run {} s")
    return _joined(f"{str(v['what']).replace('_', ' ')} at {_stretch(v)}", _name(v, names), passes, longest)


def _device_in(v: Mapping[str, Any], names: Names) -> str:
    name, what = _name(v, names), str(v["what"]).replace("_", " ")
    return f"{name} in" if name == what else f"{name} in ({what})"


_WORDS: dict[EventKind, Callable[[Mapping[str, Any], Names], str]] = {
    EventKind.ACCESS: lambda v, _: f"{v['route']} access, {plain(v['sheath_fr'])} Fr sheath",
    EventKind.GUIDE_IN: lambda v, n: _joined(
        f"{_name(v, n)} in",
        f"seated {plain(v['seat_mm'])} mm deep" if v.get("seat_mm") else "",
        {True: "side holes", False: "no side holes", None: ""}[v.get("side_holes")],
    ),
    EventKind.GUIDE_OUT: _guide_out,
    EventKind.WIRE_IN: _wire_in,
    EventKind.WIRE_OUT: lambda v, n: f"{_name(v, n)}{_if(v, 'role', ' ({})')} out",
    EventKind.EXTENSION: _extension,
    EventKind.INFLATION: _inflation,
    EventKind.STENT: lambda v, n: (
        f"{_name(v, n)} opened at {plain(v['pressure_atm'])} atm{_if(v, 'duration_s', ' for {} s')}, {_stretch(v)}"
    ),
    EventKind.ATTEMPT: _attempt,
    EventKind.CONTRAST: lambda v, _: f"contrast {plain(v['volume_mL'])} mL",
    EventKind.ACT: lambda v, _: f"ACT {plain(v['act_s'])} s{_if(v, 'sampled_from', ' from the {}')}",
    EventKind.HEPARIN: lambda v, _: f"heparin {plain(v['dose_U'])} U",
    EventKind.DOSE: _dose,
    EventKind.VIEW: _view,
    EventKind.COMPLICATION: lambda v, _: f"complication: {v['what']}{_if(v, 'at_mm', ' at {} mm')}",
    EventKind.NOTE: lambda v, _: f"{v.get('topic') or 'note'}: {v['text']}",
    EventKind.CORRECTION: lambda v, _: f"taken back: {v['reason']}",
    EventKind.OPENED: lambda v, _: f"record begun: {v['title']}",
    EventKind.PREPARED: _prepared,
    EventKind.RESULT: _result,
    EventKind.SIGNED: lambda v, _: f"report signed by {v['by']}",
    EventKind.ADDENDUM: lambda v, _: f"addendum by {v['by']}: {v['text']}",
    EventKind.DEVICE_IN: _device_in,
    EventKind.DEVICE_OUT: lambda v, n: _joined(
        f"{_name(v, n)} out",
        "" if v.get("whole", True) else "not whole",
        _if(v, "drawn_into", "drawn into the {}"),
    ),
    EventKind.DEFLATION: lambda v, n: f"{_name(v, n)} let down",
    EventKind.WIRE_SEEN: lambda v, n: (
        f"tip of {_name(v, n)}{_if(v, 'role', ' ({})')}: {str(v['tip']).replace('_', ' ')}"
    ),
    EventKind.PRESSURE: lambda v, _: _joined(
        {True: "pressure damped", False: "pressure not damped", None: "pressure"}[v.get("damped")],
        _if(v, "systolic_mmHg", "systolic {} mmHg"),
    ),
    EventKind.DRUG: _drug,
    EventKind.FLUSH: lambda v, _: "guide and extension bled back and flushed",
    EventKind.END: lambda v, _: (
        "end of the case" + (", all counted" if v.get("counted") else ", not counted")
    ),
}
