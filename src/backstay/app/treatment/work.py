"""A stretch that is treated in one go: the lesions in it, the size wanted, and what imaging overrides."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from backstay.app.loading import LoadedCase
from backstay.app.treatment.measuring import CaseLesion
from backstay.core.rigging.devices import Device
from backstay.core.rigging.move_facts import TWO_SHORTER_STENTS
from backstay.core.treatment.reference import ReferenceFit
from backstay.core.treatment.sizing import SizeRule, size_by_angiography, size_by_lumen, size_by_outer_wall
from backstay.core.treatment.stents import Wanted, Weights

FloatArray = NDArray[np.float64]

DeviceT = TypeVar("DeviceT", bound=Device)

NO_GAP_MM = 5.0
"""Two landing zones nearer than this are covered as one: judgement, no source."""


@dataclass(frozen=True, eq=False)
class Work:
    """One stretch while it is planned."""

    case: LoadedCase
    lesions: tuple[tuple[int, CaseLesion], ...]
    wanted: Wanted

    @property
    def far(self) -> CaseLesion:
        """Return the lesion at the distal end."""
        return self.lesions[-1][1]

    @property
    def near(self) -> CaseLesion:
        """Return the lesion at the proximal end."""
        return self.lesions[0][1]

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
    """Return what is treated in one go: the lesions the case names, joined where no healthy gap would be left."""
    groups: list[list[tuple[int, CaseLesion]]] = []
    for number, lesion in enumerate(lesions, 1):
        if lesion.table is None:
            continue
        if groups and lesion.landing_mm[0] - groups[-1][-1][1].landing_mm[1] < NO_GAP_MM:
            groups[-1].append((number, lesion))
        else:
            groups.append([(number, lesion)])
    return [Work(case, tuple(group), _wanted(fit, [x for _, x in group])) for group in groups]


def _wanted(fit: ReferenceFit, lesions: Sequence[CaseLesion]) -> Wanted:
    from_mm, to_mm = lesions[0].landing_mm[0], lesions[-1].landing_mm[1]
    reference = overridden(fit, lesions, from_mm, to_mm)
    distal_mm = float(np.interp(to_mm, fit.s_mm, reference))
    rule = rule_for(lesions[0], lesions[-1], distal_mm)
    return Wanted(from_mm, to_mm, rule, fit.s_mm, reference)


def overridden(fit: ReferenceFit, lesions: Sequence[CaseLesion], from_mm: float, to_mm: float) -> FloatArray:
    """Return the reference along the path, scaled to what imaging measured at the landing zones."""
    first, last = lesions[0].imaging, lesions[-1].imaging
    seen = []
    if first is not None and first.proximal is not None:
        seen.append((from_mm, first.proximal.lumen_mm))
    if last is not None and last.distal is not None:
        seen.append((to_mm, last.distal.lumen_mm))
    if not seen:
        return fit.reference_mm
    places = [at for at, _ in seen]
    factors = [lumen / float(np.interp(at, fit.s_mm, fit.reference_mm)) for at, lumen in seen]
    return np.asarray(fit.reference_mm * np.interp(fit.s_mm, places, factors))


def rule_for(first: CaseLesion, last: CaseLesion, distal_mm: float) -> SizeRule:
    """Return the labels allowed: by the outer wall where both ends were seen, by imaging's lumen, by angiography.

    The ends are those of the whole stretch: the first lesion's proximal landing zone, the last one's distal one.
    """
    far = None if last.imaging is None else last.imaging.distal
    near = None if first.imaging is None else first.imaging.proximal
    if far is None:
        return size_by_angiography(distal_mm=distal_mm)
    if far.outer_wall_mm is not None and near is not None and near.outer_wall_mm is not None:
        return size_by_outer_wall(proximal_mm=near.outer_wall_mm, distal_mm=far.outer_wall_mm)
    return size_by_lumen(distal_mm=far.lumen_mm)
