"""The situation a move is made in, and what a move makes of it.

What is said of each move stands in `move_table`, what must be true first in `needs`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.rigging.devices import Device, OverWireDevice, Shelf, Wire
from backstay.core.rigging.move_facts import Harm, MoveFacts
from backstay.core.rigging.needs import NO_LEAK, STENT_GATE, judge
from backstay.core.rigging.rig import Rig
from backstay.core.rules import Facts, Value
from backstay.errors import InputError
from backstay.identifiers import Calcium, Evidence, MoveId, StepKind

_REFERENCE_SPAN_mm = 5.0
_EXCHANGE_cm = 280.0  # common practice, no source
_CALCIUM = tuple(Calcium)


@dataclass(frozen=True)
class Alternative:
    """One rig, lesion and device to compare with what is in place.

    Attributes
    ----------
    id : str
        Unique within a plan, e.g. "extension_20mm".
    change : str
        What is changed, in the trade's words.
    moves : tuple of MoveId
        The moves it is made of.
    rig, device, lesions : Rig, OverWireDevice, tuple of Lesion
        What is then in place, what is then pushed, and the lesions as they then are.
    minutes, contrast_mL, air_kerma_mGy : float
        What setting it up costs.
    cost_source : str
        Where the costs come from.
    cautions, conditions : tuple of str
        What to beware of; what to check first, since nobody knows whether it is so.
    sources : tuple of str
        Keys of the sources the cautions name.
    tool : Device or None
        What sets it up and must itself get there, where that is a device of its own.
    blocked : tuple of str
        Why it must not be done; empty where it may.
    harm, give_up : tuple of Harm, str
        As in `MoveFacts`.
    """

    id: str
    change: str
    moves: tuple[MoveId, ...]
    rig: Rig
    device: OverWireDevice
    lesions: tuple[Lesion, ...]
    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    cost_source: str
    cautions: tuple[str, ...]
    conditions: tuple[str, ...]
    sources: tuple[str, ...] = ()
    tool: Device | None = None
    blocked: tuple[str, ...] = ()
    harm: tuple[Harm, ...] = ()
    give_up: str = ""


@dataclass(frozen=True, kw_only=True)
class Situation:
    """Where the case stands: what is in place, what is pushed and to where, and what the shelf has.

    Attributes
    ----------
    rig, device, shelf : Rig, OverWireDevice, Shelf
        In place, pushed, at hand.
    path : LumenPath
        The vessel from the ostium.
    lesions, branches : tuple of Lesion, tuple of Branch
        What lies along it.
    target_from_mm, target_to_mm : float
        Where the device's working section is to lie.
    known : mapping of str to value
        What record and case file say that the situation itself does not show.
    """

    rig: Rig
    device: OverWireDevice
    shelf: Shelf
    path: LumenPath
    lesions: tuple[Lesion, ...]
    branches: tuple[Branch, ...]
    target_from_mm: float
    target_to_mm: float
    known: Facts = field(default_factory=dict)

    def __post_init__(self) -> None:
        if not 0.0 <= self.target_from_mm < self.target_to_mm <= self.path.length_mm:
            raise InputError(
                "the target lies on the path, its end beyond its start",
                field="target",
                value=f"{self.target_from_mm:g} to {self.target_to_mm:g} mm",
                allowed=f"0 to {self.path.length_mm:g} mm",
            )

    @property
    def target_length_mm(self) -> float:
        """Return the length to be covered [mm]."""
        return self.target_to_mm - self.target_from_mm

    @cached_property
    def on_the_way(self) -> tuple[Lesion, ...]:
        """Return the lesions the device passes or treats, from the ostium on."""
        crossed = [lesion for lesion in self.lesions if lesion.from_mm < self.target_to_mm]
        return tuple(sorted(crossed, key=lambda lesion: lesion.from_mm))

    @cached_property
    def lesion_start_mm(self) -> float:
        """Return where disease begins that the target covers [mm], at most the target's start."""
        inside = [lesion.from_mm for lesion in self.on_the_way if lesion.to_mm > self.target_from_mm]
        return min([*inside, self.target_from_mm])

    @cached_property
    def reference_diameter_mm(self) -> float:
        """Return the distal reference [mm]: the median lumen diameter over 5 mm beyond the target."""
        start_mm = min(self.target_to_mm, self.path.length_mm - _REFERENCE_SPAN_mm)
        s_mm = self.path.s_mm
        beyond = (s_mm >= start_mm) & (s_mm <= start_mm + _REFERENCE_SPAN_mm)
        return float(2.0 * np.median(self.path.radius_mm[beyond]))

    def narrowest_mm(self, to_mm: float) -> float:
        """Return the smallest lumen diameter from the ostium to a place [mm]."""
        return float(2.0 * np.min(self.path.radius_mm[self.path.s_mm <= to_mm]))

    def alternative(
        self,
        name: str,
        change: str,
        moves: Sequence[MoveId],
        facts: Sequence[MoveFacts],
        *,
        rig: Rig | None = None,
        device: OverWireDevice | None = None,
        lesions: tuple[Lesion, ...] | None = None,
        cautions: tuple[str, ...] = (),
        tool: Device | None = None,
        about: Facts | None = None,
    ) -> Alternative:
        """Return the alternative that a move makes of this situation; what is not named stays as it is."""
        after = replace(
            self,
            rig=rig or self.rig,
            device=device or self.device,
            lesions=self.lesions if lesions is None else lesions,
        )
        judged = [judge((NO_LEAK, *f.needs), self.facts(f.step, about)) for f in facts]
        gate = [STENT_GATE.ask] if STENT_GATE.rule.when.holds(after.facts(StepKind.PUSH)) else []
        return Alternative(
            id=name,
            change=change,
            moves=tuple(moves),
            rig=after.rig,
            device=after.device,
            lesions=after.lesions,
            minutes=sum(fact.minutes for fact in facts),
            contrast_mL=sum(fact.contrast_mL for fact in facts),
            air_kerma_mGy=sum(fact.air_kerma_mGy for fact in facts),
            cost_source=Evidence.JUDGEMENT.value,
            cautions=_once([text for fact in facts for text in fact.cautions] + list(cautions)),
            # The gate keeps the stent out, not the move: what opens the lesion is a move.
            conditions=_once([need.ask for one in judged for need in one.open] + gate),
            sources=_once([key for fact in facts for key in fact.sources]),
            tool=tool,
            blocked=_once([text for one in judged for text in one.reasons]),
            harm=tuple(dict.fromkeys(one for fact in facts for one in fact.harm)),
            give_up="; ".join(_once([fact.give_up for fact in facts if fact.give_up])),
        )

    def facts(self, step: StepKind, about: Facts | None = None) -> dict[str, Value | None]:
        """Return the facts by which a move is judged.

        Parameters
        ----------
        step : StepKind
            What the move does, in the hazards' words.
        about : mapping of str to value, optional
            What is true of the move itself.

        Returns
        -------
        dict
            What is known, then what the situation shows, then what the move is about; the last said counts.
        """
        return {"in_new_stent": False, **self.known, "step": step, **self._shown, **(about or {})}

    @cached_property
    def _shown(self) -> dict[str, Value | None]:
        rig, hard = self.rig, [_CALCIUM.index(x.calcium) for x in self.on_the_way]
        shown: dict[str, Value | None] = {
            "device_kind": self.device.kind.value,
            "lesion_calcium": _CALCIUM[max(hard)].value if hard else None,
            "buddies_in_place": float(len(rig.buddies)),
            "buddy_in_place": bool(rig.buddies),
            "trapped_in_place": float(rig.trapped is not None),
            "anchor_inflated": rig.anchor is not None,
            "extension_in": rig.extension is not None,
            "extension_depth_mm": rig.extension_depth_mm,
            "seat_mm": rig.seat_mm,
            # An anchor lies over a wire of its own.
            "wires_in_place": 1.0 + len(rig.buddies) + (rig.anchor is not None),
            "lesion_length_mm": self.target_length_mm,
        }
        if any(lesion.dissected for lesion in self.on_the_way):
            shown["dissection_known"] = shown["lesion_dissected"] = True
        if self._long_wire:
            shown["exchange_length_at_hand"] = True
        return shown

    @property
    def _long_wire(self) -> bool:
        """Return whether a wire for an exchange lies in place or on the shelf."""
        wires = [d for d in self.shelf.devices.values() if isinstance(d, Wire)]
        return any(wire.length_cm >= _EXCHANGE_cm for wire in (self.rig.rail, *wires))


def _once(texts: Sequence[str]) -> tuple[str, ...]:
    """Return the texts without repetition, first come first."""
    return tuple(dict.fromkeys(texts))
