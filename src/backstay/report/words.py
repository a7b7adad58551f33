"""Plain words for what the model names by identifier, and numbers as people read them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from backstay.adapters.plan_file import Chance, Fit, PlanDocument, RigResult
from backstay.adapters.quantiles import Quantiles
from backstay.app.event_words import LIMITED_BY
from backstay.errors import NotFound
from backstay.identifiers import Calcium, Cause, Evidence, Verdict
from backstay.sources import all_sources

if TYPE_CHECKING:
    from backstay.core.rigging.fit import FitReport

DISCLAIMER = (
    "Planning and teaching aid, not validated for clinical decisions. Instructions for use, local protocols "
    "and the licensed operator come first."
)
BACKUP_UNVALIDATED = (
    "The absolute scale of backup is unvalidated, so chances are too; until a lab's own record calibrates "
    "them, read them as a comparison between rigs."
)
RANGES = "Push needed: the highest on the way in; the picture has each place's own. Median, and in brackets the range of 8 in 10 draws."
NOT_REACHED = "not reached"
FROM_MEMORY = "from memory, unconfirmed"
SECOND_HAND = "second-hand, unconfirmed"
_UNIT = re.compile(r"_(mm|cm|fr|atm|N|Nmm2|MPa)$")

CAUSES = {
    Cause.BENDING: "bending the device round the bends",
    Cause.WALL_FRICTION: "friction on the wall",
    Cause.BENDS_PULL: "push pressed into the bends",
    Cause.CROSSING: "squeezing through the tight place",
    Cause.LEADING_EDGE: "leading edge on the plaque",
    Cause.EXTENSION: "friction inside the extension",
    Cause.WIRE: "friction on the wire",
}
VERDICTS = {Verdict.FITS: "fits", Verdict.TIGHT: "tight", Verdict.NO: "does not fit"}
VERDICT_MARKS = {Verdict.FITS: "✓", Verdict.TIGHT: "≈", Verdict.NO: "✗"}
CALCIUM = {
    Calcium.NONE: "no calcium",
    Calcium.MILD: "mild calcium",
    Calcium.MODERATE: "moderate calcium",
    Calcium.SEVERE: "severe calcium",
}
LYING = {
    "guide": "guide",
    "extension": "extension",
    "wire": "rail",
    "buddy": "buddy wire",
    "shaft": "shaft",
    "device": "device",
    "anchor": "anchor balloon",
    "trapped": "trapped wire",
}
UNSOURCED = frozenset({Evidence.COMMON_PRACTICE, Evidence.ILLUSTRATIVE, Evidence.JUDGEMENT})


def number(value: float | None, digits: int = 1) -> str:
    """Return a number with a true minus sign; a missing one is "not reached"."""
    if value is None:
        return NOT_REACHED
    text = f"{value:.{digits}f}"
    return text.replace("-", "\u2212") if float(text) != 0.0 else f"{0.0:.{digits}f}"


def quantity(value: float | None, unit: str, digits: int = 1) -> str:
    """Return a number with its unit; a missing one is "not reached"."""
    return NOT_REACHED if value is None else f"{number(value, digits)} {unit}"


def spread(q: Quantiles, unit: str, digits: int = 1) -> str:
    """Return median and 10 to 90 % range, e.g. "1.9 N (1.1 to 3.2)"."""
    if q.p10 is None and q.p50 is None and q.p90 is None:
        return NOT_REACHED
    return f"{quantity(q.p50, unit, digits)} ({number(q.p10, digits)} to {number(q.p90, digits)})"


def tenths(value: float) -> str:
    """Return a probability as so many in ten, without a needless zero."""
    text = f"{10.0 * value:.1f}"
    return text.removesuffix(".0")


def chance_range(chance: Chance) -> str:
    """Return the range of a chance, e.g. "8 to 9.6 in 10"."""
    low, high = tenths(chance.low), tenths(chance.high)
    return f"{low} in 10" if low == high else f"{low} to {high} in 10"


def percent(share: float) -> str:
    """Return a share in per cent; a small one is not shown as none."""
    if 0.0 < share < 0.01:
        return "under 1 %"
    return f"{100.0 * share:.0f} %"


def limits(rig: RigResult) -> list[tuple[str, float]]:
    """Return what stops it in words with its share of the draws that stop, commonest first."""
    total = sum(rig.limited_by.values())
    if total <= 0.0:
        return []
    ranked = sorted(rig.limited_by.items(), key=lambda item: -item[1])
    return [(LIMITED_BY[key], share / total) for key, share in ranked if share > 0.0]


def main_limit(rig: RigResult) -> str:
    """Return what stops it most often, or a dash where nothing does."""
    found = limits(rig)
    return found[0][0] if found else "–"


def fit_words(fit: Fit | FitReport) -> str:
    """Return the verdict with its mark and the free width."""
    spare = (
        ""
        if fit.spare_mm is None
        else f", {number(fit.spare_mm, 2)} mm {'short' if fit.spare_mm < 0 else 'free'}"
    )
    spare = spare.replace("\u2212", "")
    return f"{VERDICT_MARKS[fit.verdict]} {VERDICTS[fit.verdict]}{spare}"


def stop_words(rig: RigResult) -> str:
    """Return where and why it stops, in one sentence."""
    if rig.fits.verdict is Verdict.NO:
        return f"Does not fit: {rig.fits.where}."
    landing = rig.curve.tip_mm[-1]
    if rig.stops_at_mm is None:
        why = main_limit(rig)
        rest = "" if why == "–" else f"; when it stops, {why}"
        return f"Reaches the landing place at {number(landing, 0)} mm in the median draw{rest}."
    short = round(landing) - round(rig.stops_at_mm)  # so that the three numbers agree as printed
    why = main_limit(rig)
    because = "" if why == "–" else f": {why}"
    return f"Stops at {number(rig.stops_at_mm, 0)} mm, {number(short, 0)} mm short{because}."


def digits_N(rig: RigResult) -> int:
    """Return how many decimals a rig's forces are given with: small ones need two."""
    medians = [q.p50 for q in (rig.need_N, rig.backup_N) if q.p50 is not None]
    return 2 if medians and min(medians) < 1.0 else 1


def answer_rows(rig: RigResult) -> list[tuple[str, str]]:
    """Return push needed, backup, margin and reach, each in words."""
    digits = digits_N(rig)
    return [
        ("push needed", spread(rig.need_N, "N", digits)),
        ("backup", spread(rig.backup_N, "N", digits)),
        ("margin", spread(rig.margin_N, "N", digits)),
        ("reach", spread(rig.reach_mm, "mm", 0)),
    ]


def find_rig(plan: PlanDocument, rig_id: str) -> RigResult:
    """Return the rig with this id.

    Raises
    ------
    NotFound
        No such rig in the plan.
    """
    for rig in plan.rigs:
        if rig.id == rig_id:
            return rig
    raise NotFound("no such rig", field="rig", value=rig_id, allowed=", ".join(r.id for r in plan.rigs))


def best_other(plan: PlanDocument) -> RigResult | None:
    """Return the rig with the highest chance among the others that fit, if there is one."""
    others = [r for r in plan.rigs if not r.in_place and r.fits.verdict is not Verdict.NO]
    return max(others, key=lambda r: r.chance.value, default=None)


def unvalidated(rigs: list[RigResult]) -> list[str]:
    """Return what is unvalidated in these rigs, each once; the fields of one device stand together."""
    found: dict[str, list[str]] = {}
    for item in dict.fromkeys(item for rig in rigs for item in rig.unvalidated):
        device, colon, name = item.rpartition(": ")
        found.setdefault(device if colon else item, []).extend([_field_words(name)] if colon else [])
    return [f"{device}: {', '.join(names)}" if names else device for device, names in found.items()]


def _field_words(name: str) -> str:
    """Return the name of a device's field without its unit."""
    return _UNIT.sub("", name).replace("_", " ")


def shared_conditions(plan: PlanDocument) -> list[str]:
    """Return what must be true first whatever the rig."""
    return [c for c in plan.in_place.conditions if all(c in rig.conditions for rig in plan.rigs)]


def own_conditions(plan: PlanDocument, rig: RigResult) -> list[str]:
    """Return what must be true first for this rig beyond what every rig asks."""
    shared = shared_conditions(plan) if len(plan.rigs) > 1 else []
    return [c for c in rig.conditions if c not in shared]


def general_cautions(plan: PlanDocument) -> list[str]:
    """Return the cautions that belong to no rig alone: the plan lists every caution, its rigs' too."""
    own = {caution for rig in plan.rigs for caution in rig.cautions}
    return [caution for caution in plan.cautions if caution not in own]


def reading(key: str) -> str:
    """Return how a source was read where it was not read itself, else nothing."""
    known = all_sources().get(key)
    return {"memory": FROM_MEMORY, "secondary": SECOND_HAND}.get("" if known is None else known.read_as, "")


def source_words(key: str, *, confirmed: bool = True) -> str:
    """Return whose number it is; a source that was not read itself is marked."""
    mark = reading(key) if confirmed else FROM_MEMORY
    return f"{key}, {mark}" if mark else key
