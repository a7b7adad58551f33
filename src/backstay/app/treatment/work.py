"""A stretch that is treated in one go: the lesions in it, the size wanted, and what imaging overrides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from backstay.adapters.treatment_file import Conflict
from backstay.app.loading import LoadedCase
from backstay.app.treatment.measuring import CaseLesion
from backstay.core.rigging.devices import Device
from backstay.core.rigging.move_facts import TWO_SHORTER_STENTS
from backstay.core.treatment.overriding import Seen, seen_reference_mm
from backstay.core.treatment.reference import ReferenceFit
from backstay.core.treatment.sizing import (
    LABEL_STEP_MM,
    SizeRule,
    size_by_angiography,
    size_by_lumen,
    size_by_outer_wall,
)
from backstay.core.treatment.stents import Wanted, Weights
from backstay.identifiers import SizedBy

DeviceT = TypeVar("DeviceT", bound=Device)

NO_GAP_MM = 5.0
"""Two landing zones nearer than this are covered as one: judgement, no source."""


@dataclass(frozen=True, eq=False)
class Work:
    """One stretch while it is planned."""

    case: LoadedCase
    lesions: tuple[tuple[int, CaseLesion], ...]
    wanted: Wanted
    fit: ReferenceFit

    @property
    def far(self) -> CaseLesion:
        """Return the lesion whose landing zone is the distal end."""
        return furthest([lesion for _, lesion in self.lesions])

    @property
    def near(self) -> CaseLesion:
        """Return the lesion whose landing zone is the proximal end."""
        return nearest([lesion for _, lesion in self.lesions])

    @property
    def length_mm(self) -> float:
        """Return landing zone to landing zone."""
        return self.wanted.to_mm - self.wanted.from_mm

    def of(self, kind: type[DeviceT]) -> list[DeviceT]:
        """Return the shelf's devices of a class."""
        return [d for d in self.case.shelf.devices.values() if isinstance(d, kind)]


def weights_of(case: LoadedCase) -> Weights:
    """Return what counts in the choice of stents, by the case's own weights: a further stent by what it takes."""
    w, more = case.weights, TWO_SHORTER_STENTS
    spent = more.minutes * w.per_minute + more.contrast_mL * w.per_mL + more.air_kerma_mGy * w.per_mGy
    return Weights(per_mm=w.per_stent_mm, per_joint=spent, per_price=w.per_price)


def stretches_of(case: LoadedCase, fit: ReferenceFit, lesions: Sequence[CaseLesion]) -> list[Work]:
    """Return what is treated in one go: the lesions to plan, joined where no healthy gap would be left."""
    groups: list[list[tuple[int, CaseLesion]]] = []
    for number, lesion in enumerate(lesions, 1):
        if not lesion.planned:
            continue
        group = [(number, lesion)]
        while (
            groups and lesion.landing_mm[0] - furthest([x for _, x in groups[-1]]).landing_mm[1] < NO_GAP_MM
        ):
            group = [*groups.pop(), *group]
        groups.append(group)
    return [work_of(case, fit, group) for group in groups]


def work_of(case: LoadedCase, fit: ReferenceFit, lesions: Sequence[tuple[int, CaseLesion]]) -> Work:
    """Return what is treated in one go, of the lesions with their numbers."""
    return Work(case, tuple(lesions), _wanted(fit, [x for _, x in lesions]), fit)


def nearest(lesions: Sequence[CaseLesion]) -> CaseLesion:
    """Return the lesion whose landing zone begins first; imaging may have put it before another lesion."""
    return min(lesions, key=lambda x: x.landing_mm[0])


def furthest(lesions: Sequence[CaseLesion]) -> CaseLesion:
    """Return the lesion whose landing zone ends last; imaging may have put it beyond another lesion."""
    return max(lesions, key=lambda x: x.landing_mm[1])


def _wanted(fit: ReferenceFit, lesions: Sequence[CaseLesion]) -> Wanted:
    near, far = nearest(lesions), furthest(lesions)
    from_mm, to_mm = near.landing_mm[0], far.landing_mm[1]
    seen = seen_at(lesions)
    s_mm = np.union1d(fit.s_mm, [x.at_mm for x in seen])
    reference = seen_reference_mm(s_mm, np.interp(s_mm, fit.s_mm, fit.reference_mm), seen)
    distal_mm = float(np.interp(to_mm, s_mm, reference))
    rule = rule_for(near, far, distal_mm)
    return Wanted(from_mm, to_mm, rule, s_mm, reference)


def seen_at(lesions: Sequence[CaseLesion]) -> list[Seen]:
    """Return where imaging measured the lumen: the landing zones of every lesion, each lesion's in one pullback."""
    return [zone for pullback, lesion in enumerate(lesions) for zone in lesion.seen(pullback)]


def label_conflict(work: Work) -> Conflict | None:
    """Return where the outer wall asks for another label than angiography alone: by a step or more, or outside its range."""
    rule, angio_mm = work.wanted.distal, work.far.measured.distal_mm.value
    if rule.by is not SizedBy.OUTER_WALL:
        return None
    plain = size_by_angiography(distal_mm=angio_mm)
    off_mm = abs(rule.target_mm - plain.target_mm)
    if plain.allows(rule.target_mm) and off_mm < LABEL_STEP_MM - 1e-9:
        return None
    return Conflict(
        what="label at the distal landing zone",
        angiography=f"{plain.low_mm:.2f} to {plain.high_mm:.2f} mm, by a lumen of {angio_mm:.2f} mm",
        imaging=f"{rule.low_mm:.2f} to {rule.high_mm:.2f} mm, by the outer wall",
        so=f"label {rule.target_mm:.2f} mm wanted",
    )


def rule_for(first: CaseLesion, last: CaseLesion, distal_mm: float) -> SizeRule:
    """Return the labels allowed: by the outer wall where both ends were seen, by imaging's lumen, by angiography.

    The ends are those of the whole stretch: its outermost landing zones by place, each of its own lesion.
    """
    far = None if last.imaging is None else last.imaging.distal
    near = None if first.imaging is None else first.imaging.proximal
    if far is None:
        return size_by_angiography(distal_mm=distal_mm)
    if far.outer_wall_mm is not None and near is not None and near.outer_wall_mm is not None:
        return size_by_outer_wall(proximal_mm=near.outer_wall_mm, distal_mm=far.outer_wall_mm)
    return size_by_lumen(distal_mm=far.lumen_mm)
