"""What is in the body and what is known of a case at one moment."""

from __future__ import annotations

from dataclasses import dataclass

from backstay.identifiers import LASTING, BodyItem, Complication, Drug, Preparation

SUFFICE_ALONE = frozenset({Drug.BIVALIRUDIN, Drug.ENOXAPARIN})
"""Besides heparin; fondaparinux does not [@nsteacs2014]."""


@dataclass(frozen=True)
class Inside:
    """One thing in the body.

    Attributes
    ----------
    device : str
        Its id.
    item : BodyItem
        What it is.
    since_s : float
        When it went in.
    role : str
        rail, buddy or branch, for a wire.
    branch : str
        Where it lies, if not in the main vessel.
    from_mm, to_mm : float or None
        The stretch it holds, for a stent, an anchor or a trapped wire.
    presumed_out : bool
        Nothing says it came out, and yet it must have.
    unplanned : bool
        A wire that a stent trapped without anyone saying so.
    tip : str or None
        Where the tip of a wire was last seen.
    """

    device: str
    item: BodyItem
    since_s: float
    role: str = ""
    branch: str = ""
    from_mm: float | None = None
    to_mm: float | None = None
    presumed_out: bool = False
    unplanned: bool = False
    tip: str | None = None

    @property
    def stays(self) -> bool:
        """Return whether it is meant to stay."""
        return self.item is BodyItem.STENT

    def overlaps(self, from_mm: float, to_mm: float) -> bool:
        """Return whether its stretch meets another."""
        return (
            self.from_mm is not None
            and self.to_mm is not None
            and self.from_mm < to_mm
            and from_mm < self.to_mm
        )


@dataclass(frozen=True)
class Opening:
    """A balloon seen to open fully in two views.

    Attributes
    ----------
    device : str
        Its id.
    from_mm, to_mm : float
        Where it lay.
    """

    device: str
    from_mm: float
    to_mm: float


@dataclass(frozen=True, kw_only=True)
class Now:
    """Where a case stands; None where the record does not say.

    Attributes
    ----------
    inside : tuple of Inside
        What is in the body.
    seat_mm, extension_depth_mm, side_holes, pressure_damped, wire_tip
        Guide, extension, pressure at the tip (damped until seen to be fine; a good curve holds for the place it was seen at),
        the rail's tip as last seen.
    dissection : bool
        One is known, over or not.
    not_over : frozenset of Complication
        What went wrong and is not recorded as over.
    lost : tuple of (Complication, float)
        What came off or broke and is not recorded as over, each with the place it was lost at [mm].
    narrowings_mm : tuple of float
        Narrowings that were not there before.
    opened_fully : bool or None
        Of the last balloon that prepared the vessel, in two views; whether one was large enough and lay in the lesion,
        `Setting.opened_fully` says. What was done in a branch does not count.
    opened_by : tuple of Opening
        The balloons that opened so since one did not.
    prepared : tuple of Preparation
        What was done to the lesion besides balloons.
    contrast_mL, air_kerma_mGy, kap_Gycm2, fluoroscopy_min, skin_mGy, heparin_U
        Used; the peak of the dose to the skin is known from a dose report only.
    reset_kerma_mGy, reset_kap_Gycm2, reset_fluoroscopy_min : float
        What was used when the dose display was last set back to zero: what it shows since adds to that.
    act_s, act_at_s, act_site, heparin_at_s, act_is_old
        The last value, when, where from; when heparin was last given; it was given after that value.
    acts_s : tuple of float
        Every value so far.
    reversed : bool
        Protamine was given since the last heparin.
    drugs : frozenset of Drug
        Given.
    exchanged : bool
        Something that lets air in was exchanged since the last flush.
    blocked_at_s, blocked_by : float or None, str
        Since when a balloon has blocked the flow, and which.
    limited_by : str or None
        What stopped the last attempt.
    hard_failures : int
        Attempts that failed at all the push that was safe.
    started_s, last_s : float or None
        First and last entry.
    ended, counted : bool
        The end was logged; the count at it was agreed.
    """

    inside: tuple[Inside, ...] = ()
    seat_mm: float = 0.0
    extension_depth_mm: float | None = None
    side_holes: bool | None = None
    pressure_damped: bool | None = None
    wire_tip: str | None = None
    dissection: bool = False
    not_over: frozenset[Complication] = frozenset()
    lost: tuple[tuple[Complication, float], ...] = ()
    narrowings_mm: tuple[float, ...] = ()
    opened_fully: bool | None = None
    opened_by: tuple[Opening, ...] = ()
    prepared: tuple[Preparation, ...] = ()
    contrast_mL: float = 0.0
    air_kerma_mGy: float | None = None
    kap_Gycm2: float | None = None
    fluoroscopy_min: float | None = None
    skin_mGy: float | None = None
    reset_kerma_mGy: float = 0.0
    reset_kap_Gycm2: float = 0.0
    reset_fluoroscopy_min: float = 0.0
    heparin_U: float = 0.0
    act_s: float | None = None
    act_at_s: float | None = None
    act_site: str | None = None
    heparin_at_s: float | None = None
    act_is_old: bool = False
    acts_s: tuple[float, ...] = ()
    reversed: bool = False
    drugs: frozenset[Drug] = frozenset()
    exchanged: bool = False
    blocked_at_s: float | None = None
    blocked_by: str = ""
    limited_by: str | None = None
    hard_failures: int = 0
    started_s: float | None = None
    last_s: float | None = None
    ended: bool = False
    counted: bool = False

    def of(self, *items: BodyItem) -> tuple[Inside, ...]:
        """Return what is inside of these kinds, what is presumed out left aside."""
        return tuple(one for one in self.inside if one.item in items and not one.presumed_out)

    def wires(self, *roles: str) -> tuple[Inside, ...]:
        """Return the free wires of these roles."""
        return tuple(one for one in self.of(BodyItem.WIRE) if one.role in roles)

    @property
    def to_come_out(self) -> tuple[Inside, ...]:
        """Return what must come out and is not recorded as out."""
        return tuple(one for one in self.inside if not one.stays and not one.presumed_out)

    @property
    def to_be_counted(self) -> tuple[Inside, ...]:
        """Return what no record says came out, and yet it must have."""
        return tuple(one for one in self.inside if not one.stays and one.presumed_out)

    def still_lost(
        self, found: frozenset[Complication], at_mm: float | None
    ) -> tuple[tuple[Complication, float], ...]:
        """Return what is lost once one of a kind is found: not the nearest to the place said, none of the kind without one."""
        mine = sorted((x for x in self.lost if x[0] in found), key=lambda x: abs(x[1] - (at_mm or 0.0)))
        gone = mine if at_mm is None else mine[:1]
        return tuple(x for x in self.lost if x not in gone)

    @property
    def unsettled(self) -> frozenset[Complication]:
        """Return what went wrong, lasts of itself and is not recorded as over: no case ends before."""
        return self.not_over & LASTING

    @property
    def perforation(self) -> bool:
        """Return whether a perforation is known and not sealed by the record."""
        return Complication.PERFORATION in self.not_over

    @property
    def bleeds(self) -> bool:
        """Return whether a leak or its tamponade is known and not over by the record."""
        return not self.unsettled.isdisjoint({Complication.PERFORATION, Complication.TAMPONADE})

    @property
    def heparinised(self) -> bool:
        """Return whether heparin was given, and no protamine since."""
        return self.heparin_U > 0.0 and not self.reversed

    @property
    def anticoagulated(self) -> bool:
        """Return whether an agent that suffices alone was given and not reversed; only heparin is ever wholly reversed."""
        return self.heparinised or not self.drugs.isdisjoint(SUFFICE_ALONE)
