"""The result to expect and to ask for, and a drug-coated balloon instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from backstay.adapters.case_file import ImagingTable
from backstay.adapters.treatment_file import DrugOption, Expected, PlannedBalloon
from backstay.app.treatment.work import Work
from backstay.core.rigging.devices import Balloon
from backstay.core.treatment import result
from backstay.core.treatment.balloons import choose_balloon, in_a_row
from backstay.core.treatment.preparation import USEFUL_RATIO
from backstay.core.treatment.sizing import (
    RECOIL_MM,
    area_mm2,
    diameter_of_area_mm,
    expected_final_mm,
    misses_across,
    too_small_words,
)
from backstay.core.treatment.stents import Choice

SMALL_VESSEL_MM = 2.75
"""Up to this distal reference a drug-coated balloon is offered in a vessel never stented: common practice, no source."""


def expected(work: Work, choice: Choice | None, after: Sequence[PlannedBalloon]) -> Expected:
    """Return the minimum acceptable result, the criteria beside it, and what was measured."""
    near_mm = work.wanted.reference_at_mm(work.wanted.from_mm)
    far_mm = work.wanted.reference_at_mm(work.wanted.to_mm)
    areas = (area_mm2(near_mm), area_mm2(far_mm))
    least = result.least_acceptable_mm2(reference_areas_mm2=areas)
    chart_mm = _distal_chart_mm(work, choice, after)
    left_main = _in_left_main(work, choice)
    measured, ratio, verdict = _measured_result(work, areas, left_main=left_main)
    return Expected(
        reference_areas_mm2=[round(a, 2) for a in areas],
        least_area_mm2=round(least, 2),
        least_diameter_mm=round(diameter_of_area_mm(least), 2),
        least_note=_mixed_words(work),
        floor_ivus_mm2=result.LEAST_AREA_mm2["ivus"],
        floor_oct_mm2=result.LEAST_AREA_mm2["oct"],
        chart_mm=round(chart_mm, 2),
        series_least_mm=round(expected_final_mm(chart_mm), 2),
        series_recoil_mm=RECOIL_MM,
        measured_area_mm2=measured,
        measured_expansion=ratio,
        measured_verdict=verdict,
        measured_findings=[
            *(left_main_words(measured) if left_main and measured is not None else []),
            *(text for n, x in work.lesions if x.imaging for text in _findings(n, x.imaging)),
        ],
        left_main=[asdict(s) for s in result.LEFT_MAIN_SETS] if left_main else [],
    )


def _distal_chart_mm(work: Work, choice: Choice | None, after: Sequence[PlannedBalloon]) -> float:
    """Return what the charts give at the distal end, where the vessel is narrowest: by the last stent and its own balloon."""
    if choice is None:
        return work.wanted.distal.target_mm
    last = choice.placed[-1]
    stent_mm = last.stent.nominal_diameter_mm if last.inflation is None else last.inflation.diameter_mm
    own = (
        after[len(choice.placed) - 1] if after else None
    )  # one post-dilatation a stent, in order, comes first
    return max(stent_mm, own.diameter_mm or 0.0) if own is not None else stent_mm


def _in_left_main(work: Work, choice: Choice | None) -> bool:
    length_mm = work.case.vessel.left_main_mm
    from_mm = work.wanted.from_mm if choice is None else choice.placed[0].from_mm
    return length_mm is not None and min(from_mm, work.wanted.from_mm) < length_mm


def _measured_result(
    work: Work, areas: tuple[float, float], *, left_main: bool
) -> tuple[float | None, float | None, str]:
    found = [x.imaging for _, x in work.lesions if x.imaging is not None and x.imaging.stent_area_mm2]
    if not found:
        return None, None, ""
    image = min(found, key=lambda x: x.stent_area_mm2 or 0.0)
    area = image.stent_area_mm2 or 0.0
    references, against = _references_beside(work, areas)
    ratio = result.expansion_ratio(stent_area_mm2=area, reference_areas_mm2=references)
    passes = "passes" if result.is_expanded(ratio) else "does not pass"
    parts = [f"{100 * ratio:.0f} % of {against}: {passes} the 80 % asked for, from memory"]
    if left_main:
        parts.append(
            "the general floors do not judge a left main; its sets disagree, and what counts is where the least area lies"
        )
    else:
        floor = result.LEAST_AREA_mm2[image.method]
        above = "above" if area > floor else "not above"
        parts.append(f"{above} {floor:g} mm2 ({image.method}, from memory)")
    if len(references) == 2:
        near, far = references
        meets = result.meets_music_1998(stent_area_mm2=area, reference_areas_mm2=(near, far))
        said = "meets" if meets else "misses"
        parts.append(f"{said} the 1998 criteria (second-hand; symmetry not judged)")
    return area, round(ratio, 4), "; ".join(parts)


def _imaged_references(work: Work) -> dict[str, float]:
    """Return the reference areas [mm2] that imaging measured at the ends of the stretch, by end."""
    near = None if work.near.imaging is None else work.near.imaging.proximal
    far = None if work.far.imaging is None else work.far.imaging.distal
    zones = {"proximal": near, "distal": far}
    return {where: area_mm2(zone.lumen_mm) for where, zone in zones.items() if zone is not None}


def _references_beside(work: Work, areas: tuple[float, float]) -> tuple[tuple[float, ...], str]:
    """Return the reference areas that imaging's stent area is held against: imaging's own where it measured any."""
    seen = _imaged_references(work)
    if not seen:
        return areas, "the mean reference by angiography, which is another instrument"
    where = (
        "the mean reference" if len(seen) == 2 else f"the {next(iter(seen))} reference, the only one imaged"
    )
    return tuple(seen.values()), where


def _mixed_words(work: Work) -> str:
    """Return that the two references come from two instruments, and what imaging's own alone asks for, or nothing."""
    seen = _imaged_references(work)
    if len(seen) != 1:
        return ""
    ((where, area),) = seen.items()
    least = result.least_acceptable_mm2(reference_areas_mm2=(area,))
    return f"the {where} reference is imaging's, the other angiography's: of imaging's alone 80 % are {least:.1f} mm\u00b2"


def left_main_words(area_of_stent_mm2: float) -> list[str]:
    """Return what each set for the left main says of a stent's least area; which place counts is where that lies."""
    found = []
    for group in result.LEFT_MAIN_SETS:
        reached, short = (
            ", ".join(
                f"{place} {least:g}"
                for place, least in group.areas_mm2
                if (area_of_stent_mm2 >= least) is want
            )
            for want in (True, False)
        )
        parts = [f"reaches {reached}" if reached else "", f"stays below {short}" if short else ""]
        found.append(
            f"left main by {group.name}: {area_of_stent_mm2:.1f} mm2 {', '.join(p for p in parts if p)}"
        )
    return found


def _findings(number: int, image: ImagingTable) -> list[str]:
    """Return what imaging found beside the area, against the consensus criteria."""
    found = []
    if image.malapposition_mm is not None and image.malapposition_length_mm is not None:
        depth_mm, length_mm = image.malapposition_mm, image.malapposition_length_mm
        acts = result.malapposition_matters(depth_mm=depth_mm, length_mm=length_mm)
        asked = "{:g} mm or more over more than {:g} mm".format(*result.MALAPPOSITION_MM)
        found.append(_finding(number, f"malapposition of {depth_mm:g} mm over {length_mm:g} mm", acts, asked))
    if image.edge_dissection_deg is not None and image.edge_dissection_length_mm is not None:
        arc_deg, length_mm = image.edge_dissection_deg, image.edge_dissection_length_mm
        acts = result.edge_dissection_matters(arc_deg=arc_deg, length_mm=length_mm)
        asked = "{:g}° or more and {:g} mm or more".format(*result.EDGE_DISSECTION_DEG_MM)
        found.append(_finding(number, f"edge dissection of {arc_deg:g}° over {length_mm:g} mm", acts, asked))
    return found


def _finding(number: int, what: str, acts: bool, asked: str) -> str:
    verdict = "act on it" if acts else "below what is acted on"
    return f"lesion {number}, {what}: {verdict} ({asked}, from memory)"


def drug_option(work: Work) -> DrugOption:
    """Return whether a drug-coated balloon deserves thought, and which."""
    tables = [x.table for _, x in work.lesions if x.table is not None]
    distal_mm = work.wanted.reference_at_mm(work.wanted.to_mm)
    if any(t.in_stent for t in tables):
        why = "it has come back inside an earlier stent"
    elif distal_mm <= SMALL_VESSEL_MM:
        why = f"a small vessel: distal reference {distal_mm:.2f} mm"
    else:
        return DrugOption(offered=False, why="neither a small vessel nor in an earlier stent")
    sized = choose_balloon(
        work.of(Balloon),
        "drug_coated",
        at_most_mm=distal_mm,
        longest_mm=work.length_mm + 4.0,
        least_mm=USEFUL_RATIO * distal_mm,
    )
    none = "none on the shelf suits"
    if sized is not None and misses_across(balloon_mm=sized.inflation.diameter_mm, artery_mm=distal_mm):
        none += f": {too_small_words(opened_mm=sized.inflation.diameter_mm, artery_mm=distal_mm)}"
        sized = None
    conditions = [
        "prepared well first: what is left narrows by 30 % or less, and no dissection limits flow (common practice, no source)",
        "it reaches beyond what was prepared at both ends, so that nothing is stretched without drug",
        "one long inflation as its instructions say; a stent stays ready",
    ]
    count, covers_mm = (
        (0, 0.0) if sized is None else in_a_row(working_mm=sized.balloon.working_mm, length_mm=work.length_mm)
    )
    return DrugOption(
        offered=True,
        count=count,
        covers_mm=round(covers_mm, 1),
        why=why,
        device=None if sized is None else sized.balloon.id,
        name=none if sized is None else sized.balloon.name,
        pressure_atm=None if sized is None else sized.inflation.pressure_atm,
        diameter_mm=None if sized is None else sized.inflation.diameter_mm,
        conditions=conditions,
    )
