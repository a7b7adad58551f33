"""Does everything pass: for the rig in place of a case, without planning it."""

from __future__ import annotations

from dataclasses import asdict

from backstay.adapters.plan_file import Fit
from backstay.app.loading import LoadedCase
from backstay.core.rigging.fit import check_fit


def fit_case(case: LoadedCase) -> Fit:
    """Return what passes through what on the way to the target; the nearest fix comes from the shelf."""
    tip_mm = case.device.landing_tip_mm(case.target_to_mm)
    way_in = (case.path.s_mm >= case.rig.seat_mm) & (case.path.s_mm <= tip_mm)
    report = check_fit(
        case.rig,
        case.device,
        landing_tip_mm=tip_mm,
        lumen_radius_mm=float(case.path.radius_mm[way_in].min()),
        shelf=case.shelf,
    )
    return Fit.model_validate(asdict(report))
