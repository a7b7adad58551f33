"""The angiogram as the API gives it. Loaded when first asked for, as the plan's part is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from backstay.adapters.measurement_file import MeasurementDocument, RunTable
from backstay.adapters.toml_text import validated
from backstay.app import angiogram
from backstay.app.library import Library
from backstay.app.loading import LoadedCase
from backstay.app.views import ranked_views, view_name
from backstay.core.imaging.lumen import Lumen
from backstay.errors import FileFormatError, InputError
from backstay.identifiers import Calcium
from backstay.report.measured import lumen_strip
from backstay.report.measured_words import measured_rows, run_rows
from backstay.report.words import CALCIUM
from backstay.web.models import Choice, Row
from backstay.web.models_angiogram import (
    AngiogramView,
    BandView,
    DoubtView,
    KeepBody,
    KeptView,
    MeasureBody,
    MeasureView,
    Places,
    RunItem,
    SecondBody,
    SecondView,
    TraceBody,
    TraceView,
    WorkingViewItem,
    WorkingViews,
)

EVERY_PX = 2
"""A line as long as the vessel is drawn from every so many of its pixels."""
LOST_SHARE = (0.01, 0.99)
DOUBTS = ("Doubt", "Accepted")


def angiogram_view(library: Library, case: str) -> AngiogramView:
    """Return the runs of a case, and the marks of the measurement it stands on."""
    document = library.document(case)
    kept = angiogram.kept_marks(library, case)
    runs = None if kept is None else [table.model_copy(update={"sha256": None}) for table in kept.run]
    return AngiogramView(
        title=document.title,
        invented=document.invented,
        vessel=document.vessel.name,
        runs=[_run_item(file) for file in library.runs(case)],
        kept=runs,
        branches=[branch.name for branch in document.vessel.branch],
        calcium=[Choice(words=CALCIUM[one], value=one.value) for one in Calcium],
        may_rank=document.vessel.measurement is not None or document.vessel.axes == "patient",
    )


def _run_item(file: Path) -> RunItem:
    try:
        run = angiogram.run_at(file)
        middle = run.frame((run.frames + 1) // 2)
    except (InputError, FileFormatError) as error:
        return RunItem(
            name=file.name, rows=1, columns=1, frames=0, bytes_per_pixel=1, most=1, low=0, high=1, inverted=False,
            frame_ms=None, view="", facts=[], problem=error.message,
        )  # fmt: skip
    low, high = (int(np.quantile(middle, share)) for share in LOST_SHARE)
    g, k = run.geometry, (run.frames + 1) // 2 - 1
    a, b = float(g.primary_deg[k]), float(g.secondary_deg[k])
    return RunItem(
        name=file.name,
        rows=run.rows,
        columns=run.columns,
        frames=run.frames,
        bytes_per_pixel=1 if run.bits <= 8 else 2,
        most=int(run.most),
        low=low,
        high=max(high, low + 1),
        inverted=run.inverted,
        frame_ms=run.frame_ms if np.isfinite(run.frame_ms) and run.frame_ms > 0.0 else None,
        view=view_name(a, b) if np.isfinite([a, b]).all() else "view not in the file",
        facts=[Row(name=name, words=words) for name, words in run_rows(run)],
    )


def trace_view(library: Library, case: str, body: TraceBody) -> TraceView:
    """Return one view traced."""
    found = angiogram.traced(library, case, body.run, at_once=body.at_once)
    if found.vessel is None or found.look is None:
        return _traced(found.lumen, at_once=True)
    vessel, sight = found.vessel, found.look.sight
    least = int(np.argmin(vessel.radius_mm))
    calibration = found.look.calibration
    facts = [
        Row(name="Length", words=f"at least {vessel.length_mm:.1f} mm in this view"),
        Row(
            name="Least diameter",
            words=f"{2.0 * vessel.radius_mm[least]:.2f} mm (error {2.0 * vessel.radius_sd_mm[least]:.2f}) at {vessel.s_mm[least]:.1f} mm",
        ),
        Row(
            name="Scale",
            words=f"{calibration.mm_per_px:.4f} mm/px by {calibration.kind.value} (error {100.0 * calibration.sd_share:.1f} %)",
        ),
    ]
    names = [branch.name for branch in sorted(body.run.branch, key=lambda one: one.name)]
    strip = lumen_strip(vessel, names[: len(sight.landmarks_px)]).svg(None)
    doubts = [*(remark.text for remark in vessel.remarks), *found.look.run.remarks]
    return _traced(found.lumen, facts=facts, doubts=doubts, strip=strip)


def _traced(
    lumen: Lumen,
    *,
    at_once: bool = False,
    facts: list[Row] | None = None,
    doubts: list[str] | None = None,
    strip: str = "",
) -> TraceView:
    left, right = lumen.edges_px()
    return TraceView(
        at_once=at_once,
        line=_places(lumen.line_px),
        left=_places(left),
        right=_places(right),
        facts=facts or [],
        doubts=doubts or [],
        strip=strip,
    )


def second_view(library: Library, case: str, body: SecondBody) -> SecondView:
    """Return the bands of the second view."""
    marks = {name: getattr(body.second, name) for name in type(body.second).model_fields}
    # Not validated anew: the second view may have fewer clicks yet than a path needs.
    second = RunTable.model_construct(**marks)
    found = angiogram.second_view(library, case, body.first, second, body.errors)
    ends = {"start": body.first.clicks[0], "end": body.first.clicks[-1]}
    named = ends | {branch.name: branch.at for branch in body.first.branch}
    marked = [
        BandView(name=name, is_mark=True, first=list(named[name]), outline=_corners(outline))
        for name, outline in found.marked.items()
    ]
    along = [
        BandView(name=f"{at_mm:.0f} mm", is_mark=False, first=[round(float(x), 1) for x in place], outline=_corners(outline))
        for at_mm, place, outline in zip(found.at_mm, found.first_px, found.outlines_px, strict=True)
    ]  # fmt: skip
    return SecondView(bands=[*marked, *along])


def measure_view(library: Library, case: str, body: MeasureBody) -> MeasureView:
    """Return the vessel measured, believable or not, with every doubt."""
    found = angiogram.measured_case(library, case, _document(library, case, body))
    result = found.document.result
    doubts = [
        DoubtView(
            doubt=remark.doubt.value,
            words=remark.text,
            stops=remark.stops,
            accepted=remark.doubt.value in body.accept,
        )
        for remark in found.vessel.remarks
    ]
    names = [] if result is None else [branch.name for branch in result.branch]
    return MeasureView(
        facts=[Row(name=name, words=words) for name, words in measured_rows(found.document) if name not in DOUBTS],
        doubts=doubts,
        views=[_traced(lumen) for lumen in found.vessel.lumens],
        strip=lumen_strip(found.vessel, names).svg(None),
        may_be_kept=len(body.run) == 2 and all(not one.stops or one.accepted for one in doubts),
    )  # fmt: skip


def keep(library: Library, case: str, body: KeepBody) -> KeptView:
    """Keep a measurement as the case's vessel."""
    kept = angiogram.keep(library, case, _document(library, case, body), calcium=body.calcium)
    return KeptView(path=kept.path, record=kept.record, notes=list(kept.notes))


def working_views(
    case: LoadedCase, *, from_mm: float | None, to_mm: float | None, branch: str | None
) -> WorkingViews:
    """Return the ways to look at a stretch, the best first."""
    answer = ranked_views(case, from_mm=from_mm, to_mm=to_mm, branch=branch)
    return WorkingViews(
        what=f"{answer.what}: {answer.from_mm:.0f} to {answer.to_mm:.0f} mm",
        views=[
            WorkingViewItem(
                name=one.name,
                lost_mm=one.lost_mm,
                lost_percent=one.lost_percent,
                covered_mm=one.covered_mm,
            )
            for one in answer.views
        ],
        notes=list(answer.notes),
    )


def _document(library: Library, case: str, body: MeasureBody) -> MeasurementDocument:
    document = library.document(case)
    asked = {
        "schema": 1,
        "vessel": document.vessel.name,
        "invented": document.invented,
        "accept": body.accept,
        "run": body.run,
        "errors": body.errors,
    }
    return validated(MeasurementDocument, asked, where="angiogram")


def _places(line_px: NDArray[np.float64]) -> Places:
    pick = np.unique([*range(0, len(line_px), EVERY_PX), len(line_px) - 1])
    return [[float(x) for x in place] for place in np.round(line_px[pick], 1)]


def _corners(outline_px: NDArray[np.float64]) -> Places:
    return [[float(x) for x in place] for place in np.round(outline_px, 1)]
