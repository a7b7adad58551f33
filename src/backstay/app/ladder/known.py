"""What case file and record say, as the moves' needs ask for it."""

from __future__ import annotations

from backstay.app.loading import LoadedCase
from backstay.app.safety import CaseSafety
from backstay.core.rigging.moves import Situation
from backstay.core.rules import Value
from backstay.identifiers import LimitedBy


def start_of(case: LoadedCase, safety: CaseSafety) -> Situation:
    """Return the situation a case stands in, with what is known of it."""
    return Situation(
        rig=case.rig,
        device=case.device,
        shelf=case.shelf,
        path=case.path,
        lesions=case.lesions,
        branches=case.branches,
        target_from_mm=case.target_from_mm,
        target_to_mm=case.target_to_mm,
        known=known_facts(case, safety),
    )


def known_facts(case: LoadedCase, safety: CaseSafety) -> dict[str, Value | None]:
    """Return the facts that the situation itself does not show; what nobody recorded stays unknown.

    That no dissection was recorded is not that there is none: before a burr one looks again.
    """
    now, limited = safety.now, safety.now.limited_by
    facts: dict[str, Value | None] = {
        **safety.setting.fixed,
        "leak_known": now.bleeds,
        "pressure_damped": now.pressure_damped,
        "lesion_opened_fully": safety.setting.opened_fully(now),
        "calcium_arc_deg": _arc_deg(case),
        "wires_wrapped": None if limited is None else limited == LimitedBy.WIRE_WRAP,
        "second_access_agreed": True if case.time_out.second_access is not None else None,
    }
    if now.dissection:
        facts["dissection_known"] = True
    return facts


def _arc_deg(case: LoadedCase) -> float | None:
    """Return the greatest arc of calcium that imaging saw on the way."""
    seen = [
        x.imaging.calcium_arc_deg
        for x in case.vessel.lesion
        if x.imaging is not None and x.imaging.calcium_arc_deg is not None and x.from_mm < case.target_to_mm
    ]
    return max(seen, default=None)
