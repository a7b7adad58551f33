"""The result against what was asked of it beforehand."""

from __future__ import annotations

from typing import Literal

from backstay.adapters.report_file import Criterion, Outcome
from backstay.app.event_words import plain
from backstay.app.reporting.told import Told
from backstay.core.treatment.result import LEAST_EXPANSION_RATIO, expansion_ratio, is_expanded
from backstay.identifiers import EventKind, Evidence
from backstay.sources import source

FROM_EXPANSION = "raber2018"
FULL_FLOW = 3


def outcome(told: Told, *, stated_beforehand: bool | None) -> Outcome:
    """Return the result."""
    return Outcome(
        stated=told.case.time_out.minimum_result or "",
        stated_beforehand=stated_beforehand if told.case.time_out.minimum_result else None,
        measured=told.said(told.of(EventKind.RESULT)),
        criteria=[*_stated(told), *_areas(told), *_flow(told)],
        notes=told.noted("result"),
    )


def _last(told: Told, name: str) -> float | None:
    """Return the last value recorded of one kind."""
    found = [e.number(name) for e in told.of(EventKind.RESULT) if e.number(name) is not None]
    return found[-1] if found else None


def _stated(told: Told) -> list[Criterion]:
    """Return the team's own words, which only a person can judge."""
    stated = told.case.time_out.minimum_result
    if not stated:
        return []
    results = told.of(EventKind.RESULT)
    return [
        Criterion(
            what="as the team stated it",
            asked=stated,
            found="; ".join(told.words(e) for e in results),
            verdict="for the operator" if results else "not recorded",
            source="case file",
            confirmed=True,
        )
    ]


def _areas(told: Told) -> list[Criterion]:
    """Return least stent area against the vessel's own references, where a stent was opened."""
    stents, area = told.of(EventKind.STENT), _last(told, "minimum_stent_area_mm2")
    if not stents:
        return []
    from_mm = min(e.number("from_mm") or 0.0 for e in stents)
    to_mm = max(e.number("to_mm") or 0.0 for e in stents)
    confirmed = source(FROM_EXPANSION).read_as != "memory"
    rows = []
    for stretch in told.treatment.stretches:
        if stretch.from_mm < to_mm and from_mm < stretch.to_mm:
            asked = round(stretch.expected.least_area_mm2, 1)
            rows.append(
                Criterion(
                    what="least stent area",
                    asked=f"{plain(asked)} mm2 or more, 80 % of the mean reference before",
                    found="" if area is None else f"{plain(area)} mm2",
                    verdict=_verdict(None if area is None else area >= asked),
                    source=FROM_EXPANSION,
                    confirmed=confirmed,
                )
            )
    reference = _last(told, "reference_area_mm2")
    if area is not None and reference is not None:
        ratio = expansion_ratio(stent_area_mm2=area, reference_areas_mm2=(reference,))
        rows.append(
            Criterion(
                what="expansion against the reference measured then",
                asked=f"above {100.0 * LEAST_EXPANSION_RATIO:.0f} %",
                found=f"{plain(round(100.0 * ratio))} %",
                verdict=_verdict(is_expanded(ratio)),
                source=FROM_EXPANSION,
                confirmed=confirmed,
            )
        )
    return rows


def _flow(told: Told) -> list[Criterion]:
    flow = _last(told, "timi_flow")
    return [
        Criterion(
            what="flow",
            asked=f"TIMI {FULL_FLOW}",
            found="" if flow is None else f"TIMI {plain(flow)}",
            verdict=_verdict(None if flow is None else flow >= FULL_FLOW),
            source=Evidence.COMMON_PRACTICE,
            confirmed=False,
        )
    ]


def _verdict(met: bool | None) -> Literal["met", "not met", "not recorded"]:
    return "not recorded" if met is None else "met" if met else "not met"
