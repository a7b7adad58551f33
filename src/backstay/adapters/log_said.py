"""Lines about the rig, the numbers of the room, and all else that is said."""

from __future__ import annotations

import re
from typing import Any

from backstay.adapters.log_devices import Unclear, take_device
from backstay.adapters.log_place import Reading, branch_of, number_of, only_wire
from backstay.adapters.log_words import (
    COMPLICATIONS,
    DRUGS,
    FILLERS,
    NUMBER,
    ROLES,
    ROUTES,
    SETTLED,
    SITES,
    Line,
)
from backstay.errors import InputError
from backstay.identifiers import BodyItem, Complication, DeviceKind, EventKind
from backstay.units import GYCM2_PER

LEAST_HEPARIN_U = 100.0
"""Of what is written down as given; a flush has less."""


def access(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("access|sheath")
    line.take("sheath")
    route = line.take_one(dict(ROUTES))
    if route is None:
        said = reading.said
        routes = ("right radial", "left radial", "femoral")
        raise Unclear("which access?", [(r, f"{said} {r}") for r in routes], field="route")
    return EventKind.ACCESS, {"route": route, "sheath_fr": number_of(line, "sheath_fr", "fr|f|french")}


def guide(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    if line.take("guide (?:backed out|out|lost|came out)"):
        wanted = line.take("wanted|on purpose|exchange") is not None
        return EventKind.GUIDE_OUT, {"wanted": wanted}
    line.take("guide(?: in)?")
    holes = line.take("(?:with )?(no |without )?side[- ]?holes")
    seat = line.take(rf"(?:seat(?:ed)?|deep) ?({NUMBER})(?: ?mm)?(?: deep)?")
    device = take_device(
        line, DeviceKind.GUIDE, reading.scene.shelf, said=reading.said, inside=reading.inside(BodyItem.GUIDE)
    )
    values = {"device": device} | ({"side_holes": holes.group(1) is None} if holes else {})
    return EventKind.GUIDE_IN, values | ({"seat_mm": float(seat.group(1))} if seat else {})


def wire(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("wire")
    is_out = line.take("out") is not None
    stood = line.take("(?:with )?(?:the )?(?:guide )?(dis)?engaged") if is_out else None
    guide = {"guide": f"{stood.group(1) or ''}engaged"} if stood else {}
    line.take("in")
    branch = branch_of(line, reading)
    role = line.take_one({**ROLES, r"(?:the )?trapped(?: one)?": "trapped"} if is_out else dict(ROLES))
    tip = line.take(rf"(?:tip )?(?:to|at) ({NUMBER})(?: ?mm)?")
    line.take("wire")
    wires = reading.inside(BodyItem.WIRE, BodyItem.TRAPPED_WIRE)
    which = {"role": role} if role else {}
    if is_out and not [word for word in line.words if word not in FILLERS]:
        return EventKind.WIRE_OUT, {
            "device": only_wire(_of_role(wires, role, reading), reading),
            **which,
            **guide,
        }
    device = take_device(
        line, DeviceKind.WIRE, reading.scene.shelf, said=reading.said, inside=wires if is_out else ()
    )
    if is_out:
        return EventKind.WIRE_OUT, {"device": device, **which, **guide}
    given = role or ("branch" if branch else ("buddy" if wires else "rail"))
    values = {"device": device, "role": given}
    values |= {"branch": branch} if branch else {}
    return EventKind.WIRE_IN, values | ({"tip_mm": float(tip.group(1))} if tip else {})


def extension(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("(?:guide )?extension|ext")
    is_out = line.take("out|removed") is not None
    line.take("in(?! to)")
    depth = line.take(rf"(?:in |tip )?(?:to|at) ({NUMBER})(?: ?mm)?")
    inside = reading.inside(BodyItem.EXTENSION)
    device = take_device(line, DeviceKind.EXTENSION, reading.scene.shelf, said=reading.said, inside=inside)
    if is_out:
        return EventKind.EXTENSION, {"device": device}
    if depth is None:
        raise InputError(
            "how deep does its tip stand?", field="depth_mm", allowed='"extension to 30", or "extension out"'
        )
    return EventKind.EXTENSION, {"device": device, "depth_mm": float(depth.group(1))}


# Numbers of the room


def act(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("act")
    site = line.take_one(dict(SITES))
    return EventKind.ACT, {"act_s": number_of(line, "act_s", "s|sec|seconds")} | (
        {"sampled_from": site} if site else {}
    )


def contrast(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("contrast")
    is_total = line.take("total|in all|so far") is not None
    volume_mL = number_of(line, "volume_mL", "ml|cc")
    if is_total:
        before = reading.scene.state.now.contrast_mL
        if volume_mL <= before and not reading.ahead:
            raise InputError(
                "not more than is recorded already",
                field="contrast total",
                value=volume_mL,
                allowed=f"above {before:g} mL",
            )
        volume_mL = round(volume_mL - before, 3)
    return EventKind.CONTRAST, {"volume_mL": volume_mL}


def heparin(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("heparin|ufh")
    dose_U = number_of(line, "dose_U", "u|iu|units?")
    if dose_U < LEAST_HEPARIN_U:
        raise InputError(
            "hardly a dose, and perhaps meant in thousands",
            field="dose_U",
            value=dose_U,
            allowed=f"{LEAST_HEPARIN_U:g} U and more",
        )
    return EventKind.HEPARIN, {"dose_U": dose_U}


def dose(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("dose|air kerma|kerma")
    values: dict[str, Any] = {}
    if line.take(r"(?:since |after )?(?:the |a )?(?:display )?(?:was )?(?:reset|(?:set )?(?:back )?to zero)"):
        values["reset"] = True
        if not re.search(r"\d", line.text):
            return EventKind.DOSE, {"air_kerma_mGy": 0.0, **values}
    line.take("display")
    if kap := line.take(rf"(?:kap |dap )?({NUMBER}) ?([mcdu\u00b5\u03bc]?gy)[.*]?(c?m2)"):
        unit = kap.group(2).replace("gy", "Gy").replace("\u00b5", "u").replace("\u03bc", "u")
        values["kap_Gycm2"] = round(float(kap.group(1)) * GYCM2_PER[f"{unit}.{kap.group(3)}"], 6)
    if time := line.take(rf"(?:fluoro(?:scopy)? )?({NUMBER}) ?(?:min|mins|minutes?)"):
        values["fluoroscopy_min"] = float(time.group(1))
    if kerma := line.take(rf"({NUMBER}) ?gy"):
        return EventKind.DOSE, {"air_kerma_mGy": round(1000.0 * float(kerma.group(1)), 3), **values}
    return EventKind.DOSE, {"air_kerma_mGy": number_of(line, "air_kerma_mGy", "mgy", bare=False), **values}


def view(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("view")
    degrees = r"(?: ?\u00b0| ?deg(?:rees?)?)?"
    side = line.take(rf"(lao|rao|left|right) ({NUMBER}){degrees}")
    tilt = line.take(rf"(cran?|cranial|caud?|caudal) ({NUMBER}){degrees}")
    line.take("ap|pa")
    signs = {"lao": 1.0, "left": 1.0, "rao": -1.0, "right": -1.0}
    across = signs[side.group(1)] * float(side.group(2)) if side else 0.0
    along = (1.0 if tilt.group(1).startswith("cra") else -1.0) * float(tilt.group(2)) if tilt else 0.0
    return EventKind.VIEW, {"primary_angle_deg": across + 0.0, "secondary_angle_deg": along + 0.0}


def result(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("final|result")
    values: dict[str, Any] = {"measured_with": "angiography"}
    if line.take("ivus|intravascular ultrasound"):
        values["measured_with"] = "intravascular ultrasound"
    elif line.take("oct|optical coherence tomography"):
        values["measured_with"] = "optical coherence tomography"
    for name, pattern in (
        ("timi_flow", r"(?:timi(?: flow)?|flow) ([0-3])(?: flow)?"),
        ("residual_stenosis_percent", rf"(?:residual(?: stenosis)?|stenosis) ({NUMBER}) ?(?:%|percent)?"),
        ("minimum_stent_area_mm2", rf"(?:msa|(?:minimum )?stent area) ({NUMBER})(?: ?mm2)?"),
        ("reference_area_mm2", rf"ref(?:erence)?(?: area)? ({NUMBER})(?: ?mm2)?"),
        ("ffr", rf"ffr ({NUMBER})"),
    ):
        if found := line.take(pattern):
            values[name] = int(found.group(1)) if name == "timi_flow" else float(found.group(1))
    if "ffr" in values and len(values) == 2:
        values["measured_with"] = "pressure wire"
    return EventKind.RESULT, values


# What else is said


def complication(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("complication")
    words = " ".join(line.words)
    _check_stuck(line, reading)
    no_flow = line.has("no[- ]?(?:re)?flow")
    code = line.take_one(dict(COMPLICATIONS))
    at = line.take(rf"(?:at|@) ?({NUMBER})(?: ?mm)?")
    settled = line.take(SETTLED) if code is not None else None
    what = " ".join(w for w in line.words) if code is None else ""
    for word in what.split():
        line.take(re.escape(word))
    if words in ("", "none", "no", "nil"):
        raise InputError(
            "what happened?", field="complication", allowed='"perforation at 52", or "complication" and words'
        )
    if code is Complication.SLOW_FLOW and no_flow:
        what = "no reflow"
    values: dict[str, Any] = {"what": what or str(code).replace("_", " ")}
    values |= {"code": code} if code else {}
    if settled:
        if at is None and not reading.ahead:
            _check_which(code, reading)
        values |= {"what": f"{values['what']} {settled.group(0)}", "settled": True}
    return EventKind.COMPLICATION, values | ({"at_mm": float(at.group(1))} if at else {})


def _check_which(code: object, reading: Reading) -> None:
    """Ask which of several things lost was found."""
    places = [mm for one, mm in reading.scene.state.now.lost if one is code]
    if len(places) > 1:
        raise Unclear(
            f"{len(places)} are lost: which one?",
            [(f"the one at {mm:g} mm", f"{reading.said} at {mm:g}") for mm in places],
            field="at_mm",
        )


def _check_stuck(line: Line, reading: Reading) -> None:
    """Ask what a balloon or stent that is "stuck" means: it went no further, or it does not come back."""
    if line.has("(?:balloon|stent) stuck"):
        what = "stent" if line.has("stent") else "balloon"
        raise Unclear(
            "stuck on its way, or does not come back?",
            [
                ("it went no further", reading.said.replace("stuck", "stopped")),
                ("it does not come back", reading.said.replace(f"{what} stuck", "device stuck")),
            ],
            field="stuck",
        )


def drug(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    name = line.words[0]
    line.take(re.escape(name))
    values: dict[str, Any] = {"drug": DRUGS[name], "name": name}
    dose = line.take(rf"({NUMBER}) ?(mg/h|ug/min|mg|ug|mcg|u|iu|ml)")
    if dose:
        units = {"mcg": "ug", "u": "U", "iu": "U", "ml": "mL"}
        values |= {"dose": float(dose.group(1)), "unit": units.get(dose.group(2), dose.group(2))}
    return EventKind.DRUG, values


def seen(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    other = line.take("buddy(?: wire)?|branch wire")
    line.take("tip|wire tip")
    places = {
        r"(?:in )?(?:the )?main(?: vessel)?": "main_vessel",
        r"(?:in )?(?:a )?large branch": "large_branch",
        r"(?:in )?(?:a )?small branch": "small_branch",
        r"looped": "looped",
        r"out of view|not seen": "out_of_view",
    }
    tip = line.take_one(dict(places))
    if tip is None:
        raise Unclear(
            "where is the tip?",
            [(p.replace("_", " "), f"tip {p.replace('_', ' ')}") for p in places.values()],
            field="tip",
        )
    wires = reading.inside(BodyItem.WIRE)[:1]
    if other is not None:
        role = other.group(0).partition(" ")[0]
        wires = _named(line, [one.device for one in reading.scene.state.now.wires(role)], role)
    device = only_wire(wires, reading)
    alike = reading.inside(BodyItem.WIRE).count(device) > 1
    which = {"role": "rail" if other is None else role} if alike else {}
    return EventKind.WIRE_SEEN, {"device": device, **which, "tip": tip}


def _of_role(wires: list[str], role: object, reading: Reading) -> list[str]:
    """Return the wires in the body that can be meant, by the role that was said."""
    if role is None:
        return wires
    if role == "trapped":
        return reading.inside(BodyItem.TRAPPED_WIRE)
    return [one.device for one in reading.scene.state.now.wires(str(role))]


def _named(line: Line, wires: list[str], role: str) -> list[str]:
    """Return the wires of a role that the line can mean."""
    if not wires:
        raise InputError("by the record none is in", field="wire", value=role, allowed="a wire logged as in")
    return [one for one in wires if line.take(re.escape(one))] or wires


def pressure(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("pressure")
    is_well = line.take("not damped|normal|fine|back|good") is not None
    is_damped = not is_well and line.take("damped|damping") is not None
    systolic = line.take(rf"(?:systolic )?({NUMBER})(?: ?mmhg)?")
    if not (is_well or is_damped or systolic):
        raise InputError(
            "what of the pressure?", field="pressure", allowed="damped, fine, or a number in mmHg"
        )
    values: dict[str, Any] = {"damped": is_damped} if is_well or is_damped else {}
    return EventKind.PRESSURE, values | ({"systolic_mmHg": float(systolic.group(1))} if systolic else {})


def flush(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("flush(?:ed)?|bled back(?: and flushed)?")
    return EventKind.FLUSH, {}


def end(line: Line, reading: Reading) -> tuple[EventKind, dict[str, Any]]:
    line.take("end|finished|closed")
    return EventKind.END, {"counted": line.take("count(?:ed)?(?: ok| agreed)?|all counted") is not None}
