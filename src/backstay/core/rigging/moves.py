"""What a move costs, what must be true first and what to beware of; and the situation it is made in.

Minutes, contrast and air kerma are what setting the move up takes, not what the device's own try takes. They
are judged and marked so. The cautions do not replace the instructions for use of a device, local protocols
or the operator's judgement.

Sources of the cautions: [@klaudel2024; @waterbury2016; @anchorbench2020; @kumar2023; @pan2016; @prabhu2012].
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from backstay.core.anatomy.lesion import Branch, Lesion
from backstay.core.anatomy.path import LumenPath
from backstay.core.rigging.devices import Device, OverWireDevice, Shelf, Stent
from backstay.core.rigging.rig import Rig
from backstay.errors import InputError
from backstay.identifiers import Calcium, Evidence, MoveId

HARD = (Calcium.MODERATE, Calcium.SEVERE)
_OPENED_FULLY = (
    "calcified: a balloon sized to the distal reference has opened fully in two views before any stent goes"
    " (common practice, no source)"
)
_REFERENCE_SPAN_mm = 5.0


@dataclass(frozen=True)
class MoveFacts:
    """What is said of a move, and what setting it up takes.

    Attributes
    ----------
    minutes, contrast_mL, air_kerma_mGy : float
        Cost of setting it up; judgement, no source.
    conditions : tuple of str
        What must be true before it is tried.
    cautions : tuple of str
        What to beware of, in the trade's words; a source key in brackets where there is one.
    sources : tuple of str
        Those keys.
    """

    minutes: float
    contrast_mL: float
    air_kerma_mGy: float
    conditions: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


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
        What to beware of; what must be true first.
    sources : tuple of str
        Keys of the sources the cautions name.
    tool : Device or None
        What sets it up and must itself get there, where that is a device of its own.
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
    """

    rig: Rig
    device: OverWireDevice
    shelf: Shelf
    path: LumenPath
    lesions: tuple[Lesion, ...]
    branches: tuple[Branch, ...]
    target_from_mm: float
    target_to_mm: float

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

    @property
    def on_the_way(self) -> tuple[Lesion, ...]:
        """Return the lesions the device passes or treats, from the ostium on."""
        crossed = [lesion for lesion in self.lesions if lesion.from_mm < self.target_to_mm]
        return tuple(sorted(crossed, key=lambda lesion: lesion.from_mm))

    @property
    def lesion_start_mm(self) -> float:
        """Return where disease begins that the target covers [mm], at most the target's start."""
        inside = [lesion.from_mm for lesion in self.on_the_way if lesion.to_mm > self.target_from_mm]
        return min([*inside, self.target_from_mm])

    @property
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
    ) -> Alternative:
        """Return the alternative that a move makes of this situation; what is not named stays as it is."""
        device = device or self.device
        conditions = [text for fact in facts for text in fact.conditions]
        if isinstance(device, Stent) and any(
            lesion.calcium in HARD and lesion.to_mm > self.target_from_mm for lesion in self.on_the_way
        ):
            conditions.append(_OPENED_FULLY)
        return Alternative(
            id=name,
            change=change,
            moves=tuple(moves),
            rig=rig or self.rig,
            device=device,
            lesions=self.lesions if lesions is None else lesions,
            minutes=sum(fact.minutes for fact in facts),
            contrast_mL=sum(fact.contrast_mL for fact in facts),
            air_kerma_mGy=sum(fact.air_kerma_mGy for fact in facts),
            cost_source=Evidence.JUDGEMENT.value,
            cautions=_once([text for fact in facts for text in fact.cautions] + list(cautions)),
            conditions=_once(conditions),
            sources=_once([key for fact in facts for key in fact.sources]),
            tool=tool,
        )


def _once(texts: Sequence[str]) -> tuple[str, ...]:
    """Return the texts without repetition, first come first."""
    return tuple(dict.fromkeys(texts))


DISSECTED = "a dissection is known: keep the wire where it is, go gently, inject little"

AS_IT_IS = MoveFacts(0.0, 0.0, 0.0)

SMALL_BALLOON = MoveFacts(
    4.0, 6.0, 40.0, ("the balloon itself must cross",), ("inflate slowly; take it out deflated and straight",)
)

PLAIN_BALLOON = MoveFacts(
    4.0,
    6.0,
    40.0,
    ("the balloon itself must cross", "not larger than the distal reference"),
    ("may dissect; look in two views afterwards",),
)

NON_COMPLIANT = MoveFacts(
    5.0,
    8.0,
    50.0,
    (
        "the balloon itself must cross",
        "not larger than the distal reference",
        "below its rated burst pressure",
    ),
    ("may dissect or perforate at high pressure; look in two views afterwards",),
)

SCORING = MoveFacts(
    6.0,
    10.0,
    60.0,
    (
        "the balloon itself must cross: stiffer and bulkier than a plain one",
        "not larger than the distal reference",
    ),
    ("may dissect or perforate; inflate and deflate slowly",),
)

LITHOTRIPSY = MoveFacts(
    9.0,
    12.0,
    90.0,
    ("the balloon itself must cross: bulky", "calcium all round or nearly so on imaging"),
    ("pulses may capture the heartbeat; the inflated balloon stops the flow",),
)

ATHERECTOMY = MoveFacts(
    20.0,
    20.0,
    200.0,
    (
        "no dissection: look again before the burr goes (common practice, no source)",
        "its own wire beyond the lesion, and no other wire beside it",
    ),
    (
        "slow flow, perforation, a stuck burr: only with the means to treat them at hand",
        "burr to artery up to 0.6 (from memory)",
    ),
)

SEAT_DEEPER = MoveFacts(
    1.0,
    3.0,
    15.0,
    ("coaxial, over a wire or balloon shaft, under the eye", "pressure not damped"),
    (
        "deep intubation is a main trigger of catheter-caused dissection (klaudel2024)",
        "draw the guide back as soon as the device has passed",
    ),
    ("klaudel2024",),
)

EXTENSION = MoveFacts(
    5.0,
    8.0,
    50.0,
    (
        "it goes over a balloon or an anchor, not bare, past bends",
        "pressure not damped; flush before each injection",
    ),
    (
        "its edge may dissect (3.3 %) or deform a stent at the mouth or collar (2.2 %) (waterbury2016)",
        "inject gently with the tip wedged; the vessel beyond may be short of flow",
    ),
    ("waterbury2016",),
)

STIFFER_RAIL = MoveFacts(
    6.0,
    4.0,
    50.0,
    ("exchange over a microcatheter: it must cross, and the rail's tip must stay in sight",),
    (
        "a stiff wire straightens bends and may mimic narrowings or slow the flow while it lies there",
        "keep its tip away from small branches: wire exits are a leading cause of perforation",
    ),
)

BUDDY_WIRE = MoveFacts(
    4.0,
    4.0,
    35.0,
    ("the second wire crosses beside the first without winding round it",),
    (
        "two wires may wrap: take the buddy out if the device drags it along",
        "never open a stent over it by accident",
    ),
)

SIDE_BRANCH_ANCHOR = MoveFacts(
    8.0,
    8.0,
    80.0,
    (
        "branch wired; balloon no larger than the branch",
        "inflated softly, and let down as soon as the device has passed",
    ),
    (
        "the branch may be injured or shut; ischaemia while it is inflated",
        "pressure and length hold, a larger label does not (anchorbench2020)",
    ),
    ("anchorbench2020",),
)

TRAPPED_WIRE = MoveFacts(
    7.0,
    10.0,
    70.0,
    (
        "the proximal stent is wanted anyway and must itself reach its place",
        "only the floppy end lies behind it",
        "no high-pressure inflation over the wire",
    ),
    (
        "take it out with the guide disengaged and watched; stop if the guide dives in or the stent moves",
        "a trapped buddy wire has pulled a stent out (kumar2023)",
        "the longer the trapped length, the more wires are damaged (pan2016)",
        "the last stent must pass through the one just placed",
    ),
    ("kumar2023", "pan2016"),
)

OTHER_GUIDE = MoveFacts(
    15.0,
    15.0,
    120.0,
    ("everything but the rail comes out first", "a long wire or an extension piece to hold the place"),
    ("changing guides late risks losing the wire's place (common practice, no source)",),
)

OTHER_DEVICE = MoveFacts(2.0, 0.0, 0.0, ("the size still suits the vessel",))

TWO_SHORTER_STENTS = MoveFacts(
    8.0,
    12.0,
    80.0,
    ("the distal one first", "overlap of about 2 mm"),
    (
        "two layers of metal in the overlap; the second must pass close by the first",
        "a catheter's tip caught on a fresh stent loads it with half a newton (prabhu2012)",
    ),
    ("prabhu2012",),
)
