"""An invented plan to draw from: a right coronary artery that nobody has, and fourteen rigs.

The numbers are no model's: they only have the shape of a plan (push grows round bends and in the lesion, some
draws prolapse, one rig does not fit, one prolapses so often that its median is never reached).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from backstay.adapters.plan_file import (
    BranchPicture,
    Chance,
    Circle,
    Costs,
    CrossSection,
    DepthCurve,
    DrawRow,
    Fit,
    FitLine,
    LesionPicture,
    Lying,
    PathPicture,
    PlanDocument,
    Quantiles,
    RigResult,
    Target,
)
from backstay.core.inference.chance_words import chance_words
from backstay.identifiers import Calcium, Cause, LimitedBy, MoveId, Verdict

DRAWS = 512
LENGTH_MM = 132.0
TIP_MM = 79.0
NOSE_MM = 3.0
S = np.arange(0.0, LENGTH_MM + 0.5, 1.0)
DEPTHS = np.arange(2.0, TIP_MM + 0.1, 3.5)


def bend_deg_per_mm() -> np.ndarray:
    bends = [(16.0, 6.0, 4.6), (31.0, 5.0, 5.4), (64.0, 9.0, 4.4), (101.0, 7.0, 3.0)]
    return 0.25 + sum(top * np.exp(-(((S - at) / width) ** 2)) for at, width, top in bends)


def radius_mm() -> np.ndarray:
    taper = 1.95 - 0.0062 * S
    return taper - 0.95 * np.exp(-(((S - 67.0) / 7.0) ** 4)) - 0.15 * np.exp(-(((S - 26.0) / 6.0) ** 2))


def curve(rng: np.random.Generator, *, push: float, backup: float, bows: float) -> dict[str, Any]:
    """Return draws of need, prolapse and backup for a rig: three knobs, no physics."""
    z = rng.standard_normal((3, DRAWS))
    bend = np.interp(DEPTHS, S, np.cumsum(np.radians(bend_deg_per_mm())))
    lesion = 1.0 / (1.0 + np.exp(-(DEPTHS - 63.0) / 4.0))
    middle = push * (0.10 + 0.16 * np.expm1(0.55 * bend) + 1.1 * lesion)
    need = middle[:, None] * np.exp(0.32 * z[0])[None, :]
    lost = np.maximum.accumulate(need > bows * np.exp(0.4 * z[1])[None, :], axis=0)
    return {
        "need": np.where(lost, np.inf, need),
        "lost": lost,
        "backup": backup * np.exp(0.42 * z[2]),
    }


def quantiles(values: np.ndarray) -> Quantiles:
    ranked = np.quantile(values, [0.1, 0.5, 0.9], method="inverted_cdf")
    return Quantiles(**dict(zip(("p10", "p50", "p90"), map(_finite, ranked), strict=True)))


def _finite(value: float) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None


def depth_curve(d: dict[str, Any]) -> DepthCurve:
    rows = [quantiles(row) for row in d["need"]]
    backup = quantiles(d["backup"])
    return DepthCurve(
        tip_mm=[float(x) for x in DEPTHS],
        need_p10_N=[q.p10 for q in rows],
        need_p50_N=[q.p50 for q in rows],
        need_p90_N=[q.p90 for q in rows],
        prolapsed=[float(row.mean()) for row in d["lost"]],
        backup_p10_N=backup.p10,
        backup_p50_N=backup.p50,
        backup_p90_N=backup.p90,
    )


def fit(verdict: Verdict) -> Fit:
    spare = {Verdict.FITS: 0.44, Verdict.TIGHT: 0.06, Verdict.NO: -0.09}[verdict]
    lumen = {Verdict.FITS: 0.90, Verdict.TIGHT: 0.72, Verdict.NO: 0.645}[verdict]
    fix = {Verdict.NO: "leave the buddy wire out, or a 7 Fr guide with its extension"}.get(verdict, "")
    return Fit(
        verdict=verdict,
        spare_mm=spare,
        where="the extension's collar" if verdict is not Verdict.FITS else "the guide's bore",
        nearest_fix=fix,
        lines=[
            FitLine(what="stent on its balloon", through="6 Fr guide", verdict=Verdict.FITS, spare_mm=0.61),
            FitLine(
                what="stent beside one wire",
                through="collar",
                verdict=verdict,
                spare_mm=spare,
                note="measured across the smallest circle round both",
            ),
            FitLine(what="shaft, 142 cm", through="guide and extension", verdict=Verdict.FITS, spare_mm=None),
        ],
        section=CrossSection(
            lumen_name="bore of the 6 Fr guide" if verdict is Verdict.FITS else "collar of the extension",
            lumen_radius_mm=lumen,
            at_mm=None if verdict is Verdict.FITS else 12.0,
            circles=[
                Circle(name="stent on its balloon", kind="device", x_mm=-0.1, y_mm=0.0, radius_mm=0.53),
                Circle(name="workhorse rail, inside", kind="wire", x_mm=-0.1, y_mm=0.0, radius_mm=0.178),
                *(
                    [Circle(name="buddy wire", kind="buddy", x_mm=0.615, y_mm=0.0, radius_mm=0.178)]
                    if verdict is Verdict.FITS
                    else []
                ),
            ],
        ),
    )


def lying(*, extension_mm: float, buddy: bool, anchor: bool) -> list[Lying]:
    """Return what lies in the vessel with the device at its landing place, its nose ahead of its body."""
    front = TIP_MM - NOSE_MM
    found = [
        Lying(name="6 Fr Amplatz right guide", kind="guide", from_mm=-10.0, to_mm=0.0, radius_mm=0.9),
        Lying(name="workhorse wire", kind="wire", from_mm=-10.0, to_mm=120.0, radius_mm=0.178),
        Lying(name="stent shaft", kind="shaft", from_mm=-10.0, to_mm=front - 18.0, radius_mm=0.43),
        Lying(name="2.75 x 18 mm stent", kind="device", from_mm=front - 18.0, to_mm=front, radius_mm=0.53),
    ]
    if extension_mm > 0.0:
        found.insert(
            1,
            Lying(name="6 Fr extension", kind="extension", from_mm=-10.0, to_mm=extension_mm, radius_mm=0.82),
        )
    if anchor:
        found.append(
            Lying(name="anchor balloon, shaft", kind="anchor", from_mm=-10.0, to_mm=52.0, radius_mm=0.43)
        )
    if buddy:
        found.append(
            Lying(name="stiff buddy wire", kind="buddy", from_mm=-10.0, to_mm=112.0, radius_mm=0.178)
        )
    return found


# id, change, moves, push, backup, bows, extension, verdict, minutes, mL, mGy, cautions, conditions
Row = tuple[
    str, str, list[MoveId], float, float, float, float, Verdict, float, float, float, list[str], list[str]
]
ROWS: list[Row] = [
    ("in-place", "as it is", [MoveId.AS_IT_IS], 1.0, 1.55, 4.5, 0.0, Verdict.FITS, 0, 0, 0, [], []),
    (
        *("ext-42", "6 Fr guide extension to 42 mm", [MoveId.EXTENSION], 0.72, 3.3, 6.0, 42.0),
        *(Verdict.TIGHT, 6, 8, 90),
        [
            "Do not inject forcefully with the extension deep or the pressure damped: dissection.",
            "Withdraw the extension if the pressure damps or the patient has pain.",
        ],
        ["A balloon has crossed beyond 42 mm", "Pressure is not damped at the ostium"],
    ),
    (
        *("ext-25", "6 Fr guide extension to 25 mm", [MoveId.EXTENSION], 0.9, 2.6, 5.0, 25.0),
        *(Verdict.TIGHT, 5, 8, 80, ["Do not inject forcefully with the pressure damped."], []),
    ),
    (
        *("prep", "prepare again: 2.5 mm scoring balloon", [MoveId.PREPARE_AGAIN], 0.62, 1.55, 5.2, 0.0),
        *(Verdict.FITS, 8, 12, 130, ["Never oversize in a heavily calcified bend: perforation."], []),
    ),
    (
        *("buddy", "add a stiff buddy wire", [MoveId.BUDDY_WIRE], 0.97, 1.9, 7.5, 0.0),
        *(Verdict.FITS, 4, 4, 60, ["Take the buddy wire out before the stent is opened over it."], []),
    ),
    (
        *(
            "rail",
            "stiffer rail by exchange over a microcatheter",
            [MoveId.STIFFER_RAIL],
            1.04,
            1.6,
            9.0,
            0.0,
        ),
        *(Verdict.FITS, 7, 4, 70, ["A stiff wire makes pseudo-stenoses: look again with it withdrawn."], []),
    ),
    (
        *("anchor", "anchor balloon in the acute marginal", [MoveId.SIDE_BRANCH_ANCHOR], 1.0, 2.7, 5.0, 0.0),
        *(Verdict.FITS, 9, 10, 120, ["The anchored branch may be injured."], ["Branch of at least 2 mm"]),
    ),
    (
        *("seat", "seat the guide 8 mm deeper", [MoveId.SEAT_DEEPER], 0.95, 2.0, 4.6, 0.0),
        *(Verdict.FITS, 2, 3, 30, ["Deep seating can dissect the ostium."], ["No ostial disease"]),
    ),
    (
        *("short", "12 mm stent in place of 18 mm", [MoveId.OTHER_DEVICE], 0.82, 1.55, 5.0, 0.0),
        *(Verdict.FITS, 1, 0, 0, [], ["Landing zones can be covered by 12 mm"]),
    ),
    (
        *("two", "two shorter stents, 12 mm each", [MoveId.TWO_SHORTER_STENTS], 0.8, 1.55, 5.0, 0.0),
        *(Verdict.FITS, 9, 14, 160, ["Land the distal one first."], []),
    ),
    (
        *("guide", "7 Fr Amplatz right guide", [MoveId.OTHER_GUIDE], 1.0, 2.9, 4.6, 0.0),
        *(Verdict.FITS, 14, 12, 150, ["Changing the guide risks losing the wire's place."], []),
    ),
    (
        *("trap", "trap the buddy wire behind a proximal stent", [MoveId.TRAPPED_WIRE], 0.97, 2.8, 7.0, 0.0),
        *(Verdict.FITS, 15, 15, 190),
        ["Withdraw a trapped wire with the guide disengaged and watched; stop if the guide dives."],
        ["A proximal stent is wanted anyway", "Only the wire's soft end lies trapped"],
    ),
    (
        *("limp", "soft hydrophilic rail", [MoveId.STIFFER_RAIL], 1.02, 1.5, 1.5, 0.0),
        *(Verdict.FITS, 5, 4, 50, [], []),
    ),
    (
        *(
            "ext-buddy",
            "extension to 42 mm and a buddy wire",
            [MoveId.EXTENSION, MoveId.BUDDY_WIRE],
            0.8,
            3.4,
            7.0,
        ),
        *(42.0, Verdict.NO, 9, 12, 120, [], []),
    ),
]


def result(row: Row, rng: np.random.Generator) -> RigResult:
    rig_id, change, moves, push, hold, bows, extension, verdict, minutes, contrast, kerma, warn, first = row
    d = curve(rng, push=push, backup=hold, bows=bows)
    go = np.maximum.accumulate(d["need"], axis=0) <= d["backup"][None, :]
    reach = np.where(go.any(axis=0), DEPTHS[np.maximum(go.sum(axis=0) - 1, 0)], 0.0)
    fits = verdict is not Verdict.NO
    p = float(go[-1].mean()) if fits else 0.0
    error = 1.96 * np.sqrt(max(p * (1 - p), 0.001) / DRAWS) + 0.02
    median = float(np.median(reach))
    stop = None if median >= TIP_MM - 0.5 else median
    lost = float((d["lost"][-1] & ~go[-1]).mean())
    limited = (
        {LimitedBy.PROLAPSE: lost, LimitedBy.GUIDE_OUT: 1.0 - p - lost}
        if fits
        else {LimitedBy.NO_PASSAGE: 1.0}
    )
    with np.errstate(invalid="ignore"):
        margin = np.where(d["lost"][-1], np.inf, d["need"][-1] - d["backup"])
    q = quantiles(margin)
    shares = {Cause.BENDING: 0.2, Cause.WALL_FRICTION: 0.17, Cause.BENDS_PULL: 0.16, Cause.CROSSING: 0.36}
    shares |= {Cause.LEADING_EDGE: 0.05, Cause.WIRE: 0.04, Cause.EXTENSION: 0.02}
    top = push * 2.1
    return RigResult(
        id=rig_id,
        change=change,
        rig=f"6 Fr Amplatz right guide, workhorse wire; {change}",
        device="2.75 x 18 mm stent on its balloon",
        moves=moves,
        in_place=rig_id == "in-place",
        chance=Chance(value=p, low=max(p - error, 0.0), high=min(p + error, 1.0), words=chance_words(p)),
        need_N=quantiles(d["need"][-1]),
        backup_N=quantiles(d["backup"]),
        margin_N=Quantiles(p10=_minus(q.p90), p50=_minus(q.p50), p90=_minus(q.p10)),
        reach_mm=quantiles(reach),
        stops_at_mm=stop,
        limited_by=limited,
        causes={cause: top * share for cause, share in shares.items()},
        causes_at_mm=70.5,
        fits=fit(verdict),
        costs=Costs(
            minutes=minutes, contrast_mL=contrast, air_kerma_mGy=kerma, source="judgement, no source"
        ),
        cautions=warn,
        conditions=first,
        unvalidated=["absolute backup scale", "radial stiffness of the lesion"],
        curve=depth_curve(d),
        lying=lying(extension_mm=extension, buddy="buddy" in rig_id, anchor=rig_id == "anchor"),
    )


def _minus(value: float | None) -> float | None:
    return None if value is None else -value


def draw_rows() -> list[DrawRow]:
    rows: list[tuple[str, str, str, float, float, str, str]] = [
        ("friction_wall", "friction, device on wall", "", 0.08, 0.4, "invented", "illustrative"),
        ("bed_MPa", "lateral stiffness of wall and bed", "MPa", 0.2, 0.9, "invented", "illustrative"),
        ("guide_hold_N", "hold of the reference guide", "N", 1.6, 0.5, "judgement", "judgement, no source"),
        ("radius_shift_sd", "lumen radius error", "SD", 0.0, 1.0, "invented", "derived"),
    ]
    return [
        DrawRow(
            name=name,
            label=label,
            unit=unit,
            median=median,
            spread=width,
            kind="normal" if median == 0.0 else "lognormal",
            source=source,
            evidence=evidence,
        )
        for name, label, unit, median, width, source, evidence in rows
    ]


def sample_plan() -> PlanDocument:
    """Return the invented plan; the same every time."""
    rng = np.random.default_rng(7)
    rigs = [result(row, rng) for row in ROWS]
    bend = bend_deg_per_mm()
    return PlanDocument(
        schema=1,
        title="Invented case: calcified bend in the mid right coronary artery",
        invented=True,
        vessel="right coronary artery",
        path=PathPicture(
            s_mm=[float(x) for x in S],
            radius_mm=[float(x) for x in radius_mm()],
            bend_deg_per_mm=[float(x) for x in bend],
            length_mm=LENGTH_MM,
            total_bend_deg=float(bend.sum()),
        ),
        lesions=[
            LesionPicture(
                from_mm=60.0,
                to_mm=74.0,
                calcium=Calcium.SEVERE,
                prepared=["small_balloon", "non_compliant_balloon"],
                dissected=False,
            ),
            LesionPicture(from_mm=22.0, to_mm=29.0, calcium=Calcium.MILD, prepared=[], dissected=False),
        ],
        branches=[
            BranchPicture(name="conus branch", at_mm=4.0, diameter_mm=1.0),
            BranchPicture(name="first right ventricular branch", at_mm=37.0, diameter_mm=1.4),
            BranchPicture(name="acute marginal", at_mm=52.0, diameter_mm=2.1),
            BranchPicture(name="posterior descending", at_mm=118.0, diameter_mm=2.0),
        ],
        target=Target(device="2.75 x 18 mm stent", from_mm=58.0, to_mm=76.0, tip_mm=TIP_MM),
        rigs=[rigs[0], *sorted(rigs[1:], key=lambda r: -r.chance.value)],
        draws=draw_rows(),
        draw_count=DRAWS,
        design_points=48,
        depths=len(DEPTHS),
        loads=9,
        seed=7,
        versions={"backstay": "0.1.0"},
        sources=["ikari2005"],
        warnings=["Radius was given without its error; 0.1 mm was taken."],
        cautions=[
            "No stent until a balloon of the distal reference's size has opened fully in two views.",
            "Do not push on against a guide that backs out: it takes the wire with it.",
            "Do not pull a stent back hard into guide or extension: it may come off its balloon.",
        ],
        disclaimer="Planning and teaching aid, not validated for clinical decisions.",
    )
