"""What a case brings to every question about its safety: devices, vessel, patient, limits, the lab's protocol."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

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
    """

    devices: Mapping[str, Device] = field(default_factory=dict)
    path: LumenPath | None = None
    lesions: tuple[Lesion, ...] = ()
    branches: tuple[Branch, ...] = ()
    patient: Patient = field(default_factory=Patient)
    agreed: Agreed = field(default_factory=Agreed)
    protocol: Protocol = field(default_factory=Protocol)

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
        start = self._healthy_from_mm(min(to_mm, self.path.length_mm))
        first, last = np.searchsorted(self.path.s_mm, [start - 1e-9, start + _REFERENCE_SPAN_mm + 1e-9])
        return float(2.0 * np.median(self.path.radius_mm[first:last]))

    def _healthy_from_mm(self, to_mm: float) -> float:
        """Return where the stretch begins whose lumen counts as the reference of a place [mm]."""
        assert self.path is not None
        span, last = _REFERENCE_SPAN_mm, self.path.length_mm - _REFERENCE_SPAN_mm
        by_place = sorted(self.lesions, key=lambda lesion: lesion.from_mm)
        start = to_mm
        for lesion in by_place:
            if lesion.from_mm < start + span and start < lesion.to_mm:
                start = lesion.to_mm
        if start <= last:
            return start
        end = to_mm
        for lesion in reversed(by_place):
            if lesion.from_mm < end and end - span < lesion.to_mm:
                end = lesion.from_mm
        return end - span if end >= span else max(last, 0.0)

    def opened_fully(self, now: Now) -> bool | None:
        """Return whether a balloon sized to the distal reference is known to have opened fully in two views.

        Parameters
        ----------
        now : Now
            Where the case stands.

        Returns
        -------
        bool or None
            False where the last balloon did not open; None where none was seen to, or only ones whose label is under `SIZED_SHARE` of
            the lumen beyond the hard lesion. Where no lesion is known to be hard, what was seen counts whatever its size.
        """
        ends = [lesion.to_mm for lesion in self.lesions if lesion.calcium in HARD]
        beyond = [mm for mm in map(self.diameter_beyond_mm, ends) if mm is not None]
        if not now.opened_fully or not beyond:
            return now.opened_fully
        labels = [
            d.nominal_diameter_mm for d in map(self.devices.get, now.opened_by) if isinstance(d, Balloon)
        ]
        return True if any(label >= SIZED_SHARE * min(beyond) for label in labels) else None

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
