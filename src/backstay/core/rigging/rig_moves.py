"""Moves that change the rig: extension, wires, anchor, trapped wire.

Each yields what the shelf and the anatomy allow, best first; what must be true first stands in `needs`. Whether
everything passes at every cross-section is the fit's question; here only what cannot go is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from backstay.core.anatomy.lesion import Branch
from backstay.core.rigging import move_facts
from backstay.core.rigging.device_moves import stent_pair
from backstay.core.rigging.devices import Balloon, Extension, Microcatheter, Stent, Wire
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Anchor, TrappedWire
from backstay.core.rules import Value
from backstay.identifiers import MoveId

# Judgement, no source, for all of these.
_SHORT_OF_LESION_mm = 3.0
_DEPTHS_mm = (10.0, 20.0, 30.0, 45.0)
_APART_mm = 5.0
_TUBE_IN_GUIDE_mm = 50.0
_DEVICE_SPARE_mm = 0.05
_STIFFER_BY = 1.3
_HEAVY_TIP_N = 0.02
_SMALLEST_ANCHOR_BRANCH_mm = 1.5
_ANCHOR_SIZES = (0.9, 1.15)
_ANCHOR_atm = 6.0
_LONG_LESION_mm = 30.0
_TIP_mm = 10.0  # a wire's very end, soft like what follows it


def _extension_at_hand(s: Situation) -> Extension | None:
    """Return the extension in place, else the widest on the shelf between guide and device."""
    if s.rig.extension is not None:
        return s.rig.extension
    through_mm = s.device.crossing_diameter_mm + _DEVICE_SPARE_mm
    fitting = [
        e
        for e in s.shelf.devices.values()
        if isinstance(e, Extension)
        and e.for_guide_fr <= s.rig.guide.size_fr
        and min(e.inner_diameter_mm, e.collar_inner_diameter_mm) >= through_mm
    ]
    return max(fitting, key=lambda e: e.inner_diameter_mm, default=None)


def extension_depths_mm(s: Situation) -> tuple[float, ...]:
    """Return the depths to which an extension can sensibly go.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Returns
    -------
    tuple of float
        Of 10, 20, 30, 45 mm and 3 mm short of the lesion [mm], those deeper than what is in place and 5 mm
        apart, with the tube's outside inside the lumen all the way, 50 mm of tube left in the guide, and
        short of a branch that holds an anchor.
    """
    extension = _extension_at_hand(s)
    if extension is None:
        return ()
    last_mm = [s.lesion_start_mm - _SHORT_OF_LESION_mm, extension.tube_length_mm - _TUBE_IN_GUIDE_mm]
    last_mm += [s.rig.anchor.at_mm - _SHORT_OF_LESION_mm] if s.rig.anchor is not None else []
    in_place_mm = s.rig.extension_depth_mm if s.rig.extension is not None else 0.0
    first_mm = max(s.rig.seat_mm, in_place_mm) + _APART_mm
    found: list[float] = []
    for depth_mm in sorted({*_DEPTHS_mm, float(int(max(s.lesion_start_mm - _SHORT_OF_LESION_mm, 0.0)))}):
        if first_mm <= depth_mm <= min(last_mm) and extension.outer_diameter_mm <= s.narrowest_mm(depth_mm):
            if not found or depth_mm - found[-1] >= _APART_mm:
                found.append(depth_mm)
    return tuple(found)


def extend(s: Situation) -> Iterator[Alternative]:
    """Yield a guide extension at each sensible depth: up to 30 mm first, then the deepest, then the others.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        One for each of `extension_depths_mm`.
    """
    extension = _extension_at_hand(s)
    if extension is None:
        return
    depths_mm = extension_depths_mm(s)
    first = [d for d in (_working_depth_mm(depths_mm), max(depths_mm, default=None)) if d is not None]
    for depth_mm in dict.fromkeys([*first, *depths_mm]):
        yield s.alternative(
            f"extension_{depth_mm:.0f}mm",
            f"{extension.name} to {depth_mm:.0f} mm",
            [MoveId.EXTENSION],
            [move_facts.EXTENSION],
            rig=s.rig.with_extension(extension, depth_mm),
            tool=extension,
        )


def extend_over_balloon(s: Situation) -> Iterator[Alternative]:
    """Yield the same extension tracked over a balloon, which rounds the step at its mouth.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        At the depths of `extend`, with a balloon on the shelf that goes through the extension.
    """
    for plain in extend(s):
        extension = plain.rig.extension
        assert extension is not None
        balloons = [
            b
            for b in s.shelf.devices.values()
            if isinstance(b, Balloon)
            and b.balloon_type == "semi_compliant"
            and b.crossing_diameter_mm < extension.inner_diameter_mm
            and b.nominal_diameter_mm >= extension.inner_diameter_mm
        ]
        balloon = min(balloons, key=lambda b: b.nominal_diameter_mm, default=None)
        if balloon is not None:
            yield s.alternative(
                f"{plain.id}_over_balloon",
                f"{plain.change}, over a balloon of {balloon.nominal_diameter_mm:g} mm",
                [MoveId.EXTENSION_OVER_BALLOON],
                [move_facts.EXTENSION_OVER_BALLOON],
                rig=plain.rig,
                tool=extension,
            )


def _working_depth_mm(depths_mm: tuple[float, ...]) -> float | None:
    """Return the depth for a combination: the deepest up to 30 mm, else the shallowest."""
    return max((d for d in depths_mm if d <= 30.0), default=min(depths_mm, default=None))


def _stiffer_wires(s: Situation) -> list[Wire]:
    """Return the wires on the shelf that are stiffer than the rail by 1.3, softest first."""
    least_Nmm2 = _STIFFER_BY * s.rig.rail.core_stiffness_Nmm2
    wires = [
        w for w in s.shelf.devices.values() if isinstance(w, Wire) and w.core_stiffness_Nmm2 >= least_Nmm2
    ]
    return sorted(wires, key=lambda w: w.core_stiffness_Nmm2)


def _tip_caution(wire: Wire) -> tuple[str, ...]:
    """Return the caution for a wire that pierces."""
    if wire.tip_load_N < _HEAVY_TIP_N:
        return ()
    return (f"{wire.name}: a heavy tip pierces more easily; keep it in the main vessel",)


def stiffer_rail(s: Situation) -> Iterator[Alternative]:
    """Yield the rail exchanged for each stiffer wire on the shelf.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Only with a microcatheter on the shelf to exchange over.
    """
    if not any(isinstance(d, Microcatheter) for d in s.shelf.devices.values()):
        return
    for wire in _stiffer_wires(s):
        yield s.alternative(
            f"rail_{wire.id}",
            f"exchange the rail for {wire.name} over a microcatheter",
            [MoveId.STIFFER_RAIL],
            [move_facts.STIFFER_RAIL],
            rig=replace(s.rig, rail=wire),
            cautions=_tip_caution(wire),
        )


def _room_beside_mm(s: Situation, *, extension: Extension | None) -> float:
    """Return the width left beside the device in the narrowest tube it goes through [mm]."""
    tube_mm = s.rig.guide.inner_diameter_mm
    if extension is not None:
        tube_mm = min(tube_mm, extension.inner_diameter_mm, extension.collar_inner_diameter_mm)
    return tube_mm - s.device.crossing_diameter_mm


def _buddy_choices(s: Situation) -> list[Wire]:
    """Return what to lay as a buddy: a wire like the rail, and the stiffest on the shelf."""
    wires = [w for w in s.shelf.devices.values() if isinstance(w, Wire)]
    like = sorted(wires, key=lambda w: abs(w.core_stiffness_Nmm2 - s.rig.rail.core_stiffness_Nmm2))[:1]
    stiffest = sorted(wires, key=lambda w: -w.core_stiffness_Nmm2)[:1]
    return list({w.id: w for w in [*like, *stiffest]}.values())


def buddy_wire(s: Situation) -> Iterator[Alternative]:
    """Yield a buddy wire beside the rail, then two at once; or a second one where one lies already.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Only with fewer than two buddies in place, and room for the wire beside the device.
    """
    if len(s.rig.buddies) >= 2:
        return
    room_mm = _room_beside_mm(s, extension=s.rig.extension)
    wires = [w for w in _buddy_choices(s) if w.diameter_mm <= room_mm]
    second = len(s.rig.buddies) == 1
    for wire in wires:
        yield s.alternative(
            f"second_buddy_{wire.id}" if second else f"buddy_{wire.id}",
            f"{'second buddy' if second else 'buddy'} wire: {wire.name}",
            [MoveId.SECOND_BUDDY_WIRE if second else MoveId.BUDDY_WIRE],
            [move_facts.BUDDY_WIRE],
            rig=s.rig.with_buddy(wire),
            cautions=_tip_caution(wire),
        )
    for wire in wires[:1] if not second else []:
        yield s.alternative(
            f"two_buddies_{wire.id}",
            f"two buddy wires: {wire.name}",
            [MoveId.BUDDY_WIRE, MoveId.SECOND_BUDDY_WIRE],
            [move_facts.BUDDY_WIRE, move_facts.BUDDY_WIRE],
            rig=s.rig.with_buddy(wire).with_buddy(wire),
            cautions=_tip_caution(wire),
        )


def with_extension(s: Situation) -> Iterator[Alternative]:
    """Yield a stiffer rail, and a buddy wire, together with an extension.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        The stiffest rail with the extension, then a buddy with it, as far as each is possible alone and
        there is room.
    """
    depth_mm = _working_depth_mm(extension_depths_mm(s))
    extension = _extension_at_hand(s)
    if depth_mm is None or extension is None:
        return
    buddies = [
        b for b in buddy_wire(s) if b.rig.buddies[-1].diameter_mm <= _room_beside_mm(s, extension=extension)
    ]
    for single in [*list(stiffer_rail(s))[-1:], *buddies[:1]]:
        facts = move_facts.STIFFER_RAIL if MoveId.STIFFER_RAIL in single.moves else move_facts.BUDDY_WIRE
        yield s.alternative(
            f"{single.id}_extension_{depth_mm:.0f}mm",
            f"{single.change}, and {extension.name} to {depth_mm:.0f} mm",
            [*single.moves, MoveId.EXTENSION],
            [facts, move_facts.EXTENSION],
            rig=single.rig.with_extension(extension, depth_mm),
            cautions=single.cautions,
        )


def side_branch_anchor(s: Situation) -> Iterator[Alternative]:
    """Yield an anchor balloon in each branch that can hold one, the largest first.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Branches of 1.5 mm or more, proximal to the lesion and beyond guide and extension, with a balloon of
        the branch's size on the shelf and room for its shaft; none where an anchor is in place.
    """
    if s.rig.anchor is not None:
        return
    covered_mm = max(s.rig.seat_mm, s.rig.extension_depth_mm if s.rig.extension is not None else 0.0)
    for branch in sorted(s.branches, key=lambda b: (-b.diameter_mm, b.at_mm)):
        balloon = _anchor_balloon(s, branch)
        open_to_it = covered_mm < branch.at_mm < s.lesion_start_mm
        if balloon is None or not open_to_it or branch.diameter_mm < _SMALLEST_ANCHOR_BRANCH_mm:
            continue
        pressure_atm = min(_ANCHOR_atm, balloon.nominal_atm)
        anchor = Anchor(balloon, branch.name, branch.at_mm, branch.diameter_mm, pressure_atm)
        yield s.alternative(
            f"anchor_{_word(branch.name)}",
            f"anchor balloon in {branch.name}: {balloon.name} at {pressure_atm:.0f} atm",
            [MoveId.SIDE_BRANCH_ANCHOR],
            [move_facts.SIDE_BRANCH_ANCHOR],
            rig=replace(s.rig, anchor=anchor),
            tool=balloon,
        )


def _word(name: str) -> str:
    """Return a user's name as one plain word for an id."""
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_") or "branch"


def _anchor_balloon(s: Situation, branch: Branch) -> Balloon | None:
    """Return the semi-compliant balloon nearest to the branch's size whose shaft has room in the guide."""
    room_mm = _room_beside_mm(s, extension=None)
    fitting = [
        b
        for b in s.shelf.devices.values()
        if isinstance(b, Balloon)
        and b.balloon_type == "semi_compliant"
        and _ANCHOR_SIZES[0] <= b.nominal_diameter_mm / branch.diameter_mm <= _ANCHOR_SIZES[1]
        and b.shaft_diameter_mm <= room_mm
    ]
    off = {b.id: abs(b.nominal_diameter_mm - branch.diameter_mm) for b in fitting}
    return min(fitting, key=lambda b: (off[b.id], b.nominal_diameter_mm), default=None)


def trapped_wire(s: Situation) -> Iterator[Alternative]:
    """Yield the buddy wire trapped behind a proximal stent.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Only with a buddy in place, a stent to deliver, and a proximal stent wanted anyway: a lesion of 30 mm
        or more that two stents from the shelf cover, or another lesion proximal to the target. Blocked where the
        trapped stretch is longer than the wire's floppy end.
    """
    if not s.rig.buddies or s.rig.trapped is not None or not isinstance(s.device, Stent):
        return
    wire = min(s.rig.buddies, key=lambda w: w.coating != "polymer_jacket")
    plan = _proximal_stent(s, s.device)
    if plan is None:
        return
    stent, from_mm, device = plan
    rest = list(s.rig.buddies)
    rest.remove(wire)
    trapped = TrappedWire(wire, from_mm, from_mm + stent.working_mm)
    yield s.alternative(
        f"trapped_{wire.id}",
        f"trap {wire.name} behind a proximal {stent.name}, then {device.name} beyond it",
        [MoveId.TRAPPED_WIRE],
        [move_facts.TRAPPED_WIRE],
        rig=replace(s.rig, buddies=tuple(rest), trapped=trapped),
        device=device,
        tool=stent,
        about=trap_facts(s),
    )


def trap_facts(s: Situation) -> dict[str, Value | None]:
    """Return what is true of trapping a wire here.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Returns
    -------
    dict
        Facts of the rules that speak of it.
    """
    plan = _proximal_stent(s, s.device) if isinstance(s.device, Stent) else None
    facts: dict[str, Value | None] = {"proximal_stent_wanted": plan is not None, "wires_to_trap": 1.0}
    if plan is not None and s.rig.buddies:
        wire = min(s.rig.buddies, key=lambda w: w.coating != "polymer_jacket")
        facts["trapped_length_mm"] = plan[0].working_mm
        facts["trapped_soft_mm"] = _TIP_mm + wire.floppy_mm
    return facts


def _proximal_stent(s: Situation, device: Stent) -> tuple[Stent, float, Stent] | None:
    """Return the proximal stent, where it starts [mm], and the stent then pushed beyond it."""
    if s.target_length_mm >= _LONG_LESION_mm:
        pair = stent_pair(s)
        if pair is not None:
            return pair[0], s.target_from_mm, pair[1]
    before = [lesion for lesion in s.on_the_way if lesion.to_mm <= s.target_from_mm]
    for lesion in reversed(before):
        covering = [
            d
            for d in s.shelf.devices.values()
            if isinstance(d, Stent)
            and d.nominal_diameter_mm >= device.nominal_diameter_mm
            and lesion.length_mm <= d.working_mm <= s.target_from_mm - lesion.from_mm
        ]
        if covering:
            return (
                min(covering, key=lambda d: (d.working_mm, d.nominal_diameter_mm)),
                lesion.from_mm,
                device,
            )
    return None


def take_out_wrapped_wire(s: Situation) -> Iterator[Alternative]:
    """Yield the rig without the buddy laid last.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Where a buddy lies.
    """
    if s.rig.buddies:
        wire = s.rig.buddies[-1]
        yield s.alternative(
            f"without_{wire.id}",
            f"take the wrapped wire out: {wire.name}",
            [MoveId.TAKE_OUT_WRAPPED_WIRE],
            [move_facts.TAKE_OUT_WRAPPED_WIRE],
            rig=replace(s.rig, buddies=s.rig.buddies[:-1]),
        )
