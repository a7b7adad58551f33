"""Moves that change the rig: seat, extension, wires, anchor, trapped wire, guide.

Each yields what the shelf and the anatomy allow, best first, and nothing where a precondition fails. Whether
everything passes at every cross-section is the fit's question; here only what cannot go is left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace

from backstay.core.anatomy.lesion import Branch
from backstay.core.mechanics.backup import guide_hold_ratio
from backstay.core.rigging import moves
from backstay.core.rigging.device_moves import stent_pair
from backstay.core.rigging.devices import Balloon, Extension, Guide, Microcatheter, Stent, Wire
from backstay.core.rigging.moves import Alternative, Situation
from backstay.core.rigging.rig import Anchor, TrappedWire
from backstay.identifiers import GuideShape, MoveId
from backstay.units import french_to_mm

# Judgement, no source, for all of these.
_SEAT_STEPS_mm = (5.0, 10.0)
_DEEPEST_SEAT_mm = 15.0
_SEAT_SPARE_mm = 0.2
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
_MORE_SUPPORT_BY = 1.1
_GUIDES_COMPARED_FR = (5.0, 8.0)

_LEFT = frozenset({GuideShape.STANDARD_LEFT, GuideShape.EXTRA_BACKUP_LEFT})
_RIGHT = frozenset({GuideShape.STANDARD_RIGHT, GuideShape.AMPLATZ_RIGHT})


def seat_deeper(s: Situation) -> Iterator[Alternative]:
    """Yield the guide seated 5 and 10 mm deeper.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Only as far as the guide goes into the lumen with 0.2 mm to spare, short of any lesion, branch in use
        or trapped wire, and no deeper than 15 mm in all.
    """
    diseased_mm = min((lesion.from_mm for lesion in s.lesions), default=s.path.length_mm)
    in_use_mm = [diseased_mm, s.target_from_mm]
    in_use_mm += [s.rig.anchor.at_mm] if s.rig.anchor is not None else []
    in_use_mm += [s.rig.trapped.from_mm] if s.rig.trapped is not None else []
    for step_mm in _SEAT_STEPS_mm:
        seat_mm = s.rig.seat_mm + step_mm
        passes = french_to_mm(s.rig.guide.size_fr) + _SEAT_SPARE_mm <= s.narrowest_mm(seat_mm)
        if passes and seat_mm <= _DEEPEST_SEAT_mm and seat_mm + _APART_mm <= min(in_use_mm):
            yield s.alternative(
                f"seat_{seat_mm:.0f}mm",
                f"seat the guide {seat_mm:.0f} mm deep",
                [MoveId.SEAT_DEEPER],
                [moves.SEAT_DEEPER],
                rig=replace(s.rig, seat_mm=seat_mm),
            )


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
            [moves.EXTENSION],
            rig=s.rig.with_extension(extension, depth_mm),
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
            [moves.STIFFER_RAIL],
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
            [moves.BUDDY_WIRE],
            rig=s.rig.with_buddy(wire),
            cautions=_tip_caution(wire),
        )
    for wire in wires[:1] if not second else []:
        yield s.alternative(
            f"two_buddies_{wire.id}",
            f"two buddy wires: {wire.name}",
            [MoveId.BUDDY_WIRE, MoveId.SECOND_BUDDY_WIRE],
            [moves.BUDDY_WIRE, moves.BUDDY_WIRE],
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
        facts = moves.STIFFER_RAIL if MoveId.STIFFER_RAIL in single.moves else moves.BUDDY_WIRE
        yield s.alternative(
            f"{single.id}_extension_{depth_mm:.0f}mm",
            f"{single.change}, and {extension.name} to {depth_mm:.0f} mm",
            [*single.moves, MoveId.EXTENSION],
            [facts, moves.EXTENSION],
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
            [moves.SIDE_BRANCH_ANCHOR],
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
        or more that two stents from the shelf cover, or another lesion proximal to the target; the trapped
        stretch no longer than the wire's floppy end.
    """
    if not s.rig.buddies or s.rig.trapped is not None or not isinstance(s.device, Stent):
        return
    wire = min(s.rig.buddies, key=lambda w: w.coating != "polymer_jacket")
    plan = _proximal_stent(s, s.device)
    if plan is None:
        return
    stent, from_mm, device = plan
    if stent.working_mm > 10.0 + wire.floppy_mm:
        return
    rest = list(s.rig.buddies)
    rest.remove(wire)
    trapped = TrappedWire(wire, from_mm, from_mm + stent.working_mm)
    yield s.alternative(
        f"trapped_{wire.id}",
        f"trap {wire.name} behind a proximal {stent.name}, then {device.name} beyond it",
        [MoveId.TRAPPED_WIRE],
        [moves.TRAPPED_WIRE],
        rig=replace(s.rig, buddies=tuple(rest), trapped=trapped),
        device=device,
        tool=stent,
    )


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


def other_guide(s: Situation) -> Iterator[Alternative]:
    """Yield a more supportive guide of the same size, and a larger one.

    Parameters
    ----------
    s : Situation
        Where the case stands.

    Yields
    ------
    Alternative
        Guides for the same artery that the sheath takes and that hold at least a tenth more; none while a
        wire is trapped. All but the rail comes out with the guide.
    """
    if s.rig.trapped is not None:
        return
    now, route = s.rig.guide, s.rig.access.route
    least_ratio = _MORE_SUPPORT_BY * guide_hold_ratio(now, route)
    better = [
        g
        for g in s.shelf.devices.values()
        if isinstance(g, Guide)
        and _GUIDES_COMPARED_FR[0] <= g.size_fr <= _GUIDES_COMPARED_FR[1]
        and now.size_fr <= g.size_fr <= s.rig.access.sheath_fr
        and _same_artery(now.shape, g.shape)
        and guide_hold_ratio(g, route) >= least_ratio
    ]
    same = [g for g in better if g.size_fr == now.size_fr]
    larger = [g for g in better if g.size_fr > now.size_fr]
    chosen = sorted(same, key=lambda g: -guide_hold_ratio(g, route))[:1]
    chosen += sorted(larger, key=lambda g: (g.size_fr, g.shape != now.shape))[:1]
    for guide in chosen:
        yield s.alternative(
            f"guide_{guide.id}",
            f"change the guide to {guide.name}",
            [MoveId.OTHER_GUIDE],
            [moves.OTHER_GUIDE],
            rig=replace(
                s.rig,
                guide=guide,
                seat_mm=0.0,
                extension=None,
                extension_depth_mm=0.0,
                buddies=(),
                anchor=None,
            ),
        )


def _same_artery(now: GuideShape, other: GuideShape) -> bool:
    """Return whether two shapes serve the same artery.

    The Amplatz left shape serves both, so from it only itself is sure.
    """
    if now == other:
        return True
    sides = (_LEFT | {GuideShape.AMPLATZ_LEFT}, _RIGHT | {GuideShape.AMPLATZ_LEFT})
    return now != GuideShape.AMPLATZ_LEFT and any(now in side and other in side for side in sides)
