"""What stents meet beside their own stretch: other lesions under them, and the stents of the next stretch."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import pairwise

import numpy as np

from backstay.adapters.treatment_file import Stretch
from backstay.app.treatment.measuring import CaseLesion, tightness
from backstay.app.treatment.stretches import planned
from backstay.app.treatment.work import NO_GAP_MM, Work, work_of
from backstay.core.treatment.lesions import END_RATIO
from backstay.core.treatment.reference import ReferenceFit
from backstay.core.treatment.stents import OVERLAP_MM

INSIDE_SHARE = 0.5
"""An end lies in a lesion where it does in more draws than this: judgement, no source."""


def planned_together(
    work: Sequence[Work], fit: ReferenceFit, lesions: Sequence[CaseLesion]
) -> tuple[list[Work], list[Stretch]]:
    """Return the stretches with their plans; two whose stents would overlap are planned as one where the shelf can."""
    works, plans = list(work), [planned(one) for one in work]
    k = 0
    while k + 1 < len(works):
        first, second = _stents(plans[k]), _stents(plans[k + 1])
        if first is not None and second is not None and second[0] < first[1]:
            both = work_of(works[k].case, fit, (*works[k].lesions, *works[k + 1].lesions))
            plan = planned(both)
            if plan.best is not None:
                works[k : k + 2], plans[k : k + 2] = [both], [plan]
                k = max(k - 1, 0)
                continue
        k += 1
    return works, with_neighbours(plans, lesions)


def with_neighbours(stretches: Sequence[Stretch], lesions: Sequence[CaseLesion]) -> list[Stretch]:
    """Return the stretches with what their stents meet beside them said among what they miss."""
    found = []
    for stretch in stretches:
        ends = _stents(stretch)
        said = [] if ends is None else met(*ends, lesions, own=stretch.lesions)
        found.append(stretch.model_copy(update={"missed": [*stretch.missed, *said]}))
    for k, (near, far) in enumerate(pairwise(found)):
        beside = between(near, far)
        if beside:
            found[k + 1] = far.model_copy(update={"missed": [*far.missed, beside]})
    return found


def met(from_mm: float, to_mm: float, lesions: Sequence[CaseLesion], *, own: Collection[int]) -> list[str]:
    """Return which lesions other than its own a stent or row of stents ends in, or runs over."""
    found = []
    for number, lesion in enumerate(lesions, 1):
        if number in own or tightness(lesion)[1].value < 100.0 * END_RATIO:
            continue
        m = lesion.measured
        what = (
            f"lesion {number} ({m.from_mm.value:.0f} to {m.to_mm.value:.0f} mm, "
            f"{tightness(lesion)[1].value:.0f} %)"
        )
        ends = [
            f"the {side} end at {at:.0f} mm"
            for side, at in (("proximal", from_mm), ("distal", to_mm))
            if np.mean((m.covered[:, 0] < at) & (at < m.covered[:, 1])) > INSIDE_SHARE
        ]
        if ends:
            found.append(f"geographic miss along: {' and '.join(ends)} of the stents lies in {what}")
        elif m.share_covered(from_mm, to_mm) > INSIDE_SHARE:
            found.append(f"the stents run over {what}, which is not prepared here")
    return found


def between(near: Stretch, far: Stretch) -> str:
    """Return that the stents of two stretches overlap or leave little between them, or nothing."""
    first, second = _stents(near), _stents(far)
    if first is None or second is None:
        return ""
    gap_mm = second[0] - first[1]
    if gap_mm >= NO_GAP_MM:
        return ""
    beside = "the stents of lesion" + ("s " if len(near.lesions) > 1 else " ")
    beside += " and ".join(str(number) for number in near.lesions)
    if gap_mm < 0.0:
        how = f"these stents reach {-gap_mm:.1f} mm into {beside} ({OVERLAP_MM:g} mm is what is planned where two meet)"
    else:
        how = f"only {gap_mm:.1f} mm stay bare between these stents and {beside}"
    return f"{how}: another length, or both stretches covered in one go"


def _stents(stretch: Stretch) -> tuple[float, float] | None:
    return None if stretch.best is None else (stretch.best.stents[0].from_mm, stretch.best.stents[-1].to_mm)
