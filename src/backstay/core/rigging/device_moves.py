"""Moves that change the lesion or the device: preparation, another device, two shorter stents."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from backstay.core.anatomy.lesion import Lesion
from backstay.core.rigging import move_facts
from backstay.core.rigging.devices import SMALL_BALLOON_MM, Balloon, Burr, Device, OverWireDevice, Stent
from backstay.core.rigging.move_facts import MoveFacts
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rules.gate import HARD
from backstay.identifiers import MoveId, Preparation

# Judgement, no source, for all of these. A burr of up to 0.6 of the artery is from memory; the one study
# whose abstract was read had 0.6 to 0.85 [@burrratio1996].
_BURR_TO_ARTERY = 0.6
_BURR_SPARE_mm = 0.25
_OVERLAP_mm = 2.0
_SAME_SIZE_mm = 0.05
_PROXIMAL_LARGER_BY_mm = 0.5
_LOWER_BY_mm = 0.02
_SOFTER_BY = 0.95
_SHORTER_BY_mm = 2.0


def _preparing_balloon(s: Situation, preparation: Preparation, balloon_type: str) -> Balloon | None:
    """Return the largest balloon of a type up to the distal reference, lower in profile than one pushed."""
    small = preparation == Preparation.SMALL_BALLOON
    largest_mm = min(SMALL_BALLOON_MM, s.reference_diameter_mm) if small else s.reference_diameter_mm
    fitting = [
        b
        for b in s.shelf.devices.values()
        if isinstance(b, Balloon)
        and b.balloon_type == balloon_type
        and b.nominal_diameter_mm <= largest_mm
        and (not isinstance(s.device, Balloon) or b.crossing_diameter_mm < s.device.crossing_diameter_mm)
    ]
    return max(fitting, key=lambda b: b.nominal_diameter_mm, default=None)


def _needing(
    s: Situation, preparation: Preparation, pointless_after: tuple[Preparation, ...]
) -> list[Lesion]:
    """Return the lesions on the way that a preparation would change."""
    done = {preparation, *pointless_after}
    hard_only = preparation in (Preparation.LITHOTRIPSY, Preparation.ATHERECTOMY)
    return [
        lesion
        for lesion in s.on_the_way
        if not done & set(lesion.prepared) and (lesion.calcium in HARD or not hard_only)
    ]


def _prepared(s: Situation, preparation: Preparation, chosen: list[Lesion]) -> tuple[Lesion, ...]:
    """Return all lesions, the chosen ones prepared."""
    return tuple(
        replace(lesion, prepared=(*lesion.prepared, preparation)) if lesion in chosen else lesion
        for lesion in s.lesions
    )


def _prepare_with(tool: Device, lesions: list[Lesion]) -> str:
    """Return what a preparation changes, in words: again only where one of the lesions was prepared before."""
    again = " again" if any(lesion.prepared for lesion in lesions) else ""
    return f"prepare{again}: {tool.name}"


def _by_balloon(
    s: Situation,
    preparation: Preparation,
    balloon_type: str,
    move: MoveId,
    facts: MoveFacts,
    pointless_after: tuple[Preparation, ...] = (),
) -> Iterator[Alternative]:
    """Yield a preparation by balloon, if a lesion on the way has not had it and the shelf has the balloon."""
    lesions = _needing(s, preparation, pointless_after)
    balloon = _preparing_balloon(s, preparation, balloon_type)
    if lesions and balloon is not None:
        dissected = any(lesion.dissected for lesion in lesions)
        yield s.alternative(
            f"prepare_{preparation.value}",
            _prepare_with(balloon, lesions),
            [move],
            [facts],
            lesions=_prepared(s, preparation, lesions),
            cautions=(move_facts.DISSECTED,) if dissected else (),
            tool=balloon,
        )


def plain_balloon(s: Situation) -> Iterator[Alternative]:
    """Yield preparation with a small balloon, then a semi-compliant one, each only before a harder one.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest semi-compliant balloon on the shelf up to 1.5 mm, and up to the distal reference.
    """
    harder = (Preparation.SEMI_COMPLIANT, Preparation.NON_COMPLIANT)
    yield from _by_balloon(
        s, Preparation.SMALL_BALLOON, "semi_compliant", MoveId.PREPARE_AGAIN, move_facts.SMALL_BALLOON, harder
    )
    yield from _by_balloon(
        s,
        Preparation.SEMI_COMPLIANT,
        "semi_compliant",
        MoveId.PREPARE_AGAIN,
        move_facts.PLAIN_BALLOON,
        harder[1:],
    )


def non_compliant_balloon(s: Situation) -> Iterator[Alternative]:
    """Yield preparation with a non-compliant balloon.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest on the shelf up to the distal reference.
    """
    yield from _by_balloon(
        s, Preparation.NON_COMPLIANT, "non_compliant", MoveId.PREPARE_AGAIN, move_facts.NON_COMPLIANT
    )


def scoring_balloon(s: Situation) -> Iterator[Alternative]:
    """Yield preparation with a scoring balloon.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest on the shelf up to the distal reference.
    """
    yield from _by_balloon(s, Preparation.SCORING, "scoring", MoveId.SCORING_BALLOON, move_facts.SCORING)


def lithotripsy(s: Situation) -> Iterator[Alternative]:
    """Yield lithotripsy of calcified lesions.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest balloon on the shelf up to the distal reference; moderate or severe calcium only.
    """
    yield from _by_balloon(
        s, Preparation.LITHOTRIPSY, "lithotripsy", MoveId.LITHOTRIPSY, move_facts.LITHOTRIPSY
    )


def atherectomy(s: Situation) -> Iterator[Alternative]:
    """Yield rotational atherectomy.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest burr up to 0.6 of the distal reference that guide and extension take; only in calcified
        lesions that have not had it. Blocked once a dissection is known, beside another wire or an anchor, and in
        a stent of this case.
    """
    lesions = _needing(s, Preparation.ATHERECTOMY, ())
    if not lesions:
        return
    bore_mm = s.rig.guide.inner_diameter_mm
    if s.rig.extension is not None:
        bore_mm = min(bore_mm, s.rig.extension.inner_diameter_mm, s.rig.extension.collar_inner_diameter_mm)
    burrs = [
        b
        for b in s.shelf.devices.values()
        if isinstance(b, Burr)
        and b.nominal_diameter_mm <= _BURR_TO_ARTERY * s.reference_diameter_mm
        and (b.smallest_guide_bore_mm or b.nominal_diameter_mm + _BURR_SPARE_mm) <= bore_mm
    ]
    if burrs:
        burr = max(burrs, key=lambda b: b.nominal_diameter_mm)
        yield s.alternative(
            f"prepare_{Preparation.ATHERECTOMY.value}",
            _prepare_with(burr, lesions),
            [MoveId.ATHERECTOMY],
            [move_facts.ATHERECTOMY],
            lesions=_prepared(s, Preparation.ATHERECTOMY, lesions),
            tool=burr,
        )


def _suits(s: Situation, other: OverWireDevice) -> bool:
    """Return whether another device of the shelf would do the same job."""
    now = s.device
    if other.id == now.id:
        return False
    if isinstance(now, Stent) and isinstance(other, Stent):
        same_size = abs(other.nominal_diameter_mm - now.nominal_diameter_mm) <= _SAME_SIZE_mm
        return same_size and other.working_mm >= s.target_length_mm
    if isinstance(now, Balloon) and isinstance(other, Balloon):
        return other.balloon_type == now.balloon_type and other.nominal_diameter_mm <= now.nominal_diameter_mm
    return False


def other_device(s: Situation) -> Iterator[Alternative]:
    """Yield another device for the same job: of lower profile, more flexible, or shorter.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        For a stent: the same diameter, long enough for the target. For a balloon: the same type, no larger.
        The one of lowest profile first, then the most flexible, then the shortest, each only if it is better
        than the device by a margin.
    """
    now = s.device
    others = [d for d in s.shelf.devices.values() if isinstance(d, OverWireDevice) and _suits(s, d)]
    lower = [d for d in others if d.crossing_diameter_mm <= now.crossing_diameter_mm - _LOWER_BY_mm]
    softer = [d for d in others if d.working_stiffness_Nmm2 <= _SOFTER_BY * now.working_stiffness_Nmm2]
    shorter = [d for d in others if d.working_mm <= now.working_mm - _SHORTER_BY_mm]
    chosen = [
        *sorted(lower, key=lambda d: d.crossing_diameter_mm)[:1],
        *sorted(softer, key=lambda d: d.working_stiffness_Nmm2)[:1],
        *sorted(shorter, key=lambda d: d.working_mm)[:1],
    ]
    for device in {d.id: d for d in chosen}.values():
        yield s.alternative(
            f"device_{device.id}",
            f"{device.name} instead",
            [MoveId.OTHER_DEVICE],
            [move_facts.OTHER_DEVICE],
            device=device,
        )


def stent_pair(s: Situation) -> tuple[Stent, Stent] | None:
    """Return two shorter stents that cover the target together.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Returns
    -------
    tuple of Stent or None
        Proximal and distal stent, 2 mm of overlap allowed for: the distal one of the device's diameter, the
        proximal one up to 0.5 mm larger, each shorter than the device. Of all such pairs the one whose longer
        stent is shortest, then the one of least length in all.
    """
    now = s.device
    if not isinstance(now, Stent):
        return None
    stents = [d for d in s.shelf.devices.values() if isinstance(d, Stent) and d.working_mm < now.working_mm]
    pairs = [
        (proximal, distal)
        for distal in stents
        for proximal in stents
        if abs(distal.nominal_diameter_mm - now.nominal_diameter_mm) <= _SAME_SIZE_mm
        and -_SAME_SIZE_mm <= proximal.nominal_diameter_mm - now.nominal_diameter_mm <= _PROXIMAL_LARGER_BY_mm
        and proximal.working_mm + distal.working_mm >= s.target_length_mm + _OVERLAP_mm
    ]
    return min(
        pairs,
        key=lambda pair: (
            max(pair[0].working_mm, pair[1].working_mm),
            pair[0].working_mm + pair[1].working_mm,
            pair[1].working_mm,
            pair[0].nominal_diameter_mm,
        ),
        default=None,
    )


def two_shorter_stents(s: Situation) -> Iterator[Alternative]:
    """Yield two shorter stents in place of one, the distal one being the device that is pushed.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Where the shelf has such a pair.
    """
    pair = stent_pair(s)
    if pair is not None:
        proximal, distal = pair
        yield s.alternative(
            f"two_stents_{distal.id}_{proximal.id}",
            f"two shorter stents: {distal.name} first, then {proximal.name}",
            [MoveId.TWO_SHORTER_STENTS],
            [move_facts.TWO_SHORTER_STENTS],
            device=distal,
        )


def drug_coated_balloon(s: Situation) -> Iterator[Alternative]:
    """Yield a drug-coated balloon in place of a stent.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The largest on the shelf up to the distal reference that covers the target.
    """
    fitting = [
        b
        for b in s.shelf.devices.values()
        if isinstance(b, Balloon)
        and b.balloon_type == "drug_coated"
        and b.nominal_diameter_mm <= s.reference_diameter_mm
        and b.working_mm >= s.target_length_mm
    ]
    if fitting and isinstance(s.device, Stent):
        balloon = max(fitting, key=lambda b: (b.nominal_diameter_mm, -b.working_mm))
        yield s.alternative(
            f"drug_{balloon.id}",
            f"{balloon.name} instead of a stent",
            [MoveId.DRUG_COATED_BALLOON],
            [move_facts.DRUG_COATED_BALLOON],
            device=balloon,
        )
