"""A measurement, and the list of working views, in words and rows for the terminal."""

from __future__ import annotations

from collections.abc import Iterator

from backstay.adapters.dicom_xa import Run
from backstay.adapters.measurement_file import MeasurementDocument, UsedTable
from backstay.app.views import ViewsAnswer, view_name


def headline(document: MeasurementDocument) -> str:
    """Return what was measured in one line."""
    r = document.result
    assert r is not None
    if r.views == 1:
        return (
            f"At least {r.length_mm:.1f} mm long (one view; up to {r.longest_mm:.0f} mm if it leans 45 deg)"
        )
    error = f"{r.length_mm:.1f} mm long (error {r.length_sd_mm:.1f}, one standard deviation)"
    return f"{error}, bends {r.bend_deg:.0f} deg in all; views agree to {r.residual_px:.2f} px"


def measured_rows(document: MeasurementDocument) -> Iterator[tuple[str, str]]:
    """Yield name and text of each line of a measurement."""
    r = document.result
    assert r is not None
    yield "Vessel", headline(document)
    for s in r.stenosis:
        yield (
            "Narrowing",
            f"{s.from_mm:.1f} to {s.to_mm:.1f} mm, least diameter {s.least_diameter_mm:.2f} mm "
            f"(error {s.least_diameter_sd_mm:.2f}) at {s.at_mm:.1f} mm, reference {s.reference_mm:.2f} mm: "
            f"{s.stenosis_percent:.0f} % (error {s.stenosis_sd_percent:.0f})",
        )
    for b in r.branch:
        yield "Branch", f"{b.name} at {b.at_mm:.1f} mm"
    for k, used in enumerate(r.used, 1):
        yield f"Run {k}", _used(used)
    if r.shift_mm is not None:
        x, y, z = r.shift_mm
        yield (
            "Table",
            f"moved {x:+.1f} left, {y:+.1f} back, {z:+.1f} head [mm] between the runs, as far as it shows",
        )
    for text in r.set_by_hand:
        yield "By hand", text
    for k, used in enumerate(r.used, 1):
        for text in used.remark:
            yield f"Note, run {k}", text
    for remark in r.remark:
        yield ("Accepted" if remark.stops else "Doubt"), remark.text


def _used(used: UsedTable) -> str:
    return (
        f"{view_name(used.primary_deg, used.secondary_deg)}, {used.mm_per_px:.4f} mm/px by {used.calibration} "
        f"(error {used.scale_sd_percent:.1f} %), blur {used.blur_px:.2f} px"
    )


def run_rows(run: Run) -> Iterator[tuple[str, str]]:
    """Yield name and text of each line about a run that was only read."""
    g = run.geometry
    angles = sorted({(round(a, 1), round(b, 1)) for a, b in zip(g.primary_deg, g.secondary_deg, strict=True)})
    yield (
        "Run",
        f"{run.frames} frames of {run.rows} x {run.columns} px, {run.bits} bits, grey values {run.intensity.value}",
    )
    known = [view_name(a, b) for a, b in angles if a == a and b == b]
    if known:
        yield "View", known[0] if len(known) == 1 else f"{known[0]} to {known[-1]}"
    distances = (
        (g.sid_mm, "source to receptor"),
        (g.sod_mm, "source to isocentre"),
        (g.row_mm, "pixel at the receptor"),
    )
    for value, name in distances:
        yield name[:1].upper() + name[1:], f"{value:g} mm" if value == value else "not in the file"
    if run.r_waves:
        yield "R waves", "frames " + ", ".join(str(k) for k in run.r_waves)
    for text in run.remarks:
        yield "Note", text


def views_rows(answer: ViewsAnswer) -> Iterator[tuple[str, str]]:
    """Yield name and text of each line of a list of views."""
    yield "Stretch", f"{answer.what}: {answer.from_mm:.0f} to {answer.to_mm:.0f} mm"
    for k, v in enumerate(answer.views, 1):
        covered = f", {v.covered_mm:.1f} mm may be covered" if v.covered_mm else ""
        yield (
            f"{k}. {v.name}",
            f"loses {v.lost_mm:.1f} mm ({v.lost_percent:.0f} %) to foreshortening{covered}",
        )
    for note in answer.notes:
        yield "Note", note
