"""What a case brings to every question about its safety: devices, vessel, patient, limits, the lab's protocol."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from statistics import median

import numpy as np

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.record.entries import Entry
from backstay.core.rigging.devices import Balloon, Device, Wire
from backstay.core.rules import Rule, Value
from backstay.core.rules.gate import HARD
from backstay.core.safety.now import Now, after
from backstay.core.safety.protocol import Protocol
from backstay.identifiers import Calcium, DeviceKind, Whose
from backstay.units import rad_to_deg

_REFERENCE_SPAN_mm = 5.0
SIZED_SHARE = 0.85
"""Share of the distal reference from which a balloon counts as sized to it; judgement: labels step by a quarter of a millimetre."""
_CALCIUM = tuple(Calcium)


@dataclass(frozen=True, kw_only=True)
class Patient:
    """What a rule may ask of the patient; None where it is not known.

    Attributes
    ----------
    weight_kg, egfr : float or None
        Weight; estimated filtration rate.
    contrast_allergy, p2y12_loaded, bleeding_high : bool or None
        Known or not.
    chronic_occlusion : bool
        The case is on a chronic occlusion.
    """

    weight_kg: float | None = None
    egfr: float | None = None
    contrast_allergy: bool | None = None
    p2y12_loaded: bool | None = None
    bleeding_high: bool | None = None
    chronic_occlusion: bool = False


@dataclass(frozen=True, kw_only=True)
class Agreed:
    """What the team agreed on before the case; None where nothing was said.

    Attributes
    ----------
    contrast_mL, air_kerma_mGy, minutes : float or None
        Limits; contrast is the lowest ceiling that binds.
    contrast_source : str
        Whose that ceiling is.
    covered_stent, pericardiocentesis, snare : bool or None
        In the room.
    glycoprotein_inhibitor : bool
        Given or to be given.
    """

    contrast_mL: float | None = None
    air_kerma_mGy: float | None = None
    minutes: float | None = None
    contrast_source: str = Whose.CASE.value
    covered_stent: bool | None = None
    pericardiocentesis: bool | None = None
    snare: bool | None = None
    glycoprotein_inhibitor: bool = False


@dataclass(frozen=True, kw_only=True)
class Setting:
    """All of it.

    Attributes
    ----------
    devices : mapping of str to Device
        The shelf.
    path : LumenPath or None
        The vessel.
    lesions, branches : tuple
        What lies along it.
    patient, agreed, protocol
        As their classes say.
    opened_before : bool
        The case file says of every hard lesion on the way that a balloon of its size has opened fully in it.
    """

    devices: Mapping[str, Device] = field(default_factory=dict)
    path: LumenPath | None = None
    lesions: tuple[Lesion, ...] = ()
    branches: tuple[Branch, ...] = ()
    patient: Patient = field(default_factory=Patient)
    agreed: Agreed = field(default_factory=Agreed)
    protocol: Protocol = field(default_factory=Protocol)
    opened_before: bool = False

    @cached_property
    def kinds(self) -> dict[str, DeviceKind]:
        """Return what each device is, by id."""
        return {name: device.kind for name, device in self.devices.items()}

    @cached_property
    def branch_at_mm(self) -> dict[str, float]:
        """Return where each branch leaves the path, by name [mm]."""
        return {branch.name: branch.at_mm for branch in self.branches}

    def then(self, now: Now, entry: Entry) -> Now:
        """Return where a case stands after one more entry."""
        return after(now, entry, self.kinds, branch_at_mm=self.branch_at_mm)

    def diameter_beyond_mm(self, to_mm: float | None) -> float | None:
        """Return the lumen diameter beyond a place and beyond the lesions there, or that come next [mm].

        Parameters
        ----------
        to_mm : float or None
            Where what is to be sized ends.

        Returns
        -------
        float or None
            Median over the first 5 mm beyond it in which no lesion is described; where the path ends before, over
            the last such 5 mm before it, and over the path's last 5 mm where there are none either. None without
            a place or a path.
        """
        if self.path is None or to_mm is None:
            return None
        before, beyond = self._healthy_mm(to_mm)
        last = max(self.path.length_mm - _REFERENCE_SPAN_mm, 0.0)
        return self._median_mm(beyond if beyond is not None else before if before is not None else last)

    def diameter_at_mm(self, at_mm: float | None) -> float | None:
        """Return the lumen diameter a place would have without the lesions there [mm].

        Parameters
        ----------
        at_mm : float or None
            The place.

        Returns
        -------
        float or None
            On the line between the healthy 5 mm before the lesions and those beyond them; where one is missing, and where
            no lesion is near, as `diameter_beyond_mm` has it.
        """
        if self.path is None or at_mm is None:
            return None
        before, beyond = self._healthy_mm(at_mm)
        if before is None or beyond is None or beyond <= at_mm:
            return self.diameter_beyond_mm(at_mm)
        middles = np.array([before, beyond]) + 0.5 * _REFERENCE_SPAN_mm
        return float(np.interp(at_mm, middles, [self._median_mm(before), self._median_mm(beyond)]))

    def _median_mm(self, start: float) -> float:
        """Return the median lumen diameter over the 5 mm from a place on [mm]."""
        assert self.path is not None
        first, last = np.searchsorted(self.path.s_mm, [start - 1e-9, start + _REFERENCE_SPAN_mm + 1e-9])
        return 2.0 * float(median(self.path.radius_mm[first:last].tolist()))

    def _healthy_mm(self, at_mm: float) -> tuple[float | None, float | None]:
        """Return where the nearest 5 mm without a lesion begin, before a place and beyond it [mm]; None where the path has none."""
        assert self.path is not None
        span, by_place = _REFERENCE_SPAN_mm, sorted(self.lesions, key=lambda lesion: lesion.from_mm)
        at_mm = min(at_mm, self.path.length_mm)
        start = end = at_mm
        for lesion in by_place:
            if lesion.from_mm < start + span and start < lesion.to_mm:
                start = lesion.to_mm
        for lesion in reversed(by_place):
            if lesion.from_mm < end and end - span < lesion.to_mm:
                end = lesion.from_mm
        return end - span if end >= span else None, start if start + span <= self.path.length_mm else None

    def opened_fully(self, now: Now) -> bool | None:
        """Return whether a balloon sized to the distal reference is known to have opened fully in two views, in the lesion.

        Parameters
        ----------
        now : Now
            Where the case stands.

        Returns
        -------
        bool or None
            False where the last balloon did not open. Where none was seen to, or only ones that lay in no hard lesion or whose label is
            under `SIZED_SHARE` of the lumen beyond it, and where a hard lesion nearer than one that opened is not known to have: what the
            case file says, else None. Where no lesion is known to be hard, what was seen counts whatever its size and place.
        """
        hard = sorted((x for x in self.lesions if x.calcium in HARD), key=lambda x: x.from_mm)
        said = True if self.opened_before else None
        if now.opened_fully is None:
            return said
        if not now.opened_fully or not hard or self.path is None:
            return now.opened_fully
        done = [self._opened(lesion, now) for lesion in hard]
        farthest = max((k for k, one in enumerate(done) if one), default=None)
        return True if farthest is not None and all(done[:farthest]) else said

    def _opened(self, lesion: Lesion, now: Now) -> bool:
        """Return whether a balloon of the size of the lumen beyond a lesion opened fully in it."""
        beyond_mm = self.diameter_beyond_mm(lesion.to_mm)
        inside = [o for o in now.opened_by if o.from_mm < lesion.to_mm and lesion.from_mm < o.to_mm]
        balloons = [d for d in (self.devices.get(o.device) for o in inside) if isinstance(d, Balloon)]
        return beyond_mm is not None and any(
            b.nominal_diameter_mm >= SIZED_SHARE * beyond_mm for b in balloons
        )

    def branch_diameter_mm(self, name: str | None) -> float | None:
        """Return the diameter of a branch by its name [mm]."""
        return next((b.diameter_mm for b in self.branches if b.name == name), None)

    def wire(self, name: str | None) -> Wire | None:
        """Return a wire of the shelf."""
        found = self.devices.get(name or "")
        return found if isinstance(found, Wire) else None

    @cached_property
    def fixed(self) -> dict[str, Value | None]:
        """Return the facts that do not change during a case."""
        p, a = self.patient, self.agreed
        worst = max((_CALCIUM.index(x.calcium) for x in self.lesions), default=None)
        return {
            "lesion_calcium": None if worst is None else _CALCIUM[worst].value,
            "bends_deg": None if self.path is None else rad_to_deg(self.path.total_bend_rad),
            "egfr": p.egfr,
            "contrast_allergy": p.contrast_allergy,
            "p2y12_loaded": p.p2y12_loaded,
            "bleeding_high": p.bleeding_high,
            "chronic_occlusion": p.chronic_occlusion,
            "contrast_limit_mL": a.contrast_mL,
            "kerma_limit_mGy": a.air_kerma_mGy,
            "minutes_limit": a.minutes,
            "covered_stent_ready": a.covered_stent,
            "pericardiocentesis_ready": a.pericardiocentesis,
            "snare_ready": a.snare,
            **{fact: self._edge(fact) for fact in _EDGES},
        }

    def _edge(self, fact: str) -> float:
        part, _, value = _EDGES[fact][0].partition(".")
        return float(getattr(getattr(self.protocol, part), value))

    def source_of(self, rule: Rule) -> str:
        """Return whose word a rule goes by: its own source, or whoever set the level it goes by."""
        if rule.edge == "contrast_limit_mL":
            return self.agreed.contrast_source
        if rule.edge in _EDGES:
            return self.protocol.whose(*_EDGES[rule.edge], otherwise=rule.source)
        return Whose.CASE.value if rule.edge in _AGREED else rule.source


_AGREED = frozenset({"kerma_limit_mGy", "minutes_limit"})
_EDGES = {
    "kerma_notice_mGy": ("radiation.first_notice_mGy", "radiation.next_notice_mGy"),
    "substantial_mGy": ("radiation.substantial_mGy",),
    "substantial_skin_mGy": ("radiation.substantial_skin_mGy",),
    "kap_notice_Gycm2": ("radiation.first_kap_Gycm2",),
    "fluoroscopy_notice_min": ("radiation.first_fluoroscopy_min",),
    "substantial_kap_Gycm2": ("radiation.substantial_kap_Gycm2",),
    "substantial_fluoroscopy_min": ("radiation.substantial_fluoroscopy_min",),
    "act_overdue_min": ("heparin.overdue_after_min",),
    "contrast_near_share": ("contrast.near_share",),
    "high_atm": ("hazards.high_atm",),
    "anchor_atm": ("hazards.anchor_atm",),
    "small_branch_mm": ("hazards.small_branch_mm",),
    "deep_extension_mm": ("hazards.deep_extension_mm",),
    "oversize_ratio": ("hazards.oversize_ratio",),
    "burr_ratio": ("hazards.burr_ratio",),
    "burr_run_limit_s": ("hazards.burr_run_s",),
    "blocked_limit_s": ("hazards.blocked_s",),
    "bend_limit_deg": ("hazards.bend_deg",),
    "stiff_wire_Nmm2": ("hazards.stiff_wire_Nmm2",),
}
"""Facts that are levels of the protocol: the first value is the fact, the lab's own where it set them all."""
